"""What share was truly swept, and between which two numbers it lies, when the receiver is metres off.

Receiver error moves lanes about, so that the recorded map shows gaps where there are none and hides others. What it
leaves nearly alone is how much was walked round a place, and how even the lanes are; the share follows from these.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial, reduce

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.cache.memo import NOTHING, Memo
from fieldcomb.coverage.estimate.effort import Plot, effort, off_plot, on_plot, path_m, plot_of
from fieldcomb.coverage.estimate.regularity import CROSSWISE, WANDERING, Pattern, pattern_of
from fieldcomb.coverage.gear.receivers import Receiver
from fieldcomb.coverage.raster.cells import Mask
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.tracks.motion.legs import SearchPath
from fieldcomb.tracks.recording import Floats

DRAWS = 200
INTERVAL = (0.06, 0.96)  # a share cannot pass what was walked: draws pile up there, and want more room
Missed = NDArray[np.float32]  # (DRAWS, cells of the plot)

LEAST_M2 = 400.0
NO_TIMES = "a recording has no times"
LEAST_LEGS = 5
PLACED = 0.10  # receiver error over the narrower of spacing and swath, below which single strips can be trusted
REFLECT_SIGMAS = 2.0
RHO_STEP = 0.02
KERNEL_M = 3.0  # and 1.6 sigma more for lanes: what drift pushes together must not pass for effort
KERNEL_SIGMAS = 1.6

# How far path length and swath can be off, as shares; measured on simulated walks, see docs/measures.md.
LENGTH_BIAS = 0.00045  # times (sigma / pace)^2: drift across the course makes a path longer
LENGTH_SD = 0.012
LENGTH_SD_PER_M2 = 0.008
MOST_TURN_SD = 0.08
TURN_SD_M = 0.6  # of each leg: turns are cut short, which counts where legs are short
SWATH_SD = {True: 0.03, False: 0.10}  # measured, and not


def swept_share(rho: Floats, kappa: Floats) -> Floats:
    """Share swept at effort rho by strips whose spacings are gamma distributed with spread over mean kappa.

    h = P(a + 1, a rho) + rho (1 - P(a, a rho)), a = 1 / kappa^2, P the regularised lower incomplete gamma function:
    the mean of min(spacing, swath) over the mean spacing. Even lanes (kappa to 0) give min(1, rho), random ones
    (kappa = 1) the law of random search, 1 - exp(-rho).
    """
    from scipy.special import gammainc, gammaincc

    a = 1 / np.square(kappa)
    return np.asarray(gammainc(a + 1, a * rho) + rho * gammaincc(a, a * rho))


@dataclass(frozen=True, slots=True)
class Estimate:
    """Percent of the site truly swept and its 90 % interval; None with a reason in words where it cannot be told."""

    pct: float | None
    low: float | None
    high: float | None
    strips_placed: bool | None
    reason: str | None


@dataclass(frozen=True, slots=True, eq=False)
class Walked:
    """One walk to estimate from: its ways, swath in metres and whether it was measured, and the receiver."""

    ways: Sequence[SearchPath]
    swath_m: float
    swath_measured: bool
    receiver: Receiver


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """What one walk may have swept: effort round each inside cell, and how even its lanes and how long it may be.

    efforts : one (cells,) for each direction that was walked. scale : (DRAWS,) factors of the effort. kappa : values,
    and drawn : (DRAWS,) places in them.
    """

    efforts: tuple[Floats, ...]
    scale: Floats
    kappa: Floats
    drawn: NDArray[np.int64]
    legs: int
    strips_placed: bool


def draw(plot: Plot, walked: Walked) -> Drawn:
    """Draw for one walk kappa by its chance, and length and swath about their values.

    The same walk gives the same draws.
    """
    pattern = pattern_of(walked.ways, walked.receiver)
    reflect_m = REFLECT_SIGMAS * float(np.hypot(walked.receiver.slow_m, walked.receiver.fast_m))
    swept = [walked.swath_m * path_m(way) for way in walked.ways]
    rng = np.random.default_rng(_seed(walked.ways))
    kernel_m = KERNEL_M + (0 if pattern.kind == WANDERING else KERNEL_SIGMAS * walked.receiver.sigma_m)
    drawn = _kappas(pattern, rng)
    scale = _scales(walked, swept, pattern, rng)
    efforts = []
    for axis in (0, 1) if pattern.kind == CROSSWISE else (0,):
        mine = [s * (a == axis) for s, a in zip(swept, _by_second(pattern, walked.ways), strict=True)]
        efforts.append(effort(plot, walked.ways, mine, reflect_m, kernel_m))
    return Drawn(tuple(efforts), scale, pattern.kappa, drawn, pattern.legs, _placed(pattern, walked))


def left_out(walk: Drawn) -> Missed:
    """Give the chance that each inside cell of the plot was left out, (DRAWS, cells): a row for each way it may be."""
    missed = np.ones((DRAWS, walk.efforts[0].size), np.float32)
    for rho in walk.efforts:
        _leave_out(missed, rho, walk.scale, walk.kappa, walk.drawn)
    return missed


def _seed(ways: Sequence[SearchPath]) -> list[int]:
    """Numbers that belong to this walk alone, so that its draws do not depend on what else is surveyed."""
    return [len(ways), *(int(abs(way.t_s[0])) for way in ways[:3]), sum(way.t_s.size for way in ways)]


def _evenly(rng: np.random.Generator) -> Floats:
    """Numbers between 0 and 1, one in each of DRAWS equal parts, in random order."""
    return (rng.permutation(DRAWS) + 0.5) / DRAWS


def _kappas(pattern: Pattern, rng: np.random.Generator) -> NDArray[np.int64]:
    """Draw places in ``pattern.kappa`` by their chance."""
    found = np.searchsorted(np.cumsum(pattern.chance), _evenly(rng))
    return np.minimum(found, pattern.kappa.size - 1)


def _scales(walked: Walked, swept_m2: Sequence[Floats], pattern: Pattern, rng: np.random.Generator) -> Floats:
    """Draw factors of the effort: how much longer or shorter path and swath may be than they seem."""
    from scipy.special import ndtri

    seconds = sum(s.size for s in swept_m2)
    length_m = sum(float(s.sum()) for s in swept_m2) / walked.swath_m
    pace = length_m / max(seconds, 1)
    turns = 0.0 if pattern.kind == WANDERING else min(TURN_SD_M * pattern.legs / max(length_m, 1.0), MOST_TURN_SD)
    sigma = walked.receiver.sigma_m
    longer = 1 + LENGTH_BIAS * (sigma / max(pace, 0.1)) ** 2
    sd = math.hypot(LENGTH_SD, LENGTH_SD_PER_M2 * sigma**2, turns, SWATH_SD[walked.swath_measured])
    return np.asarray(np.maximum(1 + sd * ndtri(_evenly(rng)), 0.3) / longer)


def _by_second(pattern: Pattern, ways: Sequence[SearchPath]) -> list[NDArray[np.int64]]:
    """Axis of each second: that of the station at hand."""
    if pattern.axis.size == 0:
        return [np.zeros(way.t_s.size, np.int64) for way in ways]
    at = [np.searchsorted(pattern.stations.t_s, way.t_s) for way in ways]
    return [pattern.axis[np.minimum(k, pattern.axis.size - 1)] for k in at]


def _leave_out(missed: Missed, rho: Floats, scale: Floats, kappa: Floats, drawn: NDArray[np.int64]) -> None:
    """Take what was swept off in each draw and cell, in place; from a table of ``swept_share`` in steps of 0.02."""
    most = float(rho.max(initial=0.0) * scale.max()) + 2 * RHO_STEP
    steps = np.arange(0.0, most + RHO_STEP, RHO_STEP)
    table = swept_share(steps[None, :], kappa[:, None]).astype(np.float32)
    for n in range(drawn.size):
        missed[n] *= 1 - np.interp(rho * scale[n], steps, table[drawn[n]]).astype(np.float32)


def _placed(pattern: Pattern, walked: Walked) -> bool:
    noise = np.sqrt(2) * walked.receiver.sigma_m if pattern.noise_m is None else pattern.noise_m
    width = min(abs(pattern.spacing_m or walked.swath_m), walked.swath_m)
    return bool(noise < PLACED * width)


def summed_up(missed: NDArray[np.float32], weight: Floats) -> tuple[float, float, float]:
    """Percent swept: the mean of the draws, and the interval told as 90 %, which holds 90 % of them."""
    pct = 100 * (1 - (missed @ weight.astype(np.float32)).astype(np.float64))
    low, high = np.quantile(pct, INTERVAL)
    return float(pct.mean()), float(low), float(high)


@dataclass(slots=True, eq=False)
class _Sum:
    """Outings together: the product of what was left out, and as recorded where strips can be trusted."""

    missed: Missed
    placed: Mask
    rim_sd_m: float = 0.0

    def add(self, missed: Missed) -> None:
        self.missed *= missed

    def place(self, swept: Mask, rim_sd_m: float) -> None:
        self.placed = np.asarray(self.placed | swept)
        self.rim_sd_m = max(self.rim_sd_m, rim_sd_m)

    def all_missed(self, plot: Plot) -> Missed:
        return self.missed * recorded_missed(plot, self.placed, self.rim_sd_m) if self.rim_sd_m else self.missed


@dataclass(slots=True, eq=False)
class Estimates:
    """Adds up outings cell by cell: what one left out another may have swept.

    Draws are shared inside a recording and independent between recordings. Only sums are kept, so that memory does not
    grow with the number of outings; their order makes no difference.
    """

    plot: Plot
    reason: str | None  # why nothing on this site can be told
    memory: Memo = NOTHING
    sums: dict[str | None, _Sum] = field(default_factory=dict)  # by coil; None is all together
    untimed: set[str | None] = field(default_factory=set)

    def add(self, walks: Sequence[tuple[str, Walked]], swept: Mask, swept_by_coil: dict[str, Mask]) -> Estimate:
        """Add one outing and estimate it.

        Parameters
        ----------
        walks : sequence of (coil, Walked)
            Its walks.
        swept, swept_by_coil : bool (rows, cols) on the site's grid
            What it swept as recorded, which counts where single strips can be trusted.
        """
        untimed = {coil for coil, walked in walks if not walked.ways}
        self.untimed |= untimed | ({None} if untimed else set())
        known: list[str | None] = [None, *swept_by_coil]
        for coil in known:
            if coil not in self.sums:
                nothing = np.ones((DRAWS, self.plot.weight.size), np.float32)
                self.sums[coil] = _Sum(nothing, np.zeros(swept.shape, bool))
        if self.reason or untimed:
            return _untold(self.reason or NO_TIMES)
        # Multiplied one after another: the draws of a whole team would not fit into memory beside each other.
        left: dict[str, Missed] = {}
        legs, placed = 0, bool(walks)
        for coil, walked in walks:
            drawn = self.memory.get_or_compute("draw", (self.plot, walked), partial(draw, self.plot, walked))
            legs, placed = legs + drawn.legs, placed and drawn.strips_placed
            missed = left_out(drawn)
            left[coil] = missed if coil not in left else np.multiply(left[coil], missed, out=left[coil])
        for coil, mine in left.items():
            self._add(coil, placed, [mine], swept_by_coil[coil], [w for c, w in walks if c == coil])
        alone = self._add(None, placed, list(left.values()), swept, [w for _, w in walks])
        if legs < LEAST_LEGS and not placed:
            return Estimate(None, None, None, placed, f"fewer than {LEAST_LEGS} legs were walked")
        pct, low, high = summed_up(alone, self.plot.weight)
        if placed:  # the map itself
            pct = 100 * float(on_plot(self.plot, swept) @ self.plot.weight)
        return Estimate(pct, low, high, placed, None)

    def _add(
        self, coil: str | None, placed: bool, missed: Sequence[Missed], swept: Mask, walks: Sequence[Walked]
    ) -> Missed:
        """Add to one sum; give what this outing alone left out."""
        if placed:
            rim_sd_m = max(_rim_sd_m(walked) for walked in walks)
            self.sums[coil].place(swept, rim_sd_m)
            return recorded_missed(self.plot, swept, rim_sd_m)
        alone = reduce(np.multiply, missed) if missed else np.ones((DRAWS, self.plot.weight.size), np.float32)
        self.sums[coil].add(alone)
        return alone

    def left_out(self, grid: Grid) -> Floats:
        """Mean chance that walks which cannot be placed left out the cells of a grid over the site, (rows, cols)."""
        return off_plot(self.plot, self.sums[None].missed.mean(axis=0, dtype=float), grid)

    def together(self, coil: str | None = None) -> Estimate:
        """All outings with one coil; None for all outings."""
        reason = self.reason or (NO_TIMES if coil in self.untimed else None)
        if reason:
            return _untold(reason)
        return Estimate(*summed_up(self.sums[coil].all_missed(self.plot), self.plot.weight), None, None)


def _untold(reason: str) -> Estimate:
    return Estimate(None, None, None, None, reason)


def estimates_on(
    inside: Mask, grid: Grid, boundary: str, receivers: Sequence[Receiver], memory: Memo = NOTHING
) -> Estimates:
    """Begin estimates of a site; ``receivers`` are those of all walks, which say how far outside to look."""
    reflect_m = max((REFLECT_SIGMAS * math.hypot(r.slow_m, r.fast_m) for r in receivers), default=0.0)
    area_m2 = float(np.count_nonzero(inside)) * grid.cell_m2
    reason = None
    if boundary != "given":
        reason = "the boundary was drawn from the walks"
    elif area_m2 < LEAST_M2:
        reason = f"the site is smaller than {LEAST_M2:g} m2"
    return Estimates(plot_of(inside, grid, reflect_m), reason, memory)


def recorded_missed(plot: Plot, swept: Mask, rim_sd_m: float) -> Missed:
    """What was left out as recorded, with the rim of swept ground a little farther out or in; (DRAWS, cells)."""
    from scipy.special import ndtri

    rims = np.zeros(swept.shape, np.float32)
    rims[:, 1:] += swept[:, 1:] != swept[:, :-1]
    rims[1:] += swept[1:] != swept[:-1]
    # Along rows and columns a rim at any angle is longer by 4 / pi on average. Metres of rim to a square metre:
    rim_m = on_plot(plot, rims) * np.pi / 4 / (plot.cell_m / plot.block)
    shift = rim_sd_m * ndtri((np.arange(DRAWS) + 0.5) / DRAWS)
    missed = 1 - on_plot(plot, swept)
    return np.asarray(np.clip(missed[None, :] - shift[:, None] * rim_m[None, :], 0, 1), np.float32)


def _rim_sd_m(walked: Walked) -> float:
    """How far off the rim of swept ground may be: half of what the swath may be off, and the receiver."""
    return float(np.hypot(SWATH_SD[walked.swath_measured] * walked.swath_m / 2, walked.receiver.sigma_m / 2))
