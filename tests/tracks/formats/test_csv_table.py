"""Walks in tables of values: against independent readers, in every form they come in, and damaged."""

from __future__ import annotations

import csv
import io
from datetime import datetime
from pathlib import Path

import numpy as np
import pyogrio
import pytest
from format_checks import check_damage, check_told, fixes_of_cuts
from format_samples import ROWS, SAMPLES, TIMES, table
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldcomb.coverage.site.roster import ROSTER_COLUMNS
from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.formats.csv_table import read_csv
from fieldcomb.tracks.formats.read import read_recording

NINE_S = datetime.fromisoformat(TIMES[0]).timestamp()
WALK = table(*ROWS)


def walk(header: str, row: str, count: int = 5, ending: str = "\n") -> bytes:
    """Write a table whose rows hold {s} seconds, {ms}, {iso} time and {d} for a rising digit."""
    rows = [row.format(s=int(NINE_S) + i, ms=int(NINE_S + i) * 1000, iso=TIMES[i], d=i) for i in range(count)]
    return table(*rows, header=header, ending=ending)


def test_every_fix_agrees_with_independent_readers(tmp_path: Path) -> None:
    """Longitudes, latitudes and times are those that GDAL, and Python's own tools by hand, find."""
    (tmp_path / "a.csv").write_bytes(WALK)
    meta, _, _, columns = pyogrio.raw.read(tmp_path / "a.csv", X_POSSIBLE_NAMES="lon", Y_POSSIBLE_NAMES="lat")
    fields = dict(zip(meta["fields"], columns, strict=True))
    track = read_csv(WALK, "a").track
    np.testing.assert_array_equal(track.lon_deg, fields["lon"].astype(float))
    np.testing.assert_array_equal(track.lat_deg, fields["lat"].astype(float))
    rows = list(csv.DictReader(io.StringIO(WALK.decode())))
    np.testing.assert_array_equal(track.time_s, [datetime.fromisoformat(row["time"]).timestamp() for row in rows])
    np.testing.assert_array_equal(track.lon_deg, [float(row["lon"]) for row in rows])


@settings(max_examples=80, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(-180, 180), st.floats(-90, 90), st.floats(320_000_000, 4_000_000_000)),
        min_size=1,
        max_size=8,
    ),
    st.permutations(["lon", "lat", "time", "speed"]),
    st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", ".")]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.booleans(),
)
def test_any_walk_comes_back_fix_by_fix(
    fixes: list[tuple[float, float, float]],
    order: list[str],
    marks: tuple[str, str],
    letters: str,
    ending: str,
    quoted: bool,
) -> None:
    """Any order of columns, delimiter, decimal sign, letters, line ends and quotes give the same fixes."""
    out = io.StringIO(newline="")
    writer = csv.writer(
        out, delimiter=marks[0], lineterminator=ending, quoting=csv.QUOTE_ALL if quoted else csv.QUOTE_MINIMAL
    )
    writer.writerow([name.upper() for name in order])
    for lon, lat, time in fixes:
        row = {"lon": f"{lon:.17f}", "lat": f"{lat:.17f}", "time": f"{time:.9f}", "speed": "0.4"}
        writer.writerow([row[name].replace(".", marks[1]) for name in order])
    track = read_csv(out.getvalue().encode(letters), "a").track
    np.testing.assert_allclose(
        np.column_stack([track.lon_deg, track.lat_deg]), [fix[:2] for fix in fixes], rtol=0, atol=1e-15
    )
    np.testing.assert_allclose(track.time_s, [fix[2] for fix in fixes], rtol=0, atol=1e-6)


