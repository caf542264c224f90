"""How much junk lies in the ground, from what was counted, dug and drawn; with how sure that is, and where nothing is.

Best is a count square: 1 m x 1 m with all its signals counted. Dug junk is a lower bound, and upside down where nails
are left in the ground. A number given with a drawn area is the user's own estimate. Elsewhere junk was not measured.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.raster.blocks import BLUR_SIGMAS, PartOf, around, cells_at, cells_within, histogram
from fieldcomb.coverage.raster.cells import Mask
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

NOT_MEASURED, COUNTED, DUG, DRAWN, ASSUMED = range(5)
# Chosen for this project, and tried on simulated junk.
JUNK_KERNEL_M = 2.5  # junk is averaged so far round a place: less follows edges closer and is less sure
SQUARE_KERNELS = 2.5  # a count square represents ground within this many kernels
ENOUGH_DIGS = 10.0  # this many within a kernel of the squares show where the junk ends
GOES_ON_SHARE = 0.5  # where half as much was dug as round the squares, the same junk goes on: a blurred edge lies there
SHARPER = 2.0  # the kernel blurs the edge of junk: a quarter above that share all of it is there, a quarter below none
DIG_KERNELS = 2.0  # round a square the digs show what is usual: wider than the kernel, so that a square at the edge of
# the junk is not taken to lie on ground where less was dug
TWO_SIGMA = 1.96
LEAST_SWEPT = 0.1  # of the kernel's weight: on less ground the digs per swept m2 cannot be estimated


@dataclass(frozen=True, slots=True)
class CountSquare:
    """A square of 1 m2 in site metres, its signals, and what had been dug there before, per m2."""

    x_m: float
    y_m: float
    count: int
    dug_before_per_m2: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Junk:
    """Junk before anything was dug, on a grid (row 0 north).

    per_m2, sd_per_m2 : targets per m2 and one sigma; 0 and 0 where not measured. source : uint8, NOT_MEASURED, COUNTED,
    DUG (a lower bound), DRAWN or ASSUMED.
    """

    per_m2: Floats
    sd_per_m2: Floats
    source: NDArray[np.uint8]


class Digs:
    """Places where junk was dug, as digs per swept m2.

    ``swept`` is the share of each cell that any outing swept, float (rows, cols); the kernel is a Gaussian with the
    standard deviation JUNK_KERNEL_M, normalised on swept ground.
    """

    def __init__(self, grid: Grid, swept: Floats) -> None:
        self.grid = grid
        self.sigma = JUNK_KERNEL_M / grid.cell_m
        self.weight = self._blur(swept)
        self.counts = np.zeros((grid.rows, grid.cols))  # of all digs so far

    def _blur(self, values: Floats) -> Floats:
        from scipy.ndimage import gaussian_filter

        return np.asarray(gaussian_filter(values, self.sigma, mode="constant", truncate=BLUR_SIGMAS))

    def add(self, x_m: Floats, y_m: Floats) -> PartOf:
        """Take in the digs of an outing; returns them per swept m2 round each cell."""
        self.counts += histogram(self.grid, x_m, y_m)
        return self.round(x_m, y_m)

    def per_m2(self, x_m: Floats, y_m: Floats) -> Floats:
        """Digs per swept m2 round each cell, (rows, cols)."""
        return self.round(x_m, y_m).whole(self.grid.rows, self.grid.cols)

    def round(self, x_m: Floats, y_m: Floats) -> PartOf:
        """Digs per swept m2 in the cells that a kernel round them reaches."""
        row, col, _ = cells_within(self.grid, x_m, y_m)
        if not row.size:
            return PartOf((slice(0, 0), slice(0, 0)), np.zeros((0, 0)))
        dug = slice(int(row.min()), int(row.max()) + 1), slice(int(col.min()), int(col.max()) + 1)
        part, _ = around(dug, self.sigma, self.grid)
        blur, weight = self._blur(histogram(self.grid, x_m, y_m, part=part)), self.weight[part]
        out = np.zeros_like(blur)
        np.divide(blur, weight * self.grid.cell_m2, out=out, where=weight > LEAST_SWEPT)
        return PartOf(part, out)

    @property
    def effective_m2(self) -> float:
        """The kernel's effective area, 4 pi sigma^2."""
        return 4 * float(np.pi) * JUNK_KERNEL_M**2

    def effective(self, per_m2: Floats) -> Floats:
        """How many digs each density rests on: those within the kernel's effective area."""
        return np.asarray(per_m2 * self.weight * self.effective_m2)

    def mean_of_digs(self, per_m2: Floats, weight: Floats) -> float:
        """Mean density at the places of the digs, weighted: how densely was dug where anything was dug at all."""
        weighted = self.counts * weight
        total = float(weighted.sum())
        return float((weighted * per_m2).sum()) / total if total > 0 else 0.0


