"""Areas: every form they are drawn in, what is refused with its place, what is repaired with a note."""

from __future__ import annotations

import gzip
import json
import math
from datetime import date
from typing import Any

import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, MultiPolygon, Polygon, box

from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.areas.areas import AREA_KINDS, Area, areas_geojson, place_areas, read_areas, site_ground
from fieldcomb.tracks.errors import AreaError
from fieldcomb.tracks.frame import SiteFrame

LON, LAT = -21.5, 44.25
FRAME = SiteFrame(LON, LAT)
SQUARE = [(0, 0), (60, 0), (60, 40), (0, 40), (0, 0)]
NOTCHED = [(0, 0), (100, 5), (95, 80), (50, 40), (-10, 70), (0, 0)]


def lonlat(points: Any, frame: SiteFrame = FRAME) -> list[list[float]]:
    """Metres to degrees."""
    xy = np.asarray(points, float)
    return np.column_stack(frame.to_lonlat(xy[:, 0], xy[:, 1])).tolist()


def feature(*rings: Any, **typed: Any) -> dict[str, Any]:
    """Make a polygon feature from rings in metres."""
    shape = {"type": "Polygon", "coordinates": [lonlat(ring) for ring in rings]}
    return {"type": "Feature", "properties": typed, "geometry": shape}


def collection(*features: dict[str, Any], **more: Any) -> bytes:
    """Make a GeoJSON file."""
    return json.dumps({"type": "FeatureCollection", "features": features, **more}).encode()


def gpx(*segments: Any, routes: Any = ()) -> bytes:
    """Make a GPX file of track segments and routes in degrees."""

    def points(tag: str, line: Any) -> str:
        return "".join(f'<{tag} lat="{lat!r}" lon="{lon!r}"/>' for lon, lat in line)

    body = "<trk>" + "".join(f"<trkseg>{points('trkpt', line)}</trkseg>" for line in segments) + "</trk>"
    body += "".join(f"<rte><name>edge</name>{points('rtept', line)}</rte>" for line in routes)
    return f'<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">{body}</gpx>'.encode()


def refused(data: bytes | dict[str, Any]) -> str:
    """Give the message of the refusal that this file meets."""
    content = data if isinstance(data, bytes) else json.dumps(data).encode()
    with pytest.raises(AreaError) as error:
        read_areas(content, "edge.geojson")
    assert error.value.exit_code == 1
    assert str(error.value).startswith("edge.geojson: ")
    assert error.value.hint
    return str(error.value)


def area_m2(area: Area, frame: SiteFrame = FRAME) -> float:
    """Area of one area in the site frame."""
    (placed,), _ = place_areas([area], frame, "edge.geojson")
    return float(placed.shape.area)


# -- reading


def test_kinds_reasons_and_dates_are_kept() -> None:
    """What is typed beside a polygon is kept; without a kind it is the site."""
    data = collection(
        feature(SQUARE),
        feature(SQUARE, kind="no-go", reason="nesting birds", **{"from": "2026-03-01", "to": "2026-08-31"}),
        feature(SQUARE, kind=" Blocked ", reason=None, **{"from": None, "to": ""}),
        feature(SQUARE, kind=None, Reason="peat"),
    )
    areas, notes = read_areas(data, "a.geojson")
    assert [a.kind for a in areas] == ["site", "no-go", "blocked", "site"]
    assert [a.reason for a in areas] == ["", "nesting birds", "", "peat"]
    assert (areas[1].since, areas[1].until) == (date(2026, 3, 1), date(2026, 8, 31))
    assert (areas[2].since, areas[2].until) == (None, None)
    assert notes == ()


