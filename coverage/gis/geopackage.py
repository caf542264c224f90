"""site.gpkg: everything that has a place, as one GeoPackage with a layer for each kind of thing.

A GeoPackage is an SQLite database by the rules of OGC 12-128r18: a table of coordinate systems, a table of contents, a
table of geometry columns, and one table a layer whose outlines are WKB after a short head. Times are fixed, so that the
same result gives the same bytes.
"""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from typing import Any

import shapely
from shapely.geometry import LineString, MultiLineString, MultiPolygon, Point
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.areas.from_marks import place_of
from fieldcomb.coverage.gis.coordinates import GisFrame
from fieldcomb.coverage.report.mark_words import mark_fields
from fieldcomb.coverage.report.place_lines import place_fields, strip_fields
from fieldcomb.coverage.survey.results import OutingLayer, Result
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import iso_utc
from fieldcomb.tracks.values import dataclass

APPLICATION_ID, VERSION = 0x47504B47, 10300  # "GPKG", version 1.3
WRITTEN = "2000-01-01T00:00:00.000Z"  # a column must say when; a time of writing would make files differ
OWN_ID = 100_000  # of the site's frame among the coordinate systems
_Values = Mapping[str, Any]
_Rows = Iterable[tuple[BaseGeometry, _Values]]
_TYPES = {bool: "BOOLEAN", int: "INTEGER", float: "REAL", str: "TEXT"}
_WGS84 = (
    'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563]],PRIMEM["Greenwich",0],'
    'UNIT["degree",0.0174532925199433],AUTHORITY["EPSG","4326"]]'
)
_TABLES = """
CREATE TABLE gpkg_spatial_ref_sys (srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE,
  description TEXT DEFAULT '', last_change DATETIME NOT NULL, min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE,
  srs_id INTEGER, FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL,
  geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL,
  PRIMARY KEY (table_name, column_name), FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id),
  FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name));
"""


@dataclass(frozen=True, slots=True)
class GpkgLayer:
    """One table: outlines, lines or points of one type, and columns with their types, each value None or of it."""

    name: str
    geometry: str
    columns: Mapping[str, type]
    rows: Sequence[tuple[BaseGeometry, _Values]]


def site_gpkg(result: Result, to: GisFrame) -> bytes:
    """Return the file; columns have the names and units of report.json, and a layer that holds nothing is left out."""
    found = [layer for layer in _layers(result) if layer.rows]
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as base:
        base.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        base.execute(f"PRAGMA user_version = {VERSION}")
        base.execute("BEGIN")
        for statement in _TABLES.split(";\n"):
            if statement.strip():
                base.execute(statement)
        number = _add_systems(base, to)
        for layer in found:
            _add_layer(base, layer, to, number)
        base.execute("COMMIT")
        return base.serialize()


def _add_systems(base: sqlite3.Connection, to: GisFrame) -> int:
    number = OWN_ID if to.epsg is None else to.epsg
    systems = {
        -1: ("Undefined Cartesian", "NONE", -1, "undefined"),
        0: ("Undefined geographic", "NONE", 0, "undefined"),
        4326: ("WGS 84", "EPSG", 4326, _WGS84),
        number: (to.name, "NONE" if to.epsg is None else "EPSG", number, to.wkt),
    }
    for key, (name, organization, code, definition) in systems.items():
        values = (name, key, organization, code, definition, None)
        base.execute("INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)", values)
    return number


def _add_layer(base: sqlite3.Connection, layer: GpkgLayer, to: GisFrame, system: int) -> None:
    columns = "".join(f', "{name}" {_TYPES[kind]}' for name, kind in layer.columns.items())
    base.execute(
        f'CREATE TABLE "{layer.name}" (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, geom {layer.geometry}{columns})'
    )
    shapes = [to.from_site(shape) for shape, _ in layer.rows]
    bounds = shapely.total_bounds(shapes).tolist()
    contents = (layer.name, "features", layer.name, "", WRITTEN, *bounds, system)
    base.execute("INSERT INTO gpkg_contents VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", contents)
    geometry = (layer.name, "geom", layer.geometry, system, 0, 0)
    base.execute("INSERT INTO gpkg_geometry_columns VALUES (?, ?, ?, ?, ?, ?)", geometry)
    marks = ", ".join("?" for _ in range(1 + len(layer.columns)))
    names = "".join(f', "{name}"' for name in layer.columns)
    for shape, (_, values) in zip(shapes, layer.rows, strict=True):
        row = [_blob(shape, system), *(_plain(values.get(name)) for name in layer.columns)]
        base.execute(f'INSERT INTO "{layer.name}" (geom{names}) VALUES ({marks})', row)


def _blob(shape: BaseGeometry, system: int) -> bytes:
    """A head of 40 bytes (magic, version 0, little-endian with an envelope, system, bounds), then WKB."""
    west, south, east, north = shape.bounds
    head = struct.pack("<2sBBi4d", b"GP", 0, 0b11, system, west, east, south, north)
    return head + bytes(shapely.to_wkb(shape, byte_order=1))


def _plain(value: Any) -> Any:
    return harmless(value) if isinstance(value, str) else value


