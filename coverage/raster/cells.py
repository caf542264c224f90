"""Values of a cell, and arrays of cells."""

import numpy as np
from numpy.typing import NDArray

Cells = NDArray[np.uint8]  # (rows, cols), one value a cell
Mask = NDArray[np.bool_]  # (rows, cols), whether a cell is meant
Indices = NDArray[np.int64]  # of rows, columns, points or segments
Slices = tuple[slice, slice]  # the rows and columns of a window

OUTSIDE = 255  # value of a cell that is not part of the site
MOST_PASSES = 254  # this many, or more
