"""What is left out of a recording, what never is, and where a recording is taken as broken off."""

from __future__ import annotations

import math
import tracemalloc
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from truth import Scenario, scenarios
from walker import TRANSIT, Fixes, TrueWalk, record

from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.motion.cleaning import (
    DUPLICATE,
    NO_POSITION,
    OUT_OF_ORDER,
    OUT_OF_RANGE,
    OUTSIDE_WINDOW,
    SPIKE,
    TOO_FAR,
    Cleaned,
    clean,
)
from fieldcomb.tracks.recording import EVER, Floats, Track

FRAME = SiteFrame(-30.0, 40.0)  # at sea
START_S = 1_770_000_000.0


def track(t_s: Floats, x_m: Floats, y_m: Floats) -> Track:
    """A track through places in site metres; the clock counts from ``START_S``."""
    lon, lat = FRAME.to_lonlat(x_m, y_m)
    return Track(lon, lat, np.asarray(t_s, float) + START_S, np.zeros(np.size(lon), np.int32))


def as_track(fixes: Fixes) -> Track:
    """A simulated recording as read from a file."""
    return track(fixes.t_s, fixes.x_m, fixes.y_m)


def straight(n: int, pace_m_s: float = 0.3, step_s: float = 1.0) -> tuple[Floats, Floats, Floats]:
    """An even walk to the east."""
    t = np.arange(n) * step_s
    return t, pace_m_s * t, np.zeros(n)


def times(cleaned: Cleaned) -> Floats:
    """Seconds of the kept fixes since ``START_S``."""
    return cleaned.fixes.t_s - START_S


@cache
def drawn(seed: int) -> tuple[Scenario, ...]:
    """All kinds of walk; drawn once."""
    return tuple(scenarios(seed))


def walks(seed: int) -> list[tuple[str, TrueWalk]]:
    """Every walk of every scenario, with its name."""
    return [(s.name, o.walk) for s in drawn(seed) for o in s.outings]


# ------------------------------------------------------------------------------------------------- nothing lost


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("interval_s", [1.0, 3.0, 5.0, 10.0, (0.8, 2.5), (1.0, 9.0)], ids=str)
def test_a_walk_without_errors_loses_nothing(seed: int, interval_s: float | tuple[float, float]) -> None:
    """Recorded without errors, evenly or as a phone does, any walk keeps every fix in one piece, fast ways included."""
    rng = np.random.default_rng(seed)
    for name, walk in walks(seed):
        assert (walk.state == TRANSIT).any()
        fixes = record(walk, interval_s, phase=0.37, rng=rng)
        cleaned = clean([as_track(fixes)], FRAME)
        assert cleaned.dropped == ({},), name
        np.testing.assert_allclose(cleaned.fixes.x_m, fixes.x_m, atol=1e-4)
        np.testing.assert_allclose(cleaned.fixes.y_m, fixes.y_m, atol=1e-4)
        np.testing.assert_array_equal(times(cleaned), (fixes.t_s + START_S) - START_S)
        assert cleaned.fixes.piece.max() == 0, name
        assert cleaned.notes == (), name


@pytest.mark.parametrize("pace_m_s", [1.5, 2.0])
@pytest.mark.parametrize("step_s", [1.0, 3.0, 5.0, 10.0])
def test_turning_back_on_a_quick_walk_is_no_spike(pace_m_s: float, step_s: float) -> None:
    """Somebody who strides out, turns on the heel and strides back has been where the fixes say."""
    t = np.arange(0.0, 241.0, step_s)
    x = pace_m_s * np.minimum(t, 240 - t)
    assert clean([track(t, x, 0 * t)], FRAME).dropped == ({},)


# ------------------------------------------------------------------------------------------------------- spikes


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("interval_s", [1.0, 3.0, 5.0])
def test_spikes_are_left_out_and_counted_and_their_neighbours_kept(seed: int, interval_s: float) -> None:
    """One to three fixes that jump 8-60 m away are left out, exactly these, and counted as such."""
    rng = np.random.default_rng(seed)
    for name, walk in walks(seed):
        fixes = record(walk, interval_s, spikes=12, rng=rng)
        cleaned = clean([as_track(fixes)], FRAME)
        assert cleaned.dropped == ({SPIKE: int(fixes.is_spike.sum())},), name
        np.testing.assert_allclose(times(cleaned), fixes.t_s[~fixes.is_spike], atol=1e-6)
        kept = cleaned.fixes
        broken = np.diff(kept.piece) > 0
        assert (np.hypot(np.diff(kept.x_m), np.diff(kept.y_m))[broken] > 25).all(), name


