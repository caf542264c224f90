"""The whole survey in memory: a site and its recordings in, one result out; no files, no printing, no clock."""

from collections.abc import Callable, Iterator, Mapping, MutableMapping, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from shapely.geometry import MultiPolygon

from fieldcomb.coverage.areas.area_shapes import AreaShape, NoGoEntered, NoGoEntry
from fieldcomb.coverage.areas.areas import place_areas
from fieldcomb.coverage.areas.from_marks import Marked, marked_areas, marked_notes, marks_of_others
from fieldcomb.coverage.areas.no_go import without_ended
from fieldcomb.coverage.cache.memo import Memo, Store
from fieldcomb.coverage.estimate.chance import Redrawn
from fieldcomb.coverage.estimate.confidence import rated, reportable, told_unswept
from fieldcomb.coverage.estimate.effort import Effort
from fieldcomb.coverage.estimate.swept_share import Estimate, OutingEstimate
from fieldcomb.coverage.estimate.walked_ground import Drawn
from fieldcomb.coverage.gear.coils import Coil, OwnCoil
from fieldcomb.coverage.gear.swing import Swing
from fieldcomb.coverage.gear.target_ids import DigRule
from fieldcomb.coverage.ground.ground_results import Strip
from fieldcomb.coverage.ground.pass_tally import OutingPasses, PassTally
from fieldcomb.coverage.ground.site_cells import Ground, rasterise_site
from fieldcomb.coverage.ground.strips import begin_strips
from fieldcomb.coverage.ground.under_places import UnderPlace, UnderPlaces
from fieldcomb.coverage.ground.unswept import WalkedGround, told_apart, unswept
from fieldcomb.coverage.lanes.lane_draws import CellsSwept, LaneDraws
from fieldcomb.coverage.outings.inputs import OutingInput
from fieldcomb.coverage.outings.recording import RecordingResult
from fieldcomb.coverage.outings.walking import CheckedOuting
from fieldcomb.coverage.outings.walks import SwungWalk, WalkedOuting
from fieldcomb.coverage.places.places import SearchPlace, places_for, places_to_go
from fieldcomb.coverage.places.whereabouts import landmarks
from fieldcomb.coverage.pool.memory import give_back
from fieldcomb.coverage.pool.workers import ALONE, Workers
from fieldcomb.coverage.raster.cells import OUTSIDE, Cells, Mask
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.raster.vectorise import vectorise
from fieldcomb.coverage.season.events import EVENTS_FILE, STRIPPED, PlacedEvent, changed_depths, place_events
from fieldcomb.coverage.season.season import season_of
from fieldcomb.coverage.season.season_results import Season
from fieldcomb.coverage.season.since_events import last_between
from fieldcomb.coverage.season.worth_digging import rank_by_finds
from fieldcomb.coverage.survey.inputs import SiteInput, check_distance, check_walk_span, check_walked_cells
from fieldcomb.coverage.survey.lane_ground import kept_off, lane_strips, plans_ahead
from fieldcomb.coverage.survey.lane_times import lane_time_notes
from fieldcomb.coverage.survey.other_outings import swept_by_others
from fieldcomb.coverage.survey.outing_alone import (
    NamedOuting,
    OutingAlone,
    look_in_order,
    names_alone,
    swept_again,
)
from fieldcomb.coverage.survey.outing_layers import layer_of
from fieldcomb.coverage.survey.results import Comparison, Layers, LeftOut, OutingLayer, Result
from fieldcomb.coverage.survey.sums import AddedUp, SurveyGround, SurveySums
from fieldcomb.coverage.survey.sums_so_far import SUMS_TYPES, keep_sums, recall_sums
from fieldcomb.coverage.survey.walked_lanes import walked_lanes
from fieldcomb.coverage.survey.walking_in_order import NamedWalk, in_order_of_time, marks_alone, walk_in_order
from fieldcomb.coverage.todo.planted import planted_results
from fieldcomb.coverage.todo.ranking import Ranking, rank_ground
from fieldcomb.tracks.errors import FieldcombError, SiteError
from fieldcomb.tracks.files.limits import MAX_CELLS
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.hints import HintKind
from fieldcomb.tracks.marks.spacings import LaneSpacing
from fieldcomb.tracks.marks.vocabulary import Mark
from fieldcomb.tracks.motion.legs import DropOut, Leg, SearchPath, Stop, Times, Walk
from fieldcomb.tracks.motion.peg_drift import PegPlace, PegResidual
from fieldcomb.tracks.units import local_date, parse_zone