def test_every_geojson_form_gives_the_same_ground() -> None:
    """A bare polygon, a feature, a collection, and collections of geometries are all read alike."""
    one = feature(SQUARE)
    shape = one["geometry"]
    many = {"type": "MultiPolygon", "coordinates": [shape["coordinates"]]}
    geometries = {"type": "GeometryCollection", "geometries": [shape]}
    forms = [one, shape, many, geometries, {**one, "geometry": geometries}, {**one, "properties": None}]
    for form in [*forms, json.loads(collection(one))]:
        (area,), notes = read_areas(json.dumps(form).encode(), "a.geojson")
        assert area.kind == "site" and notes == ()
        assert area_m2(area) == pytest.approx(2400, abs=1e-4)


def test_content_decides_and_not_the_name() -> None:
    """The same boundary as GeoJSON, GPX, KML, packed, with a byte order mark, or in UTF-16 gives the same ground."""
    ring = lonlat(SQUARE)
    coordinates = " ".join(f"{lon!r},{lat!r},3" for lon, lat in ring)
    kml = (
        '<kml xmlns="http://www.opengis.net/kml/2.2"><Placemark><Polygon><outerBoundaryIs><LinearRing><coordinates>'
        f"{coordinates}</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark></kml>"
    ).encode()
    text = collection(feature(SQUARE))
    forms = [text, b"\xef\xbb\xbf" + text, text.decode().encode("utf-16"), gzip.compress(text), kml, gpx(ring)]
    for data in [*forms, gpx(routes=[ring])]:
        (area,), _ = read_areas(data, "boundary.txt")
        assert area.kind == "site"
        assert area_m2(area) == pytest.approx(2400, abs=1e-4)


def test_kml_kinds() -> None:
    """A KML placemark says its kind, reason and days in its typed-in data."""
    values = {"kind": "no-go", "reason": "grave", "from": "2026-01-02"}
    data = "".join(f'<Data name="{key}"><value>{value}</value></Data>' for key, value in values.items())
    ring = " ".join(f"{lon!r},{lat!r}" for lon, lat in lonlat(SQUARE))
    text = (
        f"<kml><Placemark><ExtendedData>{data}</ExtendedData><Polygon><outerBoundaryIs><LinearRing><coordinates>{ring}"
        "</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark></kml>"
    )
    (area,), _ = read_areas(text.encode(), "a.kml")
    assert (area.kind, area.reason, area.since, area.until) == ("no-go", "grave", date(2026, 1, 2), None)


def test_heights_doubled_points_and_direction_do_not_matter() -> None:
    """A third coordinate is left aside; doubled points and either direction give the same ground."""
    ring = [(0, 0), (0, 0), (60, 0), (60, 40), (60, 40), (60, 40), (0, 40), (0, 0)]
    for points in (ring, ring[::-1]):
        shape = {"type": "Polygon", "coordinates": [[[*at, 12.5] for at in lonlat(points)]]}
        (area,), notes = read_areas(json.dumps(shape).encode(), "a.geojson")
        assert area_m2(area) == pytest.approx(2400, abs=1e-4)
        assert notes == ()
        assert not area.shape.has_z


def test_holes_are_kept() -> None:
    """A hole in the site is not part of it."""
    (area,), _ = read_areas(collection(feature(SQUARE, [(10, 10), (20, 10), (20, 30), (10, 30), (10, 10)])), "a")
    assert area_m2(area) == pytest.approx(2200, abs=1e-4)


def test_a_ring_without_its_last_point_is_closed_and_told() -> None:
    """GeoJSON rings end where they begin; one that does not is closed, and the note names the feature."""
    (area,), notes = read_areas(collection(feature(SQUARE[:-1], name="west")), "a.geojson")
    assert area_m2(area) == pytest.approx(2400, abs=1e-4)
    assert notes == ("feature 1 of 1, 'west': its ring did not end at its first point, and was closed",)


def test_site_parts_are_united() -> None:
    """Several site polygons are one site; ground in two of them counts once."""
    data = collection(feature(SQUARE), feature([(30, 0), (90, 0), (90, 40), (30, 40), (30, 0)]))
    placed, _ = place_areas(read_areas(data, "a")[0], FRAME, "a")
    assert site_ground(placed).area == pytest.approx(3600, abs=1e-4)


