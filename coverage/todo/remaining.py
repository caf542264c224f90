"""What the outings leave, one after another, on coarse cells; memory does not grow with the number of outings."""

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Point

from fieldcomb.coverage.gear.coils import OwnCoil
from fieldcomb.coverage.gear.receivers import receiver
from fieldcomb.coverage.ground.pass_tally import OutingPasses
from fieldcomb.coverage.ground.site_cells import Ground
from fieldcomb.coverage.outings.walks import SwungWalk, WalkedOuting
from fieldcomb.coverage.raster.blocks import BLUR_SIGMAS, Coarse, PartOf, around
from fieldcomb.coverage.raster.cells import Slices
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.raster.passes import Counts, cover
from fieldcomb.coverage.todo.assumptions import TodoSettings
from fieldcomb.coverage.todo.coil_use import CoilUses, share_under_coil_on, used_coils
from fieldcomb.coverage.todo.dug_signals import dug_signals_of
from fieldcomb.coverage.todo.junk import (
    ASSUMED,
    COUNTED,
    DRAWN,
    DUG,
    NOT_MEASURED,
    CountSquare,
    Digs,
    Junk,
    cell_at,
    error_pct,
    local_junk,
)
from fieldcomb.coverage.todo.masking import Remaining, footprint_m2
from fieldcomb.coverage.todo.results import JunkProgress, JunkResult
from fieldcomb.coverage.todo.second_search import CoilPasses
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.recording import Floats

# All chosen for this project.
RANKED_CELL_M = 1.0  # a piece of ground to do is many swings wide, and finer cells only take longer
GOOD_PASS_SHARE = 0.25  # a good pass is like the better walked quarter of the user's own ground
HEARD_M = 2.5  # a mark left is set within a swing of what was heard, by a receiver that is metres off
MOST_TOLD_APART = 6  # passes of one outing over one cell: so many, or more
LEVELS = 200
CHANGED = ("filled", "stripped")  # kinds of areas
LEAST_NEAR = 1e-6  # of a pass in the neighbourhood: with less, the number of passes cannot be estimated


