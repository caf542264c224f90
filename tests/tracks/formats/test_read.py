"""Recordings as they arrive: packed or not, under any name, of any kind."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import math
import tracemalloc
import zipfile
import zlib
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from fit_files import LAT0, LON0, START, fixes, start
from fit_files import lap as fit_lap
from hypothesis import example, given, settings
from hypothesis import strategies as st
from tcx_files import activity, document, lap, point

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files.archive import unpack
from fieldcomb.tracks.formats import read as read_module
from fieldcomb.tracks.formats.fit import FIT_EPOCH_S
from fieldcomb.tracks.formats.gpx import read_gpx
from fieldcomb.tracks.formats.read import Format, read_recording
from fieldcomb.tracks.recording import Recording

DATA = Path(__file__).parents[2] / "data"
WALK = (DATA / "two-tracks.gpx").read_bytes()
OLDER = (DATA / "older.gpx").read_bytes()
FIELDS = (DATA / "fields.kml").read_bytes()


def zipped(packing: int = zipfile.ZIP_DEFLATED, **members: bytes) -> bytes:
    """Pack members into a zip archive; ``__`` in a name stands for a dot."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", packing) as archive:
        for name, content in members.items():
            archive.writestr(name.replace("__", "."), content)
    return out.getvalue()


def assert_same(one: Recording, other: Recording) -> None:
    """Compare the fixes and what lies beside them."""
    for field in ("lon_deg", "lat_deg", "time_s", "segment"):
        np.testing.assert_array_equal(getattr(one.track, field), getattr(other.track, field))
    assert (one.names, one.waypoints) == (other.names, other.waypoints)


@pytest.mark.parametrize("file", ["walk.gpx", "walk.fit", "walk", "walk.gpx.txt"])
@pytest.mark.parametrize("packed", [WALK, gzip.compress(WALK), zipped(walk__gpx=WALK)], ids=["bare", "gzip", "zip"])
def test_content_decides_and_not_the_ending(file: str, packed: bytes) -> None:
    """A GPX file is read whatever it is called, bare or packed, and keeps the name under which it was given."""
    recording = read_recording(packed, file)
    assert recording.file == file
    assert_same(recording, read_gpx(WALK, file))


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"\x0e\x10\x43\x08\x00\x00\x00\x00.FIT\x00\x00", "holds no track points"),
        (b"<TrainingCenterDatabase/>", "holds no trackpoints of an activity"),
        (gzip.compress(b"hello", mtime=0), "looks like plain text. Export the walk as GPX"),
        (b"$GPGGA,092750.000,5321.6802,N", "looks like NMEA"),
        (b"<html><body>Please log in", "is a web page, perhaps a login page"),
        (b"", "is an empty file"),
        (b'"",""\n"",""\n', "is a file of separators and quotation marks alone. Copy or export it again"),
        (b'"\n"\n', "is a file of separators and quotation marks alone. Copy or export it again"),
        (gzip.compress(b"", mtime=0), "cannot be unpacked|is an empty file"),
        (gzip.compress(gzip.compress(WALK)), "looks like a gzip file"),
        (bz2.compress(WALK), "is a file packed with bzip2. Unpack it and give the file in it"),
        (lzma.compress(WALK), "is a file packed with xz. Unpack it"),
        (b"Rar!\x1a\x07\x01\x00", "is a RAR archive. Unpack it"),
        (b"7z\xbc\xaf\x27\x1c\x00\x04", "is a 7z archive. Unpack it"),
        (b"\x28\xb5\x2f\xfd\x04", "is a file packed with zstd. Unpack it"),
        (b'<?xml version="1.0"?><!DOCTYPE gpx><gpx/>', "has a DOCTYPE"),
    ],
)
def test_other_kinds_are_named_with_a_way_out(data: bytes, says: str) -> None:
    """A file of another kind is refused with its name, what it looks like and what to export instead."""
    with pytest.raises(TrackError, match=says) as caught:
        read_recording(data, "a.gpx")
    assert str(caught.value).startswith("a.gpx: ") and caught.value.hint


