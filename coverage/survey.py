"""The whole survey in memory: a site and its recordings in, one result out; no files, no printing, no clock."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry import MultiPolygon

from fieldcomb.coverage.areas import Area, place_areas
from fieldcomb.coverage.chance import ChanceMap, redraw
from fieldcomb.coverage.confidence import found_from_m, rated
from fieldcomb.coverage.estimate import Estimate, Estimates, Walked, estimates_on
from fieldcomb.coverage.ground import BLOCKED, NO_GO, SITE, Ground, clip_legs, lay_out
from fieldcomb.coverage.layers import MOST_RASTERS, draw_outing, vectorise
from fieldcomb.coverage.ledger import Ledger
from fieldcomb.coverage.marked import Marked, marked_areas, marked_notes, marks_of_others
from fieldcomb.coverage.measures import Mask, OutingGround, Swept, Swinging, Tally, sweep_outing
from fieldcomb.coverage.no_go import Swath, day_of, days_of, entered, without_ended
from fieldcomb.coverage.position import receiver
from fieldcomb.coverage.raster import Counts
from fieldcomb.coverage.results import (
    OUTSIDE,
    AreaShape,
    Cells,
    CoilResult,
    Comparison,
    Layers,
    NoGoEntry,
    OutingLayer,
    OutingResult,
    Report,
    Result,
    SiteResult,
    TotalResult,
)
from fieldcomb.coverage.searched import SearchedTally
from fieldcomb.coverage.strips import find_strips
from fieldcomb.coverage.todo import OwnCoil
from fieldcomb.coverage.todo_ranking import rank_ground
from fieldcomb.coverage.todo_settings import USUAL, TodoSettings
from fieldcomb.coverage.walks import OutingInput, RecordingInput, WalkedOuting, too_far, walk_chain, walk_outing
from fieldcomb.tracks.errors import SiteError, TrackError
from fieldcomb.tracks.frame import SiteFrame, centre_frame, distance_m, middle_frame
from fieldcomb.tracks.legs import Leg, Walk
from fieldcomb.tracks.track import Recording
from fieldcomb.tracks.units import parse_zone

__all__ = ["OutingInput", "RecordingInput", "SiteInput", "check_recording", "choose_frame", "survey"]

FAR_M = 1000.0  # a walk that comes no nearer than this to a given boundary is another site's
FAR_FROM_START_M = 5000.0  # where no boundary is given

Progress = Callable[[str, int, int], None]
Entered = tuple[tuple[NoGoEntry, ...], float]


@dataclass(frozen=True, slots=True)
class SiteInput:
    """A site: its name, time zone, cell, frame, and the user's areas (from ``areas_file``, for messages).

    ``notes`` are sentences that belong on top of the report, such as which outings are not in it. ``others`` are those
    outings: nothing of them is counted, but ground that they marked as blocked or to leave alone stays so.
    ``coils`` are those that the user owns, and ``todo`` what is assumed of what is still to do.
    """

    name: str
    zone: str
    cell_m: float
    frame: SiteFrame
    areas: tuple[Area, ...] = ()
    areas_file: str = "areas.geojson"
    notes: tuple[str, ...] = ()
    others: tuple[OutingInput, ...] = ()
    coils: tuple[OwnCoil, ...] = ()
    todo: TodoSettings = USUAL


def choose_frame(areas: Sequence[Area], recordings: Sequence[Recording]) -> SiteFrame:
    """Give the frame centred on the boundary, or else on the middle of the walks, where stray fixes do not pull."""
    site = [a.shape for a in areas if a.kind == "site"] or [a.shape for a in areas]
    if site:
        return centre_frame(*shapely.get_coordinates(site).T)
    lon, lat = (np.concatenate([getattr(r.track, name) for r in recordings]) for name in ("lon_deg", "lat_deg"))
    good = np.isfinite(lon) & np.isfinite(lat) & (np.abs(lon) <= 180) & (np.abs(lat) <= 90)
    if not good.any():
        files = ", ".join(r.file for r in recordings)
        raise TrackError("no fix has a usable position", file=files, hint="Export the recording again as GPX")
    return middle_frame(lon[good], lat[good])


def check_recording(site: SiteInput, item: RecordingInput) -> tuple[str, ...]:
    """Check that a recording can be used on a site, before anything is kept.

    Returns sentences on what was met. Raises TrackError when nothing usable is left, when it has fewer than two
    places, or when it is far from the site.
    """
    walk, cleaned = walk_chain([item], site.frame)
    placed, _ = place_areas(site.areas, site.frame, site.areas_file)
    _check_distance(walk, item.file, placed, site.frame)
    return (*item.recording.notes, *cleaned.notes, *walk.notes)


def _check_distance(walk: Walk, file: str, areas: Sequence[AreaShape], frame: SiteFrame) -> None:
    lines = [*walk.legs, *walk.transits]
    x = np.concatenate([np.array([s.x_m for s in walk.stops]), *(leg.x_m for leg in lines)])
    y = np.concatenate([np.array([s.y_m for s in walk.stops]), *(leg.y_m for leg in lines)])
    site = [a.shape for a in areas if a.kind == "site"]
    if site:
        away = shapely.distance(shapely.union_all(site), shapely.points(x, y))
        limit = FAR_M
    else:
        away = np.hypot(x, y)
        limit = FAR_FROM_START_M
    k = int(away.argmin())
    if away[k] > limit:  # the frame stretches far from its origin: tell the distance on the ellipsoid
        lon, lat = frame.to_lonlat([x[k]], [y[k]])
        raise too_far(file, distance_m(frame.lon_deg, frame.lat_deg, float(lon[0]), float(lat[0])))


def survey(
    site: SiteInput,
    outings: Sequence[OutingInput],
    *,
    between: tuple[str, str] | None = None,
    progress: Progress | None = None,
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
    progress : callable, optional
        Called with what is being done, how much is done, and how much there is.
    """
    if not outings:
        raise SiteError("there are no outings to report", file=site.name, hint="Add one with: fieldcomb add SITE TRACK")
    tell = progress or (lambda _what, _done, _all: None)
    areas, notes = place_areas(site.areas, site.frame, site.areas_file)
    walked = []
    chosen = _chosen(outings, between)
    for k, outing in enumerate(chosen):
        tell("reading", k, len(outings))
        walked.append(_checked(walk_outing(outing, site.frame), areas, site.frame))
    walked.sort(key=lambda w: (w.start_s is None, w.start_s or 0.0))
    others, unread = marks_of_others([*site.others, *(one for one in outings if one not in chosen)])
    marked = [Marked(w.id, w.start_s, w.marks) for w in walked]
    areas = (*areas, *marked_areas((*marked, *others), site.frame, site.zone))
    latest = max((w.start_s for w in walked if w.start_s is not None), default=None)
    standing, ended = without_ended(areas, day_of(latest, parse_zone(site.zone)))
    notes = (*notes, *ended, *marked_notes(marked), *unread)
    ground = lay_out(standing, _swung(walked), site.cell_m, site.areas_file)
    widest_m = max(w.swing.swath_m for outing in walked for w in outing.walks)
    told = (*site.notes, *notes, *_partly(outings, between))
    return _Survey(site, ground, areas, told, between).run(walked, widest_m, tell)


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
        _check_distance(w.walk, w.file, areas, frame)
    return outing


