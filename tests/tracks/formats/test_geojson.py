"""Walks in GeoJSON: against an independent reader, in every form they come in, and damaged."""

from __future__ import annotations

import json
import math
from datetime import datetime
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import shapely
from format_checks import check_damage, check_told, fixes_of_cuts
from format_samples import PLACES, SAMPLES, TIMES, feature, geojson
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldcomb.coverage.areas.reading import read_drawn
from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files import limits
from fieldcomb.tracks.formats.geojson import read_geojson
from fieldcomb.tracks.formats.read import read_recording

NINE_S = datetime.fromisoformat(TIMES[0]).timestamp()
UNIX = [NINE_S + i for i in range(5)]
RING = [[[3, 55], [3.1, 55], [3.1, 55.1], [3, 55]]]
TWO = [PLACES, PLACES[:2]]
LINE = feature("LineString", PLACES, coordTimes=TIMES)
POINTS = [feature("Point", place, time=time) for place, time in zip(PLACES, TIMES, strict=True)]


def nested(depth: int) -> dict[str, object]:
    """Put a line into that many collections."""
    shape: dict[str, object] = {"type": "LineString", "coordinates": PLACES}
    for _ in range(depth):
        shape = {"type": "GeometryCollection", "geometries": [shape]}
    return shape


def with_times(*times: object, key: str = "coordTimes") -> bytes:
    """A line with these times."""
    return geojson(feature("LineString", PLACES, **{key: list(times)}))


def swap(place: str, data: bytes) -> bytes:
    """Put something else in the place of the second position."""
    assert data.count(b"[3.20001, 55.50002]") == 1
    return data.replace(b"[3.20001, 55.50002]", place.encode())


@pytest.mark.parametrize(
    "data",
    [
        geojson(LINE),
        geojson(feature("MultiLineString", TWO, coordTimes=[TIMES, TIMES[:2]])),
        geojson(LINE, feature("LineString", [(*place, 12.5) for place in PLACES], coordTimes=TIMES)),
        geojson(*POINTS),
        SAMPLES["GeoJSON"][2],
    ],
)
def test_every_fix_agrees_with_an_independent_reader(data: bytes, tmp_path: Path) -> None:
    """Longitudes, latitudes and times of lines and points are those that GDAL finds."""
    (tmp_path / "a.geojson").write_bytes(data)
    meta, _, shapes, columns = pyogrio.raw.read(tmp_path / "a.geojson")
    fields = dict(zip(meta["fields"], columns, strict=True))
    track = read_geojson(data, "a").track
    places = shapely.get_coordinates(shapely.from_wkb(shapes))
    np.testing.assert_array_equal(np.column_stack([track.lon_deg, track.lat_deg]), places)
    if "coordTimes" in fields:
        told = [t for times in fields["coordTimes"] for t in (json.loads(times) if isinstance(times, str) else times)]
        flat = [t for part in told for t in (part if isinstance(part, list) else [part])]
        times_s = [datetime.fromisoformat(t).timestamp() for t in flat]
    else:
        times_s = [
            float(np.datetime64(t, "ms").astype(float)) / 1000 if isinstance(t, str | np.datetime64) else float(t)
            for t in fields["time"]
        ]
    np.testing.assert_array_equal(track.time_s, times_s)
    assert len(track) >= 5


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.lists(
            st.tuples(st.floats(-180, 180), st.floats(-90, 90), st.floats(320_000_000, 4_000_000_000)),
            min_size=1,
            max_size=4,
        ),
        min_size=1,
        max_size=4,
    )
)
def test_any_walk_comes_back_fix_by_fix(lines: list[list[tuple[float, float, float]]]) -> None:
    """Any lines with Unix times, written as one MultiLineString or as features, come back to the last digit."""
    parts, times = [[fix[:2] for fix in line] for line in lines], [[fix[2] for fix in line] for line in lines]
    whole = geojson(feature("MultiLineString", parts, times=times))
    single = geojson(*(feature("LineString", part, times=time) for part, time in zip(parts, times, strict=True)))
    rows = np.array([fix for line in lines for fix in line])
    for data in (whole, single):
        track = read_geojson(data, "a").track
        np.testing.assert_array_equal(np.column_stack([track.lon_deg, track.lat_deg, track.time_s]), rows)
        assert np.bincount(track.segment).tolist() == [len(line) for line in lines]


