"""What a small file can make the program do is bounded, and the message says the limit and the way out."""

from __future__ import annotations

import zlib

import pytest

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files import limits
from fieldcomb.tracks.formats.read import read_recording

FIX = '<trkpt lat="55.5" lon="3.2"/>'
MARK = '<wpt lat="55.5" lon="3.2"><name>A</name></wpt>'


def gpx(inside: str) -> bytes:
    """Write a GPX file."""
    return f"<gpx>{inside}</gpx>".encode()


def spot(place: str) -> str:
    """Write a placemark of KML with one point."""
    return f"<Placemark><Point><coordinates>{place}</coordinates></Point></Placemark>"


LINE = "<Placemark><LineString><coordinates>3,55 3,56</coordinates></LineString></Placemark>"
# limit, its value here, what is in the file once and one time too often
BOUNDED = {
    "marks of GPX": ("MAX_MARKS", lambda n: gpx(MARK * n + f"<trk><trkseg>{FIX}</trkseg></trk>"), "3 marked places"),
    "marks of KML": ("MAX_MARKS", lambda n: f"<kml>{LINE}{spot('3,55') * n}</kml>".encode(), "3 marked places"),
    "marks of a table": (
        "MAX_MARKS",
        lambda n: b"lat,lon,time,name\n" + b"55,3,1,\n55,3,2,A\n55,3,3,\n" * n,
        "3 marked places",
    ),
    "lines of KML": ("MAX_LINES", lambda n: f"<kml>{LINE * n}</kml>".encode(), "3 lines"),
    "pieces": ("MAX_LINES", lambda n: gpx(f"<trk><trkseg>{FIX}</trkseg></trk>" * n), "3 pieces of track"),
    "plans": (
        "MAX_LINES",
        lambda n: gpx("<rte></rte>" * n + f"<trk><trkseg>{FIX}</trkseg></trk>"),
        "3 plans",
    ),
    "points": ("MAX_POINTS", lambda n: gpx(f"<trk><trkseg>{FIX * n}</trkseg></trk>"), "3 points"),
    "rows": ("MAX_POINTS", lambda n: b"lat,lon,time\n" + b"55,3,1\n\n,,\n" * n, "3 points"),
    "lines": ("MAX_TABLE_LINES", lambda n: b"lat,lon,time\n55,3,1\n55,3,2\n" + b"\n" * (n - 2), "3 lines"),
    "lines in quotes": ("MAX_TABLE_LINES", lambda n: b"lat,lon,time\n" + b'"55",3,1\n' * n, "3 lines"),
    "elements": ("MAX_ELEMENTS", lambda n: gpx(f"<trk>{FIX}</trk>" + "<a/>" * (n - 3)), "3 elements"),
}


@pytest.mark.parametrize("what", BOUNDED)
def test_each_limit_holds_and_says_what_to_do(what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file at the limit is read, and one with one more is refused with the limit and the way out."""
    name, data, says = BOUNDED[what]
    monkeypatch.setattr(limits, name, 3)
    assert read_recording(data(3), "a").track
    with pytest.raises(TrackError, match=f"holds more than {says}, which is refused") as caught:
        read_recording(data(4), "a")
    assert caught.value.hint and caught.value.file == "a"


def test_a_header_of_blanks_is_looked_at_once() -> None:
    """A table whose header is one endless cell is refused without going through it over and over."""
    with pytest.raises(TrackError, match="is a table, but not of a walk"):
        read_recording(b"lat,lon,x" + b" " * 120_000 + b"\n1,2,3\n", "a")


def test_a_packed_file_of_zeros_is_refused_before_it_is_read() -> None:
    """Half a megabyte that unpacks to 300 MB is no recording; recordings pack to a hundredth at best."""
    packer = zlib.compressobj(9, wbits=31)
    data = b"".join(packer.compress(bytes(10_000_000)) for _ in range(30)) + packer.flush()
    with pytest.raises(TrackError, match="unpacks to more than 34 MB"):
        read_recording(data, "a")
