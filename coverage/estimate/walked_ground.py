"""Which ground was walked, by one walk or by many together.

Effort is known only as a mean over metres, so that it seems to leak over every edge: on to rims that nobody walked, and
out of a block where the next one begins. So the ground that was walked is found first, with an edge that drift hardly
moves: blurred effort is half of what it is inside just where walking ended. Effort counts on that ground alone.

Blocks that lie side by side are one sweep: their effort is added, for people begin where they stopped. Walks over the
same ground are sweeps of their own, and what one left out another may have swept (``left_out``).
"""

import hashlib
import math
from collections.abc import Sequence
from dataclasses import field, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.estimate.effort import Effort, Plot, blurred, blurred_part, plot_cells
from fieldcomb.coverage.estimate.regularity import WANDERING
from fieldcomb.coverage.estimate.walked_edge import chance_inside
from fieldcomb.coverage.ground.distances import squared_distances
from fieldcomb.coverage.raster.cells import Indices, Mask
from fieldcomb.tracks.motion.legs import SearchPath
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

DRAWS = 200
EVENLY: Floats = (np.arange(DRAWS) + 0.5) / DRAWS  # a number in each of so many equal parts, rising
# Blurred by so much, in lanes and for wandering, lanes that drift apart leave no holes.
EDGE_KERNEL_M, EDGE_KERNEL_SIGMAS = {False: 1.0, True: 0.5}, 0.85
# Of the usual effort, at the edge. A path ends half a swath before the coil's reach, so somewhat less than a half; who
# wanders leaves holes, and only ground where there is little effort was not walked.
EDGE_SHARE = {False: 0.43, True: 0.25}
# What drift pushes together must not pass for effort. Once spacings are measured what is left of that is the larger
# error, and more is taken together.
KERNEL_M, KERNEL_SIGMAS, KERNEL_SIGMAS_MEASURED = {False: 3.0, True: 2.0}, 1.6, 2.4
SIDE_BY_SIDE = 0.5  # sweeps that share less of the smaller one's ground; drift alone can part or join edges by metres
SAME_EDGE_SIGMAS = 1.5  # edges of two sweeps nearer to each other than this are taken for one
EDGE_SD_SIGMAS = 0.5  # how far off the edge of walked ground may be all along
LEAST_INSIDE = 0.02
LEAST_WALKED = 1e-9  # of ground that was walked; with less, what is left out of 1 is 1 to the last bit
MOST_GATHERED = 2.0  # effort that lies off the ground walked is brought back to it, but no more than this
EDGE_LEVELS = (-math.sqrt(1.5), 0.0, math.sqrt(1.5))  # three places of the edge that have its variance


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """What one walk may have swept: where its effort lay, and how even its lanes and how long it may be.

    efforts : one for each direction that was walked. scale : (DRAWS,) rising factors of the effort. kappa : rising
    values, and drawn : (DRAWS,) rising places in them. along : for each direction the means of cos and sin of twice
    the heading. seed : tells walks apart, see ``seed_of``. spacings : how many were measured. in_rings : it went round.
    edge_m, edge_share : how much farther out its ground ends than it seems, and how much of how far off that may be is
    left, by measured spacings.
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
    in_rings: bool = False
    edge_m: float = 0.0
    edge_share: float = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class WalkedWay:
    """One direction of one walk: the walk's number in order of time, the direction's, and what was laid down."""

    number: int
    way: int
    effort: Effort


@dataclass(frozen=True, slots=True, eq=False)
class Gathered:
    """Effort of one way over the ground of its sweep, as shares of the sweep's: places in ``SweepAt.here``, and shares.

    most : effort of the sweep at these places, at most.
    """

    own: NDArray[np.int32]
    share: NDArray[np.float32]
    most: float


@dataclass(frozen=True, slots=True, eq=False)
class SweepAt:
    """A sweep with its edge at one of ``EDGE_LEVELS``: numbers of inside cells, rising, and what is known of each.

    walked, inside : cells that may be on its ground, and the chance of each that it is. here, ground, rho : those with
    effort, the chance again, and the effort. parts : as ``Sweep.parts``.
    """

    walked: NDArray[np.int32]
    inside: Floats
    here: NDArray[np.int32]
    ground: Floats
    rho: NDArray[np.float32]
    parts: tuple[Gathered, ...]


_Found = tuple[Mask, list[SweepAt], list[NDArray[np.int32]]]  # ``ground``, ``at`` and ``squared`` of a sweep


@dataclass(frozen=True, slots=True, eq=False)
class Sweep:
    """Walks in one direction side by side, and the ground that they walked, which goes on beyond the site.

    along, seed : which way the first of them went, and what draws hang on. edge_m, edge_share : as of ``Drawn``, where
    it is alone. at, squared : by level, and for ``within_m``; empty until they are asked for.
    """

    parts: tuple[WalkedWay, ...]
    wandering: bool
    sigma_m: float
    along: tuple[float, float]
    seed: tuple[int, int]
    ground: Mask
    at: list[SweepAt]
    squared: list[NDArray[np.int32]]
    edge_m: float = 0.0
    edge_share: float = 1.0

    def within_m(self, plot: Plot, cells: Indices | slice = slice(None)) -> Floats:
        """How far inside the edge of its ground each inside cell of the plot lies, (n,); outside it is negative.

        cells : numbers of those that are asked for.
        """
        if not self.squared:
            self.squared.append(_squared_halves(self.ground)[plot.inside])
        squared = self.squared[0][cells]
        within = np.sqrt(np.abs(squared))  # in place from here on, as it is asked for often
        within /= 2
        within -= 0.5
        np.maximum(within, 0, out=within)
        within *= np.sign(squared)
        within *= plot.cell_m
        return np.asarray(within)

    def out_m(self, shift: float) -> float:
        """How much farther out its edge is than it seems, at one of ``EDGE_LEVELS``."""
        return self.edge_m + shift * EDGE_SD_SIGMAS * self.sigma_m * self.edge_share


@dataclass(frozen=True, slots=True, eq=False)
class LaidOut:
    """Walks in order of time, put side by side where they lie so; ``found`` are all sweeps, also those off the site.

    walked : by level, for ``walked_by_any``; None until it is asked for.
    """

    plot: Plot
    walks: tuple[Drawn, ...]
    found: tuple[Sweep, ...]
    walked: list[NDArray[np.float32] | None] = field(default_factory=lambda: [None] * len(EDGE_LEVELS))

    @property
    def sweeps(self) -> list[Sweep]:
        """Those that are on the site."""
        return [one for one in self.found if (one.ground & self.plot.inside).any()]

    def walked_by_any(self, level: int) -> NDArray[np.float32]:
        """Chance that anybody walked in each inside cell, (cells,), with edges at one of ``EDGE_LEVELS``."""
        known = self.walked[level]
        if known is None:
            sweeps = self.sweeps
            known = np.zeros(np.count_nonzero(self.plot.inside), np.float32)
            if len(sweeps) == 1:  # what anybody walked is its own
                known[sweeps[0].at[level].walked] = sweeps[0].at[level].inside
            elif sweeps:
                known[:] = walked_by_any(self.plot, sweeps, EDGE_LEVELS[level])
            self.walked[level] = known
        return known


def seed_of(ways: Sequence[SearchPath]) -> int:
    """Return a number of this walk alone, from its times to the second and its places to the decimetre."""
    values = [np.rint(part) for way in ways for part in (way.t_s, 10 * way.line_x_m, 10 * way.line_y_m)]
    content = np.concatenate(values or [np.zeros(0)]).astype("<i8").tobytes()
    return int.from_bytes(hashlib.sha256(content).digest())


def drawn_by(chance: Floats) -> NDArray[np.int64]:
    """Places of values, (DRAWS,), each drawn as often as its chance, (n,), says."""
    return np.minimum(np.searchsorted(np.cumsum(chance), EVENLY), chance.size - 1)


def by_time(walks: Sequence[Drawn]) -> tuple[Drawn, ...]:
    """Return walks in order of time."""
    return tuple(sorted(walks, key=lambda walk: (walk.started_s, walk.seed)))


def lay_out(plot: Plot, walks: Sequence[Drawn], before: LaidOut | None = None) -> LaidOut:
    """Put walks side by side where they lie so, in order of time.

    before : some of them laid out already, on the same plot; it is gone on from there when these come first.
    """
    ordered = by_time(walks)
    known = before.walks if before is not None and before.plot is plot else ()
    if len(known) > len(ordered) or any(one is not other for one, other in zip(known, ordered, strict=False)):
        known = ()
    if len(known) == 1 < len(ordered) and known[0].edge_share < 1:
        known = ()  # what spacings tell of its edge counts while it is alone
    if before is not None and 0 < len(known) == len(ordered):
        return before
    found = list(before.found) if before is not None and known else []
    for number in range(len(known), len(ordered)):
        walk = ordered[number]
        for way, effort in enumerate(walk.efforts):
            alone = _sweep(plot, walk, (WalkedWay(number, way, effort),), (walk.seed, way), walk.sigma_m)
            joined = next((k for k, one in enumerate(found) if _beside(plot, one, alone)), None)
            if len(ordered) == 1 and (walk.edge_m or walk.edge_share < 1):
                alone = replace(alone, edge_m=walk.edge_m, edge_share=walk.edge_share, at=[])
            if joined is None:
                found.append(alone)
            else:
                one = found[joined]
                sigma_m, parts = max(one.sigma_m, walk.sigma_m), (*one.parts, *alone.parts)
                found[joined] = _sweep(plot, ordered[one.parts[0].number], parts, one.seed, sigma_m)
    return LaidOut(plot, ordered, tuple(found))


def _sweep(plot: Plot, first: Drawn, parts: tuple[WalkedWay, ...], seed: tuple[int, int], sigma_m: float) -> Sweep:
    """Find the ground of ways side by side; ``first`` is the walk of the first of them."""
    wandering = first.kind == WANDERING
    efforts = tuple(one.effort for one in parts)
    found = (_found_once if len(parts) == 1 else _found)(plot, efforts, wandering, sigma_m)
    return Sweep(parts, wandering, sigma_m, first.along[parts[0].way], seed, *found)


def _found(plot: Plot, efforts: tuple[Effort, ...], wandering: bool, sigma_m: float) -> _Found:
    """Find the ground where there was effort, and make room for what else is going to be known of it."""
    recorded = np.zeros(plot.share.shape)
    for one in efforts:
        recorded[one.part] += one.recorded
    blur = blurred(plot, recorded, _edge_kernel_m(sigma_m, wandering))
    return blur > EDGE_SHARE[wandering] * max(_usual(blur[plot.inside]), 1e-12), [], []


# A walk is laid out alone, and soon among others: what came to be known of its ground is known then. The last few are
# kept, as a walk is added soon after it was looked at.
_found_once = lru_cache(maxsize=8)(_found)


def _squared_halves(ground: Mask) -> NDArray[np.int32]:
    """Distance of each cell's centre from the nearest one across an edge, in half cells, squared; negative outside."""
    if ground.all() or not ground.any():
        far = 2 * max(ground.shape) + 1
        return np.full(ground.shape, far * far if ground.any() else -far * far, np.int32)
    most = math.isqrt(ground.shape[0] ** 2 + ground.shape[1] ** 2) + 1
    inner, outer = (squared_distances(part, most).astype(np.int32) for part in (ground, ~ground))
    return 4 * (inner - outer)


