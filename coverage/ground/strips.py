"""Missed ground as pieces one can walk: strips of at most 15 m, and open ground, each with its size and outline."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from fieldcomb.coverage.ground.missed import EDGE, OPEN, OPEN_SWATHS, STRIP, Kinds, Mask, distances, tell_kinds
from fieldcomb.coverage.ground.shapes import Strip
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.recording import Floats

Labels = NDArray[np.int32]
Index = NDArray[np.int64]

LEAST_M2 = 0.5
LONGEST_M = 15.0
NODE_M = 0.5  # cells are put together into nodes of about this size to measure along a strip
BENT = 1.15  # times the distance of its ends: a way over nodes is up to 1.08 times as long as it is
AT_ONCE = 500_000  # cells worked on at once: a large site may be missed nearly whole
OPEN_CELLS = 300_000  # open ground is wide, so its length is measured on so many cells of the site at most
REACH_CELLS = 3_000_000  # and its width on so many


def find_strips(missed: Mask, inside: Mask, grid: Grid, swath_m: float, frame: SiteFrame) -> tuple[Strip, ...]:
    """Find the pieces of missed ground of 0.5 m2 or more, largest first; arguments as in ``missed.tell_kinds``."""
    kinds = tell_kinds(missed, inside, grid, swath_m)
    labels, thin = _pieces(kinds, swath_m)
    area = _areas(labels, missed, grid, kinds.grid)
    keep = np.flatnonzero(area >= LEAST_M2 - 1e-9)
    order = keep[np.argsort(-area[keep], kind="stable")]
    number = np.zeros(area.size, np.int32)
    number[order] = np.arange(1, order.size + 1)
    for part in _row_blocks(labels.shape):
        labels[part] = number[labels[part]]
    shapes = _outlines(labels, kinds.grid, order.size)
    sizes = _Sizes.of(labels, kinds, order > thin)
    return tuple(
        _strip(k + 1, float(area[order[k]]), sizes, shapes[k], kinds.grid.cell_m, frame) for k in range(order.size)
    )


def _strip(
    number: int, area_m2: float, sizes: _Sizes, shape: Polygon | MultiPolygon, cell_m: float, frame: SiteFrame
) -> Strip:
    k = number - 1
    widest = 2 * float(sizes.reach_m[k]) - cell_m
    # A piece that forks is as long as all its branches together: on the whole it cannot be wider than at its widest,
    # which is known to one cell.
    length = max(float(sizes.length_m[k]), area_m2 / (widest + cell_m))
    width = area_m2 / length
    at = shape.representative_point()
    lon, lat = frame.to_lonlat([at.x], [at.y])
    return Strip(
        id=number,
        kind="open" if sizes.is_open[k] else "strip",
        area_m2=area_m2,
        length_m=length,
        width_m=width,
        widest_m=widest,
        bearing_deg=float(sizes.bearing_deg[k]) if length >= 2 * width else None,
        centre=(float(lon[0]), float(lat[0])),
        shape=shape,
    )


def _pieces(kinds: Kinds, swath_m: float) -> tuple[Labels, int]:
    """Number the pieces: connected ground of one kind, along sides; strips are cut to length, open ground is not.

    Returns their labels, and how many of them are strips; open ground has higher numbers.
    """
    labels = np.zeros(kinds.kind.shape, np.int32)
    highest = _label(kinds.kind == STRIP, labels, 0, 1)
    highest = _label(kinds.kind == EDGE, labels, highest, 1)
    _label(kinds.kind == OPEN, labels, 0, -1)  # negative for the time being
    _join_stubs(labels, highest, OPEN_SWATHS / 2 * swath_m / kinds.grid.cell_m)
    thin = _cut_along(labels, kinds.grid) if highest else 0
    for part in _row_blocks(labels.shape):
        here = labels[part]
        np.subtract(thin, here, out=here, where=here < 0)
    return labels, thin


def _label(mask: Mask, labels: Labels, highest: int, sign: int) -> int:
    """Number the connected parts of a mask from ``highest`` + 1 on, into ``labels``; give the highest number."""
    from scipy.ndimage import label

    found, count = label(mask)
    for part in _row_blocks(labels.shape):
        labels[part] += np.where(mask[part], sign * (found[part] + highest), 0).astype(np.int32)
    return highest + int(count)


def _join_stubs(labels: Labels, count: int, most_cells: float) -> None:
    """Give strips that are no longer than half of open ground's least width to the piece that they touch most.

    Such are the end of a strip where it meets the edge of the site, and the corners of open ground, into which no disc
    fits; nobody walks them by themselves.
    """
    from scipy.ndimage import find_objects

    boxes = find_objects(labels, count)
    stub = np.array([box is not None and max(s.stop - s.start for s in box) <= most_cells for box in boxes], bool)
    one, other, sides = _contacts(labels)
    is_stub = np.append(False, stub)
    joins = is_stub[np.maximum(one, 0)] & ~is_stub[np.maximum(other, 0)]
    one, other, sides = one[joins], other[joins], sides[joins]
    order = np.lexsort((other, -sides, one))
    first = order[np.unique(one[order], return_index=True)[1]]
    lowest = int(labels.min(initial=0))
    to = np.arange(lowest, count + 1, dtype=np.int32)
    to[one[first] - lowest] = other[first]
    for part in _row_blocks(labels.shape):
        labels[part] = to[labels[part] - lowest]


def _contacts(labels: Labels) -> tuple[Index, Index, Index]:
    """Pairs of labels that touch, either way round, and along how many sides of cells."""
    found = [np.zeros((2, 0), np.int64)]
    for part in _row_blocks(labels.shape):
        here, below = labels[part], labels[part.start : part.stop + 1]
        for one, other in ((here[:, :-1], here[:, 1:]), (below[:-1], below[1:])):
            touch = (one != other) & (one != 0) & (other != 0)
            found.append(np.stack([one[touch], other[touch]]).astype(np.int64))
    pairs = np.concatenate(found, axis=1)
    (one, other), sides = np.unique(np.concatenate([pairs, pairs[::-1]], axis=1), axis=1, return_counts=True)
    return one, other, sides


def _row_blocks(shape: tuple[int, ...], per: int = 1) -> Iterator[slice]:
    """Rows in blocks of about AT_ONCE cells, each a multiple of ``per`` rows."""
    step = per * max(1, AT_ONCE // (per * max(1, shape[1])))
    for start in range(0, shape[0], step):
        yield slice(start, start + step)


def _cells(labels: Labels, per: int = 1) -> Iterator[tuple[Index, Index, Index, Index]]:
    """Label, row, column and flat index of every cell with a label of 1 or more, some rows at a time."""
    for part in _row_blocks(labels.shape, per):
        here = labels[part].ravel()
        at = np.flatnonzero(here > 0)
        row, col = np.divmod(at, labels.shape[1])
        yield here[at].astype(np.int64), row + part.start, col, at + part.start * labels.shape[1]


@dataclass(frozen=True, slots=True, eq=False)
class _Nodes:
    """Cells of one label within one block of about 0.5 m, as one node at their middle.

    per : side of a block in cells. key : label and block of each node, rising. x, y : metres. label : of each node.
    a, b, step_m : neighbouring nodes of one label and how far they are apart.
    """

    per: int
    key: Index
    x: Floats
    y: Floats
    label: Index
    a: Index
    b: Index
    step_m: Floats

    @staticmethod
    def of(labels: Labels, grid: Grid) -> _Nodes:
        """Make the nodes of all labelled cells."""
        per = max(1, round(NODE_M / grid.cell_m))
        across, blocks = _blocks(labels, per)
        found = []
        for label, row, col, _ in _cells(labels, per):
            key, node, count = np.unique(_key(label, row, col, per, labels), return_inverse=True, return_counts=True)
            x, y = (np.bincount(node, weights=v, minlength=key.size) / count for v in (col, row))
            found.append((key, (grid.west + x + 0.5) * grid.cell_m, (grid.north - y - 0.5) * grid.cell_m))
        key, x, y = (np.concatenate(every) for every in zip(*found, strict=True))
        order = np.argsort(key)
        key, x, y = key[order], x[order], y[order]
        pairs = [_neighbours(key, step) for step in (1, across - 1, across, across + 1)]
        a, b = (np.concatenate(side) for side in zip(*pairs, strict=True))
        return _Nodes(per, key, x, y, key // blocks, a, b, np.hypot(x[a] - x[b], y[a] - y[b]))

    def write(self, value: NDArray[np.int32], labels: Labels) -> None:
        """Give every labelled cell the value of its node instead."""
        flat = labels.reshape(-1)
        for label, row, col, at in _cells(labels, self.per):
            flat[at] = value[np.searchsorted(self.key, _key(label, row, col, self.per, labels))]

    def far(self, source: Index, part: Index) -> Floats:
        """Shortest way in metres from the nearest source within each part; infinite where none leads."""
        from scipy.sparse import coo_array
        from scipy.sparse.csgraph import dijkstra

        same = part[self.a] == part[self.b]
        n = self.x.size
        graph = coo_array((np.maximum(self.step_m[same], 1e-6), (self.a[same], self.b[same])), shape=(n, n)).tocsr()
        return np.asarray(dijkstra(graph, directed=False, indices=source, min_only=True))

    def along(self, part: Index) -> tuple[Floats, Floats, Floats]:
        """Measure parts 0, 1, ... of the nodes along their longest way, which begins far from an arbitrary node.

        Returns the way of each node from there; and by part the whole way, and the distance of its two ends as the
        crow flies. Half a node is added to both at either end.
        """
        ways = self.far(_first_of(part), part)
        ways[~np.isfinite(ways)] = 0.0
        start = _highest_of(part, ways)
        ways = self.far(start, part)
        ways[~np.isfinite(ways)] = 0.0
        end = _highest_of(part, ways)
        whole, crow = np.zeros(int(part.max(initial=0)) + 1), np.zeros(int(part.max(initial=0)) + 1)
        whole[part[end]] = ways[end] + NODE_M
        crow[part[end]] = np.hypot(self.x[end] - self.x[start], self.y[end] - self.y[start]) + NODE_M
        return ways, whole, crow

    def connected(self, part: Index) -> Index:
        """Number the connected pieces of parts."""
        from scipy.sparse import coo_array
        from scipy.sparse.csgraph import connected_components

        same = part[self.a] == part[self.b]
        n = self.x.size
        graph = coo_array((np.ones(int(same.sum()), bool), (self.a[same], self.b[same])), shape=(n, n))
        return np.asarray(connected_components(graph.tocsr(), directed=False)[1], np.int64)


def _blocks(labels: Labels, per: int) -> tuple[int, int]:
    """Blocks in a row, and blocks in all, with a rim of empty ones."""
    rows, cols = labels.shape
    across = cols // per + 3
    return across, (rows // per + 3) * across


def _key(label: Index, row: Index, col: Index, per: int, labels: Labels) -> Index:
    across, blocks = _blocks(labels, per)
    return np.asarray(label * blocks + (row // per + 1) * across + col // per + 1)


def _neighbours(keys: Index, step: int) -> tuple[Index, Index]:
    at = np.searchsorted(keys, keys + step)
    at[at == keys.size] = 0
    hit = np.flatnonzero(keys[at] == keys + step)
    return hit, at[hit]


def _first_of(part: Index) -> Index:
    return np.asarray(np.unique(part, return_index=True)[1], np.int64)


def _highest_of(part: Index, value: Floats) -> Index:
    order = np.lexsort((value, part))
    last = np.append(np.flatnonzero(np.diff(part[order])), part.size - 1)
    return np.asarray(order[last], np.int64)


def _cut_along(labels: Labels, grid: Grid) -> int:
    """Cut strips longer than 15 m in place into even pieces of at most so much way; give the number of pieces.

    A strip round the whole site has no end: the piece where the way begins runs on to both sides, and is cut again.
    """
    nodes = _Nodes.of(labels, grid)
    piece = nodes.connected(nodes.label)
    while piece.size:
        ways, whole, crow = nodes.along(piece)
        length = np.where(whole > BENT * crow, whole, crow)
        pieces = np.where(length > LONGEST_M, np.ceil(whole / LONGEST_M), 1).astype(np.int64)
        if pieces.max() == 1:
            break
        share = np.minimum((ways / whole[piece] * pieces[piece]).astype(np.int64), pieces[piece] - 1)
        piece = nodes.connected(piece * int(pieces.max()) + share)
    nodes.write((piece + 1).astype(np.int32), labels)
    return int(piece.max(initial=-1)) + 1


def _areas(labels: Labels, missed: Mask, grid: Grid, coarse: Grid) -> Floats:
    """Area of each label, counted on the raster's own cells."""
    k = round(coarse.cell_m / grid.cell_m)
    top, left = coarse.north * k - grid.north, grid.west - coarse.west * k
    rows = (np.arange(grid.rows) + top) // k
    cols = (np.arange(grid.cols) + left) // k
    count = np.zeros(int(labels.max(initial=0)) + 1, np.int64)
    for part in _row_blocks((grid.rows, grid.cols)):
        here = labels[rows[part][:, None], cols][missed[part]]
        count += np.bincount(here, minlength=count.size)
    count[0] = 0
    return np.asarray(count * grid.cell_m2)


