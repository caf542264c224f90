"""The whole survey in memory: a site and its recordings in, one result out; no files, no printing, no clock."""

from __future__ import annotations

from collections.abc import Callable, MutableMapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from shapely.geometry import MultiPolygon

from fieldcomb.coverage.areas.areas import place_areas
from fieldcomb.coverage.areas.from_marks import Marked, marked_areas, marked_notes, marks_of_others
from fieldcomb.coverage.areas.no_go import Swath, days_of, no_go_entered, without_ended
from fieldcomb.coverage.areas.shapes import AreaShape, NoGoEntered, NoGoEntry
from fieldcomb.coverage.cache.memo import NOTHING, Memo, Store, digest
from fieldcomb.coverage.estimate.chance import ChanceMap, redraw
from fieldcomb.coverage.estimate.confidence import found_from_m, rated, told_unswept
from fieldcomb.coverage.estimate.swept_share import Drawn, Estimate, Walked, estimates_on
from fieldcomb.coverage.gear.coils import Coil
from fieldcomb.coverage.gear.receivers import receiver
from fieldcomb.coverage.gear.swing import Swing
from fieldcomb.coverage.gear.target_ids import DigRule
from fieldcomb.coverage.ground.site_grid import BLOCKED, NO_GO, SITE, Ground, clip_legs, lay_out
from fieldcomb.coverage.ground.strips import find_strips
from fieldcomb.coverage.ground.tally import Mask, Runs, Swept, Swinging, Tally, sweep_outing
from fieldcomb.coverage.ground.under_coil import UnderCoil
from fieldcomb.coverage.outings.inputs import OutingInput
from fieldcomb.coverage.outings.recording import RecordingResult
from fieldcomb.coverage.outings.times import outing_times
from fieldcomb.coverage.outings.walks import CheckedOuting, SwungWalk, WalkedOuting, walk_outing
from fieldcomb.coverage.raster.cells import OUTSIDE, Cells
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.raster.passes import Counts
from fieldcomb.coverage.raster.vectorise import vectorise
from fieldcomb.coverage.survey.figures import coil_results, total_result
from fieldcomb.coverage.survey.inputs import SiteInput, check_distance
from fieldcomb.coverage.survey.layers import MOST_RASTERS, draw_outing
from fieldcomb.coverage.survey.results import (
    Comparison,
    Layers,
    OutingLayer,
    OutingResult,
    Report,
    Result,
    SiteResult,
)
from fieldcomb.coverage.todo.dug_classes import SearchedTally
from fieldcomb.coverage.todo.ranking import bare_ground, rank_ground
from fieldcomb.coverage.todo.remaining import RemainingTargets
from fieldcomb.tracks.errors import SiteError
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.hints import HintKind
from fieldcomb.tracks.marks.vocabulary import Mark
from fieldcomb.tracks.motion.legs import DropOut, Leg, SearchPath, Stop, Times, Walk
from fieldcomb.tracks.motion.peg_drift import PegResidual
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.units import local_date, parse_zone

Progress = Callable[[str, int, int], None]

# What the results that are kept are made of.
KEPT = (
    *(WalkedOuting, SwungWalk, RecordingResult, Mark, PegResidual, Swing, Coil, DigRule),
    *(Walk, Leg, SearchPath, Stop, DropOut, Times),
    *(Swept, Runs, Grid, NoGoEntered, NoGoEntry, Drawn),
)


