"""Ground swept by lanes, drawn many times: where flags stood, how straight people kept, how wide they swung.

The ground is cut into rows across the lanes; on each, a lane covers half a swing to both sides of where its walker was.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.lanes.lane_plan import Lane, swept_by
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

# Standard deviations. Flags: with a tape, common practice, no source. Straying: measured on receivers good to
# centimetres carried along lanes, with its correlation along the lane.
FLAG_M = 0.2
STRAY_M, STRAY_LASTS_M = 0.20, 6.0
LANE_DRAWS, DRAWS_AT_ONCE, LANES_AT_ONCE = 100, 25, 50
SEED = 20_260  # any number, the same each time
ACROSS_M, ALONG_M = 0.1, 0.35
NEAR_ROWS = 2  # before and after a row, from which a swing still reaches it to the side
MOST_LANE_CELLS = 1_500_000  # of one draw; larger ground is counted on coarser cells
STRAYS_TO_M = 1.5  # beyond its swing as planned no lane sweeps anything: five sd of flags and straying together
LEAST_CHANCE = 0.01  # a lane less likely than this was not walked in any draw


@dataclass(frozen=True, slots=True)
class LaneWalked:
    """One lane that was walked, or may have been: with its chance, and whether it was walked in part only."""

    lane: Lane
    chance: float = 1.0
    in_part: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class LaneCells:
    """Cells of about ``cell_m`` for which draws are summed up.

    at : numbers of the cells at places (x, y), arrays of site metres. count : how many cells there are.
    """

    cell_m: float
    count: int
    at: Callable[[Floats, Floats], NDArray[np.int64]]


@dataclass(frozen=True, slots=True, eq=False)
class CellsSwept:
    """Shares of cells that some lanes swept.

    cells : (n,), numbers of the cells that they may have reached. swept : (draws, n), 0 to 1, of their ground. mean :
    (k,), the mean over the draws on other cells, numbered by ``mean_cells``.
    """

    cells: NDArray[np.int64]
    swept: NDArray[np.float32]
    mean_cells: NDArray[np.int64]
    mean: Floats


@dataclass(frozen=True, slots=True, eq=False)
class LaneDraws:
    """What lanes swept. shares : (draws,), 0 to 1, of the ground. groups : of each group of lanes, its cells."""

    shares: Floats
    groups: tuple[CellsSwept, ...] = ()


def draw_lanes(
    groups: Sequence[Sequence[LaneWalked]],
    ground: BaseGeometry,
    bearing_deg: float,
    swath_m: float,
    swath_sd: float,
    cells: tuple[LaneCells, LaneCells] | None = None,
) -> LaneDraws:
    """Draw the ground that lanes swept.

    groups : lanes that count together, such as those of one outing. ground : what counts, in site metres. swath_sd :
    how well the swing width is known, as a share of it. cells : for which each group is summed up, those for which
    every draw is given and those for which the mean is.

    A lane walked in part was walked from one of its ends, up to a place that is anywhere on it. One with a chance only
    was walked in that share of the draws.
    """
    walked = [[one for one in group if one.chance >= LEAST_CHANCE] for group in groups]
    lanes = [one.lane for group in walked for one in group]
    near = _near(lanes, ground, swath_m, cells)
    frame = _Rows.over(near, bearing_deg)
    bands = [frame.band([one.lane for one in group], swath_m) for group in walked]
    sums = [_Sums(frame.part(band), cells) for band in bands] if cells else []
    # The swing width counts for all lanes at once, so its draws are spread evenly and not left to chance.
    evenly = np.array([NormalDist().inv_cdf((place + 0.5) / LANE_DRAWS) for place in range(LANE_DRAWS)])
    half_m = swath_m / 2 * np.maximum(1 + swath_sd * evenly, 0.1)
    rng = np.random.default_rng(SEED)
    share = np.zeros(LANE_DRAWS)
    for first in range(0, LANE_DRAWS, DRAWS_AT_ONCE):
        part = slice(first, first + DRAWS_AT_ONCE)
        every = np.zeros((DRAWS_AT_ONCE, *frame.inside.shape), bool)
        for number, (group, band) in enumerate(zip(walked, bands, strict=True)):
            swept = _swept(group, frame.part(band), half_m[part], rng)
            every[:, :, band] |= swept
            if sums:
                sums[number].add(part, swept.reshape(DRAWS_AT_ONCE, -1))
        share[part] = every.sum(axis=(1, 2)) / max(frame.count, 1)
    of_ground = float(near.area / ground.area) if ground.area > 0 else 0.0
    return LaneDraws(share * of_ground, tuple(one.done() for one in sums))


def _near(
    lanes: Sequence[Lane], ground: BaseGeometry, swath_m: float, cells: tuple[LaneCells, LaneCells] | None
) -> BaseGeometry:
    """The ground that lanes can reach, and the rest of the cells that it lies in."""
    if not lanes:
        return shapely.Polygon()
    more_m = STRAYS_TO_M + 1.5 * max((one.cell_m for one in cells or ()), default=0.0)
    reach = swept_by(lanes, swath_m).buffer(more_m).simplify(0.05)
    return shapely.intersection(ground, reach)


def _swept(group: Sequence[LaneWalked], frame: _Rows, half_m: Floats, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Which cells some lanes swept in some draws, (draws, rows, cols); those off the ground are not."""
    covers = np.zeros((half_m.size, frame.rows, frame.cols + 1), np.int16)
    for first in range(0, len(group), LANES_AT_ONCE):
        some = group[first : first + LANES_AT_ONCE]
        strays = _strayed((len(some), half_m.size, frame.rows), frame.along_m, rng)
        for one, stray in zip(some, strays, strict=True):
            _cover(covers, one, frame, half_m, stray, rng)
    np.cumsum(covers, axis=2, out=covers)
    return np.asarray((covers[:, :, :-1] > 0) & frame.inside)