# what: bytes, fixes, of these with a time, waypoints, words in the notes
CASES: dict[str, tuple[bytes, int, int, int, str]] = {
    "plain": (WALK, 5, 5, 1, "The file also holds 1 waypoint"),
    "swapped columns, long names": (walk("Longitude,LATITUDE,Timestamp", "3.20{d},55.50{d},{iso}"), 5, 5, 0, ""),
    "units in the names": (walk("lat (deg),lon [deg],time_ms", "55.50{d},3.20{d},{ms}"), 5, 5, 0, ""),
    "semicolons, decimal comma": (
        walk("lat;lon;time", "55,50{d};3,20{d};{iso}"),
        5,
        5,
        0,
        "10 coordinates with a decimal",
    ),
    "tabs": (walk("lat\tlng\tutc", "55.50{d}\t3.20{d}\t{iso}"), 5, 5, 0, ""),
    "a line for the delimiter": (
        walk("sep=;\nlat;lon;time", "55.5;3.20{d};{iso}"),
        5,
        5,
        0,
        "The header is in line 2",
    ),
    "a line of the recorder above": (walk("recorder,7\n\n#lat,lon,time", "55.5,3.20{d},{iso}"), 5, 5, 0, "in line 3"),
    "Unix seconds": (walk("lat,lon,time", "55.5,3.20{d},{s}"), 5, 5, 0, ""),
    "Unix milliseconds": (walk("lat,lon,time", "55.5,3.20{d},{ms}"), 5, 5, 0, ""),
    "date and time apart": (
        walk("date,time,lat,lon", "2026-03-07,09:00:0{d},55.5,3.20{d}"),
        5,
        5,
        0,
        "without a time zone",
    ),
    "a date, and the time in full": (walk("date,time,lat,lon", "2026-03-07,{iso},55.5,3.20{d}"), 5, 5, 0, ""),
    "two columns of time": (walk("time,timestamp,lat,lon", "0:0{d},{s},55.5,3.20{d}"), 5, 5, 0, ""),
    "a blank before the time": (walk("lat,lon,time", "55.5, 3.20{d}, 2026-03-07 09:00:0{d}Z"), 5, 5, 0, ""),
    "day or month first": (
        walk("lat,lon,time", "55.5,3.20{d},03/04/2026 09:00:0{d}"),
        *(5, 0, 0, "5 times such as '03/04/2026 09:00:00' leave day and month unclear, and were not read: write 2026-"),
    ),
    "seconds since the start": (walk("lat,lon,time", "55.5,3.20{d},{d}"), 5, 0, 0, "5 times could not be read"),
    "runs": (walk("track,lat,lon,time", "{d},55.5,3.20{d},{iso}"), 5, 5, 0, ""),
    "a note": (table("55,3,1,", "55,3,2,by the wall", "55,3,3,", header="lat,lon,time,note"), 3, 0, 1, "1 waypoint"),
    "the name of the walk in every row": (walk("name,lat,lon,time", "field 1,55.5,3.20{d},{iso}"), 5, 5, 0, ""),
    "other columns": (
        walk("lat,lon,time,speed,ele", "55.5,3.20{d},{iso},1,2"),
        5,
        5,
        0,
        "Columns that are not used: speed,",
    ),
    "quoted": (walk('"lat","lon","time","note"', '"55.5","3.20{d}","{iso}",""'), 5, 5, 0, ""),
    "a quoted line break": (WALK.replace(b",peg A", b',"peg\nA, ""old"""'), 5, 5, 1, ""),
    "a quote that does not close": (
        WALK.replace(b",peg A", b',"peg A'),
        5,
        5,
        1,
        "1 row with a quotation mark that does",
    ),
    "a quote in a word": (WALK.replace(b"peg A", b'5" peg'), 5, 5, 1, ""),
    "empty lines": (WALK.replace(b"\n", b"\n\n,,,\n"), 5, 5, 1, ""),
    "CRLF": (WALK.replace(b"\n", b"\r\n"), 5, 5, 1, ""),
    "UTF-16 without a mark": (WALK.decode().encode("utf-16-le"), 5, 5, 1, ""),
    "windows-1252": (WALK.replace(b"peg A", b"peg \xc5"), 5, 5, 1, "read as windows-1252"),
    "zeros at the end": (WALK + bytes(50), 5, 5, 1, "The last 50 bytes of the file are all zero"),
    "NaN": (WALK.replace(b"55.5000200", b"NaN"), 5, 5, 1, "1 track point without a readable position"),
    "a huge number": (WALK.replace(b"55.5000200", b"9" * 999), 5, 5, 1, "1 track point without a readable position"),
    "no place": (WALK.replace(b"55.5000200,3.2000100", b","), 5, 5, 1, "1 track point without a readable position"),
    "latitude 91": (WALK.replace(b"55.5000200", b"91"), 5, 5, 1, ""),
    "short rows": (table(*ROWS[:4], "2026-03-07T09:00:04Z"), 5, 5, 1, "1 track point without a readable position"),
    "long rows": (table(*ROWS[:4], ROWS[4] + ",7,8"), 5, 5, 1, "1 row with more values than the header has names"),
    "a giant row": (table(*ROWS, "," * 200_000), 6, 5, 1, "1 track point without a readable position"),
    "cut off in a row": (WALK[:-12], 4, 4, 1, "The last row is unfinished and was left out"),
    "no line end at the end": (WALK[:-1], 5, 5, 1, ""),
    "x and y": (
        walk("X,Y,time", "3.20{d},55.5,{iso}"),
        5,
        5,
        0,
        "x and y were taken for longitude and latitude in degrees",
    ),
}


