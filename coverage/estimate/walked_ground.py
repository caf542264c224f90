"""Which ground was walked, and what is expected to be left out on it, by one walk or by many together.

Effort is known only as a mean over metres, so that it seems to leak over every edge: on to rims that nobody walked, and
out of a block where the next one begins. So the ground that was walked is found first, with an edge that drift hardly
moves: blurred effort is half of what it is inside just where walking ended. Effort counts on that ground alone.

Blocks that lie side by side are one sweep: their effort is added, for people begin where they stopped. Walks over the
same ground are sweeps of their own, and what one left out another may have swept. Whoever walks the same ground again
in the same direction may walk the same lanes, or those between on purpose, and no watch shows which.
"""

import hashlib
import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.estimate.effort import Effort, Plot, blurred
from fieldcomb.coverage.estimate.regularity import WANDERING
from fieldcomb.coverage.pool.ahead import at_once
from fieldcomb.coverage.raster.cells import Mask
from fieldcomb.tracks.motion.legs import SearchPath
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

DRAWS = 200
Missed = NDArray[np.float32]  # (DRAWS, cells of the plot)

RHO_STEP = 0.02
_STEPS_AT_ONCE, _CELLS_AT_ONCE = 64, 256  # so that few tables are made, and what is made of them stays in the cache
EDGE_KERNEL_M, EDGE_KERNEL_SIGMAS = 1.0, 0.85  # blurred by so much, lanes that drift apart leave no holes
# Of the usual effort, at the edge. A path ends half a swath before the coil's reach, so somewhat less than a half; who
# wanders leaves holes, and only ground where there is hardly any effort was not walked.
EDGE_SHARE = {False: 0.43, True: 0.15}
KERNEL_M, KERNEL_SIGMAS = 3.0, 1.6  # what drift pushes together must not pass for effort
SIDE_BY_SIDE = 0.5  # sweeps that share less of the smaller one's ground; drift alone can part or join edges by metres
SAME_EDGE_SIGMAS = 1.5  # edges of two sweeps nearer to each other than this are taken for one
EDGE_SD_SIGMAS = 0.5  # how far off the edge of walked ground may be all along
# How far off it may be at one place: where walked ground ends in the field, several lanes with errors of their own show
# its edge; along the boundary often a single one does.
FIELD_EDGE_SIGMAS, RIM_EDGE_SIGMAS = 0.6, 1.0
OUT_M = 0.5  # the coil reaches no farther than this beyond the boundary
# Who searches up to the boundary leaves a rim within some metres, which varies by so much on its way round; elsewhere
# ground ends anywhere. How much of the boundary is of the first kind is seen, within limits.
RIM_WITHIN_M, RIM_SD_M, ANYWHERE_M, UP_TO_RIM = 4.0, 0.5, 20.0, (0.02, 0.9)
# Turns at the ends of lanes are more path than lanes, and seem to end farther out: by so much of a receiver's error, as
# far as a typical one.
MOST_RIM_MORE_M, RIM_MORE_SIGMAS = 0.4, 0.255
_LEAST_INSIDE = 0.02
MOST_GATHERED = 2.0  # effort that lies off the ground walked is brought back to it, but no more than this
EDGE_LEVELS = (-math.sqrt(1.5), 0.0, math.sqrt(1.5))  # three places of the edge that have its variance
# Correlation between two recordings of how far length and swath are off, of how even the lanes are, and of ``AGAIN``.
ALIKE = (0.5, 0.25, 0.0)
# What a second sweep in the same direction leaves of what the first did: 1, it is the same lanes; -1, it is those
# between; 0, neither knows of the other. Mostly near 0, one in twenty beyond 0.81 on each side;
# chosen for this project.
_EVENLY = np.linspace(-1, 1, DRAWS)
AGAIN = _EVENLY * np.abs(_EVENLY)
SAME_WAY = 0.5  # cosine of twice the angle between two directions, times how much of each sweep goes that way
_COMMON, _OWN = 51, 52  # seeds


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """What one walk may have swept: where its effort lay, and how even its lanes and how long it may be.

    efforts : one for each direction that was walked. scale : (DRAWS,) rising factors of the effort. kappa : rising
    values, and drawn : (DRAWS,) rising places in them. along : for each direction the means of cos and sin of twice
    the heading. seed : tells walks apart, see ``seed_of``. spacings : how many were measured.
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
    along: tuple[tuple[float, float], ...]
    swath_measured: bool = True
    spacings: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class _Beside:
    """Walks in one direction side by side, while others are put with them, and the ground that they walked.

    recorded : their effort together. It and ``ground`` go on beyond the site.
    """

    parts: tuple[tuple[Drawn, Effort], ...]
    wandering: bool
    sigma_m: float
    recorded: Floats
    ground: Mask


@dataclass(frozen=True, slots=True, eq=False)
class _Sweep:
    """Walks in one direction side by side; ``within_m`` is how far inside the edge of walked ground a cell lies.

    Outside it is negative, and it goes on beyond the site.
    """

    parts: tuple[tuple[Drawn, Effort], ...]
    wandering: bool
    sigma_m: float
    within_m: Floats

    @property
    def of(self) -> tuple[int, int]:
        """What its draws hang on: the first walk, and which way it went."""
        walk, effort = self.parts[0]
        return walk.seed, walk.efforts.index(effort)


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


def left_out(plot: Plot, walks: Sequence[Drawn], jobs: int = 1) -> Missed:
    """Chance that walks together left out each inside cell of the plot, (DRAWS, cells): a row for each way it may be.

    What is uncertain of two walks is half alike, as one person walks much the same way on another day, so that the
    interval does not shrink to nothing with many outings. The order of the walks makes no difference.

    jobs : how much of it is done at once.
    """
    missed = np.ones((DRAWS, plot.weight.size), np.float32)
    sweeps = _sweeps(plot, walks)
    if not sweeps:
        return missed
    spread = [_spread(plot, sweep) for sweep in sweeps]
    steps = len(EDGE_LEVELS)
    levels = [(shift, np.arange(level, DRAWS, steps)) for level, shift in enumerate(EDGE_LEVELS)]
    found = at_once(lambda level: _left_at(plot, sweeps, spread, *level), levels, jobs if len(sweeps) > 1 else 1)
    for (_, rows), left in zip(levels, found, strict=True):
        missed[rows] = left
    return missed


def _left_at(
    plot: Plot, sweeps: Sequence[_Sweep], spread: Sequence[list[Floats]], shift: float, rows: NDArray[np.int64]
) -> Missed:
    """What sweeps left out in some of the draws, (rows, cells), with edges farther out by so many sd."""
    inside = [_inside(plot, sweep, shift) for sweep in sweeps]
    most = np.maximum(np.max(inside, axis=0), _LEAST_INSIDE)
    left = np.ones((plot.weight.size, rows.size), np.float32)
    for number, (sweep, mine, ground) in enumerate(zip(sweeps, spread, inside, strict=True)):
        here, swept = _swept(plot, sweep, mine, ground, rows)
        swept *= (ground / most)[here, None].astype(np.float32)
        bare = np.subtract(1, swept, out=swept)
        if any(_same_way(sweep, before) for before in sweeps[:number]):
            left[here] = _left_again(left[here], bare, AGAIN[_order(2, sweep.of)[rows]])
        else:
            left[here] *= bare
    # Of one sweep the ground that anybody walked is its own.
    walked = (inside[0] if len(sweeps) == 1 else _walked(plot, sweeps, shift)).astype(np.float32)
    return np.asarray(1 - (1 - left.T) * walked)


def _same_way(sweep: _Sweep, other: _Sweep) -> bool:
    """Whether two sweeps are lanes in the same direction."""
    if sweep.wandering or other.wandering:
        return False
    one, two = (walk.along[walk.efforts.index(effort)] for walk, effort in (sweep.parts[0], other.parts[0]))
    return one[0] * two[0] + one[1] * two[1] > SAME_WAY


def _left_again(left: NDArray[np.float32], bare: NDArray[np.float32], again: Floats) -> NDArray[np.float32]:
    """Share left out by both of two sweeps, (cells, draws), when what they left out has so much to do with each other.

    For 1 the one that left less decides, for -1 each sweeps what the other left, for 0 they are independent.
    """
    both = left * bare
    by = again.astype(np.float32)
    more = np.maximum(by, 0) * (np.minimum(left, bare) - both)
    less = np.maximum(-by, 0) * (both - np.maximum(left + bare - 1, 0))
    return np.asarray(both + more - less)


def _sweeps(plot: Plot, walks: Sequence[Drawn]) -> list[_Sweep]:
    """Put walks side by side where they lie so, in order of time."""
    ordered = sorted(walks, key=lambda walk: (walk.started_s, walk.seed))
    found: list[_Beside] = []
    for walk in ordered:
        for effort in walk.efforts:
            alone = _walked_by(plot, ((walk, effort),), effort.recorded.astype(float))
            joined = next((k for k, one in enumerate(found) if _beside(plot, one, alone)), None)
            if joined is None:
                found.append(alone)
            else:
                one = found[joined]
                found[joined] = _walked_by(plot, (*one.parts, *alone.parts), one.recorded + effort.recorded)
    return [
        _Sweep(one.parts, one.wandering, one.sigma_m, _within_m(plot, one.ground))
        for one in found
        if (one.ground & plot.inside).any()
    ]


def _walked_by(plot: Plot, parts: tuple[tuple[Drawn, Effort], ...], recorded: Floats) -> _Beside:
    wandering = parts[0][0].kind == WANDERING
    sigma_m: float = max(walk.sigma_m for walk, _ in parts)
    blur = blurred(plot, recorded, _edge_kernel_m(sigma_m))
    ground = blur > EDGE_SHARE[wandering] * max(_usual(blur[plot.inside]), 1e-12)
    return _Beside(parts, wandering, sigma_m, recorded, ground)


def _within_m(plot: Plot, ground: Mask) -> Floats:
    """Distance of each cell's centre from the edge of some ground, negative outside."""
    from scipy.ndimage import distance_transform_edt

    if ground.all() or not ground.any():
        return np.full(ground.shape, plot.cell_m * (max(ground.shape) if ground.any() else -max(ground.shape)))
    inner, outer = (np.maximum(distance_transform_edt(part) - 0.5, 0) for part in (ground, ~ground))
    return np.asarray((inner - outer) * plot.cell_m)


