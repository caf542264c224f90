"""Second by second: pace, smoothing and resampling against sums done plainly."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldcomb.tracks.motion.pace import (
    chord_pace_m_s,
    drift_pace_m_s,
    every_second,
    find_transits,
    smooth,
    stop_limit_m_s,
)
from fieldcomb.tracks.recording import Floats


@pytest.mark.parametrize("n", [1, 2, 4, 5, 6, 7, 20, 300])
def test_smoothing_is_the_least_of_its_sum(n: int) -> None:
    """The fast solution is that of the same equations written out in full (Whittaker 1923) and solved by numpy."""
    x = np.random.default_rng(n).normal(0, 3, n).cumsum()
    if n < 5:
        np.testing.assert_array_equal(smooth(x), x)
        return
    second = np.diff(np.eye(n), 2, axis=0)
    full = np.linalg.solve(np.eye(n) + 1000 * second.T @ second, x)
    np.testing.assert_allclose(smooth(x), full, rtol=1e-8, atol=1e-8)


@given(st.integers(5, 500), st.floats(-1, 1), st.floats(-1000, 1000))
def test_smoothing_leaves_an_even_walk_alone(n: int, pace: float, start: float) -> None:
    """A straight and even walk is smooth already: nothing is moved."""
    x = start + pace * np.arange(n)
    np.testing.assert_allclose(smooth(x), x, atol=1e-6)


def test_smoothing_takes_noise_out_of_a_length() -> None:
    """A straight kilometre with 0.15 m of white noise is far too long as recorded, and right to 2 % when smoothed."""
    rng = np.random.default_rng(1)
    n = 3334
    x, y = 0.3 * np.arange(n) + rng.normal(0, 0.15, n), rng.normal(0, 0.15, n)
    assert np.hypot(np.diff(x), np.diff(y)).sum() > 1200
    assert np.hypot(np.diff(smooth(x)), np.diff(smooth(y))).sum() == pytest.approx(1000, rel=0.02)


def drift_plainly(x: Floats, y: Floats, reach: int) -> Floats:
    """The definition, one second at a time."""
    out = []
    for k in range(x.size):
        low, high = max(k - reach, 0), min(k + reach, x.size - 1)
        after = np.array([x[k : high + 1].mean(), y[k : high + 1].mean()])
        before = np.array([x[low : k + 1].mean(), y[low : k + 1].mean()])
        out.append(np.hypot(*(after - before)) / max((high - low) / 2, 0.5))
    return np.array(out)


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(-100, 100), st.floats(-100, 100)), min_size=1, max_size=70), st.integers(1, 25))
def test_the_pace_between_means_is_that(places: list[tuple[float, float]], reach: int) -> None:
    """The pace used to find stops is the way between the mean of the next and of the last seconds."""
    x, y = np.array(places).T
    np.testing.assert_allclose(drift_pace_m_s(x, y, reach), drift_plainly(x, y, reach), atol=1e-9)


@given(st.integers(2, 200), st.floats(0, 2), st.integers(1, 20))
def test_an_even_walk_has_its_pace_everywhere(n: int, pace: float, reach: int) -> None:
    """On a straight and even walk both paces are the walker's own, at the ends too."""
    x = pace * np.arange(n)
    np.testing.assert_allclose(chord_pace_m_s(x, 0 * x, reach), pace, atol=1e-9)
    np.testing.assert_allclose(drift_pace_m_s(x, 0 * x, reach), pace, atol=1e-9)


def test_the_limit_of_standing_follows_a_slow_search() -> None:
    """Standing is under 0.15 m/s, and under 0.4 of the usual pace where the search itself is slow."""
    assert stop_limit_m_s(np.full(1000, 0.5)) == 0.15
    assert stop_limit_m_s(np.full(1000, 0.2)) == pytest.approx(0.08)
    assert stop_limit_m_s(np.full(1000, 0.06)) == pytest.approx(0.024)
    assert stop_limit_m_s(np.full(1000, 0.0)) == 0.15
    assert stop_limit_m_s(np.zeros(0)) == 0.15


def test_resampling_is_linear_between_fixes() -> None:
    """Each second lies on the line between the fixes around it; fractions of seconds and gaps included."""
    t = np.array([10.0, 10.5, 13.0, 20.0])
    x = np.array([0.0, 1.0, 6.0, 6.7])
    seconds = every_second(t, x, -x)
    np.testing.assert_allclose(seconds.real_s, np.arange(10.0, 21.0))
    np.testing.assert_allclose(seconds.x_m, np.interp(seconds.real_s, t, x))
    np.testing.assert_allclose(seconds.y_m, -seconds.x_m)


