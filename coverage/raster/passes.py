"""The swept-ground raster: which cells each leg passed over, and how often.

A leg swept with swath W covers every cell whose centre lies within W/2 of it. Row by row a segment covers one
interval of cells, so nothing is drawn: the intervals of a stretch are united, their ends are added to a raster of
differences, and one running sum gives exact counts. Memory is one int16 per cell of the window.

A **pass** is one visit to a piece of ground: a cell touched again counts as a new pass when the path since it was
last touched is longer than ``pass_gap_m``. Legs are cut into stretches that never come back to themselves, so a
stretch is one pass over every cell that it touches; where two stretches join end to end, the cells that both touch
within ``pass_gap_m`` of the cut are taken off once.
"""

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.compiled.kernels import kernels
from fieldcomb.coverage.raster.cells import Indices
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.raster.stretches import NO_INDICES, SLICES, Pieces, ranges
from fieldcomb.tracks.motion.legs import Leg
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

Counts = NDArray[np.int16]

_ROWS_AT_ONCE = 32  # of a raster, so that what is made on the way stays in the processor's cache
VALUE_STEPS = 2048  # values are summed as whole numbers of such parts, so that sums come back to nothing exactly


def count_passes(legs: Sequence[Leg], swath_m: float, grid: Grid) -> Counts:
    """Count passes of a swath along legs over each cell of a grid.

    A cell is touched when its centre lies within ``swath_m / 2`` of a leg. Different legs are different visits.

    Returns int16 (rows, cols).
    """
    counts = np.zeros((grid.rows, grid.cols + 1), np.int16)
    pieces = Pieces.of(legs, swath_m)
    if not (pieces.group.size and grid.rows and grid.cols):
        return counts[:, :-1]
    if kernels is not None:
        near = pieces.group, pieces.near, pieces.near_group
        radius = np.full(pieces.group.size, swath_m / 2)
        fields = _Capsules.of(pieces.ends, radius, grid).fields()
        kernels.count_spans(*fields, *near, pieces.stretches, SLICES, counts)
    else:
        group, row, first, last = _intervals(pieces, swath_m / 2, grid)
        stretch = group < pieces.stretches
        shared = _shared(group - pieces.stretches, row, first, last)
        taken_off = np.concatenate([np.zeros(np.count_nonzero(stretch), np.int64), np.ones_like(shared[0])])
        row, first, last = (
            np.concatenate([one[stretch], other]) for one, other in zip((row, first, last), shared, strict=True)
        )
        _add_up(row, first, last, taken_off, np.array([1, -1], np.int32), counts)
    return counts[:, :-1]


def cover(legs: Sequence[Leg], radius_m: float | Floats, grid: Grid) -> NDArray[np.bool_]:
    """Tell which cells have their centre within a radius of any leg; for a radius per leg give an array.

    Returns bool (rows, cols).
    """
    pieces = Pieces.whole(legs)
    radius = np.broadcast_to(np.asarray(radius_m, float), (len(legs),))[pieces.group]
    return _covered(pieces, radius, grid)


def cover_lines(x_m: Floats, y_m: Floats, starts: Indices, radius_m: float, grid: Grid) -> NDArray[np.bool_]:
    """Tell, for lines that are drawn several times, which cells have their centre within a radius of any of each draw.

    x_m, y_m : (draws, places) of all lines, one behind the other. starts : (lines + 1,) where each begins among the
    places, of which it has two or more, and the number of all. Returns bool (draws, rows, cols).
    """
    covered = np.zeros((len(x_m), grid.rows, grid.cols), bool)
    if kernels is not None and covered.size:
        left, _, _, top = grid.bounds_m
        laid = np.array([left, top, grid.cell_m, radius_m, RIM_WEST, RIM_NORTH])
        kernels.cover_lines(x_m, y_m, starts, laid, covered)
        return covered
    parts = [slice(*ends) for ends in itertools.pairwise(starts.tolist())]
    for x, y, one in zip(x_m, y_m, covered, strict=True):
        one[:] = cover([Leg(x[part], y[part]) for part in parts], radius_m, grid)
    return covered