NEAR_PLANTED_M = 1.0  # ground round a planted target, at least; else as far as the receiver may be off
ProgressCallback = Callable[[str, int, int], None]
_Fault = tuple[OutingInput, FieldcombError]

# What the results that are kept are made of.
CACHED_TYPES = (
    *SUMS_TYPES,
    *(WalkedOuting, SwungWalk, RecordingResult, Mark, LaneSpacing, PegResidual, PegPlace, Swing, Coil, DigRule),
    *(Walk, Leg, SearchPath, Stop, DropOut, Times),
    *(LaneDraws, CellsSwept, OutingAlone, OutingPasses, Grid, NoGoEntered, NoGoEntry),
    *(OutingEstimate, Estimate, Drawn, Effort, Redrawn),
)


def survey(
    site: SiteInput,
    outings: Sequence[OutingInput],
    *,
    between: tuple[str, str] | None = None,
    depth_m: float | None = None,
    in_hand: OwnCoil | None = None,
    progress: ProgressCallback | None = None,
    store: Store | None = None,
    checked: MutableMapping[str, CheckedOuting] | None = None,
    workers: Workers = ALONE,
) -> Result:
    """Survey a site.

    site : the ground.
    outings : in any order; they are counted in order of time, those without a clock last.
    between : (id, id), two outings to compare; nothing else is counted then.
    depth_m : how deep below the soil it is asked what the coil itself covered; at the coil if not given.
    in_hand : the coil that ground to go to is for; any of the user's if not given.
    progress : called with what is being done, how much is done, and how much there is.
    store : where results that take long are kept for the next time; the numbers are the same without.
    checked : outings that were walked when they were checked, by id; emptied, to free their walks.
    workers : do what outings do not share side by side; the numbers are the same.
    """
    if not outings:
        raise SiteError("there are no outings to report", file=site.name, hint=HintKind.ADD_A_WALK(site="SITE"))
    tell = progress or (lambda _what, _done, _all: None)
    memory = Memo(store, CACHED_TYPES)
    areas, events, notes = _areas_and_events(site)
    chosen = _chosen(outings, between)
    walk = partial(walk_in_order, frame=site.frame, memory=memory, workers=workers)
    walked, faults = _usable(chosen, walk(chosen, checked=checked), areas, site.frame, tell)
    if faults and (between or not walked):
        raise faults[0][1]  # of two, neither can be left out
    walked = in_order_of_time(walked, chosen, walk)
    in_time = [one for _, one in walked]
    rest = [*site.others, *(one for one in outings if one not in chosen)]
    marks_of = partial(marks_alone, frame=site.frame, memory=memory)
    others, unread = marks_of_others(rest, marks_of)
    readable = {one.id for one in others}
    of_faults, _ = marks_of_others([outing for outing, _ in faults], marks_of)
    others = (*others, *of_faults)
    marked = [Marked(w.id, w.start_s, w.marks) for w in in_time]
    areas = (*areas, *marked_areas((*marked, *others), site.frame, site.zone, site.reopened))
    latest = max((w.start_s for w in in_time if w.start_s is not None), default=None)
    standing, ended = without_ended(areas, local_date(latest, parse_zone(site.zone)))
    notes = (*notes, *ended, *marked_notes(marked), *unread)
    ground, widest_m = _ground_of(site, in_time, standing)
    swept, not_walked = swept_by_others([one for one in rest if one.id in readable], walk, ground)
    lanes, on_plans = walked_lanes(site, in_time)
    of_lanes = [*(note for plan in lanes for note in plan.notes), *lane_time_notes(lanes, in_time, site.zone)]
    all_notes = (*site.notes, *notes, *not_walked, *of_lanes, *_partly(outings, between))
    on = SurveyGround(site, ground, areas, all_notes, depth_m, in_hand, swept, lanes, on_plans, events)
    del in_time  # so that walks are freed when they have been added up
    give_back()
    result = _add_up(on, walked, widest_m, between, tell, memory, workers)
    read = {one.id for one in of_faults}
    left_out = tuple(LeftOut(one.id, error.fault, error.hint, one.id in read) for one, error in faults)
    report = replace(result.report, left_out=left_out, plans_ahead=plans_ahead(site.lanes, lanes))
    return replace(result, report=kept_off(report, standing, site.lanes))


