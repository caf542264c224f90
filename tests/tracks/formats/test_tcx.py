"""TCX files of watches: fixes, laps and courses as they stand, and a plain word on all that is odd."""

from __future__ import annotations

import gzip
import io
import math
import random
import tracemalloc
from datetime import UTC, datetime, timedelta
from xml.etree import ElementTree

import numpy as np
import pytest
from format_checks import check_case, fixes_of_cuts
from hypothesis import given, settings
from hypothesis import strategies as st
from tcx_files import CASES, MARK, NINE, SPACE, activity, course, document, lap, point, points, stamp
from tcxreader.tcxreader import TCXReader

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files import limits
from fieldcomb.tracks.formats.read import read_recording
from fieldcomb.tracks.formats.tcx import read_tcx
from fieldcomb.tracks.recording import Recording

# The second reader knows one way to write each thing, and stops at all else.
BOTH_CAN_READ = [
    "plain", "laps of all kinds", "no laps but one", "lap without a track", "lap that does not say what ended it",
    "pause inside a lap", "laps that run on", "two activities", "no position at the start", "empty position",
    "empty tracks", "local offset", "byte order mark", "UTF-16", "words of the user", "course beside the activity",
]  # fmt: skip


def seconds(text: str | None) -> float:
    """Unix seconds of a time as it stands in these files."""
    return datetime.fromisoformat(text).timestamp() if text else math.nan


def assert_same_as_tcxreader(recording: Recording, data: bytes) -> None:
    """Compare all fixes with those of another reader, one by one."""
    theirs = TCXReader().read(io.BytesIO(data), only_gps=False).trackpoints
    track = recording.track
    assert len(track) == len(theirs)
    for found, name in ((track.lon_deg, "longitude"), (track.lat_deg, "latitude")):
        values = [getattr(one, name) for one in theirs]
        np.testing.assert_array_equal(found, [math.nan if value is None else value for value in values])
    # The second reader gives times with Z without a zone, and those with an offset with one.
    moments = [one.time if one.time.tzinfo else one.time.replace(tzinfo=UTC) for one in theirs]
    np.testing.assert_allclose(track.time_s, [one.timestamp() for one in moments], rtol=0, atol=1e-6)


def assert_same_laps_as_the_document(recording: Recording, data: bytes) -> None:
    """Compare begin, trigger and words of the laps with what the XML reader of the standard library finds."""
    rows = []
    for one in ElementTree.fromstring(data).iter(f"{{{SPACE}}}Activity"):
        inside = one.findall(f"{{{SPACE}}}Lap")
        for number, found in enumerate(inside):
            trigger = found.findtext(f"{{{SPACE}}}TriggerMethod") or None
            by_hand = False if number == len(inside) - 1 else None if trigger is None else trigger == "Manual"
            rows.append((seconds(found.get("StartTime")), by_hand, found.findtext(f"{{{SPACE}}}Notes") or ""))
    assert [(one.start_s, one.by_hand, one.name) for one in recording.laps] == rows


# ------------------------------------------------------------------------------------------- truth from outside


@pytest.mark.parametrize("name", BOTH_CAN_READ)
def test_files_agree_with_other_readers(name: str) -> None:
    """Every fix, time and lap is the one that other readers find."""
    data = CASES[name].data
    recording = read_tcx(data, "a.tcx")
    assert_same_as_tcxreader(recording, data)
    assert_same_laps_as_the_document(recording, data)


moments = st.datetimes(datetime(1980, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC))
rows = st.tuples(st.floats(-90, 90), st.floats(-180, 180), moments)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.lists(rows, max_size=4), min_size=1, max_size=4))
def test_any_track_survives_writing_and_reading(laps: list[list[tuple[float, float, datetime]]]) -> None:
    """Whatever positions and times a recorder writes, they come back as they are, and as another reader has them."""

    def written(lat: float, lon: float, time: datetime) -> str:
        degrees = f"<LatitudeDegrees>{lat!r}</LatitudeDegrees><LongitudeDegrees>{lon!r}</LongitudeDegrees>"
        return point(0, time=f"<Time>{time:%Y-%m-%dT%H:%M:%S.%fZ}</Time>", where=f"<Position>{degrees}</Position>")

    flat = [row for inside in laps for row in inside]
    data = document(activity(*(lap(0, 1, None, "".join(written(*row) for row in inside)) for inside in laps))).encode()
    if not flat:
        with pytest.raises(TrackError, match="holds no trackpoints"):
            read_tcx(data, "a.tcx")
        return
    recording = read_tcx(data, "a.tcx")
    assert list(zip(recording.track.lat_deg, recording.track.lon_deg, strict=True)) == [row[:2] for row in flat]
    assert_same_as_tcxreader(recording, data)


