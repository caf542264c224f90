"""Pegs: drift is taken off by touches of known places, and nothing is made worse where they tell little."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from scipy import linalg
from walk_paths import along_m, lanes
from walker import Noise, Piece, TrueWalk, build, gauss_markov, record

from fieldcomb.tracks.motion.cleaning import Fixes
from fieldcomb.tracks.motion.peg_drift import (
    NO_FIX,
    ONCE,
    TWICE,
    UNTIMED,
    WRONG,
    Peg,
    Tied,
    Touch,
    Touches,
    fit_tau_s,
    krige,
    residuals_m,
    tie,
    unknown_peg,
)

START_S = 1_770_000_000.0
SLOW_M, FAST_M, WHITE_M = 1.5, 0.5, 0.15  # a typical receiver
SEEDS = range(8)


def as_fixes(t_s: np.ndarray, x_m: np.ndarray, y_m: np.ndarray) -> Fixes:
    """Cleaned fixes of one unbroken piece."""
    zeros = np.zeros(t_s.size, np.int32)
    return Fixes(t_s + START_S, x_m, y_m, zeros, zeros)


@cache
def pegged_walk(seed: int, every_s: float = 300.0) -> TrueWalk:
    """An hour of lanes that stands for 12 s on a peg every so often."""
    rng = np.random.default_rng(seed)
    path = lanes(shapely.box(0, 0, 36, 50), 1.5, 0.0, rng)
    stops = tuple((float(s), 12.0, "peg") for s in np.arange(1.0, along_m(path)[-1], 0.3 * every_s))
    return build([Piece(path, stops=stops)], rng)


def touches_of(walk: TrueWalk) -> list[Touch]:
    """The mark is set 4 s before the walker goes on."""
    stops = enumerate(walk.stops)
    return [Touch(Peg(f"peg {n}", stop.x_m, stop.y_m), stop.end_s - 4.0 + START_S) for n, stop in stops]


@cache
def tied_walk(seed: int, tau_s: float, every_s: float = 300.0) -> tuple[float, float, Tied]:
    """Position error of a walk, rms, before and after; and how it was tied."""
    walk, noise = pegged_walk(seed, every_s), Noise(SLOW_M, FAST_M, WHITE_M, slow_tau_s=tau_s)
    seen = record(walk, 1.0, noise=noise, rng=np.random.default_rng([seed, int(tau_s)]))
    before = as_fixes(seen.t_s, seen.x_m, seen.y_m)
    tied = tie(before, touches_of(walk), SLOW_M, FAST_M)
    true = (np.interp(seen.t_s, walk.t_s, v) for v in (walk.x_m, walk.y_m))
    x, y = true
    rms = [float(np.sqrt(np.mean((f.x_m - x) ** 2 + (f.y_m - y) ** 2))) for f in (before, tied.fixes)]
    return rms[0], rms[1], tied


# --------------------------------------------------------------------------------------------------- what it is worth


def test_pegs_help_even_where_drift_changes_fast() -> None:
    """Touched every 5 min with drift that fades in 100 s, no walk gets worse by over 2 %, and on average better."""
    ratios = [after / before for before, after, _ in (tied_walk(seed, 100.0) for seed in SEEDS)]
    assert max(ratios) <= 1.02 and np.mean(ratios) < 1.0, ratios


def test_pegs_help_much_where_drift_is_slow() -> None:
    """Touched every 5 min with drift that fades in 15 min, every walk is at least 15 % nearer to the truth."""
    ratios = [after / before for before, after, _ in (tied_walk(seed, 900.0) for seed in SEEDS)]
    assert max(ratios) <= 0.85, ratios


def test_sparse_pegs_do_no_harm_on_average() -> None:
    """Touched every 20 min with drift that fades in 100 s, walks are on average no worse than without pegs."""
    ratios = [after / before for before, after, _ in (tied_walk(seed, 100.0, 1200.0) for seed in SEEDS)]
    assert np.mean(ratios) <= 1.0, ratios


def test_the_time_constant_is_found() -> None:
    """Drift that fades in 15 min is told from drift that fades in 100 s on each walk of an hour with 14 touches."""
    fast, slow = ([tied_walk(seed, tau)[2].tau_s for seed in SEEDS] for tau in (100.0, 900.0))
    assert max(t for t in fast if t) < min(t for t in slow if t)
    assert all(100.0 <= t <= 900.0 for t in (*fast, *slow) if t)


def test_what_is_left_at_a_touch_is_told_without_it() -> None:
    """With slow drift the others tell most of a touch, and the figure promises no more than the walk's true error."""
    lefts, afters = [], []
    for seed in SEEDS:
        _, after, tied = tied_walk(seed, 900.0)
        off = np.sqrt(np.mean([r.east_m**2 + r.north_m**2 for r in tied.residuals]))
        lefts.append(np.sqrt(np.mean([r.left_east_m**2 + r.left_north_m**2 for r in tied.residuals])))
        afters.append(after)
        assert lefts[-1] < off
    assert np.mean(afters) <= np.mean(lefts)