@pytest.mark.parametrize("what", CASES)
def test_awkward_tables_are_read_and_told(what: str) -> None:
    """A table that some program writes in its own way gives all of its fixes, and what was odd is told."""
    data, fixes, times, waypoints, says = CASES[what]
    track = check_told(data, "a.csv", fixes, waypoints, says).track
    assert int(np.isfinite(track.time_s).sum()) == times


# header, rows with places of the south and west written without a sign
SOUTH_WEST = {
    "columns of letters": ("lat,n/s,lon,e/w,time", "55.50{d},S,3.20{d},W,{iso}"),
    "columns of letters in any order": ("EW,NS,lon,lat,time", "w,s,3.20{d},55.50{d},{iso}"),
    "columns of words": ("lat,lat_dir,lon,lon_dir,time", "55.50{d},South,3.20{d},West,{iso}"),
    "columns called hemisphere": ("latitude,hemisphere,longitude,hemisphere,time", "55.50{d},S,3.20{d},W,{iso}"),
    "columns without a known name": ("lat,a,lon,b,time", "55.50{d},S,3.20{d},W,{iso}"),
    "letters behind the degrees": ("LATITUDE N/S,LONGITUDE E/W,time", "55.50{d}S,3.20{d} W,{iso}"),
    "letters before the degrees": ("lat,lon,time", "S 55.50{d},W3.20{d}\N{DEGREE SIGN},{iso}"),
    "a sign and a letter that agree": ("lat,n/s,lon,e/w,time", "-55.50{d},S,-3.20{d},W,{iso}"),
    "a decimal comma": ("lat;ns;lon;ew;time", "55,50{d};S;3,20{d};W;{iso}"),
}


@pytest.mark.parametrize("what", SOUTH_WEST)
def test_letters_of_the_hemisphere_count(what: str) -> None:
    """South and west written as letters put the walk there, wherever the letters stand."""
    track = read_csv(walk(*SOUTH_WEST[what]), "a").track
    np.testing.assert_array_equal(track.lat_deg, [float(f"-55.50{i}") for i in range(5)])
    np.testing.assert_array_equal(track.lon_deg, [float(f"-3.20{i}") for i in range(5)])


@pytest.mark.parametrize(
    "cells", ["-55.5,N,3.2,E", "55.5,X,3.2,E", "55.5,,3.2,E", "55.5,E,3.2,E", "55.5,N,3.2,S", "55.5S,N,3.2,E"]
)
def test_a_place_whose_letters_make_no_sense_is_counted(cells: str) -> None:
    """A letter that is missing, of the other axis, or against the sign makes a place that is not known, not a guess."""
    data = table("55.5,N,3.2,E,1772874000", cells + ",1772874001", header="lat,n/s,lon,e/w,time")
    recording = read_csv(data, "a")
    assert np.isnan(recording.track.lat_deg + recording.track.lon_deg).tolist() == [False, True]
    assert "1 track point without a readable position" in recording.notes


def test_a_compass_heading_is_no_hemisphere() -> None:
    """A column of directions that is not about latitude and longitude does not turn the walk over."""
    data = walk("lat,lon,heading,time", "55.50{d},3.20{d},S,{iso}")
    assert (read_csv(data, "a").track.lat_deg > 0).all()


@pytest.mark.parametrize(
    ("header", "row"),
    [
        ("lat,lon,time", "55.5,3.2,2026/03/07 09:00:0{d}"),
        ("lat,lon,time", "55.5,3.2,2026/3/7T09:00:0{d}Z"),
        ("lat,lon,date,time", "55.5,3.2,2026/03/07,09:00:0{d}"),
        ("lat,lon,date,time", "55.5,3.2,2026.03.07,09:00:0{d}Z"),
        ("lat,lon,date,time", "55.5,3.2,2026-3-7,9:00:0{d}"),
        ("lat,lon,date,time", "55.5,3.2,20260307,09:00:0{d}"),
    ],
)
def test_dates_that_begin_with_the_year_are_times(header: str, row: str) -> None:
    """A date with slashes, points or no zeros says its order by beginning with the year."""
    np.testing.assert_array_equal(read_csv(walk(header, row), "a").track.time_s, [NINE_S + i for i in range(5)])