class _Sums:
    """Sums up which cells of a ground were swept, draw by draw, on cells of two kinds."""

    def __init__(self, frame: _Rows, cells: tuple[LaneCells, LaneCells]) -> None:
        x_m, y_m = frame.places()
        within = np.flatnonzero(frame.inside)
        self.each, self.mean = (_Gathered(within, one.at(x_m, y_m)) for one in cells)
        self.swept = np.zeros((LANE_DRAWS, self.each.cells.size), np.float32)
        self.total = np.zeros((1, frame.inside.size), np.int32)

    def add(self, part: slice, swept: NDArray[np.bool_]) -> None:
        self.swept[part] = self.each.shares(swept)
        self.total += swept.sum(axis=0)

    def done(self) -> CellsSwept:
        mean = self.mean.shares(self.total)[0] / LANE_DRAWS
        reached, of_mean = self.swept.any(axis=0), mean > 0
        return CellsSwept(self.each.cells[reached], self.swept[:, reached], self.mean.cells[of_mean], mean[of_mean])


class _Gathered:
    """Puts small cells together to larger ones: where each lies in a raster, and in which larger one."""

    def __init__(self, places: NDArray[np.int64], at: NDArray[np.int64]) -> None:
        order = np.argsort(at, kind="stable")
        self.order = places[order]
        self.cells, self.starts, self.counts = np.unique(at[order], return_index=True, return_counts=True)

    def shares(self, swept: NDArray[np.bool_] | NDArray[np.int32]) -> Floats:
        """Share of each larger cell, (draws, cells); of counts, their mean there."""
        if not self.cells.size:
            return np.zeros((swept.shape[0], 0))
        total = np.add.reduceat(swept[:, self.order], self.starts, axis=1, dtype=np.int32)
        return np.asarray(total / self.counts)


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Cells of the ground in rows across the lanes: their size and corner, and which lie inside, bool (rows, cols)."""

    left: float
    bottom: float
    across_m: float
    along_m: float
    sine: float
    cosine: float
    inside: NDArray[np.bool_]

    @property
    def rows(self) -> int:
        return int(self.inside.shape[0])

    @property
    def cols(self) -> int:
        return int(self.inside.shape[1])

    @property
    def count(self) -> int:
        """How many cells lie inside."""
        return int(np.count_nonzero(self.inside))

    def band(self, lanes: Sequence[Lane], swath_m: float) -> slice:
        """Return the columns that lanes can reach."""
        if not lanes or not self.cols:
            return slice(0, 0)
        across = [self.turned(place)[0] for lane in lanes for place in (lane.start_m, lane.end_m)]
        reach_m = swath_m / 2 + STRAYS_TO_M
        ends = (min(across) - reach_m, max(across) + reach_m)
        low, high = (round((at - self.left) / self.across_m) for at in ends)
        return slice(min(max(low, 0), self.cols), min(max(high, 0), self.cols))

    def part(self, band: slice) -> _Rows:
        """Return some of the columns."""
        return replace(self, left=self.left + self.across_m * band.start, inside=self.inside[:, band])

    def places(self) -> tuple[Floats, Floats]:
        """Middles of the cells inside, as (x, y) in site metres."""
        row, col = np.nonzero(self.inside)
        across, along = self.left + self.across_m * (col + 0.5), self.bottom + self.along_m * (row + 0.5)
        return across * self.cosine + along * self.sine, along * self.cosine - across * self.sine

    @classmethod
    def over(cls, ground: BaseGeometry, bearing_deg: float) -> _Rows:
        sine, cosine = math.sin(math.radians(bearing_deg)), math.cos(math.radians(bearing_deg))
        if ground.is_empty:
            return cls(0.0, 0.0, ACROSS_M, ALONG_M, sine, cosine, np.zeros((0, 0), bool))
        matrix = np.array([[cosine, -sine], [sine, cosine]])
        turned = shapely.transform(ground, lambda xy: xy @ matrix.T)
        left, bottom, right, top = turned.bounds
        coarser = max(1.0, math.sqrt((right - left) * (top - bottom) / (ACROSS_M * ALONG_M) / MOST_LANE_CELLS))
        across_m, along_m = ACROSS_M * coarser, ALONG_M * coarser
        a = np.arange(left + across_m / 2, right, across_m)
        b = np.arange(bottom + along_m / 2, top, along_m)
        shapely.prepare(turned)
        inside = shapely.contains_xy(turned, *np.meshgrid(a, b))
        return cls(left, bottom, across_m, along_m, sine, cosine, inside)

    def turned(self, place: tuple[float, float]) -> tuple[float, float]:
        """Across and along of a place."""
        x, y = place
        return x * self.cosine - y * self.sine, x * self.sine + y * self.cosine


def _cover(
    covers: NDArray[np.int16],
    one: LaneWalked,
    frame: _Rows,
    half_m: Floats,
    stray_m: Floats,
    rng: np.random.Generator,
) -> None:
    """Add a lane to the differences of how often each cell is covered, for several draws at once."""
    lane, draws = one.lane, half_m.size
    in_draw = rng.uniform(size=draws) < one.chance
    (across, start), (_, end) = frame.turned(lane.start_m), frame.turned(lane.end_m)
    up = 1 if end >= start else -1
    middles = frame.bottom + frame.along_m * (np.arange(frame.rows) + 0.5)
    way = (middles - start) * up  # metres walked when the row is passed
    on = np.zeros(frame.rows, bool)
    for low, high in lane.pieces_m:
        on |= (way >= low) & (way < high)
    rows = np.flatnonzero(on)
    if not rows.size:
        return
    flags = FLAG_M * rng.standard_normal((2, draws, 1))
    share = way[rows] / lane.span_m
    middle = across + flags[0] * (1 - share) + flags[1] * share + stray_m[:, : rows.size]
    walked = np.repeat(in_draw[:, None], rows.size, axis=1)
    if one.in_part:
        walked &= (share < rng.uniform(size=(draws, 1))) ^ (rng.uniform(size=(draws, 1)) < 0.5)
    first, last = ((_rim(middle, half_m, frame.along_m, sign) - frame.left) / frame.across_m for sign in (-1, 1))
    draw = np.broadcast_to(np.arange(draws)[:, None], walked.shape)[walked]
    row = np.broadcast_to(rows, walked.shape)[walked]
    for edge, sign in ((first, 1), (last, -1)):
        column = np.clip(np.rint(edge[walked]), 0, frame.cols).astype(np.intp)
        covers[draw, row, column] += sign  # of one lane, each row of each draw has one place: nothing is added twice


def _rim(middle: Floats, half_m: Floats, step_m: float, sign: int) -> Floats:
    """The farthest place to one side within half a swing of the way, (draws, rows)."""
    rim = sign * middle + half_m[:, None]
    for rows in range(1, NEAR_ROWS + 1):
        reach2 = half_m**2 - (rows * step_m) ** 2
        beside = sign * middle + np.sqrt(np.maximum(reach2, 0))[:, None]
        beside[reach2 <= 0] = -np.inf
        rim[:, rows:] = np.maximum(rim[:, rows:], beside[:, :-rows])
        rim[:, :-rows] = np.maximum(rim[:, :-rows], beside[:, rows:])
    return sign * rim


def _strayed(shape: tuple[int, int, int], step_m: float, rng: np.random.Generator) -> Floats:
    """How far walkers stray to one side, (lanes, draws, rows), every ``step_m``: first-order autoregressive."""
    keeps = math.exp(-step_m / STRAY_LASTS_M)
    fresh = STRAY_M * rng.standard_normal((shape[2], *shape[:2]))
    fresh[1:] *= math.sqrt(1 - keeps**2)
    for place in range(1, shape[2]):
        fresh[place] += keeps * fresh[place - 1]
    return np.asarray(np.moveaxis(fresh, 0, -1))
