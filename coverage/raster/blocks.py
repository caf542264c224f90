"""Coarse cells over the site, of whole cells of its raster, and what share of their ground a mask takes."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.raster.cells import Mask, Slices
from fieldcomb.coverage.raster.grid import Grid, block_sums
from fieldcomb.tracks.recording import Floats


class Coarse:
    """Cells of about ``wanted_m`` over the site, each of k x k cells of its raster, aligned on the frame's origin.

    grid : the coarse cells. cells : (rows, cols) how many cells of the site's raster in each are part of the site.
    """

    def __init__(self, inside: Mask, fine: Grid, wanted_m: float) -> None:
        self.inside, self.fine = inside, fine
        self.k = max(1, round(wanted_m / fine.cell_m))
        # In whole cells: metres divided by 0.6 m may fall beside the whole number, and give a row too many.
        k = self.k
        west, south = fine.west // k, (fine.north - fine.rows) // k
        north, east = -(-fine.north // k), -(-(fine.west + fine.cols) // k)
        self.grid = Grid(fine.cell_m * k, west, north, north - south, east - west)
        self._all = (slice(0, fine.rows), slice(0, fine.cols))
        _, self.cells = self.sums(inside, self._all)

    def sums(self, values: NDArray[Any], part: Slices) -> tuple[Slices, Floats]:
        """Add up values of a window of the raster by coarse cell; returns the coarse window and the sums in it."""
        k, rows, cols = self.k, part[0], part[1]
        top, left = self.grid.north * k - self.fine.north + rows.start, self.fine.west - self.grid.west * k + cols.start
        total = block_sums(values, k, top % k, left % k)
        r0, c0 = top // k, left // k
        return (slice(r0, r0 + total.shape[0]), slice(c0, c0 + total.shape[1])), total

    def share(self, mask: Mask, part: Slices) -> tuple[Slices, Floats]:
        """Share of the site's ground in each coarse cell that a mask takes."""
        where, total = self.sums(mask & self.inside[part], part)
        return where, np.asarray(total / np.maximum(self.cells[where], 1))

    def whole(self, mask: Mask) -> Floats:
        """Share of each coarse cell's ground that a mask of the whole raster takes."""
        return self.share(mask, self._all)[1]

    def resample_to(self, values: Floats, grid: Grid) -> Floats:
        """Mean of values of these cells in each cell of another grid, by the site's ground in them; 0 off the site.

        Cells of the other grid that hold no centre of these take the value at their own centre.
        """
        x, y = (np.broadcast_to(v, values.shape).ravel() for v in _centres(self.grid))
        weight = self.cells.ravel()
        total, known = (histogram(grid, x, y, part) for part in (weight * values.ravel(), weight))
        x, y = (np.broadcast_to(v, known.shape).ravel() for v in _centres(grid))
        row, col = cells_at(self.grid, x, y)
        own = np.where(self.cells > 0, values, 0.0)[row, col].reshape(known.shape)
        return np.divide(total, known, out=own, where=known > 0)


def _centres(grid: Grid) -> tuple[Floats, Floats]:
    x, y = grid.centres()
    return x[None, :], y[:, None]


def cells_at(grid: Grid, x_m: Floats, y_m: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and columns of the cells at places, or of the nearest ones."""
    left, _, _, top = grid.bounds_m
    row = np.floor((top - np.asarray(y_m)) / grid.cell_m).astype(np.int64)
    col = np.floor((np.asarray(x_m) - left) / grid.cell_m).astype(np.int64)
    return np.clip(row, 0, grid.rows - 1), np.clip(col, 0, grid.cols - 1)


def histogram(grid: Grid, x_m: Floats, y_m: Floats, weight: Floats | None = None) -> Floats:
    """Count places in each cell, or add up their weights, (rows, cols); places outside the grid are not counted."""
    counts = np.zeros((grid.rows, grid.cols))
    left, _, _, top = grid.bounds_m
    col = np.floor((np.asarray(x_m) - left) / grid.cell_m).astype(int)
    row = np.floor((top - np.asarray(y_m)) / grid.cell_m).astype(int)
    inside = (col >= 0) & (col < grid.cols) & (row >= 0) & (row < grid.rows)
    np.add.at(counts, (row[inside], col[inside]), 1.0 if weight is None else weight[inside])
    return counts
