"""Missed ground as pieces one can walk: strips of at most 15 m, and open ground, each with its size and outline."""

from __future__ import annotations

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

LEAST_M2 = 0.5
LONGEST_M = 15.0
NODE_M = 0.5  # cells are put together into nodes of about this size to measure along a strip


def find_strips(missed: Mask, inside: Mask, grid: Grid, swath_m: float, frame: SiteFrame) -> tuple[Strip, ...]:
    """Find the pieces of missed ground of 0.5 m2 or more, largest first; arguments as in ``missed.tell_kinds``."""
    kinds = tell_kinds(missed, inside, grid, swath_m)
    labels = _label(kinds)
    if labels.max(initial=0) == 0:
        return ()
    labels = _cut_along(labels, kinds)
    area = _areas(labels, missed, grid, kinds.grid)
    keep = np.flatnonzero(area >= LEAST_M2 - 1e-9)
    order = keep[np.argsort(-area[keep], kind="stable")]
    number = np.zeros(area.size, np.int32)
    number[order] = np.arange(1, order.size + 1)
    labels = number[labels]
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


def _label(kinds: Kinds) -> Labels:
    """Number the connected pieces of each kind; pieces touch along sides."""
    from scipy.ndimage import label

    labels = np.zeros(kinds.kind.shape, np.int32)
    highest = 0
    for kind in (STRIP, EDGE, OPEN):
        found, count = label(kinds.kind == kind)
        found[found > 0] += highest
        labels += found
        highest += count
    return labels