# ------------------------------------------------------------------------------------------------ awkward files


@pytest.mark.parametrize("name", CASES)
def test_awkward_files(name: str) -> None:
    """Each awkward file of the list gives the fixes, laps and runs that are in it, and says what is odd."""
    check_case(CASES[name], "a.tcx")


def spans(*laps: str) -> list[tuple[float, float]]:
    """Begin and end of the laps of an activity, in seconds after its start."""
    found = read_tcx(document(activity(*laps)).encode(), "a.tcx").laps
    return [(one.start_s - NINE.timestamp(), one.end_s - NINE.timestamp()) for one in found]


def test_a_lap_ends_when_its_time_is_over() -> None:
    """A lap ends as much later as it lasted, to the fraction of a second, and not after the next one began."""
    laps = (lap(0, 2.5, "Manual", points(0, 3)), lap(3, 4, "Manual", points(3, 3)))
    assert spans(*laps) == [(0, 2.5), (3, 7)]
    assert spans(lap(0, 5, "Manual", points(0, 3)), laps[1]) == [(0, 3), (3, 7)]


def test_a_lap_with_a_pause_ends_with_its_last_fix() -> None:
    """Recorders leave pauses out of the time of a lap, so that its last fix may tell better when it ended."""
    assert spans(lap(0, 6, "Manual", points(0, 3), points(60, 3)), lap(63, 1, None, points(63, 1)))[0] == (0, 62)


def test_a_lap_without_a_readable_time() -> None:
    """A lap that does not tell its length ends with its last fix; one that tells nothing, where the next begins."""
    unknown = lap(0, 1, "Manual", points(0, 3)).replace("<TotalTimeSeconds>1<", "<TotalTimeSeconds>?<")
    assert spans(unknown, lap(3, 1, None, points(3, 1)))[0] == (0, 2)
    nothing = lap(0, 1, "Manual", at="?")
    (start_s, end_s), _ = spans(nothing, lap(3, 1, None, points(3, 1)))
    assert math.isnan(start_s) and end_s == 3
    assert np.isnan(spans(lap(0, 1, None, points(0, 1)), nothing)[1]).all()


def test_a_clock_that_ran_backwards_between_laps() -> None:
    """A lap that begins before the one before it takes nothing away from that one."""
    assert spans(lap(600, 5, "Manual", points(600, 5)), lap(0, 5, None, points(0, 5))) == [(600, 605), (0, 5)]


def test_words_are_kept() -> None:
    """What the user wrote to a lap stays with the lap, and what was written to the walk is its name."""
    recording = read_tcx(CASES["words of the user"].data, "a.tcx")
    assert [one.name for one in recording.laps] == ["peg 4", ""] and recording.names == ("a",)
    assert read_tcx(CASES["bare ampersand"].data, "a.tcx").laps[0].name == "A & B"


def test_courses_are_plans_and_their_points_are_marks() -> None:
    """A course beside a walk is kept as a route and its marks as waypoints; no point of it counts as walked."""
    data = document(
        activity(lap(0, 2, None, points(90, 2))), beside=course(3, MARK + MARK.replace("peg 1", "b"))
    ).encode()
    recording = read_tcx(data, "a.tcx")
    assert [(route.name, route.lat_deg.tolist()) for route in recording.routes] == [
        ("round", [55.5, 55.50001, 55.50002])
    ]
    assert [(mark.name, mark.lat_deg, mark.time_s) for mark in recording.waypoints] == [
        (name, 55.50005, (NINE + timedelta(seconds=5)).timestamp()) for name in ("peg 1", "b")
    ]
    assert recording.track.lat_deg.tolist() == [55.5009, 55.50091]