REFUSED = {
    "a roster": (table("a.gpx,Ann,28cm,,,", header=",".join(ROSTER_COLUMNS)), "found: " + ", ".join(ROSTER_COLUMNS)),
    "no header": (table(*ROWS[1:], header=ROWS[0]), "needs a header with the columns lat, lon and time"),
    "no latitude": (walk("lon,time", "3.2,{iso}"), "found: lon, time"),
    "no time": (walk("lat,lon,name", "55.5,3.2,a{d}"), "found: lat, lon, name"),
    "one of x, y and one of lat, lon": (walk("x,lat,time", "3.2,55.5,{iso}"), "needs a header"),
    "marked places": (
        walk("name,lat,lon,time", "find {d},55.5,3.20{d},{iso}"),
        "is a table of 5 rows, most with a name",
    ),
    "metres": (
        walk("x,y,time", "68707{d},6210141,{iso}"),
        "columns x and y that are not degrees, such as 687070, 6210141",
    ),
    "degrees with letters": (
        walk("lat,lon,time", "N55 30,E3 12,{iso}"),
        "no row with a readable place; the first has 'N55",
    ),
    "decimal comma between commas": (
        walk("lat,lon,time", "55,5,3,2,{iso}"),
        "with decimal commas, use semicolons or tabs",
    ),
    "only a header": (table(header="lat,lon,time"), "has a header, but no row with a value below it"),
    "a header and empty quotes": (b'lat,lon,time\n"",""\n"",""\n', "has a header, but no row with a value below it"),
    "all rows in quotes": (
        b'"lat,lon,time"\n"55.5,3.2,2026-03-07T09:00:00Z"\n',
        "is a table with whole rows in quotes, each a single value, such as 'lat,lon,time'",
    ),
    "rows in quotes below a header": (
        b'lat;lon;time\n"55.5;3.2;2026-03-07T09:00:00Z"\n"55.6;3.2;2026-03-07T09:00:05Z"\n',
        "is a table with whole rows in quotes, each a single value, such as '55.5;3.2;2026-03-07T09:00:0",
    ),
    "text": (b"Dear Ann, see you on Saturday.\n", "needs a header"),
    "a giant line": (b"a," * 100_000, "needs a header"),
}


@pytest.mark.parametrize("what", REFUSED)
def test_other_tables_are_refused(what: str) -> None:
    """A table that is no walk is refused, with the columns that it needs and those it has, or what else is wrong."""
    data, says = REFUSED[what]
    with pytest.raises(TrackError, match=says):
        read_recording(data, "a.csv")


def test_a_mark_keeps_its_place_time_and_words() -> None:
    """A word in a row is a waypoint at that fix; the same words in the next rows are the same mark."""
    data = table(*(f"{t},55.50{i},3.2,{'peg A,by the wall' if i in (1, 2) else ','}" for i, t in enumerate(TIMES)),
                 header="time,lat,lon,mark,note")  # fmt: skip
    (peg,) = read_csv(data, "a").waypoints
    assert (peg.lat_deg, peg.time_s, peg.name, peg.note) == (55.501, NINE_S + 1, "peg A", "by the wall")


def test_a_new_value_begins_a_run_and_names_it() -> None:
    """A column of segments or tracks parts the walk where its value changes."""
    rows = [f"55.50{i},3.2,{time},{'west' if i < 2 else 'east'}" for i, time in enumerate(TIMES)]
    recording = read_csv(table(*rows, header="lat,lon,time,Track"), "a")
    assert recording.track.segment.tolist() == [0, 0, 1, 1, 1] and recording.names == ("west", "east")


@pytest.mark.parametrize("data", SAMPLES["CSV"])
def test_cut_off_anywhere_ends_in_fixes_or_a_message(data: bytes) -> None:
    """A table that is cut off at any byte gives the first fixes of the whole one, but for the last, or a message."""
    read = fixes_of_cuts(data, "a", unsure=1)
    assert len(read[-1].track) == len(read_csv(data, "a").track)


def test_any_damage_ends_in_fixes_or_a_message() -> None:
    """Whatever bytes are changed, lost or put in, the answer is a recording or a message."""
    check_damage(SAMPLES["CSV"], WALK, "a", seed=9, tries=500)