def _usual(effort: Floats) -> float:
    """Effort at which half of all effort lies on ground with more."""
    rising = np.sort(effort)
    total = np.cumsum(rising)
    return float(rising[min(int(np.searchsorted(total, total[-1] / 2)), rising.size - 1)])


def _edge_kernel_m(sigma_m: float) -> float:
    return EDGE_KERNEL_M + EDGE_KERNEL_SIGMAS * sigma_m


def _beside(plot: Plot, sweep: _Beside, other: _Beside) -> bool:
    """Whether another walk of the same kind lies beside a sweep and not over it."""
    if sweep.wandering or other.wandering or any(walk is other.parts[0][0] for walk, _ in sweep.parts):
        return False
    mine, others = sweep.ground & plot.inside, other.ground & plot.inside
    smaller = min(np.count_nonzero(mine), np.count_nonzero(others))
    return int(np.count_nonzero(mine & others)) < SIDE_BY_SIDE * max(int(smaller), 1)


def _chance_inside(plot: Plot, within_m: Floats, sigma_m: float) -> Floats:
    """Chance that each inside cell was within walked ground, (cells,), as found with a receiver of so many metres.

    Where walked ground ends in the field, its edge may be anywhere, and the chance is that of a normal law. Along the
    boundary more is known: nobody searches beyond it, and whoever goes up to it keeps much the same rim all along.
    On the way round the site drift moves edges out as often as in, so their mean shows that rim.
    """
    from scipy.special import log_ndtr

    depth_m, within = plot.within_m[plot.inside], within_m[plot.inside]
    edge = depth_m + OUT_M - within  # as recorded, in from where the coil could have reached
    outer = depth_m < plot.cell_m
    up_to_rim = float(np.clip((edge[outer] < RIM_WITHIN_M).mean(), *UP_TO_RIM))
    outer &= np.abs(edge) < RIM_WITHIN_M  # not round no-go ground that was walked over on the map
    more_m = min(MOST_RIM_MORE_M, RIM_MORE_SIGMAS * sigma_m)
    rim_m = max(float(edge[outer].mean()) + more_m, 0.0) if outer.any() else RIM_WITHIN_M
    sd_m, field_sd_m = RIM_EDGE_SIGMAS * sigma_m, FIELD_EDGE_SIGMAS * sigma_m
    both = sd_m**2 + RIM_SD_M**2
    mean, sd = (edge * RIM_SD_M**2 + rim_m * sd_m**2) / both, sd_m * RIM_SD_M / math.sqrt(both)
    near = math.log(up_to_rim / math.sqrt(both)) - (edge - rim_m) ** 2 / (2 * both) + log_ndtr(mean / sd)
    far = math.log((1 - up_to_rim) * math.sqrt(2 * math.pi) / ANYWHERE_M) + log_ndtr(edge / field_sd_m)
    share = 1 / (1 + np.exp(np.clip(far - near, -50, 50)))
    to_rim = _between((depth_m + OUT_M - mean) / sd, (depth_m + OUT_M) / sd)
    in_field = _between(within / field_sd_m, (depth_m + OUT_M) / field_sd_m)
    walked_over = edge < -RIM_WITHIN_M  # a tree or other island, which ended nothing
    return np.asarray(np.where(walked_over, 1.0, share * to_rim + (1 - share) * in_field))