@pytest.mark.parametrize("where", [0, 1, 150, 298, 299])
@pytest.mark.parametrize("timed", [True, False])
def test_one_fix_800_km_away_is_left_out_alone(where: int, timed: bool) -> None:
    """One wild fix far away, first, last or in the middle, with or without a clock, is left out and breaks nothing."""
    t, x, y = straight(300)
    x[where] += 800_000
    cleaned = clean([track(t if timed else t * np.nan, x, y)], FRAME)
    assert cleaned.dropped == ({SPIKE: 1},)
    assert len(cleaned.fixes) == 299
    assert cleaned.fixes.piece.max() == 0


# ----------------------------------------------------------------------------------------- each reason, each file


def test_each_reason_is_counted_for_each_file() -> None:
    """What is left out is counted by file and reason: no position, out of range, double, out of order, far away."""
    t, x, y = straight(200)
    one, two = track(t, x, y), track(t + 200, x + 60, y)
    one.lat_deg[10] = np.nan
    one.lon_deg[[20, 21]] = np.inf, -np.inf
    one.lat_deg[30] = 91.0
    one.lon_deg[31] = -181.0
    two.time_s[40], two.lon_deg[40], two.lat_deg[40] = two.time_s[39], two.lon_deg[39], two.lat_deg[39]
    two.time_s[50] += 4000
    two.lat_deg[60] += 0.0005
    cleaned = clean([one, two], FRAME)
    assert cleaned.dropped == ({NO_POSITION: 3, OUT_OF_RANGE: 2}, {DUPLICATE: 1, OUT_OF_ORDER: 1, SPIKE: 1})
    assert np.bincount(cleaned.fixes.source).tolist() == [195, 197]


def test_the_antipodes_are_out_of_range() -> None:
    """A fix on the other side of the earth, which the frame cannot place, is counted and does no harm."""
    t, x, y = straight(50)
    walk = track(t, x, y)
    walk.lon_deg[20], walk.lat_deg[20] = 150.0, -40.0
    cleaned = clean([walk], FRAME)
    assert len(cleaned.fixes) == 49
    assert sum(cleaned.dropped[0].values()) == 1


@pytest.mark.parametrize("n", [0, 1, 2])
def test_tiny_recordings(n: int) -> None:
    """No fix, one, or two are kept as they are."""
    cleaned = clean([track(*straight(n))], FRAME)
    assert len(cleaned.fixes) == n
    assert cleaned.dropped == ({},)
    assert cleaned.fixes.timed == (n > 0)


# -------------------------------------------------------------------------------------------------------- clocks


def test_two_fixes_in_the_wrong_order() -> None:
    """Of two fixes whose times run backwards only what rises is kept, and the other is counted."""
    cleaned = clean([track(np.array([5.0, 0.0]), np.array([0.0, 1.0]), np.zeros(2))], FRAME)
    assert cleaned.dropped == ({OUT_OF_ORDER: 1},)


@pytest.mark.parametrize("shift_s", [-3e9, -4000.0, -50.0, 50.0, 4000.0, 3e9])
def test_a_single_wrong_clock_is_left_out(shift_s: float) -> None:
    """One fix whose clock is ahead or behind is left out and counted; all others keep their order."""
    t, x, y = straight(100)
    t[40] += shift_s
    cleaned = clean([track(t, x, y)], FRAME)
    assert cleaned.dropped == ({OUT_OF_ORDER: 1},)
    np.testing.assert_array_equal(times(cleaned), np.delete(np.arange(100.0), 40))


def test_pieces_in_the_wrong_order_are_put_right() -> None:
    """A file that holds the second half of the walk first gives the walk in order of time, and a note says so."""
    t, x, y = straight(400)
    swapped = np.concatenate([np.arange(200, 400), np.arange(200)])
    cleaned = clean([track(t[swapped], x[swapped], y[swapped])], FRAME)
    assert cleaned.dropped == ({},)
    np.testing.assert_array_equal(times(cleaned), t)
    np.testing.assert_allclose(cleaned.fixes.x_m, x, atol=1e-6)
    assert any("backwards in 1 place;" in note for note in cleaned.notes)


def test_two_recorders_in_one_file_are_told() -> None:
    """Two walks at the same time in one file are put in order of time, and a note says what to do."""
    t, x, y = straight(100)
    both = track(np.concatenate([t, t + 0.5]), np.concatenate([x, x + 0.15]), np.concatenate([y, y + 1]))
    cleaned = clean([both], FRAME)
    assert np.all(np.diff(cleaned.fixes.t_s) > 0)
    assert any("two recorders" in note for note in cleaned.notes)


