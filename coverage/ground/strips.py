"""Missed ground as pieces one can walk: strips of at most 15 m, and open ground, each with its size and outline."""

from collections.abc import Callable

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from fieldcomb.coverage.ground.connected import connected_parts
from fieldcomb.coverage.ground.ground_results import Strip
from fieldcomb.coverage.ground.missed import OPEN, OPEN_SWATHS, MissedKinds, classify_missed
from fieldcomb.coverage.ground.strip_lengths import BENT, Labels, Nodes, Sizes, row_blocks
from fieldcomb.coverage.pool.workers import Workers
from fieldcomb.coverage.raster.cells import Indices, Mask
from fieldcomb.coverage.raster.grid import Grid, block_sums
from fieldcomb.coverage.raster.vectorise import outlines_of
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.recording import Floats

LEAST_STRIP_M2 = 0.5
LONGEST_M = 15.0


def find_strips(missed: Mask, inside: Mask, grid: Grid, swath_m: float, frame: SiteFrame) -> tuple[Strip, ...]:
    """Find the pieces of missed ground of 0.5 m2 or more, largest first; arguments as in ``missed.classify_missed``."""
    kinds = classify_missed(missed, inside, grid, swath_m)
    labels, thin = _pieces(kinds, swath_m)
    area = _areas(labels, missed, grid, kinds.grid)
    keep = np.flatnonzero(area >= LEAST_STRIP_M2 - 1e-9)
    order = keep[np.argsort(-area[keep], kind="stable")]
    number = np.zeros(area.size, np.int32)
    number[order] = np.arange(1, order.size + 1)
    for part in row_blocks(labels.shape):
        labels[part] = number[labels[part]]
    shapes = _outlines(labels, kinds.grid, order.size)
    sizes = Sizes.of(labels, kinds, order > thin)
    inner = shapely.get_coordinates(shapely.point_on_surface(np.array(shapes, object)))
    centres = np.column_stack(frame.to_lonlat(inner[:, 0], inner[:, 1])).tolist()
    return tuple(
        _strip(k + 1, float(area[order[k]]), sizes, shapes[k], (centres[k][0], centres[k][1]), kinds.grid.cell_m)
        for k in range(order.size)
    )


_Bits = tuple[NDArray[np.uint8], NDArray[np.uint8]]


def begin_strips(
    missed: Mask, inside: Mask, grid: Grid, swath_m: float, frame: SiteFrame, workers: Workers
) -> Callable[[], tuple[Strip, ...]]:
    """Begin ``find_strips`` beside the command, if it has a process there; calling what is returned gives the strips.

    Until then masks are kept as bits.
    """
    return workers.begin(_find, (grid, swath_m, frame), (np.packbits(missed, axis=1), np.packbits(inside, axis=1)))


def _find(on: tuple[Grid, float, SiteFrame], bits: _Bits) -> tuple[Strip, ...]:
    grid, swath_m, frame = on
    missed, inside = (np.unpackbits(one, axis=1, count=grid.cols).view(bool) for one in bits)
    return find_strips(missed, inside, grid, swath_m, frame)


def _strip(
    number: int,
    area_m2: float,
    sizes: Sizes,
    shape: Polygon | MultiPolygon,
    centre: tuple[float, float],
    cell_m: float,
) -> Strip:
    k = number - 1
    widest = 2 * float(sizes.reach_m[k]) - cell_m
    # A piece that forks is as long as all its branches together: on the whole it cannot be wider than at its widest,
    # which is known to one cell.
    length = max(float(sizes.length_m[k]), area_m2 / (widest + cell_m))
    width = area_m2 / length
    return Strip(
        id=number,
        kind="open" if sizes.is_open[k] else "strip",
        area_m2=area_m2,
        length_m=length,
        width_m=width,
        widest_m=widest,
        bearing_deg=float(sizes.bearing_deg[k]) if length >= 2 * width else None,
        centre=centre,
        shape=shape,
    )


def _pieces(kinds: MissedKinds, swath_m: float) -> tuple[Labels, int]:
    """Number the pieces: connected ground of one kind, along sides; strips are cut to length, open ground is not.

    Returns their labels, and how many of them are strips; open ground has higher numbers.
    """
    labels, counts = connected_parts(kinds.kind)
    highest = sum(counts[: OPEN - 1])
    for part in row_blocks(labels.shape):
        here = labels[part]
        np.subtract(highest, here, out=here, where=here > highest)  # open ground is negative for the time being
    _join_stubs(labels, highest, OPEN_SWATHS / 2 * swath_m / kinds.grid.cell_m)
    thin = _cut_along(labels, kinds.grid) if highest else 0
    for part in row_blocks(labels.shape):
        here = labels[part]
        np.subtract(thin, here, out=here, where=here < 0)
    return labels, thin


def _join_stubs(labels: Labels, count: int, most_cells: float) -> None:
    """Join strips no longer than half of open ground's least width to the piece that they touch most.

    Such are the end of a strip where it meets the edge of the site, and the corners of open ground, into which no disc
    fits; they are not worth a walk of their own.
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
    for part in row_blocks(labels.shape):
        labels[part] = to[labels[part] - lowest]


def _contacts(labels: Labels) -> tuple[Indices, Indices, Indices]:
    """Pairs of labels that touch, either way round, and along how many sides of cells."""
    found = [np.zeros((2, 0), np.int64)]
    for part in row_blocks(labels.shape):
        here, below = labels[part], labels[part.start : part.stop + 1]
        for one, other in ((here[:, :-1], here[:, 1:]), (below[:-1], below[1:])):
            touch = (one != other) & (one != 0) & (other != 0)
            found.append(np.stack([one[touch], other[touch]]).astype(np.int64))
    pairs = np.concatenate(found, axis=1)
    (one, other), sides = np.unique(np.concatenate([pairs, pairs[::-1]], axis=1), axis=1, return_counts=True)
    return one, other, sides


def _cut_along(labels: Labels, grid: Grid) -> int:
    """Cut strips longer than 15 m in place into even pieces of at most so much way; return the number of pieces.

    A strip round the whole site has no end: the piece where the way begins runs on to both sides, and is cut again.
    """
    nodes = Nodes.of(labels, grid)
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
    """Area of each label, counted on the raster's own cells, some rows at a time."""
    k = round(coarse.cell_m / grid.cell_m)
    top, left = coarse.north * k - grid.north, grid.west - coarse.west * k
    cells = np.zeros(int(labels.max(initial=0)) + 1)
    for part in row_blocks(labels.shape):
        first = part.start * k - top
        count = block_sums(missed[max(first, 0) : max(part.stop * k - top, 0)], k, max(-first, 0), left)
        here = labels[part][: count.shape[0], : count.shape[1]]
        some = here > 0
        cells += np.bincount(here[some], weights=count[: here.shape[0], : here.shape[1]][some], minlength=cells.size)
    return np.asarray(cells * grid.cell_m2)


def _outlines(labels: Labels, grid: Grid, count: int) -> list[Polygon | MultiPolygon]:
    """Outline of each label 1 .. count; corners of single cells are smoothed away."""
    parts: list[list[Polygon]] = [[] for _ in range(count)]
    for polygon, label in zip(*outlines_of(labels, labels > 0, grid.transform), strict=True):
        parts[label - 1].append(polygon)
    whole = np.array([one[0] if len(one) == 1 else shapely.union_all(one) for one in parts], object)
    simple = shapely.simplify(whole, 0.75 * grid.cell_m)
    return list(np.where(shapely.is_empty(simple) | ~shapely.is_valid(simple), whole, simple))
