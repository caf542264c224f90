"""Where the interval of a share ends, by what kind of recordings there are."""

import numpy as np
import pytest

from fieldcomb.coverage.estimate.interval_ends import GUESSED_SWING, MEASURED_LANES, RINGS, summed_up
from fieldcomb.coverage.estimate.regularity import LANES, WANDERING

DRAWN = (np.arange(200, dtype=np.float32)[:, None] + 0.5) / 200  # left out of the only cell


def interval(*kinds: str) -> tuple[float, float]:
    """Ends of the interval, in percent, of draws spread evenly from 0 to 100 %."""
    _, low, high = summed_up(DRAWN, np.ones(1), kinds)
    return low, high


def test_measured_spacings_make_the_interval_of_one_recording_narrower() -> None:
    """Lanes of which spacings were measured leave out as much at each end as other walks, and more than lanes do."""
    low, high = interval(MEASURED_LANES)
    assert (low, high) == pytest.approx((5, 95), abs=0.5)
    assert interval(LANES)[0] < low and high < interval(LANES)[1]


def test_measured_spacings_leave_less_above_several_recordings() -> None:
    """Of several recordings fewer draws lie above the interval once spacings are measured, and as many below."""
    usual, measured = interval(LANES, LANES), interval(MEASURED_LANES, LANES)
    assert measured == pytest.approx((usual[0], 93), abs=0.5) and usual[1] < 92


def test_walks_that_wander_leave_out_as_much_above_as_below() -> None:
    """Three walks that wander lie above the interval as seldom as below it; with lanes among them it ends lower."""
    low, high = interval(WANDERING, WANDERING, WANDERING)
    assert low == pytest.approx(100 - high, abs=0.5)
    assert interval(LANES, WANDERING, WANDERING)[1] < high


def test_more_recordings_leave_out_less_below() -> None:
    """The more recordings in lanes, the lower the interval begins, down to 3 % of the draws."""
    begins = [interval(*[LANES] * count)[0] for count in range(2, 9)]
    assert begins == sorted(begins, reverse=True) and begins[-1] == pytest.approx(3, abs=0.5)


@pytest.mark.parametrize("kind", [RINGS, WANDERING])
def test_a_walk_that_is_not_to_and_fro_has_a_narrower_interval_once_the_swing_is_measured(kind: str) -> None:
    """Rings and wandering leave out more at both ends than lanes, and than with a guessed swing."""
    low, high = interval(kind)
    for wider in (interval(LANES), interval(GUESSED_SWING)):
        assert wider[0] < low and high < wider[1]