# ------------------------------------------------------------------------------------- pegs that nobody measured


def back_again(seed: int, every_s: float = 150.0, tau_s: float = 200.0) -> tuple[Fixes, np.ndarray, list[float]]:
    """An hour in which the walker is back at the gate, at (7, -3), every so often for 12 s; recorded, and as it was."""
    rng, t = np.random.default_rng([seed, 3]), np.arange(3600.0)
    out = np.clip((t % every_s - 12) / (every_s - 12), 0, 1)
    true = np.column_stack([7 + 20 * (1 - np.abs(2 * out - 1)) * (out > 0), np.full(t.size, -3.0)])
    off = [gauss_markov(t, SLOW_M, tau_s, rng) + gauss_markov(t, FAST_M, 25.0, rng) for _ in range(2)]
    recorded = true + np.column_stack(off)
    return as_fixes(t, *recorded.T), true, [n * every_s + 6 + START_S for n in range(int(3600 / every_s))]


def off_m(fixes: Fixes, true: np.ndarray) -> float:
    """Position error, rms."""
    return float(np.sqrt(((fixes.x_m - true[:, 0]) ** 2 + (fixes.y_m - true[:, 1]) ** 2).mean()))


def test_a_gate_post_that_nobody_measured_takes_off_a_quarter_of_the_error() -> None:
    """Touched every 2.5 min with drift that fades in 200 s, walks are 25 % nearer to the truth on average, and lose at
    most an eighth of what the same post would give had it been measured.
    """
    before, unmeasured, measured = [], [], []
    for seed in SEEDS:
        fixes, true, times = back_again(seed)
        before.append(off_m(fixes, true))
        for peg, found in ((unknown_peg("gate"), unmeasured), (Peg("gate", 7.0, -3.0), measured)):
            tied = tie(fixes, [Touch(peg, t) for t in times], SLOW_M, FAST_M)
            assert len(tied.residuals) == len(times) and {r.measured for r in tied.residuals} == {peg.measured}
            found.append(off_m(tied.fixes, true))
    assert np.mean(unmeasured) <= 0.75 * np.mean(before)
    assert np.mean(unmeasured) - np.mean(measured) <= np.mean(before) / 8


def test_an_exact_walk_is_not_moved_by_a_gate_that_nobody_measured() -> None:
    """A receiver without error finds the post at one place each time: every fix stays, to a nanometre."""
    fixes, true, times = back_again(1)
    exact = as_fixes(fixes.t_s - START_S, *true.T)
    tied = tie(exact, [Touch(unknown_peg("gate"), t) for t in times], SLOW_M, FAST_M)
    assert np.abs(tied.fixes.x_m - exact.x_m).max() <= 1e-9 and np.abs(tied.fixes.y_m - exact.y_m).max() <= 1e-9