def _between(within: Floats, room: Floats) -> Floats:
    """Chance that an edge normal about ``room - within`` lies from 0 to ``room``, when it is above 0."""
    from scipy.special import log_ndtr

    return np.asarray(1 - np.exp(log_ndtr(-within) - log_ndtr(room - within)))  # holds far inside, where both are tiny


def _inside(plot: Plot, sweep: _Sweep, shift: float) -> Floats:
    """Chance that each inside cell was within the ground of a sweep, with its edge farther out by so many sd."""
    moved = sweep.within_m + shift * EDGE_SD_SIGMAS * sweep.sigma_m
    return _chance_inside(plot, moved, sweep.sigma_m)


def _walked(plot: Plot, sweeps: Sequence[_Sweep], shift: float) -> Floats:
    """Chance that anybody walked in each inside cell, (cells,).

    Where edges of several sweeps lie close to each other, drift has parted what is one edge: the mean of all counts.
    """
    within = np.stack([sweep.within_m + shift * EDGE_SD_SIGMAS * sweep.sigma_m for sweep in sweeps])
    worst_m = max(sweep.sigma_m for sweep in sweeps)
    best = within.max(axis=0)
    alike = within > best - SAME_EDGE_SIGMAS * worst_m
    mean_m = np.sum(within * alike, axis=0) / alike.sum(axis=0)
    return _chance_inside(plot, np.where(best > 2 * SAME_EDGE_SIGMAS * worst_m, best, mean_m), worst_m)