def _areas_and_events(site: SiteInput) -> tuple[tuple[AreaShape, ...], tuple[PlacedEvent, ...], tuple[str, ...]]:
    """Place the user's areas and events, with the ground that events filled or stripped as areas; and notes on them."""
    areas, notes = place_areas(site.areas, site.frame, site.areas_file)
    events, more = place_events(site.events, areas, EVENTS_FILE)
    return (*areas, *changed_depths(events, areas)), events, (*notes, *more)


def _ground_of(site: SiteInput, walked: Sequence[WalkedOuting], areas: Sequence[AreaShape]) -> tuple[Ground, float]:
    """Lay the ground of a site out in cells; returns it and the widest swath of its walks."""
    walks = [w for outing in walked for w in outing.walks]
    check_walked_cells([(w.walk, w.file) for w in walks], site.cell_m, areas, MAX_CELLS)
    swung = [(leg, w.swing.swath_m) for w in walks for leg in w.walk.legs]
    return rasterise_site(areas, swung, site.cell_m, site.areas_file), max(w.swing.swath_m for w in walks)


def _usable(
    chosen: Sequence[OutingInput],
    walks: Iterator[NamedWalk],
    areas: Sequence[AreaShape],
    frame: SiteFrame,
    tell: ProgressCallback,
) -> tuple[list[NamedOuting], list[_Fault]]:
    """Separate outings that lie on the site from those that cannot be used, and why."""
    walked: list[NamedOuting] = []
    faults: list[_Fault] = []
    for k, outing in enumerate(chosen):
        tell("reading", k, len(chosen))
        one = next(walks)
        try:
            walked.append((one.name, _checked(one.usable, areas, frame)))
        except FieldcombError as error:
            faults.append((outing, error))
    return walked, faults


def _partly(outings: Sequence[OutingInput], between: tuple[str, str] | None) -> tuple[str, ...]:
    rest = len(outings) - len(set(between or ()))
    if between is None or rest == 0:
        return ()
    others = "one other outing is" if rest == 1 else f"{rest} other outings are"
    return (f"Only {' and '.join(between)} are counted here; {others} not",)


def _chosen(outings: Sequence[OutingInput], between: tuple[str, str] | None) -> list[OutingInput]:
    if between is None:
        return list(outings)
    known = {o.id: o for o in outings}
    for wanted in between:
        if wanted not in known:
            hint = f"Outings here: {', '.join(known)}"
            raise SiteError(f"there is no outing {wanted!r} to compare", hint=hint)
    return [known[wanted] for wanted in dict.fromkeys(between)]


def _checked(outing: WalkedOuting, areas: Sequence[AreaShape], frame: SiteFrame) -> WalkedOuting:
    for w in outing.walks:
        check_distance(w.walk, w.file, areas, frame)
        check_walk_span([w.walk], w.file, areas)
    return outing


