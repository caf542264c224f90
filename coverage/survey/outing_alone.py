"""One outing on the ground of its site, whatever other outings did: what takes long, and can be done side by side."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import field, replace
from typing import TypeVar

import numpy as np

from fieldcomb.coverage.areas.area_shapes import AreaShape, NoGoEntered
from fieldcomb.coverage.areas.no_go import Swath, days_of, no_go_entered
from fieldcomb.coverage.cache.memo import Memo, digest
from fieldcomb.coverage.estimate.chance import Redrawn, redrawn, together
from fieldcomb.coverage.estimate.effort import Plot
from fieldcomb.coverage.estimate.measured_spacings import spacings_of
from fieldcomb.coverage.estimate.swept_share import Estimates, OutingEstimate, Walked, draw
from fieldcomb.coverage.estimate.walked_ground import Drawn
from fieldcomb.coverage.gear.receivers import receiver
from fieldcomb.coverage.ground.pass_tally import OutingPasses, Swinging, sweep_outing
from fieldcomb.coverage.ground.site_cells import Ground, clip_to_site
from fieldcomb.coverage.outings.walks import SwungWalk, WalkedOuting
from fieldcomb.coverage.pool.ahead import one_ahead
from fieldcomb.coverage.pool.memory import give_back
from fieldcomb.coverage.pool.workers import ALONE, Workers
from fieldcomb.coverage.raster.cells import Mask
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.survey.walked_lanes import OnPlan
from fieldcomb.tracks.units import parse_zone
from fieldcomb.tracks.values import dataclass

LOOK_S = 5e-5  # of a core for each second searched, about: whether several processes are worth it
GIVE_BACK_EVERY = 8  # outings: what one has freed lies between what is kept of it
MANY_WALKS = 3  # of more than these in one outing, each is a task of its own
REDRAW_S = 2e-5  # the same, for drawing it again


@dataclass(frozen=True, slots=True, eq=False)
class OutingAlone:
    """What one outing did.

    far_share : of its searching, how much lay far from the site. no_go : ground entered that nobody may search.
    redrawn : by coil, walks with ways drawn again, where their strips cannot be placed.
    """

    swept: OutingPasses
    far_share: float
    no_go: NoGoEntered
    estimate: OutingEstimate
    redrawn: dict[str, Redrawn]


@dataclass(frozen=True, slots=True, eq=False)
class AloneOn:
    """What an outing is looked at on: the ground, the areas as they stand, the site's zone and cell.

    estimates : with nothing added to them. inside : the cells of the site. chance_grid : those of the chances.
    on_plans : by outing, its walks that were on lanes, which say what was swept there.
    """

    ground: Ground
    areas: tuple[AreaShape, ...]
    zone: str
    cell_m: float
    estimates: Estimates
    inside: Mask
    chance_grid: Grid
    on_plans: Mapping[str, tuple[OnPlan, ...]] = field(default_factory=dict)

    @property
    def depends_on(self) -> tuple[object, ...]:
        """Return all of it that the result of every outing depends on."""
        of = self.ground
        ground = (of.grid, of.kind, of.shape, of.near)
        estimates = (self.estimates.plot, self.estimates.reason)
        return (ground, self.areas, self.zone, self.cell_m, estimates, self.chance_grid)


def walks_for_estimate(outing: WalkedOuting) -> list[tuple[str, Walked]]:
    """Return the walks that an estimate takes, each after the name of its coil."""
    return [(w.swing.coil.name, _walked(w, outing)) for w in outing.walks if w.walk.ways or w.walk.times is None]


def _walked(walk: SwungWalk, outing: WalkedOuting) -> Walked:
    swing = walk.swing
    spacings = spacings_of(outing.marks, walk.walk.start_s, walk.walk.end_s, walk.spacings)
    return Walked(walk.walk.ways, swing.swath_m, swing.swath_measured, receiver(swing.gps), spacings)


def off_lanes(outing: WalkedOuting, on_plans: Sequence[OnPlan]) -> WalkedOuting:
    """Return an outing with its ways but for what was walked on lanes."""
    walks = list(outing.walks)
    for one in on_plans:
        swung = walks[one.walk]
        walks[one.walk] = replace(swung, walk=replace(swung.walk, ways=one.rest(swung.walk.ways)))
    return replace(outing, walks=tuple(walks)) if on_plans else outing


SweptCallback = Callable[[WalkedOuting, OutingPasses], None]


def look_at(
    on: AloneOn, outing: WalkedOuting, workers: Workers = ALONE, tell_swept: SweptCallback | None = None
) -> OutingAlone:
    """Sweep, estimate and redraw one outing.

    tell_swept : called with the outing and what it swept as soon as that is known.
    """
    rest = off_lanes(outing, on.on_plans.get(outing.id, ()))
    walks = walks_for_estimate(rest)
    alone = len(walks) == 1 and bool(walks[0][1].ways) and not on.estimates.reason
    drawing = workers.begin(_draw_alone, (on.estimates.plot, on.chance_grid), walks[0][1]) if alone else None
    told = len(walks) > 1 and not on.estimates.reason and all(walked.ways for _, walked in walks)
    each = on.estimates.begin_draws(walks, workers) if told else None
    swept, far_share, no_go = _sweep(on, outing)
    if tell_swept:
        tell_swept(outing, swept)
    drawn, once_more = drawing() if drawing else (None, None)
    on_site = SweptOnSite(on.inside, swept)
    estimate = on.estimates.of_outing(walks, on_site, workers, [drawn] if drawn else each)
    again: dict[str, Redrawn] = {}
    if once_more:
        again = {walks[0][0]: once_more}
    elif not on.estimates.reason and not estimate.estimate.strips_placed:
        again = {coil: _redrawn(on.chance_grid, of_coil, workers) for coil, of_coil in _by_coil(rest).items()}
    return OutingAlone(swept, far_share, no_go, estimate, again)


def _draw_alone(on: tuple[Plot, Grid], walked: Walked) -> tuple[Drawn, Redrawn | None]:
    """Draw the only walk of an outing, and draw it again where its strips cannot be placed; this needs no sweeping."""
    drawn = draw(on[0], walked)
    if drawn.strips_placed:
        return drawn, None
    return drawn, redrawn(on[1], (walked.ways, walked.swath_m, walked.receiver))


def _by_coil(outing: WalkedOuting) -> dict[str, list[SwungWalk]]:
    """Walks with ways by coil."""
    found: dict[str, list[SwungWalk]] = {}
    for w in outing.walks:
        if w.walk.ways:
            found.setdefault(w.swing.coil.name, []).append(w)
    return found


def _redrawn(grid: Grid, walks: Sequence[SwungWalk], workers: Workers) -> Redrawn:
    tasks = [(w.walk.ways, w.swing.swath_m, receiver(w.swing.gps)) for w in walks]
    seconds = REDRAW_S * sum(way.t_s.size for ways, _, _ in tasks for way in ways)
    each = workers.in_order(redrawn, grid, tasks, seconds)
    return next(each) if len(tasks) == 1 else together(grid, each)


@dataclass(frozen=True, slots=True, eq=False)
class SweptOnSite:
    """Where an outing swept as recorded, with one coil or (None) with any, on the site's grid."""

    inside: Mask
    swept: OutingPasses

    def __call__(self, coil: str | None) -> Mask:
        """Return bool (rows, cols)."""
        counts = self.swept.passes if coil is None else self.swept.by_coil[coil]
        whole = np.zeros(self.inside.shape, bool)
        whole[self.swept.here] = counts[self.swept.there] > 0
        return np.asarray(whole & self.inside)