def _usual(effort: Floats) -> float:
    """Effort at which half of all effort lies on ground with more."""
    rising = np.sort(effort)
    total = np.cumsum(rising)
    return float(rising[min(int(np.searchsorted(total, total[-1] / 2)), rising.size - 1)])


def _edge_kernel_m(sigma_m: float, wandering: bool) -> float:
    return EDGE_KERNEL_M[wandering] + EDGE_KERNEL_SIGMAS * sigma_m


def _beside(plot: Plot, sweep: Sweep, other: Sweep) -> bool:
    """Whether another walk of the same kind lies beside a sweep and not over it."""
    if sweep.wandering or other.wandering or any(one.number == other.parts[0].number for one in sweep.parts):
        return False
    mine, others = sweep.ground & plot.inside, other.ground & plot.inside
    smaller = min(np.count_nonzero(mine), np.count_nonzero(others))
    return int(np.count_nonzero(mine & others)) < SIDE_BY_SIDE * max(int(smaller), 1)


def grounds_m2(plot: Plot, walk: Drawn, farther_m: Floats) -> Floats:
    """Area of the site that the first direction of a walk went over, (n,), if its edge is so much farther out."""
    (sweep, *_) = lay_out(plot, [walk]).found
    within, share = sweep.within_m(plot), plot.share[plot.inside] * plot.cell_m**2
    return np.array([chance_inside(plot, within + by, sweep.sigma_m) @ share for by in farther_m.tolist()])