# what: bytes, fixes, of these with a time, waypoints, words in the notes
CASES: dict[str, tuple[bytes, int, int, int, str]] = {
    "a line": (geojson(LINE), 5, 5, 0, ""),
    "a line without times": (geojson(feature("LineString", PLACES)), 5, 0, 0, ""),
    "a bare shape": (json.dumps({"type": "LineString", "coordinates": PLACES}).encode(), 5, 0, 0, ""),
    "a bare feature": (json.dumps(LINE).encode(), 5, 5, 0, ""),
    "times under another key": (with_times(*TIMES, key="times"), 5, 5, 0, ""),
    "times in a place of their own": (
        geojson(feature("LineString", PLACES, coordinateProperties={"times": TIMES})),
        *(5, 5, 0, ""),
    ),
    "Unix seconds": (with_times(*UNIX), 5, 5, 0, ""),
    "Unix milliseconds": (with_times(*(int(t * 1000) for t in UNIX)), 5, 5, 0, ""),
    "seconds since the start": (with_times(0, 1, 2, 3, 4), 5, 0, 0, "5 times could not be read, the first being '0'"),
    "fewer times": (with_times(*TIMES[:3]), 5, 3, 0, ""),
    "more times": (with_times(*TIMES, TIMES[4]), 5, 5, 0, "1 time of the track without a place: not used"),
    "times that are null": (with_times(*TIMES[:4], None), 5, 4, 0, ""),
    "times that are no times": (with_times(*TIMES[:2], [], {}, True), 5, 2, 0, "3 times could not be read"),
    "lines in one, times nested": (geojson(feature("MultiLineString", TWO, times=[TIMES, TIMES[:2]])), 7, 7, 0, ""),
    "lines in one, times in a row": (geojson(feature("MultiLineString", TWO, times=TIMES + TIMES[:2])), 7, 7, 0, ""),
    "heights": (geojson(feature("LineString", [(*place, 3.5) for place in PLACES])), 5, 0, 0, ""),
    "points with times": (geojson(*POINTS), 5, 5, 0, ""),
    "points with marks among them": (
        geojson(*POINTS[:4], feature("Point", PLACES[4], timestamp=TIMES[4], name="peg A")),
        *(5, 5, 1, "The file also holds 1 waypoint"),
    ),
    "points with the name of the walk": (
        geojson(*(feature("Point", place, time=t, name="w") for place, t in zip(PLACES, UNIX, strict=True))),
        *(5, 5, 0, ""),
    ),
    "points beside a line": (geojson(LINE, *POINTS[:2]), 5, 5, 2, "The file also holds 2 waypoints"),
    "a copy without times": (geojson(LINE, feature("LineString", PLACES)), 5, 5, 0, "a copy of the track"),
    "a polygon beside": (geojson(LINE, feature("Polygon", RING)), 5, 5, 0, "The file also holds 1 polygon, not used"),
    "a feature without a shape": (
        geojson(LINE, {"type": "Feature", "geometry": None}),
        5,
        5,
        0,
        "1 feature without a sh",
    ),
    "collections": (geojson({"type": "Feature", "geometry": nested(5)}), 5, 0, 0, ""),
    "NaN": (swap("[NaN, 55.5]", geojson(LINE)), 5, 5, 0, "1 track point without a readable position"),
    "a huge number": (swap("[1e999, 55.5]", geojson(LINE)), 5, 5, 0, "1 track point without a readable position"),
    "a huge whole number": (swap(f"[{'9' * 400}, 55]", geojson(LINE)), 5, 5, 0, "1 track point without a readable"),
    "words for numbers": (swap('["3.2", null]', geojson(LINE)), 5, 5, 0, "1 track point without a readable position"),
    "an empty position": (swap("[]", geojson(LINE)), 5, 5, 0, "1 track point without a readable position"),
    "latitude 91": (swap("[3.2, 91]", geojson(LINE)), 5, 5, 0, ""),
    "a key twice": (geojson(LINE).replace(b'"geometry"', b'"geometry": null, "geometry"'), 5, 5, 0, ""),
    "byte order mark, CRLF": (b"\xef\xbb\xbf" + json.dumps(LINE, indent=1).replace("\n", "\r\n").encode(), 5, 5, 0, ""),
    "UTF-16": (geojson(LINE).decode().encode("utf-16"), 5, 5, 0, ""),
    "UTF-16 without a mark": (geojson(LINE).decode().encode("utf-16-be"), 5, 5, 0, ""),
    "windows-1252": (
        geojson(LINE, feature("Point", PLACES[0], name="peg E")).replace(b"peg E", b"peg \xc9"),
        *(5, 5, 1, "read as windows-1252"),
    ),
    "zeros at the end": (geojson(LINE) + bytes(64), 5, 5, 0, "The last 64 bytes of the file are all zero"),
    "one feature a line": (b"\n".join(json.dumps(f).encode() for f in POINTS), 5, 5, 0, ""),
    "a sequence by RFC 8142": (SAMPLES["GeoJSON"][2], 5, 5, 0, ""),
    "a sequence that is cut off": (SAMPLES["GeoJSON"][2][:-9], 4, 4, 0, "1 record could not be read: record 5 of 5"),
    "WGS 84 by name": (geojson(LINE, crs={"type": "name", "properties": {"name": "EPSG:4326"}}), 5, 5, 0, ""),
}