def _sweep(on: AloneOn, outing: WalkedOuting) -> tuple[OutingPasses, float, NoGoEntered]:
    swinging: list[Swinging] = []
    swaths: list[Swath] = []
    lengths = cut_m = 0.0
    for w in outing.walks:
        near, cut = clip_to_site(w.walk.legs, on.ground.near)
        own, _ = clip_to_site(w.walk.coil_legs, on.ground.near)
        swinging.append(Swinging(w.swing.coil.name, w.swing.swath_m, near, own, w.swing.coil.width_m, w.searcher))
        swaths.append(Swath(near, w.swing.swath_m, w.swing.gps))
        lengths += w.walk.search_m
        cut_m += cut * w.walk.search_m
    dropouts = [(w.swing.swath_m, d) for w in outing.walks for d in w.walk.dropouts]
    days = days_of(outing.start_s, outing.end_s, parse_zone(on.zone))
    # Whoever marks ground stands on it; anyone who comes later was warned.
    areas = [area for area in on.areas if area.marked_in != outing.id]
    into = no_go_entered(areas, days, swaths, on.cell_m)
    return sweep_outing(swinging, dropouts, on.ground), cut_m / lengths if lengths else 0.0, into


_T = TypeVar("_T")
NamedOuting = tuple[str, WalkedOuting]  # after what stands for its walk in what is kept, "" where nothing is


