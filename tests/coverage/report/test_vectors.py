"""Files for others: strips and places come out as sound GeoJSON and GPX."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import Any
from xml.etree import ElementTree

import gpxpy
import numpy as np
import pytest
import shapely
from samples import sample_result, with_evil_names
from shapely.geometry import MultiPolygon, Polygon, box, shape

from fieldcomb.coverage.places.places import places_to_go
from fieldcomb.coverage.places.whereabouts import landmarks
from fieldcomb.coverage.report.report_json import report_json
from fieldcomb.coverage.report.vectors import places_geojson, places_gpx, strips_geojson
from fieldcomb.coverage.survey.results import Report
from fieldcomb.coverage.todo.ranking import CoilGains, Ranking
from fieldcomb.tracks.frame import SiteFrame

RESULT = sample_result()
REPORT = RESULT.report
GPX = "{http://www.topografix.com/GPX/1/1}"


def with_strips(*shapes: Any, frame: SiteFrame | None = None) -> Report:
    """The sample report with strips of these shapes in metres, perhaps elsewhere on the globe."""
    strips = tuple(replace(REPORT.strips[0], id=k, shape=s, area_m2=s.area) for k, s in enumerate(shapes, 1))
    return with_places(replace(REPORT, strips=strips, site=replace(REPORT.site, frame=frame or REPORT.site.frame)))


def with_places(report: Report) -> Report:
    """The report with a place to go to for each of its strips, and no other."""
    grid = RESULT.layers.grid
    gain = CoilGains("28cm", 1.48, 25.0, np.ones((grid.rows, grid.cols)), grid)
    marks = landmarks(box(-100, -100, 100, 100), given=True)
    ranking = Ranking((), (gain,), box(-1e6, -1e6, 1e6, 1e6))
    places = [places_to_go([strip], ranking, 1.48, marks, report.site.frame) for strip in report.strips]
    return replace(report, places=tuple(place for several in places for place in several))


def signed_area(ring: Any) -> float:
    """Shoelace formula: positive for a ring that runs anticlockwise."""
    x, y = np.asarray(ring, float).T
    return float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) / 2)


# -- GeoJSON


def test_geojson_says_what_report_json_says() -> None:
    """One feature a strip, in order, with the fields of report.json as properties."""
    features = json.loads(strips_geojson(REPORT))["features"]
    assert [f["properties"] for f in features] == json.loads(report_json(REPORT))["strips"]
    assert strips_geojson(REPORT) == strips_geojson(REPORT)


def test_geojson_outlines_are_the_strips() -> None:
    """Back in the site frame each outline is the strip's own, within the rounding of 8 decimals."""
    features = json.loads(strips_geojson(REPORT))["features"]
    for feature, strip in zip(features, REPORT.strips, strict=True):
        outline = shape(feature["geometry"])
        assert outline.is_valid
        metres = shapely.transform(outline, lambda xy: np.column_stack(REPORT.site.frame.to_metres(xy[:, 0], xy[:, 1])))
        # Half the last decimal is 0.56 mm north to south: that along the whole edge at most.
        assert metres.symmetric_difference(strip.shape).area <= 0.00056 * strip.shape.length
        for part in [outline] if isinstance(outline, Polygon) else outline.geoms:
            assert signed_area(part.exterior.coords) > 0
            assert all(signed_area(hole.coords) < 0 for hole in part.interiors)


def test_geojson_of_no_strips() -> None:
    """Nothing missed is an empty collection."""
    value = json.loads(strips_geojson(replace(REPORT, strips=())))
    assert value == {"type": "FeatureCollection", "features": []}


@pytest.mark.parametrize("lon", [180.0, -180.0, 179.9999])
def test_strips_on_the_date_line(lon: float) -> None:
    """A strip across 180 degrees is cut there in GeoJSON, keeps its area, and stays within the range of GPX."""
    frame = SiteFrame(lon, 12.0)
    strip = box(-40, 0, 40, 6).difference(box(-5, 2, 5, 4))
    report = with_strips(strip, frame=frame)
    outline = shape(json.loads(strips_geojson(report))["features"][0]["geometry"])
    assert isinstance(outline, MultiPolygon)
    assert outline.bounds[0] == -180
    assert outline.bounds[2] == 180
    metres = shapely.transform(outline, lambda xy: np.column_stack(frame.to_metres(xy[:, 0], xy[:, 1])))
    assert metres.area == pytest.approx(strip.area, abs=0.00056 * strip.length)
    for segment in gpxpy.parse(places_gpx(report)).tracks[0].segments:
        for point in segment.points:
            assert -180 <= point.longitude < 180
            assert abs(frame.to_metres(point.longitude, point.latitude)[0]) < 41


# -- GPX