@dataclass(slots=True, eq=False)
class _Survey:
    """Adds up walked outings and puts the result together."""

    site: SiteInput
    ground: Ground
    areas: tuple[AreaShape, ...]  # as they were drawn, those that ended by now among them
    notes: tuple[str, ...]
    between: tuple[str, str] | None

    def run(self, walked: list[WalkedOuting], widest_m: float, tell: Progress) -> Result:
        """Add up the outings, in the order given; the list is emptied on the way, to free their walks."""
        tally = Tally(self.ground)
        site_m2 = self.ground.m2(SITE)
        results: list[OutingResult] = []
        layers: list[OutingLayer] = []
        masks: dict[str, Cells] = {}
        count = len(walked)
        receivers = [receiver(w.swing.gps) for outing in walked for w in outing.walks]
        chances = ChanceMap(self.ground.inside, self.ground.grid)
        estimates = estimates_on(self.ground.inside, self.ground.grid, self.ground.boundary, receivers)
        ledger = Ledger(self.ground, self.site.frame, walked, self.site.coils, self.site.todo)
        searched = SearchedTally(self.ground.kind.shape, [w.swing.rule for o in walked for w in o.walks])
        while walked:
            tell("sweeping", len(results), count)
            outing = walked.pop(0)
            swept, cut, into = self._sweep(outing)
            raster = len(walked) < MOST_RASTERS
            estimate = self._estimate(outing, swept, estimates)
            if estimates.reason is None:
                _add_chance(chances, outing, swept, estimate)
            results.append(outing_result(outing, tally.add(swept), cut, results, site_m2, estimate, into))
            ledger.add(outing, swept)
            for w in outing.walks if searched.stated else ():
                passed = swept.by_coil[w.swing.coil.name][swept.there] > 0
                searched.add(swept.here, passed & tally.inside[swept.here], w.swing.rule)
            layers.append(draw_outing(outing, swept, self.ground, raster))
            if self.between:
                masks[outing.id] = self._whole(swept)
        del outing, swept, into  # the walks of the last one, which may be a whole team's
        together = estimates.together()
        worst = max(receivers, key=lambda one: one.sigma_m)
        total = _total(tally, site_m2, together)
        if together.pct is not None:
            placed = not chances.any_drawn
            total = replace(total, strips_placed=placed, found_from_m=found_from_m(worst))
        todo = () if self.between else rank_ground(ledger, tally)
        searched_for = searched.results(tally.inside & (tally.passes > 0), int(np.count_nonzero(tally.inside)))
        coils, junk, heard = tuple(_coils(tally, results, site_m2, estimates)), ledger.junk(), ledger.heard()
        tally.forget_bearings()
        del estimates, ledger, searched  # finding strips needs the room
        tell("finding strips", 0, 1)
        strips = find_strips(tally.missed(), tally.inside, self.ground.grid, widest_m, self.site.frame)
        if together.pct is not None:
            strips = rated(strips, chances.swept(together.pct), chances.coarse.grid, worst)
        comparison, difference = self._compare(masks)
        return Result(
            Report(
                self._site(),
                tuple(results),
                coils,
                total,
                strips,
                comparison,
                self.notes,
                searched_for=searched_for,
                junk=junk,
                todo=todo,
            ),
            replace(
                self._layers(tally, tuple(layers), difference),
                chance=chances.layer(together.pct),
                heard=heard,
            ),
        )

    def _sweep(self, outing: WalkedOuting) -> tuple[Swept, float, Entered]:
        """Count one outing; also the share of its searching that lay far from the site, and no-go ground entered."""
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
        into = entered(areas, days, swaths, self.site.cell_m)
        return sweep_outing(swinging, dropouts, self.ground), cut_m / lengths if lengths else 0.0, into

    def _estimate(self, outing: WalkedOuting, swept: Swept, estimates: Estimates) -> Estimate:
        """Estimate one outing, and add it to what all outings swept."""
        walks = [
            (w.swing.coil.name, Walked(w.walk.ways, w.swing.swath_m, w.swing.swath_measured, receiver(w.swing.gps)))
            for w in outing.walks
            if w.walk.ways or w.walk.times is None
        ]
        by_coil = {coil: self._on_site(counts, swept) for coil, counts in swept.by_coil.items()}
        return estimates.add(walks, self._on_site(swept.passes, swept), by_coil)

    def _on_site(self, counts: Counts, swept: Swept) -> Mask:
        """Where an outing swept, on the site's grid."""
        whole = np.zeros(self.ground.kind.shape, bool)
        whole[swept.here] = counts[swept.there] > 0
        return np.asarray(whole & self.ground.inside)

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

    def _site(self) -> SiteResult:
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


