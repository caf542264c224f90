"""Files that areas are drawn in: GeoJSON, GPX and KML, taken apart into rings and what was typed for them.

Nothing is judged here but the form: whether rings close, cross or lie on the globe is for ``areas`` to say.
"""

import math
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from fieldcomb.coverage.raster.polygons import RingPoints
from fieldcomb.tracks.errors import AreaError, TrackError
from fieldcomb.tracks.files import limits
from fieldcomb.tracks.files.archive import unpack
from fieldcomb.tracks.files.collector import ALSO_HOLDS
from fieldcomb.tracks.files.json_text import json_text, other_system, parse_json
from fieldcomb.tracks.files.sniffing import DAMAGED, looks_like
from fieldcomb.tracks.formats.gpx import read_gpx
from fieldcomb.tracks.formats.kml_polygons import read_kml_polygons
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.values import dataclass

EXPORT_IN_DEGREES = "Export it again in WGS 84 longitude and latitude (EPSG:4326)"

_LINES = {"LineString": "a line", "MultiLineString": "lines", "Point": "a point", "MultiPoint": "points"}


@dataclass(frozen=True, slots=True, eq=False)
class DrawnArea:
    """One thing drawn in a file.

    where : its place and name in words. parts : outer ring and holes of each polygon, longitude and latitude as in
    the file. typed : its properties, by name. walked : it is a line that was walked or clicked, so its ends
    need not meet exactly.
    """

    where: str
    parts: tuple[tuple[RingPoints, ...], ...]
    typed: Mapping[str, Any]
    walked: bool = False


def read_drawn(data: bytes, file: str) -> tuple[list[DrawnArea], list[str]]:
    """Take a file apart; returns what is drawn in it, in file order, and notes. Raises AreaError."""
    try:
        content, notes = unpack(data, file, most=limits.MAX_AREA_BYTES)
        if len(content) > limits.MAX_AREA_BYTES:
            problem = f"is {len(content) / 1e6:.0f} MB, far more than a boundary"
            raise AreaError(problem, file=file, hint="Use a file with the areas of this site only")
        form = looks_like(content)
        if form in ("GPX", DAMAGED):
            drawn, more = _gpx(content, file)
        elif form == "KML":
            drawn, more = _kml(content, file)
        elif form in ("GeoJSON", "JSON"):
            drawn, more = _geojson(content, file)
        else:
            raise AreaError(f"is not a file of areas: it looks like {form}", file=file, hint=_GIVE)
    except TrackError as error:
        raise AreaError(error.problem, file=error.file, where=error.where, hint=error.hint) from error
    _check_size(drawn, file)
    return drawn, [*notes, *more]


def _check_size(drawn: list[DrawnArea], file: str) -> None:
    rings = [len(ring) for area in drawn for part in area.parts for ring in part]
    found = ((sum(rings), limits.MAX_CORNERS, "corners"), (len(rings), limits.MAX_RINGS, "outlines and holes"))
    for count, most, things in found:
        if count > most:
            problem = f"has {count:,} {things}, more than the limit of {most:,}"
            hint = "Simplify it where it was drawn, to a decimetre or so, or keep only the areas of this site"
            raise AreaError(problem, file=file, hint=hint)


_GIVE = "Use a boundary in GeoJSON, KML, or GPX with a closed track or route"


# ------------------------------------------------------------------------------------------------------- GPX and KML


def _gpx(content: bytes, file: str) -> tuple[list[DrawnArea], list[str]]:
    recording = read_gpx(content, file, need_track=False)
    track, out = recording.track, []
    lines = [("track segment", "", track.lon_deg[i], track.lat_deg[i]) for i in _runs(track.segment)]
    lines += [("route", route.name, route.lon_deg, route.lat_deg) for route in recording.routes]
    many = {kind: sum(line[0] == kind for line in lines) for kind in ("track segment", "route")}
    seen = dict.fromkeys(many, 0)
    for kind, name, lon, lat in lines:
        seen[kind] += 1
        readable = np.isfinite(lon) & np.isfinite(lat)
        ring = np.column_stack([lon[readable], lat[readable]])
        where = _where(f"{kind} {seen[kind]} of {many[kind]}", name)
        if len(ring):
            out.append(DrawnArea(where, ((ring,),), {}, walked=True))
    # The reader's remarks on routes and waypoints are meant for walks, where they do not count.
    notes = [note for note in recording.notes if not note.startswith(ALSO_HOLDS)]
    if recording.waypoints:
        notes.append(f"{len(recording.waypoints)} waypoints are not part of a boundary, and are not used")
    if not out:
        found = f", only {len(recording.waypoints)} waypoints" if recording.waypoints else ""
        raise AreaError(f"holds no track and no route{found}", file=file, hint=_GIVE)
    return out, notes


def _runs(segment: Any) -> list[Any]:
    return np.split(np.arange(segment.size), np.flatnonzero(np.diff(segment)) + 1) if segment.size else []


def _kml(content: bytes, file: str) -> tuple[list[DrawnArea], list[str]]:
    polygons, notes = read_kml_polygons(content, file)
    out = []
    for number, polygon in enumerate(polygons, 1):
        rings = tuple(np.column_stack(ring) for ring in (polygon.outer, *polygon.inners))
        out.append(DrawnArea(_where(f"polygon {number} of {len(polygons)}", polygon.name), (rings,), polygon.data))
    return out, list(notes)