def obeys_the_schema(text: str) -> ElementTree.Element:
    """Check the rules of the GPX 1.1 schema for what is used here: attributes, order of elements, ranges."""
    root = ElementTree.fromstring(text)
    assert root.tag == f"{GPX}gpx"
    assert root.get("version") == "1.1"
    assert root.get("creator") == "fieldcomb"
    order = ["metadata", "wpt", "rte", "trk", "extensions"]
    inside = {"metadata": ["name"], "trk": ["name", "desc", "trkseg"], "trkseg": ["trkpt"], "trkpt": []}
    for element in [root, *root.iter()]:
        tag = element.tag.removeprefix(GPX)
        allowed = inside.get(tag, order if tag == "gpx" else [])
        places = [allowed.index(child.tag.removeprefix(GPX)) for child in element]
        assert places == sorted(places)
        if tag != "trkseg" and tag != "gpx":
            once = [child.tag for child in element if child.tag != f"{GPX}trkseg"]
            assert len(once) == len(set(once))
    for point in root.iter(f"{GPX}trkpt"):
        assert set(point.attrib) == {"lat", "lon"}
        for value in point.attrib.values():
            assert re.fullmatch(r"-?\d+(\.\d+)?", value), "xsd:decimal has no exponent"
        assert -90 <= float(point.get("lat", "")) <= 90
        assert -180 <= float(point.get("lon", "")) < 180
    return root


def test_gpx_obeys_the_schema_and_is_read_by_others() -> None:
    """The file keeps the rules of GPX 1.1, has no times, and another reader finds a track for each place."""
    report = with_places(REPORT)
    text = places_gpx(report)
    obeys_the_schema(text)
    assert "<time>" not in text
    assert text == places_gpx(report)
    tracks = gpxpy.parse(text).tracks
    assert len(tracks) == len(report.places)
    assert tracks[0].name == "A 561m2"
    assert tracks[0].description.startswith("A, 561 m2, 23 min with 28cm: not reached yet, ")


def test_files_and_report_name_the_same_places() -> None:
    """report.json, places.geojson and places.gpx have the same letters, in the same order."""
    report = with_places(REPORT)
    told = json.loads(report_json(report))["places"]
    features = json.loads(places_geojson(report))["features"]
    assert [feature["properties"] for feature in features] == told
    assert [track.name.split()[0] for track in gpxpy.parse(places_gpx(report)).tracks] == [p["letter"] for p in told]


def test_gpx_of_hostile_names_and_of_nothing() -> None:
    """A site's name with markup or control characters, or no strip at all, still gives a sound file."""
    name = "<&\x00\x1b]0;x\x07\ud800\ufffe\u202e"
    report = replace(REPORT, site=replace(REPORT.site, name=name))
    for each in (with_places(with_evil_names(RESULT).report), with_places(report), replace(report, places=())):
        text = places_gpx(each)
        obeys_the_schema(text)
        assert "\x1b" not in text
        text.encode("utf-8")


def test_every_ring_is_a_closed_segment_near_the_strip() -> None:
    """Segments end where they begin; outlines stay within 40 cm of the place, and mostly within 5 cm."""
    report = with_places(REPORT)
    for track, strip in zip(gpxpy.parse(places_gpx(report)).tracks, report.places, strict=True):
        points = 0
        for segment in track.segments:
            places = [(p.longitude, p.latitude) for p in segment.points]
            assert places[0] == places[-1]
            assert len(places) >= 4
            points += len(places)
            ring = Polygon(np.column_stack(REPORT.site.frame.to_metres(*np.array(places).T)))
            assert ring.exterior.hausdorff_distance(strip.shape.boundary) < 0.4 or len(track.segments) > 1
        assert points <= 100


def test_a_jagged_strip_is_simplified_for_small_devices() -> None:
    """A strip with a thousand steps in its outline comes out with at most 100 points and nearly its area."""
    x = np.arange(0, 60, 0.1)
    top = 3 + 0.1 * np.sign(np.sin(x * 40)) + np.sin(x / 9)
    jagged = Polygon([*zip(x, top, strict=True), (60, 0), (0, 0)])
    (track,) = gpxpy.parse(places_gpx(with_strips(jagged))).tracks
    assert len(track.segments[0].points) <= 100
    places = np.array([(p.longitude, p.latitude) for p in track.segments[0].points])
    assert Polygon(np.column_stack(REPORT.site.frame.to_metres(*places.T))).area == pytest.approx(jagged.area, rel=0.1)


def test_holes_and_parts_become_further_segments() -> None:
    """A strip of two parts, one with a hole, has three closed segments."""
    shapes = MultiPolygon([box(0, 0, 9, 9).difference(box(3, 3, 6, 6)), box(20, 0, 25, 5)])
    (track,) = gpxpy.parse(places_gpx(with_strips(shapes))).tracks
    assert [len(segment.points) for segment in track.segments] == [5, 5, 5]


@pytest.mark.parametrize(
    ("letter", "area", "name"),
    [("A", 0.54, "A 0.5m2"), ("AB", 9.96, "AB 10.0m2"), ("ZZZ", 9_999.4, "ZZZ 9999m2"), ("ZZZ", 1e8, "ZZZ 10000ha")],
)
def test_names_fit_a_small_display(letter: str, area: float, name: str) -> None:
    """Names are short, at most 15 letters, and tell letter and size."""
    place = replace(with_places(REPORT).places[0], letter=letter, area_m2=area)
    (track,) = gpxpy.parse(places_gpx(replace(REPORT, places=(place,)))).tracks
    assert track.name == name
    assert len(name) <= 15