def survey(
    site: SiteInput,
    outings: Sequence[OutingInput],
    *,
    between: tuple[str, str] | None = None,
    depth_m: float | None = None,
    progress: Progress | None = None,
    store: Store | None = None,
    checked: MutableMapping[str, CheckedOuting] | None = None,
) -> Result:
    """Survey a site.

    Parameters
    ----------
    site : SiteInput
        The ground.
    outings : sequence of OutingInput
        In any order; they are counted in order of time, those without a clock last.
    between : (id, id), optional
        Two outings to set beside each other; nothing else is counted then.
    depth_m : float, optional
        How deep below the soil it is asked what the coil itself covered; at the coil if not given.
    progress : callable, optional
        Called with what is being done, how much is done, and how much there is.
    store : Store, optional
        Where results that take long are kept for the next time; the numbers are the same without.
    checked : mutable mapping, optional
        Outings that were walked when they were checked, by id; emptied as they are used, to free their walks.
    """
    if not outings:
        raise SiteError("there are no outings to report", file=site.name, hint=HintKind.ADD_A_WALK(site="SITE"))
    tell = progress or (lambda _what, _done, _all: None)
    memory = Memo(store, KEPT)
    areas, notes = place_areas(site.areas, site.frame, site.areas_file)
    walked = []
    chosen = _chosen(outings, between)
    for k, outing in enumerate(chosen):
        tell("reading", k, len(chosen))
        before = checked.pop(outing.id, None) if checked else None
        walked.append(_checked(_walk(outing, site.frame, memory, before), areas, site.frame))
    walked.sort(key=lambda w: (w.start_s is None, w.start_s or 0.0))
    rest = [*site.others, *(one for one in outings if one not in chosen)]
    others, unread = marks_of_others(rest, partial(_marks, frame=site.frame, memory=memory))
    marked = [Marked(w.id, w.start_s, w.marks) for w in walked]
    areas = (*areas, *marked_areas((*marked, *others), site.frame, site.zone))
    latest = max((w.start_s for w in walked if w.start_s is not None), default=None)
    standing, ended = without_ended(areas, local_date(latest, parse_zone(site.zone)))
    notes = (*notes, *ended, *marked_notes(marked), *unread)
    ground = lay_out(standing, _swung(walked), site.cell_m, site.areas_file)
    widest_m = max(w.swing.swath_m for outing in walked for w in outing.walks)
    told = (*site.notes, *notes, *_partly(outings, between))
    return _Survey(site, ground, areas, told, between, depth_m, memory).run(walked, widest_m, tell)


def _walk(outing: OutingInput, frame: SiteFrame, memory: Memo, before: CheckedOuting | None) -> WalkedOuting:
    """Read and clean an outing; or recall it, or take it as it was checked, where nothing it depends on has changed."""
    made_from = None if outing.known_by is None else outing.known_by()

    def work() -> WalkedOuting:
        if before is not None and (before.frame, before.made_from) == (frame, made_from):
            return before.walked
        return walk_outing(outing, frame)

    if made_from is None or memory.store is None:
        return work()
    return memory.get_or_compute("walk", _given(outing, frame, made_from), work)


def _given(outing: OutingInput, frame: SiteFrame, made_from: tuple[object, ...]) -> tuple[object, ...]:
    return (outing.id, outing.label, outing.note, outing.unrecorded, frame, *made_from)


def _marks(outing: OutingInput, frame: SiteFrame, memory: Memo) -> tuple[Mark, ...]:
    """Return the marks of an outing that is not counted: of its walk where that is kept, so that nothing is read."""

    def work() -> tuple[Mark, ...]:
        return tuple(dict.fromkeys(mark for item in outing.load() for mark in item.marks))

    if outing.known_by is None or memory.store is None:
        return work()
    given = _given(outing, frame, outing.known_by())
    walked = memory.get("walk", given)
    return walked.marks if isinstance(walked, WalkedOuting) else memory.get_or_compute("marks", given, work)


def _swung(walked: Sequence[WalkedOuting]) -> list[tuple[Leg, float]]:
    return [(leg, w.swing.swath_m) for outing in walked for w in outing.walks for leg in w.walk.legs]


def _partly(outings: Sequence[OutingInput], between: tuple[str, str] | None) -> tuple[str, ...]:
    rest = len(outings) - len(set(between or ()))
    if between is None or rest == 0:
        return ()
    return (f"Only {' and '.join(between)} are counted here, and {rest} more not: missed ground may be swept by those",)


