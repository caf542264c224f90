"""A recording as legs, stops, transits and drop-outs, against walks whose truth is known."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from truth import Scenario, match_stops, scenarios
from walker import STOP, TRANSIT, Fixes, Piece, TrueWalk, add_stops, build, go, lanes, record, short_lanes

from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.motion.cleaning import Fixes as Cleaned
from fieldcomb.tracks.motion.cleaning import clean
from fieldcomb.tracks.motion.legs import Leg, Walk, make_walk
from fieldcomb.tracks.recording import Floats, Track

FRAME = SiteFrame(-30.0, 40.0)  # at sea
START_S = 1_770_000_000.0
BOTH = ([1, 2, 3, 4, 5], [1.0, 3.0, 5.0])


def track(t_s: Floats, x_m: Floats, y_m: Floats) -> Track:
    """A track through places in site metres; the clock counts from ``START_S``."""
    lon, lat = FRAME.to_lonlat(x_m, y_m)
    return Track(lon, lat, t_s + START_S, np.zeros(t_s.size, np.int32))


def walked(fixes: Fixes, top_pace_m_s: float | None = None) -> Walk:
    """Clean a simulated recording and make a walk of it."""
    return make_walk(clean([track(fixes.t_s, fixes.x_m, fixes.y_m)], FRAME).fixes, top_pace_m_s)


def plain(t_s: Floats, x_m: Floats, y_m: Floats | None = None, top_pace_m_s: float | None = None) -> Walk:
    """The walk through these places."""
    return make_walk(clean([track(t_s, x_m, 0 * x_m if y_m is None else y_m)], FRAME).fixes, top_pace_m_s)


@cache
def drawn(seed: int) -> tuple[Scenario, ...]:
    """All kinds of walk; drawn once."""
    return tuple(scenarios(seed))


def add_up(walk: Walk) -> float:
    """Seconds of all states together."""
    assert walk.times is not None
    return walk.times.searching_s + walk.times.stopped_s + walk.times.transit_s + walk.times.dropout_s


def long_stops(walk: TrueWalk) -> list[tuple[float, float, str]]:
    """Stops that are digs or breaks: start, end, kind."""
    return [(s.start_s, s.end_s, s.kind) for s in walk.stops if s.kind != "pause"]


# --------------------------------------------------------------------------------------------------------- stops


@pytest.mark.parametrize("interval_s", [1.0, 3.0, 5.0])
def test_digs_are_found_and_nothing_else_is_taken_for_one(interval_s: float) -> None:
    """Over all kinds of walk at least 97 % of digs are found, and no pause, turn or short lane is called one."""
    found, there, false = 0.0, 0, 0
    for seed in BOTH[0]:
        for outing in (o for s in drawn(seed) for o in s.outings):
            walk = walked(outing.record(interval_s, seed))
            digs = [s for s in outing.walk.stops if s.kind == "dig"]
            marks = [(s.start_s - START_S + s.seconds / 2, s.x_m, s.y_m) for s in walk.stops if s.kind == "dig"]
            recall, wrong = match_stops(marks, digs)
            found, there, false = found + recall * len(digs), there + len(digs), false + wrong
    assert there > 200
    assert found / there >= 0.97
    assert false == 0


@pytest.mark.parametrize("interval_s", [1.0, 3.0, 5.0])
def test_stops_begin_and_end_when_they_did(interval_s: float) -> None:
    """Nine in ten stops begin and end within 3 s of the truth, all but one in a hundred lie within 0.3 m of it."""
    late, away = [], []
    for seed in BOTH[0]:
        for outing in (o for s in drawn(seed)[:-1] for o in s.outings):
            walk = walked(outing.record(interval_s, seed))
            for true in (s for s in outing.walk.stops if s.kind != "pause"):
                for stop in walk.stops:
                    begin, end = stop.start_s - START_S, stop.start_s - START_S + stop.seconds
                    if begin < true.end_s and end > true.start_s:
                        late += [abs(begin - true.start_s), abs(end - true.end_s)]
                        away.append(np.hypot(stop.x_m - true.x_m, stop.y_m - true.y_m))
    assert len(away) > 200
    assert np.mean(np.array(late) <= 3.0) >= 0.9
    assert np.mean(np.array(away) <= 0.3) >= 0.99


@pytest.mark.parametrize(
    ("seconds", "kind"),
    [(20, None), (32, "pause"), (40, "dig"), (300, "dig"), (595, "dig"), (605, "break"), (4000, "break")],
)
def test_a_stop_is_called_by_its_length(seconds: float, kind: str | None) -> None:
    """35 s to 10 min is a dig, less a pause, more a break; under half a minute is no stop at all."""
    t = np.arange(0.0, 401.0 + seconds)
    x = 0.3 * (np.minimum(t, 200) + np.maximum(t - 200 - seconds, 0))
    stops = plain(t, x).stops
    assert [s.kind for s in stops] == ([kind] if kind else [])
    for stop in stops:
        assert stop.seconds == pytest.approx(seconds, abs=2)
        assert stop.x_m == pytest.approx(60, abs=0.1)


@pytest.mark.parametrize("pace", [(0.1, 0.15), (0.15, 0.2), (0.25, 0.35)])
@pytest.mark.parametrize("interval_s", [1.0, 3.0])
def test_slow_short_lanes_are_no_stops(pace: tuple[float, float], interval_s: float) -> None:
    """Somebody who works a patch in lanes of 3.5 m to and fro, slowly, is searching all the time."""
    rng = np.random.default_rng(7)
    path = short_lanes(shapely.box(0, 0, 14, 20), 3.5, 0.75, rng)
    walk = walked(record(build([Piece(path, pace)], rng), interval_s))
    assert walk.stops == ()
    assert walk.times is not None
    assert walk.times.searching_s == add_up(walk)


def test_a_leg_has_one_vertex_for_a_stop() -> None:
    """However long somebody digs, and however the fixes wander about the hole, the leg has one place for it."""
    rng = np.random.default_rng(2)
    t = np.arange(0.0, 700.0)
    x = 0.3 * (np.minimum(t, 200) + np.maximum(t - 500, 0))
    dig = (t > 200) & (t < 500)
    x[dig] += rng.normal(0, 0.1, int(dig.sum()))
    walk = plain(t, x)
    [stop] = walk.stops
    [leg] = walk.legs
    near = np.hypot(leg.x_m - stop.x_m, leg.y_m - stop.y_m) < 0.2
    assert near.sum() == 1
    assert np.all(np.diff(leg.x_m) > 0)


@pytest.mark.parametrize("interval_s", [1.0, 1.7, 3.0])
def test_a_recorder_that_pauses_itself(interval_s: float) -> None:
    """Stops that left no fix at all are found, their times right to a few seconds, none of it counted as searching."""
    rng = np.random.default_rng(5)
    true = build(
        [add_stops(Piece(lanes(shapely.box(0, 0, 20, 30), 1.5, 0.0, rng)), rng, digs=6, breaks=2, apart_m=4)], rng
    )
    fixes = record(true, interval_s, phase=0.43, lost=[(s.start_s + 2, s.end_s - 0.5) for s in true.stops])
    walk = walked(fixes)
    assert walk.dropouts == ()
    assert [s.kind for s in walk.stops] == [s.kind for s in true.stops]
    late = [abs(s.start_s + s.seconds - START_S - q.end_s) for s, q in zip(walk.stops, true.stops, strict=True)]
    assert np.median(late) < 3
    assert walk.times is not None
    assert walk.times.stopped_s == pytest.approx(sum(s.end_s - s.start_s for s in true.stops), rel=0.03)
    assert add_up(walk) == pytest.approx(fixes.t_s[-1] - fixes.t_s[0], abs=1e-3)


@pytest.mark.parametrize("silence_s", [700.0, 36_000.0, 3.2e9])
def test_a_long_silence_in_place_is_a_break_and_nothing_else(silence_s: float) -> None:
    """Ten minutes, a night or a century without a fix in one place is a break; searching is what it was."""
    t = np.concatenate([np.arange(300.0), 299 + silence_s + np.arange(300.0)])
    walk = plain(t + 0.5, np.concatenate([0.3 * np.arange(300), 0.3 * np.arange(299, 599)]))
    assert [s.kind for s in walk.stops] == ["break"]
    assert walk.stops[0].seconds == pytest.approx(silence_s, abs=3)
    assert walk.times is not None
    assert walk.times.searching_s == pytest.approx(598, abs=6)
    assert walk.search_m == pytest.approx(0.3 * 599, rel=0.01)


# ------------------------------------------------------------------------------------------------------- transits


@pytest.mark.parametrize(("interval_s", "within_s"), [(1.0, 2.0), (3.0, 4.0)])
def test_transits_are_cut_where_they_were(interval_s: float, within_s: float) -> None:
    """Fast ways to and from the site and to the car are cut from the search within 2 s, and within 4 s every 3 s."""
    for seed in BOTH[0]:
        for outing in (o for s in drawn(seed)[:-1] for o in s.outings):
            true = outing.walk
            edges = np.flatnonzero(np.diff(np.concatenate([[0], (true.state == TRANSIT).astype(int), [0]]))).reshape(
                -1, 2
            )
            walk = walked(record(true, interval_s))
            assert len(walk.transits) == len(edges)
            assert walk.times is not None
            seconds = float((true.state == TRANSIT).mean() * (true.t_s[-1] - true.t_s[0]))
            assert walk.times.transit_s == pytest.approx(seconds, abs=within_s * (2 * len(edges) - 2))
            for leg, (a, b) in zip(walk.transits, edges.tolist(), strict=True):
                b = min(b, true.t_s.size - 1)
                for place, k in ((0, a), (-1, b)):
                    off = np.hypot(leg.x_m[place] - true.x_m[k], leg.y_m[place] - true.y_m[k])
                    assert off <= 1.5 * within_s


def test_a_quick_search_is_searching_and_says_so() -> None:
    """When most of the walk is at 1.1 m/s all of it counts as searching, and the note names the setting."""
    t = np.arange(1000.0)
    walk = plain(t, 1.1 * t)
    assert walk.transits == ()
    assert walk.times is not None
    assert walk.times.searching_s == add_up(walk) == 999
    [note] = walk.notes
    assert "top pace" in note
    assert "0.9 m/s" in note


@pytest.mark.parametrize(("top_pace", "searching"), [(0.9, False), (1.0, False), (1.3, True)])
def test_a_top_pace_that_was_given_is_kept(top_pace: float, searching: bool) -> None:
    """A limit somebody set holds even when it makes transit of the whole walk, without a note."""
    t = np.arange(1000.0)
    walk = plain(t, 1.1 * t, top_pace_m_s=top_pace)
    assert walk.notes == ()
    assert walk.times is not None
    assert walk.times.searching_s == (999 if searching else 0)
    assert walk.times.transit_s == (0 if searching else 999)
    assert bool(walk.legs) == searching


def test_standing_in_a_transit_leaves_no_leg() -> None:
    """Somebody who stops on the way to the car has searched nothing there."""
    rng = np.random.default_rng(1)
    way = [go((0, 0), (60, 0)), Piece(lanes(shapely.box(60, 0, 75, 20), 1.5, 0.0, rng))]
    end = (float(way[1].path[0][0]), float(way[1].path[1][0]))
    last = (float(way[1].path[0][-1]), float(way[1].path[1][-1]))
    home = go(last, (0, 60))
    home = Piece(home.path, home.pace_m_s, home.state, ((40.0, 90.0, "dig"),))
    true = build([go((0, 0), end), way[1], home], rng)
    walk = walked(record(true, 1.0))
    assert len(walk.legs) == 1
    assert [s.kind for s in walk.stops] == ["dig"]


# ------------------------------------------------------------------------------------------------- lengths and times


@pytest.mark.parametrize(("seeds", "intervals"), [BOTH])
def test_seconds_add_up(seeds: list[int], intervals: list[float]) -> None:
    """Searching, standing, transit and drop-outs together are the time from the first fix to the last."""
    for seed in seeds:
        for outing in (o for s in drawn(seed) for o in s.outings):
            for interval_s in intervals:
                fixes = outing.record(interval_s, seed)
                walk = walked(fixes)
                assert walk.start_s is not None
                assert walk.end_s is not None
                assert add_up(walk) == pytest.approx(walk.end_s - walk.start_s, abs=1e-3)
                assert len(walk.dropouts) == len(outing.dropouts)


def test_time_spent_is_the_time_it_took() -> None:
    """Standing comes out right to 5 %, every second and every five (pauses count as searching)."""
    for seed in (1, 2, 3):
        for outing in (o for s in drawn(seed)[:4] for o in s.outings):
            true = outing.walk
            stood = sum(end - start for start, end, _ in long_stops(true))
            assert np.isclose((true.state == STOP).sum() / 10, sum(s.end_s - s.start_s for s in true.stops), atol=2)
            for interval_s in (1.0, 5.0):
                walk = walked(record(true, interval_s))
                assert walk.times is not None
                assert walk.times.stopped_s == pytest.approx(stood, rel=0.05)


@given(st.floats(0.2, 0.8), st.floats(0, 360), st.integers(30, 400))
@settings(deadline=None, max_examples=40)
def test_a_straight_walk_is_as_long_as_it_is(pace: float, way_deg: float, n: int) -> None:
    """Straight on at an even pace, the length searched is pace times time, and the leg is that line."""
    t = np.arange(float(n))
    way = np.radians(way_deg)
    walk = plain(t, pace * t * np.sin(way), pace * t * np.cos(way))
    assert walk.search_m == pytest.approx(pace * (n - 1), rel=1e-4)
    assert walk.walked_m == pytest.approx(walk.search_m)
    [leg] = walk.legs
    line = shapely.LineString(np.column_stack([leg.x_m, leg.y_m]))
    assert line.length == pytest.approx(pace * (n - 1), rel=1e-4)


def test_lanes_are_nearly_as_long_as_they_are() -> None:
    """The smoothed length of lanes some 40 m long is within a tenth of the true path, and does not exceed it."""
    for seed in (1, 2, 3):
        for scenario in drawn(seed)[:3]:
            true = scenario.outings[0].walk
            step = np.hypot(np.diff(true.x_m), np.diff(true.y_m))
            walk = walked(record(true, 1.0))
            assert 0.9 * step.sum() < walk.walked_m < 1.001 * step.sum()


# -------------------------------------------------------------------------------------------------- drop-outs, pieces


def test_a_drop_out_parts_two_legs() -> None:
    """Across a silence of two minutes and 40 m no leg is drawn; the drop-out has both its ends and its time."""
    t = np.concatenate([np.arange(200.0), np.arange(320.0, 520.0)])
    walk = plain(t, np.concatenate([0.3 * np.arange(200), 100 + 0.3 * np.arange(200)]))
    [gap] = walk.dropouts
    assert (gap.x0_m, gap.x1_m) == pytest.approx((59.7, 100.0), abs=1e-3)
    assert gap.seconds == pytest.approx(121)
    assert gap.start_s == pytest.approx(START_S + 199)
    assert [leg.x_m[[0, -1]].round(2).tolist() for leg in walk.legs] == [[0, 59.7], [100, 159.7]]
    assert walk.times is not None
    assert walk.times.dropout_s == pytest.approx(121)


def assert_same_lines(one: tuple[Leg, ...], other: tuple[Leg, ...]) -> None:
    """Compare legs to the last digit."""
    assert len(one) == len(other)
    for a, b in zip(one, other, strict=True):
        np.testing.assert_array_equal(a.x_m, b.x_m)
        np.testing.assert_array_equal(a.y_m, b.y_m)


@pytest.mark.parametrize("share", [0.01, 0.3, 0.5, 0.77])
def test_where_a_recording_was_split_makes_no_difference(share: float) -> None:
    """One recording given as two files gives the same legs, stops, transits and times to the last digit."""
    for scenario in drawn(1):
        outing = scenario.outings[0]
        fixes = outing.record(1.0, 1)
        cut = int(share * fixes.t_s.size)
        while fixes.is_spike[cut - 1 : cut + 1].any():
            cut += 1
        whole = track(fixes.t_s, fixes.x_m, fixes.y_m)
        parts = [
            Track(whole.lon_deg[a], whole.lat_deg[a], whole.time_s[a], whole.segment[a])
            for a in (slice(cut), slice(cut, None))
        ]
        one, two = (make_walk(clean(files, FRAME).fixes) for files in ([whole], parts))
        assert_same_lines(one.legs, two.legs)
        assert_same_lines(one.transits, two.transits)
        assert (one.stops, one.dropouts, one.times, one.search_m) == (two.stops, two.dropouts, two.times, two.search_m)


def test_without_a_clock_all_of_it_is_searching() -> None:
    """A file without times gives legs through every fix, no stops and no times, and a note says why."""
    t = np.arange(300.0)
    x = 0.3 * t
    x[150:] += 40
    walk = plain(t * np.nan, x)
    assert [leg.x_m.size for leg in walk.legs] == [150, 150]
    assert (walk.stops, walk.transits, walk.times, walk.start_s, walk.end_s) == ((), (), None, None, None)
    assert walk.search_m == pytest.approx(0.3 * 298, abs=1e-3)
    assert walk.dropouts[0].seconds is None
    assert "No times" in walk.notes[0]


def test_nothing_gives_nothing() -> None:
    """No fix makes no leg."""
    none = np.zeros(0)
    walk = make_walk(Cleaned(none, none, none, np.zeros(0, np.int32), np.zeros(0, np.int32)))
    assert walk.legs == ()
    assert walk.search_m == 0


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from([0.0, 0.2, 1.0, 1.0, 5.0, 40.0, 5000.0, 3e9]), st.floats(-30, 30), st.floats(-2, 2)),
        min_size=1,
        max_size=60,
    ),
    st.sampled_from([0.01, 0.1, 1.0]),
)
def test_any_recording_makes_a_walk(moves: list[tuple[float, float, float]], scale: float) -> None:
    """Whatever somebody did, every place of a leg is finite, no time is negative, and the seconds add up."""
    t, x, y = np.cumsum(np.array(moves), axis=0).T
    walk = plain(t, scale * x, scale * y)
    if t.size > 2 and np.ptp(t) == 0:  # one time for all fixes is no clock
        assert walk.times is None
        return
    assert walk.times is not None
    assert walk.start_s is not None
    assert walk.end_s is not None
    assert min(walk.times.searching_s, walk.times.stopped_s, walk.times.transit_s, walk.times.dropout_s) >= 0
    assert add_up(walk) == pytest.approx(walk.end_s - walk.start_s, rel=1e-9, abs=1e-3)
    for leg in (*walk.legs, *walk.transits):
        assert np.isfinite(leg.x_m).all()
        assert np.isfinite(leg.y_m).all()
    for stop in walk.stops:
        assert stop.seconds >= 0
        assert walk.start_s - 1e-3 <= stop.start_s <= walk.end_s + 1e-3
