"""Walks in KML: against an independent reader, in every form they come in, and damaged."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pytest
from fastkml import KML, Placemark
from fastkml.gx import MultiTrack, Track
from fastkml.utils import find_all
from format_checks import check_damage, check_told, fixes_of_cuts
from format_samples import KML as SAMPLE
from format_samples import PEG, PLACES, SAMPLES, TIMES, gx_track, kml, line_string, placemark, zipped

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.formats.kml import plain_text, read_kml
from fieldcomb.tracks.formats.read import read_recording

NINE_S = datetime(2026, 3, 7, 9, tzinfo=UTC).timestamp()
POLYGON = (
    "<Polygon><outerBoundaryIs><LinearRing><coordinates>3,55 3.1,55 3.1,55.1 3,55</coordinates></LinearRing>"
    "</outerBoundaryIs></Polygon>"
)
TWO = f"<MultiGeometry>{line_string()}{line_string(PLACES[:2])}</MultiGeometry>"
MULTI = (
    f"<gx:MultiTrack><gx:interpolate>0</gx:interpolate>{gx_track()}{gx_track(TIMES[:2], PLACES[:2])}</gx:MultiTrack>"
)


def fixes_of_fastkml(data: bytes) -> list[tuple[float, float, float]]:
    """Read all tracks and lines with the other library."""
    rows = []
    for mark in find_all(KML.from_string(data.decode().partition("\n")[2]), of_type=Placemark):
        shape = mark.kml_geometry
        tracks = shape.tracks if isinstance(shape, MultiTrack) else [shape] if isinstance(shape, Track) else []
        for item in (item for track in tracks for item in track.track_items):
            rows.append((item.coord.x, item.coord.y, item.when.dt.timestamp()))
        if not tracks and mark.geometry.geom_type != "Point":
            lines = getattr(mark.geometry, "geoms", [mark.geometry])
            rows += [(at[0], at[1], math.nan) for line in lines for at in line.coords]
    return rows


@pytest.mark.parametrize(
    "data",
    [
        kml(placemark(gx_track()), PEG),
        kml(placemark(MULTI)),
        kml(placemark(line_string())),
        kml(placemark(TWO), placemark(line_string(PLACES[3:]))),
        kml(placemark(gx_track([time.replace("Z", ".25+02:00") for time in TIMES]))),
    ],
)
def test_every_fix_agrees_with_an_independent_reader(data: bytes) -> None:
    """Longitudes, latitudes and times of tracks and lines are those that another library finds."""
    track = read_kml(data, "a.kml").track
    rows = np.array(fixes_of_fastkml(data))
    assert len(track) == len(rows) >= 5
    np.testing.assert_array_equal(np.column_stack([track.lon_deg, track.lat_deg, track.time_s]), rows)


# what: bytes, fixes, runs, waypoints, words in the notes
CASES: dict[str, tuple[bytes, int, int, int, str]] = {
    "a track": (kml(placemark(gx_track())), 5, 1, 0, ""),
    "several tracks": (kml(placemark(MULTI), placemark(gx_track(["2026-03-08T09:00:00Z"], PLACES[:1]))), 8, 3, 0, ""),
    "a track of KML 2.3, without a prefix": (kml(placemark(gx_track(prefix=""))), 5, 1, 0, ""),
    "another prefix, never declared": (kml(placemark(gx_track(prefix="zz:"))), 5, 1, 0, ""),
    "more places than times": (kml(placemark(gx_track(TIMES[:3]))), 5, 1, 0, "2 places of the track without a time"),
    "more times than places": (
        kml(placemark(gx_track(TIMES, PLACES[:3]))),
        3,
        1,
        0,
        "2 times of the track without a pl",
    ),
    "no times at all": (kml(placemark(gx_track([]))), 5, 1, 0, "5 places of the track without a time"),
    "a blank time": (kml(placemark(gx_track(["", *TIMES[1:]]))), 5, 1, 0, "1 time of the track left blank"),
    "an unreadable time": (kml(placemark(gx_track(["9 am", *TIMES[1:]]))), 5, 1, 0, "first being '9 am'"),
    "a blank place": (SAMPLE.replace(b"3.2000100 55.5000200 1.5", b""), 5, 1, 1, "1 track point without a readable"),
    "NaN as a place": (
        SAMPLE.replace(b"3.2000100 55.5000200", b"NaN NaN"),
        5,
        1,
        1,
        "1 track point without a readable",
    ),
    "latitude 91": (SAMPLE.replace(b"<gx:coord>3.2000100 55.5000200", b"<gx:coord>3.2 91"), 5, 1, 1, ""),
    "decimal comma": (SAMPLE.replace(b"3.2000100 55.5000200 1.5", b"3,20001 55,50002 1,5"), 5, 1, 1, "decimal comma"),
    "commas between": (SAMPLE.replace(b"3.2000100 55.5000200 1.5", b"3.20001,55.50002,1.5"), 5, 1, 1, ""),
    "a line copy of the track": (SAMPLE, 5, 1, 1, "a copy of the track, so the timed one was used"),
    "a thinned copy": (kml(placemark(gx_track()), placemark(line_string(PLACES[::4]))), 5, 1, 0, "a copy of the track"),
    "a plan as well as the track": (
        kml(placemark(gx_track()), placemark(line_string([(3.3, 55.6), (3.31, 55.6)]))),
        *(5, 1, 0, "The file also holds 1 line without times, with 2 points: taken for a plan"),
    ),
    "lines": (kml(placemark(TWO)), 7, 2, 0, ""),
    "a line with a time span": (
        kml(placemark(line_string(), beside=f"<TimeSpan><begin>{TIMES[0]}</begin></TimeSpan>")),
        *(5, 1, 0, "A line has a time span, which does not time its points"),
    ),
    "blanks round the commas": (kml(placemark(line_string())).replace(b",", b" , "), 5, 1, 0, ""),
    "an unreadable place in a line": (
        kml(placemark(line_string())).replace(b"3.2000100,", b"x,"),
        5,
        1,
        0,
        "1 track point",
    ),
    "a polygon beside": (kml(placemark(gx_track()), placemark(POLYGON)), 5, 1, 0, "The file also holds 1 polygon"),
    "byte order mark, CRLF": (b"\xef\xbb\xbf" + SAMPLE.replace(b"\n", b"\r\n"), 5, 1, 1, ""),
    "UTF-16": (SAMPLE.decode().replace("UTF-8", "UTF-16").encode("utf-16"), 5, 1, 1, ""),
    "windows-1252": (SAMPLE.decode().replace("peg A", "peg Å").encode("cp1252"), 5, 1, 1, "read as windows-1252"),
    "zeros at the end": (SAMPLE + bytes(100), 5, 1, 1, "The last 100 bytes of the file are all zero"),
    "cut off in the places of a track": (SAMPLE[: SAMPLE.index(b"3.2000300")], 3, 1, 0, "stops in the middle"),
    "cut off in a line": (
        kml(placemark(line_string()))[: kml(placemark(line_string())).index(b"55.5000600") + 5],
        *(3, 1, 0, "The last point is unfinished and was left out"),
    ),
    "a bare & in a name": (
        SAMPLE.replace(b"<name>", b"<name>by A & B ", 1),
        5,
        1,
        1,
        "A bare & where &amp; was needed",
    ),
    "packed": (zipped(("doc.kml", SAMPLE), ("files/a.png", b"x")), 5, 1, 1, "Read 'doc.kml' from the archive"),
}


@pytest.mark.parametrize("what", CASES)
def test_awkward_files_are_read_and_told(what: str) -> None:
    """A file that some program writes in its own way gives all of its fixes, and what was odd is told."""
    data, fixes, runs, waypoints, says = CASES[what]
    track = check_told(data, "a.kml", fixes, waypoints, says).track
    assert len(set(track.segment.tolist())) == runs


REFUSED = {
    "only a polygon": (kml(placemark(POLYGON)), "only 1 polygon. A polygon is a boundary: use it with --boundary"),
    "only points": (kml(PEG, PEG), "holds no track and no line, only 2 waypoints. Only a recorded track"),
    "nothing": (kml(), "holds no track and no line, and no other shape"),
    "an empty track": (kml(placemark(gx_track([], []))), "holds no track and no line"),
    "a link": (kml("<NetworkLink><Link/></NetworkLink>"), "only 1 linked file"),
    "links": (kml("<NetworkLink><Link/></NetworkLink>" * 3), "only 3 linked files"),
    "cut off before any place": (
        SAMPLE[: SAMPLE.index(b"<gx:coord>") + 5],
        "stops in the middle.*Copy or export it again",
    ),
    "cut off in a description": (
        kml(placemark("", beside="<description>one, two, three"))[:-60],
        "holds no track and no line",
    ),
    "a DOCTYPE": (b"<!DOCTYPE kml><kml/>", "has a DOCTYPE"),
    "nested": (b"<kml>" + b"<Folder>" * 100, "nested more than 64 deep"),
}


@pytest.mark.parametrize("what", REFUSED)
def test_files_without_a_walk_are_refused(what: str) -> None:
    """A file that holds no walk is refused, with what it does hold and what to do."""
    data, says = REFUSED[what]
    with pytest.raises(TrackError, match=f"(?s){says}"):
        read_recording(data, "a.kml")


def test_waypoints_have_their_words_without_tags_and_their_time() -> None:
    """A point is a waypoint with name, description as plain text, and the time of its own stamp, not of a view."""
    view = f"<LookAt><gx:TimeStamp><when>{TIMES[4]}</when></gx:TimeStamp></LookAt>"
    words = "<description><![CDATA[<p>by the <b>wall</b></p>]]></description>"
    words += f"{view}<TimeStamp><when>{TIMES[1]}</when></TimeStamp>"
    mark = placemark("<Point><coordinates>3.25,55.5</coordinates></Point>", "peg A", words)
    recording = read_kml(kml(mark, placemark(gx_track())), "a.kml")
    (peg,) = recording.waypoints
    assert (peg.lon_deg, peg.lat_deg, peg.name, peg.note, peg.time_s) == (
        3.25,
        55.5,
        "peg A",
        "by the wall",
        NINE_S + 1,
    )
    assert recording.names == ("walk",) and "The file also holds 1 waypoint" in recording.notes


def test_html_becomes_plain_text() -> None:
    """Tags of a description go, words stay apart, and a lone sign is no tag."""
    assert plain_text("a<br>b<!-- c --> 1 < 2 &amp; <i class='x'>3</i>") == "a b 1 < 2 & 3"


@pytest.mark.parametrize("data", SAMPLES["KML"])
def test_cut_off_anywhere_ends_in_fixes_or_a_message(data: bytes) -> None:
    """A file that is cut off at any byte gives the first fixes of the whole one, or a message."""
    read = fixes_of_cuts(data, "a.kml")
    assert len(read[-1].track) == len(read_kml(data, "a.kml").track)


@pytest.mark.parametrize("kind", ["KML", "KMZ"])
def test_any_damage_ends_in_fixes_or_a_message(kind: str) -> None:
    """Whatever bytes are changed, lost or put in, the answer is a recording or a message."""
    check_damage(SAMPLES[kind], SAMPLE, "a.kml", seed=7, tries=400)
