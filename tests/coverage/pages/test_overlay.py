"""Pictures of rasters drawn side by side."""

from __future__ import annotations

import base64
import sys
import warnings
from io import BytesIO

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from fieldcomb.coverage.pages import overlay
from fieldcomb.coverage.pages.overlay import Drawing
from fieldcomb.coverage.raster.cells import OUTSIDE
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


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 40), st.integers(1, 41), st.integers(1, 9), st.integers(0, 2**32 - 1), st.booleans())
def test_a_picture_shows_each_cell_in_its_colour(rows: int, cols: int, many: int, seed: int, is_large: bool) -> None:
    """Another library reads from a picture the colour of every cell, and what is not of the site as seen through."""
    rng = np.random.default_rng(seed)
    cells = rng.choice(np.array([*range(many + 3), OUTSIDE], np.uint8), (rows, cols))
    colours = tuple(f"#{rng.integers(0, 1 << 24):06x}" for _ in range(many))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(overlay, "MOST_PACKED_WELL", 0 if is_large else 10**6)
        url = overlay.raster_picture(Grid(0.1, 0, rows, rows, cols), cells, colours, SiteFrame(-30.0, 45.0)).url
    seen = np.asarray(Image.open(BytesIO(base64.b64decode(url.partition(",")[2]))).convert("RGBA"))
    for code in range(256):
        colour = (*bytes.fromhex(colours[min(code, many - 1)][1:]), 255) if code != OUTSIDE else (0, 0, 0, 0)
        assert (seen[cells == code] == colour).all()