def local_junk(
    digs: Digs,
    dug_per_m2: Floats,
    squares: Sequence[CountSquare],
    drawn_per_m2: Floats,
    usual_per_m2: float | None = None,
) -> Junk:
    """Estimate junk before anything was dug.

    digs : has the grid and the kernel.
    dug_per_m2 : float (rows, cols), all that was dug in all outings.
    drawn_per_m2 : float (rows, cols), what areas of kind junk say; NaN where they say nothing.
    usual_per_m2 : taken where nothing was counted, dug or drawn; None leaves that ground not measured.

    Squares go before everything else within SQUARE_KERNELS of them: their weighted mean. When ENOUGH_DIGS lie in a
    kernel round them, that mean is scaled by the digs here over what is usual where the squares lie: a quarter above
    GOES_ON_SHARE it is all of it, a quarter below none. Then it holds as far as ground hangs together on which at
    least GOES_ON_SHARE of that was dug. Never less than what was dug.
    """
    per_m2, sd = np.zeros_like(dug_per_m2), np.zeros_like(dug_per_m2)
    source = np.full(dug_per_m2.shape, NOT_MEASURED, np.uint8)
    if usual_per_m2 is not None:
        per_m2[:], sd[:], source[:] = usual_per_m2, usual_per_m2, ASSUMED
    said = np.isfinite(drawn_per_m2)
    per_m2[said], sd[said], source[said] = drawn_per_m2[said], drawn_per_m2[said] / 2, DRAWN
    if squares:
        counted, error, known = _counted(digs, dug_per_m2, squares)
        per_m2[known], sd[known], source[known] = counted[known], error[known], COUNTED
    rests_on = digs.effective(dug_per_m2)
    more = (rests_on >= 1) & (dug_per_m2 > per_m2)
    per_m2[more], sd[more] = dug_per_m2[more], dug_per_m2[more] / np.sqrt(rests_on[more])
    source[more & (source != COUNTED)] = DUG
    return Junk(per_m2, sd, source)


def _counted(digs: Digs, dug_per_m2: Floats, squares: Sequence[CountSquare]) -> tuple[Floats, Floats, Mask]:
    """Weighted mean of the squares round each cell, shaped by the digs; its standard error, and where there is one."""
    grid = digs.grid
    x, y = grid.centres()
    away2 = [((x - square.x_m)[None, :] ** 2 + (y - square.y_m)[:, None] ** 2) / JUNK_KERNEL_M**2 for square in squares]
    nearest2 = np.min(away2, axis=0)
    total, value, spread, usual = (np.zeros(dug_per_m2.shape) for _ in range(4))
    for square, far2 in zip(squares, away2, strict=True):
        weight = np.exp((nearest2 - far2) / 2)
        total += weight
        value += weight * (square.count + square.dug_before_per_m2)
        spread += weight**2 * max(square.count, 1)
        usual += weight * digs.mean_of_digs(dug_per_m2, np.exp(-far2 / (2 * DIG_KERNELS**2)))
    mean, usual = value / total, usual / total
    shaped = usual * digs.effective_m2 >= ENOUGH_DIGS
    share = np.ones_like(total)
    np.divide(dug_per_m2, usual, out=share, where=shaped)
    near = nearest2 <= SQUARE_KERNELS**2
    known = near | _touching(shaped & (share >= GOES_ON_SHARE), near)
    there = np.clip(0.5 + SHARPER * (share - GOES_ON_SHARE), 0, 1)
    noise = np.where(shaped, 1 / np.maximum(digs.effective(dug_per_m2), 1), 0)
    return mean * there, np.sqrt(spread / total**2 + mean**2 * noise) * there, known


def _touching(ground: Mask, seeds: Mask) -> Mask:
    """Those pieces of ground that have a cell of ``seeds`` in them."""
    from scipy.ndimage import label

    number, many = label(ground)
    kept = np.zeros(many + 1, bool)
    kept[number[ground & seeds]] = True
    return np.asarray(kept[number])


def cell_at(grid: Grid, x_m: float, y_m: float) -> tuple[int, int]:
    """Row and column of the cell at a place, or of the nearest one."""
    row, col = cells_at(grid, np.array([x_m]), np.array([y_m]))
    return int(row[0]), int(col[0])


def error_pct(count: int) -> float | None:
    """How well a density from this many signals or digs is known, in percent (95 %, Poisson); None without any.

    >>> round(error_pct(25)), round(error_pct(14))
    (39, 52)
    """
    return 100 * TWO_SIGMA / float(np.sqrt(count)) if count else None
