"""What is expected to be left out on the ground that was walked, by one walk or by many together.

Where walks lie over the same ground, what one left out another may have swept. Whoever walks the same ground again in
the same direction may walk the same lanes, or those between on purpose, and no watch shows which.
"""

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.compiled.kernels import kernels
from fieldcomb.coverage.estimate.effort import Plot, on_plot
from fieldcomb.coverage.estimate.walked_ground import (
    DRAWS,
    EDGE_LEVELS,
    LEAST_INSIDE,
    Drawn,
    Gathered,
    LaidOut,
    Sweep,
    SweepAt,
    by_time,
    gather,
    lay_out,
)
from fieldcomb.coverage.pool.ahead import at_once
from fieldcomb.coverage.raster.cells import Mask
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

Missed = NDArray[np.float32]  # (DRAWS, cells of the plot)
_Float32 = NDArray[np.float32]
_PartFields = tuple[NDArray[np.int32], _Float32, _Float32, NDArray[np.int32], _Float32]

RHO_STEP = 0.02
_STEPS_AT_ONCE = 64  # so that few tables are made
_BLOCK = 512  # cells at once, so that what is made of them stays in the processor's cache
# What is left out is told as a share of 1, beside which less than 1e-8 is none; numbers near the least that there are
# take a hundred times as long. So much is taken off, which changes no bit of what is told.
_NOTHING = np.float32(1e-20)
_BLOCKS_AT_ONCE = 8  # of them for each task
_NO_AGAIN = np.zeros(0, np.float32)
# Correlation between two recordings of how far length and swath are off, of how even the lanes are, and of ``AGAIN``.
ALIKE = (0.5, 0.25, 0.0)
# What a second sweep in the same direction leaves of what the first did: 1, it is the same lanes; -1, it is those
# between; 0, neither knows of the other. Mostly near 0, one in twenty beyond 0.81 on each side;
# chosen for this project.
_EVENLY = np.linspace(-1, 1, DRAWS)
AGAIN = _EVENLY * np.abs(_EVENLY)
SAME_WAY = 0.5  # cosine of twice the angle between two directions, times how much of each sweep goes that way
_COMMON, _OWN = 51, 52  # seeds


def swept_share(rho: Floats, kappa: Floats) -> Floats:
    """Share swept at effort rho by strips whose spacings are gamma distributed with spread over mean kappa.

    h = P(a + 1, a rho) + rho (1 - P(a, a rho)), a = 1 / kappa^2, P the regularised lower incomplete gamma function:
    the mean of min(spacing, swath) over the mean spacing. Even lanes (kappa to 0) give min(1, rho), random ones
    (kappa = 1) the law of random search, 1 - exp(-rho).
    """
    from scipy.special import gammainc, gammaincc

    a = 1 / np.square(kappa)
    return np.asarray(gammainc(a + 1, a * rho) + rho * gammaincc(a, a * rho))


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """One way of a walk as it is drawn: where it lies, factors of its effort, and its table of shares swept.

    factor, begin : (draws, 1) of the effort, and where each draw's kappa begins in the table. steps : (n, 2) the table,
    the share at each step and how much it rises to the next.
    """

    of: Gathered
    factor: NDArray[np.float32]
    begin: NDArray[np.int32]
    steps: NDArray[np.float32]

    def fields(self) -> _PartFields:
        """As the kernel takes them."""
        return self.of.own, self.of.share, self.factor, self.begin, self.steps


@dataclass(frozen=True, slots=True, eq=False)
class _Layer:
    """One sweep as it is drawn: the weight of its cells among all that walked there, and its parts.

    again : (draws, 1) what it has to do with earlier ones in its direction; None where there are none.
    """

    at: SweepAt
    weight: NDArray[np.float32]
    parts: tuple[_Part, ...]
    again: NDArray[np.float32] | None

    def fields(self) -> tuple[NDArray[np.int32], _Float32, _Float32, _Float32, tuple[_PartFields, ...]]:
        """As the kernel takes them."""
        again = _NO_AGAIN if self.again is None else self.again
        return self.at.here, self.at.rho, self.weight, again, tuple(part.fields() for part in self.parts)


class _Room:
    """Arrays that are used for block after block: made anew each time they take twice as long."""

    def __init__(self, draws: int) -> None:
        self.draws = draws
        self._floats = [np.empty(draws * _BLOCK, np.float32) for _ in range(4)]
        self._places = np.empty(draws * _BLOCK, np.int64)

    def floats(self, number: int, cells: int) -> NDArray[np.float32]:
        """One of four arrays, (draws, cells), each row right behind the one before."""
        return self._floats[number][: self.draws * cells].reshape(self.draws, cells)

    def places(self, cells: int) -> NDArray[np.int64]:
        """The same of whole numbers."""
        return self._places[: self.draws * cells].reshape(self.draws, cells)


