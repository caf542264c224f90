"""Walks in KML: tracks with times, lines without, and points as waypoints.

Sources of the format: KML 2.3 (OGC 12-007r2), in which ``Track`` and ``MultiTrack`` are part of KML itself; in 2.2 they
are an extension with a prefix, which makes no difference here.
"""

from __future__ import annotations

import math
import re
from array import array
from collections import Counter
from collections.abc import Callable
from html import unescape

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files import limits
from fieldcomb.tracks.files.collector import ALSO_HOLDS, Gather, floats
from fieldcomb.tracks.files.sidelines import TimedLine, mark_notes, take_lines
from fieldcomb.tracks.files.xml import Actions, Ending, Place, break_notes, read_mending
from fieldcomb.tracks.hints import Hint, HintKind
from fieldcomb.tracks.recording import Recording, Waypoint
from fieldcomb.tracks.units import format_count

_COMMA = re.compile(r"\s*,\s*")
_GROUP = re.compile(r"\S+")
_TAG = re.compile(r"<!--.*?-->|<(?:br|/p|/div|/tr|/li)\b[^<>]*>|(<[!/A-Za-z][^<>]*>)", re.DOTALL | re.IGNORECASE)
_AROUND = ("Document", "Folder", "kml")
_GEOMETRY = ("Placemark", "MultiGeometry")
_OTHERS = {"Polygon": "polygon", "LinearRing": "ring", "Model": "model"}
# Views have times of their own, and styles have names: neither says anything of the walk.
_SKIPS = frozenset(
    (
        *("Style", "StyleMap", "Update", "ExtendedData", "LookAt", "Camera"),
        *("Region", "Tour", "Snippet", "NetworkLinkControl"),
    )
)


class _Builder:
    """Takes what the XML reader meets and grows it into lines and waypoints."""

    def __init__(self, file: str) -> None:
        self.fixes = Gather(file)
        self.lines: list[TimedLine] = []
        self.waypoints: list[Waypoint] = []
        self.others: Counter[str] = Counter()
        self.spans = self.left_out = self.extra_times = self.extra_places = self.blank_times = self.no_place = 0
        self.in_track = self.in_line = self.cut = False
        self._start_placemark({})

    def actions(self) -> Actions:
        """Return what to do in which element."""
        opens: dict[Place, Callable[[dict[str, str]], None]] = {}
        closes: dict[Place, Callable[[], None]] = {}
        for around in _AROUND:
            opens[around, "Placemark"] = self._start_placemark
            closes[around, "Placemark"] = self.end_placemark
            opens[around, "NetworkLink"] = self._count("linked file")
        for around in (*_GEOMETRY, "MultiTrack"):
            opens[around, "Track"] = self._start_track
            closes[around, "Track"] = self.end_track
        for around in _GEOMETRY:
            opens |= {(around, tag): self._count(words) for tag, words in _OTHERS.items()}
            opens[around, "LineString"] = self._start_line
        opens["Placemark", "TimeSpan"] = self._span
        texts: dict[Place, Callable[[str], None]] = {
            ("Placemark", "name"): self._keep_as("name"),
            ("Placemark", "description"): self._keep_as("description"),
            ("TimeStamp", "when"): self._keep_as("when"),
            ("Track", "when"): self._when,
            ("Track", "coord"): self._coord,
            ("LineString", "coordinates"): self._end_line,
            ("Point", "coordinates"): self._point,
        }
        return Actions(opens, texts, closes, skips=_SKIPS)

    def _count(self, words: str) -> Callable[[dict[str, str]], None]:
        def count(_: dict[str, str]) -> None:
            self.others[words] += 1

        return count

    # -- placemarks: what stands in one is known only at its end, in any order

    def _start_placemark(self, _: dict[str, str]) -> None:
        self._words: dict[str, str] = {}
        self._shapes: list[tuple[array[float], array[float], array[float]]] = []
        self._points: list[tuple[float, float]] = []
        self._span_here = False

    def _keep_as(self, key: str) -> Callable[[str], None]:
        def keep(text: str) -> None:
            if text.strip():
                self._words.setdefault(key, text.strip())

        return keep

    def _span(self, _: dict[str, str]) -> None:
        self._span_here = True

    def end_placemark(self) -> None:
        """Keep what the placemark that is open holds, complete or not."""
        name = self._words.get("name", "")
        limits.check_marks(self.fixes.file, len(self.waypoints) + len(self._points))
        for lon, lat, time in self._shapes:
            self.lines.append(TimedLine(name, floats(lon), floats(lat), floats(time)))
        if self._span_here and any(not line.timed for line in self.lines[len(self.lines) - len(self._shapes) :]):
            self.spans += 1
        if self._points:
            when = self._words.get("when")
            time_s = math.nan if when is None else self.fixes.clock.seconds(when)
            note = plain_text(self._words.get("description", ""))
            for lon_deg, lat_deg in self._points:
                known = None if math.isnan(time_s) else time_s
                self.waypoints.append(Waypoint(lon_deg, lat_deg, known, name, note))
        self._start_placemark({})

    # -- tracks

    def _start_track(self, _: dict[str, str]) -> None:
        self._whens = array("d")
        self._lon, self._lat = array("d"), array("d")
        self.in_track = True

    def _when(self, text: str) -> None:
        if self.in_track:
            self.blank_times += not text.strip()
            self._whens.append(self.fixes.clock.seconds(text) if text.strip() else math.nan)

    def _coord(self, text: str) -> None:
        if self.in_track:
            self.fixes.count()
            parts = text.split() if len(text.split()) > 1 else text.split(",")
            lon, lat = (self.fixes.degrees(part) for part in (*parts, "", "")[:2])
            self._lon.append(lon)
            self._lat.append(lat)

    def end_track(self) -> None:
        """Pair the times and places of the track that is open, in order; a place without a time is kept."""
        self.in_track = False
        places, times = len(self._lon), len(self._whens)
        self.extra_times += max(times - places, 0)
        self.extra_places += max(places - times, 0)
        time = self._whens[:places]
        time.extend([math.nan] * (places - len(time)))
        self._shapes.append((self._lon, self._lat, time))

    # -- lines and points

    def _start_line(self, _: dict[str, str]) -> None:
        self.in_line = True

    def _end_line(self, text: str) -> None:
        self.in_line = False
        self._line(text)

    def cut_line(self, text: str) -> None:
        """Take what there is of a line that breaks off; its last place may lack digits, and is left out."""
        self._line(text)
        self.cut = bool(self._shapes[-1][0])
        if self.cut:
            for values in self._shapes[-1]:
                values.pop()

    def _line(self, text: str) -> None:
        lon, lat = array("d"), array("d")
        for group in _GROUP.finditer(_COMMA.sub(",", text)):
            self.fixes.count()
            at = self._place(group.group())
            lon.append(at[0])
            lat.append(at[1])
        self._shapes.append((lon, lat, array("d", [math.nan]) * len(lon)))

    def _place(self, group: str) -> tuple[float, float]:
        lon, lat = (*group.split(",", 2), "", "")[:2]
        return self.fixes.degrees(lon), self.fixes.degrees(lat)

    def _point(self, text: str) -> None:
        self.fixes.count()
        lon, lat = self._place(_COMMA.sub(",", text.strip()))
        if math.isnan(lon + lat):
            self.left_out += 1
        else:
            self._points.append((lon, lat))