def test_where_a_peg_stands_makes_no_difference_when_nobody_measured_it() -> None:
    """A constant error is not seen: the walk recorded 3 m farther north is tied to the same walk 3 m farther north."""
    fixes, _, times = back_again(2)
    touches = [Touch(unknown_peg("gate"), t) for t in times]
    here = tie(fixes, touches, SLOW_M, FAST_M)
    there = tie(as_fixes(fixes.t_s - START_S, fixes.x_m, fixes.y_m + 3), touches, SLOW_M, FAST_M)
    assert np.allclose(there.fixes.y_m - 3, here.fixes.y_m, rtol=0, atol=1e-6)
    assert [r.east_m for r in there.residuals] == pytest.approx([r.east_m for r in here.residuals], abs=1e-6)


def test_one_touch_of_an_unmeasured_peg_tells_nothing() -> None:
    """It is told and not used; two of one peg are, and a single one of another beside them is not."""
    fixes, _, times = back_again(3)
    one = tie(fixes, [Touch(unknown_peg("gate"), times[2])], SLOW_M, FAST_M)
    assert [u.why for u in one.unused] == [ONCE] and np.array_equal(one.fixes.x_m, fixes.x_m)
    mixed = tie(
        fixes,
        [Touch(unknown_peg("gate"), t) for t in times[:2]] + [Touch(unknown_peg("oak"), times[4])],
        SLOW_M,
        FAST_M,
    )
    assert [u.touch.peg.name for u in mixed.unused] == ["oak"] and len(mixed.residuals) == 2
    first, second = mixed.residuals  # each is told by the other alone
    assert (first.east_m, first.north_m) == pytest.approx((-second.east_m, -second.north_m))


def test_two_touches_of_an_unmeasured_peg_by_hand() -> None:
    """Half of the difference of two touches, shrunk by what a touch itself is off, goes to each of them."""
    at, off = np.array([0.0, 100.0]), np.array([[1.0, 0.0], [3.0, 0.0]])
    slow, nugget, tau = 2.0, 0.5, 200.0
    touches = Touches(at, off - off.mean(axis=0), np.ones((2, 2), bool))
    share = slow**2 * (1 - math.exp(-0.5)) / (slow**2 * (1 - math.exp(-0.5)) + nugget**2)
    got = krige(touches, at, tau, slow, nugget)
    assert got[:, 0] == pytest.approx([-share, share], rel=1e-9)


# --------------------------------------------------------------------------------------------------------- invariants


def test_an_exact_walk_is_not_moved() -> None:
    """A receiver without error that touches pegs where they are leaves every fix where it is, to a nanometre."""
    walk = pegged_walk(1)
    seen = record(walk, 1.0, decimals=None)
    fixes = as_fixes(seen.t_s, seen.x_m, seen.y_m)
    tied = tie(fixes, touches_of(walk), SLOW_M, FAST_M)
    assert len(tied.residuals) == len(walk.stops) and tied.unused == ()
    assert np.abs(tied.fixes.x_m - fixes.x_m).max() <= 1e-9 and np.abs(tied.fixes.y_m - fixes.y_m).max() <= 1e-9


@cache
def noisy() -> tuple[Fixes, list[Touch]]:
    """One walk with error."""
    walk = pegged_walk(3)
    seen = record(walk, 3.0, noise=Noise(SLOW_M, FAST_M, WHITE_M), rng=np.random.default_rng(5))
    return as_fixes(seen.t_s, seen.x_m, seen.y_m), touches_of(walk)


@given(st.permutations(range(12)))
def test_the_order_of_touches_does_not_matter(order: list[int]) -> None:
    """Touches in any order give the same walk, digit by digit."""
    fixes, touches = noisy()
    one, other = (tie(fixes, [touches[k] for k in ks], SLOW_M, FAST_M) for ks in (range(12), order))
    assert np.array_equal(one.fixes.x_m, other.fixes.x_m) and np.array_equal(one.fixes.y_m, other.fixes.y_m)
    assert one.residuals == other.residuals