def ground_sd(plot: Plot, walks: Sequence[Drawn]) -> float:
    """How far off the ground of the only walk may be, as a share, since its edge is; 0 where there are several."""
    if len(walks) != 1:
        return 0.0
    by_m = EDGE_SD_SIGMAS * walks[0].sigma_m * walks[0].edge_share
    less, more = np.maximum(grounds_m2(plot, walks[0], walks[0].edge_m + by_m * np.array([-1.0, 1.0])), 1e-3)
    return float(np.log(more / less) / 2)


def gather(plot: Plot, sweep: Sweep) -> list[SweepAt]:
    """Gather the effort of a sweep over its ground, for each level of its edge."""
    sigmas = KERNEL_SIGMAS if sweep.edge_share == 1 else KERNEL_SIGMAS_MEASURED
    kernel_m = KERNEL_M[sweep.wandering] + (0 if sweep.wandering else sigmas * sweep.sigma_m)
    numbers = plot_cells(plot)
    spread = [_spread(plot, numbers, one.effort, kernel_m) for one in sweep.parts]
    within_m = sweep.within_m(plot)
    inside = (chance_inside(plot, within_m + sweep.out_m(shift), sweep.sigma_m) for shift in EDGE_LEVELS)
    return [_gather(plot, sweep, spread, one, kernel_m) for one in inside]


