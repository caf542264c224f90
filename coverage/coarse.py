"""Cells of about a metre over the site, on which ground is ranked."""

from __future__ import annotations

from typing import Any

import numpy as np

from fieldcomb.coverage.grid import Grid, grid_over
from fieldcomb.coverage.ground import Ground
from fieldcomb.coverage.measures import Mask, Slices
from fieldcomb.tracks.track import Floats

ROWS_AT_ONCE = 64


class Coarse:
    """Cells of about a metre over the site, each of k x k cells of the raster, and the shares of them."""

    def __init__(self, ground: Ground, grid_m: float) -> None:
        self.fine = ground.grid
        self.k = max(1, round(grid_m / self.fine.cell_m))
        self.grid: Grid = grid_over(self.fine.bounds_m, self.fine.cell_m * self.k)
        whole = (slice(0, self.fine.rows), slice(0, self.fine.cols))
        self.inside = ground.inside
        _, self.cells = self.sums(self.inside, whole)

    def sums(self, values: Any, part: Slices) -> tuple[Slices, Floats]:
        """Add up values of a window of the raster by coarse cell; gives the coarse window and the sums in it."""
        k, rows, cols = self.k, part[0], part[1]
        north, west = self.grid.north * k - self.fine.north, self.fine.west - self.grid.west * k
        r0, c0 = (rows.start + north) // k, (cols.start + west) // k
        r1, c1 = -(-(rows.stop + north) // k), -(-(cols.stop + west) // k)
        left = cols.start + west - c0 * k
        total = np.zeros((r1 - r0, c1 - c0))
        for first in range(r0, r1, ROWS_AT_ONCE):  # in blocks, so that no copy of all of a raster is made
            last = min(first + ROWS_AT_ONCE, r1)
            top = max(first * k - north - rows.start, 0)
            block = values[top : last * k - north - rows.start]
            padded = np.zeros(((last - first) * k, (c1 - c0) * k), np.float32)
            down = top + rows.start + north - first * k
            padded[down : down + len(block), left : left + block.shape[1]] = block
            total[first - r0 : last - r0] = padded.reshape(last - first, k, c1 - c0, k).sum(axis=(1, 3))
        return (slice(r0, r1), slice(c0, c1)), total

    def share(self, mask: Mask, part: Slices) -> tuple[Slices, Floats]:
        """Share of the site's ground in each coarse cell that a mask takes."""
        where, total = self.sums(mask & self.inside[part], part)
        return where, np.asarray(total / np.maximum(self.cells[where], 1))

    def whole(self, mask: Mask) -> Floats:
        """Share of each coarse cell's ground that a mask of the whole raster takes."""
        return self.share(mask, (slice(0, self.fine.rows), slice(0, self.fine.cols)))[1]