def _add_up(
    on: SurveyGround,
    walked: list[NamedOuting],
    widest_m: float,
    between: tuple[str, str] | None,
    tell: ProgressCallback,
    memory: Memo,
    workers: Workers,
) -> Result:
    """Add up the outings, in the order given; the list is emptied on the way, to free their walks."""
    begin = None if between else partial(_begin_strips, on, widest_m, workers)
    sums = SurveySums(on, [outing for _, outing in walked], memory, begin, workers.jobs)
    layers: list[OutingLayer] = []
    masks: dict[str, Cells] = {}
    planted = on.site.planted
    asked = [UnderPlace(one.at_m, one.depth_m, one.coil) for one in planted]
    under = UnderPlaces(on.ground, asked, max(sums.worst.r95_m, NEAR_PLANTED_M))
    count, alone_on = len(walked), sums.alone_on()
    layer = partial(layer_of, on.ground, memory, count)
    names = names_alone(alone_on, walked, memory)
    for name in names[: 0 if between else recall_sums(sums, names, [outing.id for _, outing in walked], memory)]:
        outing = walked.pop(0)[1]
        again = partial(swept_again, alone_on, outing, name, memory, workers)
        layers.append(layer(len(layers), outing, name, again))
    tell("sweeping", len(layers), count)
    if not walked:
        sums.begin()
    for alone, outing, name in look_in_order(alone_on, walked, names[len(layers) :], memory, workers, sums.sweep):
        sums.add(outing, alone)
        passes = alone.swept
        del alone  # the rest of it is only added up
        under.add(outing.walks, passes)
        sums.estimate_so_far(name, memory)
        layers.append(layer(len(layers), outing, name, partial(_same, passes)))
        if between:
            masks[outing.id] = _swept_cells(passes, on.ground)
        del passes
        if len(layers) < count:
            tell("sweeping", len(layers), count)
    keep_sums(sums, names, memory)
    del outing  # the last one's walks may be a whole team's
    give_back()
    added = sums.finished(memory)
    del sums  # finding strips needs the room
    give_back()
    season = _season(on, added)
    tell("finding strips", 0, 1)
    result = _put_together(on, added, widest_m, tuple(layers), masks, between, season)
    found = planted_results(planted, under.shares())
    return replace(
        result,
        report=replace(result.report, planted=found, finds=on.site.finds, season=season),
        layers=replace(result.layers, planted=planted),
    )


def _same(passes: OutingPasses) -> OutingPasses:
    return passes


def _season(on: SurveyGround, added: AddedUp) -> Season | None:
    """Return what the finds say; None where nobody wrote any down."""
    if added.effort is None:
        return None
    rules = {own.coil.name: own.rule for own in on.site.coils}
    since = last_between(added.report.events)
    return season_of(on.site.finds, added.effort, on.site.frame, rules, added.worst.sigma_m, since)


def _put_together(
    on: SurveyGround,
    added: AddedUp,
    widest_m: float,
    layers: tuple[OutingLayer, ...],
    masks: Mapping[str, Cells],
    between: tuple[str, str] | None,
    season: Season | None,
) -> Result:
    """Find what was missed and where to go, once all outings are added."""
    report, tally, chances, strips = added.report, added.tally, added.chances, added.strips()
    estimate_pct = report.total.estimate.pct
    chance = chances.layer(estimate_pct, added.left_out)
    if chance is not None:
        strips = rated(strips, chance, added.worst, wandering=added.wandering)
    if not between:
        grid = chances.coarse.grid
        strips = (*strips, *lane_strips(on.lanes, tally.lanes, on.ground, (added.left_out, grid), on.site.frame))
    walked = WalkedGround(tally, chances.coarse)
    told = told_apart(reportable(strips), walked)
    if chance is not None:
        chance = chances.layer(
            estimate_pct, added.left_out, told_unswept([one for one in told if not one.lanes], chance)
        )
    ranking = Ranking((), (), MultiPolygon()) if between else rank_ground(added.ledger, added.bare, chance)
    if on.site.todo.by_finds and season is not None:
        ranking = rank_by_finds(ranking, season.worth, on.site.todo.target)
    places, others = _places(on, told, ranking, widest_m, walked)
    more = [(place.ground, place.shape) for place in places if place.never_swept]
    total = replace(report.total, unswept=unswept(tally, told, more, len(strips) - len(told)))
    comparison, difference = _compare(masks, on.ground, between)
    drawn = replace(
        _layers(tally, on, layers, difference),
        chance=chance,
        pace=added.pace,
        heard=added.heard,
        searched=added.searched,
        stale=added.stale,
    )
    report = replace(report, total=total, strips=told, between=comparison, todo=ranking.coils, places=places)
    in_hand = None if on.in_hand is None else on.in_hand.coil.name
    return Result(replace(report, coil_in_hand=in_hand, places_for_others=others), drawn)


