"""What the coil itself passes over: formulas against a zig-zag that is simulated piece by piece."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldcomb.coverage.gear.wedges import half_swing_m, pace_for, share_under_coil

# Width, length, swing width.
COILS = [(0.2, 0.2, 1.4), (0.28, 0.28, 1.48), (0.33, 0.33, 1.53), (0.13, 0.2, 0.9), (0.28, 0.38, 1.1)]
SWEEPS_S = [0.8, 1.0, 1.8]
PACES_M_S = [0.1, 0.15, 0.2, 0.3, 0.4, 0.6]
COLUMNS, ROWS, MOMENTS = 150, 500, 1200


def simulated(width_m: float, length_m: float, swath_m: float, step_m: float) -> float:
    """Sweep an elliptic coil to and fro, moment by moment, and return the share of the swath that it touched."""
    half = (swath_m - width_m) / 2
    x = ((np.arange(COLUMNS) + 0.5) / COLUMNS - 0.5) * swath_m
    at = np.arange(MOMENTS) / MOMENTS * 2  # sweeps, over one period
    across = half * (1 - 2 * np.abs(1 - at))
    chord = 1 - ((x[None, :] - across[:, None]) / (width_m / 2)) ** 2
    moment, column = np.nonzero(chord > 0)
    reach = length_m / 2 * np.sqrt(chord[moment, column])
    cell = 2 * step_m / ROWS
    periods = int(np.ceil(length_m / (2 * step_m))) + 2
    middle = at[moment] * step_m + length_m / 2
    first, last = (np.ceil((middle + way * reach) / cell - 0.5).astype(int) for way in (-1, 1))
    edges = np.zeros((COLUMNS, periods * ROWS + 1), int)
    np.add.at(edges, (column, first), 1)
    np.add.at(edges, (column, last), -1)
    touched = (np.cumsum(edges, axis=1)[:, :-1] > 0).reshape(COLUMNS, periods, ROWS).any(axis=1)
    return float(touched.mean())


@pytest.mark.parametrize("coil", COILS, ids=lambda coil: "x".join(map(str, coil)))
def test_shares_are_those_of_a_simulated_zigzag(coil: tuple[float, float, float]) -> None:
    """For three sweep times and six paces, c is within 0.01 of a zigzag drawn by brute force."""
    width, length, swath = coil
    for sweep_s in SWEEPS_S:
        whole = share_under_coil(width, length, swath, sweep_s, PACES_M_S)
        for k, pace in enumerate(PACES_M_S):
            truth = simulated(width, length, swath, pace * sweep_s)
            assert whole[k] == pytest.approx(truth, abs=0.01), (sweep_s, pace)


@pytest.mark.parametrize(("width_m", "pace_m_s"), [(0.20, 0.111), (0.28, 0.146), (0.33, 0.169)])
def test_pace_that_keeps_95_percent(width_m: float, pace_m_s: float) -> None:
    """At one sweep a second and 60 cm to each side, 11, 15 and 17 cm/s keep 95 % of the swath under the coil."""
    found = pace_for(width_m, width_m, 1.2 + width_m, 1.0)
    assert found == pytest.approx(pace_m_s, abs=0.002)
    assert simulated(width_m, width_m, 1.2 + width_m, found or 0) == pytest.approx(0.95, abs=0.002)
    slower = pace_for(width_m, width_m, 1.2 + width_m, 2.0)
    assert slower == pytest.approx((found or 0) / 2)  # twice the time for a sweep halves the pace


@pytest.mark.parametrize(("advance", "missed_pct"), [(0.5, 0.0), (0.6, 2.8), (0.75, 11.1), (1.0, 25.0)])
def test_missed_share_of_a_straight_zigzag(advance: float, missed_pct: float) -> None:
    """A coil that goes on by half its size a sweep misses nothing between the turns, by its whole size a quarter."""
    share = share_under_coil(0.2, 0.2, 100.2, 1.0, advance * 0.2)  # a swing so wide that the zig-zag is flat
    assert 100 * (1 - share) == pytest.approx(missed_pct, abs=0.1)


def test_who_stands_or_does_not_swing_leaves_no_wedge() -> None:
    """At no pace at all, or with a swath no wider than the coil, everything is covered; without a pace nobody knows."""
    assert share_under_coil(0.28, 0.28, 1.48, 1.0, 0.0) == 1
    assert (share_under_coil(0.28, 0.28, 0.28, 1.0, [0.0, 0.4, 5.0]) == 1).all()
    assert np.isnan(share_under_coil(0.28, 0.28, 1.48, 1.0, np.nan))
    assert pace_for(0.28, 0.28, 0.28, 1.0) is None


@pytest.mark.parametrize("more_m", [0.01, 0.001, 0.0001])
def test_swing_that_shrinks_to_nothing_comes_to_full_cover(more_m: float) -> None:
    """A swath wider than the coil by millimetres can lose no more than those, so that in the end nothing is lost."""
    assert 1 - more_m / 0.28 <= share_under_coil(0.28, 0.28, 0.28 + more_m, 1.0, 0.4) <= 1


def test_footprint_narrower_than_the_coil_covers_less_of_the_same_swath() -> None:
    """A footprint of 20 cm under a 28 cm coil leaves the outer 4 cm of the swath bare however slow the walk is."""
    half = half_swing_m(0.28, 1.48)
    assert share_under_coil(0.2, 0.2, 1.48, 1.0, 0.0, half_m=half) == pytest.approx(1.4 / 1.48)
    assert share_under_coil(0.0, 0.0, 1.48, 1.0, 0.3, half_m=half) == 0
    own = share_under_coil(0.2, 0.2, 1.4, 1.0, 0.3)
    assert share_under_coil(0.2, 0.2, 1.48, 1.0, 0.3, half_m=half) == pytest.approx(own * 1.4 / 1.48)


@given(
    width=st.floats(0.05, 1.0),
    longer=st.floats(0.5, 2.0),
    swing=st.floats(0.0, 2.0),
    sweep=st.floats(0.2, 10.0),
    pace=st.floats(0.0, 3.0),
)
def test_share_lies_between_none_and_all_and_falls_with_pace(
    width: float, longer: float, swing: float, sweep: float, pace: float
) -> None:
    """Whatever the coil and swing: never below none or above all, and a faster walk never covers more."""
    shares = share_under_coil(width, width * longer, width + swing, sweep, [pace, pace * 1.2 + 0.01])
    assert 0 <= shares[1] <= shares[0] + 1e-9 <= 1 + 2e-9