def left_out(plot: Plot, walks: Sequence[Drawn], jobs: int = 1, laid: LaidOut | None = None) -> Missed:
    """Chance that walks together left out each inside cell of the plot, (DRAWS, cells): a row for each way it may be.

    What is uncertain of two walks is half alike, as one person walks much the same way on another day, so that the
    interval does not shrink to nothing with many outings. The order of the walks makes no difference.

    jobs : how much of it is done at once. laid : where they lie, or others that lie where they do.
    """
    laid = laid or lay_out(plot, walks)
    cells, sweeps = int(np.count_nonzero(plot.inside)), laid.sweeps
    if not sweeps:
        return np.ones((DRAWS, cells), np.float32)
    missed = np.empty((DRAWS, cells), np.float32)
    fresh = [sweep for sweep in sweeps if not sweep.at]
    for sweep, found in zip(fresh, at_once(lambda sweep: gather(plot, sweep), fresh, jobs), strict=True):
        sweep.at.extend(found)
    ordered = by_time(walks)
    at = list(range(len(EDGE_LEVELS)))
    levels = at_once(lambda level: (_level(plot, ordered, sweeps, level), laid.walked_by_any(level)), at, jobs)
    starts = range(0, cells, _BLOCK)
    pieces = [starts[first : first + _BLOCKS_AT_ONCE] for first in range(0, len(starts), _BLOCKS_AT_ONCE)]
    tasks = [(level, piece) for level in at for piece in pieces]

    def work(task: tuple[int, Sequence[int]]) -> None:
        layers, walked = levels[task[0]]
        if kernels is not None:
            given = tuple(layer.fields() for layer in layers)
            last = min(task[1][-1] + _BLOCK, cells)
            kernels.left_out(given, walked, missed, task[0], len(at), task[1][0], last)
            return
        rows = missed[task[0] :: len(at)]
        room = _Room(rows.shape[0])
        for first in task[1]:
            part = slice(first, min(first + _BLOCK, cells))
            left = _left_of_block(layers, part, room)
            rows[:, part] = 1 - (1 - left) * walked[part]

    at_once(work, tasks, jobs)
    return missed


def _level(plot: Plot, ordered: Sequence[Drawn], sweeps: Sequence[Sweep], level: int) -> list[_Layer]:
    """Return what is drawn with edges at one level."""
    rows = np.arange(level, DRAWS, len(EDGE_LEVELS))
    cells = int(np.count_nonzero(plot.inside))
    most = np.full(cells, LEAST_INSIDE)
    for sweep in sweeps:
        one = sweep.at[level]
        most[one.walked] = np.maximum(most[one.walked], one.inside)
    return [
        _layer(sweep.at[level], sweep, ordered, rows, most, any(_same_way(sweep, before) for before in sweeps[:number]))
        for number, sweep in enumerate(sweeps)
    ]


def _layer(
    at: SweepAt, sweep: Sweep, ordered: Sequence[Drawn], rows: NDArray[np.int64], most: Floats, is_again: bool
) -> _Layer:
    parts = []
    for way, of in zip(sweep.parts, at.parts, strict=True):
        walk, seed = ordered[way.number], (ordered[way.number].seed, way.way)
        scale, place = walk.scale[_order(0, seed)[rows], None], walk.drawn[_order(1, seed)[rows], None]
        count = math.ceil(of.most * float(scale.max()) / RHO_STEP / _STEPS_AT_ONCE + 0.5) * _STEPS_AT_ONCE
        steps = _shares(tuple(walk.kappa.tolist()), count)
        parts.append(_Part(of, (scale / RHO_STEP).astype(np.float32), (place * count).astype(np.int32), steps))
    again = AGAIN[_order(2, sweep.seed)[rows], None].astype(np.float32) if is_again else None
    return _Layer(at, (at.ground / most[at.here]).astype(np.float32), tuple(parts), again)