def test_site_of_needs_a_site() -> None:
    """Without a site polygon the message says what was found in its place."""
    with pytest.raises(AreaError, match=r"a\.geojson: holds no boundary of the site \(found: junk\)"):
        site_ground([AreaShape("junk", "", box(0, 0, 9, 9))], "a.geojson")


# -- refusals


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"kind": "forest"}, ["'forest'", *AREA_KINDS]),
        ({"kind": 7}, ["'7'"]),
        ({"from": "2026-02-30"}, ["from that is not a date", "2026-03-07"]),
        ({"to": "7.3.2026"}, ["to that is not a date"]),
        ({"to": 2026}, ["to that is not a date"]),
        ({"from": "2026-05-02", "to": "2026-05-01"}, ["ends on 2026-05-01"]),
    ],
)
def test_typed_values_that_are_not_understood(typed: dict[str, Any], words: list[str]) -> None:
    """An unknown kind or a bad date is refused, with the feature named and what would be right."""
    message = refused(collection(feature(SQUARE), feature(SQUARE, name="copse", **typed)))
    for word in ["feature 2 of 2, 'copse'", *words]:
        assert word in message


def test_an_edge_that_crosses_itself_is_refused_with_the_place() -> None:
    """A figure of eight is refused: the message gives latitude and longitude of the crossing, and what to do."""
    message = refused(collection(feature([(0, 0), (60, 40), (60, 0), (0, 40), (0, 0)])))
    lon, lat = lonlat([(30, 20)])[0]
    assert "crosses itself near latitude " in message
    said = message.split("latitude ")[1].split(",")[0], message.split("longitude ")[1].split(",")[0]
    assert abs(float(said[0]) - lat) < 2e-7
    assert abs(float(said[1]) - lon) < 2e-7
    assert "600 m2" in message
    assert "Move its corners" in message


def test_a_scribble_is_refused_before_it_takes_all_memory() -> None:
    """Ten thousand points at random cross in ten million places: refused without looking at each."""
    ring = np.random.default_rng(1).uniform(0, 500, (10_000, 2))
    assert "meets itself too often" in refused(collection(feature([*ring, ring[0]])))


@pytest.mark.parametrize(
    ("geometry", "words"),
    [
        ({"type": "LineString", "coordinates": [[1, 2], [1, 3]]}, "is a line (LineString), not an area"),
        ({"type": "Point", "coordinates": [1, 2]}, "is a point"),
        ({"type": "MultiPoint", "coordinates": [[1, 2]]}, "is points"),
        ({"type": "Polygon", "coordinates": []}, "is empty"),
        ({"type": "MultiPolygon", "coordinates": []}, "is empty"),
        ({"type": "GeometryCollection", "geometries": []}, "is empty"),
        (None, "is empty"),
        ({"type": "Polygon", "coordinates": [[]]}, "only 0 different points"),
        ({"type": "Polygon", "coordinates": [[[1, 2], [1, 3], [1, 2]]]}, "only 2 different points"),
        ({"type": "Polygon", "coordinates": [[[1, 2], [1, 3], [1, 2.5], [1, 2]]]}, "not an area"),
        ({"type": "Polygon", "coordinates": [[[1, "2"], [1, 3], [2, 3], [1, 2]]]}, "not two numbers, [1, '2']"),
        ({"type": "Polygon", "coordinates": [[[1, math.nan], [1, 3], [2, 3], [1, 2]]]}, "not two numbers, [1, nan]"),
        ({"type": "Polygon", "coordinates": [[[1, True], [1, 3], [2, 3], [1, 2]]]}, "not two numbers"),
        ({"type": "Polygon", "coordinates": [[1, 2], [1, 3], [2, 3], [1, 2]]}, "not two numbers"),
        ({"type": "Polygon", "coordinates": [[[10**400, 2], [1, 3], [2, 3]]]}, "not two numbers"),
        ({"type": "Polygon", "coordinates": "all"}, "without coordinates"),
        ({"type": "Polygon"}, "without coordinates"),
        ({"type": "Circle", "coordinates": [1, 2]}, "'Circle'"),
        ({"coordinates": [1, 2]}, "an object with a type was expected"),
        ([1, 2], "an object with a type was expected"),
    ],
)
def test_what_is_no_polygon_is_refused(geometry: Any, words: str) -> None:
    """Lines, points, nothing and nonsense are refused, with the feature named."""
    message = refused(collection(feature(SQUARE), {"type": "Feature", "properties": {}, "geometry": geometry}))
    assert words in message
    assert "feature 2 of 2" in message