def _begin_strips(
    on: SurveyGround, widest_m: float, workers: Workers, tally: PassTally
) -> Callable[[], tuple[Strip, ...]]:
    """Begin to find strips; of two outings compared there are none, since others may have swept what those left."""
    give_back()  # masks of the whole site are made now
    return begin_strips(_off_lanes(tally), tally.inside, on.ground.grid, widest_m, on.site.frame, workers)


def _off_lanes(tally: PassTally) -> Mask:
    """Missed ground of which no lanes say what was swept; of the rest the lanes themselves are told."""
    return tally.missed() if tally.lanes is None else tally.missed() & ~tally.lanes.told


def _places(
    on: SurveyGround, strips: Sequence[Strip], ranking: Ranking, widest_m: float, walked: WalkedGround
) -> tuple[tuple[SearchPlace, ...], int]:
    """Return where to go next, and how many places are left out because the coil in hand has nothing to do there."""
    marks = landmarks(on.ground.shape, on.ground.boundary == "given", on.site.pegs)
    lanes, pieces = [one.shape for one in strips if one.lanes], [one for one in strips if not one.lanes]
    places = places_to_go(pieces, ranking, widest_m, marks, on.site.frame, walked.kind, lanes)
    if on.in_hand is None:
        return places, 0
    own = places_for(on.in_hand.coil.name, places)
    return own, len(places) - len(own)


def _swept_cells(swept: OutingPasses, ground: Ground) -> Cells:
    whole = np.zeros(ground.kind.shape, np.uint8)
    whole[swept.here] = swept.passes[swept.there] > 0
    return whole


def _compare(
    masks: Mapping[str, Cells], ground: Ground, between: tuple[str, str] | None
) -> tuple[Comparison | None, Cells | None]:
    if between is None:
        return None, None
    first, second = between
    both = masks[first] + 2 * masks[second]
    inside = ground.inside
    area = np.bincount(both[inside], minlength=4) * ground.grid.cell_m2
    none, one, two, three = (float(a) for a in area)
    drawn = np.where(inside, both, np.uint8(OUTSIDE))
    return Comparison(first, second, three, one, two, none), drawn


def _layers(tally: PassTally, on: SurveyGround, outings: tuple[OutingLayer, ...], difference: Cells | None) -> Layers:
    grid = on.ground.grid
    left, _, _, top = grid.bounds_m
    gone, others = tally.lost(), tally.swept_by_others()
    if on.others is not None and tally.others is None:  # searched before the ground changed: to do again, drawn pale
        others = np.asarray(on.others.exact & tally.inside & tally.unswept())
    tally.passes[:] = tally.drawn(tally.passes)
    for name, layer in tally.by_coil.items():
        tally.by_coil[name] = layer if layer is tally.passes else tally.drawn(layer)
    lost = vectorise(gone, left, top, grid.cell_m) if gone.any() else MultiPolygon()
    elsewhere = vectorise(others, left, top, grid.cell_m) if others.any() else MultiPolygon()
    areas = tuple(area for area in on.ground.areas if area.kind != STRIPPED)
    return Layers(grid, tally.passes, tally.by_coil, outings, lost, areas, difference, elsewhere)
