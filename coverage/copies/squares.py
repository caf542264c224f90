"""Ground in large squares: how much of each was passed over, in four steps.

Closed ground leaves no hole: a square that it touches shows the rest of its ground, and one with too little of that
shows the ground around, so that nothing in the drawing tells where it is.
"""

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.copies.own_frame import OwnFrame
from fieldcomb.coverage.raster.cells import OUTSIDE, Cells
from fieldcomb.coverage.raster.grid import Grid, block_sums
from fieldcomb.coverage.raster.vectorise import cells_inside
from fieldcomb.coverage.survey.results import OutingLayer
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

# Chosen for this project.
SAMPLE_M = 0.5  # ground is counted in cells of about this size, each of which goes to the square of its middle
SHARE_STEPS = (0.1, 0.5, 0.9)  # shares passed over at which a square gets darker
STEP_NAMES = ("under 10 %", "10 to 50 %", "50 to 90 %", "over 90 %")
LEAST_GROUND = 0.2  # a square with less of its area on the site is not drawn
LEAST_OPEN = 0.5  # of a square's ground; below it the ground around tells as well
MOST_SQUARES = 150  # along a side; larger ground is drawn in larger squares
NO_GROUND = 0


@dataclass(frozen=True, slots=True, eq=False)
class Patches:
    """Ground in cells of about half a metre, as a list; those without ground are not in it.

    x_m, y_m : middles in site metres. ground_m2, open_m2 : ground in each, with and without what is closed.
    swept_m2 : of the open ground.
    """

    x_m: Floats
    y_m: Floats
    ground_m2: Floats
    open_m2: Floats
    swept_m2: Floats


@dataclass(frozen=True, slots=True)
class CoarseSquares:
    """Squares from the corner of the ground; the first row is the top one.

    levels : for each square NO_GROUND, or 1 and more for the steps of what was passed over.
    """

    side_m: int
    levels: tuple[tuple[int, ...], ...]

    @property
    def cols(self) -> int:
        """How many there are beside each other."""
        return len(self.levels[0])

    @property
    def rows(self) -> int:
        """How many there are above each other."""
        return len(self.levels)


def side_for(frame: OwnFrame, least_m: int) -> int:
    """Return the side of squares: the least one, doubled until they are few enough for a page."""
    side_m = least_m
    while max(frame.wide_m, frame.high_m) > MOST_SQUARES * side_m:
        side_m *= 2
    return side_m


def ground_patches(grid: Grid, passes: Cells, closed: BaseGeometry) -> Patches:
    """Return the ground of a raster of passes; ``closed`` is ground that is off the site only because it is closed."""
    k = max(1, round(SAMPLE_M / grid.cell_m))
    open_ = block_sums(passes != OUTSIDE, k)
    swept = block_sums((passes != OUTSIDE) & (passes > 0), k)
    shut = cells_inside([] if closed.is_empty else [closed], grid)
    ground = block_sums((passes != OUTSIDE) | shut, k) if shut.any() else open_
    rows, cols = np.nonzero(ground)
    left, _, _, top = grid.bounds_m
    x = np.asarray(left + (cols + 0.5) * k * grid.cell_m, float)
    y = np.asarray(top - (rows + 0.5) * k * grid.cell_m, float)
    m2 = grid.cell_m2
    return Patches(x, y, *(part[rows, cols] * m2 for part in (ground, open_, swept)))


def patches_of_outing(layer: OutingLayer, closed: BaseGeometry) -> Patches | None:
    """Return the ground that one outing swept; None where nothing of it is kept."""
    if layer.passes is not None and layer.grid is not None:
        return ground_patches(layer.grid, layer.passes, closed)
    if layer.outline is None or layer.outline.is_empty:
        return None
    left, bottom, right, top = layer.outline.bounds
    x, y = np.meshgrid(np.arange(left, right, SAMPLE_M) + SAMPLE_M / 2, np.arange(bottom, top, SAMPLE_M) + SAMPLE_M / 2)
    shapely.prepare(layer.outline)
    inside = shapely.contains_xy(layer.outline, x, y)
    m2 = np.full(np.count_nonzero(inside), SAMPLE_M**2)
    return Patches(x[inside], y[inside], m2, m2, m2)


def in_squares(site: Patches, swept: Patches, frame: OwnFrame, side_m: int) -> CoarseSquares:
    """Return the share of each square's open ground that was swept, in steps.

    site : all ground. swept : of which ``swept_m2`` counts; the same, or one outing's.
    """
    cols, rows = (max(1, int(np.ceil(size / side_m - 1e-9))) for size in (frame.wide_m, frame.high_m))

    def sums(of: Patches, m2: Floats) -> Floats:
        right, up = frame.from_site(of.x_m, of.y_m)
        col = np.clip((right // side_m).astype(int), 0, cols - 1)
        row = rows - 1 - np.clip((up // side_m).astype(int), 0, rows - 1)
        return np.asarray(np.bincount(row * cols + col, m2, rows * cols), float).reshape(rows, cols)

    ground, open_, done = sums(site, site.ground_m2), sums(site, site.open_m2), sums(swept, swept.swept_m2)
    share = _share(ground, open_, done)
    levels = 1 + np.digitize(share, SHARE_STEPS)
    drawn = ground >= min(LEAST_GROUND * side_m**2, float(ground.max(initial=0.0)))
    return CoarseSquares(side_m, tuple(tuple(row) for row in np.where(drawn, levels, NO_GROUND).tolist()))


def _share(ground: Floats, open_: Floats, done: Floats) -> Floats:
    """Return the share done of each square's open ground, with the ground around where it has too little."""
    share = np.divide(done, open_, out=np.zeros_like(done), where=open_ > 0)
    short = (open_ < LEAST_OPEN * ground) & (ground > 0)
    reach = 1
    while short.any() and reach <= max(ground.shape):
        near_open, near_done = _around(open_, reach), _around(done, reach)
        enough = short & (near_open >= open_.max() * LEAST_OPEN)
        share[enough] = near_done[enough] / near_open[enough]
        short &= ~enough
        reach += 1
    return np.minimum(share, 1.0)


def _around(values: Floats, reach: int) -> Floats:
    """Add up the values of each square and of those around it."""
    total = np.zeros_like(values)
    rows, cols = values.shape
    padded = np.pad(values, reach)
    for down in range(2 * reach + 1):
        for across in range(2 * reach + 1):
            total += padded[down : down + rows, across : across + cols]
    return total