@pytest.mark.parametrize(
    ("ring", "words"),
    [
        ([[500000, 4900000], [500100, 4900000], [500100, 4900100], [500000, 4900000]], ["500000", "metres", "WGS 84"]),
        ([[44.2, -121.5], [44.3, -121.5], [44.3, -121.4], [44.2, -121.5]], ["swapped"]),
        ([[400, 10], [401, 10], [401, 11], [400, 10]], ["not on the globe", "400, 10"]),
        ([[-170, 88], [-50, 88], [70, 88], [-170, 88]], ["pole"]),
        ([[3, 90], [3.001, 89.999], [3.002, 90], [3, 90]], ["maps are drawn to 85 degrees"]),
        ([[3, -85.002], [3.001, -85.003], [3.002, -85.002], [3, -85.002]], ["maps are drawn to 85 degrees"]),
    ],
)
def test_places_that_are_not_degrees(ring: Any, words: list[str]) -> None:
    """Metres of a map grid, swapped coordinates and places off the globe are each told apart."""
    message = refused({"type": "Feature", "geometry": {"type": "Polygon", "coordinates": [ring]}, "id": "north 4"})
    for word in ["'north 4'", *words]:
        assert word in message


@pytest.mark.parametrize("name", ["urn:ogc:def:crs:EPSG::25829", "EPSG:3857", "WGS 84 / UTM zone 27N", 7])
def test_other_coordinate_systems_are_refused(name: Any) -> None:
    """A file that says that it is in another coordinate system is refused, with its name."""
    crs = {"type": "name", "properties": {"name": name}}
    assert str(name) in refused(collection(feature(SQUARE), crs=crs))


@pytest.mark.parametrize("name", ["urn:ogc:def:crs:OGC:1.3:CRS84", "EPSG:4326", "urn:ogc:def:crs:EPSG::4326", "CRS84"])
def test_wgs84_by_any_of_its_names_is_taken(name: str) -> None:
    """Saying WGS 84 in the old way is fine."""
    crs = {"type": "name", "properties": {"name": name}}
    assert len(read_areas(collection(feature(SQUARE), crs=crs), "a")[0]) == 1


@pytest.mark.parametrize(
    "data",
    [
        b"[" * 100_000,
        b'{"a":' * 100_000,
        b'{"type":"GeometryCollection","geometries":[' * 900 + b"]}" * 900,
        b'{"type":"FeatureCollection"}',
        b'{"type":"FeatureCollection","features":[]}',
        b'{"type":"FeatureCollection","features":[3]}',
        b'{"type":"Topology","objects":{}}',
        b'{"type":"Polygon","coordinates":[[[' + b"1" * 5000 + b",2]]]}",
        b'{"type":"Polygon","coordinates":[[[1,2],[',
        b"null",
        b"",
        b"\0" * 50,
        b"<html><body>log in</body></html>",
        b"<gpx></gpx>",
        b"<kml><Placemark/></kml>",
        b"\x1f\x8bbroken",
        b"PK\x03\x04broken",
        b"lat,lon\n1,2\n",
        bytes(range(256)),
    ],
)
def test_nonsense_is_refused_and_never_crashes(data: bytes) -> None:
    """Whatever is given as a boundary, the answer is a sentence with the file's name."""
    refused(data)


