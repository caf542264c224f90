"""The curve put between fixes that lie far apart."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from fieldcomb.tracks.motion.curve import bend
from fieldcomb.tracks.recording import Floats

steps = st.lists(
    st.tuples(st.floats(0.5, 10), st.floats(-20, 20), st.floats(-20, 20)), min_size=2, max_size=30
)  # seconds and metres from fix to fix


def path(moves: list[tuple[float, float, float]]) -> tuple[Floats, Floats, Floats]:
    """Times and places from the moves between them."""
    t, x, y = np.cumsum(np.array([(0.0, 0.0, 0.0), *moves]), axis=0).T
    return t, x, y


@settings(deadline=None)
@given(steps)
def test_the_curve_goes_through_every_fix(moves: list[tuple[float, float, float]]) -> None:
    """Nothing is smoothed: each fix is on the curve, exactly and in order."""
    t, x, y = path(moves)
    bent = list(zip(*(v.tolist() for v in bend(t, x, y)), strict=True))
    at = 0
    for place in zip(x.tolist(), y.tolist(), strict=True):
        at = bent.index(place, at)
    assert bent[0] == (x[0], y[0])
    assert bent[-1] == (x[-1], y[-1])


@settings(deadline=None)
@given(steps)
def test_no_loops_however_irregular_the_fixes(moves: list[tuple[float, float, float]]) -> None:
    """Between two fixes the curve leaves their chord by no more than 0.6 of its length."""
    t, x, y = path(moves)
    bent_x, bent_y = bend(t, x, y)
    assume((np.hypot(np.diff(x), np.diff(y)) > 1e-6).all())
    fixes, curve = shapely.LineString(np.column_stack([x, y])), np.column_stack([bent_x, bent_y])
    longest = np.hypot(np.diff(x), np.diff(y)).max()
    assert shapely.distance(shapely.points(curve), fixes).max() <= 0.6 * longest + 1e-9


def test_a_lost_fix_makes_no_loop() -> None:
    """A silence of 20 s during which the walker turned round and came back swings out by less than a metre."""
    t = np.concatenate([np.arange(20.0), 40 + np.arange(20.0)])
    y = np.concatenate([0.3 * np.arange(20), 0.3 * np.arange(20)[::-1]])
    x = np.concatenate([np.zeros(20), np.full(20, 1.5)])
    bent_x, bent_y = bend(t, x, y)
    assert bent_y.max() < y.max() + 1.0
    assert bent_x.min() > -0.5
    assert bent_x.max() < 2.0


@pytest.mark.parametrize(
    "times", [np.arange(12.0) * 5, np.cumsum([0, 1, 9, 2, 8, 5, 5, 1, 1, 9, 3, 4.0])], ids=["even", "uneven"]
)
def test_a_straight_line_stays_straight(times: Floats) -> None:
    """An even walk straight on is bent nowhere, and goes forward only."""
    along = 0.3 * times
    x, y = bend(times, 0.6 * along, 0.8 * along)
    assert x.size > times.size
    np.testing.assert_allclose(0.8 * x - 0.6 * y, 0, atol=1e-9)
    assert np.all(np.diff(0.6 * x + 0.8 * y) > 0)


@pytest.mark.parametrize("radius_m", [0.75, 1.5, 3.0])
@pytest.mark.parametrize("interval_s", [3.0, 5.0])
def test_a_turn_is_nearer_the_truth_than_its_chords(radius_m: float, interval_s: float) -> None:
    """Half a circle between two straight lanes, recorded every few seconds, is followed more closely.

    Twice as closely at least where the fixes are no farther apart than the radius of the turn.
    """
    pace = 0.3

    def place(t: Floats) -> tuple[Floats, Floats]:
        s = pace * t - 5  # the turn begins after 5 m
        angle = np.clip(s / radius_m, 0, np.pi)
        x = radius_m * (1 - np.cos(angle))
        y = radius_m * np.sin(angle) + np.minimum(s, 0) - np.maximum(s - np.pi * radius_m, 0)
        return x, y

    end = (10 + np.pi * radius_m) / pace
    truth = shapely.LineString(np.column_stack(place(np.linspace(0, end, 5000))))
    bent, chords = [], []
    for phase in np.arange(0, interval_s, 0.5):
        t = np.arange(phase, end, interval_s)
        x, y = place(t)
        for found, (u, v) in ((chords, (x, y)), (bent, bend(t, x, y))):
            line = shapely.segmentize(shapely.LineString(np.column_stack([u, v])), 0.05)
            found.append(float(shapely.distance(shapely.points(line.coords), truth).max()))
    assert max(chords) > 0.03
    assert max(bent) < max(chords) * (0.5 if pace * interval_s <= radius_m else 1.0)


@given(st.lists(st.tuples(st.floats(0.2, 5), st.floats(-0.35, 0.35), st.floats(-0.35, 0.35)), min_size=1, max_size=20))
def test_fixes_close_together_are_left_alone(moves: list[tuple[float, float, float]]) -> None:
    """Fixes at most half a metre apart are joined by straight lines, with no point put between them."""
    t, x, y = path(moves)
    bent_x, bent_y = bend(t, x, y)
    np.testing.assert_array_equal(bent_x, x)
    np.testing.assert_array_equal(bent_y, y)


@pytest.mark.parametrize("n", [1, 2])
def test_one_or_two_fixes_are_left_alone(n: int) -> None:
    """There is no curve through one fix or two."""
    x, y = bend(np.arange(float(n)), 5 * np.arange(float(n)), np.zeros(n))
    assert x.tolist() == [0.0, 5.0][:n]
    assert y.tolist() == [0.0] * n


def test_standing_still_and_equal_times_do_no_harm() -> None:
    """Fixes at one place, or at one time, give finite places and no warning."""
    t = np.array([0.0, 1, 2, 2, 3, 4])
    x = np.array([0.0, 1, 1, 1, 2, 3])
    assert np.isfinite(bend(t, x, 0 * x)).all()
    bent_x, bent_y = bend(np.array([0.0, 1, 1, 2]), np.array([0.0, 1, 2, 3]), np.zeros(4))
    assert np.isfinite(bent_x).all()
    assert np.isfinite(bent_y).all()


@settings(deadline=None)
@given(steps)
def test_walked_backwards_it_is_the_same_curve(moves: list[tuple[float, float, float]]) -> None:
    """Without halts, the same places and times the other way round give the same curve."""
    t, x, y = path(moves)
    assume((np.hypot(np.diff(x), np.diff(y)) > 1e-6).all())
    there, back = np.array(bend(t, x, y)), np.array(bend(t[-1] - t[::-1], x[::-1], y[::-1]))
    np.testing.assert_allclose(there, back[:, ::-1], atol=1e-7)
