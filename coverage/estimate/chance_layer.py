"""Chance by place."""

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.tracks.values import dataclass


@dataclass(frozen=True, slots=True, eq=False)
class Chance:
    """How likely each cell of 0.5 m was passed over: float32 (rows, cols), 0 to 1, NaN off the site.

    placed : whether single strips can be trusted, so that these are no estimates but parts of cells swept.
    """

    grid: Grid
    cells: NDArray[np.float32]
    placed: bool
