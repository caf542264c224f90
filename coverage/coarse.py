"""Cells of about a metre over the site, on which ground is ranked."""

from __future__ import annotations

from typing import Any

import numpy as np

from fieldcomb.coverage.grid import Grid, grid_over
from fieldcomb.coverage.ground import Ground
from fieldcomb.coverage.measures import Mask, Slices
from fieldcomb.tracks.track import Floats


class Coarse:
    """Cells of about a metre over the site, each of k x k cells of the raster, and the shares of them."""

    def __init__(self, ground: Ground, grid_m: float) -> None:
        self.fine = ground.grid
        self.k = max(1, round(grid_m / self.fine.cell_m))
        self.grid: Grid = grid_over(self.fine.bounds_m, self.fine.cell_m * self.k)
        whole = (slice(0, self.fine.rows), slice(0, self.fine.cols))
        self.inside = ground.inside
        _, self.cells = self.sums(self.inside.astype(np.float32), whole)

    def sums(self, values: Any, part: Slices) -> tuple[Slices, Floats]:
        """Add up values of a window of the raster by coarse cell; gives the coarse window and the sums in it."""
        k, rows, cols = self.k, part[0], part[1]
        north, west = self.grid.north * k - self.fine.north, self.fine.west - self.grid.west * k
        top, left = rows.start + north, cols.start + west
        r0, c0 = top // k, left // k
        r1, c1 = -(-(rows.stop + north) // k), -(-(cols.stop + west) // k)
        padded = np.zeros(((r1 - r0) * k, (c1 - c0) * k), np.float32)
        padded[top - r0 * k :, left - c0 * k :][: values.shape[0], : values.shape[1]] = values
        total = padded.reshape(r1 - r0, k, c1 - c0, k).sum(axis=(1, 3), dtype=float)
        return (slice(r0, r1), slice(c0, c1)), np.asarray(total)

    def share(self, values: Any, part: Slices) -> tuple[Slices, Floats]:
        """Mean of values over the cells of the site in each coarse cell."""
        where, total = self.sums(np.where(self.inside[part], values, 0), part)
        return where, np.asarray(total / np.maximum(self.cells[where], 1))

    def whole(self, mask: Mask) -> Floats:
        """Share of each coarse cell's ground that a mask of the raster takes."""
        return self.share(mask, (slice(0, self.fine.rows), slice(0, self.fine.cols)))[1]
