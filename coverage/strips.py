"""Missed ground as pieces one can walk: strips of at most 15 m, and open ground, each with its size and outline."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from fieldcomb.coverage.grid import Grid
from fieldcomb.coverage.missed import EDGE, OPEN, STRIP, Kinds, Mask, tell_kinds
from fieldcomb.coverage.results import Strip
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.track import Floats

Labels = NDArray[np.int32]
Index = NDArray[np.int64]

LEAST_M2 = 0.5
LONGEST_M = 15.0
NODE_M = 0.5  # cells are put together into nodes of about this size to measure along a strip
AT_ONCE = 500_000  # cells worked on at once: a large site may be missed nearly whole
OPEN_CELLS = 300_000  # open ground is wide, so its length is measured on so many cells of the site at most
REACH_CELLS = 3_000_000  # and its width on so many


def find_strips(missed: Mask, inside: Mask, grid: Grid, swath_m: float, frame: SiteFrame) -> tuple[Strip, ...]:
    """Find the pieces of missed ground of 0.5 m2 or more, largest first; arguments as in ``missed.tell_kinds``."""
    kinds = tell_kinds(missed, inside, grid, swath_m)
    labels = _pieces(kinds)
    area = _areas(labels, missed, grid, kinds.grid)
    keep = np.flatnonzero(area >= LEAST_M2 - 1e-9)
    order = keep[np.argsort(-area[keep], kind="stable")]
    number = np.zeros(area.size, np.int32)
    number[order] = np.arange(1, order.size + 1)
    for part in _row_blocks(labels.shape):
        labels[part] = number[labels[part]]
    shapes = _outlines(labels, kinds.grid, order.size)
    sizes = _Sizes.of(labels, kinds, order.size)
    return tuple(
        _strip(k + 1, float(area[order[k]]), sizes, shapes[k], kinds.grid.cell_m, frame) for k in range(order.size)
    )


def _strip(
    number: int, area_m2: float, sizes: _Sizes, shape: Polygon | MultiPolygon, cell_m: float, frame: SiteFrame
) -> Strip:
    k = number - 1
    length = float(sizes.length_m[k])
    width = area_m2 / length
    at = shape.representative_point()
    lon, lat = frame.to_lonlat([at.x], [at.y])
    return Strip(
        id=number,
        kind="open" if sizes.kind[k] == OPEN else "strip",
        area_m2=area_m2,
        length_m=length,
        width_m=width,
        widest_m=2 * float(sizes.reach_m[k]) - cell_m,
        bearing_deg=float(sizes.bearing_deg[k]) if length >= 2 * width else None,
        centre=(float(lon[0]), float(lat[0])),
        shape=shape,
    )


def _pieces(kinds: Kinds) -> Labels:
    """Number the pieces: connected ground of one kind, along sides; strips cut to length, open ground whole."""
    labels = np.zeros(kinds.kind.shape, np.int32)
    highest = 0
    for kind in (STRIP, EDGE):
        highest += _label(kinds.kind == kind, labels, highest)
    if highest:
        highest = _cut_along(labels, kinds.grid)
    _label(kinds.kind == OPEN, labels, highest)
    return labels


def _label(mask: Mask, labels: Labels, highest: int) -> int:
    """Number the connected parts of a mask from ``highest`` + 1 on, into ``labels``; give how many there are."""
    from scipy.ndimage import label

    found, count = label(mask)
    for part in _row_blocks(labels.shape):
        labels[part] += np.where(mask[part], found[part] + highest, 0).astype(np.int32)
    return int(count)


def _row_blocks(shape: tuple[int, ...], per: int = 1) -> Iterator[slice]:
    """Rows in blocks of about AT_ONCE cells, each a multiple of ``per`` rows."""
    step = per * max(1, AT_ONCE // (per * max(1, shape[1])))
    for start in range(0, shape[0], step):
        yield slice(start, start + step)


def _cells(labels: Labels, per: int = 1) -> Iterator[tuple[Index, Index, Index, Index]]:
    """Label, row, column and flat index of every labelled cell, some rows at a time."""
    for part in _row_blocks(labels.shape, per):
        here = labels[part].ravel()
        at = np.flatnonzero(here)
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

    def along(self) -> Floats:
        """Way of each node from one end of its label, that end being the node farthest from an arbitrary one."""
        ways = self.far(_first_of(self.label), self.label)
        ways[~np.isfinite(ways)] = 0.0
        ways = self.far(_highest_of(self.label, ways), self.label)
        ways[~np.isfinite(ways)] = 0.0
        return ways

    def longest(self, way: Floats, count: int) -> Floats:
        """Longest way within each label 0 .. count, half a node added at either end."""
        longest = np.zeros(count + 1)
        np.maximum.at(longest, self.label, way + NODE_M)
        return longest


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
    """Cut strips in place into even pieces of at most 15 m of way; give the number of pieces."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    nodes = _Nodes.of(labels, grid)
    way = nodes.along()
    longest = nodes.longest(way, int(nodes.label[-1]))
    pieces = np.ceil(longest / LONGEST_M).astype(np.int64)
    share = (way / longest[nodes.label] * pieces[nodes.label]).astype(np.int64)
    part = nodes.label * (int(pieces.max()) + 1) + np.minimum(share, pieces[nodes.label] - 1)
    same = part[nodes.a] == part[nodes.b]
    n = nodes.x.size
    graph = coo_array((np.ones(int(same.sum()), bool), (nodes.a[same], nodes.b[same])), shape=(n, n))
    count, piece = connected_components(graph.tocsr(), directed=False)
    nodes.write(piece + 1, labels)
    return int(count)


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
    """Per piece, numbered from 0: length and bearing of its centre line, its kind, and its farthest cell from a rim."""

    length_m: Floats
    bearing_deg: Floats
    kind: NDArray[np.uint8]
    reach_m: Floats

    @staticmethod
    def of(labels: Labels, kinds: Kinds, count: int) -> _Sizes:
        """Measure the pieces."""
        kind, reach = np.zeros(count, np.uint8), np.zeros(count)
        for label, _, _, at in _cells(labels):
            kind[label - 1] = kinds.kind.ravel()[at]
            np.maximum.at(reach, label - 1, kinds.reach_cm.ravel()[at] / 100)
        is_open = kind == OPEN
        if not kinds.whole:
            _widest_of_open(labels, kinds.grid, is_open, reach)
        straight, turn = _straight(labels, kinds.grid.cell_m, count)
        way = _ways(labels, kinds.grid, is_open)
        bent = way > 1.15 * straight  # a bent strip is as long as its way, a straight one as its reach end to end
        return _Sizes(np.where(bent, way, straight), np.degrees(np.pi / 2 - turn) % 180, kind, reach)


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


