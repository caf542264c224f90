"""Cells of a raster made ready to be drawn: in steps, in tiles, in stripes, and by what came before."""

from collections.abc import Sequence

import numpy as np

from fieldcomb.coverage.pages import colours_patterns as legend
from fieldcomb.coverage.raster.cells import OUTSIDE, Cells
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.survey.results import OutingLayer
from fieldcomb.coverage.todo.dug_classes import LEFT
from fieldcomb.tracks.recording import Floats

SHARE_TILE_M = 10.0  # ground shown as one where single strips cannot be placed
STRIPE_M, STRIPES = 0.6, 130  # least width of a stripe, and the most stripes across the site: 3 pixels of a phone


def striped(cells: Cells, grid: Grid) -> Cells:
    """Draw ground that was heard and left in stripes, wide enough to be seen on a phone that shows all of the site."""
    wide = max(STRIPE_M / grid.cell_m, max(grid.rows, grid.cols) / STRIPES)
    row, col = np.ogrid[: grid.rows, : grid.cols]
    light = ((row + col) // max(1, round(wide))) % 2 == 1
    return np.where((cells == LEFT) & light, np.uint8(len(legend.SEARCHED_COLOURS) - 1), cells)


def in_steps(share: Floats, steps: int) -> Cells:
    """Shares 0 to 1 as numbers of equal steps; what is not part of the site as that."""
    step = np.minimum(np.nan_to_num(share) * steps, steps - 1).astype(np.uint8)
    return np.asarray(np.where(np.isnan(share), np.uint8(OUTSIDE), step))


def in_tiles(share: Floats, grid: Grid) -> Floats:
    """Mean of each tile of 10 m, for all cells in it; tiles lie on whole tens of metres from the frame's origin."""
    x, y = grid.centres()
    col, row = (np.floor(v / SHARE_TILE_M).astype(np.int64) for v in (x, y))
    number = (row.max() - row)[:, None] * (np.ptp(col) + 1) + (col - col.min())[None, :]
    known = ~np.isnan(share)
    total = np.bincount(number[known], weights=share[known], minlength=int(number.max()) + 1)
    cells = np.bincount(number[known], minlength=int(number.max()) + 1)
    return np.where(known, (total / np.maximum(cells, 1))[number], np.nan)


def earlier_passes(passes: Cells, grid: Grid, later: Sequence[OutingLayer]) -> Cells:
    """Return the passes of all outings but these, which have rasters of their own; what is not of the site stays so."""
    rest = passes.astype(np.int16)
    for outing in later:
        if outing.passes is not None and outing.grid is not None:
            part = outing.passes[grid.part_of(outing.grid)]
            rest[outing.grid.part_of(grid)] -= np.where(part == OUTSIDE, 0, part).astype(np.int16)
    return np.where(passes == OUTSIDE, np.uint8(OUTSIDE), np.maximum(rest, 0).astype(np.uint8))
