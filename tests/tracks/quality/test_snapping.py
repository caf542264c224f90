"""Lines that were walked again are found in C as GEOS and numpy find them."""

from __future__ import annotations

import numpy as np
import pytest
from both_ways import both_ways
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldcomb.tracks.compiled.track_kernels import track_kernels
from fieldcomb.tracks.motion.cleaning import Fixes
from fieldcomb.tracks.quality import snapping
from fieldcomb.tracks.quality.snapping import snapped_share, strides

needs_kernels = pytest.mark.skipif(track_kernels is None, reason="the kernels were not compiled here")


@st.composite
def to_and_fro(draw: st.DrawFn) -> Fixes:
    """A few lines walked again and again, more or less exactly, with leaps between them, and a clock or none."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    corners = rng.uniform(-1, 1, (draw(st.integers(2, 4)), 2)) * draw(st.sampled_from([0.3, 20.0, 60.0, 200.0]))
    pace_m_s = draw(st.sampled_from([0.4, 1.3, 6.0]))
    places = [corners[:1]]
    for here, there in rng.integers(0, len(corners), (draw(st.integers(1, 60)), 2)):
        many = 2 + int(np.hypot(*(corners[there] - corners[here])) / pace_m_s)
        places.append(np.linspace(corners[here], corners[there], many))
    x, y = np.concatenate(places).T
    x, y = (v + rng.normal(0, draw(st.sampled_from([0.0, 0.01, 0.03])), v.size) for v in (x, y))
    grain_m = draw(st.sampled_from([0.0, 0.0, 0.011]))
    x, y = (np.round(v / grain_m) * grain_m if grain_m else v for v in (x, y))
    t_s = np.arange(x.size) * draw(st.sampled_from([0.2, 1.0, np.nan]))
    piece = np.cumsum(rng.random(x.size) < draw(st.sampled_from([0.0, 0.02])))
    return Fixes(t_s, x, y, np.zeros(x.size, np.int32), piece.astype(np.int32))


@needs_kernels
@settings(max_examples=150, deadline=None)
@given(to_and_fro(), st.sampled_from([0.0, 0.011, 0.09]), st.sampled_from([20, 500, 200_000]))
def test_what_was_walked_again_is_the_same_with_and_without_kernels(fixes: Fixes, grain_m: float, most: int) -> None:
    """Strides, which of them are on a line of another time, and how far that is looked at, are the same."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(snapping, "MOST_PAIRS", most)
        compiled, plain = both_ways(
            lambda: (strides(fixes).tolist(), snapped_share(fixes, grain_m)), snapping, name="track_kernels"
        )
    assert compiled == plain


@needs_kernels
def test_strides_that_do_not_fit_are_refused() -> None:
    """Fields of another size, places that are none, and blocks that leave the strides are refused, nothing written."""
    places, times, flags, blocks = np.zeros((4, 2)), np.zeros(4), np.zeros(4, bool), np.array([[0, 4]])
    limits = (0.1, 0.03, 60.0, 0.2, 100)
    for wrong in ([[0, 5]], [[-1, 4]], [[0, 4], [4, 5]]):
        with pytest.raises(ValueError, match="out of range"):
            track_kernels.again(places, places, places, places, times, times, np.array(wrong), flags, *limits)
    for k in range(6):
        fields = [places, places, places, places, times, times]
        fields[k] = fields[k][:3]
        with pytest.raises(ValueError, match="elements"):
            track_kernels.again(*fields, blocks, flags, *limits)
    for k in range(3):
        for nowhere in (np.nan, np.inf, -1e300):
            fields = [places, places, places, places, times, times]
            fields[k] = np.array([[0, 0], [0, 0], [0, nowhere], [0, 0]])
            with pytest.raises(ValueError, match="nowhere"):
                track_kernels.again(*fields, blocks, flags, *limits)
    with pytest.raises(ValueError, match="elements"):
        track_kernels.strides(times, times[:3], np.zeros(9, np.int64), 1.0)
    assert track_kernels.strides(np.arange(4.0), times, np.zeros(2, np.int64), 1.0) == 2
    assert not flags.any()