def _covered(pieces: Pieces, radius_m: Floats, grid: Grid) -> NDArray[np.bool_]:
    if kernels is not None:
        covered = np.zeros((grid.rows, grid.cols), bool)
        if pieces.group.size and covered.size:
            kernels.cover(*_Capsules.of(pieces.ends, radius_m, grid).fields(), covered)
        return covered
    most = np.int16 if pieces.group.size < 32768 else np.int32  # a cell is covered by each segment once at most
    diff: NDArray[np.signedinteger] = np.zeros(grid.rows * (grid.cols + 1), most)
    if pieces.group.size and grid.rows and grid.cols:
        capsules = _Capsules.of(pieces.ends, radius_m, grid)
        for part in capsules.blocks():  # only whether there is any is asked, so nothing need be united
            _, row, first, last = capsules.rows_met(part)
            start = row * (grid.cols + 1)
            np.add.at(diff, start + first, most(1))
            np.subtract.at(diff, start + last + 1, most(1))
    counts = diff.reshape(grid.rows, grid.cols + 1)
    np.cumsum(counts, axis=1, dtype=most, out=counts)
    return np.asarray(counts[:, :-1] > 0)


def bits_over(
    legs: Sequence[Leg], radius_m: Floats, bits: NDArray[np.int64], kept: NDArray[np.uint8], grid: Grid
) -> NDArray[np.uint8]:
    """Find, at each cell, the set of bits of all legs that have it within their radius, and give what it is kept as.

    bits : number of the bit of each leg, 0 to 15. kept : of every set of these bits. Returns uint8 (rows, cols).
    """
    order = np.argsort(bits, kind="stable")
    pieces = Pieces.whole([legs[k] for k in order.tolist()])
    of, radius = bits[order][pieces.group], radius_m[order][pieces.group]
    cells = np.full((grid.rows, grid.cols), kept[0])
    if not (pieces.group.size and cells.size):
        return cells
    if kernels is not None:
        kernels.cover_bits(*_Capsules.of(pieces.ends, radius, grid).fields(), of, kept, cells)
        return cells
    # What is united overlaps nowhere within a bit, so that bits come and go by plain sums.
    bit, row, first, last = _intervals(replace(pieces, group=of), radius, grid)
    sums = np.zeros((grid.rows, grid.cols + 1), np.uint16)
    _add_up(row, first, last, bit, np.left_shift(1, np.arange(16), dtype=np.int32), sums)
    for top in range(0, grid.rows, _ROWS_AT_ONCE):
        cells[top : top + _ROWS_AT_ONCE] = kept[sums[top : top + _ROWS_AT_ONCE, :-1]]
    return cells


@dataclass(frozen=True, slots=True, eq=False)
class LegSpans:
    """Which cells legs have within their radius: leg, row, first and last column, disjoint for each, row by row."""

    group: Indices
    row: Indices
    first: Indices
    last: Indices

    def part(self, top: int, bottom: int) -> "LegSpans":
        """Those in the rows from one up to another, which are counted from the first of these."""
        a, b = np.searchsorted(self.row, (top, bottom))
        return LegSpans(self.group[a:b], self.row[a:b] - top, self.first[a:b], self.last[a:b])


def spans_near(legs: Sequence[Leg], radius_m: float | Floats, grid: Grid) -> LegSpans:
    """Find which cells of a grid each leg has within its radius."""
    pieces = Pieces.whole(legs)
    if not (pieces.group.size and grid.rows and grid.cols):
        return LegSpans(*(NO_INDICES,) * 4)
    return LegSpans(*_intervals(pieces, np.broadcast_to(np.asarray(radius_m, float), (len(legs),))[pieces.group], grid))


