"""Square cells in the site frame, aligned on whole cells from its origin; row 0 is north."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.compiled.kernels import kernels
from fieldcomb.tracks.errors import FieldcombError, UsageError
from fieldcomb.tracks.files.limits import MAX_CELLS
from fieldcomb.tracks.hints import HintKind
from fieldcomb.tracks.motion.legs import Leg
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

BLOCK_ROWS = 64  # of blocks, so that no copy of all of a raster is made
LARGEST_FIT_CM = 50  # larger cells than this are not advised: a swath must be several wide


@dataclass(frozen=True, slots=True)
class Grid:
    """A window of square cells in the site frame, aligned on whole cells from the frame's origin.

    cell_m : side of a cell. west : column of the left edge, in cells east of the origin.
    north : row of the top edge, in cells north of the origin. rows, cols : size. Row 0 is north.
    """

    cell_m: float
    west: int
    north: int
    rows: int
    cols: int

    def __post_init__(self) -> None:
        if not self.cell_m > 0:
            raise UsageError(f"a cell of {self.cell_m:g} m is not possible", hint="Use cells of 10 cm or so")
        if self.rows < 0 or self.cols < 0:
            raise ValueError(f"a grid of {self.rows} x {self.cols} cells is not possible")

    @property
    def cell_m2(self) -> float:
        """Area of one cell."""
        return self.cell_m * self.cell_m

    @property
    def bounds_m(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top edge in metres."""
        c = self.cell_m
        return self.west * c, (self.north - self.rows) * c, (self.west + self.cols) * c, self.north * c

    @property
    def transform(self) -> Any:
        """The affine transform as GDAL has it: column, row to x, y; row 0 is north. An ``affine.Affine``."""
        from rasterio.transform import Affine

        return Affine(self.cell_m, 0, self.west * self.cell_m, 0, -self.cell_m, self.north * self.cell_m)

    def centres(self) -> tuple[Floats, Floats]:
        """Return x of every column's and y of every row's centre, in metres."""
        x = (self.west + np.arange(self.cols) + 0.5) * self.cell_m
        y = (self.north - np.arange(self.rows) - 0.5) * self.cell_m
        return x.astype(float), y.astype(float)

    def part_of(self, other: Grid) -> tuple[slice, slice]:
        """Rows and columns of ``other`` that this grid shares with it; empty slices where they do not meet."""
        top = max(0, other.north - self.north)
        left = max(0, self.west - other.west)
        bottom = min(other.rows, other.north - self.north + self.rows)
        right = min(other.cols, self.west - other.west + self.cols)
        return slice(top, max(top, bottom)), slice(left, max(left, right))

    def window(self, part: tuple[slice, slice]) -> Grid:
        """The grid of some of this grid's rows and columns."""
        rows, cols = part
        west, north = self.west + cols.start, self.north - rows.start
        return Grid(self.cell_m, west, north, rows.stop - rows.start, cols.stop - cols.start)


def grid_over(bounds_m: tuple[float, float, float, float], cell_m: float) -> Grid:
    """Return the smallest aligned grid over (left, bottom, right, top); refuses one too large for memory."""
    check_cells(bounds_m, cell_m, MAX_CELLS, UsageError)
    return aligned_grid(bounds_m, cell_m)


def check_cells(
    bounds_m: tuple[float, float, float, float],
    cell_m: float,
    most: int,
    kind: type[FieldcombError],
    file: str | None = None,
) -> None:
    """Refuse ground of more cells than the limit, with the size of cells that would do; ``file`` is what it is from."""
    wide_m, high_m = bounds_m[2] - bounds_m[0], bounds_m[3] - bounds_m[1]
    cells = math.ceil(wide_m / cell_m) * math.ceil(high_m / cell_m)
    if cells <= most:
        return
    size = f"{wide_m:,.0f} m x {high_m:,.0f} m".replace(",", " ")
    places = next(n for n in range(7) if round(cells / 1e6, n) > most / 1e6)  # as many as show that it is more
    found = f"{cells / 1e6:,.{places}f} million cells of {cell_m * 100:g} cm"
    problem = f"{size} of ground are {found}, more than the limit of "
    fit_cm = 5 * math.ceil(20.2 * math.sqrt(wide_m * high_m / most))  # with room for whole cells along both sides
    hint = HintKind.LARGER_CELLS(fit=f"{fit_cm}cm") if fit_cm <= LARGEST_FIT_CM else HintKind.LESS_GROUND()
    raise kind(f"{problem}{most / 1e6:g} million", file=file, hint=hint)


