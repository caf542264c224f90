"""Which ground was walked, and what is expected to be left out on it, by one walk or by many together.

Effort is known only as a mean over metres, so that it seems to leak over every edge: on to rims that nobody walked, and
out of a block where the next one begins. So the ground that was walked is found first, with an edge that drift hardly
moves: blurred effort is half of what it is inside just where walking ended. Effort counts on that ground alone.

Blocks that lie side by side are one sweep: their effort is added, for people begin where they stopped. Walks over the
same ground are sweeps of their own, and what one left out another may have swept.
"""

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.estimate.effort import Effort, Plot, blurred
from fieldcomb.coverage.estimate.regularity import WANDERING
from fieldcomb.coverage.raster.cells import Mask
from fieldcomb.tracks.motion.legs import SearchPath
from fieldcomb.tracks.recording import Floats

DRAWS = 200
Missed = NDArray[np.float32]  # (DRAWS, cells of the plot)

RHO_STEP = 0.02
EDGE_KERNEL_M, EDGE_KERNEL_SIGMAS = 1.0, 0.85  # blurred by so much, lanes that drift apart leave no holes
# Of the usual effort, at the edge. A path ends half a swath before the coil's reach, so somewhat less than a half; who
# wanders leaves holes, and only ground where there is hardly any effort was not walked.
EDGE_SHARE = {False: 0.38, True: 0.15}
KERNEL_M, KERNEL_SIGMAS = 3.0, 1.6  # what drift pushes together must not pass for effort
SIDE_BY_SIDE = 0.5  # sweeps that share less of the smaller one's ground; drift alone can part or join edges by metres
SAME_EDGE_SIGMAS = 1.5  # edges of two sweeps nearer to each other than this are taken for one
EDGE_SD_SIGMAS = 0.3
EDGE_LEVELS = (-math.sqrt(1.5), 0.0, math.sqrt(1.5))  # three places of the edge that have its variance
ALIKE = 0.5  # correlation between two recordings of how even the lanes are, and of how far length and swath are off
_COMMON, _OWN = 51, 52  # seeds


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """What one walk may have swept: where its effort lay, and how even its lanes and how long it may be.

    efforts : one for each direction that was walked. scale : (DRAWS,) rising factors of the effort. kappa : rising
    values, and drawn : (DRAWS,) rising places in them. seed : tells walks apart, see ``seed_of``.
    """

    efforts: tuple[Effort, ...]
    scale: Floats
    kappa: Floats
    drawn: NDArray[np.int64]
    kind: str
    sigma_m: float
    started_s: float
    seed: int
    legs: int
    strips_placed: bool


@dataclass(frozen=True, slots=True, eq=False)
class _Sweep:
    """Walks in one direction side by side; ``edge`` is blurred effort, 1 just where walking ended."""

    parts: tuple[tuple[Drawn, Effort], ...]
    wandering: bool
    sigma_m: float
    edge: Floats
    ground: Mask


def swept_share(rho: Floats, kappa: Floats) -> Floats:
    """Share swept at effort rho by strips whose spacings are gamma distributed with spread over mean kappa.

    h = P(a + 1, a rho) + rho (1 - P(a, a rho)), a = 1 / kappa^2, P the regularised lower incomplete gamma function:
    the mean of min(spacing, swath) over the mean spacing. Even lanes (kappa to 0) give min(1, rho), random ones
    (kappa = 1) the law of random search, 1 - exp(-rho).
    """
    from scipy.special import gammainc, gammaincc

    a = 1 / np.square(kappa)
    return np.asarray(gammainc(a + 1, a * rho) + rho * gammaincc(a, a * rho))


def seed_of(ways: Sequence[SearchPath]) -> int:
    """Return a number of this walk alone, from its times to the second and its places to the decimetre."""
    values = [np.rint(part) for way in ways for part in (way.t_s, 10 * way.line_x_m, 10 * way.line_y_m)]
    content = np.concatenate(values or [np.zeros(0)]).astype("<i8").tobytes()
    return int.from_bytes(hashlib.sha256(content).digest())


def left_out(plot: Plot, walks: Sequence[Drawn]) -> Missed:
    """Chance that walks together left out each inside cell of the plot, (DRAWS, cells): a row for each way it may be.

    What is uncertain of two walks is half alike, as one person walks much the same way on another day, so that the
    interval does not shrink to nothing with many outings. The order of the walks makes no difference.
    """
    missed = np.ones((DRAWS, plot.weight.size), np.float32)
    sweeps = _sweeps(plot, walks)
    if not sweeps:
        return missed
    for level, shift in enumerate(EDGE_LEVELS):
        rows = np.arange(level, DRAWS, len(EDGE_LEVELS))
        ground = _walked(plot, sweeps, shift)
        for sweep in sweeps:
            swept = _swept(plot, sweep, _edges_at(sweep, shift), rows)
            missed[rows] *= 1 - swept * ground[None, :]
    return missed


def _sweeps(plot: Plot, walks: Sequence[Drawn]) -> list[_Sweep]:
    """Put walks side by side where they lie so, in order of time."""
    ordered = sorted(walks, key=lambda walk: (walk.started_s, walk.seed))
    sweeps: list[_Sweep] = []
    for walk in ordered:
        for effort in walk.efforts:
            alone = _sweep(plot, ((walk, effort),))
            joined = next((k for k, sweep in enumerate(sweeps) if _beside(sweep, alone)), None)
            if joined is None:
                sweeps.append(alone)
            else:
                sweeps[joined] = _sweep(plot, (*sweeps[joined].parts, *alone.parts))
    return [sweep for sweep in sweeps if sweep.ground.any()]


