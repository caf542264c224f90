"""Ground by lanes and ground by recordings, put together cell by cell."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldcomb.coverage.estimate.interval_ends import summed_up
from fieldcomb.coverage.estimate.lane_share import left_by_lanes, share_with_lanes
from fieldcomb.coverage.estimate.regularity import LANES
from fieldcomb.coverage.estimate.walked_ground import DRAWS
from fieldcomb.coverage.lanes.lane_draws import LANE_DRAWS, CellsSwept

CELLS = 40
WEIGHT = np.full(CELLS, 1 / CELLS)
ONE = partial(summed_up, kinds=[LANES])


def left(mean: float, spread: float, draws: int, seed: int) -> np.ndarray:
    """Left out of each cell in so many draws."""
    rng = np.random.default_rng(seed)
    shift = spread * rng.standard_normal((draws, 1))
    return np.clip(mean + shift + 0.1 * rng.standard_normal((draws, CELLS)), 0, 1).astype(np.float32)


def test_without_lanes_it_is_the_share_by_recordings() -> None:
    """Lanes that swept nothing change neither the share nor its interval."""
    missed = left(0.3, 0.05, DRAWS, 1)
    share = share_with_lanes(missed, np.ones((LANE_DRAWS, CELLS), np.float32), WEIGHT, ONE)
    assert (share.pct, share.low, share.high) == pytest.approx(ONE(missed, WEIGHT), abs=1e-4)
    assert share.by_lanes_pct == 0


def test_without_recordings_it_is_the_share_by_lanes() -> None:
    """Where nobody else walked, the interval is that of nine in ten draws of the lanes, and hardly wider."""
    lanes = left(0.1, 0.02, LANE_DRAWS, 2)
    share = share_with_lanes(np.ones((DRAWS, CELLS), np.float32), lanes, WEIGHT, ONE)
    shares = 100 * (1 - lanes.mean(axis=1))
    low, high = np.percentile(shares, (5, 95))
    assert share.pct == pytest.approx(shares.mean(), abs=1e-3) and share.by_lanes_pct == pytest.approx(share.pct)
    assert low - 0.6 < share.low < low and high < share.high < high + 0.6


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.integers(0, 100))
def test_both_add_up_as_evidence_of_their_own(by_walks: float, by_lanes: float, seed: int) -> None:
    """What is left is what both left; it is no more than either left, and the interval holds the share."""
    missed, lanes = left(by_walks, 0.05, DRAWS, seed), left(by_lanes, 0.02, LANE_DRAWS, seed + 1)
    share = share_with_lanes(missed, lanes, WEIGHT, ONE)
    both = 100 * (1 - float(WEIGHT @ (missed.mean(axis=0, dtype=float) * lanes.mean(axis=0, dtype=float))))
    assert share.pct == pytest.approx(both, abs=1e-3)
    assert 0 <= share.low <= share.pct + 1e-9 and share.pct - 1e-9 <= share.high <= 100
    assert share.pct >= share.by_lanes_pct - 1e-3


def test_parts_of_a_site_have_intervals_that_add_up_as_squares() -> None:
    """Two halves, one by lanes and one by recordings: the half widths of the site are those of both halves."""
    west = np.arange(CELLS) < CELLS // 2
    missed, lanes = left(0.3, 0.05, DRAWS, 3), left(0.1, 0.03, LANE_DRAWS, 4)
    missed[:, west], lanes[:, ~west] = 1, 1
    nothing = np.ones((DRAWS, CELLS), np.float32), np.ones((LANE_DRAWS, CELLS), np.float32)
    both = share_with_lanes(missed, lanes, WEIGHT, ONE)
    walks, alone = share_with_lanes(missed, nothing[1], WEIGHT, ONE), share_with_lanes(nothing[0], lanes, WEIGHT, ONE)
    for side in ("low", "high"):
        halves = [abs(getattr(one, side) - one.pct) for one in (walks, alone, both)]
        assert np.hypot(*halves[:2]) == pytest.approx(halves[2], rel=1e-3)


def test_lanes_of_several_outings_leave_what_all_of_them_left() -> None:
    """Cells that two outings swept by half are left by a quarter; cells of neither are left whole."""
    swept = np.full((LANE_DRAWS, 2), 0.5, np.float32)
    one = CellsSwept(np.array([1, 2]), swept, np.zeros(0, np.int64), np.zeros(0))
    both = left_by_lanes(left_by_lanes(None, one, 4), one, 4)
    assert both.mean(axis=0).tolist() == [1.0, 0.25, 0.25, 1.0]