@settings(max_examples=60, deadline=None)
@given(st.recursive(st.none() | st.integers() | st.text(max_size=8) | st.floats(), lambda inner: st.lists(inner)))
def test_any_coordinates_are_read_or_refused(coordinates: Any) -> None:
    """No coordinates whatever end in a crash."""
    data = json.dumps({"type": "MultiPolygon", "coordinates": coordinates}).encode()
    with pytest.raises(AreaError):
        read_areas(data, "a.geojson")


def test_a_country_is_refused_with_its_size() -> None:
    """A site of 12 x 12 km is refused with its size, before anything is drawn; so is one of half a hemisphere."""
    assert "is 144 km2 large" in refused(collection(feature([(0, 0), (12e3, 0), (12e3, 12e3), (0, 12e3), (0, 0)])))
    country = [[-30, 40], [-20, 40], [-20, 50], [-30, 50], [-30, 40]]
    message = refused({"type": "Polygon", "coordinates": [country]})
    # Independent: geographiclib's area of the same corners.
    polygon = Geodesic.WGS84.Polygon()
    for lon, lat in country[:-1]:
        polygon.AddPoint(lat, lon)
    assert f"is {polygon.Compute()[2] / 1e6:,.0f} km2 large" in message
    assert "make several sites" in message
    globe = [[-180, -80], [180, -80], [180, 80], [-180, 80], [-180, -80]]
    assert "all the way round the globe" in refused({"type": "Polygon", "coordinates": [globe]})


def test_practically_nothing_is_refused_as_a_site_only() -> None:
    """Half a square metre is no site, but it may be a tree."""
    tiny = [(0, 0), (0.7, 0), (0.7, 0.7), (0, 0.7), (0, 0)]
    assert "practically nothing" in refused(collection(feature(tiny)))
    (area,), _ = read_areas(collection(feature(tiny, kind="blocked")), "a")
    assert area_m2(area) == pytest.approx(0.49, abs=1e-5)


# -- slips of rounding


@pytest.mark.parametrize(
    ("ring", "expected"),
    [
        ([(0, 0), (60, 0), (60, 40), (60, 70), (60, 40), (0, 40), (0, 0)], 2400),  # a spike
        ([(0, 0), (30, 0), (60, 0), (60, 40), (30, 0), (0, 40), (0, 0)], 1200),  # meets itself in a corner
        ([(0, 0), (60, 0), (60, 40), (30, -0.000001), (0, 40), (0, 0)], 1200),  # a hair beyond it
    ],
)
def test_an_edge_that_touches_itself_is_repaired_and_told(ring: Any, expected: float) -> None:
    """Spikes and touching edges are repaired; the note says where, and by how much the area changed."""
    (area,), notes = read_areas(collection(feature(ring)), "a.geojson")
    assert area.shape.is_valid
    assert area_m2(area) == pytest.approx(expected, abs=1e-3)
    (note,) = notes
    assert "feature 1 of 1: its edge touches itself near latitude 44.2" in note
    assert note.endswith("the area changed by 0.0000 m2")


def test_a_hole_outside_is_refused_and_one_at_the_edge_repaired() -> None:
    """A hole that reaches out of its ring could mean two things; one that lies along the edge cannot."""
    assert "hole that reaches out" in refused(
        collection(feature(SQUARE, [(50, 10), (70, 10), (70, 30), (50, 30), (50, 10)]))
    )
    (area,), notes = read_areas(collection(feature(SQUARE, [(50, 10), (60, 10), (60, 30), (50, 30), (50, 10)])), "a")
    assert area_m2(area) == pytest.approx(2200, abs=1e-3)
    assert len(notes) == 1


# -- GPX