def test_marks_without_position_are_told() -> None:
    """A course point without a position cannot be drawn, so it is left out and counted."""
    data = document(
        activity(lap(0, 2, None, points(0, 2))), beside=course(1, "<CoursePoint><Name>x</Name></CoursePoint>")
    )
    recording = read_tcx(data.encode(), "a.tcx")
    assert recording.waypoints == () and "1 point of courses without a readable position, left out" in recording.notes


@pytest.mark.parametrize("file", ["walk.tcx", "walk.gpx", "walk"])
def test_content_decides_and_not_the_ending(file: str) -> None:
    """A TCX file is read whatever it is called, bare or packed with gzip."""
    for given_bytes in (CASES["plain"].data, gzip.compress(CASES["plain"].data)):
        recording = read_recording(given_bytes, file)
        assert (recording.file, len(recording.track)) == (file, 5)


def test_other_xml_is_no_tcx() -> None:
    """XML of another kind is named, and what was expected as well."""
    with pytest.raises(TrackError, match="is not a TCX file: it looks like GPX"):
        read_tcx(b"<gpx/>", "a.tcx")
    with pytest.raises(TrackError, match="is not a valid TCX file"):
        read_tcx(b"<?xml version='1.0'?><", "a.tcx")


# ------------------------------------------------------------------------------------- damage, limits and memory


@pytest.mark.parametrize("codec", ["utf-8", "utf-16"])
def test_cut_off_at_every_byte(codec: str) -> None:
    """A file that is cut off anywhere gives all fixes before the cut, with a note, or a message."""
    text = document(activity(lap(0, 2, "Manual", points(0, 2)), lap(2, 2, "Manual", points(2, 1), points(9, 1))))
    data = text.replace("UTF-8", codec).rstrip().encode(codec)
    read = fixes_of_cuts(data, "a.tcx", first=2)
    assert all(recording.notes for recording in read)
    assert len(read[-1].track) == len(read_tcx(data, "a.tcx").track)


@pytest.mark.parametrize("name", ["plain", "laps of all kinds", "course beside the activity", "UTF-16", "prefixes"])
def test_any_changed_byte_ends_in_fixes_or_a_message(name: str) -> None:
    """Bytes changed, lost or put in anywhere give a recording or a message, never a crash."""
    chance, whole = random.Random(name), CASES[name].data
    for _ in range(150):
        raw = bytearray(whole)
        for _ in range(chance.randint(1, 3)):
            at = chance.randrange(len(raw))
            raw[at : at + chance.randint(0, 3)] = chance.randbytes(chance.randint(0, 3))
        try:
            recording = read_recording(bytes(raw), "a.tcx")
        except TrackError as error:
            assert error.hint
            continue
        assert len(recording.track) >= 1


def test_too_many_points_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """A file with far too many points is refused with a way out, and one just below is not."""
    monkeypatch.setattr(limits, "MAX_POINTS", 5)
    assert len(read_tcx(document(activity(lap(0, 5, None, points(0, 5)))).encode(), "a.tcx").track) == 5
    with pytest.raises(TrackError, match="more than 5 points, which is refused"):
        read_tcx(document(activity(lap(0, 6, None, points(0, 6)))).encode(), "a.tcx")


def test_memory_grows_with_the_points_and_modestly() -> None:
    """Reading takes less than 100 bytes a fix beside the file itself, so a day of walking fits anywhere."""
    peaks = []
    for count in (2_000, 8_000):
        data = document(activity(lap(0, count, None, points(0, count)))).encode()
        tracemalloc.start()
        recording = read_tcx(data, "a.tcx")
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert len(recording.track) == count
    assert peaks[1] - peaks[0] < 100 * 6_000
    assert peaks[0] < 100 * 2_000 + 1_000_000


def test_times_are_utc() -> None:
    """The first fix is at the time that stands in the file, in UTC."""
    recording = read_tcx(CASES["plain"].data, "a.tcx")
    assert stamp(0) == "2026-03-07T09:00:00Z" and recording.track.time_s[0] == 1_772_874_000
    assert recording.laps[0].start_s == 1_772_874_000