def test_points_that_share_a_time_are_spread() -> None:
    """Five fixes a second stamped with whole seconds are spread over the second, none lost, and a note says so."""
    t, x, y = straight(500, step_s=0.2)
    cleaned = clean([track(np.floor(t + 1e-9), x, y)], FRAME)
    assert cleaned.dropped == ({},)
    np.testing.assert_allclose(times(cleaned), t, atol=1e-5)
    assert any(note.startswith("400 fixes share their time") for note in cleaned.notes)


def test_points_that_share_a_time_stay_within_a_second() -> None:
    """Three fixes of one time, the next ten seconds later, are spread over one second and not over ten."""
    t = np.array([0.0, 0, 0, 10, 20, 30])
    cleaned = clean([track(t, np.arange(6.0), np.zeros(6))], FRAME)
    np.testing.assert_allclose(times(cleaned), [0, 1 / 3, 2 / 3, 10, 20, 30], atol=1e-6)


def test_missing_times_are_filled() -> None:
    """Where some fixes have no time, each gets one between its neighbours, at both ends by the usual step."""
    t, x, y = straight(60, step_s=2.0)
    gone = t.copy()
    gone[[0, 1, 30, 31, 32, 59]] = np.nan
    cleaned = clean([track(gone, x, y)], FRAME)
    np.testing.assert_allclose(times(cleaned), t)
    assert cleaned.notes == ("6 fixes without a time were given one between their neighbours",)


def test_a_clock_on_few_fixes_is_no_clock() -> None:
    """When fewer than half of the fixes have a time none is used, no fix is lost, and a note says so."""
    t, x, y = straight(100)
    t[40:] = np.nan
    cleaned = clean([track(t, x, y)], FRAME)
    assert len(cleaned.fixes) == 100
    assert not cleaned.fixes.timed
    assert np.isnan(cleaned.fixes.t_s).all()
    assert cleaned.notes == ("Only 40 of 100 fixes have a time, so times were not used",)


def test_no_times_at_all() -> None:
    """A walk without times keeps its fixes and their order; only a jump breaks it."""
    t, x, y = straight(100)
    x[50:] += 30
    cleaned = clean([track(t * np.nan, x, y)], FRAME)
    assert cleaned.dropped == ({},)
    assert not cleaned.fixes.timed
    np.testing.assert_allclose(cleaned.fixes.x_m, x, atol=1e-6)
    assert np.bincount(cleaned.fixes.piece).tolist() == [50, 50]


@pytest.mark.parametrize("away_m", [0.3, 12.0])
@pytest.mark.parametrize("n", [1, 100])
def test_a_century_between_two_fixes(n: int, away_m: float) -> None:
    """A clock that jumps a century ahead costs no memory and no fix: it is a stop, or a drop-out when far."""
    t, x, y = straight(2 * n)
    t[n:] += 3.2e9
    x[n:] += away_m
    walk = track(t, x, y)
    tracemalloc.start()
    cleaned = clean([walk], FRAME)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 20e6
    assert cleaned.dropped == ({},)
    assert len(cleaned.fixes) == 2 * n
    if n > 1:
        assert cleaned.fixes.piece.max() == (away_m > 5)


# ----------------------------------------------------------------------------------------------------- drop-outs


@pytest.mark.parametrize(
    ("silence_s", "moved_m", "pieces"),
    [
        (3600, 0.0, 1), (3600, 4.9, 1), (3600, 5.1, 2), (31, 6.0, 2), (29, 6.0, 1),
        (20, 24.0, 1), (20, 26.0, 2), (86_400, 4.0, 1),
    ],
)  # fmt: skip
def test_what_is_a_drop_out(silence_s: float, moved_m: float, pieces: int) -> None:
    """More than 25 m, or more than 30 s and 5 m, is a drop-out; a silence of any length within 5 m is a stop."""
    t, x, y = straight(200)
    t[100:] += silence_s - 1
    x[100:] += moved_m - 0.3
    cleaned = clean([track(t, x, y)], FRAME)
    assert cleaned.dropped == ({},)
    assert cleaned.fixes.piece.max() + 1 == pieces
    assert np.flatnonzero(np.diff(cleaned.fixes.piece)).tolist() == [99] * (pieces - 1)


def test_a_slow_recorder_is_allowed_longer_silences() -> None:
    """With a fix every 10 s a silence is a drop-out only beyond 40 s."""
    t, x, y = straight(60, step_s=10.0)
    late = t.copy()
    late[20:] += 28
    assert clean([track(late, x + 3 * (late > t), y)], FRAME).fixes.piece.max() == 0
    late[20:] += 4
    assert clean([track(late, x + 3 * (late > t), y)], FRAME).fixes.piece.max() == 1


# ------------------------------------------------------------------------------------------------------- windows


