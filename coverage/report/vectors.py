"""Outlines for other programs and for devices: missed ground and ground to do, as GeoJSON and as GPX."""

from typing import Any

import gpxpy.gpx
import numpy as np
import shapely

from fieldcomb.coverage.ground.ground_results import Strip
from fieldcomb.coverage.raster.polygons import Shape, geometry, to_degrees
from fieldcomb.coverage.report.rounding import DEGREE_PLACES
from fieldcomb.coverage.report.strip_fields import reportable, strip_fields, strip_name
from fieldcomb.coverage.report.todo_words import piece_fields, piece_line
from fieldcomb.coverage.report.words import format_bearing
from fieldcomb.coverage.survey.results import Report
from fieldcomb.tracks.files.json_text import feature_collection
from fieldcomb.tracks.frame import SiteFrame, wrap_lon
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import format_area, format_count, format_length

FINEST_M = 0.05
COARSEST_M = 0.4
MOST_DEVICE_POINTS = 100  # of one strip on a device


def strips_geojson(report: Report) -> str:
    """Return missed ground as RFC 7946 GeoJSON, one feature a line, with the fields of report.json as properties."""
    return feature_collection([_feature(strip_fields(strip), strip.shape, report) for strip in report.strips])


def strips_gpx(report: Report) -> str:
    """Return missed ground as GPX 1.1 for a watch or phone: one track each, every ring a closed segment.

    Outlines are simplified by 5 cm, and by up to 40 cm where that is needed to stay within 100 points, because
    small devices take no more. There are no times, so the same report gives the same bytes. Pieces that cannot be told
    from the receiver's error are left out, and the file says how many.
    """
    gpx = _gpx(report)
    told = reportable(report.strips)
    if len(told) < len(report.strips):
        untold = len(report.strips) - len(told)
        pieces = format_count(untold, "piece")
        gpx.description = f"without {pieces} that cannot be told from the receiver's error; see strips.geojson"
    for strip in told:
        gpx.tracks.append(_track(_device_name(strip), _description(strip), strip.shape, report))
    return str(gpx.to_xml(version="1.1")) + "\n"


def todo_geojson(report: Report) -> str:
    """Return ground that is still to do as RFC 7946 GeoJSON, by coil and rank, with the fields of report.json."""
    pieces = (piece for coil in report.todo for piece in coil.pieces)
    return feature_collection([_feature(piece_fields(piece), piece.shape, report) for piece in pieces])


def todo_gpx(report: Report) -> str:
    """Return ground that is still to do as GPX 1.1, as ``strips_gpx`` does: one track each, named by coil and rank."""
    gpx = _gpx(report)
    for piece in (piece for coil in report.todo for piece in coil.pieces):
        name = f"T{piece.rank} {harmless(piece.coil)}"[:15]
        said = harmless(piece_line(piece)).replace("±", "+-")
        gpx.tracks.append(_track(name, f"{harmless(piece.coil)}, {said}", piece.shape, report))
    return str(gpx.to_xml(version="1.1")) + "\n"


def _feature(properties: dict[str, Any], shape: Shape, report: Report) -> dict[str, Any]:
    outline = geometry(to_degrees(shape, report.site.frame), DEGREE_PLACES)
    return {"type": "Feature", "properties": properties, "geometry": outline}


def _gpx(report: Report) -> gpxpy.gpx.GPX:
    gpx = gpxpy.gpx.GPX()
    gpx.creator = "fieldcomb"
    gpx.name = harmless(report.site.name) or None
    return gpx


def _track(name: str, description: str, shape: Shape, report: Report) -> gpxpy.gpx.GPXTrack:
    track = gpxpy.gpx.GPXTrack(name=name, description=description)
    track.segments = [_segment(ring, report.site.frame) for ring in _rings(_simple(shape))]
    return track


def _device_name(strip: Strip) -> str:
    """Return a name of at most 15 letters: ``S1 12.3m2``, ``O2 140m2``, ``O3 1.23ha``."""
    return f"{strip_name(strip)} {format_area(strip.area_m2).replace(' ', '')}"[:15]


def _description(strip: Strip) -> str:
    kind = "missed open ground" if strip.kind == "open" else "missed strip"
    length, width = format_length(strip.length_m), format_length(strip.width_m)
    size = f"{format_area(strip.area_m2)}, {length} long, {width} wide"
    # Degree signs and the like are more than the letters of some devices.
    way = "" if strip.bearing_deg is None else f", {format_bearing(strip.bearing_deg).partition(' (')[0]}"
    return f"{kind}, {size}{way}"


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


def _segment(ring: shapely.LinearRing, frame: SiteFrame) -> gpxpy.gpx.GPXTrackSegment:
    xy = np.asarray(ring.coords)
    lon, lat = frame.to_lonlat(xy[:, 0], xy[:, 1])
    # GPX has longitudes from -180 to just below 180; rounding first, so that 179.999999999 does not become 180.
    lon = wrap_lon(np.round(lon, DEGREE_PLACES))
    points = [
        gpxpy.gpx.GPXTrackPoint(round(float(north), DEGREE_PLACES) + 0.0, round(float(east), DEGREE_PLACES) + 0.0)
        for east, north in zip(lon, lat, strict=True)
    ]
    return gpxpy.gpx.GPXTrackSegment(points)