def test_nearly_closed_lines_are_closed_and_told() -> None:
    """A track or route whose ends come within 10 m, or 5 % of its length, is a boundary; the note says how near."""
    near, far = [(0, 0), (60, 0), (60, 40), (0, 40), (0, 9)], [(0, 0), (600, 0), (600, 400), (0, 400), (0, 80)]
    for data in (gpx(lonlat(near)), gpx(routes=[lonlat(near)])):
        (area,), notes = read_areas(data, "a.gpx")
        assert area_m2(area) == pytest.approx(2400, abs=1e-3)
        assert any("its ends lay 9 m apart" in note for note in notes)
    (area,), _ = read_areas(gpx(lonlat(far)), "a.gpx")
    assert area_m2(area) == pytest.approx(240_000, abs=0.01)


def test_an_open_line_is_refused_with_what_was_found() -> None:
    """A track that does not come back is no boundary: points, length and distance of the ends are told."""
    message = refused(gpx(lonlat(SQUARE), lonlat([(0, 0), (60, 0), (60, 40), (0, 40)])))
    assert "track segment 2 of 2" in message
    assert "a line of 4 points, 160 m long, with 40 m between its ends" in message


def test_every_closed_track_and_route_is_a_site_polygon() -> None:
    """Two segments and a route give three parts of the site; nothing is said of routes being plans."""
    moved = [[(x + dx, y) for x, y in SQUARE] for dx in (0, 100, 200)]
    areas, notes = read_areas(gpx(lonlat(moved[0]), lonlat(moved[1]), routes=[lonlat(moved[2])]), "a.gpx")
    placed, _ = place_areas(areas, FRAME, "a.gpx")
    assert site_ground(placed).area == pytest.approx(7200, abs=1e-3)
    assert not any("plan" in note for note in notes)


# -- 180 degrees

DATE_LINE = SiteFrame(180.0, -17.0)


@pytest.mark.parametrize("form", ["jumping", "running on", "cut"])
def test_a_site_on_the_date_line(form: str) -> None:
    """Ground on both sides of 180 degrees is one site, however the file writes it."""
    west, east = [(-30, 0), (0, 0), (0, 40), (-30, 40)], [(0, 0), (30, 0), (30, 40), (0, 40)]
    whole = lonlat([(-30, 0), (30, 0), (30, 40), (-30, 40)], DATE_LINE)
    if form == "cut":
        rings = [lonlat(west, DATE_LINE), lonlat(east, DATE_LINE)]
        rings[0] = [[abs(lon), lat] for lon, lat in rings[0]]
        rings[1] = [[-abs(lon), lat] for lon, lat in rings[1]]
        data = {"type": "MultiPolygon", "coordinates": [[[*ring, ring[0]]] for ring in rings]}
    else:
        ring = [[lon % 360, lat] for lon, lat in whole] if form == "running on" else whole
        data = {"type": "Polygon", "coordinates": [[*ring, ring[0]]]}
    (area,), _ = read_areas(json.dumps(data).encode(), "a")
    assert isinstance(area.shape, Polygon)
    left, _, right, _ = area.shape.bounds
    assert right - left < 0.001
    assert area_m2(area, DATE_LINE) == pytest.approx(2400, abs=1e-3)
    written = json.loads(areas_geojson([area]))["features"][0]["geometry"]
    assert written["type"] == "MultiPolygon"
    assert len(written["coordinates"]) == 2
    longitudes = [lon for part in written["coordinates"] for lon, _ in part[0]]
    assert max(longitudes) == 180
    assert min(longitudes) == -180
    (again,), _ = read_areas(areas_geojson([area]).encode(), "a")
    # Half the last of nine decimals is 0.056 mm; along an edge of 200 m that is 0.011 m2.
    assert area_m2(again, DATE_LINE) == pytest.approx(2400, abs=0.011)


# -- writing


def signed_area(ring: Any) -> float:
    """Shoelace formula: positive for a ring that runs anticlockwise."""
    x, y = np.asarray(ring, float).T
    return float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) / 2)


