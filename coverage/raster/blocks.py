"""Coarse cells over the site, of whole cells of its raster, and what share of their ground a mask takes."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.raster.cells import Mask, Slices
from fieldcomb.coverage.raster.grid import Grid, aligned_grid, block_counts, block_sums
from fieldcomb.coverage.raster.passes import Counts
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

BLUR_SIGMAS = 4.0  # beyond so many a Gaussian is cut off


@dataclass(frozen=True, slots=True, eq=False)
class PartOf:
    """Values (rows, cols) in a part of some cells; beyond it they are 0."""

    part: Slices
    values: Floats

    def within(self, other: Slices) -> Floats:
        """Return the values in another part of the same cells, (rows, cols)."""
        found = np.zeros([one.stop - one.start for one in other])
        low = [max(a.start, b.start) for a, b in zip(self.part, other, strict=True)]
        high = [max(min(a.stop, b.stop), start) for a, b, start in zip(self.part, other, low, strict=True)]
        mine, its = (
            tuple(slice(a - one.start, b - one.start) for a, b, one in zip(low, high, part, strict=True))
            for part in (self.part, other)
        )
        found[its] = self.values[mine]
        return found

    def whole(self, rows: int, cols: int) -> Floats:
        """Return the values of all of the cells, so many."""
        return self.within((slice(0, rows), slice(0, cols)))


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
        self._all = _all_of(fine)
        _, self.cells = self.sums(inside, self._all)

    def sums(self, values: NDArray[Any], part: Slices, within: Mask | None = None) -> tuple[Slices, Floats]:
        """Add up values of a window of the raster by coarse cell; returns the coarse window and the sums in it.

        within : which of the cells of a mask are counted.
        """
        (row, down), (col, right) = self._begin_of(part)
        total = block_sums(values, self.k, down, right, within)
        return (slice(row, row + total.shape[0]), slice(col, col + total.shape[1])), total

    def cells_by_count(self, counts: Counts, most: int, part: Slices) -> tuple[Slices, Floats]:
        """Count the site's cells in each coarse cell that have 1, 2 ... and ``most`` or more, (most, rows, cols)."""
        (row, down), (col, right) = self._begin_of(part)
        total = block_counts(counts, self.inside[part], most, self.k, down, right)
        return (slice(row, row + total.shape[1]), slice(col, col + total.shape[2])), total

    def _begin_of(self, part: Slices) -> tuple[tuple[int, int], tuple[int, int]]:
        """Coarse row in which a part of the raster begins, and how many rows of it are above; the same of columns."""
        top, left = self.grid.north * self.k - self.fine.north, self.fine.west - self.grid.west * self.k
        return divmod(top + part[0].start, self.k), divmod(left + part[1].start, self.k)

    def share(self, mask: Mask, part: Slices) -> tuple[Slices, Floats]:
        """Share of the site's ground in each coarse cell that a mask takes."""
        where, total = self.sums(mask, part, self.inside[part])
        return where, np.asarray(total / np.maximum(self.cells[where], 1))

    def whole(self, mask: Mask) -> Floats:
        """Share of each coarse cell's ground that a mask of the whole raster takes."""
        return self.share(mask, self._all)[1]

    def resample_to(self, values: Floats, grid: Grid) -> Floats:
        """Mean of values of these cells in each cell of another grid, by the site's ground in them; 0 off the site.

        Cells of the other grid that hold no centre of these take the value at their own centre.
        """
        return self._resampled(values, _all_of(self.grid), grid, _all_of(grid))

    def resample_part(self, values: PartOf, grid: Grid) -> PartOf:
        """As ``resample_to`` of values in a part of these cells: what the other grid has in a part of it."""
        here = aligned_grid(self.grid.window(values.part).bounds_m, grid.cell_m).part_of(grid)
        there = aligned_grid(grid.window(here).bounds_m, self.grid.cell_m).part_of(self.grid)
        return PartOf(here, self._resampled(values.within(there), there, grid, here))

    def _resampled(self, values: Floats, there: Slices, grid: Grid, here: Slices) -> Floats:
        """Resample the values of some of these cells to some of another grid."""
        x, y = (np.broadcast_to(v, values.shape).ravel() for v in _centres(self.grid.window(there)))
        weight = self.cells[there].ravel()
        total, known = (histogram(grid, x, y, part, here) for part in (weight * values.ravel(), weight))
        x, y = (np.broadcast_to(v, known.shape).ravel() for v in _centres(grid.window(here)))
        at = cells_at(self.grid.window(there), x, y)
        out = np.where(self.cells[there][at] > 0, values[at], 0.0).reshape(known.shape)
        return np.divide(total, known, out=out, where=known > 0)


def _all_of(grid: Grid) -> Slices:
    return slice(0, grid.rows), slice(0, grid.cols)


def around(part: Slices, sigma: float, grid: Grid) -> tuple[Slices, Slices]:
    """Return a part of a grid with all that a blur of so many cells brings into it, and where it lies in that.

    Of values blurred there, those in the part are what they would be had all of the grid been blurred.
    """
    reach = int(BLUR_SIGMAS * sigma + 0.5)
    wide = [
        slice(max(one.start - reach, 0), min(one.stop + reach, most))
        for one, most in zip(part, (grid.rows, grid.cols), strict=True)
    ]
    inner = [slice(one.start - w.start, one.stop - w.start) for one, w in zip(part, wide, strict=True)]
    return (wide[0], wide[1]), (inner[0], inner[1])


def _centres(grid: Grid) -> tuple[Floats, Floats]:
    x, y = grid.centres()
    return x[None, :], y[:, None]


def cells_at(grid: Grid, x_m: Floats, y_m: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and columns of the cells at places, or of the nearest ones."""
    left, _, _, top = grid.bounds_m
    row = np.floor((top - np.asarray(y_m)) / grid.cell_m).astype(np.int64)
    col = np.floor((np.asarray(x_m) - left) / grid.cell_m).astype(np.int64)
    return np.clip(row, 0, grid.rows - 1), np.clip(col, 0, grid.cols - 1)


def histogram(grid: Grid, x_m: Floats, y_m: Floats, weight: Floats | None = None, part: Slices | None = None) -> Floats:
    """Count places in each cell of a grid, or of a part of it, or add up their weights, (rows, cols).

    Places outside are not counted.
    """
    rows, cols = part or _all_of(grid)
    high, wide = rows.stop - rows.start, cols.stop - cols.start
    row, col, inside = cells_within(grid, x_m, y_m, (rows, cols))
    at = (row - rows.start) * wide + (col - cols.start)
    counts = np.bincount(at, None if weight is None else weight[inside], high * wide)
    return counts.astype(float).reshape(high, wide)


def cells_within(
    grid: Grid, x_m: Floats, y_m: Floats, part: Slices | None = None
) -> tuple[NDArray[np.int64], NDArray[np.int64], Mask]:
    """Rows and columns of the cells at those places that lie in a grid, or in a part of it; and which these are."""
    rows, cols = part or _all_of(grid)
    left, _, _, top = grid.bounds_m
    col = np.floor((np.asarray(x_m) - left) / grid.cell_m).astype(np.int64)
    row = np.floor((top - np.asarray(y_m)) / grid.cell_m).astype(np.int64)
    inside = (col >= cols.start) & (col < cols.stop) & (row >= rows.start) & (row < rows.stop)
    return row[inside], col[inside], inside