def names_alone(on: AloneOn, walked: Sequence[NamedOuting], memory: Memo) -> list[str]:
    """Return what stands in what is kept for what each outing did, "" where nothing is."""
    key = digest(on.depends_on) if any(name for name, _ in walked) else ""
    return [
        memory.name_of("alone", (key, name, *on.on_plans.get(outing.id, ()))) if name else "" for name, outing in walked
    ]


def look_in_order(
    on: AloneOn,
    walked: list[NamedOuting],
    names: Sequence[str],
    memory: Memo,
    workers: Workers,
    tell_swept: SweptCallback,
) -> Iterator[tuple[OutingAlone, WalkedOuting, str]]:
    """Yield what outings did, and the outings: recalled, or found by one of several processes.

    The last is what stands for it in what is kept, as in ``names``.

    walked : emptied on the way, to free their walks.
    tell_swept : called for each in its turn, before it is yielded.
    """
    unknown = [not (name and memory.has(name)) for name in names]
    side = [new and len(outing.walks) <= MANY_WALKS for new, (_, outing) in zip(unknown, walked, strict=True)]
    if sum(side) == 1:  # nothing to share but what is in it
        side = [False] * len(side)
    tasks = [outing for mine, (_, outing) in zip(side, walked, strict=True) if mine]
    found = workers.in_order(look_at, on, tasks, LOOK_S * sum(_seconds(outing) for outing in tasks))
    del tasks
    known = [name for name, mine in zip(names, side, strict=True) if name and not mine]
    recalled = one_ahead(memory.get, known, workers.jobs)

    def look(name: str, mine: bool) -> OutingAlone:
        kept = next(recalled) if name and not mine else None
        if isinstance(kept, OutingAlone) or mine:
            alone = kept if isinstance(kept, OutingAlone) else next(found)
            tell_swept(walked[0][1], alone.swept)
        else:
            alone = look_at(on, walked[0][1], workers, tell_swept)
            give_back()  # what a team's day has freed is as much as all that it leaves
        if name and kept is not alone:
            memory.keep(name, alone)
        return alone

    for number, (name, mine) in enumerate(zip(names, side, strict=True), 1):
        yield look(name, mine), walked.pop(0)[1], name  # held nowhere else, so that it can be freed
        if number % GIVE_BACK_EVERY == 0:
            give_back()


def swept_again(on: AloneOn, outing: WalkedOuting, name: str, memory: Memo, workers: Workers) -> OutingPasses:
    """Recall or find again what an outing swept."""
    kept = memory.get(name)
    return (kept if isinstance(kept, OutingAlone) else look_at(on, outing, workers)).swept


def recall_or(memory: Memo, what: str, name: str, compute: Callable[[], _T]) -> _T:
    """Return what was made of something that a name stands for, or make it; "" stands for nothing that is kept."""
    return memory.get_or_compute(what, (name,), compute) if name else compute()


def _seconds(outing: WalkedOuting) -> int:
    return sum(way.t_s.size for w in outing.walks for way in w.walk.ways)