def test_written_areas_follow_the_right_hand_rule() -> None:
    """Outer rings run anticlockwise and holes clockwise, whatever they did in the file."""
    hole = [(10, 10), (20, 10), (20, 30), (10, 30), (10, 10)]
    for outer, inner in ((SQUARE, hole), (SQUARE[::-1], hole[::-1])):
        areas, _ = read_areas(collection(feature(outer, inner)), "a")
        rings = json.loads(areas_geojson(areas))["features"][0]["geometry"]["coordinates"]
        assert signed_area(rings[0]) > 0 > signed_area(rings[1])
        assert all(ring[0] == ring[-1] for ring in rings)


@settings(max_examples=50, deadline=None)
@example([(20.0, 0.0)] * 3, "site", "", -180.0, 0.0)  # one edge runs along the date line
@given(
    st.lists(st.tuples(st.floats(20, 80), st.floats(0, 1)), min_size=3, max_size=12),
    st.sampled_from(AREA_KINDS),
    st.text(max_size=30),
    st.floats(-180, 179.9),
    st.floats(-75, 75),
)
def test_written_areas_read_back_the_same(corners: Any, kind: str, reason: str, lon: float, lat: float) -> None:
    """Whatever is written to areas.geojson comes back with kind, reason, days and ground, and is written alike."""
    frame = SiteFrame(round(lon, 7), round(lat, 7))
    turn = np.cumsum([share + 0.2 for _, share in corners])
    turn = turn / (turn[-1] + 0.2) * 2 * np.pi
    radius = np.array([r for r, _ in corners])
    x, y = radius * np.cos(turn), radius * np.sin(turn)
    ring = np.column_stack(frame.to_lonlat(x, y))
    ring[:, 0] = frame.lon_deg + (ring[:, 0] - frame.lon_deg + 180) % 360 - 180
    assume(Polygon(ring).is_valid)  # three or four corners may all lie on one side of the middle, and edges cross
    area = Area(kind, reason.strip(), date(2026, 1, 2), None, Polygon(ring))
    text = areas_geojson([area])
    (again,), notes = read_areas(text.encode(), "areas.geojson")
    assert (again.kind, again.reason, again.since, again.until) == (kind, reason.strip(), date(2026, 1, 2), None)
    assert notes == ()
    # Half the last of nine decimals is 0.056 mm each way, 0.08 mm aslant: that along the whole edge at most.
    drawn = Polygon(np.column_stack([x, y]))
    # A cut at 180 degrees puts a corner on the line that is straight in degrees; between places L apart that line bows
    # by L^2 tan(latitude) / 8 R from the straight one on the ground, and two thirds of that times L is ground.
    edges = np.hypot(*np.diff(np.asarray(drawn.exterior.coords), axis=0).T)
    bow = float((edges**3).sum()) * abs(np.tan(np.radians(lat))) / (12 * 6_357_000)
    assert area_m2(again, frame) == pytest.approx(drawn.area, abs=0.00008 * drawn.length + bow)
    assert areas_geojson([again]) == text


def test_area_in_the_frame_is_area_on_the_globe() -> None:
    """The site's area agrees with the geodesic area of its corners to one part in a million."""
    for lat in (-60.0, 0.0, 44.25, 70.0):
        frame = SiteFrame(LON, lat)
        ring = lonlat([(-400, -300), (450, -350), (380, 420), (0, 100), (-420, 300), (-400, -300)], frame)
        (area,), _ = read_areas(json.dumps({"type": "Polygon", "coordinates": [ring]}).encode(), "a")
        polygon = Geodesic.WGS84.Polygon()
        for lon_deg, lat_deg in ring[:-1]:
            polygon.AddPoint(lat_deg, lon_deg)
        assert area_m2(area, frame) == pytest.approx(polygon.Compute()[2], rel=1e-6)


# -- placing