@dataclass(frozen=True, slots=True, eq=False)
class _Nodes:
    """Cells of one label within one block of about 0.5 m, as one node at their middle.

    cell : flat index of every labelled cell. node : its node. x, y : metres. label : of each node.
    a, b, step_m : neighbouring nodes of one label and how far they are apart.
    """

    cell: NDArray[np.int64]
    node: NDArray[np.int64]
    x: Floats
    y: Floats
    label: NDArray[np.int64]
    a: NDArray[np.int64]
    b: NDArray[np.int64]
    step_m: Floats

    @staticmethod
    def of(labels: Labels, grid: Grid) -> _Nodes:
        per = max(1, round(NODE_M / grid.cell_m))
        cell = np.flatnonzero(labels)
        row, col = np.divmod(cell, grid.cols)
        across = grid.cols // per + 3
        blocks = (grid.rows // per + 3) * across
        key = labels.ravel()[cell].astype(np.int64) * blocks + (row // per + 1) * across + col // per + 1
        keys, node = np.unique(key, return_inverse=True)
        count = np.bincount(node)
        x = grid.west * grid.cell_m + (np.bincount(node, weights=col) / count + 0.5) * grid.cell_m
        y = grid.north * grid.cell_m - (np.bincount(node, weights=row) / count + 0.5) * grid.cell_m
        pairs = [_neighbours(keys, step) for step in (1, across - 1, across, across + 1)]
        a, b = (np.concatenate(side) for side in zip(*pairs, strict=True))
        return _Nodes(cell, node, x, y, keys // blocks, a, b, np.hypot(x[a] - x[b], y[a] - y[b]))

    def far(self, source: NDArray[np.int64], part: NDArray[np.int64]) -> Floats:
        """Shortest way in metres from the nearest source within each part; infinite where none leads."""
        from scipy.sparse import coo_array
        from scipy.sparse.csgraph import dijkstra

        same = part[self.a] == part[self.b]
        n = self.x.size
        graph = coo_array((np.maximum(self.step_m[same], 1e-6), (self.a[same], self.b[same])), shape=(n, n)).tocsr()
        return np.asarray(dijkstra(graph, directed=False, indices=source, min_only=True))

    def along(self, part: NDArray[np.int64]) -> Floats:
        """Way of each node from one end of its part, that end being the node farthest from an arbitrary one."""
        first = _first_of(part)
        ways = self.far(first, part)
        ways[~np.isfinite(ways)] = 0.0
        return self.far(_highest_of(part, ways), part)


def _neighbours(keys: NDArray[np.int64], step: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    at = np.searchsorted(keys, keys + step)
    at[at == keys.size] = 0
    hit = np.flatnonzero(keys[at] == keys + step)
    return hit, at[hit]


def _first_of(part: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.asarray(np.unique(part, return_index=True)[1], np.int64)


def _highest_of(part: NDArray[np.int64], value: Floats) -> NDArray[np.int64]:
    order = np.lexsort((value, part))
    last = np.append(np.flatnonzero(np.diff(part[order])), part.size - 1)
    return np.asarray(order[last], np.int64)


def _cut_along(labels: Labels, kinds: Kinds) -> Labels:
    """Cut strips into even pieces of at most 15 m of way; open ground stays whole."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    nodes = _Nodes.of(labels, kinds.grid)
    way = nodes.along(nodes.label)
    way[~np.isfinite(way)] = 0.0
    longest = np.zeros(int(nodes.label.max()) + 1)
    np.maximum.at(longest, nodes.label, way + NODE_M)
    pieces = np.ceil(longest / LONGEST_M)
    is_open = np.zeros(longest.size, bool)
    is_open[labels.ravel()[nodes.cell[kinds.kind.ravel()[nodes.cell] == OPEN]]] = True
    pieces[is_open] = 1
    share = way / longest[nodes.label] * pieces[nodes.label]
    part = nodes.label * (int(pieces.max()) + 1) + np.minimum(
        share.astype(np.int64), pieces[nodes.label].astype(int) - 1
    )
    same = part[nodes.a] == part[nodes.b]
    n = nodes.x.size
    graph = coo_array((np.ones(int(same.sum()), bool), (nodes.a[same], nodes.b[same])), shape=(n, n))
    piece = connected_components(graph.tocsr(), directed=False)[1]
    out = np.zeros(labels.size, np.int32)
    out[nodes.cell] = piece[nodes.node] + 1
    return out.reshape(labels.shape)


def _areas(labels: Labels, missed: Mask, grid: Grid, coarse: Grid) -> Floats:
    """Area of each label, counted on the raster's own cells."""
    k = round(coarse.cell_m / grid.cell_m)
    top, left = coarse.north * k - grid.north, grid.west - coarse.west * k
    rows = (np.arange(grid.rows) + top) // k
    cols = (np.arange(grid.cols) + left) // k
    count = np.zeros(int(labels.max()) + 1, np.int64)
    for start in range(0, grid.rows, 512):
        part = slice(start, start + 512)
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
        grid = kinds.grid
        cell = np.flatnonzero(labels)
        piece = labels.ravel()[cell].astype(np.int64) - 1
        row, col = np.divmod(cell, grid.cols)
        x, y = col * grid.cell_m, -row * grid.cell_m
        n = np.bincount(piece, minlength=count)
        x -= (np.bincount(piece, weights=x) / n)[piece]
        y -= (np.bincount(piece, weights=y) / n)[piece]
        xx, yy, xy = (np.bincount(piece, weights=w) for w in (x * x, y * y, x * y))
        turn = 0.5 * np.arctan2(2 * xy, xx - yy)  # of the long axis, from east, anticlockwise
        across = x * np.cos(turn)[piece] + y * np.sin(turn)[piece]
        high, low = np.full(count, -np.inf), np.full(count, np.inf)
        np.maximum.at(high, piece, across)
        np.minimum.at(low, piece, across)
        straight = high - low + grid.cell_m
        reach = np.zeros(count)
        np.maximum.at(reach, piece, kinds.reach_cm.ravel()[cell] / 100)
        kind = np.zeros(count, np.uint8)
        kind[piece] = kinds.kind.ravel()[cell]
        if not kinds.whole:
            _widest_of_open(labels, grid, kind, reach)
        way = _ways(labels, grid, count)
        bent = way > 1.15 * straight  # a bent strip is as long as its way, a straight one as its reach end to end
        return _Sizes(np.where(bent, way, straight), np.degrees(np.pi / 2 - turn) % 180, kind, reach)


def _ways(labels: Labels, grid: Grid, count: int) -> Floats:
    """Way from end to end of each piece along its nodes."""
    nodes = _Nodes.of(labels, grid)
    way = nodes.along(nodes.label)
    way[~np.isfinite(way)] = 0.0
    longest = np.zeros(count + 1)
    np.maximum.at(longest, nodes.label, way + NODE_M)
    return longest[1:]


def _widest_of_open(labels: Labels, grid: Grid, kind: NDArray[np.uint8], reach_m: Floats) -> None:
    """Measure open ground again over the whole site, on cells large enough for that to fit in memory."""
    from scipy.ndimage import distance_transform_edt

    k = max(1, int(np.ceil(np.sqrt(labels.size / 3e6))))
    small = labels[::k, ::k]
    is_open = np.append(False, kind == OPEN)[small]
    away = distance_transform_edt(np.pad(is_open, 1))[1:-1, 1:-1] * grid.cell_m * k
    piece = small[is_open] - 1
    far = np.zeros(reach_m.size)
    np.maximum.at(far, piece, away[is_open])
    reach_m[far > 0] = far[far > 0]