class RemainingTargets:
    """What is left after each outing, on coarse cells; outings come in order of time."""

    def __init__(
        self,
        ground: Ground,
        frame: SiteFrame,
        walked: Sequence[WalkedOuting],
        own: Sequence[OwnCoil],
        settings: TodoSettings,
        chances: Coarse,
        in_hand: OwnCoil | None = None,
    ) -> None:
        self.ground, self.frame, self.settings = ground, frame, settings
        self.chances = chances  # cells on which chances are given
        self.coarse = Coarse(chances.inside, ground.grid, RANKED_CELL_M)
        used = used_coils(walked)
        self.own = tuple(own) or used
        if in_hand is not None and in_hand.coil.name not in {coil.coil.name for coil in self.own}:
            as_used = (coil for coil in used if coil.coil.name == in_hand.coil.name)
            self.own = (*self.own, next(as_used, in_hand))
        self.swaths_m = {coil.coil.name: coil.swath_m for coil in (*used, *self.own)}
        self.r95_m = max((receiver(w.swing.gps).r95_m for o in walked for w in o.walks), default=0.0)
        self.finds = {outing.id: dug_signals_of(outing, frame) for outing in walked}
        grid = self.coarse.grid
        self.depth_m = _depths(ground, grid, settings)
        # Ground that was filled or stripped on a day had another depth on outings before.
        self.changed = any(a.kind in CHANGED and a.since and a.depth_cm for a in ground.areas)
        self.depths_m: list[float] = _known(self.depth_m)
        dug = any(len(finds.dug) for finds in self.finds.values())
        # Without any dig there is nothing to be taken per swept m2.
        self.digs = Digs(grid, _swept(walked if dug else (), grid))
        self.then, self.dug = self._junk(walked)
        coils = {coil.coil.name: coil.coil for coil in (*used, *self.own)}
        self.by_coil = CoilPasses(self.coarse, self.then, tuple(coils.values()))
        self.done: dict[str, JunkProgress] = {}  # by coil
        self.met = self.then.per_m2.copy()
        self.uses = CoilUses()
        shape = (grid.rows, grid.cols)
        rules = [w.swing.rule for o in walked for w in o.walks]
        not_all_dug = any(rule.share(settings.target) < 1 for rule in rules)
        # What would be left had everything heard been dug; had all been deep enough; had no one walked too fast.
        self.left = Remaining(shape)
        self.had_dug = Remaining(shape) if not_all_dug else self.left
        self.had_reached = Remaining(shape) if self.depths_m else self.had_dug
        self.had_time = Remaining(shape)
        self.bare = np.ones(shape)  # chance that no pass was over a place of the cell
        self.any_drawn = False
        self.used_m2 = np.full(shape, np.inf)
        self.used = np.full(shape, -1, np.int16)
        self.names: list[str] = []
        self.left_m2 = np.zeros(LEVELS + 1)  # swept ground by what its passes leave, in steps

    def _junk(self, walked: Sequence[WalkedOuting]) -> tuple[Junk, Floats]:
        grid = self.coarse.grid
        so_far = np.zeros((grid.rows, grid.cols))
        squares = []
        for outing in walked:
            finds = self.finds[outing.id]
            for x, y, count in finds.squares:
                squares.append(CountSquare(x, y, count, float(so_far[cell_at(grid, x, y)])))
            more = self.digs.add(*finds.dug.T)
            so_far[more.part] += more.values
        drawn = _drawn(self.ground, grid)
        return local_junk(self.digs, so_far, squares, drawn, self.settings.junk_per_m2), so_far

    def add(
        self, outing: WalkedOuting, swept: OutingPasses, passed_by: Mapping[str, PartOf], day: str = ""
    ) -> tuple[JunkProgress, ...]:
        """Take in one outing: its passes, and what was dug in it; returns the junk ground that its coils have done.

        ``passed_by`` is the chance that a coil passed each cell of ``chances``, where that is not as recorded, and
        ``day`` the outing's, ISO 8601, "" where it is not known: ground that was filled later was not so deep then.
        Who digs sweeps the hole again and finds what that junk hid, so dug junk counts as if it had hidden nothing;
        without ``recheck`` it hid targets from all passes up to this outing's.
        """
        then_m = self.depth_m
        if day and self.changed:
            then_m = _depths(self.ground, self.coarse.grid, self.settings, day)
        for name, counts in swept.by_coil.items():
            walks = [w for w in outing.walks if w.swing.coil.name == name]
            self._visit(name, walks, counts[swept.there], swept.here, passed_by.get(name), then_m)
        fewer = self.meet(outing.id)
        if fewer is not None and not self.settings.recheck:
            for remaining in {id(r): r for r in self.every}.values():
                remaining.dig(fewer.values, fewer.part)
        before = {name: one.done_pct for name, one in self.done.items()}
        progress = tuple(self.by_coil.progress(before, list(swept.by_coil)))
        self.done |= {one.coil: one for one in progress}
        return progress

    @property
    def every(self) -> tuple[Remaining, ...]:
        """What is left, in all four ways; some may be the same."""
        return self.left, self.had_dug, self.had_reached, self.had_time

    def meet(self, outing_id: str) -> PartOf | None:
        """Take out the junk that was dug in an outing; returns how much of it, per m2, None where nothing was dug."""
        dug = self.finds[outing_id].dug
        if not len(dug):
            return None
        here = self.digs.round(*dug.T)
        fewer = np.minimum(here.values, self.met[here.part])
        self.met[here.part] -= fewer
        return PartOf(here.part, fewer)

    @property
    def depends_on(self) -> tuple[object, ...]:
        """Return all that ``add`` depends on but the outing, what ``meet`` does aside."""
        settings, by_coil = self.settings, self.by_coil
        junk_ground = [(coil, by_coil.junk_ground(coil, by_coil.coils[0])) for coil in by_coil.coils[1:]]
        junk_ground = [(coil, ground) for coil, ground in junk_ground if ground.any()]
        same = [one is other for one, other in combinations(self.every, 2)]
        depths = (self.depth_m, self.changed, settings.depth_m, self.ground.areas if self.changed else ())
        digs = () if settings.recheck else (self.digs.weight, self.then, [one.dug for one in self.finds.values()])
        return settings.target, depths, same, junk_ground, digs

    def add_lanes(self, cells: NDArray[np.int64], chance: Floats) -> None:
        """Take in lanes that no recording shows: chances that they swept some cells of ``chances``, by their number."""
        whole = np.zeros(self.chances.cells.shape)
        whole.ravel()[cells] = chance
        self.bare *= 1 - self.chances.resample_to(whole, self.coarse.grid)
        self.any_drawn = True

    def _visit(
        self, name: str, walks: Sequence[SwungWalk], counts: Counts, here: Slices, chance: PartOf | None, then_m: Floats
    ) -> None:
        where, passed = self.coarse.cells_by_count(counts, MOST_TOLD_APART, here)
        if not passed.any() or not walks:
            return
        self.uses.add(name, walks, float(passed.sum()) * self.ground.grid.cell_m2)
        passes = passed / np.maximum(self.coarse.cells[where], 1)
        if chance is not None:
            where, passes = self._redrawn(where, passes, chance, walks)
        reached = np.minimum(passes.sum(axis=0), 1)
        self.bare[where] *= 1 - reached
        self.by_coil.add(name, where, reached)
        self.any_drawn |= chance is not None
        coil, swing = walks[0].swing.coil, walks[0].swing
        under, deep = self._under_coil(walks, where, then_m)
        swept = reached * self.coarse.cells[where] * self.ground.grid.cell_m2
        caught_once = under * (reached if chance is not None else 1)
        after = np.clip(np.rint((1 - caught_once) * LEVELS), 0, LEVELS).astype(int)
        self.left_m2 += np.bincount(after.ravel(), weights=swept.ravel(), minlength=LEVELS + 1)
        dug = swing.rule.share(self.settings.target)
        foot = footprint_m2(coil.width_m, coil.length_m)
        chances = ((self.left, deep * dug), (self.had_dug, deep), (self.had_reached, under), (self.had_time, 1.0))
        for remaining, chance_once in {id(r): (r, once) for r, once in reversed(chances)}.values():
            caught = np.zeros_like(under)
            for n, share in enumerate(passes, 1):
                caught += share * (1 - (1 - chance_once) ** n)
            remaining.visit(foot, caught, where)
        self._remember(name, foot, reached, where)

    def _redrawn(
        self, where: Slices, passes: Floats, chance: PartOf, walks: Sequence[SwungWalk]
    ) -> tuple[Slices, Floats]:
        """Passes on the coarse cells that were reached, as well as a receiver that is metres off can show them.

        Whether there was any pass is the chance of the cell; how many there were then, as recorded round about.
        """
        from scipy.ndimage import gaussian_filter

        grid = self.coarse.grid
        told = self.chances.resample_part(_taken(chance), grid)
        here, reached = told.part, np.where(self.coarse.cells[told.part] > 0, told.values, 0.0)
        sigma = max(receiver(w.swing.gps).sigma_m for w in walks) / grid.cell_m
        wide, inner = around(here, sigma, grid)
        near = np.zeros((MOST_TOLD_APART, wide[0].stop - wide[0].start, wide[1].stop - wide[1].start))
        to, of = grid.window(where).part_of(grid.window(wide)), grid.window(wide).part_of(grid.window(where))
        near[:, *to] = passes[:, *of]
        near = gaussian_filter(near, (0, sigma, sigma), mode="constant", truncate=BLUR_SIGMAS)[:, *inner]
        total = near.sum(axis=0)
        out = np.zeros_like(near)
        out[0] = reached
        np.divide(near * reached, total, out=out, where=np.broadcast_to(total > LEAST_NEAR, out.shape))
        return here, out

    def _under_coil(self, walks: Sequence[SwungWalk], where: Slices, then_m: Floats) -> tuple[Floats, Floats]:
        """Share under the coil on some coarse cells, and the same at the depth that mattered there then."""
        grid = self.coarse.grid
        under = share_under_coil_on(grid, where, walks, None)
        deep = under
        depths_m = self.depths_m if then_m is self.depth_m else _known(then_m)
        for depth_m in depths_m:
            at_depth = share_under_coil_on(grid, where, walks, depth_m)
            deep = np.where(then_m[where] == depth_m, at_depth, deep)
        return under, deep

    def _remember(self, name: str, foot_m2: float, reached: Floats, where: Slices) -> None:
        """Note the smallest coil that swept most of each coarse cell: the one that junk or depth was too much for."""
        if name not in self.names:
            self.names.append(name)
        smaller = (reached > 0.5) & (foot_m2 < self.used_m2[where])
        self.used_m2[where][smaller] = foot_m2
        self.used[where][smaller] = self.names.index(name)

    # ------------------------------------------------------------------------------------------------ what is known

    def share_of_next_pass(self, own: OwnCoil, depth_m: float | None = None) -> float:
        """Share of its swath that a coil covers on one more pass at its usual pace, at a depth if one is given."""
        return self.uses.share_of_next_pass(own, depth_m, self.settings.lift_m)

    def depth_share(self, own: OwnCoil) -> Floats:
        """How much of what it covers a coil hears down to the depth that matters, 0 to 1 on each coarse cell."""
        share = np.ones(self.depth_m.shape)
        for depth_m in self.depths_m:
            deep, whole = self.share_of_next_pass(own, depth_m), max(self.share_of_next_pass(own), 1e-9)
            share[self.depth_m == depth_m] = deep / whole
        return np.minimum(share, 1)

    def m2_per_minute(self, own: OwnCoil) -> tuple[float | None, bool]:
        """Ground that a coil sweeps in a minute of searching, and whether that is its own pace."""
        return self.uses.m2_per_minute(own, self.swaths_m)

    def junk(self) -> JunkResult:
        """Sum up what is known of junk."""
        cells = self.coarse.cells
        whole = max(float(cells.sum()), 1.0)

        def share(source: int) -> float:
            return 100 * float(cells[self.then.source == source].sum()) / whole

        known = (self.then.source != NOT_MEASURED) & (cells > 0)
        weight = cells[known]
        squares = [square for finds in self.finds.values() for square in finds.squares]
        signals, dug = sum(count for _, _, count in squares), sum(len(finds.dug) for finds in self.finds.values())
        heard = self.heard()
        return JunkResult(
            squares=len(squares),
            signals=signals,
            dug=dug,
            counted_pct=share(COUNTED),
            dug_pct=share(DUG),
            drawn_pct=share(DRAWN),
            assumed_pct=share(ASSUMED),
            not_measured_pct=share(NOT_MEASURED),
            then_per_m2=float(np.average(self.then.per_m2[known], weights=weight)) if weight.size else None,
            now_per_m2=float(np.average(self.met[known], weights=weight)) if weight.size else None,
            error_pct=error_pct(signals if squares else dug),
            heard_not_dug=sum(len(finds.heard) for finds in self.finds.values()),
            heard_m2=float(heard.area),
        )

    @property
    def usual_left(self) -> float:
        """What a good pass of this user leaves on clean ground: a quarter of all swept ground was walked so well."""
        total = np.cumsum(self.left_m2)
        return float(np.searchsorted(total, GOOD_PASS_SHARE * total[-1])) / LEVELS if total[-1] else 0.0

    def used_in(self, cells: NDArray[np.intp]) -> str:
        """Name the coil that was used on most of some cells; empty when none was."""
        used = [self.names[n] for n in self.used.ravel()[cells] if n >= 0]
        return max(sorted(set(used)), key=used.count) if used else ""

    def heard_places(self) -> Floats:
        """Places (n, 2) where something was heard and left."""
        return np.concatenate([finds.heard for finds in self.finds.values()])

    def heard(self) -> MultiPolygon:
        """Ground of the site round marks of what was heard and left."""
        discs = [Point(place).buffer(HEARD_M, quad_segs=8) for place in self.heard_places()]
        parts = shapely.get_parts(shapely.union_all(discs).intersection(self.ground.shape))
        return MultiPolygon([part for part in parts if isinstance(part, shapely.Polygon)])


