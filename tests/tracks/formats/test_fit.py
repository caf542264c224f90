"""FIT files of watches: fixes, laps and pauses as they stand, and a plain word on all that is odd."""

from __future__ import annotations

import gzip
import io
import math
import random
import struct
import tracemalloc
import warnings
from datetime import UTC, datetime

import fitdecode
import fitparse
import numpy as np
import pytest
from fit_files import CASES, LAT0, LON0, RECORD, RECORD_FIELDS, START, Fit, fixes, lap, start, timer, walk
from format_checks import check_case, fixes_of_cuts
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files import limits
from fieldcomb.tracks.formats.fit import DEGREES_PER_SEMICIRCLE, FIT_EPOCH_S, read_fit
from fieldcomb.tracks.formats.fit_messages import checksum
from fieldcomb.tracks.formats.read import read_recording
from fieldcomb.tracks.recording import Recording

# Of these files the second reader wants nothing that they lack.
BOTH_CAN_READ = [
    "plain", "no position at the start", "values that are invalid", "pause", "laps of all kinds",
    "lap that does not say what ended it", "no laps", "two sports in one file", "no kind of file",
    "header of 12 bytes", "header checksum of 0", "unknown messages", "big endian",
    "compressed timestamps", "times since power on",
]  # fmt: skip

SOUND_FIXES = [
    "wrong checksum", "length too small", "zeros behind the end", "zeros in place of the end", "unknown messages",
    "heart rates without a start", "compressed timestamps", "cut off in a record",
]  # fmt: skip


def seconds(value: object) -> float:
    """Unix seconds of what the second reader gives for a time: a moment, a bare number of an undated time, or None."""
    if isinstance(value, datetime):
        return value.replace(tzinfo=UTC).timestamp()
    return math.nan if value is None else float(str(value)) + FIT_EPOCH_S


def assert_same_as_fitparse(recording: Recording, data: bytes) -> None:
    """Compare fixes and laps with those of another reader, one by one."""
    messages = list(fitparse.FitFile(io.BytesIO(data)).messages)
    records = [message.get_values() for message in messages if message.name == "record"]
    laps = [message.get_values() for message in messages if message.name == "lap"]
    track = recording.track
    assert len(track) == len(records)
    for name, found in (("position_lat", track.lat_deg), ("position_long", track.lon_deg)):
        theirs = [math.nan if row.get(name) is None else row[name] * (180 / 2**31) for row in records]
        np.testing.assert_array_equal(found, theirs)
    np.testing.assert_array_equal(track.time_s, [seconds(row.get("timestamp")) for row in records])
    triggers = {"manual": True, None: None}
    assert [(one.start_s, one.end_s, one.by_hand) for one in recording.laps] == [
        (seconds(row["start_time"]), seconds(row["timestamp"]), triggers.get(row.get("lap_trigger"), False))
        for row in laps
    ]


# ------------------------------------------------------------------------------------------- truth from outside


def test_published_values() -> None:
    """Times, positions and the checksum come out as published values have them."""
    recording = read_fit(start().put(1, 938_622_559, 424_480_360, -940_295_581, 0, 0).done(), "a.fit")
    assert recording.track.time_s[0] == datetime(2019, 9, 28, 16, 29, 19, tzinfo=UTC).timestamp()
    # Pairs of semicircles and degrees in the tests of the crate rustyfit 0.10.1.
    assert recording.track.lat_deg[0] == pytest.approx(35.579532757401466, abs=1e-13)
    assert recording.track.lon_deg[0] == pytest.approx(-78.81466512568295, abs=1e-13)
    assert checksum(b"123456789") == 0xBB3D  # catalogues of checksums, CRC-16/ARC; from memory


def test_ends_of_the_scale() -> None:
    """The full circle of the format is 180 degrees each way, and its zero is 1989-12-31T00:00:00Z."""
    assert -(2**31) * DEGREES_PER_SEMICIRCLE == -180.0
    assert datetime(1989, 12, 31, tzinfo=UTC).timestamp() == FIT_EPOCH_S