def _outlines(labels: Labels, grid: Grid, count: int) -> list[Polygon | MultiPolygon]:
    """Outline of each label 1 .. count; corners of single cells are smoothed away."""
    from rasterio.features import shapes

    parts: list[list[Polygon]] = [[] for _ in range(count)]
    for geometry, value in shapes(labels, mask=labels > 0, transform=grid.transform):
        parts[int(value) - 1].append(shapely.geometry.shape(geometry))
    outlines = []
    for polygons in parts:
        whole = polygons[0] if len(polygons) == 1 else shapely.union_all(polygons)
        simple = whole.simplify(0.75 * grid.cell_m)
        outlines.append(whole if simple.is_empty or not simple.is_valid else simple)
    return outlines


@dataclass(frozen=True, slots=True, eq=False)
class _Sizes:
    """Per piece, numbered from 0: length and bearing of its centre line, and its farthest cell from a rim."""

    length_m: Floats
    bearing_deg: Floats
    is_open: Mask
    reach_m: Floats

    @staticmethod
    def of(labels: Labels, kinds: Kinds, is_open: Mask) -> _Sizes:
        """Measure the pieces."""
        reach = np.zeros(is_open.size)
        for label, _, _, at in _cells(labels):
            np.maximum.at(reach, label - 1, kinds.reach_cm.ravel()[at] / 100)
        if not kinds.whole:
            _widest_of_open(labels, kinds.grid, is_open, reach)
        straight, turn = _straight(labels, kinds.grid.cell_m, is_open.size)
        way, crow = _ways(labels, kinds.grid, is_open)
        bent = way > BENT * crow  # a bent strip is as long as its way, a straight one as its reach end to end
        return _Sizes(np.where(bent, way, straight), np.degrees(np.pi / 2 - turn) % 180, is_open, reach)


