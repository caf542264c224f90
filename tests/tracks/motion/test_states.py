"""Searching told from the way by a walk's own paces; rides, hikes and a receiver at rest are no search."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from walker import GOOD, TYPICAL, Noise, Piece, add_stops, build, go, record, short_lanes

from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.motion.cleaning import clean
from fieldcomb.tracks.motion.legs import Walk, make_walk
from fieldcomb.tracks.quality.verdict import judge
from fieldcomb.tracks.recording import Floats, Track

FRAME = SiteFrame(-30.0, 40.0)  # at sea
START_S = 1_770_000_000.0


def track(t_s: Floats, x_m: Floats, y_m: Floats) -> Track:
    """A track through places in site metres."""
    lon, lat = FRAME.to_lonlat(x_m, y_m)
    return Track(lon, lat, t_s + START_S, np.zeros(t_s.size, np.int32))


def walked(x_m: Floats, y_m: Floats, top_pace_m_s: float | None = None) -> Walk:
    """The walk through these places, one a second."""
    return make_walk(clean([track(np.arange(x_m.size, dtype=float), x_m, y_m)], FRAME).fixes, top_pace_m_s)


def way_search_way(way_min: float, way_m_s: float, search_m_s: float, search_min: float = 30) -> tuple[Floats, Floats]:
    """Straight to a field, lanes of 40 m there, and straight back; one place a second."""
    out = np.arange(0.0, 60 * way_min) * way_m_s
    along = np.arange(0.0, 60 * search_min) * search_m_s
    lane, rest = np.divmod(along, 41.3)  # 40 m ahead, then 1.3 m aside
    aside, ahead = 1.3 * lane + np.maximum(rest - 40, 0), np.minimum(rest, 40)
    ahead = np.where(lane % 2 == 0, ahead, 40 - ahead)
    x = np.concatenate([out, out[-1] + way_m_s + ahead, (out + ahead[-1] + way_m_s)[::-1]])
    y = np.concatenate([0 * out, aside, 0 * out + aside[-1]])
    return x, y


def seconds(walk: Walk) -> tuple[float, float]:
    """Minutes of searching and of transit."""
    assert walk.times is not None
    return walk.times.searching_s / 60, walk.times.transit_s / 60


@pytest.mark.parametrize("way_min", [5, 14, 16, 20, 60, 100])
@pytest.mark.parametrize("way_m_s", [1.3, 5.5])
def test_half_an_hour_of_searching_is_that_however_long_the_way(way_min: float, way_m_s: float) -> None:
    """On foot or by bicycle, with 5 minutes of way or 100 each way, half an hour of searching is half an hour."""
    searching, transit = seconds(walked(*way_search_way(way_min, way_m_s, 0.3)))
    assert searching == pytest.approx(30, abs=0.5)
    assert transit == pytest.approx(2 * way_min, abs=0.5)


def test_a_quick_search_between_rides_is_told_from_them() -> None:
    """Somebody who searches at 1.1 m/s and came by bicycle has two paces all the same, and a note says the limit."""
    walk = walked(*way_search_way(30, 5.5, 1.1))
    assert seconds(walk)[0] == pytest.approx(30, abs=1)
    [note] = walk.notes
    assert "1.2 m/s" in note and "top pace" in note


@pytest.mark.parametrize(
    ("pace_m_s", "kind"), [(1.4, "a walk at 1.4 m/s"), (2.8, "a walk at 2.8 m/s"), (7.7, "a ride at 28 km/h")]
)
def test_a_hike_and_a_ride_are_no_search(pace_m_s: float, kind: str) -> None:
    """An hour at one fast pace, with a minute's halt at times, is called what it is, and none of it is searching."""
    moving = np.arange(3600) % 600 >= 60
    x = np.cumsum(moving * pace_m_s)
    walk = walked(x, 0.3 * x)
    assert walk.no_search[:6] == kind[:6] and walk.legs == () and seconds(walk)[0] == 0
    fixes = clean([track(np.arange(3600.0), x, 0.3 * x)], FRAME).fixes
    verdict = judge(track(np.arange(3600.0), x, 0.3 * x), fixes, {}, walk.no_search)
    assert verdict.verdict == "poor"
    [line] = verdict.advice
    assert walk.no_search in line and "not a search" in line


def test_a_typed_top_pace_holds_for_a_ride_too() -> None:
    """Who types a top pace above the ride's gets searching: it is the user's word."""
    x = np.arange(1000) * 4.0
    assert walked(x, 0 * x).no_search == "a ride at 14 km/h"
    walk = walked(x, 0 * x, top_pace_m_s=5.0)
    assert walk.no_search == "" and seconds(walk)[0] == pytest.approx(16.6, abs=0.1)


@pytest.mark.parametrize("noise", [GOOD, TYPICAL])
@pytest.mark.parametrize("tau_s", [200.0, 900.0])
def test_a_receiver_that_lay_still_searched_nothing(noise: Noise, tau_s: float) -> None:
    """Three hours in one place are no search, though the error of the receiver wanders over some 40 m2."""
    rng, t = np.random.default_rng(1), np.arange(10_800.0)
    error = replace(noise, slow_tau_s=tau_s)
    walk = walked(error.draw(t, rng), error.draw(t, rng))
    assert walk.no_search == "a receiver that lay still"
    assert walk.legs == () and seconds(walk) == (0, 0)


@pytest.mark.parametrize("noise", [GOOD, TYPICAL])
@pytest.mark.parametrize(("side_m", "digs"), [(8, 0), (8, 3), (14, 0), (14, 8)])
def test_a_small_patch_is_searched_and_not_lain_on(noise: Noise, side_m: float, digs: int) -> None:
    """A patch of 8 or 14 m, worked slowly in short lanes, once and again, with digs, is searching."""
    rng = np.random.default_rng(7)
    x, y = short_lanes(shapely.box(0, 0, side_m, side_m), 3.5, 0.75, rng)
    there, back = Piece((x, y), (0.1, 0.15)), Piece((x[::-1], y[::-1]), (0.1, 0.15))
    pieces = [add_stops(piece, rng, digs=digs) for piece in ([there, back] if side_m > 8 else [there, back] * 3)]
    fixes = record(build(pieces, rng), 1.0)
    assert fixes.t_s[-1] > 3600
    x, y = fixes.x_m + noise.draw(fixes.t_s, rng), fixes.y_m + noise.draw(fixes.t_s, rng)
    walk = make_walk(clean([track(fixes.t_s, x, y)], FRAME).fixes)
    assert walk.no_search == "" and seconds(walk)[0] > 20


def test_fixes_of_one_time_are_a_walk_without_times() -> None:
    """A file whose fixes all have the same time has no clock: a note says so, and no time or pace is made of it."""
    x = np.arange(200) * 0.4
    cleaned = clean([track(0 * x, x, 0 * x)], FRAME)
    walk = make_walk(cleaned.fixes)
    assert not cleaned.fixes.timed and len(cleaned.fixes) == 200
    assert walk.times is None and walk.search_m == pytest.approx(x[-1], rel=1e-3)
    assert any("same time" in note for note in cleaned.notes)


def test_the_way_there_is_short_beside_a_long_search() -> None:
    """A walk that is mostly searching needs no note."""
    rng = np.random.default_rng(3)
    path = short_lanes(shapely.box(60, 0, 80, 20), 10, 1.2, rng)
    start = (float(path[0][0]), float(path[1][0]))
    fixes = record(build([go((0, 0), start), Piece(path)], rng), 1.0)
    assert make_walk(clean([track(fixes.t_s, fixes.x_m, fixes.y_m)], FRAME).fixes).notes == ()
