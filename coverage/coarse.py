"""Coarse cells over the site, of whole cells of its raster, and what share of their ground a mask takes."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.grid import Grid, block_sums
from fieldcomb.tracks.track import Floats

Mask = NDArray[np.bool_]
Slices = tuple[slice, slice]


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
        """Add up values of a window of the raster by coarse cell; gives the coarse window and the sums in it."""
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