def _left_of_block(layers: Sequence[_Layer], cells: slice, room: _Room) -> NDArray[np.float32]:
    """What sweeps left out of a block of cells, (draws, cells)."""
    left = np.ones((room.draws, cells.stop - cells.start), np.float32)
    for layer in layers:
        mine = _places(layer.at.here, cells)
        count = mine.stop - mine.start
        if count == 0:
            continue
        swept = room.floats(0, count)
        swept[:] = 0
        for part in layer.parts:
            _add_swept(swept, part, layer.at.rho[mine], mine, room)
        swept *= layer.weight[mine]
        bare = np.subtract(1, swept, out=swept)
        if count == left.shape[1]:
            _leave(left, bare, layer.again, room)
        else:
            at = layer.at.here[mine] - cells.start
            some = left[:, at]
            _leave(some, bare, layer.again, room)
            left[:, at] = some
    return left


def _places(rising: NDArray[np.int32], numbers: slice) -> slice:
    """Where some numbers lie among rising ones."""
    return slice(*np.searchsorted(rising, (numbers.start, numbers.stop)).tolist())


def _add_swept(swept: NDArray[np.float32], part: _Part, rho: NDArray[np.float32], mine: slice, room: _Room) -> None:
    """Add one walk's part of what was swept, in place, (draws, cells); by straight lines between steps of rho.

    rho : effort of the sweep there, at its places ``mine``.
    """
    own = _places(part.of.own, mine)
    if own.start == own.stop:
        return
    numbers, of = part.of.own[own] - mine.start, part.of.share[own]
    places: NDArray[np.int32] | slice = numbers
    first, last = int(numbers[0]), int(numbers[-1]) + 1
    if last - first < 2 * of.size:  # a whole piece takes less time than picking, with none of it where others lie
        whole = np.zeros(last - first, np.float32)
        whole[numbers - first] = of
        places, of = slice(first, last), whole
    beyond, step, share = (room.floats(number, of.size) for number in (1, 2, 3))
    at = room.places(of.size)
    np.multiply(part.factor, rho[places], out=beyond)
    np.floor(beyond, out=step)
    beyond -= step
    np.copyto(at, step, casting="unsafe")
    at += part.begin
    np.take(part.steps[:, 1], at, out=share, mode="clip")  # it is never beyond the table where there is a share
    share *= beyond
    np.take(part.steps[:, 0], at, out=beyond, mode="clip")
    share += beyond
    share *= of
    swept[:, places] += share


def _leave(
    left: NDArray[np.float32], bare: NDArray[np.float32], again: NDArray[np.float32] | None, room: _Room
) -> None:
    """Leave what a sweep left out of what was left, in place, (draws, cells); each has so much to do with the other.

    again : for 1 the one that left less decides, for -1 each sweeps what the other left; 0 or None, they are
        independent.
    """
    if again is None:
        left *= bare
    else:
        less, more = (room.floats(number, left.shape[1]) for number in (1, 2))
        np.add(left, bare, out=less)
        less -= 1
        np.maximum(less, 0, out=less)
        less *= np.maximum(-np.sign(again), 0)
        np.minimum(left, bare, out=more)
        more *= np.maximum(np.sign(again), 0)
        less += more
        left *= bare
        less -= left
        less *= np.abs(again)
        left += less
    below = np.minimum(left, 0, out=room.floats(1, left.shape[1]))  # by rounding: it stays
    left -= _NOTHING
    np.maximum(left, below, out=left)


def _same_way(sweep: Sweep, other: Sweep) -> bool:
    """Whether two sweeps are lanes in the same direction."""
    if sweep.wandering or other.wandering:
        return False
    one, two = sweep.along, other.along
    return one[0] * two[0] + one[1] * two[1] > SAME_WAY


@lru_cache(maxsize=1024)
def _order(what: int, of: tuple[int, int]) -> NDArray[np.int64]:
    """Place of the rising values of a walk in each draw, (DRAWS,); ``of`` is its seed, and which way it went."""
    common, own = (np.random.default_rng([what, *seed]).standard_normal(DRAWS) for seed in ((_COMMON,), (_OWN, *of)))
    return np.argsort(np.argsort(math.sqrt(ALIKE[what]) * common + math.sqrt(1 - ALIKE[what]) * own))


@lru_cache(maxsize=16)
def _shares(kappa: tuple[float, ...], count: int) -> NDArray[np.float32]:
    """``swept_share`` at so many steps of rho, and how much it rises to the next, (n, 2), one kappa after another."""
    steps: Floats = RHO_STEP * np.arange(count + 1, dtype=float)
    table = swept_share(steps[None, :], np.array(kappa)[:, None])
    return np.stack([table[:, :-1], np.diff(table, axis=1)], axis=-1).reshape(-1, 2).astype(np.float32)


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
