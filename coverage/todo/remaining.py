"""What outings leave, one after another, on coarse cells; memory does not grow with the number of outings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Point

from fieldcomb.coverage.gear.coils import Swing, make_swing
from fieldcomb.coverage.gear.own_coil import OwnCoil
from fieldcomb.coverage.gear.reach import print_m
from fieldcomb.coverage.gear.receivers import receiver
from fieldcomb.coverage.ground.site_grid import Ground
from fieldcomb.coverage.ground.tally import Slices, Swept
from fieldcomb.coverage.ground.under_coil import half_minutes, shares
from fieldcomb.coverage.outings.walks import SwungWalk, WalkedOuting
from fieldcomb.coverage.raster.blocks import Coarse, histogram
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.raster.passes import Counts, cover
from fieldcomb.coverage.todo.assumptions import TodoSettings
from fieldcomb.coverage.todo.finds import told_by
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
from fieldcomb.coverage.todo.results import JunkResult
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.motion.legs import SearchPath
from fieldcomb.tracks.recording import Floats

MOST_TOLD_APART = 6  # passes of one outing over one cell
LEVELS = 200
LEAST_NEAR = 1e-6  # of a pass round about: on less nobody can say how many there were
LEAST_WAY_M = 1e-3  # of walking round a cell: on less its pace is not known


# ---------------------------------------------------------------------------------------------------------- the ledger


@dataclass(slots=True)
class _Use:
    """How one coil was used in all outings."""

    search_m: float = 0.0
    searching_s: float = 0.0
    swept_m2: float = 0.0

    @property
    def pace_m_s(self) -> float | None:
        return self.search_m / self.searching_s if self.searching_s > 0 and self.search_m > 0 else None


class Ledger:
    """What is left after each outing, on coarse cells; outings come in order of time."""

    def __init__(
        self,
        ground: Ground,
        frame: SiteFrame,
        walked: Sequence[WalkedOuting],
        own: Sequence[OwnCoil],
        settings: TodoSettings,
        chances: Coarse,
    ) -> None:
        self.ground, self.frame, self.settings = ground, frame, settings
        self.chances = chances  # cells on which chances are given
        self.coarse = Coarse(chances.inside, ground.grid, settings.grid_m)
        self.own = tuple(own) or _used(walked)
        self.known = {one.coil.name: one for one in (*_used(walked), *self.own)}
        self.r95_m = max((receiver(w.swing.gps).r95_m for o in walked for w in o.walks), default=0.0)
        self.told = {outing.id: told_by(outing, frame, settings) for outing in walked}
        grid = self.coarse.grid
        self.depth_m = _depths(ground, grid, settings)
        self.depths_m: list[float] = np.unique(self.depth_m[np.isfinite(self.depth_m)]).tolist()
        self.digs = Digs(grid, _swept(walked, grid), settings.kernel_m)
        self.then, self.dug = self._junk(walked)
        self.met = self.then.per_m2.copy()
        self.use: dict[str, _Use] = {}
        shape = (grid.rows, grid.cols)
        rules = [w.swing.rule for o in walked for w in o.walks]
        g_matters = settings.g < 1 or any(rule.share(settings.target) < 1 for rule in rules)
        # What would be left had everything heard been dug; had all been deep enough; had nobody walked too fast.
        self.left = Remaining(shape)
        self.had_dug = Remaining(shape) if g_matters else self.left
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
            told = self.told[outing.id]
            for x, y, count in told.squares:
                squares.append(CountSquare(x, y, count, float(so_far[cell_at(grid, x, y)])))
            so_far += self.digs.add(*told.dug.T)
        drawn = _drawn(self.ground, grid)
        return local_junk(self.digs, so_far, squares, drawn, self.settings), so_far

    def add(self, outing: WalkedOuting, swept: Swept, passed_by: Mapping[str, Floats]) -> None:
        """Take in one outing: its passes, and what was dug in it.

        ``passed_by`` is the chance that a coil passed each cell of ``chances``, where that is not as recorded.
        Who digs sweeps the hole again and finds what that junk hid, so dug junk counts as if it had hidden nothing;
        without ``recheck`` it hid targets from all passes up to this outing's.
        """
        told = self.told[outing.id]
        for name, counts in swept.by_coil.items():
            walks = [w for w in outing.walks if w.swing.coil.name == name]
            self._visit(name, walks, counts[swept.there], swept.here, passed_by.get(name))
        if len(told.dug):
            fewer = np.minimum(self.digs.per_m2(*told.dug.T), self.met)
            self.met = self.met - fewer
            kept = (self.left, self.had_dug, self.had_reached, self.had_time)
            for one in () if self.settings.recheck else {id(one): one for one in kept}.values():
                one.dig(fewer)

    def _visit(
        self, name: str, walks: Sequence[SwungWalk], counts: Counts, here: Slices, chance: Floats | None
    ) -> None:
        passed = (counts > 0) & self.coarse.inside[here]
        if not passed.any() or not walks:
            return
        use = self.use.setdefault(name, _Use())
        timed = [w.walk for w in walks if w.walk.times is not None]
        use.search_m += sum(w.search_m for w in timed)
        use.searching_s += sum(w.times.searching_s for w in timed if w.times is not None)
        area_m2 = float(np.count_nonzero(passed)) * self.ground.grid.cell_m2
        use.swept_m2 += area_m2 if len(timed) == len(walks) else 0.0
        where, passes = self._passes(counts, here)
        if chance is not None:
            where, passes = self._redrawn(where, passes, chance, walks)
        reached = np.minimum(passes.sum(axis=0), 1)
        self.bare[where] *= 1 - reached
        self.any_drawn |= chance is not None
        coil, swing = walks[0].swing.coil, walks[0].swing
        under, deep = (share[where] for share in self._under_coil(walks))
        swept = reached * self.coarse.cells[where] * self.ground.grid.cell_m2
        found = under * self.settings.g * (reached if chance is not None else 1)
        after = np.clip(np.rint((1 - found) * LEVELS), 0, LEVELS).astype(int)
        self.left_m2 += np.bincount(after.ravel(), weights=swept.ravel(), minlength=LEVELS + 1)
        g = self.settings.g * swing.rule.share(self.settings.target)
        foot = footprint_m2(coil.width_m, coil.length_m)
        chances = ((self.left, deep * g), (self.had_dug, deep), (self.had_reached, under), (self.had_time, 1.0))
        for remaining, one in {id(kept): (kept, one) for kept, one in reversed(chances)}.values():
            caught = np.zeros_like(under)
            for n, share in enumerate(passes, 1):
                caught += share * (1 - (1 - one) ** n)
            remaining.visit(foot, caught, where)
        self._remember(name, foot, reached, where)

    def _passes(self, counts: Counts, here: Slices) -> tuple[Slices, Floats]:
        """Share of each coarse cell with 1, 2, ... passes of an outing, (6, rows, cols); the last is 6 or more."""
        found = [self.coarse.share(counts == n, here)[1] for n in range(1, MOST_TOLD_APART)]
        where, most = self.coarse.share(counts >= MOST_TOLD_APART, here)
        return where, np.stack([*found, most])

    def _redrawn(
        self, where: Slices, passes: Floats, chance: Floats, walks: Sequence[SwungWalk]
    ) -> tuple[Slices, Floats]:
        """Passes on all coarse cells as far as a receiver that is metres off can tell.

        Whether there was any pass is the chance of the cell; how many there were then, as recorded round about.
        """
        from scipy.ndimage import gaussian_filter

        grid = self.coarse.grid
        reached = np.where(self.coarse.cells > 0, self.chances.onto(chance, grid), 0.0)
        whole = np.zeros((MOST_TOLD_APART, grid.rows, grid.cols))
        whole[:, where[0], where[1]] = passes
        sigma = max(receiver(w.swing.gps).sigma_m for w in walks) / grid.cell_m
        near = gaussian_filter(whole, (0, sigma, sigma), mode="constant")
        total = near.sum(axis=0)
        out = np.zeros_like(whole)
        out[0] = reached
        np.divide(near * reached, total, out=out, where=np.broadcast_to(total > LEAST_NEAR, out.shape))
        return (slice(0, grid.rows), slice(0, grid.cols)), out

    def _under_coil(self, walks: Sequence[SwungWalk]) -> tuple[Floats, Floats]:
        """Share under the coil on each coarse cell, and the same at the depth that matters there.

        It is that of walks with one coil in an outing, by their local pace in pieces of half a minute; between the
        lines it is averaged over half a swing width. A recorder on the shaft has measured what the coil covered.
        """
        under = self._covered(walks, None)
        deep = under
        for depth_m in self.depths_m:
            deep = np.where(self.depth_m == depth_m, self._covered(walks, depth_m), deep)
        return under, deep

    def _covered(self, walks: Sequence[SwungWalk], depth_m: float | None) -> Floats:
        from scipy.ndimage import gaussian_filter

        grid = self.coarse.grid
        covered, walked = np.zeros((2, grid.rows, grid.cols))
        for w in walks:
            for way in w.walk.ways:
                share = _share_along(way, w, depth_m)
                covered += histogram(grid, way.x_m, way.y_m, way.step_m * share)
                walked += histogram(grid, way.x_m, way.y_m, way.step_m)
        sigma = walks[0].swing.swath_m / 2 / grid.cell_m
        covered, walked = (gaussian_filter(values, sigma, mode="constant") for values in (covered, walked))
        out = np.full(walked.shape, _mean_under_coil(walks, self.settings, depth_m))
        np.divide(covered, walked, out=out, where=walked > LEAST_WAY_M)
        return np.clip(out, 0, 1)

    def _remember(self, name: str, foot_m2: float, reached: Floats, where: Slices) -> None:
        """Note the smallest coil that swept most of each coarse cell: the one that junk or depth was too much for."""
        if name not in self.names:
            self.names.append(name)
        smaller = (reached > 0.5) & (foot_m2 < self.used_m2[where])
        self.used_m2[where][smaller] = foot_m2
        self.used[where][smaller] = self.names.index(name)

    # ------------------------------------------------------------------------------------------------ what is known

    def chance(self, one: OwnCoil) -> float:
        """Share under the coil on a careful pass at its usual pace, times the chance of a signal."""
        return self.settings.g * self._next_pass(one, None)

    def hears(self, one: OwnCoil) -> Floats:
        """How much of what it covers a coil hears down to the depth that matters, 0 to 1 on each coarse cell."""
        out = np.ones(self.depth_m.shape)
        for depth_m in self.depths_m:
            out[self.depth_m == depth_m] = self._next_pass(one, depth_m) / max(self._next_pass(one, None), 1e-9)
        return np.minimum(out, 1)

    def _next_pass(self, one: OwnCoil, depth_m: float | None) -> float:
        use = self.use.get(one.coil.name, _Use())
        pace = use.pace_m_s or self._all().pace_m_s or self.settings.pace_m_s
        swing = replace(
            make_swing(one.coil, one.swath_m, one.sweep_s, None, None, self.settings.lift_m), reach_m=one.reach_m
        )
        return float(shares(swing, np.array([pace]), depth_m)[0, 0])

    def _all(self) -> _Use:
        uses = self.use.values()
        return _Use(sum(u.search_m for u in uses), sum(u.searching_s for u in uses), sum(u.swept_m2 for u in uses))

    def m2_per_minute(self, one: OwnCoil) -> tuple[float | None, bool]:
        """Ground swept in a minute of searching, with this coil, or else with all by comparison of swing widths."""
        use = self.use.get(one.coil.name)
        if use is not None and use.searching_s > 0 and use.swept_m2 > 0:
            return use.swept_m2 / use.searching_s * 60, True
        of_all = self._all()
        if of_all.searching_s <= 0 or of_all.swept_m2 <= 0:
            return None, False
        swaths = [self.known[name].swath_m for name in self.use]
        return of_all.swept_m2 / of_all.searching_s * 60 * one.swath_m / (sum(swaths) / len(swaths)), False

    def junk(self) -> JunkResult:
        """Sum up what is known of junk."""
        cells = self.coarse.cells
        whole = max(float(cells.sum()), 1.0)

        def share(source: int) -> float:
            return 100 * float(cells[self.then.source == source].sum()) / whole

        known = (self.then.source != NOT_MEASURED) & (cells > 0)
        weight = cells[known]
        squares = [square for told in self.told.values() for square in told.squares]
        signals, dug = sum(count for _, _, count in squares), sum(len(told.dug) for told in self.told.values())
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
            heard_not_dug=sum(len(told.heard) for told in self.told.values()),
            heard_m2=float(heard.area),
        )

    @property
    def usual_left(self) -> float:
        """What a good pass of this user leaves on clean ground: a quarter of all swept ground was walked so well."""
        total = np.cumsum(self.left_m2)
        return float(np.searchsorted(total, self.settings.good_pass * total[-1])) / LEVELS if total[-1] else 0.0

    def used_in(self, cells: NDArray[np.intp]) -> str:
        """Name the coil that was used on most of some cells; empty when none was."""
        used = [self.names[n] for n in self.used.ravel()[cells] if n >= 0]
        return max(sorted(set(used)), key=used.count) if used else ""

    def heard_places(self) -> Floats:
        """Places (n, 2) where something was heard and left."""
        return np.concatenate([told.heard for told in self.told.values()])

    def heard(self) -> MultiPolygon:
        """Ground of the site round marks of what was heard and left."""
        discs = [Point(place).buffer(self.settings.heard_m, quad_segs=8) for place in self.heard_places()]
        parts = shapely.get_parts(shapely.union_all(discs).intersection(self.ground.shape))
        return MultiPolygon([part for part in parts if isinstance(part, shapely.Polygon)])


def _used(walked: Sequence[WalkedOuting]) -> tuple[OwnCoil, ...]:
    """The coils that were used, as they were swung last."""
    found: Mapping[str, Swing] = {w.swing.coil.name: w.swing for o in walked for w in o.walks}
    return tuple(OwnCoil(s.coil, s.swath_m, s.sweep_s, None, s.rule) for s in found.values())


def _share_along(way: SearchPath, w: SwungWalk, depth_m: float | None) -> Floats:
    """Share under the coil for each second of a way, by the pace of its half minute."""
    if w.walk.coil_legs:
        return np.full_like(way.step_m, _own_share(w.swing, depth_m))
    edges, pace = half_minutes(way)
    piece = np.minimum(np.searchsorted(edges, np.arange(way.t_s.size), side="right") - 1, pace.size - 1)
    return np.asarray(shares(w.swing, pace, depth_m)[0][piece])


def _own_share(swing: Swing, depth_m: float | None) -> float:
    """Of the coil's own way, which was recorded: all of it, and at a depth what the footprint has of the width."""
    return print_m(swing, depth_m)[0] / swing.coil.width_m