@pytest.mark.parametrize("what", CASES)
def test_awkward_files_are_read_and_told(what: str) -> None:
    """A file that some program writes in its own way gives all of its fixes, and what was odd is told."""
    data, fixes, times, waypoints, says = CASES[what]
    track = check_told(data, "a.geojson", fixes, waypoints, says).track
    assert int(np.isfinite(track.time_s).sum()) == times


REFUSED = {
    "only a polygon": (
        geojson(feature("Polygon", RING)),
        "only 1 polygon. A polygon is a boundary: use it with --bound",
    ),
    "points without times": (
        geojson(*(feature("Point", at) for at in PLACES)),
        "only 5 points, none of them with a time",
    ),
    "marked places": (
        geojson(*(feature("Point", at, time=t, name=t[-3:]) for at, t in zip(PLACES, TIMES, strict=True))),
        "only 5 points, most with a name or note of their own. Those are marked places",
    ),
    "no feature": (geojson(), "and no features"),
    "a line without places": (geojson(feature("LineString", [])), "holds no walk in GeoJSON"),
    "features that are no list": (b'{"type": "FeatureCollection", "features": 5}', "has no list of features"),
    "JSON of another kind": (b'{"walk": [1, 2]}', "is JSON, but not GeoJSON"),
    "a list": (b"[1, 2]", "is JSON, but not GeoJSON"),
    "lines of JSON of another kind": (b'{"lat": 1}\n{"lat": 2}\n', "record 1 of 2 is JSON, but not GeoJSON"),
    "cut off": (geojson(LINE)[:-20], "is not valid JSON"),
    "another map grid": (
        geojson(LINE, crs={"type": "name", "properties": {"name": "EPSG:25832"}}),
        "in the coordinate system 'EPSG:25832', not in WGS 84",
    ),
    "nested too deep": (b'{"type": "Feature", "a": ' + b"[" * 100_000, "is nested far deeper than any GeoJSON"),
    "thousands of digits": (swap(f"[{'9' * 5000}, 55]", geojson(LINE)), "holds a number with thousands of digits"),
    "collections in collections": (geojson({"type": "Feature", "geometry": nested(30)}), "holds no walk in GeoJSON"),
}