def _sweep(plot: Plot, parts: tuple[tuple[Drawn, Effort], ...]) -> _Sweep:
    wandering = parts[0][0].kind == WANDERING
    sigma_m: float = max(walk.sigma_m for walk, _ in parts)
    recorded = np.sum([effort.recorded for _, effort in parts], axis=0, dtype=float)
    blur = blurred(plot, recorded, _edge_kernel_m(sigma_m))
    edge = blur / max(EDGE_SHARE[wandering] * _usual(blur[plot.inside]), 1e-12)
    return _Sweep(parts, wandering, sigma_m, edge, (edge > 1) & plot.inside)


def _usual(effort: Floats) -> float:
    """Effort at which half of all effort lies on ground with more."""
    rising = np.sort(effort)
    total = np.cumsum(rising)
    return float(rising[min(int(np.searchsorted(total, total[-1] / 2)), rising.size - 1)])


def _edge_kernel_m(sigma_m: float) -> float:
    return EDGE_KERNEL_M + EDGE_KERNEL_SIGMAS * sigma_m


def _beside(sweep: _Sweep, other: _Sweep) -> bool:
    """Whether another walk of the same kind lies beside a sweep and not over it."""
    if sweep.wandering or other.wandering or any(walk is other.parts[0][0] for walk, _ in sweep.parts):
        return False
    smaller = min(np.count_nonzero(sweep.ground), np.count_nonzero(other.ground))
    return int(np.count_nonzero(sweep.ground & other.ground)) < SIDE_BY_SIDE * max(int(smaller), 1)


def _edges_at(sweep: _Sweep, shift: float) -> float:
    """Value of ``edge`` at which ground ends, when the edge lies so many standard deviations farther out."""
    from scipy.special import ndtr, ndtri

    share = EDGE_SHARE[sweep.wandering]
    out = shift * EDGE_SD_SIGMAS * sweep.sigma_m / _edge_kernel_m(sweep.sigma_m)
    return float(ndtr(ndtri(share) - out) / share)


def _walked(plot: Plot, sweeps: Sequence[_Sweep], shift: float) -> NDArray[np.float32]:
    """Inside cells that anybody walked: 1 or 0, (cells,).

    Where edges of several sweeps lie close to each other, drift has parted what is one edge: the mean of all counts.
    """
    from scipy.ndimage import distance_transform_edt

    if len(sweeps) == 1:
        return np.ones(plot.weight.size, np.float32)
    total, count = np.zeros(plot.share.shape), np.zeros(plot.share.shape)
    for sweep in sweeps:
        total += np.minimum(sweep.edge / _edges_at(sweep, shift), 1 / EDGE_SHARE[False])
        count += distance_transform_edt(~sweep.ground) * plot.cell_m < SAME_EDGE_SIGMAS * sweep.sigma_m
    return np.asarray((total > count)[plot.inside], np.float32)


def _swept(plot: Plot, sweep: _Sweep, edge: float, rows: NDArray[np.int64]) -> NDArray[np.float32]:
    """Chance that a sweep swept each inside cell, (rows, cells), in some of the draws."""
    kernel_m = KERNEL_M + (0 if sweep.wandering else KERNEL_SIGMAS * sweep.sigma_m)
    ground = (sweep.edge > edge) & plot.inside
    room = blurred(plot, ground * plot.share, kernel_m)[plot.inside]
    parts = [blurred(plot, effort.mirrored, kernel_m)[plot.inside] for _, effort in sweep.parts]
    total = np.sum(parts, axis=0)
    rho = np.where(ground[plot.inside], total / np.maximum(room, 1e-3), 0.0)
    laid = sum(float(effort.mirrored.sum(dtype=float)) for _, effort in sweep.parts)
    rho *= laid / max(float(rho @ plot.share[plot.inside]), 1e-12)
    swept = np.zeros((rows.size, rho.size), np.float32)
    for (walk, effort), part in zip(sweep.parts, parts, strict=True):
        here = np.flatnonzero((rho > 0) & (part > 1e-6 * total))
        own = (walk.seed, walk.efforts.index(effort))
        scale, place = walk.scale[_order(0, own)[rows]], walk.drawn[_order(1, own)[rows]]
        _add_swept(swept, here, rho[here], part[here] / total[here], scale, walk.kappa, place)
    return swept


@lru_cache(maxsize=1024)
def _order(what: int, of: tuple[int, int]) -> NDArray[np.int64]:
    """Place of the rising values of a walk in each draw, (DRAWS,); ``of`` is its seed, and which way it went."""
    common, own = (np.random.default_rng([what, *seed]).standard_normal(DRAWS) for seed in ((_COMMON,), (_OWN, *of)))
    return np.argsort(np.argsort(math.sqrt(ALIKE) * common + math.sqrt(1 - ALIKE) * own))


def _add_swept(
    swept: NDArray[np.float32],
    here: NDArray[np.int64],
    rho: Floats,
    part: Floats,
    scale: Floats,
    kappa: Floats,
    place: NDArray[np.int64],
) -> None:
    """Add one walk's part of what was swept, in place; from a table of ``swept_share`` in steps of 0.02."""
    steps = np.arange(0.0, float(rho.max(initial=0.0) * scale.max()) + 3 * RHO_STEP, RHO_STEP)
    table = swept_share(steps[None, :], kappa[:, None])
    for n in range(scale.size):
        swept[n, here] += (part * np.interp(rho * scale[n], steps, table[place[n]])).astype(np.float32)