def plain_text(html: str) -> str:
    """Take the tags out of a description, which may be HTML.

    >>> plain_text("<p>near the <b>wall</b><br/>2 m &amp; more, a < b</p>")
    'near the wall 2 m & more, a < b'
    """
    without = _TAG.sub(lambda tag: "" if tag.group(1) else " ", html)
    return " ".join(unescape(without).split())


def read_kml(data: bytes, file: str) -> Recording:
    """Read the walks of a KML file as they stand.

    Each ``Track`` and each ``LineString`` is a run; a line has no times. Where a file holds tracks with times, they are
    the walk, and its lines are copies or plans. Times and places of a track are paired in order; a place without a
    time is kept. A file that breaks off keeps what came before.

    Raises TrackError: not KML, refused by the limits of the XML reader, or without a track or a line.
    """
    builder, ending = read_mending(data, file, "kml", lambda: _Builder(file), counted="coord")
    if builder.in_track:
        builder.end_track()
    elif builder.in_line:
        builder.cut_line(ending.unfinished)
    builder.end_placemark()
    routes, names, more = take_lines(builder.fixes, builder.lines)
    if not len(builder.fixes):
        raise _no_track(builder, ending)
    notes = (*_notes(builder, ending), *more, *mark_notes(len(builder.waypoints), builder.left_out))
    return Recording(file, builder.fixes.track(), tuple(builder.waypoints), routes, names, notes=notes)


def _no_track(builder: _Builder, ending: Ending) -> TrackError:
    others = builder.others + Counter({"waypoint": len(builder.waypoints)})
    found = " and ".join(format_count(count, words) for words, count in sorted(others.items()) if count)
    problem = f"holds no track and no line, {f'only {found}' if found else 'and no other shape'}"
    hint: str | Hint = (
        "Only a recorded track shows where the coil has been: export the recording itself, with its points"
    )
    if ending.broken:
        hint = "Copy or export it again from the recorder"
    elif builder.others["polygon"]:
        hint = HintKind.POLYGON_IS_BOUNDARY()
    return TrackError(problem, file=builder.fixes.file, where=ending.broken or None, hint=hint)


def _notes(builder: _Builder, ending: Ending) -> list[str]:
    notes = [*ending.notes, *break_notes(ending)]
    if builder.cut:
        notes.append("The last point is unfinished and was left out")
    fixes = builder.fixes
    notes += fixes.comma_notes() + fixes.place_notes()
    if builder.extra_places:
        notes.append(f"{format_count(builder.extra_places, 'place')} of the track without a time: kept without one")
    if builder.extra_times:
        notes.append(f"{format_count(builder.extra_times, 'time')} of the track without a place: not used")
    if builder.blank_times:
        notes.append(f"{format_count(builder.blank_times, 'time')} of the track left blank; the points were kept")
    if builder.spans:
        notes.append("A line has a time span, which does not time its points, and was not used")
    if polygons := builder.others["polygon"]:
        notes.append(f"{ALSO_HOLDS} {format_count(polygons, 'polygon')}: an area, not a walk, and not counted")
    return notes + fixes.clock.notes()