def outing_result(
    outing: WalkedOuting,
    ground: OutingGround,
    cut: float,
    before: Sequence[OutingResult],
    site_m2: float,
    estimate: Estimate,
    into: Entered = ((), 0.0),
) -> OutingResult:
    """Put an outing's times and areas together; ``cut`` is the share of its searching far from the site."""
    walks = [w.walk for w in outing.walks]
    times = [w.times for w in walks if w.times is not None]
    timed = len(times) == len(walks)
    search_m = sum(w.search_m for w in walks) * (1 - cut)
    searching = sum(t.searching_s for t in times) * (1 - cut)
    transit = sum(t.transit_s for t in times) + sum(t.searching_s for t in times) * cut
    stopped, lost = sum(t.stopped_s for t in times), sum(t.dropout_s for t in times)
    hours = [o.searching_s for o in before] + [searching if timed else None]
    swept = ground.swept_m2
    return OutingResult(
        id=outing.id,
        label=outing.label,
        note=outing.note,
        start_s=outing.start_s,
        coils=tuple(dict.fromkeys(w.swing.coil.name for w in outing.walks)),
        recordings=outing.recordings,
        recorded=outing.recorded,
        unrecorded=outing.unrecorded,
        walked_m=sum(w.walked_m for w in walks),
        elapsed_s=searching + stopped + transit + lost if timed else None,
        searching_s=searching if timed else None,
        stopped_s=stopped if timed else None,
        transit_s=transit if timed else None,
        dropout_s=lost if timed else None,
        stops=sum(len(w.stops) for w in walks) if timed else None,
        digs=sum(s.kind == "dig" for w in walks for s in w.stops) if timed else None,
        speed_m_s=search_m / searching if timed and searching > 0 else None,
        swept_m2=swept,
        swept_pct=100 * swept / site_m2,
        new_m2=ground.new_m2,
        again_same_coil_m2=ground.again_same_coil_m2,
        again_other_coil_m2=ground.again_other_coil_m2,
        crosswise_m2=ground.crosswise_m2,
        twice_pct=100 * ground.twice_m2 / swept if swept else 0.0,
        outside_m2=ground.outside_m2,
        no_go_entered_m2=into[1],
        not_recorded_m2=ground.not_recorded_m2,
        minutes_per_100_m2=searching / 60 / (swept / 100) if timed and swept else None,
        total_pct=100 * ground.total_m2 / site_m2,
        total_hours=sum(h for h in hours if h is not None) / 3600 if None not in hours else None,
        marks=outing.marks,
        no_go_entered=into[0],
        swept_est_pct=estimate.pct,
        swept_low=estimate.low,
        swept_high=estimate.high,
        strips_placed=estimate.strips_placed,
        est_reason=estimate.reason,
    )


