"""Finds for other programs and for devices: points in GeoJSON, waypoints in GPX."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any
from xml.etree import ElementTree

from fieldcomb.coverage.finds.fields import find_fields, how_well, numbers_text, place_decimals, shown_place
from fieldcomb.coverage.finds.find import Find
from fieldcomb.tracks.files.json_text import feature_collection
from fieldcomb.tracks.files.xml_text import GPX_HEAD, xml_text
from fieldcomb.tracks.frame import wrap_lon
from fieldcomb.tracks.text import harmless

FINDS_GEOJSON_FILE, FINDS_GPX_FILE = "finds.geojson", "finds.gpx"
_NAME_LETTERS = 15  # of a waypoint on a device


def finds_geojson(
    finds: Sequence[Find],
    more: Mapping[int, Mapping[str, Any]] = MappingProxyType({}),
    squares_m: Mapping[int, float] = MappingProxyType({}),
) -> str:
    """Return finds whose place is known as RFC 7946 points, with the fields of report.json as properties.

    more : further properties, by find_no. squares_m : the square that a place is not to be given away within.
    """
    features = []
    for find in finds:
        lat, lon = shown_place(find, squares_m.get(find.find_no))
        if lat is None or lon is None:
            continue
        properties = {key: value for key, value in find_fields(find).items() if key not in ("lat", "lon")}
        properties |= more.get(find.find_no, {})
        point = {"type": "Point", "coordinates": [lon, lat]}
        features.append({"type": "Feature", "properties": properties, "geometry": point})
    return feature_collection(features)


def finds_gpx(finds: Sequence[Find], title: str, squares_m: Mapping[int, float] = MappingProxyType({})) -> str:
    """Return finds whose place is known as GPX 1.1 waypoints: number and thing as the name, the rest as a text.

    squares_m : the square that a place is not to be given away within, by find_no.
    """
    gpx = ElementTree.Element("gpx", GPX_HEAD)
    if harmless(title):
        ElementTree.SubElement(ElementTree.SubElement(gpx, "metadata"), "name").text = harmless(title)
    for find in finds:
        square_m = squares_m.get(find.find_no)
        lat, lon = shown_place(find, square_m)
        if lat is None or lon is None:
            continue
        places = place_decimals(find, square_m)
        east = round(float(wrap_lon(lon)), places)  # GPX has longitudes from -180 to just below 180
        point = ElementTree.SubElement(gpx, "wpt", {"lat": f"{lat:.{places}f}", "lon": f"{east:.{places}f}"})
        name = harmless(f"{find.find_no} {find.what or find.kind}")[:_NAME_LETTERS].rstrip()
        ElementTree.SubElement(point, "name").text = name
        ElementTree.SubElement(point, "desc").text = harmless(in_short(find))
    return xml_text(gpx)


def in_short(find: Find) -> str:
    """Return what is known of a find on one line.

    >>> in_short(Find(14, "keep", what="lead token", number=(61, 66), depth_m=0.12))
    'keep, lead token, number 61-66, 12 cm deep, place not known'
    """
    parts = (
        find.kind,
        find.what,
        find.material,
        find.period,
        f"number {numbers_text(find.number)}" if find.number else "",
        "" if find.depth_m is None else f"{find.depth_m * 100:g} cm deep",
        how_well(find),
    )
    return ", ".join(part for part in parts if part)