def _spread(
    plot: Plot, numbers: NDArray[np.int64], effort: Effort, kernel_m: float
) -> tuple[NDArray[np.int64], Floats]:
    """Effort, blurred: numbers of the inside cells that it comes to, and how much it is there."""
    part, blur = blurred_part(plot, effort.mirrored, effort.part, kernel_m)
    cells = numbers[part]
    on = cells >= 0
    return cells[on], blur[on]


def _gather(
    plot: Plot, sweep: Sweep, spread: Sequence[tuple[NDArray[np.int64], Floats]], inside: Floats, kernel_m: float
) -> SweepAt:
    """Blurred effort of each walk of a sweep over its ground alone; what each laid down is kept.

    inside : chance that each inside cell is on its ground; here it counts as one.
    """
    ground = np.zeros(plot.share.shape)
    ground[plot.inside] = inside
    share = plot.share[plot.inside]
    room = np.maximum(blurred(plot, ground * plot.share, kernel_m)[plot.inside], 1e-3)
    rho = np.zeros(inside.size)
    parts = []
    for one, (cells, blur) in zip(sweep.parts, spread, strict=True):
        part = np.zeros(inside.size)
        part[cells] = np.where(inside[cells] > LEAST_INSIDE, blur / room[cells], 0.0)
        kept = float((part * inside) @ share)
        part *= min(one.effort.total / max(kept, 1e-12), MOST_GATHERED)
        rho += part
        parts.append((cells, part[cells]))
    here, walked = np.flatnonzero(rho > 0), np.flatnonzero(inside > LEAST_WALKED)
    gathered = tuple(_gathered(rho, here, *one) for one in parts)
    laid = rho[here].astype(np.float32)
    return SweepAt(walked.astype(np.int32), inside[walked], here.astype(np.int32), inside[here], laid, gathered)


def _gathered(rho: Floats, here: NDArray[np.int64], cells: NDArray[np.int64], part: Floats) -> Gathered:
    """Keep one walk's part of the effort of a sweep where it is any."""
    some = part > 0
    cells, of = cells[some], rho[cells[some]]
    share = part[some] / of
    own = share > 1e-6
    places = np.searchsorted(here, cells[own]).astype(np.int32)
    return Gathered(places, share[own].astype(np.float32), float(of[own].max(initial=0.0)))


def walked_by_any(plot: Plot, sweeps: Sequence[Sweep], shift: float) -> Floats:
    """Chance that anybody walked in each inside cell, (cells,), with edges at one of ``EDGE_LEVELS``.

    Where edges of several sweeps lie close to each other, drift has parted what is one edge: the mean of all counts.
    """
    worst_m = max(sweep.sigma_m for sweep in sweeps)
    best = np.full(np.count_nonzero(plot.inside), -np.inf)
    for sweep in sweeps:  # one at a time, since of hundreds each is as long as the plot
        np.maximum(best, sweep.within_m(plot) + sweep.out_m(shift), out=best)
    near = np.flatnonzero(best <= 2 * SAME_EDGE_SIGMAS * worst_m)
    total, count, least = np.zeros(near.size), np.zeros(near.size, np.int64), best[near] - SAME_EDGE_SIGMAS * worst_m
    for sweep in sweeps:
        within_m = sweep.within_m(plot, near) + sweep.out_m(shift)
        alike = within_m > least
        total += within_m * alike
        count += alike
    best[near] = total / count
    return chance_inside(plot, best, worst_m)