def _add_chance(chances: ChanceMap, outing: WalkedOuting, swept: Swept, estimate: Estimate) -> None:
    """Add an outing to the chances: as recorded where its strips can be trusted, by its draws elsewhere."""
    if estimate.strips_placed:
        chances.add_placed(swept.passes[swept.there] > 0, swept.here)
        return
    for w in outing.walks:
        if w.walk.ways:
            chances.add_drawn(redraw(w.walk.ways, w.swing.swath_m, receiver(w.swing.gps), chances.coarse.grid))


def _coils(tally: Tally, outings: Sequence[OutingResult], site_m2: float, estimates: Estimates) -> list[CoilResult]:
    found = []
    for name, layer in tally.by_coil.items():
        swept = float(np.count_nonzero(layer)) * tally.ground.grid.cell_m2
        told = estimates.together(name)
        count = sum(name in o.coils for o in outings)
        found.append(CoilResult(name, count, swept, 100 * swept / site_m2, told.pct, told.low, told.high))
    return found


def _total(tally: Tally, site_m2: float, estimate: Estimate) -> TotalResult:
    m2 = tally.ground.grid.cell_m2
    by_passes = tally.passes_m2()
    swept = site_m2 - by_passes["0"]
    twice = by_passes["2"] + by_passes["3+"]
    return TotalResult(
        swept_m2=swept,
        swept_pct=100 * swept / site_m2,
        twice_pct=100 * twice / swept if swept else 0.0,
        crosswise_m2=tally.crosswise_m2(),
        not_recorded_m2=float(np.count_nonzero(tally.not_recorded & (tally.passes == 0))) * m2,
        passes_m2=by_passes,
        said_walked_m2=float(np.count_nonzero(tally.said_walked())) * m2,
        swept_est_pct=estimate.pct,
        swept_low=estimate.low,
        swept_high=estimate.high,
        est_reason=estimate.reason,
    )
