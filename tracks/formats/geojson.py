"""Walks in GeoJSON: lines with or without times, points with times, and marks besides.

Sources of the format: RFC 7946, and RFC 8142 for one feature after another. Times are no part of either: ``coordTimes``
and ``times`` next to a line, and ``time`` or ``timestamp`` next to a point, are what converters and loggers write.
"""

import math
from array import array
from collections import Counter
from collections.abc import Iterator
from typing import Any

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files import limits
from fieldcomb.tracks.files.collector import ALSO_HOLDS, Gather, floats
from fieldcomb.tracks.files.json_text import json_text, other_system, parse_json
from fieldcomb.tracks.files.sidelines import FixWords, TimedLine, mark_notes, take_lines
from fieldcomb.tracks.hints import HintKind
from fieldcomb.tracks.recording import Recording, Waypoint
from fieldcomb.tracks.units import format_count

TIMES_KEYS, TIME_KEYS = ("coordtimes", "times"), ("time", "timestamp", "datetime", "date_time", "utc")
NAME_KEYS, NOTE_KEYS = ("name", "mark", "label"), ("note", "desc", "description", "comment", "cmt")

_HINT = "Export the walk as GeoJSON with a LineString, or as GPX"
LonLat = tuple[float, float]


class _Builder:
    """Takes features one after another and grows them into lines and points."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.fixes = Gather(file)
        self.lines: list[TimedLine] = []
        self.points: list[tuple[LonLat, float, bool, str, str]] = []  # place, time, whether it has one, name, note
        self.others: Counter[str] = Counter()
        self.extra_times = self.left_out = 0

    def document(self, node: Any) -> None:
        """Take a whole document, or one record of a sequence of them."""
        kind = self._kind(node)
        if not kind:
            problem = "is JSON, but not GeoJSON: an object with a type was expected"
            raise TrackError(problem, file=self.file, hint=_HINT)
        features = node.get("features") if kind == "FeatureCollection" else [node]
        if not isinstance(features, list):
            raise TrackError("has no list of features", file=self.file, hint=_HINT)
        for feature in features:
            self._feature(feature)

    def _kind(self, node: Any) -> str:
        kind = node.get("type") if isinstance(node, dict) else None
        if not isinstance(kind, str):
            return ""
        system = other_system(node)
        if system is not None:
            problem = f"is in the coordinate system {repr(system)[:60]}, not in WGS 84"
            hint = "Export it again in WGS 84 longitude and latitude (EPSG:4326)"
            raise TrackError(problem, file=self.file, hint=hint)
        return kind

    def _feature(self, node: Any) -> None:
        kind = self._kind(node)
        if kind != "Feature":
            self._shape(node, {}, 0)
            return
        given = node.get("properties")
        given = given if isinstance(given, dict) else {}
        self._shape(node.get("geometry"), {key.lower(): value for key, value in reversed(given.items())}, 0)

    def _shape(self, node: Any, given: dict[str, Any], depth: int) -> None:
        kind = self._kind(node)
        if (
            kind == "GeometryCollection"
            and isinstance(node.get("geometries"), list)
            and depth < limits.MAX_COLLECTION_DEPTH
        ):
            for part in node["geometries"]:
                self._shape(part, given, depth + 1)
            return
        places = node.get("coordinates") if kind else None
        if kind == "Point":
            self._point(places, given)
        elif kind == "LineString" and isinstance(places, list):
            self._add_line(places, _times(given), given)
        elif kind == "MultiLineString" and isinstance(places, list):
            parts = [part for part in places if isinstance(part, list)]
            self.others["part that is not a line"] += len(places) - len(parts)
            for part, times in zip(parts, _dealt(_times(given), [len(part) for part in parts]), strict=True):
                self._add_line(part, times, given)
        else:
            self.others["polygon" if "Polygon" in kind else kind[:40] or "feature without a shape"] += 1

    def _add_line(self, places: list[Any], times: list[Any], given: dict[str, Any]) -> None:
        self.fixes.count(len(places))
        lon, lat, time = array("d"), array("d"), array("d")
        for number, node in enumerate(places):
            at = self._place(node)
            lon.append(at[0])
            lat.append(at[1])
            value = times[number] if number < len(times) else None
            time.append(math.nan if value is None else self.fixes.clock.moment(value))
        self.extra_times += max(len(times) - len(places), 0)
        self.lines.append(TimedLine(_word(given, NAME_KEYS), floats(lon), floats(lat), floats(time)))

    def _point(self, node: Any, given: dict[str, Any]) -> None:
        self.fixes.count()
        value = next((given[key] for key in TIME_KEYS if given.get(key) not in (None, "")), None)
        time_s = math.nan if value is None else self.fixes.clock.moment(value)
        self.points.append(
            (self._place(node), time_s, value is not None, _word(given, NAME_KEYS), _word(given, NOTE_KEYS))
        )

    def _place(self, node: Any) -> LonLat:
        numbers = node[:2] if isinstance(node, list) and len(node) >= 2 else (None, None)
        lon, lat = (_number(value) for value in numbers)
        return lon, lat

    # -- the end: what is the walk

    def walk_of_points(self) -> list[str]:
        """Take the points as the walk: they have times, and there is no line. Gives its names."""
        marks = FixWords()
        for (lon, lat), time_s, _, name, note in self.points:
            self.fixes.add(lon, lat, time_s)
            marks.add(name, note)
        if marks.is_list():
            problem = (
                f"has no line, only {format_count(len(self.points), 'point')}, most with a name or note of their own"
            )
            hint = "Those are marked places: export the recording of the walk itself"
            raise TrackError(problem, file=self.file, hint=hint)
        waypoints, self.left_out = marks.waypoints(self.fixes)
        self.points = [((w.lon_deg, w.lat_deg), w.time_s or math.nan, True, w.name, w.note) for w in waypoints]
        return list(marks.names())

    def waypoints(self) -> Iterator[Waypoint]:
        """Return the points that are marks; those without a readable position are counted."""
        for (lon, lat), time_s, _, name, note in self.points:
            if math.isnan(lon + lat):
                self.left_out += 1
            else:
                yield Waypoint(lon, lat, None if math.isnan(time_s) else time_s, name, note)


def _number(value: Any) -> float:
    """Return a coordinate; NaN for what is no finite number."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return math.nan
    try:
        number = float(value)
    except OverflowError:
        return math.nan
    return number if math.isfinite(number) else math.nan


