"""How much was walked round each place: swath times path over area, which receiver error hardly touches.

Error of metres moves single lanes onto each other and apart, but not the length of path in a piece of ground several
times as wide. This local effort and how even the lanes are decide what share was swept (``walked_ground``).
"""

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.raster.cells import Mask, Slices
from fieldcomb.coverage.raster.grid import Grid, block_sums
from fieldcomb.tracks.motion.legs import SearchPath
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

EFFORT_CELL_M = 1.0
MOST_CELLS = 10_000  # on larger sites the cells are larger
WIDEST_CELL_M = 4.0
REACH = 3.0  # of a blur, in standard deviations
# A second's way is the usual one of two minutes, so that turns cut short by smoothing do not count as slow walking.
PACE_S = 121


@dataclass(frozen=True, slots=True, eq=False)
class Plot:
    """The site in coarse cells with a margin round it; row 0 is north.

    share : (rows, cols) the part of each cell that is site. left_m, top_m : the corner in site metres.
    away_m : distance of each cell's centre from the site. nearest : (2, rows, cols) row and column of the cell there.
    block : fine cells to a coarse one, each way. pad : coarse cells of margin on each side.
    within_m : how far inside the boundary each cell lies, 0 off the site.
    """

    share: Floats
    cell_m: float
    left_m: float
    top_m: float
    away_m: Floats
    nearest: NDArray[np.int32]
    block: int
    pad: int
    within_m: Floats

    @property
    def inside(self) -> Mask:
        """Cells with some of the site in them; asked for so often that it is made once."""
        return _inside(self)

    @property
    def weight(self) -> Floats:
        """Share of the site in each of the inside cells, (n,), summing to 1."""
        mine = self.share[self.inside]
        return np.asarray(mine / mine.sum())


@lru_cache(maxsize=1)
def _inside(plot: Plot) -> Mask:
    inside = np.asarray(plot.share > 0)
    inside.flags.writeable = False  # it is everybody's
    return inside


def plot_of(inside: Mask, grid: Grid, margin_m: float) -> Plot:
    """Lay coarse cells over the site: about 1 m, larger where that would be more than ten thousand."""
    from scipy.ndimage import distance_transform_edt

    area_m2 = float(np.count_nonzero(inside)) * grid.cell_m2
    wanted_m = min(max(EFFORT_CELL_M, math.sqrt(area_m2 / MOST_CELLS)), WIDEST_CELL_M)
    block = max(1, round(wanted_m / grid.cell_m))
    cell_m = block * grid.cell_m
    pad = math.ceil(margin_m / cell_m) + 1
    share = np.pad(block_sums(inside, block) / block**2, pad)
    away, nearest = distance_transform_edt(share == 0, return_indices=True)
    left, _, _, top = grid.bounds_m
    corner = left - pad * cell_m, top + pad * cell_m
    return Plot(share, cell_m, *corner, away * cell_m, nearest, block, pad, _within_m(share) * cell_m)


def _within_m(share: Floats) -> Floats:
    """Cells from the boundary to the middle of what is site in each cell; 0 off the site."""
    from scipy.ndimage import distance_transform_edt

    inner = distance_transform_edt(share > 0)
    return np.asarray(np.where(inner > 1, inner - 0.5, share / 2))


def plot_cells(plot: Plot) -> NDArray[np.int64]:
    """Return the number of each inside cell of the plot, (rows, cols); -1 elsewhere."""
    numbers = np.full(plot.share.shape, -1, np.int64)
    numbers[plot.inside] = np.arange(np.count_nonzero(plot.share > 0))
    return numbers


def on_plot(plot: Plot, fine: NDArray[np.generic]) -> Floats:
    """Mean over the site in each inside cell of the plot, (n,), of values on the site's grid, 0 off the site."""
    total = np.pad(block_sums(fine, plot.block) / plot.block**2, plot.pad)[plot.inside]
    return np.asarray(total / plot.share[plot.inside])


def off_plot(plot: Plot, values: Floats, grid: Grid) -> Floats:
    """Read values of the inside cells of the plot, (n,), at the centres of the cells of a grid over the site.

    Gives float64 (rows, cols); a centre off the site takes the value of the nearest cell that is on it.
    """
    whole = np.zeros(plot.share.shape)
    whole[plot.inside] = values
    x, y = grid.centres()
    row, _ = _cells(plot, np.zeros(y.size), y)
    _, col = _cells(plot, x, np.zeros(x.size))
    rows, cols = plot.share.shape
    near = plot.nearest[:, np.clip(row, 0, rows - 1)[:, None], np.clip(col, 0, cols - 1)]
    return np.asarray(whole[near[0], near[1]])


def path_m(way: SearchPath) -> Floats:
    """Length walked in each second: the smoothed way, and the usual one of the two minutes round it."""
    from scipy.ndimage import median_filter

    return np.asarray(median_filter(way.step_m, min(PACE_S, way.step_m.size), mode="nearest"))


@dataclass(frozen=True, slots=True, eq=False)
class Effort:
    """Swept area over area in a part of a plot, float32: as recorded, and with what lay outside mirrored in.

    part : the rows and columns outside of which both are 0. total : sum of ``mirrored``.
    """

    part: Slices
    recorded: NDArray[np.float32]
    mirrored: NDArray[np.float32]
    total: float


