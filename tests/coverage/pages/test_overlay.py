"""Pictures of rasters drawn side by side."""

from __future__ import annotations

import sys
import warnings

import numpy as np

from fieldcomb.coverage.pages.overlay import Drawing
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.tracks.frame import SiteFrame

COLOURS = ("#ffffff", "#000000")


def test_wide_ground_is_drawn_side_by_side_without_a_warning() -> None:
    """Pictures of ground so wide that they are warped raise no warning, and leave none out of those that come later.

    rasterio puts its own warning off for a moment, for all threads at once: two of them must not do so together.
    """
    frame, grid = SiteFrame(-30.0, 40.0), Grid(50.0, 0, 0, 60, 60)  # at sea
    before, pause_s = list(warnings.filters), sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    try:
        drawing = Drawing(frame, (), 4)
        begun = [drawing.begin(grid, np.full((60, 60), n % 2, np.uint8), COLOURS) for n in range(150)]
        pictures = [picture() for picture in begun]
    finally:
        sys.setswitchinterval(pause_s)
    assert all(one.warped for one in pictures) and len({one.url for one in pictures}) == 2
    assert list(warnings.filters) == before
