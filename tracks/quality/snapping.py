"""Whether a recorder moved the walk onto roads or paths of its own map instead of keeping where it was."""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.typing import NDArray

from fieldcomb.tracks.compiled.track_kernels import track_kernels
from fieldcomb.tracks.motion.cleaning import Fixes
from fieldcomb.tracks.motion.spikes import DROPOUT_M
from fieldcomb.tracks.recording import Flags, Floats, runs_of
from fieldcomb.tracks.values import dataclass

Strides = NDArray[np.int64]

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
    lines, blocks = _Lines.of(np.column_stack([x, y]), t, walked), _blocks(walked.size)
    room_m = min(max(ON_LINE_M, 0.75 * grain_m), ON_LINE_MOST_M)
    looked, on_line = (lines.again_in_c if track_kernels is not None else lines.again)(blocks, room_m, apart)
    seen = [on_line[first:end] for first, end in blocks[:looked].tolist()]
    parted = [part for block in seen for part in (block, [False])]  # a run does not go on from block to block
    return int(_in_long_runs(np.concatenate(parted)).sum()) / sum(map(len, seen))


def _blocks(count: int) -> Strides:
    """Runs of 100 strides, from first to before last (n, 2), in an order that is spread over the walk early on."""
    many = -(-count // BLOCK_STRIDES)
    ends = np.cumsum(count // many + (np.arange(many) < count % many))
    spread = np.arange(many) * GOLDEN % 1.0
    return np.column_stack([np.append(0, ends[:-1]), ends])[np.argsort(spread, kind="stable")]


@dataclass(frozen=True, slots=True, eq=False)
class _Lines:
    """Strides: where and when each begins and ends, and which way it leads."""

    begin: Floats  # (n, 2) m
    end: Floats
    middle: Floats
    way: Floats
    from_s: Floats  # (n,)
    to_s: Floats

    @staticmethod
    def of(places: Floats, t: Floats, walked: Strides) -> _Lines:
        begin, end = places[walked], places[walked + 1]
        way = (end - begin) / np.hypot(*(end - begin).T)[:, None]
        return _Lines(begin, end, (begin + end) / 2, way, t[walked], t[walked + 1])

    def again(self, blocks: Strides, room_m: float, apart: float) -> tuple[int, Flags]:
        """How many of the blocks were looked at; and which strides in them are on a line of another time."""
        tree = shapely.STRtree(shapely.linestrings(np.stack([self.begin, self.end], axis=1)))
        looked = pairs = 0
        on_line = np.zeros(len(self.middle), bool)
        while looked < len(blocks) and pairs <= MOST_PAIRS:
            block = slice(*blocks[looked].tolist())
            places = shapely.points(self.middle[block])
            row, other = tree.query(places, predicate="dwithin", distance=AROUND * room_m)
            looked, pairs, mine = looked + 1, pairs + row.size, row + block.start
            kept = (self.from_s[mine] - self.to_s[other] > apart) | (self.from_s[other] - self.to_s[mine] > apart)
            mine, other, row = mine[kept], other[kept], row[kept]  # first, as it leaves out most of them
            kept = np.abs(_cross(self.way[mine], self.way[other])) < PARALLEL_SINE
            mine, other, row = mine[kept], other[kept], row[kept]
            close = np.abs(_cross(self.middle[mine] - self.begin[other], self.way[other])) <= room_m
            around = np.bincount(row, minlength=places.size)
            on_line[block] = 2 * np.bincount(row[close], minlength=places.size) > around
        return looked, on_line

    def again_in_c(self, blocks: Strides, room_m: float, apart: float) -> tuple[int, Flags]:
        """Do what ``again`` does in 0.4 ms for a walk of three hours, not 5."""
        on_line = np.zeros(len(self.middle), bool)
        fields = self.begin, self.end, self.middle, self.way, self.from_s, self.to_s
        limits = AROUND * room_m, room_m, apart, PARALLEL_SINE, MOST_PAIRS
        return track_kernels.again(*fields, blocks, on_line, *limits), on_line


def _cross(a: Floats, b: Floats) -> Floats:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])


def strides(fixes: Fixes) -> Strides:
    """Index of the first fix, and of each that lies 1 m or more from the one chosen before it; 20,000 at most."""
    least_m2 = STRIDE_M * STRIDE_M
    if track_kernels is not None:
        found, (x_m, y_m) = np.empty(MOST_STRIDES, np.int64), map(np.ascontiguousarray, (fixes.x_m, fixes.y_m))
        return found[: track_kernels.strides(x_m, y_m, found, least_m2)]
    chosen = [0] if len(fixes) else []
    xs, ys = fixes.x_m.tolist(), fixes.y_m.tolist()
    x0, y0 = (xs[0], ys[0]) if xs else (0.0, 0.0)
    for k, (x, y) in enumerate(zip(xs, ys, strict=True)):
        dx, dy = x - x0, y - y0
        if dx * dx + dy * dy >= least_m2:
            chosen.append(k)
            x0, y0 = x, y
    return np.array(chosen[:MOST_STRIDES], np.int64)


def _in_long_runs(on_line: Flags) -> Flags:
    edges = runs_of(on_line)
    kept = np.zeros(on_line.size, bool)
    for first, end in edges[edges[:, 1] - edges[:, 0] >= RUN_STRIDES].tolist():
        kept[first:end] = True
    return kept