@given(st.floats(-500, 500), st.floats(-500, 500), st.floats(-1e6, 1e6))
def test_shifting_everything_shifts_the_result(east_m: float, north_m: float, later_s: float) -> None:
    """Walk and pegs moved together, and later, give the same walk moved."""
    fixes, touches = noisy()
    there = Fixes(fixes.t_s + later_s, fixes.x_m + east_m, fixes.y_m + north_m, fixes.source, fixes.piece)
    moved = [Touch(Peg(t.peg.name, t.peg.x_m + east_m, t.peg.y_m + north_m), t.time_s + later_s) for t in touches]
    here, away = tie(fixes, touches, SLOW_M, FAST_M), tie(there, moved, SLOW_M, FAST_M)
    assert np.allclose(away.fixes.x_m - east_m, here.fixes.x_m, rtol=0, atol=1e-5)
    assert np.allclose(away.fixes.y_m - north_m, here.fixes.y_m, rtol=0, atol=1e-5)


def test_far_from_all_touches_nothing_is_moved() -> None:
    """An hour after the only touch the walk is where it was recorded; at the touch it is moved onto the peg."""
    t = np.arange(0.0, 3700.0)
    fixes = as_fixes(t, np.where(t < 60, 0.0, 0.3 * (t - 60)), np.zeros(t.size))
    tied = tie(fixes, [Touch(Peg("A", -1.0, 2.0), START_S + 30)], SLOW_M, FAST_M)
    moved_m = np.hypot(tied.fixes.x_m - fixes.x_m, tied.fixes.y_m - fixes.y_m)
    assert moved_m[-1] < 1e-6 and moved_m[30] == pytest.approx(math.hypot(1, 2), rel=0.1)


# ------------------------------------------------------------------------------------------------------------ kriging


def known(at_s: np.ndarray, off_m: np.ndarray) -> Touches:
    """Touches of pegs whose places are known."""
    return Touches(at_s, off_m, np.zeros((at_s.size, at_s.size), bool))


def test_two_touches_by_hand() -> None:
    """Two touches: (a + n) u + c v = p and c u + (a + n) v = q solved by hand."""
    slow, nugget, tau = 2.0, 0.5, 200.0
    off = np.array([[1.0, -2.0], [3.0, 0.5]])
    a, n, c = slow**2, nugget**2, slow**2 * math.exp(-0.5)  # 100 s apart: half a time constant
    for when, near, far in ((0.0, 1.0, math.exp(-0.5)), (50.0, math.exp(-0.25), math.exp(-0.25))):
        det = (a + n) ** 2 - c**2
        expected = [
            (a * near * ((a + n) * p - c * q) + a * far * ((a + n) * q - c * p)) / det for p, q in off.T.tolist()
        ]
        got = krige(known(np.array([0.0, 100.0]), off), np.array([when]), tau, slow, nugget)
        assert got[0] == pytest.approx(expected, rel=1e-12)
    # Left out: the first touch told by the second alone, by simple kriging of one value.
    left = residuals_m(known(np.array([0.0, 100.0]), off), tau, slow, nugget)
    assert left[0] == pytest.approx([p - c / (a + n) * q for p, q in off.T.tolist()], rel=1e-12)