# -------------------------------------------------------------------------------------------------------------- layers


def _layers(result: Result) -> Iterator[GpkgLayer]:
    report, layers = result.report, result.layers
    site = {"name": str, "area_m2": float, "boundary": str, "no_go_m2": float, "blocked_m2": float}
    outline = [
        (area.shape, {key: _rounded(getattr(report.site, key)) for key in site})
        for area in layers.areas
        if area.kind == "site"
    ]
    yield _polygons("outline", site, outline)
    yield _areas(result)
    walks = [row for outing in layers.outings for row in _walk_rows(outing, result)]
    walk = {"outing": str, "start": str, "coil": str, "swath_m": float, "searcher": str, "state": str}
    yield GpkgLayer("walks", "MULTILINESTRING", walk, walks)
    stops = [
        (Point(stop.x_m, stop.y_m), {"outing": outing.id, "kind": stop.kind, "seconds": round(stop.seconds, 1)})
        for outing in layers.outings
        for stop in outing.stops
    ]
    yield GpkgLayer("stops", "POINT", {"outing": str, "kind": str, "seconds": float}, stops)
    yield _marks(result)
    yield from _ground(result)


def _rounded(value: Any) -> Any:
    return round(value, 2) if isinstance(value, float) else value


def _polygons(name: str, columns: Mapping[str, type], rows: _Rows) -> GpkgLayer:
    """A layer of outlines; single ones become ones of one part, so that all rows are of one type."""
    whole = [(MultiPolygon([shape]) if shape.geom_type == "Polygon" else shape, values) for shape, values in rows]
    return GpkgLayer(name, "MULTIPOLYGON", columns, [(shape, values) for shape, values in whole if not shape.is_empty])


def _areas(result: Result) -> GpkgLayer:
    columns = {"kind": str, "reason": str, "from": str, "to": str, "depth_cm": float, "per_m2": float}
    rows = []
    for area in result.layers.areas:
        if area.kind != "site":
            days = [None if day is None else day.isoformat() for day in (area.since, area.until)]
            values = (area.kind, area.reason or None, *days, area.depth_cm, area.per_m2)
            rows.append((area.shape, dict(zip(columns, values, strict=True))))
    return _polygons("areas", columns, rows)


def _walk_rows(outing: OutingLayer, result: Result) -> Iterator[tuple[BaseGeometry, _Values]]:
    starts = {one.head.id: one.head.start_s for one in result.report.outings}
    start_s = starts.get(outing.id)
    start = None if start_s is None else iso_utc(start_s)
    for walk in outing.walks:
        for state, lines in (("searching", walk.lines), ("transit", walk.transits)):
            parts = [LineString(line) for line in lines if len(line) > 1]
            values = {"outing": outing.id, "start": start, "coil": walk.coil, "swath_m": round(walk.swath_m, 3)}
            if parts:
                yield MultiLineString(parts), values | {"searcher": walk.searcher, "state": state}


def _marks(result: Result) -> GpkgLayer:
    columns = {"outing": str, "kind": str, "name": str, "number": int, "size_m": float, "time": str, "text": str}
    rows = []
    for outing in result.report.outings:
        for mark in outing.marks:
            place = place_of(mark, result.report.site.frame)
            if place is not None:
                rows.append((Point(place), {"outing": outing.head.id} | mark_fields(mark)))
    return GpkgLayer("marks", "POINT", columns, rows)


def _ground(result: Result) -> Iterator[GpkgLayer]:
    """Ground that was not swept by its kinds, where to go next, and what to search a second time."""
    report, layers = result.report, result.layers
    strip = {"id": int, "kind": str, "ground": str, **dict.fromkeys(("area_m2", "length_m", "width_m"), float)}
    strip |= {"bearing_deg": float, "confidence": float, "tier": str, "lanes": str}
    yield _polygons("strips", strip, [(one.shape, strip_fields(one)) for one in report.strips])
    place = {"letter": str, "reason": str, "area_m2": float, "length_m": float, "unswept_pct": float, "where": str}
    best = {"coil": str, "minutes": float, "gain_per_100_m2": float, "gain_per_hour": float}
    rows = [(one.shape, fields | fields["with"][0]) for one in report.places for fields in [place_fields(one)]]
    # A coil has a reason of its own beside that of the place.
    named = [(shape, values | {"reason": one.reason}) for (shape, values), one in zip(rows, report.places, strict=True)]
    yield _polygons("places", place | best, named)
    for name, shape in (("not_recorded", layers.not_recorded), ("other_outings", layers.other_outings)):
        yield _polygons(name, {"area_m2": float}, [(part, {"area_m2": round(part.area, 2)}) for part in shape.geoms])
    pairs = [
        (shape, {"larger": pair.larger, "smaller": pair.smaller, "ground": ground, "area_m2": round(m2, 2)})
        for pair in report.coil_pairs
        for ground, shape, m2 in (("junk", pair.junk, pair.junk_m2), ("rest", pair.rest, pair.area_m2 - pair.junk_m2))
    ]
    yield _polygons("second_search", {"larger": str, "smaller": str, "ground": str, "area_m2": float}, pairs)
