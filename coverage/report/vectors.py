"""Outlines for other programs and for devices: missed ground, ground to do and places to go to."""

from collections.abc import Iterable
from typing import Any
from xml.etree import ElementTree

import numpy as np
import shapely

from fieldcomb.coverage.raster.polygons import Shape, all_to_degrees, geometries
from fieldcomb.coverage.report.place_lines import format_search_place, place_fields, strip_fields
from fieldcomb.coverage.report.rounding import DEGREE_PLACES
from fieldcomb.coverage.report.todo_words import piece_fields
from fieldcomb.coverage.survey.results import Report
from fieldcomb.tracks.files.json_text import feature_collection
from fieldcomb.tracks.files.xml_text import GPX_HEAD, xml_text
from fieldcomb.tracks.frame import SiteFrame, wrap_lon
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import format_area

FINEST_M = 0.05
COARSEST_M = 0.4
MOST_DEVICE_POINTS = 100  # of one place on a device
MOST_DEVICE_LETTERS = 15  # of its name


def strips_geojson(report: Report) -> str:
    """Return missed ground as RFC 7946 GeoJSON, one feature a line, with the fields of report.json as properties."""
    return _collection(((strip_fields(strip), strip.shape) for strip in report.strips), report)


def places_geojson(report: Report) -> str:
    """Return the places to go to as RFC 7946 GeoJSON, best first, with the fields of report.json as properties."""
    return _collection(((place_fields(place), place.shape) for place in report.places), report)


def places_gpx(report: Report) -> str:
    """Return the places to go to as GPX 1.1 for a watch or phone: one track each, every ring a closed segment.

    Outlines are simplified by 5 cm, and by up to 40 cm where that is needed to stay within 100 points, because
    small devices take no more. There are no times, so the same report gives the same bytes.
    """
    gpx = ElementTree.Element("gpx", GPX_HEAD)
    site_name = harmless(report.site.name)
    if site_name:
        ElementTree.SubElement(ElementTree.SubElement(gpx, "metadata"), "name").text = site_name
    for place in report.places:
        track = ElementTree.SubElement(gpx, "trk")
        name = f"{place.letter} {format_area(place.area_m2).replace(' ', '')}"[:MOST_DEVICE_LETTERS]
        ElementTree.SubElement(track, "name").text = name
        ElementTree.SubElement(track, "desc").text = harmless(format_search_place(place))
        for ring in _rings(_simple(place.shape)):
            _add_segment(track, ring, report.site.frame)
    return xml_text(gpx)


def todo_geojson(report: Report) -> str:
    """Return ground that is still to do as RFC 7946 GeoJSON, by coil and rank, with the fields of report.json."""
    pieces = (piece for coil in report.todo for piece in coil.pieces)
    return _collection(((piece_fields(piece), piece.shape) for piece in pieces), report)


def _collection(pieces: Iterable[tuple[dict[str, Any], Shape]], report: Report) -> str:
    given = list(pieces)
    outlines = geometries(all_to_degrees([shape for _, shape in given], report.site.frame), DEGREE_PLACES)
    features = [
        {"type": "Feature", "properties": properties, "geometry": outline}
        for (properties, _), outline in zip(given, outlines, strict=True)
    ]
    return feature_collection(features)


def _simple(shape: Shape) -> Shape:
    tolerance_m, simpler = FINEST_M, _simplified(shape, FINEST_M)
    while shapely.get_num_coordinates(simpler) > MOST_DEVICE_POINTS and tolerance_m < COARSEST_M:
        tolerance_m *= 2
        simpler = _simplified(shape, tolerance_m)
    return simpler


def _simplified(shape: Shape, tolerance_m: float) -> Shape:
    simpler = shapely.simplify(shape, tolerance_m, preserve_topology=True)
    return shape if simpler.is_empty else simpler


def _rings(shape: Shape) -> list[shapely.LinearRing]:
    parts = [part for part in shapely.get_parts(shape) if not part.is_empty]
    return [ring for part in parts for ring in (part.exterior, *part.interiors)]


def _add_segment(track: ElementTree.Element, ring: shapely.LinearRing, frame: SiteFrame) -> None:
    xy = shapely.get_coordinates(ring)
    lon, lat = frame.to_lonlat(xy[:, 0], xy[:, 1])
    # GPX has longitudes from -180 to just below 180; rounding first, so that 179.999999999 does not become 180.
    lon = wrap_lon(np.round(lon, DEGREE_PLACES))
    segment = ElementTree.SubElement(track, "trkseg")
    for east, north in zip(lon.tolist(), lat.tolist(), strict=True):
        place = {"lat": _decimal(north), "lon": _decimal(east)}
        ElementTree.SubElement(segment, "trkpt", place)


def _decimal(degrees: float) -> str:
    return f"{round(degrees, DEGREE_PLACES) + 0.0:.{DEGREE_PLACES}f}".rstrip("0").rstrip(".")
