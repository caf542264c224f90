"""How long, how wide and which way pieces of missed ground run, measured over nodes of about half a metre."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.ground.distances import distances
from fieldcomb.coverage.ground.missed import MissedKinds
from fieldcomb.coverage.raster.cells import Indices, Mask
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

Labels = NDArray[np.int32]  # (rows, cols), the number of the piece that a cell belongs to; 0 of none

NODE_M = 0.5  # cells are put together into nodes of about this size to measure along a strip
BENT = 1.15  # times the distance of its ends: a way over nodes is up to 1.08 times as long as it is
LABELS_AT_ONCE = 500_000  # a large site may be missed nearly whole
OPEN_CELLS = 300_000  # open ground is wide, so its length is measured on at most this many cells of the site
REACH_CELLS = 3_000_000  # and its width on at most this many


def row_blocks(shape: tuple[int, ...], per: int = 1) -> Iterator[slice]:
    """Rows in blocks of about LABELS_AT_ONCE cells, each a multiple of ``per`` rows."""
    step = per * max(1, LABELS_AT_ONCE // (per * max(1, shape[1])))
    for start in range(0, shape[0], step):
        yield slice(start, start + step)


def labelled_cells(labels: Labels, per: int = 1) -> Iterator[tuple[Indices, Indices, Indices, Indices]]:
    """Label, row, column and flat index of every cell with a label of 1 or more, some rows at a time."""
    for part in row_blocks(labels.shape, per):
        here = labels[part].ravel()
        at = np.flatnonzero(here > 0)
        row, col = np.divmod(at, labels.shape[1])
        yield here[at].astype(np.int64), row + part.start, col, at + part.start * labels.shape[1]


def labelled_runs(labels: Labels | NDArray[np.uint8]) -> Iterator[tuple[Indices, Indices, Indices, Indices, Indices]]:
    """Label, row, first and last column of every run of cells of one label in a row, some rows at a time.

    Runs of label 0 are among them; the last array has the flat index of the first cell of each in its block of rows.
    """
    for part in row_blocks(labels.shape):
        here = labels[part]
        new = np.ones(here.shape, bool)
        np.not_equal(here[:, 1:], here[:, :-1], out=new[:, 1:])
        at = np.flatnonzero(new)
        row, first = np.divmod(at, labels.shape[1])
        last = first + np.diff(np.append(at, here.size)) - 1
        yield here.ravel()[at].astype(np.int64), row + part.start, first, last, at


@dataclass(frozen=True, slots=True, eq=False)
class Nodes:
    """Cells of one label within one block of about 0.5 m, as one node at their middle.

    per : side of a block in cells. key : label and block of each node, rising. x, y : metres. label : of each node.
    a, b, step_m : neighbouring nodes of one label and how far they are apart.
    """

    per: int
    key: Indices
    x: Floats
    y: Floats
    label: Indices
    a: Indices
    b: Indices
    step_m: Floats

    @staticmethod
    def of(labels: Labels, grid: Grid) -> Nodes:
        """Make the nodes of all labelled cells."""
        per = max(1, round(NODE_M / grid.cell_m))
        across, blocks = _blocks(labels, per)
        found = [part for some in row_blocks(labels.shape, per) for part in _nodes(labels, some, per)]
        key, x, y = (np.concatenate(every) for every in zip(*found, strict=True))
        x, y = (grid.west + x + 0.5) * grid.cell_m, (grid.north - y - 0.5) * grid.cell_m
        order = np.argsort(key)
        key, x, y = key[order], x[order], y[order]
        pairs = [_neighbours(key, step) for step in (1, across - 1, across, across + 1)]
        a, b = (np.concatenate(side) for side in zip(*pairs, strict=True))
        return Nodes(per, key, x, y, key // blocks, a, b, np.hypot(x[a] - x[b], y[a] - y[b]))

    def write(self, value: NDArray[np.int32], labels: Labels) -> None:
        """Set every labelled cell to the value of its node."""
        flat = labels.reshape(-1)
        for label, row, col, at in labelled_cells(labels, self.per):
            flat[at] = value[np.searchsorted(self.key, _key(label, row, col, self.per, labels))]

    def far(self, source: Indices, part: Indices) -> Floats:
        """Shortest way in metres from the nearest source within each part; infinite where none leads."""
        from scipy.sparse import coo_array
        from scipy.sparse.csgraph import dijkstra

        same = part[self.a] == part[self.b]
        n = self.x.size
        graph = coo_array((np.maximum(self.step_m[same], 1e-6), (self.a[same], self.b[same])), shape=(n, n)).tocsr()
        return np.asarray(dijkstra(graph, directed=False, indices=source, min_only=True))

    def along(self, part: Indices) -> tuple[Floats, Floats, Floats]:
        """Measure parts 0, 1, ... of the nodes along their longest way, which begins far from an arbitrary node.

        Returns the way of each node from there; and by part the whole way, and the distance of its two ends as the
        crow flies. Half a node is added to both at either end.
        """
        ways = self.far(np.unique(part, return_index=True)[1], part)
        ways[~np.isfinite(ways)] = 0.0
        start = _highest_of(part, ways)
        ways = self.far(start, part)
        ways[~np.isfinite(ways)] = 0.0
        end = _highest_of(part, ways)
        whole, crow = np.zeros(int(part.max(initial=0)) + 1), np.zeros(int(part.max(initial=0)) + 1)
        whole[part[end]] = ways[end] + NODE_M
        crow[part[end]] = np.hypot(self.x[end] - self.x[start], self.y[end] - self.y[start]) + NODE_M
        return ways, whole, crow

    def connected(self, part: Indices) -> Indices:
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


def _key(label: Indices, row: Indices, col: Indices, per: int, labels: Labels) -> Indices:
    across, blocks = _blocks(labels, per)
    return np.asarray(label * blocks + (row // per + 1) * across + col // per + 1)


def _nodes(labels: Labels, rows: slice, per: int) -> Iterator[tuple[Indices, Floats, Floats]]:
    """Key of every node in some rows of blocks, and its middle in columns and rows.

    Blocks within a piece come first and need no sorting, then those where pieces meet or end.
    """
    here = labels[rows]
    down, right = -len(here) % per, -here.shape[1] % per
    cells = np.pad(here, ((0, down), (0, right))) if down or right else here
    cells = cells.reshape(len(cells) // per, per, cells.shape[1] // per, per)
    first = cells[:, 0, :, 0]
    whole = first > 0
    for r in range(per):
        for c in range(per):
            whole &= cells[:, r, :, c] == first
    row, col = (at * per for at in np.nonzero(whole))
    label = first[whole].astype(np.int64)
    row += rows.start
    middle = (per - 1) / 2
    yield _key(label, row, col, per, labels), (col + middle).astype(float), (row + middle).astype(float)
    mixed = (here > 0) & ~np.repeat(np.repeat(whole, per, axis=0), per, axis=1)[: len(here), : here.shape[1]]
    row, col = np.nonzero(mixed)
    key = _key(here[mixed].astype(np.int64), row + rows.start, col, per, labels)
    key, node, count = np.unique(key, return_inverse=True, return_counts=True)
    x, y = (np.bincount(node, weights=v, minlength=key.size) / count for v in (col, row + rows.start))
    yield key, np.asarray(x, float), np.asarray(y, float)


def _neighbours(keys: Indices, step: int) -> tuple[Indices, Indices]:
    at = np.searchsorted(keys, keys + step)
    at[at == keys.size] = 0
    hit = np.flatnonzero(keys[at] == keys + step)
    return hit, at[hit]


def _highest_of(part: Indices, value: Floats) -> Indices:
    order = np.lexsort((value, part))
    last = np.append(np.flatnonzero(np.diff(part[order])), part.size - 1)
    return np.asarray(order[last], np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class Sizes:
    """Per piece, numbered from 0: length and bearing of its centre line, and its farthest cell from a rim."""

    length_m: Floats
    bearing_deg: Floats
    is_open: Mask
    reach_m: Floats

    @staticmethod
    def of(labels: Labels, kinds: MissedKinds, is_open: Mask) -> Sizes:
        """Measure the pieces; the labels are used up."""
        reach = np.zeros(is_open.size + 1)
        for part, (label, *_, at) in zip(row_blocks(labels.shape), labelled_runs(labels), strict=True):
            np.maximum.at(reach, label, np.maximum.reduceat(kinds.reach_cm[part].ravel(), at) / 100)
        reach = reach[1:]
        _widest_of_open(labels, kinds.grid, is_open, reach)
        straight, turn = _straight(labels, kinds.grid.cell_m, is_open.size)
        way, crow = _ways(labels, kinds.grid, is_open)
        bent = way > BENT * crow  # a bent strip is as long as its way, a straight one as its reach end to end
        return Sizes(np.where(bent, way, straight), np.degrees(np.pi / 2 - turn) % 180, is_open, reach)


def _straight(labels: Labels, cell_m: float, count: int) -> tuple[Floats, Floats]:
    """Reach of each piece from end to end, and where its long axis points, from east, anticlockwise."""
    n, x0, y0 = np.zeros(count), np.zeros(count), np.zeros(count)
    for k, x, y, long in _piece_runs(labels):
        for total, value in ((n, long), (x0, x * long), (y0, y * long)):
            total += np.bincount(k, weights=value, minlength=count)
    x0, y0 = x0 / n, y0 / n
    xx, yy, xy = np.zeros(count), np.zeros(count), np.zeros(count)
    for k, x, y, long in _piece_runs(labels):
        x, y = x - x0[k], y - y0[k]
        own = (long * long - 1) / 12  # mean square of that many whole steps about their middle
        for total, value in ((xx, x * x + own), (yy, y * y), (xy, x * y)):
            total += np.bincount(k, weights=value * long, minlength=count)
    turn = 0.5 * np.arctan2(2 * xy, xx - yy)
    high, low = np.full(count, -np.inf), np.full(count, np.inf)
    for k, x, y, long in _piece_runs(labels):
        for end in (x - (long - 1) / 2, x + (long - 1) / 2):
            ahead = (end - x0[k]) * np.cos(turn)[k] + (y - y0[k]) * np.sin(turn)[k]
            np.maximum.at(high, k, ahead)
            np.minimum.at(low, k, ahead)
    return (high - low + 1) * cell_m, turn


def _piece_runs(labels: Labels) -> Iterator[tuple[Indices, Floats, Floats, Floats]]:
    """Piece from 0, middle to the east and to the north, and length, in cells, of every run of a piece in a row."""
    for label, row, first, last, _ in labelled_runs(labels):
        some = label > 0
        row, first, last = row[some], first[some], last[some]
        yield label[some] - 1, (first + last) / 2, -row.astype(float), (last - first + 1).astype(float)


def _ways(labels: Labels, grid: Grid, is_open: Mask) -> tuple[Floats, Floats]:
    """Way from end to end of each piece along its nodes, and as the crow flies between the same two ends.

    Of open ground on a site of many cells only every k-th cell is looked at. Labels of open ground are cleared on the
    way, since a copy without them would be the largest of all that is needed for strips.
    """
    way, crow = np.zeros(is_open.size), np.zeros(is_open.size)
    k = max(1, int(np.ceil(np.sqrt(labels.size / OPEN_CELLS))))
    number = np.arange(is_open.size + 1, dtype=np.int32)
    for wanted, step in ((is_open, k), (~is_open, 1)):
        if not wanted.any():
            continue
        some = labels[::step, ::step].copy() if wanted is is_open else labels
        mine = np.where(np.append(False, wanted), number, 0).astype(np.int32)
        for part in row_blocks(some.shape):
            some[part] = mine[some[part]]
        if some.any():
            nodes = Nodes.of(some, Grid(grid.cell_m * step, 0, 0, *some.shape))
            _, whole, beeline = nodes.along(nodes.label)
            way[: whole.size - 1] += whole[1:]
            crow[: whole.size - 1] += beeline[1:]
    return way, crow


def _widest_of_open(labels: Labels, grid: Grid, is_open: Mask, reach_m: Floats) -> None:
    """Measure open ground over the whole site, on cells large enough for that to fit in memory."""
    if not is_open.any():
        return
    k = max(1, int(np.ceil(np.sqrt(labels.size / REACH_CELLS))))
    small = labels[::k, ::k]
    ground = np.append(False, is_open)[small]
    rows, cols = (np.flatnonzero(ground.any(axis=axis)) for axis in (1, 0))
    if not rows.size:
        return
    part = slice(rows[0], rows[-1] + 1), slice(cols[0], cols[-1] + 1)
    ground, small = ground[part], small[part]
    away = distances(np.pad(ground, 1))[1:-1, 1:-1][ground] * grid.cell_m * k
    far = np.zeros(reach_m.size)
    np.maximum.at(far, small[ground] - 1, away)
    reach_m[far > 0] = far[far > 0]
