"""The swept-ground raster: which cells each leg passed over, and how often.

A leg swept with swath W covers every cell whose centre lies within W/2 of it. Row by row a segment covers one
interval of cells, so nothing is drawn: the intervals of a stretch are united, their ends are added to a raster of
differences, and one running sum gives exact counts. Memory is one int16 per cell of the window.

A **pass** is one visit to a piece of ground: a cell touched again counts as a new pass when the path since it was
last touched is longer than ``pass_gap_m``. Legs are cut into stretches that never come back to themselves, so a
stretch is one pass over every cell that it touches; where two stretches join end to end, the cells that both touch
within ``pass_gap_m`` of the cut are taken off once.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.grid import Grid
from fieldcomb.coverage.stretches import SLICES, Index, Pieces, ranges
from fieldcomb.tracks.legs import Leg
from fieldcomb.tracks.track import Floats

Counts = NDArray[np.int16]


def count_passes(legs: Sequence[Leg], swath_m: float, grid: Grid) -> Counts:
    """Count passes of a swath along legs over each cell of a grid.

    A cell is touched when its centre lies within ``swath_m / 2`` of a leg. Different legs are different visits.

    Returns int16 (rows, cols).
    """
    diff = np.zeros(grid.rows * (grid.cols + 1), np.int16)
    pieces = Pieces.of(legs, swath_m)
    if pieces.group.size and grid.rows and grid.cols:
        group, row, first, last = _intervals(pieces, swath_m / 2, grid)
        stretch = group < pieces.stretches
        _add(diff, grid, row[stretch], first[stretch], last[stretch], 1)
        _add(diff, grid, *_shared(group - pieces.stretches, row, first, last), -1)
    counts = diff.reshape(grid.rows, grid.cols + 1)
    np.cumsum(counts, axis=1, dtype=np.int16, out=counts)
    return counts[:, :-1]


def cover(legs: Sequence[Leg], radius_m: float | Floats, grid: Grid) -> NDArray[np.bool_]:
    """Tell which cells have their centre within a radius of any leg; for a radius per leg give an array.

    Returns bool (rows, cols).
    """
    pieces = Pieces.whole(legs)
    radius = np.broadcast_to(np.asarray(radius_m, float), (len(legs),))[pieces.group]
    return _covered(pieces, radius, grid)


def _covered(pieces: Pieces, radius_m: Floats, grid: Grid) -> NDArray[np.bool_]:
    diff = np.zeros(grid.rows * (grid.cols + 1), np.int32)
    if pieces.group.size and grid.rows and grid.cols:
        _, row, first, last = _intervals(pieces, radius_m, grid)
        _add(diff, grid, row, first, last, 1)
    counts = diff.reshape(grid.rows, grid.cols + 1)
    np.cumsum(counts, axis=1, out=counts)
    return np.asarray(counts[:, :-1] > 0)


BLOCK = 500  # segments worked on at once, so that every array of a block stays in the processor's cache


def _intervals(pieces: Pieces, radius_m: float | Floats, grid: Grid) -> tuple[Index, Index, Index, Index]:
    """Group, row, first and last column of disjoint cell intervals, in order of row, then group."""
    radius = np.broadcast_to(np.asarray(radius_m, float), pieces.group.shape)
    blocks = []
    for k in range(0, pieces.group.size, BLOCK):
        part = slice(k, k + BLOCK)
        blocks.append(_runs(pieces.group[part], *_segment_rows(pieces.ends[:, part], radius[part], grid)))
    group, row, first, last = (np.concatenate(every) for every in zip(*blocks, strict=True))
    order = _by_row(row)
    return _merge(group[order], row[order], first[order], last[order])


def _by_row(row: Index) -> Index:
    """Order by row, keeping the order within a row; 16-bit keys let numpy sort by counting."""
    small = row.size == 0 or int(row.max()) < 65536
    return np.argsort(row.astype(np.uint16) if small else row, kind="stable")


def _runs(group: Index, seg: Index, row: Index, first: Index, last: Index) -> tuple[Index, Index, Index, Index]:
    """Unite intervals of one group and row that follow one another in time and overlap or touch."""
    order = _by_row(row)
    group, row, first, last = group[seg[order]], row[order], first[order], last[order]
    if row.size == 0:
        return group, row, first, last
    new = np.empty(row.size, bool)
    new[0] = True
    same = (row[1:] == row[:-1]) & (group[1:] == group[:-1])
    np.logical_not(same & (first[1:] <= last[:-1] + 1) & (last[1:] >= first[:-1] - 1), out=new[1:])
    at = np.flatnonzero(new)
    return group[at], row[at], np.minimum.reduceat(first, at), np.maximum.reduceat(last, at)


def _segment_rows(ends: Floats, radius_m: Floats, grid: Grid) -> tuple[Index, Index, Index, Index]:
    """Every grid row that a segment's capsule meets, as segment, row, first and last column.

    In units of cells with centres on whole numbers. The left rim of a capsule at row v is that of the disc centred
    where the left offset line crosses v, held between the two ends; the right rim likewise.
    """
    cell = grid.cell_m
    left, _, _, top = grid.bounds_m
    u0, u1 = (ends[0] - left) / cell - 0.5, (ends[2] - left) / cell - 0.5
    v0, v1 = (top - ends[1]) / cell - 0.5, (top - ends[3]) / cell - 0.5
    r = radius_m / cell
    low = np.clip(np.ceil(np.minimum(v0, v1) - r), 0, grid.rows).astype(np.int64)
    high = np.clip(np.floor(np.maximum(v0, v1) + r), -1, grid.rows - 1).astype(np.int64)
    count = np.maximum(high - low + 1, 0)
    seg = np.repeat(np.arange(count.size), count)
    row = ranges(low, count)
    du, dv = u1 - u0, v1 - v0
    rise = np.where(np.abs(dv) < 1e-9, 1e-9, dv)
    offset = r * du * np.sign(rise) / np.maximum(np.hypot(du, dv), 1e-12)
    u, v, du, dv, slope, shift, rr = np.stack([u0, v0, du, dv, 1 / rise, offset / rise, r * r])[:, seg]
    v -= row
    along = v * slope
    first = np.ceil(_rim(-along - shift, u, v, du, dv, rr, -1.0))
    last = np.floor(_rim(shift - along, u, v, du, dv, rr, 1.0))
    np.maximum(first, 0, out=first)
    np.minimum(last, grid.cols - 1, out=last)
    keep = first <= last
    if not keep.all():
        seg, row, first, last = seg[keep], row[keep], first[keep], last[keep]
    return seg, row, first.astype(np.int64), last.astype(np.int64)


def _rim(t: Floats, u: Floats, v: Floats, du: Floats, dv: Floats, rr: Floats, side: float) -> Floats:
    """Column of the rim of the disc at the share ``t`` of each segment, held between 0 and 1."""
    np.minimum(np.maximum(t, 0.0, out=t), 1.0, out=t)
    height = t * dv
    height += v
    height *= height
    reach = np.subtract(rr, height, out=height)
    np.sqrt(np.maximum(reach, 0.0, out=reach), out=reach)
    t *= du
    t += u
    return np.add(t, reach, out=t) if side > 0 else np.subtract(t, reach, out=t)


def _merge(group: Index, row: Index, first: Index, last: Index) -> tuple[Index, Index, Index, Index]:
    """Unite what still overlaps among the intervals of one group and row."""
    same = (row[1:] == row[:-1]) & (group[1:] == group[:-1])
    if not same.any():
        return group, row, first, last
    many = np.zeros(row.size, bool)
    many[1:] |= same
    many[:-1] |= same
    key = np.cumsum(np.append(True, ~same))[many]
    order = np.lexsort((first[many], key))
    key, g, w, a, b = key[order], group[many][order], row[many][order], first[many][order], last[many][order]
    span = int(b.max()) + 2
    reach = np.maximum.accumulate(b + key * span)
    new = np.append(True, a[1:] + key[1:] * span > reach[:-1] + 1)
    at = np.flatnonzero(new)
    merged = (g[at], w[at], a[at], np.maximum.reduceat(b, at))
    rest = ~many
    parts = zip((group, row, first, last), merged, strict=True)
    group, row, first, last = (np.concatenate([every[rest], part]) for every, part in parts)
    return group, row, first, last


def _shared(part: Index, row: Index, first: Index, last: Index) -> tuple[Index, Index, Index]:
    """Row, first and last column of what the path before a cut and the stretch after it touch within pass_gap_m."""
    near = part >= 0
    part, row, first, last = part[near], row[near], first[near], last[near]
    cut, part = np.divmod(part, 2 * SLICES)
    key = cut * (int(row.max(initial=0)) + 1) + row
    after = np.flatnonzero(part >= SLICES)
    before = np.flatnonzero(part < SLICES)
    before = before[np.argsort(key[before], kind="stable")]
    low, high = (np.searchsorted(key[before], key[after], side=s) for s in ("left", "right"))
    b = before[ranges(low, high - low)]
    a = np.repeat(after, high - low)
    begin, end = np.maximum(first[a], first[b]), np.minimum(last[a], last[b])
    meet = (begin <= end) & (part[a] - SLICES + part[b] < SLICES - 1)
    a, begin, end = a[meet], begin[meet], end[meet]
    order = np.argsort(key[a], kind="stable")
    return _merge(cut[a[order]], row[a[order]], begin[order], end[order])[1:]


def _add(diff: NDArray[np.signedinteger], grid: Grid, row: Index, first: Index, last: Index, value: int) -> None:
    """Add a value over intervals to a flat raster of differences with one spare column."""
    start = row * (grid.cols + 1)
    np.add.at(diff, start + first, diff.dtype.type(value))
    np.add.at(diff, start + last + 1, diff.dtype.type(-value))


def cover_discs(x_m: Floats, y_m: Floats, radius_m: Floats, grid: Grid) -> NDArray[np.bool_]:
    """Tell which cells have their centre within any of many discs, each with a radius of its own.

    Returns bool (rows, cols).
    """
    discs = Pieces(np.stack([x_m, y_m, x_m, y_m]), np.arange(x_m.size), int(x_m.size))
    return _covered(discs, radius_m, grid)