@pytest.mark.parametrize("name", BOTH_CAN_READ)
def test_files_agree_with_fitparse(name: str) -> None:
    """Every fix, time and lap is the one that another reader finds."""
    data = CASES[name].data
    assert_same_as_fitparse(read_fit(data, "a.fit"), data)


numbers = st.integers(-(2**31), 2**31 - 1)
records = st.tuples(st.none() | st.integers(0x10000000, 0xFFFFFFFE), st.none() | numbers, st.none() | numbers)


@settings(max_examples=60, deadline=None)
@given(st.lists(records, min_size=1, max_size=9), st.booleans(), st.sampled_from([12, 14]))
def test_any_track_survives_writing_and_reading(rows: list[tuple[int | None, ...]], big: bool, header: int) -> None:
    """Whatever positions and times a recorder writes, they come back as they are, and as another reader has them."""
    fit = start(big=big)
    for row in rows:
        fit.put(1, *row, 0, 0)
    recording = read_fit(fit.done(header=header), "a.fit")
    invalid = (0xFFFFFFFF, 0x7FFFFFFF, 0x7FFFFFFF)
    wide = [[math.nan if v in (None, bad) else v for v, bad in zip(row, invalid, strict=True)] for row in rows]
    time, lat, lon = np.array(wide, float).T
    np.testing.assert_array_equal(recording.track.time_s, time + 631_065_600)
    np.testing.assert_array_equal(recording.track.lat_deg, lat * 180 / 2**31)
    np.testing.assert_array_equal(recording.track.lon_deg, lon * 180 / 2**31)
    assert_same_as_fitparse(recording, fit.done(header=header))


# ------------------------------------------------------------------------------------------------ awkward files


@pytest.mark.parametrize("name", CASES)
def test_awkward_files(name: str) -> None:
    """Each awkward file of the list gives the fixes, laps and runs that are in it, and says what is odd."""
    check_case(CASES[name], "a.fit")


def test_damage_does_not_move_the_sound_fixes() -> None:
    """In files with something odd around or beside the fixes, the fixes lie where they were put."""
    lat = (LAT0 + 100 * np.arange(10)) * (180 / 2**31)
    for name in SOUND_FIXES:
        track = read_fit(CASES[name].data, "a.fit").track
        count = min(len(track), 10)
        np.testing.assert_array_equal(track.lat_deg[:count], lat[:count])
        np.testing.assert_array_equal(track.time_s[:count], START + FIT_EPOCH_S + np.arange(count))


def test_a_lap_begins_and_ends_when_the_button_was_pressed() -> None:
    """A lap keeps the times of both its ends; where the file lacks the end, it is worked out from the lap's length."""
    recording = read_fit(lap(fixes(start(), 0, 9), 2, 7, 0).put(2, None, START + 7, 1500, 0).done(), "a.fit")
    first, second = recording.laps
    assert (first.start_s - FIT_EPOCH_S - START, first.end_s - FIT_EPOCH_S - START) == (2, 7)
    assert (second.start_s - FIT_EPOCH_S - START, second.end_s - FIT_EPOCH_S - START) == (7, 8.5)


@pytest.mark.parametrize("turn", [1, 4, 8, 9])
def test_pause_begins_a_new_run(turn: int) -> None:
    """Where the timer was stopped, by hand or by itself, one run of fixes ends and another begins."""
    fit = timer(timer(fixes(timer(start(), 0, 0), 0, 3), 3, turn), 60, 0)
    assert read_fit(fixes(fit, 60, 2).done(), "a.fit").track.segment.tolist() == [0, 0, 0, 1, 1]


def test_other_events_are_no_pause() -> None:
    """What else happens on a watch, such as a low battery, does not part the walk."""
    fit = fixes(start(), 0, 3).put(3, START + 3, 11, 3).put(3, START + 3, 0, 3)
    assert set(read_fit(fixes(fit, 3, 2).done(), "a.fit").track.segment.tolist()) == {0}