def _straight(labels: Labels, cell_m: float, count: int) -> tuple[Floats, Floats]:
    """Reach of each piece from end to end, and where its long axis points, from east, anticlockwise."""
    n, x0, y0 = np.zeros(count), np.zeros(count), np.zeros(count)
    for label, row, col, _ in _cells(labels):
        for total, value in ((n, np.ones(col.size)), (x0, col), (y0, -row)):
            total += np.bincount(label - 1, weights=value, minlength=count)
    x0, y0 = x0 / n, y0 / n
    xx, yy, xy = np.zeros(count), np.zeros(count), np.zeros(count)
    for label, row, col, _ in _cells(labels):
        k = label - 1
        x, y = col - x0[k], -row - y0[k]
        for total, value in ((xx, x * x), (yy, y * y), (xy, x * y)):
            total += np.bincount(k, weights=value, minlength=count)
    turn = 0.5 * np.arctan2(2 * xy, xx - yy)
    high, low = np.full(count, -np.inf), np.full(count, np.inf)
    for label, row, col, _ in _cells(labels):
        k = label - 1
        ahead = (col - x0[k]) * np.cos(turn)[k] + (-row - y0[k]) * np.sin(turn)[k]
        np.maximum.at(high, k, ahead)
        np.minimum.at(low, k, ahead)
    return (high - low + 1) * cell_m, turn


