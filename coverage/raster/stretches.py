"""Cut legs into stretches that never come back to themselves: a stretch is one pass over all that it touches."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from fieldcomb.coverage.raster.cells import Indices
from fieldcomb.tracks.motion.legs import Leg
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass


def pass_gap_m(swath_m: float) -> float:
    """Path length after which touching a cell again is a new pass: max(3 m, 2 W)."""
    return max(3.0, 2 * swath_m)


NO_INDICES: Indices = np.zeros(0, np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """Segments (x0, y0, x1, y1 in metres), each with its group, 0 .. stretches - 1, which is its stretch.

    ``near`` holds numbers of segments again, with groups from ``stretches`` on, 2 * SLICES for every cut: the path
    before it, then the stretch after it, each within pass_gap_m of the cut and sliced by distance from it, so that
    what both touch within pass_gap_m can be taken off.
    """

    ends: Floats  # (4, n)
    group: Indices
    stretches: int
    near: Indices
    near_group: Indices

    @staticmethod
    def whole(legs: Sequence[Leg]) -> Pieces:
        """Every leg one group, uncut."""
        sizes = np.array([leg.x_m.size for leg in legs], np.int64)
        x, y = (np.concatenate([np.zeros(0), *(getattr(leg, name) for leg in legs)]) for name in ("x_m", "y_m"))
        last = np.cumsum(sizes) - 1
        begins = np.ones(x.size, bool)
        begins[last[sizes > 1]] = False
        begin = np.flatnonzero(begins)
        many = np.maximum(sizes - 1, sizes > 0)  # a single place is a segment of no length
        end = np.minimum(begin + 1, np.repeat(last, many))
        group = np.repeat(np.arange(len(legs)), many)
        return Pieces(np.stack([x[begin], y[begin], x[end], y[end]]), group, len(legs), NO_INDICES, NO_INDICES)

    @staticmethod
    def of(legs: Sequence[Leg], swath_m: float) -> Pieces:
        """Cut legs into stretches, and take the path around each cut."""
        if not legs:
            return Pieces.whole(())
        ends, sizes, near, slices = [], [], [NO_INDICES], [NO_INDICES]
        offset = cuts = 0
        for leg in legs:
            x, y, s = _subdivide(leg.x_m, leg.y_m)
            starts = cut_stretches(x, y, s, pass_gap_m(swath_m))
            segments = _segments(x, y)
            ends.append(segments)
            sizes.append(np.diff(np.append(starts, segments.shape[1])))
            if starts.size > 1:
                segment, group = _around_cuts(starts, s, pass_gap_m(swath_m))
                near.append(segment + offset)
                slices.append(group + cuts * 2 * SLICES)
                cuts += starts.size - 1
            offset += segments.shape[1]
        size = np.concatenate(sizes)
        group = np.repeat(np.arange(size.size), size)
        near_group = size.size + np.concatenate(slices)
        return Pieces(np.concatenate(ends, axis=1), group, int(size.size), np.concatenate(near), near_group)


LONGEST_STEP_M = 1.0  # longer segments are halved and halved again, so that a cut is never far from the turn
SLICES = 8  # the path around a cut is told apart by an eighth of pass_gap_m
CHORD_M = 0.75  # headings are taken over at least this much path, so that jitter does not look like turning
APART_M = 0.45  # and lead so far at least: fixes jittering about a hole have a long path and go nowhere
WIDEST_TURN = math.radians(120)


def cut_stretches(x_m: Floats, y_m: Floats, s_m: Floats, gap_m: float) -> Indices:
    """Cut a path where it has turned by more than 120 degrees since the last cut; return each stretch's first segment.

    Within 120 degrees of turning a path makes at least half its length good (cos 60 deg), so two places of a stretch
    that touch one cell, hence lie within W of each other, are at most 2 W of path apart: one pass. Within ``gap_m``
    of path everything is one pass however it turns, so no stretch is cut shorter.
    """
    marks = _apart(_every(s_m, CHORD_M), x_m, y_m)
    if marks.size < 3:
        return np.zeros(1, np.int64)
    heading = np.unwrap(np.arctan2(np.diff(y_m[marks]), np.diff(x_m[marks])))
    starts, ends_m = [0], s_m[marks[1:]].tolist()
    low = high = float(heading[0])
    long_m = float(s_m[0]) + gap_m
    for k, angle in enumerate(heading.tolist()):
        if angle < low:
            low = angle
        elif angle > high:
            high = angle
        if high - low > WIDEST_TURN and ends_m[k] > long_m:
            starts.append(int(marks[k]))
            low = high = angle
            long_m = ends_m[k - 1] + gap_m
    return np.asarray(starts, np.int64)


def _every(s_m: Floats, step_m: float) -> Indices:
    """Vertices about ``step_m`` of path apart, the first and last among them."""
    marks = np.searchsorted(s_m, np.arange(0.0, float(s_m[-1]), step_m))
    marks = np.append(marks, s_m.size - 1)
    return marks[np.diff(marks, prepend=-1) > 0].astype(np.int64)


def _apart(marks: Indices, x_m: Floats, y_m: Floats) -> Indices:
    """Leave out marks that lie within APART_M of the last one kept."""
    kept, least = [0], APART_M * APART_M
    xs, ys = x_m[marks].tolist(), y_m[marks].tolist()
    x0, y0 = xs[0], ys[0]
    for k, (x, y) in enumerate(zip(xs, ys, strict=True)):
        if (x - x0) * (x - x0) + (y - y0) * (y - y0) >= least:
            kept.append(k)
            x0, y0 = x, y
    return marks[kept]


def _subdivide(x_m: Floats, y_m: Floats) -> tuple[Floats, Floats, Floats]:
    """Split segments longer than LONGEST_STEP_M evenly; return x, y and the path length at each vertex."""
    step = np.hypot(np.diff(x_m), np.diff(y_m))
    s = np.concatenate([[0.0], np.cumsum(step)])
    if step.size == 0 or float(step.max()) <= LONGEST_STEP_M:
        return x_m, y_m, s
    parts = np.maximum(1, np.ceil(step / LONGEST_STEP_M)).astype(np.int64)
    which = np.repeat(np.arange(step.size), parts)
    share = (np.arange(which.size) - np.repeat(np.cumsum(parts) - parts, parts)) / parts[which]
    x, y, at = (np.append(v[which] + share * np.diff(v)[which], v[-1]) for v in (x_m, y_m, s))
    return x, y, at


def _segments(x_m: Floats, y_m: Floats) -> Floats:
    """(4, n - 1) ends of the segments; a single place gives one segment of no length."""
    if x_m.size == 1:
        return np.array([x_m, y_m, x_m, y_m])
    return np.stack([x_m[:-1], y_m[:-1], x_m[1:], y_m[1:]])


def _around_cuts(starts: Indices, s_m: Floats, gap_m: float) -> tuple[Indices, Indices]:
    """Segments near each cut, and their slice: 2 * SLICES * cut + slice, the stretch after it SLICES higher."""
    cut, end = starts[1:, None], np.append(starts[2:], s_m.size - 1)[:, None]
    away = np.arange(SLICES + 1) * (gap_m / SLICES)
    middle = (s_m[1:] + s_m[:-1]) / 2  # a segment belongs to the slice that its middle lies in
    before = np.clip(np.searchsorted(middle, s_m[cut] - away, side="right"), 0, cut)
    after = np.clip(np.searchsorted(middle, s_m[cut] + away, side="left"), cut, end)
    before[:, 0] = cut[:, 0]
    first = np.concatenate([before[:, 1:], after[:, :-1]], axis=1).ravel()
    count = np.concatenate([before[:, :-1] - before[:, 1:], np.diff(after, axis=1)], axis=1).ravel()
    return ranges(first, count), np.repeat(np.arange(count.size), count)


def ranges(first: Indices, count: Indices) -> Indices:
    """Concatenate arange(first, first + count) for each pair."""
    return np.repeat(first - (np.cumsum(count) - count), count) + np.arange(int(count.sum()))