@pytest.mark.parametrize("file", ["walk.fit", "walk.gpx", "walk"])
def test_content_decides_and_not_the_ending(file: str) -> None:
    """A FIT file is read whatever it is called, bare or packed with gzip."""
    data = walk().done()
    for given_bytes in (data, gzip.compress(data)):
        recording = read_recording(given_bytes, file)
        assert (recording.file, len(recording.track)) == (file, 10)


# ------------------------------------------------------------------------------------- damage, limits and memory


def test_cut_off_at_every_byte() -> None:
    """A file that is cut off anywhere gives all fixes before the cut, with a note, or a message."""
    data = lap(fixes(timer(fixes(start(), 0, 6), 6, 4), 9, 3), 0, 12, 0).done()
    read = fixes_of_cuts(data, "a.fit")
    assert all(recording.notes[0].startswith("The file stops") for recording in read)
    assert len(read[-1].track) == len(read_fit(data, "a.fit").track)


@pytest.mark.parametrize("name", ["plain", "developer fields", "compressed timestamps", "chained", "big endian"])
def test_any_changed_byte_ends_in_fixes_or_a_message(name: str) -> None:
    """A byte changed, lost or put in anywhere gives a recording or a message; and fixes with damage are told."""
    chance, whole = random.Random(name), CASES[name].data
    for _ in range(150):
        raw = bytearray(whole)
        at = chance.randrange(len(raw))
        raw[at : at + chance.choice((1, 1, 1, 0, 2))] = chance.randbytes(chance.choice((1, 1, 1, 0, 2)))
        try:
            recording = read_recording(bytes(raw), "a.fit")
        except TrackError:
            continue
        assert len(recording.track) >= 1
        assert bytes(raw) == whole or recording.notes


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=200))
def test_any_messages_end_in_fixes_or_a_message(body: bytes) -> None:
    """Messages made of any bytes, with a right checksum around them, give a recording or a message."""
    for fit in (Fit(body=bytearray(body)), Fit(body=start().body + body)):
        try:
            assert len(read_fit(fit.done(), "a.fit").track) >= 1
        except TrackError as error:
            assert error.hint


def decoded(data: bytes) -> list[tuple[object, ...]]:
    """Time and place of each record as a third reader has them, in the numbers of the file."""
    rows = []
    options = {"processor": None, "check_crc": fitdecode.CrcCheck.DISABLED, "keep_raw_chunks": False}
    with warnings.catch_warnings(), fitdecode.FitReader(io.BytesIO(data), **options) as reader:
        warnings.simplefilter("ignore")
        for frame in reader:
            if frame.frame_type == fitdecode.FIT_FRAME_DATA and frame.global_mesg_num == RECORD:
                raw = {f.def_num: f.raw_value for f in frame.fields if not (f.field_def and f.field_def.is_dev)}
                rows.append((raw.get(253), raw.get(0), raw.get(1)))
    return rows


@pytest.mark.parametrize("name", [*BOTH_CAN_READ, "developer fields", "chained"])
def test_files_agree_with_fitdecode(name: str) -> None:
    """Every time and place is the one that a third reader finds, compressed times and fields made up included."""
    track = read_fit(CASES[name].data, "a.fit").track
    rows = np.array([[math.nan if v is None else v for v in row] for row in decoded(CASES[name].data)], float).T
    np.testing.assert_array_equal(track.time_s, rows[0] + FIT_EPOCH_S)
    np.testing.assert_array_equal(track.lat_deg, rows[1] * DEGREES_PER_SEMICIRCLE)
    np.testing.assert_array_equal(track.lon_deg, rows[2] * DEGREES_PER_SEMICIRCLE)