def _ways(labels: Labels, grid: Grid, is_open: Mask) -> tuple[Floats, Floats]:
    """Length from end to end of each piece along its nodes, and as the crow flies between the same two ends.

    Of open ground on a site of many cells only every k-th cell is looked at.
    """
    way, crow = np.zeros(is_open.size), np.zeros(is_open.size)
    k = max(1, int(np.ceil(np.sqrt(labels.size / OPEN_CELLS))))
    for wanted, step in ((~is_open, 1), (is_open, k)):
        some = labels[::step, ::step]
        some = np.where(np.append(False, wanted)[some], some, 0)
        if some.any():
            nodes = _Nodes.of(some, Grid(grid.cell_m * step, 0, 0, *some.shape))
            _, whole, beeline = nodes.along(nodes.label)
            way[: whole.size - 1] += whole[1:]
            crow[: whole.size - 1] += beeline[1:]
    return way, crow


def _widest_of_open(labels: Labels, grid: Grid, is_open: Mask, reach_m: Floats) -> None:
    """Measure open ground again over the whole site, on cells large enough for that to fit in memory."""
    k = max(1, int(np.ceil(np.sqrt(labels.size / REACH_CELLS))))
    small = labels[::k, ::k]
    ground = np.append(False, is_open)[small]
    away = distances(np.pad(ground, 1))[1:-1, 1:-1] * grid.cell_m * k
    piece = small[ground] - 1
    far = np.zeros(reach_m.size)
    np.maximum.at(far, piece, away[ground])
    reach_m[far > 0] = far[far > 0]