@pytest.mark.parametrize("what", REFUSED)
def test_files_without_a_walk_are_refused(what: str) -> None:
    """A file that holds no walk is refused, with what it does hold and what to do."""
    data, says = REFUSED[what]
    with pytest.raises(TrackError, match=says):
        read_recording(data, "a.geojson")


@pytest.mark.parametrize(
    "name",
    [
        *("WGS84", "WGS 84", "wgs_84", "WGS-84", "GCS_WGS_1984", "WGS 1984", "OGC:CRS84", "urn:ogc:def:crs:OGC::CRS84"),
        *("http://www.opengis.net/def/crs/OGC/1.3/CRS84", "https://www.opengis.net/def/crs/EPSG/0/4326"),
        *("http://www.opengis.net/gml/srs/epsg.xml#4326", "urn:ogc:def:crs:EPSG:6.9:4326"),
    ],
)
def test_every_name_of_wgs_84_is_wgs_84(name: str) -> None:
    """A file that says WGS 84, in whichever of its names, is in WGS 84; so is its boundary."""
    crs = {"type": "name", "properties": {"name": name}}
    assert len(read_recording(geojson(LINE, crs=crs), "a").track) == 5
    assert len(read_drawn(geojson(feature("Polygon", RING), crs=crs), "a")[0]) == 1


@pytest.mark.parametrize("name", ["WGS 84 / UTM zone 27N", "EPSG:32633", "WGS 72", "EPSG:3857", "CRS 84x"])
def test_other_systems_are_not_wgs_84(name: str) -> None:
    """A name that only begins like WGS 84 is another system."""
    with pytest.raises(TrackError, match="in the coordinate system"):
        read_recording(geojson(LINE, crs={"type": "name", "properties": {"name": name}}), "a")


def test_too_much_json_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """A file over the limit is refused before it is unpacked in memory."""
    monkeypatch.setattr(limits, "MAX_JSON_BYTES", 100)
    with pytest.raises(TrackError, match="MB of JSON; the limit is"):
        read_geojson(geojson(LINE), "a")


def test_an_area_stays_an_area() -> None:
    """A polygon that is refused as a walk is still read as a boundary."""
    assert len(read_drawn(geojson(feature("Polygon", RING)), "a")[0]) == 1


def test_a_mark_keeps_its_place_time_and_words() -> None:
    """A named point among the points of a walk is a fix and a waypoint, with its note, in any case of letters."""
    mark = feature("Point", (3.25, 55.5), Time=TIMES[4], Name="peg A", Note="by the wall")
    recording = read_geojson(geojson(*POINTS[:4], mark), "a")
    (peg,) = recording.waypoints
    assert (peg.lon_deg, peg.lat_deg, peg.time_s, peg.name, peg.note) == (3.25, 55.5, UNIX[4], "peg A", "by the wall")
    assert recording.track.lon_deg[4] == 3.25 and not math.isnan(recording.track.time_s[4])


@pytest.mark.parametrize("data", SAMPLES["GeoJSON"])
def test_cut_off_anywhere_ends_in_fixes_or_a_message(data: bytes) -> None:
    """A file cut off at any byte: lines that stand by themselves give the first fixes, one document gives a message."""
    read = fixes_of_cuts(data, "a")
    if data.count(b"\n") > 1:
        assert len(read[-1].track) == len(read_geojson(data, "a").track)
    else:
        assert not read


def test_any_damage_ends_in_fixes_or_a_message() -> None:
    """Whatever bytes are changed, lost or put in, the answer is a recording or a message."""
    check_damage(SAMPLES["GeoJSON"], SAMPLES["GeoJSON"][1], "a", seed=8, tries=500)
