"""The simulated sites that the share of a site is measured on: what they claim of themselves is so."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np
import pytest
import shapely
from site_walks import ONE, SEVERAL, draw_site, real_errors
from truth import searching


@pytest.mark.parametrize("name", [*ONE, *SEVERAL])
def test_nobody_searches_on_the_rim(name: str) -> None:
    """Between all searching and the boundary lies the rim, but for the sway of half a metre and turns."""
    site = draw_site(name, 3)
    inner = site.field.buffer(1.0 - site.rim_m)
    for walk in site.walks:
        here = searching(walk.walk)
        assert shapely.contains_xy(inner, walk.walk.x_m[here], walk.walk.y_m[here]).mean() > 0.97


def test_all_recordings_together_sweep_what_is_told() -> None:
    """The share of a site is at most the sum of its recordings, and at least the largest of them."""
    for name in ("four blocks", "same block again"):
        site = draw_site(name, 5)
        each = [walk.true_pct for walk in site.walks]
        assert max(each) - 0.5 <= site.true_pct <= sum(each) + 0.5


def test_a_real_receivers_errors_keep_their_size(tmp_path: Path) -> None:
    """A series that is turned, mirrored and run there and back is as far off second by second as it was."""
    series = np.column_stack([np.arange(0, 300), np.zeros(300)]).astype(np.int16)
    np.savez(tmp_path / "one.npz", err_cm=series)
    piece = partial(real_errors(tmp_path)["one"], 900)
    off = np.hypot(*piece(np.random.default_rng(1)).T)
    assert np.abs(np.diff(off)).max() == pytest.approx(0.01)
    assert off.max() == pytest.approx(2.99) and off.min() == pytest.approx(0.0)
    assert not np.array_equal(piece(np.random.default_rng(1)), piece(np.random.default_rng(2)))