@given(st.integers(0, 10_000))
def test_kriging_is_the_mean_given_the_touches(seed: int) -> None:
    """The drift is the conditional mean of a normal process, by partitioned covariance and an eigendecomposition."""
    rng = np.random.default_rng(seed)
    at, when = np.sort(rng.uniform(0, 3600, 9)), rng.uniform(0, 3600, 5)
    off, tau = rng.normal(0, 2, (9, 2)), float(rng.uniform(100, 900))
    everything = np.concatenate([when, at])
    whole = np.zeros((14, 14))
    for i in range(14):
        for j in range(14):
            whole[i, j] = 1.5**2 * math.exp(-abs(everything[i] - everything[j]) / tau) + (i == j >= 5) * 0.3**2
    values, vectors = linalg.eigh(whole[5:, 5:])
    expected = whole[:5, 5:] @ (vectors / values) @ (vectors.T @ off)
    assert np.allclose(krige(known(at, off), when, tau, 1.5, 0.3), expected, atol=1e-8)
    rest = [known(np.delete(at, k), np.delete(off, k, 0)) for k in range(9)]
    again = [off[k] - krige(rest[k], at[k : k + 1], tau, 1.5, 0.3)[0] for k in range(9)]
    assert np.allclose(residuals_m(known(at, off), tau, 1.5, 0.3), again, atol=1e-8)


def test_fewer_than_four_touches_take_the_usual_time_constant() -> None:
    """Three touches cannot tell how fast drift changes: 200 s is taken, whatever they are."""
    off = np.array([[1.0, 1.0], [1.1, 0.9], [1.0, 1.0]])
    assert fit_tau_s(known(np.array([0.0, 300.0, 600.0]), off), 1.5, 0.3) == 200.0


# -------------------------------------------------------------------------------------------------- what is not used


def standing(place: tuple[float, float], seconds: int = 20) -> Fixes:
    """Walk to a place, stand there, and walk on."""
    x = np.concatenate([np.arange(-20, 0) * 0.3, np.zeros(seconds), np.arange(1, 21) * 0.3])
    return as_fixes(np.arange(float(x.size)), x + place[0], np.full(x.size, place[1]))


def test_a_wrong_peg_is_told_and_not_used() -> None:
    """A touch more than four sigma off moves nothing, and comes back with how far off it is."""
    fixes = standing((0.0, 0.0))
    tied = tie(fixes, [Touch(Peg("B", 6.0, 8.0), START_S + 30)], SLOW_M, FAST_M)
    [one] = tied.unused
    assert (one.why, one.off_m, tied.residuals) == (WRONG, pytest.approx(10.0), ())
    assert np.array_equal(tied.fixes.x_m, fixes.x_m)
    poor = tie(fixes, [Touch(Peg("B", 6.0, 8.0), START_S + 30)], 3.0, 1.0)
    assert poor.unused == () and len(poor.residuals) == 1


def test_a_touch_that_is_marked_twice_counts_once() -> None:
    """Two presses within one touch do not make the peg weigh double; the same peg later counts again."""
    peg, fixes = Peg("A", 1.0, 0.0), standing((0.0, 0.0), 200)
    tied = tie(fixes, [Touch(peg, START_S + 40 + k) for k in (0, 3, 150)], SLOW_M, FAST_M)
    assert [u.why for u in tied.unused] == [TWICE] and len(tied.residuals) == 2


def test_a_touch_without_fixes_or_clock_is_not_used() -> None:
    """A mark outside the recording, and any mark in a recording without times, is told and moves nothing."""
    fixes, touch = standing((0.0, 0.0)), Touch(Peg("A", 1.0, 0.0), START_S + 5000)
    assert [u.why for u in tie(fixes, [touch], SLOW_M, FAST_M).unused] == [NO_FIX]
    blind = Fixes(np.full(len(fixes), np.nan), fixes.x_m, fixes.y_m, fixes.source, fixes.piece)
    assert [u.why for u in tie(blind, [touch], SLOW_M, FAST_M).unused] == [UNTIMED]


def test_a_survey_grade_receiver_is_hardly_moved() -> None:
    """A touch 30 cm beside the peg is the arm's length of its bearer: a walk true to 2 cm moves by less than 1 cm."""
    fixes = standing((0.0, 0.0))
    tied = tie(fixes, [Touch(Peg("A", 0.3, 0.0), START_S + 30)], 0.019, 0.0063)
    assert 0 < np.abs(tied.fixes.x_m - fixes.x_m).max() < 0.01