def _mean_under_coil(walks: Sequence[SwungWalk], settings: TodoSettings, depth_m: float | None) -> float:
    """Mean share under the coil on walks with one coil, by their usual pace."""
    total = weight = 0.0
    for w in walks:
        swing, times = w.swing, w.walk.times
        pace = w.walk.search_m / times.searching_s if times and times.searching_s > 0 else settings.pace_m_s
        share = float(shares(swing, np.array([pace]), depth_m)[0, 0])
        total += (_own_share(swing, depth_m) if w.walk.coil_legs else share) * w.walk.search_m
        weight += w.walk.search_m
    return total / weight if weight else 1.0


def _depths(ground: Ground, grid: Grid, settings: TodoSettings) -> Floats:
    """Depth that matters below today's surface: that of the settings, and what the ground was filled up by; or NaN."""
    out = np.full((grid.rows, grid.cols), np.nan if settings.depth_m is None else settings.depth_m)
    filled = np.zeros_like(out)
    x, y = grid.centres()
    for area in ground.areas:
        if area.kind == "filled" and area.depth_cm is not None:
            here = shapely.contains_xy(area.shape, *np.meshgrid(x, y))
            filled[here] = np.maximum(filled[here], area.depth_cm / 100)
    return np.where(filled > 0, np.nan_to_num(out) + filled, out)


def _swept(walked: Sequence[WalkedOuting], grid: Grid) -> Floats:
    """Which coarse cells any outing swept, by their centres."""
    found = np.zeros((grid.rows, grid.cols), bool)
    for outing in walked:
        legs = [leg for w in outing.walks for leg in w.walk.legs]
        if legs:
            reach = np.array([w.swing.swath_m / 2 for w in outing.walks for _ in w.walk.legs])
            found |= cover(legs, reach, grid)
    return found.astype(float)


def _drawn(ground: Ground, grid: Grid) -> Floats:
    """What areas of kind junk say of pieces per m2; NaN where they say nothing."""
    out = np.full((grid.rows, grid.cols), np.nan)
    x, y = grid.centres()
    for area in ground.areas:
        if area.kind == "junk" and area.per_m2 is not None:
            out[shapely.contains_xy(area.shape, *np.meshgrid(x, y))] = area.per_m2
    return out
