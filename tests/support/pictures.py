"""Rasters as text, so that a test can show what it expects: a dot is nothing, digits are passes, row 0 is north."""

from __future__ import annotations

from textwrap import dedent

import numpy as np
from numpy.typing import ArrayLike, NDArray


def picture(cells: ArrayLike) -> str:
    """Draw a raster of counts, or of yes (1) and no."""
    return "\n".join("".join(str(int(value)) if value else "." for value in row) for row in np.asarray(cells))


def drawn(text: str) -> str:
    """Give a drawing as ``picture`` would give it."""
    return dedent(text).strip()


def mask(text: str) -> NDArray[np.bool_]:
    """Read a drawing of ``#`` and dots."""
    return np.array([[mark == "#" for mark in row] for row in drawn(text).splitlines()])