def mean_over(spans: LegSpans, values: Floats, rows: int, cols: int) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Mean, at each of so many cells, of the values of all legs that have it within their radius.

    values : float (k, legs), several sorts of value at once, 0 to 1000; kept to 1/2048. Returns float32
    (k, rows, cols), 0 where no leg comes, and bool (rows, cols) whether any does.
    """
    weights = np.concatenate([np.ones((1, values.shape[1]), np.int32), in_value_steps(values)])
    cells = np.zeros((weights.shape[0], rows, cols + 1), np.int32)
    add_up = _add_up if kernels is None else kernels.add_spans
    for sums, weight in zip(cells, weights, strict=True):
        add_up(spans.row, spans.first, spans.last, spans.group, weight, sums)
    count = cells[0, :, :-1]
    mean = np.empty((weights.shape[0] - 1, rows, cols), np.float32)
    for top in range(0, rows, _ROWS_AT_ONCE):
        part = slice(top, top + _ROWS_AT_ONCE)
        steps = (VALUE_STEPS * np.maximum(count[part], 1)).astype(np.float32)
        np.divide(cells[1:, part, :-1], steps, out=mean[:, part], casting="same_kind")
    return mean, np.asarray(count > 0)


def in_value_steps(values: Floats) -> NDArray[np.int32]:
    """Values as whole numbers of 1 / VALUE_STEPS."""
    return np.round(np.asarray(values, float) * VALUE_STEPS).astype(np.int32)


# Everything is moved west and north by so many cells, far more than rounding and far less than anything measured, so
# that a centre exactly on the rim counts on one side only: a lane along the cells is as wide as its swath. The two
# differ, or lanes along the diagonals would be left to rounding.
RIM_WEST, RIM_NORTH = 1e-7, 0.6e-7
BLOCK = 8192  # rows met by segments worked on at once, so that every array of a block stays in the processor's cache


def _intervals(pieces: Pieces, radius_m: float | Floats, grid: Grid) -> tuple[Indices, Indices, Indices, Indices]:
    """Group, row, first and last column of disjoint cell intervals, in order of row, then group."""
    radius = np.broadcast_to(np.asarray(radius_m, float), pieces.group.shape)
    capsules = _Capsules.of(pieces.ends, radius, grid)
    if kernels is not None:
        found = kernels.intervals(*capsules.fields(), pieces.group, grid.rows, grid.cols)
        group, row, first, last = np.frombuffer(found, np.int64).reshape(4, -1)
        return group, row, first, last
    blocks, met = [], []
    is_near = np.zeros(pieces.group.size, bool)
    is_near[pieces.near] = True
    for part in capsules.blocks():
        seg, *spans = capsules.rows_met(part)
        blocks.append(_runs(pieces.group[seg], *spans))
        if is_near[part].any():
            again = is_near[seg]
            met.append((seg[again], *(every[again] for every in spans)))
    blocks += _again(pieces, met)
    group, row, first, last = (np.concatenate(every) for every in zip(*blocks, strict=True))
    order = _by_row(row)
    return _merge(group[order], row[order], first[order], last[order])


def _again(pieces: Pieces, met: list[tuple[Indices, ...]]) -> list[tuple[Indices, Indices, Indices, Indices]]:
    """Intervals of the segments that are near cuts, of which the rows that they meet are known."""
    if not met:
        return []
    seg, row, first, last = (np.concatenate(every) for every in zip(*met, strict=True))
    start = np.searchsorted(seg, np.arange(pieces.group.size + 1))
    blocks = []
    many = start[pieces.near + 1] - start[pieces.near]
    for part in _parts_of(many):
        count = many[part]
        at = ranges(start[pieces.near[part]], count)
        blocks.append(_runs(np.repeat(pieces.near_group[part], count), row[at], first[at], last[at]))
    return blocks


def _by_row(row: Indices) -> Indices:
    """Order by row, keeping the order within a row; 16-bit keys let numpy sort by counting."""
    small = row.size == 0 or int(row.max()) < 65536
    return np.argsort(row.astype(np.uint16) if small else row, kind="stable")


def _runs(group: Indices, row: Indices, first: Indices, last: Indices) -> tuple[Indices, Indices, Indices, Indices]:
    """Unite intervals of one group and row that follow one another in time and overlap or touch."""
    order = _by_row(row)
    group, row, first, last = group[order], row[order], first[order], last[order]
    if row.size == 0:
        return group, row, first, last
    new = np.empty(row.size, bool)
    new[0] = True
    same = (row[1:] == row[:-1]) & (group[1:] == group[:-1])
    np.logical_not(same & (first[1:] <= last[:-1] + 1) & (last[1:] >= first[:-1] - 1), out=new[1:])
    at = np.flatnonzero(new)
    return group[at], row[at], np.minimum.reduceat(first, at), np.maximum.reduceat(last, at)


def _parts_of(count: Indices) -> list[slice]:
    """Cut things that have so many rows each into parts of about BLOCK rows together."""
    part = np.cumsum(count) // BLOCK
    edges = [0, *(np.flatnonzero(np.diff(part)) + 1).tolist(), count.size]
    return [slice(a, b) for a, b in itertools.pairwise(edges)]


@dataclass(frozen=True, slots=True, eq=False)
class _Capsules:
    """All that lies within a radius of each segment, in units of cells with centres on whole numbers.

    The left rim of a capsule at row v is that of the disc centred where the left offset line crosses v, held between
    the two ends; the right rim likewise.

    u, v, du, dv : a segment's begin and course. slope, shift : at which share of it the middle of its rims lies on a
    row, and how far the two lie from there. square : of the radius. low, count : first row met, and how many.
    """

    u: Floats
    v: Floats
    du: Floats
    dv: Floats
    slope: Floats
    shift: Floats
    square: Floats
    low: Indices
    count: Indices
    cols: int

    @staticmethod
    def of(ends: Floats, radius_m: Floats, grid: Grid) -> "_Capsules":
        """Lay segments (4, n) of a radius each on a grid."""
        cell = grid.cell_m
        left, _, _, top = grid.bounds_m
        u0, u1 = ((x - left) / cell - 0.5 - RIM_WEST for x in (ends[0], ends[2]))
        v0, v1 = ((top - y) / cell - 0.5 - RIM_NORTH for y in (ends[1], ends[3]))
        r = radius_m / cell
        low = np.clip(np.ceil(np.minimum(v0, v1) - r), 0, grid.rows).astype(np.int64)
        high = np.clip(np.floor(np.maximum(v0, v1) + r), -1, grid.rows - 1).astype(np.int64)
        du, dv = u1 - u0, v1 - v0
        rise = np.where(np.abs(dv) < 1e-9, 1e-9, dv)
        offset = r * du * np.sign(rise) / np.maximum(np.sqrt(du * du + dv * dv), 1e-12)
        return _Capsules(u0, v0, du, dv, 1 / rise, offset / rise, r * r, low, np.maximum(high - low + 1, 0), grid.cols)

    def fields(self) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats, Floats, Indices, Indices]:
        """All that the kernels are told of them, in their order."""
        return self.u, self.v, self.du, self.dv, self.slope, self.shift, self.square, self.low, self.count

    def blocks(self) -> list[slice]:
        """Segments that are worked on together."""
        return _parts_of(self.count)

    def rows_met(self, part: slice) -> tuple[Indices, Indices, Indices, Indices]:
        """Every grid row that some capsules meet, as segment, row, first and last column."""
        count = self.count[part]
        seg = np.repeat(np.arange(part.start, part.stop), count)
        row = ranges(self.low[part], count)
        u, v, du, dv, square = (every[seg] for every in (self.u, self.v, self.du, self.dv, self.square))
        v -= row
        middle, shift = -v * self.slope[seg], self.shift[seg]
        first = np.ceil(_rim(middle - shift, u, v, du, dv, square, -1.0))
        last = np.floor(_rim(middle + shift, u, v, du, dv, square, 1.0))
        np.maximum(first, 0, out=first)
        np.minimum(last, self.cols - 1, out=last)
        keep = first <= last
        if not keep.all():
            seg, row, first, last = seg[keep], row[keep], first[keep], last[keep]
        return seg, row, first.astype(np.int64), last.astype(np.int64)


def _rim(t: Floats, u: Floats, v: Floats, du: Floats, dv: Floats, square: Floats, side: float) -> Floats:
    """Column of the rim of the disc at the share ``t`` of each segment, held between 0 and 1."""
    np.minimum(np.maximum(t, 0.0, out=t), 1.0, out=t)
    height = t * dv
    height += v
    height *= height
    reach = np.subtract(square, height, out=height)
    np.sqrt(np.maximum(reach, 0.0, out=reach), out=reach)
    t *= du
    t += u
    return np.add(t, reach, out=t) if side > 0 else np.subtract(t, reach, out=t)


def _merge(group: Indices, row: Indices, first: Indices, last: Indices) -> tuple[Indices, Indices, Indices, Indices]:
    """Unite what still overlaps among the intervals of one group and row, which lie together; the order stays."""
    same = (row[1:] == row[:-1]) & (group[1:] == group[:-1])
    if not same.any():
        return group, row, first, last
    many = np.zeros(row.size, bool)
    many[1:] |= same
    many[:-1] |= same
    at = np.flatnonzero(many)
    key = np.cumsum(np.append(True, ~same))[at]
    shift = key * (int(last.max()) + 2)  # so that the intervals of one key all lie before those of the next
    order = np.argsort(first[at] + shift, kind="stable")
    a, b = first[at[order]], last[at[order]]
    reach = np.maximum.accumulate(b + shift)
    new = np.ones(row.size, bool)
    new[at[1:]] = a[1:] + shift[1:] > reach[:-1] + 1
    first, last = first.copy(), last.copy()
    first[at], last[at] = a, b
    start = np.flatnonzero(new)
    return group[start], row[start], first[start], np.maximum.reduceat(last, start)


def _shared(part: Indices, row: Indices, first: Indices, last: Indices) -> tuple[Indices, Indices, Indices]:
    """Row, first and last column of what the path before a cut and the stretch after it touch within pass_gap_m.

    The intervals are in order of row, then cut, then part.
    """
    near = part >= 0
    part, row, first, last = part[near], row[near], first[near], last[near]
    cut, part = np.divmod(part, 2 * SLICES)
    place = (row * (int(cut.max(initial=0)) + 1) + cut) * SLICES
    after, before = np.flatnonzero(part >= SLICES), np.flatnonzero(part < SLICES)
    # Slices i before and j after the cut are within pass_gap_m of path when i + j < SLICES - 1.
    reach = 2 * SLICES - 1 - part[after]
    low, high = (np.searchsorted((place + part)[before], place[after] + most) for most in (0, reach))
    b = before[ranges(low, high - low)]
    a = np.repeat(after, high - low)
    begin, end = np.maximum(first[a], first[b]), np.minimum(last[a], last[b])
    meet = begin <= end
    a = a[meet]
    return _merge(cut[a], row[a], begin[meet], end[meet])[1:]


def _add_up(
    row: Indices,
    first: Indices,
    last: Indices,
    group: Indices,
    weight: NDArray[np.int32],
    sums: Counts | NDArray[np.uint16] | NDArray[np.int32],
) -> None:
    """Add each group's weight over its intervals, in place; ``sums`` (rows, cols + 1) has one spare column."""
    value, start, flat = weight[group].astype(sums.dtype), row * sums.shape[1], sums.reshape(-1)
    np.add.at(flat, start + first, value)
    np.subtract.at(flat, start + last + 1, value)
    np.cumsum(sums, axis=1, dtype=sums.dtype, out=sums)


def cover_discs(x_m: Floats, y_m: Floats, radius_m: Floats, grid: Grid) -> NDArray[np.bool_]:
    """Tell which cells have their centre within any of many discs, each with a radius of its own.

    Returns bool (rows, cols).
    """
    discs = Pieces(np.stack([x_m, y_m, x_m, y_m]), np.arange(x_m.size), int(x_m.size), NO_INDICES, NO_INDICES)
    return _covered(discs, radius_m, grid)