def test_new_format_is_one_line_in_the_table(monkeypatch: pytest.MonkeyPatch) -> None:
    """Another format takes part as soon as it is in the table, and is asked in the table's order."""
    other = Format("DOTS", lambda data: data.startswith(b"DOTS"), lambda data, file: read_gpx(data[4:], file))
    monkeypatch.setattr(read_module, "FORMATS", (other, *read_module.FORMATS))
    assert_same(read_recording(b"DOTS" + WALK, "a"), read_gpx(WALK, "a"))
    assert_same(read_recording(WALK, "a"), read_gpx(WALK, "a"))
    with pytest.raises(TrackError, match=r"not a DOTS, GPX, .* or [A-Za-z]+ file: it looks like plain text"):
        read_recording(b"hello\n", "a")


@given(st.binary(max_size=300), st.integers(0, 9))
def test_unpacking_gives_back_what_was_packed(content: bytes, level: int) -> None:
    """Any content that is packed comes out the same, without a note; in several parts, too."""
    if content:
        assert unpack(gzip.compress(content, level), "a") == (content, ())
        assert unpack(gzip.compress(content, level) + gzip.compress(b"more", mtime=0), "a") == (content + b"more", ())
    assert unpack(b"<" + content, "a") == (b"<" + content, ())


def test_gzip_cut_off_at_every_byte() -> None:
    """A packed file that is cut off anywhere gives the points that can be unpacked, with a note, or a message."""
    text = WALK + b"".join(b"<!-- %032x -->" % (i * 0x9E3779B97F4A7C15F39CC060) for i in range(30))
    packed, whole = gzip.compress(text), read_gpx(WALK, "t").track
    counts = []
    for cut in range(len(packed)):
        try:
            recording = read_recording(packed[:cut], "t")
        except TrackError:
            assert not counts, "a longer piece of the file gave less than a shorter one"
            continue
        counts.append(len(recording.track))
        np.testing.assert_array_equal(recording.track.lon_deg, whole.lon_deg[: counts[-1]])
        assert recording.notes[0].startswith("The packed file is cut off")
    assert counts == sorted(counts) and counts[-1] == len(whole)
    assert_same(read_recording(packed, "t"), read_gpx(WALK, "t"))


def test_gzip_with_a_wrong_check_sum_is_read_and_told() -> None:
    """A packed file that is whole but for its check sum is read whole, and a note says that it is damaged."""
    packed = bytearray(gzip.compress(WALK))
    packed[-6] ^= 0xFF
    recording = read_recording(bytes(packed), "t")
    assert_same(recording, read_gpx(WALK, "t"))
    assert recording.notes[0].startswith("The packed file is damaged")


def test_bytes_behind_the_packed_part_are_told() -> None:
    """What stands behind a packed file is not read, and its size is told; padding with zeros is none."""
    assert unpack(gzip.compress(WALK) + b"behind", "t")[1] == ("6 bytes after the packed part were not read",)
    assert unpack(gzip.compress(WALK) + bytes(512), "t") == (WALK, ())


def test_bombs_are_refused_before_they_fill_the_memory() -> None:
    """A file of 0.2 MB that unpacks to 200 MB, as gzip or as zip, is refused before half of that is unpacked."""
    packer = zlib.compressobj(9, wbits=31)
    bomb = b"".join(packer.compress(bytes(10_000_000)) for _ in range(20)) + packer.flush()
    archive = zipped(walk__gpx=b"<gpx>" + bytes(200_000_000))
    for data in (bomb, archive):
        tracemalloc.start()
        with pytest.raises(TrackError, match="unpacks to more than"):
            read_recording(data, "t")
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert peak < 100_000_000


def test_limit_is_exact() -> None:
    """A file that unpacks to just the limit passes, and one byte more does not."""
    content = b"<" + bytes(999)
    for packed in (gzip.compress(content), zipped(a__gpx=content)):
        assert unpack(packed, "t", most=1000)[0] == content
        with pytest.raises(TrackError, match="unpacks to more than"):
            unpack(packed, "t", most=999)