@pytest.mark.parametrize("silence_s", [90.0, 3600.0, 3.2e9])
def test_a_silence_is_shortened_in_its_middle(silence_s: float) -> None:
    """Seconds next to a long silence keep their true time; what is left out lies in the middle of the silence."""
    t = np.concatenate([np.arange(100.0), 99 + silence_s + np.arange(100.0)])
    seconds = every_second(t, 0.3 * np.arange(200), np.zeros(200))
    assert seconds.clock_s.size < 300
    np.testing.assert_allclose(seconds.real_s[:125], np.arange(125.0))
    np.testing.assert_allclose(seconds.real_s[-125:], t[-1] - np.arange(125.0)[::-1], rtol=1e-12)
    assert np.all(np.diff(seconds.real_s) > 0)


@pytest.mark.parametrize("t_s", [[0.0, 3.2e9], [0.0, 1.0, 3.2e9], [0.0, 3e9, 6e9, 9e9]])
def test_fixes_a_century_apart_cost_no_memory(t_s: list[float]) -> None:
    """Even when most steps are a century long, no billions of seconds are made of them."""
    tracemalloc.start()
    seconds = every_second(np.array(t_s), np.arange(float(len(t_s))), np.zeros(len(t_s)))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 1e6
    assert seconds.real_s[0] == 0
    assert seconds.real_s[-1] == pytest.approx(t_s[-1])


@given(st.lists(st.floats(0.01, 1e6), min_size=1, max_size=50))
def test_the_shortened_clock_rises_and_ends_with_the_fixes(steps: list[float]) -> None:
    """Whatever the steps, real time never falls, starts at the first fix and comes within a second of the last."""
    t = np.concatenate([[0.0], np.cumsum(steps)])
    seconds = every_second(t, np.arange(t.size, dtype=float), np.zeros(t.size))
    assert seconds.real_s[0] == 0
    assert np.all(np.diff(seconds.real_s) >= 0)
    assert t[-1] - 1 - 1e-6 <= seconds.real_s[-1] <= t[-1]
    assert np.all(np.diff(seconds.fix_clock_s) <= np.diff(t) + 1e-6)


@pytest.mark.parametrize("top_pace", [0.5, 0.9, 1.2])
def test_a_transit_is_what_is_faster_than_the_top_pace(top_pace: float) -> None:
    """Of a minute each at 0.3, 0.7, 1.0 and 1.4 m/s just those above the top pace are transit, cut to the second."""
    pace = np.repeat([0.3, 0.7, 1.0, 1.4, 0.3], 60)
    x = np.concatenate([[0.0], np.cumsum(pace)])
    seconds = every_second(np.arange(x.size, dtype=float), x, 0 * x)
    [(first, end)] = find_transits(seconds, top_pace)
    assert first == pytest.approx(60 * (1 + sum(top_pace > p for p in (0.7, 1.0))), abs=2)
    assert end == pytest.approx(240, abs=2)


@pytest.mark.parametrize("turn_deg", [60, 90, 120, 150, 180])
@pytest.mark.parametrize("interval_s", [1.0, 2.0])
def test_a_sharp_turn_does_not_part_a_transit(turn_deg: float, interval_s: float) -> None:
    """Somebody who walks to the car, turns round and walks back was in transit all the time."""
    t = np.arange(0.0, 241.0)
    way = np.radians(np.where(t < 120, 0, turn_deg))
    pace = np.where((t >= 60) & (t < 180), 1.3, 0.3)
    x, y = (np.concatenate([[0.0], np.cumsum(pace * f(way))[:-1]]) for f in (np.cos, np.sin))
    fix = np.arange(0.0, 241.0, interval_s)
    found = find_transits(every_second(fix, np.interp(fix, t, x), np.interp(fix, t, y)), 0.9)
    assert len(found) == 1
    assert found[0] == pytest.approx((60, 180), abs=2)


def test_a_search_between_two_transits_is_kept() -> None:
    """Half a minute of searching between two fast ways is no turn, and stays searching."""
    pace = np.repeat([1.3, 0.3, 1.3], [60, 30, 60])
    x = np.concatenate([[0.0], np.cumsum(pace)])
    found = find_transits(every_second(np.arange(x.size, dtype=float), x, 0 * x), 0.9)
    assert [end - first for first, end in found] == pytest.approx([60, 60], abs=3)