def _ways(labels: Labels, grid: Grid, is_open: Mask) -> Floats:
    """Way from end to end of each piece along its nodes; of open ground on a site of many cells along every k-th."""
    way = np.zeros(is_open.size + 1)
    k = max(1, int(np.ceil(np.sqrt(labels.size / OPEN_CELLS))))
    for wanted, step in ((~is_open, 1), (is_open, k)):
        some = labels[::step, ::step]
        some = np.where(np.append(False, wanted)[some], some, 0)
        if some.any():
            nodes = _Nodes.of(some, Grid(grid.cell_m * step, 0, 0, *some.shape))
            np.maximum(way, nodes.longest(nodes.along(), is_open.size), out=way)
    return way[1:]


def _widest_of_open(labels: Labels, grid: Grid, is_open: Mask, reach_m: Floats) -> None:
    """Measure open ground again over the whole site, on cells large enough for that to fit in memory."""
    from scipy.ndimage import distance_transform_edt

    k = max(1, int(np.ceil(np.sqrt(labels.size / REACH_CELLS))))
    small = labels[::k, ::k]
    ground = np.append(False, is_open)[small]
    away = distance_transform_edt(np.pad(ground, 1))[1:-1, 1:-1] * grid.cell_m * k
    piece = small[ground] - 1
    far = np.zeros(reach_m.size)
    np.maximum.at(far, piece, away[ground])
    reach_m[far > 0] = far[far > 0]