@pytest.mark.parametrize("cut_s", [100.0, 100.5, 7.0])
def test_two_halves_share_no_fix_and_lose_none(cut_s: float) -> None:
    """Cut at a time, the part before and the part from it on have every fix just once."""
    walk = track(*straight(200))
    cut = START_S + cut_s
    before = clean([walk], FRAME, [(-math.inf, cut)])
    after = clean([walk], FRAME, [(cut, math.inf)])
    np.testing.assert_array_equal(np.concatenate([times(before), times(after)]), np.arange(200.0))
    assert before.dropped == ({OUTSIDE_WINDOW: len(after.fixes)},)
    assert after.dropped == ({OUTSIDE_WINDOW: len(before.fixes)},)


def test_each_file_has_its_own_window() -> None:
    """A window is for one file; the other keeps all of its fixes."""
    t, x, y = straight(100)
    both = [track(t, x, y), track(t + 100, x + 30, y)]
    cleaned = clean(both, FRAME, [(START_S + 10, START_S + 90), EVER])
    assert cleaned.dropped == ({OUTSIDE_WINDOW: 20}, {})


# ------------------------------------------------------------------------------------------------ any rubbish at all

odd_times = st.one_of(
    st.integers(0, 300).map(float), st.floats(-1e12, 1e12), st.sampled_from([np.nan, np.inf, -np.inf])
)
odd_degrees = st.one_of(st.floats(-1e-3, 1e-3), st.floats(-400, 400), st.sampled_from([np.nan, np.inf, -np.inf, 0.0]))
odd_fixes = st.lists(st.tuples(odd_degrees, odd_degrees, odd_times), max_size=25)


def odd_track(fixes: list[tuple[float, float, float]], scale: float) -> Track:
    """A track of anything, round the frame's middle."""
    lon, lat, t = np.array(fixes, float).reshape(-1, 3).T
    return Track(FRAME.lon_deg + lon * scale, FRAME.lat_deg + lat * scale, t + START_S, np.zeros(len(fixes), np.int32))


@settings(max_examples=300, deadline=None)
@given(st.lists(odd_fixes, min_size=1, max_size=3), st.sampled_from([1.0, 0.01]))
def test_no_fix_is_lost_or_made_up_whatever_the_file_holds(
    files: list[list[tuple[float, float, float]]], scale: float
) -> None:
    """Of any rubbish, every fix is either kept where it was or counted once; what is kept is in order and finite."""
    tracks = [odd_track(fixes, scale) for fixes in files]
    cleaned = clean(tracks, FRAME)
    kept = cleaned.fixes
    for number, one in enumerate(tracks):
        mine = kept.source == number
        assert int(mine.sum()) + sum(cleaned.dropped[number].values()) == len(one)
        x, y = FRAME.to_metres(one.lon_deg, one.lat_deg)
        there = list(zip(x.tolist(), y.tolist(), strict=True))
        for place in zip(kept.x_m[mine].tolist(), kept.y_m[mine].tolist(), strict=True):
            there.remove(place)
    assert np.isfinite(kept.x_m).all()
    assert np.isfinite(kept.y_m).all()
    assert np.isnan(kept.t_s).all() or (np.isfinite(kept.t_s).all() and np.all(np.diff(kept.t_s) >= 0))
    assert kept.piece.tolist() == sorted(kept.piece.tolist())
    assert set(kept.piece.tolist()) == set(range(int(kept.piece.max(initial=-1)) + 1))


@settings(max_examples=50, deadline=None)
@given(st.integers(1, 199), st.integers(0, 4))
def test_where_a_file_is_split_makes_no_difference(cut: int, seed: int) -> None:
    """A recording given as two files, one running on from the other, is cleaned as if it were one."""
    t, x, y = straight(200)
    rng = np.random.default_rng(seed)
    x[rng.integers(0, 200, 5)] += 40
    whole = track(t, x, y)
    parts = [
        Track(whole.lon_deg[a], whole.lat_deg[a], whole.time_s[a], whole.segment[a])
        for a in (slice(cut), slice(cut, None))
    ]
    one, two = clean([whole], FRAME), clean(parts, FRAME)
    np.testing.assert_array_equal(one.fixes.t_s, two.fixes.t_s)
    np.testing.assert_array_equal(one.fixes.x_m, two.fixes.x_m)
    np.testing.assert_array_equal(one.fixes.piece, two.fixes.piece)
    assert sum(two.dropped[k].get(SPIKE, 0) for k in (0, 1)) == one.dropped[0].get(SPIKE, 0)


def test_a_place_on_the_globe_but_far_round_it_is_not_out_of_range() -> None:
    """A fix that no plane around the site can hold is counted as far away: its position may well be right."""
    away = Track(np.array([60.0, -30.0]), np.array([0.0, 40.0]), np.arange(2.0), np.zeros(2, np.int32))
    assert clean([away], FRAME).dropped == ({TOO_FAR: 1},)