def _swept(
    plot: Plot, sweep: _Sweep, spread: Sequence[Floats], inside: Floats, rows: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Inside cells that a sweep may have swept, (n,), and the chance that it did in some of the draws, (n, rows).

    spread : as ``_spread`` gives it. inside : chance that each inside cell is on its ground; here it counts as one.
    """
    parts = _gathered(plot, sweep, spread, inside)
    rho = np.sum(parts, axis=0)
    here = np.flatnonzero(rho > 0)
    rho = rho[here]
    swept = np.zeros((here.size, rows.size), np.float32)
    for (walk, effort), part in zip(sweep.parts, parts, strict=True):
        share = part[here] / rho
        own = np.flatnonzero(share > 1e-6)
        of = (walk.seed, walk.efforts.index(effort))
        scale, place = walk.scale[_order(0, of)[rows]], walk.drawn[_order(1, of)[rows]]
        _add_swept(swept, own, rho[own], share[own], scale, walk.kappa, place)
    return here, swept


def _kernel_m(sweep: _Sweep) -> float:
    return KERNEL_M + (0 if sweep.wandering else KERNEL_SIGMAS * sweep.sigma_m)


def _spread(plot: Plot, sweep: _Sweep) -> list[Floats]:
    """Effort of each walk of a sweep, blurred, (cells,)."""
    return [blurred(plot, effort.mirrored, _kernel_m(sweep))[plot.inside] for _, effort in sweep.parts]


def _gathered(plot: Plot, sweep: _Sweep, spread: Sequence[Floats], inside: Floats) -> list[Floats]:
    """Blurred effort of each walk of a sweep over its ground alone, (cells,); what each laid down is kept."""
    ground = np.zeros(plot.share.shape)
    ground[plot.inside] = inside
    room = np.maximum(blurred(plot, ground * plot.share, _kernel_m(sweep))[plot.inside], 1e-3)
    parts = []
    for (_, effort), blur in zip(sweep.parts, spread, strict=True):
        part = np.where(inside > _LEAST_INSIDE, blur / room, 0.0)
        kept = float((part * inside) @ plot.share[plot.inside])
        laid = float(effort.mirrored.sum(dtype=float))
        parts.append(part * min(laid / max(kept, 1e-12), MOST_GATHERED))
    return parts


@lru_cache(maxsize=1024)
def _order(what: int, of: tuple[int, int]) -> NDArray[np.int64]:
    """Place of the rising values of a walk in each draw, (DRAWS,); ``of`` is its seed, and which way it went."""
    common, own = (np.random.default_rng([what, *seed]).standard_normal(DRAWS) for seed in ((_COMMON,), (_OWN, *of)))
    return np.argsort(np.argsort(math.sqrt(ALIKE[what]) * common + math.sqrt(1 - ALIKE[what]) * own))


@lru_cache(maxsize=16)
def _shares(kappa: tuple[float, ...], count: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """``swept_share`` at so many steps of rho, and how much it rises to the next, one kappa after another."""
    steps: Floats = RHO_STEP * np.arange(count + 1, dtype=float)
    table = swept_share(steps[None, :], np.array(kappa)[:, None])
    return table[:, :-1].astype(np.float32).ravel(), np.diff(table, axis=1).astype(np.float32).ravel()


def _add_swept(
    swept: NDArray[np.float32],
    here: NDArray[np.int64],
    rho: Floats,
    part: Floats,
    scale: Floats,
    kappa: Floats,
    place: NDArray[np.int64],
) -> None:
    """Add one walk's part of what was swept, in place, (cells, draws); by straight lines between steps of rho."""
    count = math.ceil(float(rho.max(initial=0.0) * scale.max()) / RHO_STEP / _STEPS_AT_ONCE + 0.5) * _STEPS_AT_ONCE
    table, rise = _shares(tuple(kappa.tolist()), count)
    begin, factor = place * count, (scale / RHO_STEP).astype(np.float32)
    for first in range(0, here.size, _CELLS_AT_ONCE):
        cells = slice(first, first + _CELLS_AT_ONCE)
        beyond = rho[cells, None].astype(np.float32) * factor
        step = np.floor(beyond)
        beyond -= step
        at = step.astype(np.int64)
        at += begin
        share = rise.take(at)
        share *= beyond
        share += table.take(at)
        share *= part[cells, None].astype(np.float32)
        swept[here[cells]] += share