def test_archives_with_one_file_that_is_meant() -> None:
    """An archive is read if there is one file in it that can be meant: a KMZ's main part, or the only track."""
    assert unpack(zipped(doc__kml=FIELDS, icon__png=b"x"), "a.kmz") == (FIELDS, ("Read 'doc.kml' from the archive",))
    assert unpack(zipped(doc__kml=FIELDS, other__kml=b""), "a.kmz")[0] == FIELDS
    assert unpack(zipped(readme__txt=b"", Walk__GPX=WALK), "a.zip")[0] == WALK
    for archive, says in (
        (zipped(a__gpx=WALK, b__gpx=OLDER), "2 GPX or KML files .*'a.gpx', 'b.gpx'"),
        (zipped(a__txt=b""), "0 GPX or KML files"),
        (zipped(a__gpx=WALK)[:-30], "cannot be unpacked"),
        (b"PK\x03\x04", "cannot be unpacked"),
        (zipped(zipfile.ZIP_LZMA, a__gpx=WALK), "an unusual way of packing"),
    ):
        with pytest.raises(TrackError, match=says):
            unpack(archive, "a.zip")


@settings(max_examples=200, deadline=None)
@given(
    st.binary(max_size=200),
    st.sampled_from([b"", b"\x1f\x8b\x08\x00", b"PK\x03\x04", b"<gpx>", b"<?xml ", b"\xff\xfe"]),
)
@example(b"", b"\xff\xfe\x00\x00")
@example(b"\xd8", b"\xfe\xff")
def test_any_bytes_end_in_a_message(data: bytes, start: bytes) -> None:
    """Whatever bytes are given for a recording, the answer is a message for people."""
    with pytest.raises(TrackError):
        read_recording(start + data, "a.gpx")


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_damaged_archives_end_in_points_or_a_message(data: st.DataObject) -> None:
    """A packed file with changed bytes gives a recording or a message, never a crash."""
    raw = bytearray(data.draw(st.sampled_from([gzip.compress(WALK), zipped(a__gpx=WALK)])))
    for _ in range(data.draw(st.integers(1, 3))):
        raw[data.draw(st.integers(0, len(raw) - 1))] = data.draw(st.integers(0, 255))
    try:
        recording = read_recording(bytes(raw), "a.gpx")
    except TrackError:
        return
    assert len(recording.track) >= 1


def test_one_walk_in_three_formats() -> None:
    """The same walk written as GPX, FIT and TCX gives the same fixes, to the last digit."""
    at = np.arange(8)
    lat, lon = (LAT0 + 100 * at) * (180 / 2**31), (LON0 + 70 * at) * (180 / 2**31)
    times = [datetime.fromtimestamp(START + FIT_EPOCH_S + int(i), UTC).strftime("%Y-%m-%dT%H:%M:%SZ") for i in at]
    rows = list(zip(lat.tolist(), lon.tolist(), times, strict=True))
    gpx = "".join(f'<trkpt lat="{y}" lon="{x}"><time>{t}</time></trkpt>' for y, x, t in rows)
    place = "<Position><LatitudeDegrees>{}</LatitudeDegrees><LongitudeDegrees>{}</LongitudeDegrees></Position>"
    tcx = "".join(point(0, time=f"<Time>{t}</Time>", where=place.format(y, x)) for y, x, t in rows)
    one, two, three = (
        read_recording(data, "a")
        for data in (
            f"<gpx><trk><trkseg>{gpx}</trkseg></trk></gpx>".encode(),
            fixes(start(), 0, 8).done(),
            document(activity(lap(0, 8, None, tcx))).encode(),
        )
    )
    assert_same(one, two)
    assert_same(one, three)


# ----------------------------------------------------------------------------------------- times that cannot be right


def gpx_of(*times: str, mark: str = "") -> bytes:
    """Write a walk with these times, and a named place with one."""
    points = "".join(f'<trkpt lat="55.{i:05d}" lon="3.2"><time>{time}</time></trkpt>' for i, time in enumerate(times))
    waypoint = f'<wpt lat="55" lon="3.2"><time>{mark}</time></wpt>'
    return f'<gpx version="1.1">{waypoint}<trk><trkseg>{points}</trkseg></trk></gpx>'.encode()


