"""Whether a recorder moved the walk onto roads or paths of its own map instead of keeping where it was."""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.typing import NDArray

from fieldcomb.tracks.motion.cleaning import Fixes
from fieldcomb.tracks.motion.spikes import DROPOUT_M
from fieldcomb.tracks.recording import Flags, Floats, runs_of
from fieldcomb.tracks.values import dataclass

Strides = NDArray[np.intp]

STRIDE_M = 1.0  # places are looked at so far apart, so that neither standing nor jitter counts
ON_LINE_M = 0.03
ON_LINE_MOST_M = 0.1  # where positions are rounded
AROUND = 4  # times as far: what else lies there
APART_S = 60.0  # a line walked so much earlier or later is another walk on it
APART_STRIDES = 20.0  # the same without a clock
PARALLEL_SINE = math.sin(math.radians(10.0))
RUN_STRIDES = 5  # two lines that cross at a small angle lie on each other for less
LEAST_STRIDES = 60
MOST_STRIDES = 20_000
BLOCK_STRIDES = 100
MOST_PAIRS = 200_000  # looked at; more would cost time and memory and show nothing new
GOLDEN = 0.6180339887498949


def snapped_share(fixes: Fixes, grain_m: float = 0.0) -> float:
    """Share of the way, 0 to 1, that lies to 3 cm on a line walked another time.

    Counted in strides of about 1 m. A stride is on a line when its middle lies within 3 cm of strides that were walked
    more than 60 s earlier or later, either way, and these are more than half of those within 12 cm: on ground that is
    walked very often some line is always near, but then others are as near. It counts in runs of five and more.
    Neither a receiver nor a walker repeats a line so closely; a map does. ``grain_m``: the grid that positions are
    rounded to; it widens the 3 cm. Lines walked once cannot be judged. The limits were chosen for this project.
    """
    step = strides(fixes)
    if step.size <= LEAST_STRIDES:
        return 0.0
    t, apart = (fixes.t_s[step], APART_S) if fixes.timed else (np.arange(step.size, dtype=float), APART_STRIDES)
    x, y = fixes.x_m[step], fixes.y_m[step]
    walked = np.flatnonzero((np.hypot(np.diff(x), np.diff(y)) < DROPOUT_M) & (np.diff(fixes.piece[step]) == 0))
    if walked.size == 0:
        return 0.0
    lines = _Lines.of(np.column_stack([x, y]), t, walked)
    room = min(max(ON_LINE_M, 0.75 * grain_m), ON_LINE_MOST_M)
    on_line = looked = pairs = 0
    for block in _blocks(walked.size):
        found, seen = lines.again(block, room, apart)
        on_line, looked, pairs = on_line + found, looked + block.size, pairs + seen
        if pairs > MOST_PAIRS:
            break
    return on_line / looked


def _blocks(count: int) -> list[Strides]:
    """Runs of 100 strides, in an order that is spread over the walk however many of them are looked at."""
    blocks = np.array_split(np.arange(count), -(-count // BLOCK_STRIDES))
    spread = np.arange(len(blocks)) * GOLDEN % 1.0
    return [blocks[k] for k in np.argsort(spread, kind="stable")]


@dataclass(frozen=True, slots=True, eq=False)
class _Lines:
    """Strides: where and when each begins and ends, which way it leads, and a tree to find those near a place."""

    begin: Floats  # (n, 2) m
    middle: Floats
    places: NDArray[np.object_]  # (n,) the same as points
    way: Floats
    from_s: Floats  # (n,)
    to_s: Floats
    tree: shapely.STRtree

    @staticmethod
    def of(places: Floats, t: Floats, walked: Strides) -> _Lines:
        begin, end = places[walked], places[walked + 1]
        way = (end - begin) / np.hypot(*(end - begin).T)[:, None]
        tree = shapely.STRtree(shapely.linestrings(np.stack([begin, end], axis=1)))
        middle = (begin + end) / 2
        return _Lines(begin, middle, shapely.points(middle), way, t[walked], t[walked + 1], tree)

    def again(self, block: Strides, room_m: float, apart: float) -> tuple[int, int]:
        """How many strides of a block are on a line of another time, and how many pairs were looked at."""
        row, other = self.tree.query(self.places[block], predicate="dwithin", distance=AROUND * room_m)
        pairs, mine = row.size, block[row]
        kept = (self.from_s[mine] - self.to_s[other] > apart) | (self.from_s[other] - self.to_s[mine] > apart)
        mine, other, row = mine[kept], other[kept], row[kept]  # first, as it leaves out most of them
        kept = np.abs(_cross(self.way[mine], self.way[other])) < PARALLEL_SINE
        mine, other, row = mine[kept], other[kept], row[kept]
        close = np.abs(_cross(self.middle[mine] - self.begin[other], self.way[other])) <= room_m
        around = np.bincount(row, minlength=block.size)
        on_line = 2 * np.bincount(row[close], minlength=block.size) > around
        return int(_in_long_runs(on_line).sum()), pairs


def _cross(a: Floats, b: Floats) -> Floats:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])


def strides(fixes: Fixes) -> Strides:
    """Index of the first fix, and of each that lies 1 m or more from the one chosen before it; 20,000 at most."""
    chosen = [0] if len(fixes) else []
    xs, ys = fixes.x_m.tolist(), fixes.y_m.tolist()
    x0, y0 = (xs[0], ys[0]) if xs else (0.0, 0.0)
    least_m2 = STRIDE_M * STRIDE_M
    for k, (x, y) in enumerate(zip(xs, ys, strict=True)):
        dx, dy = x - x0, y - y0
        if dx * dx + dy * dy >= least_m2:
            chosen.append(k)
            x0, y0 = x, y
    return np.array(chosen[:MOST_STRIDES], np.intp)


def _in_long_runs(on_line: Flags) -> Flags:
    edges = runs_of(on_line)
    kept = np.zeros(on_line.size, bool)
    for first, end in edges[edges[:, 1] - edges[:, 0] >= RUN_STRIDES].tolist():
        kept[first:end] = True
    return kept