@pytest.mark.parametrize(("base", "width"), [(0x88, 4), (0x07, 8), (0x85, 8), (0x89, 8), (0x85, 2)])
def test_a_field_of_another_kind_is_no_position(base: int, width: int) -> None:
    """A latitude that is a fraction, a text, several numbers or half of one is left out; the fixes around it stay."""
    fit = fixes(start(), 0, 2)
    fit.body += struct.pack("<BBBHB", 0x46, 0, 0, RECORD, 3) + bytes((253, 4, 0x86, 0, width, base, 1, 4, 0x85))
    fit.body += struct.pack("<BI", 6, START + 2) + bytes(width) + struct.pack("<i", LON0)
    track = read_fit(fixes(fit, 3, 2).done(), "a.fit").track
    assert np.isnan(track.lat_deg).tolist() == [False, False, True, False, False]
    assert track.lon_deg[2] == LON0 * DEGREES_PER_SEMICIRCLE and track.time_s[2] == START + FIT_EPOCH_S + 2


def test_records_without_anything_wanted_are_fixes_without_a_place() -> None:
    """A record that holds a heart rate only is kept and told like any other fix without a position."""
    fit = fixes(start().define(6, RECORD, ((3, "u8"),)).put(6, 90).put(6, 91), 0, 2)
    recording = read_fit(fit.done(), "a.fit")
    assert len(recording.track) == 4 and np.isnan(recording.track.time_s).sum() == 2
    assert recording.notes == ("2 track points without a readable position",)


def test_too_much_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """A file with far too many points, messages or files in it is refused with a way out, and one just below is not."""
    data = fixes(start(), 0, 5).done()  # ten messages: five fixes, and five before them
    more = [("MAX_POINTS", 5), ("MAX_MESSAGES", 11), ("MAX_PARTS", 2)]
    for name, limit in more:
        monkeypatch.setattr(limits, name, limit)
    assert len(read_fit(data, "a.fit").track) == 5
    with pytest.raises(TrackError, match="more than 5 points"):
        read_fit(fixes(start(), 0, 6).done(), "a.fit")
    with pytest.raises(TrackError, match="more than 11 messages"):
        read_fit(timer(timer(fixes(start(), 0, 5), 5, 0), 5, 0).done(), "a.fit")
    monkeypatch.setattr(limits, "MAX_DEFINITIONS", 4)
    assert len(read_fit(data, "a.fit").track) == 5
    assert len(read_fit(fixes(start().define(1, RECORD, RECORD_FIELDS), 0, 5).done(), "a.fit").track) == 5
    with pytest.raises(TrackError, match="more than 4 kinds of message"):
        read_fit(fixes(start().define(6, RECORD, ((3, "u8"),)), 0, 5).done(), "a.fit")
    with pytest.raises(TrackError, match="far too many FIT files"):
        read_fit(Fit().done() * 3, "a.fit")


def test_headers_that_claim_the_same_bytes_are_refused() -> None:
    """A file of headers that each claim all that follows is refused, and does not take the square of its size."""
    count = 400
    heads = (struct.pack("<BBHI4s", 12, 0x20, 2100, max(0, 12 * (count - i - 1) - 3), b".FIT") for i in range(count))
    with pytest.raises(TrackError, match="inside each other"):
        read_fit(b"".join(heads), "a.fit")


def test_memory_grows_with_the_points_and_modestly() -> None:
    """Reading takes less than 150 bytes a fix beside the file itself, so a day of walking fits anywhere."""
    peaks = []
    for count in (2_000, 8_000):
        row = fixes(Fit().define(1, RECORD, RECORD_FIELDS), 0, 1).body[-16:]
        fit = Fit(body=start().body + bytes(row) * count)
        data = fit.done(size=0, end_crc=0)[:-2]
        tracemalloc.start()
        recording = read_fit(data, "a.fit")
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert len(recording.track) == count
    assert peaks[1] - peaks[0] < 150 * 6_000
    assert peaks[0] < 150 * 2_000 + 1_000_000


def test_sound_files_have_no_notes() -> None:
    """Of a file in which nothing is odd nothing is said, so that a note means something."""
    assert read_fit(walk().done(), "a.fit").notes == ()
    assert read_fit(start().put(1, START, LAT0, LON0, 0, 0).done(), "a.fit").notes == ()