@pytest.mark.parametrize("year", ["0001", "0003", "1969", "2100", "2106", "9999"])
def test_times_of_an_unset_clock_are_left_out_and_counted(year: str) -> None:
    """A time before 1970 or after 2099 is none that a recorder can have: the fix is kept, the time is not."""
    bad = f"{year}-12-31T23:59:5{{}}Z"
    recording = read_recording(gpx_of(*(bad.format(i) for i in range(3)), mark=bad.format(0)), "a")
    assert np.isnan(recording.track.time_s).all() and len(recording.track) == 3
    assert recording.waypoints[0].time_s is None
    assert any(
        note.startswith("4 times lie outside the years 1970 to 2099") and year in note for note in recording.notes
    )


def test_one_wrong_date_does_not_cost_the_others() -> None:
    """Of a walk whose clock was set after the first fixes, the good times stay."""
    good = [f"2026-03-07T09:00:0{i}Z" for i in range(4)]
    recording = read_recording(gpx_of("0001-01-01T00:00:00Z", *good), "a")
    assert np.isnan(recording.track.time_s).tolist() == [True, False, False, False, False]
    assert any(note.startswith("1 time lies outside the years") for note in recording.notes)


def test_laps_and_fit_times_of_an_unset_clock_are_left_out() -> None:
    """A watch whose clock counts into the next century gives fixes and laps without times."""
    far = 0xFFFFFFF0 - START
    fit = start()
    for at in range(3):
        fit.put(1, START + far + at, LAT0, LON0, 0, 0)
    data = fit_lap(fit, far, far + 2, 0).done()
    recording = read_recording(data, "a.fit")
    assert np.isnan(recording.track.time_s).all() and math.isnan(recording.laps[0].end_s)


def test_one_time_for_all_fixes_is_no_time() -> None:
    """A walk whose fixes all bear one time is a walk without times, and that is said."""
    recording = read_recording(gpx_of(*["2026-03-07T09:00:00Z"] * 4), "a")
    assert np.isnan(recording.track.time_s).all()
    assert (
        "All 4 fixes have the same time, 2026-03-07T09:00:00Z: it was read as a walk without times" in recording.notes
    )
    assert np.isfinite(read_recording(gpx_of("2026-03-07T09:00:00Z"), "a").track.time_s).all()


# --------------------------------------------------------------------------------------------------- control characters


@pytest.mark.parametrize("bad", ["\x01", "\x0b", "\x1f", "&#1;", "&#x1F;"])
@pytest.mark.parametrize("letters", ["utf-8", "utf-16"])
def test_a_control_character_in_a_name_costs_nothing_else(bad: str, letters: str) -> None:
    """A character that XML forbids, in the name of a mark, is read as a blank, and that is said."""
    text = WALK.decode().replace("<trk>", f'<wpt lat="55" lon="3"><name>peg{bad}A</name></wpt><trk>', 1)
    recording = read_recording(text.encode(letters), "a")
    assert_same(Recording("a", recording.track), Recording("a", read_gpx(WALK, "a").track))
    assert "peg A" in [mark.name for mark in recording.waypoints]
    assert any(note.startswith("1 character that XML does not allow") for note in recording.notes)


def test_a_picture_is_still_a_binary_file() -> None:
    """Bytes that are no text are called so."""
    with pytest.raises(TrackError, match="a binary file"):
        read_recording(bytes(range(1, 32)) * 20, "a")


def test_a_packed_shapefile_is_called_a_shapefile() -> None:
    """Its projection looks like a table, and its names like nothing; the message speaks of the whole."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("walk.prj", 'GEOGCS["a",DATUM["b"]]')
        archive.writestr("walk.shp", b"\x00\x00\x27\x0a" + bytes(96))
    with pytest.raises(TrackError, match="is a shapefile in a zip archive") as caught:
        read_recording(packed.getvalue(), "walk.zip")
    assert "Export the walk as GPX" in str(caught.value)
