"""Stale fixes, far from all others, are left out however many they are; ground that was walked never is."""

from __future__ import annotations

import numpy as np
import pytest
from recordings import FRAME, fixes, item, outing, serpentine, site

from fieldcomb.coverage.survey.inputs import choose_frame
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.tracks.motion.cleaning import SPIKE, STALE, clean
from fieldcomb.tracks.motion.stale import find_stale
from fieldcomb.tracks.recording import Recording, Track

WALK = fixes(serpentine(8, 30, 1.5))


def after_stale(count: int, east_m: float, timed: bool = True) -> Track:
    """The walk after so many fixes of the place where the receiver was last switched off."""
    lon, lat = FRAME.to_lonlat(np.full(count, east_m), np.arange(count) % 3 * 0.4)
    time = np.concatenate([WALK.time_s[0] - np.arange(count, 0, -1.0), WALK.time_s])
    places = (np.concatenate([early, late]) for early, late in ((lon, WALK.lon_deg), (lat, WALK.lat_deg)))
    return Track(*places, time if timed else np.full(time.size, np.nan), np.zeros(time.size, np.int32))


@pytest.mark.parametrize("count", [1, 2, 3, 5, 40, 2000])
@pytest.mark.parametrize("timed", [True, False])
@pytest.mark.parametrize("away_m", [5_000.0, 100_000.0])
def test_stale_first_fixes_are_left_out_and_counted(count: int, timed: bool, away_m: float) -> None:
    """Fixes of a place far away, before the first of the walk, are all left out with a reason, and no other is."""
    track = after_stale(count, away_m, timed)
    cleaned = clean([track], FRAME)
    plain = clean([Track(*(getattr(track, f)[count:] for f in ("lon_deg", "lat_deg", "time_s", "segment")))], FRAME)
    assert len(cleaned.fixes) == len(plain.fixes)
    assert set(cleaned.dropped[0]) <= {SPIKE, STALE, "same time and place twice"}
    assert sum(cleaned.dropped[0].values()) == count + sum(plain.dropped[0].values())


@pytest.mark.parametrize("count", [5, 2000])
def test_stale_fixes_do_not_move_the_frame(count: int) -> None:
    """Metres are counted from the middle of the walk, whatever the stale fixes before it."""
    plain = choose_frame([], [Recording("w.gpx", WALK)])
    assert choose_frame([], [Recording("w.gpx", after_stale(count, 100_000.0))]) == plain


def test_rows_of_zeros_before_the_first_fix_are_left_out() -> None:
    """Rows 0, 0, as some recorders write before they know their place, change neither the frame nor the ground."""
    zeros = np.zeros(300)
    time = np.concatenate([WALK.time_s[0] - np.arange(300, 0, -1.0), WALK.time_s])
    lon, lat = np.append(zeros, WALK.lon_deg), np.append(zeros, WALK.lat_deg)
    track = Track(lon, lat, time, np.zeros(time.size, np.int32))
    frame = choose_frame([], [Recording("w.gpx", track)])
    assert frame == choose_frame([], [Recording("w.gpx", WALK)])
    cleaned = clean([track], frame)
    assert len(cleaned.fixes) == len(WALK) and sum(cleaned.dropped[0].values()) == 300


def test_five_stale_fixes_take_no_ground_away() -> None:
    """Five fixes 100 km away leave the swept ground as it is without them."""
    plain, with_stale = (
        survey(site(), [outing("a", item(track))]).report for track in (WALK, after_stale(5, 100_000.0))
    )
    assert with_stale.total.swept_m2 == pytest.approx(plain.total.swept_m2, rel=1e-3)
    assert with_stale.site.area_m2 == pytest.approx(plain.site.area_m2, rel=1e-3)


def test_two_searched_grounds_and_a_ride_are_never_stale() -> None:
    """Two fields 5 km apart, a smaller one too, a long ride, and places each far from the next stay as they are."""
    x, y = np.array(serpentine(8, 30, 1.5)).T
    few = np.array(serpentine(4, 30, 1.5)).T
    for size in (x.size, 40):
        far_x, far_y = (few[0] + 5000, few[1]) if size == 40 else (x + 5000, y)
        both_x, both_y = np.append(x, far_x), np.append(y, far_y)
        t = np.append(np.arange(x.size), 3600 + np.arange(far_x.size)).astype(float)
        for clock in (t, t * np.nan):
            stale = find_stale(clock, both_x, both_y)
            assert not stale[: x.size].any()
            assert far_x.size <= 10 or not stale.any()
    ride = np.arange(0, 50_000, 20.0)
    assert not find_stale(np.arange(ride.size) * 2.0, ride, ride).any()
    apart = np.arange(0, 200_000, 5_000.0)
    assert not find_stale(apart * np.nan, apart, apart).any()
