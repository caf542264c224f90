"""Values of a cell."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Cells = NDArray[np.uint8]


OUTSIDE = 255  # value of a cell that is not part of the site


MOST_PASSES = 254  # this many, or more