def _times(given: dict[str, Any]) -> list[Any]:
    inner = given.get("coordinateproperties")
    for level in (given, {k.lower(): v for k, v in inner.items()} if isinstance(inner, dict) else {}):
        for key in TIMES_KEYS:
            if isinstance(level.get(key), list):
                return list(level[key])
    return []


def _dealt(times: list[Any], sizes: list[int]) -> list[list[Any]]:
    """Deal the times of several lines out to them: a list for each line, or one list for all of them in a row."""
    if any(isinstance(part, list) for part in times):
        parts = [part if isinstance(part, list) else [] for part in times]
        return (parts + [[]] * len(sizes))[: len(sizes)]
    ends = [sum(sizes[: number + 1]) for number in range(len(sizes))]
    dealt = [times[end - size : end] for end, size in zip(ends, sizes, strict=True)]
    if dealt:
        dealt[-1] += times[ends[-1] :]
    return dealt


def _word(given: dict[str, Any], keys: tuple[str, ...]) -> str:
    for key in keys:
        value = given.get(key)
        if isinstance(value, str) and value.strip():
            return value.strip()
        if isinstance(value, int | float) and not isinstance(value, bool):
            return repr(value)[:80]
    return ""


def read_geojson(data: bytes, file: str) -> Recording:
    """Read the walks of a GeoJSON file as they stand.

    Each LineString, and each part of a MultiLineString, is a run; other points are waypoints. In a file without a
    line, points with times are the walk, in the order of the file, and those with words of their own are waypoints
    too.

    Raises TrackError: not sound JSON, not GeoJSON, over 64 MB, in another coordinate system, or without a walk.
    """
    text, notes = json_text(data, file)
    builder = _Builder(file)
    notes += _read_documents(text, builder)
    routes, names, more = take_lines(builder.fixes, builder.lines)
    if not len(builder.fixes) and 2 * sum(has_time for _, _, has_time, _, _ in builder.points) > len(builder.points):
        names = tuple(builder.walk_of_points())
    if not len(builder.fixes):
        raise _no_walk(builder)
    limits.check_marks(file, len(builder.points))
    waypoints = tuple(builder.waypoints())
    notes += builder.fixes.place_notes() + more
    if builder.extra_times:
        notes.append(f"{format_count(builder.extra_times, 'time')} of the track without a place: not used")
    notes += [
        f"{ALSO_HOLDS} {format_count(count, kind)}, not used" for kind, count in sorted(builder.others.items()) if count
    ]
    notes += builder.fixes.clock.notes() + mark_notes(len(waypoints), builder.left_out)
    return Recording(file, builder.fixes.track(), waypoints, routes, names, notes=tuple(notes))


def _read_documents(text: str, builder: _Builder) -> list[str]:
    """Read one document, or a sequence of them, one a line or each after a record mark; returns notes."""
    mark = "\x1e" if "\x1e" in text else "\n"
    records = [record for record in text.split(mark) if record.strip()] if mark == "\x1e" or _is_sequence(text) else []
    if len(records) < 2:
        builder.document(parse_json(text.replace("\x1e", " "), builder.file))
        return []
    failed: list[str] = []
    for number, record in enumerate(records, 1):
        try:
            builder.document(parse_json(record, builder.file))
        except TrackError as error:
            failed.append(f"record {number} of {len(records)} {error.problem}")
            if len(failed) == len(records):
                raise TrackError(failed[0], file=builder.file, hint=error.hint) from None
    return (
        [f"{format_count(len(failed), 'record')} could not be read: {failed[0]}. The others were read"]
        if failed
        else []
    )


def _is_sequence(text: str) -> bool:
    """Whether the first line is a document of its own and another one follows."""
    first, _, rest = text.strip().partition("\n")
    return first.rstrip().endswith("}") and rest.lstrip().startswith("{")


def _no_walk(builder: _Builder) -> TrackError:
    found = [format_count(count, kind) for kind, count in sorted(builder.others.items()) if count]
    if builder.points:
        timed = sum(has_time for _, _, has_time, _, _ in builder.points)
        found.insert(0, f"{format_count(len(builder.points), 'point')}, {timed or 'none'} of them with a time")
    only = f"only {' and '.join(found)}" if found else "and no features"
    problem = f"holds no walk in GeoJSON, {only}"
    hint = HintKind.POLYGON_IS_BOUNDARY() if builder.others["polygon"] else _HINT
    return TrackError(problem, file=builder.file, hint=hint)