def _where(place: str, name: object) -> str:
    text = harmless(str(name))[:60] if isinstance(name, str | int) and not isinstance(name, bool) else ""
    return f"{place}, {text!r}" if text else place


# ----------------------------------------------------------------------------------------------------------- GeoJSON


def _geojson(content: bytes, file: str) -> tuple[list[DrawnArea], list[str]]:
    text, notes = json_text(content, file)
    document = parse_json(text, file)
    drawn = list(_Walk(file).document(document))
    if not drawn:
        raise AreaError("holds no features", file=file, hint="Draw the boundary as a polygon, and export it")
    return drawn, notes


@dataclass(frozen=True, slots=True)
class _Walk:
    """Walks through a GeoJSON document; the file's name is for messages."""

    file: str

    def document(self, node: Any) -> Iterator[DrawnArea]:
        kind = self._type(node, "the whole file")
        self._check_crs(node, "the whole file")
        if kind == "FeatureCollection":
            features = node.get("features")
            if not isinstance(features, list):
                raise self._fault("has no list of features", "the whole file")
            for number, feature in enumerate(features, 1):
                yield self._feature(feature, f"feature {number} of {len(features)}")
        elif kind == "Feature":
            yield self._feature(node, "its one feature")
        elif kind == "Topology":
            raise AreaError("is TopoJSON, which is not supported", file=self.file, hint=_GIVE)
        else:
            yield DrawnArea("its one shape", tuple(self._polygons(node, "its one shape", 0)), {})

    def _feature(self, node: Any, place: str) -> DrawnArea:
        if self._type(node, place) != "Feature":
            raise self._fault(f"is a {_shown(node['type'])} where a Feature was expected", place)
        self._check_crs(node, place)
        typed = node.get("properties")
        typed = typed if isinstance(typed, dict) else {}
        named = {key.lower(): value for key, value in typed.items()} | typed
        where = _where(place, named.get("name") or node.get("id"))
        if node.get("geometry") is None:
            raise self._fault("is empty: it has no geometry", where, "Draw its polygon, or delete the feature")
        return DrawnArea(where, tuple(self._polygons(node["geometry"], where, 0)), named)

    def _polygons(self, node: Any, where: str, depth: int) -> Iterator[tuple[RingPoints, ...]]:
        kind = self._type(node, where)
        self._check_crs(node, where)
        inside = node.get("geometries" if kind == "GeometryCollection" else "coordinates")
        if kind in _LINES:
            hint = "Draw it as a closed polygon"
            raise self._fault(f"is {_LINES[kind]} ({kind}), not an area", where, hint)
        if kind not in ("Polygon", "MultiPolygon", "GeometryCollection"):
            raise self._fault(f"is a {_shown(kind)} where a Polygon or MultiPolygon was expected", where)
        if not isinstance(inside, list):
            raise self._fault(f"is a {kind} without coordinates", where)
        if not inside:
            raise self._fault("is empty: it has no coordinates", where, "Draw its polygon, or delete the feature")
        if depth > limits.MAX_COLLECTION_DEPTH:
            raise self._fault(f"has collections nested more than {limits.MAX_COLLECTION_DEPTH} deep", where)
        if kind == "GeometryCollection":
            for part in inside:
                yield from self._polygons(part, where, depth + 1)
        else:
            for part in [inside] if kind == "Polygon" else inside:
                yield self._rings(part, where)

    def _rings(self, node: Any, where: str) -> tuple[RingPoints, ...]:
        if not isinstance(node, list) or not node or not all(isinstance(ring, list) for ring in node):
            raise self._fault("has a polygon that is not a list of rings", where)
        return tuple(np.array([self._position(at, where) for at in ring], float).reshape(-1, 2) for ring in node)

    def _position(self, node: Any, where: str) -> tuple[float, float]:
        numbers: list[Any] = node[:2] if isinstance(node, list) and len(node) >= 2 else [None]
        for value in numbers:
            if not isinstance(value, int | float) or isinstance(value, bool) or not _finite(value):
                hint = "A position is two numbers, longitude and latitude: export the file again"
                raise self._fault(f"has a position that is not two numbers, {_shown(node)}", where, hint)
        return float(numbers[0]), float(numbers[1])

    def _type(self, node: Any, where: str) -> str:
        if not isinstance(node, dict) or not isinstance(node.get("type"), str):
            raise self._fault(f"is not GeoJSON: an object with a type was expected, not {_shown(node)}", where)
        return str(node["type"])

    def _check_crs(self, node: Any, where: str) -> None:
        system = other_system(node)
        if system is not None:
            problem = f"is in the coordinate system {_shown(system)}, not in WGS 84"
            raise self._fault(problem, where, EXPORT_IN_DEGREES)

    def _fault(self, problem: str, where: str, hint: str = "Export it again, or draw it again") -> AreaError:
        return AreaError(problem, file=self.file, where=where, hint=hint)


def _finite(value: int | float) -> bool:
    try:
        return math.isfinite(value)
    except OverflowError:
        return False


def _shown(node: Any) -> str:
    """A short look at a value from the file."""
    if isinstance(node, str):
        return repr(harmless(node[:200])[:60])
    if isinstance(node, dict):
        return f"an object with {len(node)} entries"
    if isinstance(node, list) and (len(node) > 4 or any(isinstance(value, list | dict) for value in node)):
        return f"a list of {len(node)} entries"
    return repr(node)[:60]
