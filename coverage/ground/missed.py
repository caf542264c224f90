"""Tell missed ground apart, cell by cell: strips, strips along the edge of the site, and open ground.

Missed ground is first opened: what a disc of 0.3 m does not fit into is not worth a walk. Where a disc of three swaths
fits, it is open ground. Of the rest, whatever lies within a disc that touches the edge of the site belongs to the
edge, so that even lanes that stop short of the boundary do not make one strip of the whole site.
"""

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.ground.distances import squared_distances
from fieldcomb.coverage.raster.cells import Mask
from fieldcomb.coverage.raster.grid import Grid, block_sums
from fieldcomb.coverage.raster.passes import cover_discs
from fieldcomb.tracks.values import dataclass

LEAST_MISSED_WIDTH_M = 0.3
OPEN_SWATHS = 3
ANALYSIS_CELL_M = 0.1  # finer cells are put together up to this: a strip's outline needs no more
TILE = 500  # cells

STRIP, EDGE, OPEN = 1, 2, 3


@dataclass(frozen=True, slots=True, eq=False)
class MissedKinds:
    """What kind of missed ground each cell is.

    grid : the analysis grid, as fine as the raster or up to 0.1 m. kind : uint8 (rows, cols): 0, STRIP, EDGE or OPEN.
    reach_cm : uint16 (rows, cols), distance to the nearest cell that is not missed, centre to centre; less where OPEN.
    """

    grid: Grid
    kind: NDArray[np.uint8]
    reach_cm: NDArray[np.uint16]


def classify_missed(missed: Mask, inside: Mask, grid: Grid, swath_m: float) -> MissedKinds:
    """Tell missed ground apart.

    missed : bool (rows, cols), cells of the site that are neither swept nor unrecorded.
    inside : bool (rows, cols), cells of the site.
    grid : of both.
    swath_m : the widest swath used; open ground is measured by it.
    """
    coarse, missed, inside = _gather(grid, missed, inside)
    kind = np.zeros(missed.shape, np.uint8)
    reach = np.zeros(missed.shape, np.uint16)
    halo = int(np.ceil((OPEN_SWATHS * swath_m + 1.0) / coarse.cell_m))
    for rows, cols in _tiles(coarse.rows, coarse.cols):
        wide_r = slice(max(rows.start - halo, 0), min(rows.stop + halo, coarse.rows))
        wide_c = slice(max(cols.start - halo, 0), min(cols.stop + halo, coarse.cols))
        if not missed[rows, cols].any():
            continue
        if missed[wide_r, wide_c].all():
            kind[rows, cols] = OPEN
            continue
        window = Grid(
            coarse.cell_m,
            coarse.west + wide_c.start,
            coarse.north - wide_r.start,
            wide_r.stop - wide_r.start,
            wide_c.stop - wide_c.start,
        )
        here, far = _tell(missed[wide_r, wide_c], inside[wide_r, wide_c], window, swath_m)
        inner = (
            slice(rows.start - wide_r.start, rows.stop - wide_r.start),
            slice(cols.start - wide_c.start, cols.stop - wide_c.start),
        )
        kind[rows, cols], reach[rows, cols] = here[inner], far[inner]
    return MissedKinds(coarse, kind, reach)


def _gather(grid: Grid, missed: Mask, inside: Mask) -> tuple[Grid, Mask, Mask]:
    """Put k x k cells together, k cells being at most 0.1 m; a coarse cell is missed when half of it or more is.

    The result has a rim of at least one cell outside the site, which ends every distance.
    """
    k = max(1, int(ANALYSIS_CELL_M / grid.cell_m + 1e-6))
    west, north = grid.west // k - 1, -(-grid.north // k) + 1
    rows = north - (grid.north - grid.rows) // k + 1
    cols = -(-(grid.west + grid.cols) // k) - west + 1
    coarse = Grid(grid.cell_m * k, west, north, rows, cols)
    top, left = north * k - grid.north, grid.west - west * k

    def put(mask: Mask) -> Mask:
        whole = np.zeros((rows, cols), bool)
        if k == 1:
            whole[top : top + grid.rows, left : left + grid.cols] = mask
            return whole
        count = block_sums(mask, k, top, left)
        whole[: count.shape[0], : count.shape[1]] = 2 * count >= k * k
        return whole

    site = put(inside)
    return coarse, put(missed) & site, site


def _tiles(rows: int, cols: int) -> Iterator[tuple[slice, slice]]:
    for r in range(0, rows, TILE):
        for c in range(0, cols, TILE):
            yield slice(r, min(r + TILE, rows)), slice(c, min(c + TILE, cols))


def _tell(missed: Mask, inside: Mask, grid: Grid, swath_m: float) -> tuple[NDArray[np.uint8], NDArray[np.uint16]]:
    """Kind of each cell of a window, and its distance from ground that is not missed, up to that of open ground."""
    cell = grid.cell_m
    radius = OPEN_SWATHS * swath_m / 2
    most = math.ceil(radius / cell) + 2
    away_m = np.sqrt(np.arange(most * most + 1)) * cell  # by squared distance in cells
    reach_cm = np.minimum(np.rint(away_m * 100), 65535).astype(np.uint16)
    away = squared_distances(missed, most)
    to_edge = missed & (squared_distances(inside, most) <= away)  # the edge of the site is as near as swept ground
    free_m = away_m - cell / 2  # from a cell's centre to the rim of the nearest cell that is not missed
    fits, wide = (away >= np.searchsorted(free_m, least) for least in (LEAST_MISSED_WIDTH_M / 2 - 1e-9, radius - 1e-9))
    opened = missed & _within(fits, LEAST_MISSED_WIDTH_M / 2 + cell / 2, cell)
    ground = np.zeros(missed.shape, bool)
    if wide.any():
        ground = missed & (away_m[squared_distances(~wide, most)] <= radius + cell / 2)
    # The middle between the edge of the site and swept ground: nearest to the edge, next to cells that are not.
    middle = to_edge & _beside(missed & ~to_edge) & ~ground
    rows, cols = np.nonzero(middle)
    x, y = grid.centres()
    rim_m = away_m[away[rows, cols]] + cell / 100  # with cells on their rims
    edge = cover_discs(x[cols], y[rows], rim_m, grid) | to_edge
    kind = np.where(opened, np.where(edge, EDGE, STRIP), 0).astype(np.uint8)
    kind[ground] = OPEN
    return kind, reach_cm[away]


def _beside(mask: Mask) -> Mask:
    """Cells of a mask and the eight round each."""
    out = mask.copy()
    out[1:] |= mask[:-1]
    out[:-1] |= mask[1:]
    column = out.copy()
    out[:, 1:] |= column[:, :-1]
    out[:, :-1] |= column[:, 1:]
    return out


def _within(mask: Mask, radius_m: float, cell_m: float) -> Mask:
    """Cells whose centre lies within a small radius of a cell of the mask."""
    reach = int(radius_m / cell_m + 1e-9)
    out = mask.copy()
    rows, cols = mask.shape
    for dr in range(-reach, reach + 1):
        for dc in range(-reach, reach + 1):
            if (dr or dc) and (dr * dr + dc * dc) * cell_m * cell_m <= radius_m * radius_m + 1e-12:
                to = slice(max(dr, 0), rows + min(dr, 0)), slice(max(dc, 0), cols + min(dc, 0))
                of = slice(max(-dr, 0), rows + min(-dr, 0)), slice(max(-dc, 0), cols + min(-dc, 0))
                out[to] |= mask[of]
    return out