def test_placing_keeps_kind_and_reason_and_lies_in_metres() -> None:
    """A corner 60 m east and 40 m north of the origin is placed there to a tenth of a millimetre."""
    areas, _ = read_areas(collection(feature(SQUARE), feature(SQUARE, kind="junk", reason="old wire")), "a")
    placed, notes = place_areas(areas, FRAME, "a")
    assert [(shape.kind, shape.reason) for shape in placed] == [("site", ""), ("junk", "old wire")]
    assert placed[0].shape.bounds == pytest.approx((0, 0, 60, 40), abs=1e-4)
    assert notes == ()


def test_placing_checks_once_more() -> None:
    """Shapes that were not read from a file meet the same questions."""
    ring = lonlat([(0, 0), (60, 40), (60, 0), (0, 40), (0, 0)])
    for shape, words in [
        (Polygon(ring), "crosses itself"),
        (Polygon(), "is empty"),
        (LineString(ring), "is a LineString"),
        (box(0, 0, 20, 20), "km2 large"),
    ]:
        with pytest.raises(AreaError, match=words):
            place_areas([Area("site", "", None, None, shape)], FRAME, "a")


def test_far_parts() -> None:
    """A site part 100 km off is refused with the distance; other areas as far off as another sea are left out, told."""
    areas, _ = read_areas(collection(feature(SQUARE)), "a")
    with pytest.raises(AreaError, match="km from the rest of the site"):
        place_areas(areas, SiteFrame(LON, LAT + 1), "a")
    far = Area("no-go", "reef", None, None, box(60, 10, 60.01, 10.01))
    placed, notes = place_areas([*areas, far], FRAME, "a")
    assert len(placed) == 1
    assert "'reef': lies" in notes[0]


def test_parts_that_are_too_much_together() -> None:
    """Ten parts of 12 km2 are no single site."""
    strips = [[(0, y), (8e3, y), (8e3, y + 1.5e3), (0, y + 1.5e3), (0, y)] for y in range(0, 16_000, 1600)]
    areas, _ = read_areas(collection(*(feature(ring) for ring in strips)), "a")
    with pytest.raises(AreaError, match="120 km2 large"):
        place_areas(areas, FRAME, "a")


def test_shapes_are_plain_polygons() -> None:
    """Whatever was repaired, an area is a polygon or several, never a mixture with lines."""
    ring = [(0, 0), (60, 0), (60, 40), (60, 70), (60, 40), (0, 40), (0, 0)]
    (area,), _ = read_areas(collection(feature(ring)), "a")
    assert isinstance(area.shape, Polygon | MultiPolygon)
    assert shapely.is_valid(area.shape)


@pytest.mark.parametrize("given", [8, 8.5, "8"])
def test_junk_per_square_metre_is_read_and_written(given: object) -> None:
    """A junk area may say how many pieces lie on a square metre, as a number or as text, and keeps it when written."""
    data = json.loads(areas_geojson([Area("junk", "old fence", None, None, box(0.0, 40.0, 0.001, 40.001))]))
    data["features"][0]["properties"]["per_m2"] = given
    [area], notes = read_areas(json.dumps(data).encode(), "areas.geojson")
    assert area.per_m2 == float(str(given)) and notes == ()
    [again], _ = read_areas(areas_geojson([area]).encode(), "areas.geojson")
    assert again.per_m2 == area.per_m2
    [placed], _ = place_areas([area], SiteFrame(0.0005, 40.0005), "areas.geojson")
    assert placed.per_m2 == area.per_m2


@pytest.mark.parametrize("given", [0, -1, True, "many", 1e9])
def test_junk_per_square_metre_that_cannot_be_is_refused(given: object) -> None:
    """Anything but a possible number of pieces is refused, with what was expected."""
    data = json.loads(areas_geojson([Area("junk", "", None, None, box(0.0, 40.0, 0.001, 40.001))]))
    data["features"][0]["properties"]["per_m2"] = given
    with pytest.raises(AreaError, match="per_m2 that is not a number of pieces"):
        read_areas(json.dumps(data).encode(), "areas.geojson")