def _chosen(outings: Sequence[OutingInput], between: tuple[str, str] | None) -> list[OutingInput]:
    if between is None:
        return list(outings)
    known = {o.id: o for o in outings}
    for wanted in between:
        if wanted not in known:
            hint = f"Outings here: {', '.join(known)}"
            raise SiteError(f"there is no outing {wanted!r} to set beside another", hint=hint)
    return [known[wanted] for wanted in dict.fromkeys(between)]


def _checked(outing: WalkedOuting, areas: Sequence[AreaShape], frame: SiteFrame) -> WalkedOuting:
    for w in outing.walks:
        check_distance(w.walk, w.file, areas, frame)
    return outing


@dataclass(slots=True, eq=False)
class _Survey:
    """Adds up walked outings and puts the result together."""

    site: SiteInput
    ground: Ground
    areas: tuple[AreaShape, ...]  # as they were drawn, those that ended by now among them
    notes: tuple[str, ...]
    between: tuple[str, str] | None
    depth_m: float | None = None
    memory: Memo = NOTHING
    ground_key: str = ""

    def __post_init__(self) -> None:
        if self.memory.store is not None:
            ground = self.ground
            self.ground_key = digest((ground.grid, ground.kind, ground.shape, ground.near))

    def run(self, walked: list[WalkedOuting], widest_m: float, tell: Progress) -> Result:
        """Add up the outings, in the order given; the list is emptied on the way, to free their walks."""
        sums = _Sums(self, walked)
        layers: list[OutingLayer] = []
        masks: dict[str, Cells] = {}
        count = len(walked)
        while walked:
            tell("sweeping", len(layers), count)
            outing = walked.pop(0)
            swept = sums.add(outing)
            layers.append(draw_outing(outing, swept, self.ground, raster=len(walked) < MOST_RASTERS))
            if self.between:
                masks[outing.id] = self._whole(swept)
        del outing, swept  # the last one's walks may be a whole team's
        tally, chances, worst, searched = sums.tally, sums.chances, sums.worst, sums.searched.packed
        ledger, bare = sums.ledger, bare_ground(sums.ledger, sums.tally)
        report, pace, heard = sums.told()
        left_out = sums.estimates.left_out(chances.coarse.grid)
        tally.forget_bearings()
        del sums  # finding strips needs the room
        tell("finding strips", 0, 1)
        strips = find_strips(tally.missed(), tally.inside, self.ground.grid, widest_m, self.site.frame)
        estimate_pct = report.total.estimate.pct
        if estimate_pct is not None:
            strips = rated(strips, chances.swept(), left_out, chances.coarse.grid, worst)
        todo = () if self.between else rank_ground(ledger, bare, told_unswept(strips, chances.coarse.grid))
        comparison, difference = self._compare(masks)
        drawn = replace(
            self._layers(tally, tuple(layers), difference),
            chance=chances.layer(estimate_pct, left_out),
            pace=pace,
            heard=heard,
            searched=searched,
        )
        return Result(replace(report, strips=strips, between=comparison, todo=todo), drawn)

    def sweep(self, outing: WalkedOuting) -> tuple[Swept, float, NoGoEntered]:
        """Count one outing; also the share of its searching that lay far from the site, and no-go ground entered."""
        given = (self.ground_key, self.areas, self.site.zone, self.site.cell_m, outing)
        return self.memory.get_or_compute("sweep", given, partial(self._sweep, outing))

    def _sweep(self, outing: WalkedOuting) -> tuple[Swept, float, NoGoEntered]:
        swinging: list[Swinging] = []
        swaths: list[Swath] = []
        lengths = cut_m = 0.0
        for w in outing.walks:
            near, cut = clip_legs(w.walk.legs, self.ground.near)
            own, _ = clip_legs(w.walk.coil_legs, self.ground.near)
            swinging.append(Swinging(w.swing.coil.name, w.swing.swath_m, near, own, w.swing.coil.width_m))
            swaths.append(Swath(near, w.swing.swath_m, w.swing.gps))
            lengths += w.walk.search_m
            cut_m += cut * w.walk.search_m
        dropouts = [(w.swing.swath_m, d) for w in outing.walks for d in w.walk.dropouts]
        days = days_of(outing.start_s, outing.end_s, parse_zone(self.site.zone))
        # Whoever marks ground stands on it; who comes after has been told.
        areas = [area for area in self.areas if area.marked_in != outing.id]
        into = no_go_entered(areas, days, swaths, self.site.cell_m)
        return sweep_outing(swinging, dropouts, self.ground), cut_m / lengths if lengths else 0.0, into

    def _whole(self, swept: Swept) -> Cells:
        whole = np.zeros(self.ground.kind.shape, np.uint8)
        whole[swept.here] = swept.passes[swept.there] > 0
        return whole

    def _compare(self, masks: dict[str, Cells]) -> tuple[Comparison | None, Cells | None]:
        if self.between is None:
            return None, None
        first, second = self.between
        both = masks[first] + 2 * masks[second]
        inside = self.ground.inside
        area = np.bincount(both[inside], minlength=4) * self.ground.grid.cell_m2
        none, one, two, three = (float(a) for a in area)
        drawn = np.where(inside, both, np.uint8(OUTSIDE))
        return Comparison(first, second, three, one, two, none), drawn

    def site_result(self) -> SiteResult:
        """Give the site's own numbers."""
        ground, site = self.ground, self.site
        return SiteResult(
            name=site.name,
            area_m2=ground.m2(SITE),
            boundary=ground.boundary,
            no_go_m2=ground.m2(NO_GO),
            blocked_m2=ground.m2(BLOCKED),
            cell_m=site.cell_m,
            frame=site.frame,
            zone=site.zone,
        )

    def _layers(self, tally: Tally, outings: tuple[OutingLayer, ...], difference: Cells | None) -> Layers:
        grid = self.ground.grid
        left, _, _, top = grid.bounds_m
        gone = tally.not_recorded & (tally.passes == 0)
        tally.passes[:] = tally.drawn(tally.passes)
        for name, layer in tally.by_coil.items():
            tally.by_coil[name] = tally.drawn(layer)
        lost = vectorise(gone, left, top, grid.cell_m) if gone.any() else MultiPolygon()
        return Layers(grid, tally.passes, tally.by_coil, outings, lost, self.ground.areas, difference)