def aligned_grid(bounds_m: tuple[float, float, float, float], cell_m: float) -> Grid:
    """Return the smallest aligned grid over (left, bottom, right, top), of any size."""
    left, bottom, right, top = bounds_m
    west, south = math.floor(left / cell_m), math.floor(bottom / cell_m)
    cols, rows = math.ceil(right / cell_m) - west, math.ceil(top / cell_m) - south
    return Grid(cell_m, west, south + rows, max(rows, 1), max(cols, 1))


def bounds_of(legs: Sequence[Leg], margin_m: float) -> tuple[float, float, float, float]:
    """Left, bottom, right, top of all legs, widened by a margin; ValueError when there are none."""
    return (
        min(float(leg.x_m.min()) for leg in legs) - margin_m,
        min(float(leg.y_m.min()) for leg in legs) - margin_m,
        max(float(leg.x_m.max()) for leg in legs) + margin_m,
        max(float(leg.y_m.max()) for leg in legs) + margin_m,
    )


def block_sums(
    values: NDArray[Any], k: int, down: int = 0, right: int = 0, within: NDArray[np.bool_] | None = None
) -> Floats:
    """Add up blocks of ``k`` by ``k`` cells, of which the first begins ``down`` rows and ``right`` columns earlier.

    Where a block reaches beyond the values there is nothing. within : which of the cells of a mask are counted.

    >>> block_sums(np.ones((3, 4)), 2, down=1).tolist()
    [[2.0, 2.0], [4.0, 4.0]]
    """
    rows, cols = (-(-(n + before) // k) for n, before in zip(values.shape, (down, right), strict=True))
    kind, add = (np.uint8, _counted) if values.dtype == bool else (np.float32, _summed)
    total = np.zeros((rows, cols))
    for first in range(0, rows, BLOCK_ROWS):
        last = min(first + BLOCK_ROWS, rows)
        top = max(first * k - down, 0)
        part = values[top : last * k - down]
        if within is not None:
            part = part & within[top : last * k - down]
        padded = np.zeros(((last - first) * k, cols * k), kind)
        begin = top + down - first * k
        padded[begin : begin + len(part), right : right + part.shape[1]] = part
        total[first:last] = add(padded.reshape(last - first, k, cols * k), k)
    return total


def block_counts(
    values: NDArray[np.int16], within: NDArray[np.bool_], most: int, k: int, down: int, right: int
) -> Floats:
    """Count the cells of blocks, laid as in ``block_sums``, that are 1, 2 ... and ``most`` or more, (most, rows, cols).

    within : which cells are counted.
    """
    rows, cols = (-(-(n + before) // k) for n, before in zip(values.shape, (down, right), strict=True))
    total = np.zeros((most, rows, cols))
    if kernels is not None:
        kernels.count_blocks(values, within, k, down, right, total)
        return total
    for n in range(1, min(most, int(values.max(initial=0))) + 1):
        total[n - 1] = block_sums(values == n if n < most else values >= n, k, down, right, within)
    return total


def _summed(rows: NDArray[Any], k: int) -> NDArray[Any]:
    return np.asarray(rows.sum(axis=1).reshape(len(rows), -1, k).sum(axis=2))


def _counted(rows: NDArray[np.uint8], k: int) -> NDArray[np.uint32]:
    """Sums of zeros and ones, whole rows and columns at a time: a third to an eighth of the time of ``_summed``."""
    down: NDArray[np.unsignedinteger] = rows[:, 0].astype(np.uint8 if k < 256 else np.uint32)
    for row in range(1, k):
        down += rows[:, row]
    total = down[:, ::k].astype(np.uint32)
    for col in range(1, k):
        total += down[:, col::k]
    return total
