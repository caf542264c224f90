"""Distances within a mask are those of scipy, whichever way they are worked out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import distance_transform_edt

from fieldcomb.coverage.compiled.kernels import kernels
from fieldcomb.coverage.ground import distances as ground_distances
from fieldcomb.coverage.ground.distances import distances, squared_distances


@settings(max_examples=60)
@given(rows=st.integers(1, 300), cols=st.integers(1, 40), share=st.floats(0, 1), seed=st.integers(0, 2**32 - 1))
def test_distances_worked_out_some_rows_at_a_time_are_the_same(rows: int, cols: int, share: float, seed: int) -> None:
    """Distances to the nearest swept cell, taken row by row to save memory, are bit for bit those of scipy at once."""
    ground = np.pad(np.random.default_rng(seed).random((rows, cols)) < share, 1)
    assert np.array_equal(distances(ground), distance_transform_edt(ground))


@settings(max_examples=60)
@given(
    rows=st.integers(1, 80),
    cols=st.integers(1, 80),
    share=st.floats(0.8, 1),
    most=st.sampled_from([1, 2, 7, 25, 181, 182, 300]),
    seed=st.integers(0, 2**32 - 1),
)
def test_distances_up_to_a_limit_are_exact(rows: int, cols: int, share: float, most: int, seed: int) -> None:
    """Up to the limit distances are exact, and from there on the limit, also where nothing lies outside the mask."""
    ground = np.random.default_rng(seed).random((rows, cols)) < share
    whole = distance_transform_edt(ground) ** 2 if not ground.all() else np.full(ground.shape, np.inf)
    for way in (kernels, None):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(ground_distances, "kernels", way)
            found = squared_distances(ground[::-1], most)[::-1]
        assert np.array_equal(found, np.rint(np.minimum(whole, most * most)))
        assert found.dtype == (np.uint16 if most <= 181 else np.uint32)