class _Sums:
    """Everything that is added up over the outings of a site; they come in order of time."""

    def __init__(self, of: _Survey, walked: Sequence[WalkedOuting]) -> None:
        self.of = of
        ground, site = of.ground, of.site
        swings = [w.swing for outing in walked for w in outing.walks]
        receivers = [receiver(swing.gps) for swing in swings]
        self.worst = max(receivers, key=lambda one: one.sigma_m)
        self.tally = Tally(ground, of.memory)
        inside = self.tally.inside  # one of them for all: on a large site each is 10 MB
        self.chances = ChanceMap(inside, ground.grid)
        self.estimates = estimates_on(inside, ground.grid, ground.boundary, receivers, of.memory)
        self.ledger = RemainingTargets(ground, site.frame, walked, site.coils, site.todo, self.chances.coarse)
        self.searched = SearchedTally(ground.kind.shape, [swing.rule for swing in swings])
        guessed = any(not swing.sweep_measured for swing in swings)
        self.under = UnderCoil(inside, guessed, of.depth_m, of.memory)
        self.results: list[OutingResult] = []

    def add(self, outing: WalkedOuting) -> Swept:
        """Add one outing; gives what it swept."""
        of, tally = self.of, self.tally
        swept, far_share, no_go = of.sweep(outing)
        estimate, passed_by = self._estimate(outing, swept)
        times = outing_times([w.walk for w in outing.walks], far_share, [o.times for o in self.results])
        ground = tally.add(swept)
        under = self.under.add(outing.walks, swept).at_most(ground.swept_pct)
        self.results.append(
            OutingResult(outing.head, times, ground, estimate, under, outing.recordings, outing.marks, no_go)
        )
        self.ledger.add(outing, swept, passed_by)
        for w in outing.walks if self.searched.stated else ():
            passed = swept.by_coil[w.swing.coil.name][swept.there] > 0
            self.searched.add(swept.here, passed & tally.inside[swept.here], w.swing.rule)
        return swept

    def told(self) -> tuple[Report, Cells | None, MultiPolygon]:
        """Give the report but for its strips; the ground by pace; and where something was heard and left."""
        of, tally, under, ledger = self.of, self.tally, self.under, self.ledger
        site_m2, inside = of.ground.m2(SITE), tally.inside
        estimate, found_m = self.estimates.together(), None
        if estimate.pct is not None:
            estimate = replace(estimate, strips_placed=not self.chances.any_drawn)
            found_m = found_from_m(self.worst)
        report = Report(
            of.site_result(),
            tuple(self.results),
            coil_results(tally, self.results, site_m2, self.estimates, under),
            total_result(tally, site_m2, estimate, under.together(), found_m),
            (),
            None,
            of.notes,
            depth_m=of.depth_m,
            filled=under.filled(of.areas),
            searched_for=self.searched.results(inside & (tally.passes > 0), int(np.count_nonzero(inside))),
            junk=ledger.junk(),
        )
        return report, under.pace_layer(tally.passes), ledger.heard()

    def _estimate(self, outing: WalkedOuting, swept: Swept) -> tuple[Estimate, dict[str, Floats]]:
        """Estimate one outing, and add it to what all outings swept; with the chances as ``_add_chance`` gives them."""
        walks = [
            (w.swing.coil.name, Walked(w.walk.ways, w.swing.swath_m, w.swing.swath_measured, receiver(w.swing.gps)))
            for w in outing.walks
            if w.walk.ways or w.walk.times is None
        ]
        by_coil = {coil: self._on_site(counts, swept) for coil, counts in swept.by_coil.items()}
        estimate = self.estimates.add(walks, self._on_site(swept.passes, swept), by_coil)
        return estimate, {} if self.estimates.reason else self._add_chance(outing, swept, estimate)

    def _on_site(self, counts: Counts, swept: Swept) -> Mask:
        """Where an outing swept, on the site's grid."""
        whole = np.zeros(self.tally.inside.shape, bool)
        whole[swept.here] = counts[swept.there] > 0
        return np.asarray(whole & self.tally.inside)

    def _add_chance(self, outing: WalkedOuting, swept: Swept, estimate: Estimate) -> dict[str, Floats]:
        """Add an outing to the chances: as recorded where its strips can be trusted, by its draws elsewhere.

        Gives the chance that each of its coils passed each cell, where that is not as recorded.
        """
        chances = self.chances
        if estimate.strips_placed:
            chances.add_placed(swept.passes[swept.there] > 0, swept.here)
            return {}
        drawn: dict[str, Mask] = {}
        for w in outing.walks:
            if w.walk.ways:
                given = (w.walk.ways, w.swing.swath_m, receiver(w.swing.gps), chances.coarse.grid)
                mask = self.of.memory.get_or_compute("redraw", given, partial(redraw, *given))
                chances.add_drawn(mask)
                name = w.swing.coil.name
                drawn[name] = drawn[name] | mask if name in drawn else mask
        untimed = {w.swing.coil.name for w in outing.walks if w.walk.times is None}
        told = chances.of_outing(drawn, estimate.pct) if drawn else {}
        return {name: one for name, one in told.items() if name not in untimed}