def effort(plot: Plot, ways: Sequence[SearchPath], swept_m2: Sequence[Floats], reflect_m: float) -> Effort:
    """Swept area over area in each cell.

    ``swept_m2``: for each way its swath times path, second by second. What was recorded outside by less than
    ``reflect_m`` was most likely inside, and is mirrored back; what lies farther out counts nothing then.
    """
    laid = np.zeros((2, *plot.share.shape))
    for way, swept in zip(ways, swept_m2, strict=True):
        _lay(plot, way.line_x_m, way.line_y_m, swept, laid[0])
        _lay(plot, *_mirrored(plot, way, swept, reflect_m), laid[1])
    shares = (laid / plot.cell_m**2).astype(np.float32)
    rows, cols = (_taken(np.any(shares, axis=axes)) for axes in ((0, 2), (0, 1)))
    recorded, mirrored = shares[:, rows, cols].copy()
    return Effort((rows, cols), recorded, mirrored, float(shares[1].sum(dtype=float)))


def _taken(some: Mask) -> slice:
    """From the first to the last that is taken."""
    places = np.flatnonzero(some)
    return slice(int(places[0]), int(places[-1]) + 1) if places.size else slice(0, 0)


def blurred(plot: Plot, laid: NDArray[np.generic], kernel_m: float) -> Floats:
    """Values on a plot under a Gaussian, with nothing beyond the margin."""
    from scipy.ndimage import gaussian_filter

    return np.asarray(gaussian_filter(np.asarray(laid, float), kernel_m / plot.cell_m, mode="constant", truncate=REACH))


def blurred_part(plot: Plot, laid: NDArray[np.generic], part: Slices, kernel_m: float) -> tuple[Slices, Floats]:
    """Return the same for values that are 0 beyond a part of the plot: the part that they come to, and them there."""
    rows, cols = part
    if not laid.size:
        return part, np.zeros(laid.shape)
    reach = int(REACH * kernel_m / plot.cell_m + 0.5)  # as the filter has it
    high, wide = (
        slice(max(one.start - reach, 0), min(one.stop + reach, many))
        for one, many in zip(part, plot.share.shape, strict=True)
    )
    room = np.zeros((high.stop - high.start, wide.stop - wide.start))
    room[_moved(rows, -high.start), _moved(cols, -wide.start)] = laid
    return (high, wide), blurred(plot, room, kernel_m)


def _moved(part: slice, by: int) -> slice:
    return slice(part.start + by, part.stop + by)


def _lay(plot: Plot, x_m: Floats, y_m: Floats, swept_m2: Floats, laid: Floats) -> None:
    """Add swept area to the cells that it lies in."""
    rows, cols = plot.share.shape
    row, col = _cells(plot, x_m, y_m)
    on = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    index = row[on] * cols + col[on]
    laid += np.bincount(index, weights=swept_m2[on], minlength=rows * cols).reshape(rows, cols)


def _mirrored(plot: Plot, way: SearchPath, swept_m2: Floats, reflect_m: float) -> tuple[Floats, Floats, Floats]:
    """Places and swept area with what lies outside mirrored in; a corner's mirror image goes to the nearest cell."""
    rows, cols = plot.share.shape
    x, y = way.line_x_m.copy(), way.line_y_m.copy()
    row, col = _cells(plot, x, y)
    on = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    x, y, row, col, swept = x[on], y[on], row[on], col[on], swept_m2[on].copy()
    out = np.flatnonzero(plot.share[row, col] == 0)
    near = plot.nearest[:, row[out], col[out]]
    edge_x = plot.left_m + (near[1] + 0.5) * plot.cell_m
    edge_y = plot.top_m - (near[0] + 0.5) * plot.cell_m
    away = np.hypot(x[out] - edge_x, y[out] - edge_y)
    beyond = np.maximum(away - plot.cell_m / 2, 0.0)
    back = (beyond - plot.cell_m / 2) / away  # from the middle of the nearest cell, half a cell inside the boundary
    x[out], y[out] = edge_x + (edge_x - x[out]) * back, edge_y + (edge_y - y[out]) * back
    swept[out[beyond > reflect_m]] = 0.0
    row[out], col[out] = _cells(plot, x[out], y[out])
    row, col = np.clip(row, 0, rows - 1), np.clip(col, 0, cols - 1)
    lost = plot.share[row, col] == 0
    near = plot.nearest[:, row[lost], col[lost]]
    x[lost], y[lost] = plot.left_m + (near[1] + 0.5) * plot.cell_m, plot.top_m - (near[0] + 0.5) * plot.cell_m
    return x, y, swept


def outside_m(plot: Plot, x_m: Floats, y_m: Floats) -> Floats:
    """Return how far outside the site places lie, (n,); 0 on it."""
    rows, cols = plot.share.shape
    row, col = _cells(plot, x_m, y_m)
    on_row, on_col = np.clip(row, 0, rows - 1), np.clip(col, 0, cols - 1)
    off_plot_m = plot.cell_m * np.hypot(row - on_row, col - on_col)
    return np.asarray(np.maximum(plot.away_m[on_row, on_col] + off_plot_m - plot.cell_m / 2, 0))


def _cells(plot: Plot, x_m: Floats, y_m: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    row = np.floor((plot.top_m - y_m) / plot.cell_m).astype(np.int64)
    col = np.floor((x_m - plot.left_m) / plot.cell_m).astype(np.int64)
    return row, col