def _taken(chance: PartOf) -> PartOf:
    """The part of it outside of which there is nothing."""
    rows, cols = (np.flatnonzero(chance.values.any(axis=axis)) for axis in (1, 0))
    if not rows.size:
        return PartOf((slice(0, 0), slice(0, 0)), chance.values[:0, :0])
    (top, left), (last, right) = (int(rows[0]), int(cols[0])), (int(rows[-1]) + 1, int(cols[-1]) + 1)
    first, across = (one.start for one in chance.part)
    part = slice(first + top, first + last), slice(across + left, across + right)
    return PartOf(part, chance.values[top:last, left:right])


def _known(depth_m: Floats) -> list[float]:
    """Different depths that are known, rising."""
    return sorted(set(depth_m[np.isfinite(depth_m)].tolist()))


def _depths(ground: Ground, grid: Grid, settings: TodoSettings, day: str = "") -> Floats:
    """Depth that matters below the surface of a day: that of the settings, more where ground was filled up; or NaN.

    Where ground was stripped it is less. day : ISO 8601, after which changes are not counted; without one all are.
    """
    out = np.full((grid.rows, grid.cols), np.nan if settings.depth_m is None else settings.depth_m)
    filled, stripped = np.zeros_like(out), np.zeros_like(out)
    x, y = grid.centres()
    for area in ground.areas:
        if area.kind in CHANGED and area.depth_cm is not None and not (day and area.since and str(area.since) > day):
            here = shapely.contains_xy(area.shape, *np.meshgrid(x, y))
            change = filled if area.kind == "filled" else stripped
            change[here] = np.maximum(change[here], area.depth_cm / 100)
    deep = np.where(filled > 0, np.nan_to_num(out) + filled, out)
    return np.where(stripped > 0, np.maximum(deep - stripped, 0.0), deep)


def _swept(walked: Sequence[WalkedOuting], grid: Grid) -> Floats:
    """Which coarse cells any outing swept, by their centres."""
    swept = np.zeros((grid.rows, grid.cols), bool)
    for outing in walked:
        legs = [leg for w in outing.walks for leg in w.walk.legs]
        if legs:
            reach = np.array([w.swing.swath_m / 2 for w in outing.walks for _ in w.walk.legs])
            swept |= cover(legs, reach, grid)
    return swept.astype(float)


def _drawn(ground: Ground, grid: Grid) -> Floats:
    """What areas of kind junk say of pieces per m2; NaN where they say nothing."""
    out = np.full((grid.rows, grid.cols), np.nan)
    x, y = grid.centres()
    for area in ground.areas:
        if area.kind == "junk" and area.per_m2 is not None:
            out[shapely.contains_xy(area.shape, *np.meshgrid(x, y))] = area.per_m2
    return out
