"""How recordings become walks: chained where one runs on into the next, each coil and searcher apart."""

from __future__ import annotations

import math

import numpy as np
import pytest
from recordings import FRAME, START_S, fixes, item, outing, part, swing

from fieldcomb.coverage.outings.walking import walk_outing
from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.recording import Track

LANE = fixes([(0, 0), (0, 120)])  # 300 s at 0.4 m/s, 301 fixes


def halves(gap_s: float = 1.0) -> tuple[Track, Track]:
    """One walk as two files, the second beginning so long after the last fix of the first."""
    second = part(LANE, np.arange(150, 301))
    later = Track(second.lon_deg, second.lat_deg, second.time_s + gap_s - 1.0, second.segment)
    return part(LANE, np.arange(150)), later


def test_one_file_is_one_walk() -> None:
    """A recording is one walk, with its file's name and what was typed for it."""
    walked = walk_outing(outing("a", item(LANE, file="lane.gpx", searcher="Ann")), FRAME)
    [walk], [told] = walked.walks, walked.recordings
    assert walk.file == told.file == "lane.gpx" and told.searcher == "Ann"
    assert (told.fixes, told.dropped, told.interval_s) == (301, {}, 1.0)
    assert (told.coil, told.swath_m, told.swath_measured, told.sweep_measured) == ("28cm", 1.5, True, False)
    assert walked.start_s == START_S
    assert walk.walk.walked_m == pytest.approx(120, rel=0.01)


@pytest.mark.parametrize("gap_s", [1.0, 30.0])
def test_a_file_that_runs_on_is_one_walk(gap_s: float) -> None:
    """A second file that begins within 30 s and 25 m of the end of the first goes on with the same walk."""
    first, second = halves(gap_s)
    walked = walk_outing(outing("a", item(second, file="2.gpx"), item(first, file="1.gpx")), FRAME)
    [walk] = walked.walks
    assert len(walk.walk.legs) == 1 and walk.walk.dropouts == ()
    assert walk.file == "1.gpx" and [r.file for r in walked.recordings] == ["1.gpx", "2.gpx"]
    assert [r.fixes for r in walked.recordings] == [150, 151]


def test_a_file_that_begins_later_or_elsewhere_is_another_walk() -> None:
    """After more than 30 s, or more than 25 m away, another walk begins."""
    first, late = halves(31.0)
    assert len(walk_outing(outing("a", item(first), item(late)), FRAME).walks) == 2
    away = fixes([(26, 60), (26, 120)], start_s=START_S + 151)
    assert len(walk_outing(outing("a", item(first), item(away)), FRAME).walks) == 2


@pytest.mark.parametrize(
    "typed",
    [
        {"how": swing(1.4)},
        {"how": swing(1.5, "33cm")},
        {"searcher": "Bea"},
        {"top_pace_m_s": 1.5},
    ],
)
def test_another_coil_searcher_or_pace_is_another_walk(typed: dict[str, object]) -> None:
    """A file with another coil, swath, searcher or top pace is never chained to the one before."""
    first, second = halves()
    walked = walk_outing(outing("a", item(first), item(second, **typed)), FRAME)  # type: ignore[arg-type]
    assert len(walked.walks) == 2


def test_a_team_is_chained_person_by_person() -> None:
    """Two searchers side by side, each with two files: two walks, each with that person's files in order."""
    first, second = halves()
    beside = [Track(t.lon_deg + 1e-5, t.lat_deg, t.time_s, t.segment) for t in (first, second)]
    items = [
        item(track, file=f"{who}{n}.gpx", searcher=who)
        for who, files in (("Bea", beside), ("Ann", (first, second)))
        for n, track in enumerate(files)
    ]
    walked = walk_outing(outing("a", *items), FRAME)
    assert [w.file for w in walked.walks] == ["Bea0.gpx", "Ann0.gpx"]
    assert [r.file for r in walked.recordings] == ["Bea0.gpx", "Bea1.gpx", "Ann0.gpx", "Ann1.gpx"]


def test_a_time_window_cuts_a_file_in_two_walks_by_coil() -> None:
    """One file given twice, with another coil from half-way on, gives two walks that share no fix."""
    middle = START_S + 150
    small = swing(0.9, "13x20cm")
    early, late = item(LANE, window=(-math.inf, middle)), item(LANE, small, window=(middle, math.inf))
    walked = walk_outing(outing("a", late, early), FRAME)
    assert [w.swing.coil.name for w in walked.walks] == ["28cm", "13x20cm"]
    y = [np.concatenate([leg.y_m for leg in w.walk.legs]) for w in walked.walks]
    assert y[0].max() == pytest.approx(149 * 0.4, abs=0.01) and y[1].min() == pytest.approx(150 * 0.4, abs=0.01)
    assert [sum(r.dropped.values()) for r in walked.recordings] == [151, 150]
    assert all(r.fixes == 301 for r in walked.recordings)


def test_files_without_times_are_walks_of_their_own() -> None:
    """Without times nothing can be chained, and the outing has no start."""
    walked = walk_outing(outing("a", *(item(fixes([(x, 0), (x, 30)], start_s=None)) for x in (0, 2))), FRAME)
    assert len(walked.walks) == 2 and walked.start_s is None
    assert all(w.walk.times is None for w in walked.walks)
    assert all(any("No times" in note for note in r.notes) for r in walked.recordings)


def test_a_recording_of_one_place_is_refused() -> None:
    """Fewer than two places is no walk: the message names the file."""
    still = fixes([(0, 0), (0, 30)])
    still = Track(
        np.repeat(still.lon_deg[:1], 50), np.repeat(still.lat_deg[:1], 50), still.time_s[:50], still.segment[:50]
    )
    with pytest.raises(TrackError, match="fewer than two places") as caught:
        walk_outing(outing("a", item(still, file="still.gpx")), FRAME)
    assert "still.gpx" in str(caught.value)


def test_a_window_that_holds_nothing_is_refused() -> None:
    """A time window outside the recording says how many fixes it left out, and what to look at."""
    with pytest.raises(TrackError, match="301 outside the chosen time window") as caught:
        walk_outing(outing("a", item(LANE, window=(START_S + 1000, math.inf))), FRAME)
    assert "--from and --to" in str(caught.value.hint)


def test_fixes_that_cannot_be_used_are_counted() -> None:
    """Fixes without a position, off the globe, or told twice are left out and counted by reason and file."""
    lon, lat = LANE.lon_deg.copy(), LANE.lat_deg.copy()
    lon[10], lat[20] = np.nan, 91.0
    lon[31], lat[31] = lon[30], lat[30]
    time = LANE.time_s.copy()
    time[31] = time[30]
    [told] = walk_outing(outing("a", item(Track(lon, lat, time, LANE.segment))), FRAME).recordings
    assert told.dropped == {"no position": 1, "position out of range": 1, "same time and place twice": 1}
