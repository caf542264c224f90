"""GPX 1.0 and 1.1: every recorded point as it stands, with routes and waypoints beside it.

Nothing is cleaned here. A point without a readable position or time is kept with NaN in its place, so that later
steps can count it. Elements are known by name and parent, whatever their namespace, with or without a prefix.

Source of the format: the GPX 1.1 schema; of its times: XML Schema 1.0 part 2, section 3.2.7 (dateTime).
"""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Callable
from dataclasses import replace
from datetime import date

import numpy as np

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.track import Floats, Recording, Route, Track, Waypoint
from fieldcomb.tracks.xml import MAX_POINTS, Actions, Ending, Place, read_xml

_UNIX_DAY = date(1970, 1, 1).toordinal()
# Recorders that put the user's words between tags unchecked lose the whole file by one of these.
_BARE_AMPERSAND = re.compile(rb"&(?!(?:amp|lt|gt|quot|apos|#[0-9]{1,7}|#x[0-9A-Fa-f]{1,6});)")
_TIME = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[Tt ](\d\d):(\d\d)(?::(\d\d)([.,]\d{1,12})?)?\s?(?:([Zz])|([+-])(\d\d):?(\d\d)?)?", re.ASCII
)


class Clock:
    """Reads the times of one file, remembers the last minute (points come in order), and counts what was odd."""

    def __init__(self) -> None:
        self.zoneless = 0
        self.unreadable = 0
        self.first_unreadable = ""
        self._minute = ""
        self._minute_s = 0.0

    def seconds(self, text: str) -> float:
        """Unix seconds UTC of an XML Schema dateTime; NaN, and counted, if it is none.

        >>> Clock().seconds("1970-01-02T02:00:00.5+02:00")
        86400.5
        """
        # Almost every time has the form 2026-03-07T09:12:00Z: only its seconds are new.
        if text[:16] == self._minute and text[16:17] == ":" and text[-1] == "Z":
            second, fraction = text[17:19], text[19:-1]
            if second < "60" and second.isdecimal() and text.isascii() and (not fraction or _is_fraction(fraction)):
                return self._minute_s + int(second) + (float(fraction) if fraction else 0.0)
        text = text.strip()
        match = _TIME.fullmatch(text)
        seconds = _seconds(match) if match else math.nan
        if match is None or math.isnan(seconds):
            self.unreadable += 1
            self.first_unreadable = self.first_unreadable or text[:40]
        elif match.group(8) == "Z" and match.group(6) and match.group(4) != "24" and text[10] == "T":
            # Not by rounding down: a leap second, or a fraction of many nines, lies in the next minute already.
            self._minute, self._minute_s = text[:16], round((seconds - int(match.group(6))) / 60) * 60.0
        elif match.group(8) is None and match.group(9) is None:
            self.zoneless += 1
        return seconds

    def notes(self) -> list[str]:
        """Say what was odd about the times."""
        notes = []
        if self.zoneless:
            notes.append(f"{_many(self.zoneless, 'time')} without a time zone, read as UTC")
        if self.unreadable:
            many = _many(self.unreadable, "time")
            notes.append(f"{many} could not be read, the first being {self.first_unreadable!r}; the points were kept")
        return notes


def _is_fraction(text: str) -> bool:
    return text[0] == "." and text[1:].isdecimal()


def _seconds(match: re.Match[str]) -> float:
    year, month, day, hour, minute = (int(part) for part in match.group(1, 2, 3, 4, 5))
    second = int(match.group(6) or 0)
    offset = int(match.group(10) or 0) * 60 + int(match.group(11) or 0)
    # 24:00:00 is the end of a day and :60 a leap second; both are in use, and simply run over into what follows.
    if hour > 24 or minute > 59 or second > 60 or (hour == 24 and (minute or second)) or offset > 14 * 60:
        return math.nan
    try:
        days = date(year, month, day).toordinal() - _UNIX_DAY
    except ValueError:
        return math.nan
    east_minutes = -offset if match.group(9) == "-" else offset
    fraction = float((match.group(7) or ".0").replace(",", "."))
    return days * 86400.0 + hour * 3600 + (minute - east_minutes) * 60 + second + fraction


_POINTS: tuple[Place, ...] = (("trkseg", "trkpt"), ("trk", "trkpt"), ("rte", "rtept"), ("gpx", "wpt"))


class _Builder:
    """Takes what the XML reader meets and grows it into a recording."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.clock = Clock()
        self.lon, self.lat, self.time = array("d"), array("d"), array("d")
        self.segment = array("i")
        self.runs = self.points = self.route_points = 0
        self.commas = self.no_position = self.left_out = 0
        self.names: list[str] = []
        self.routes: list[Route] = []
        self.waypoints: list[Waypoint] = []
        self.in_route = False
        self._new_run = True
        self._named = False
        self._lon = self._lat = self._time = math.nan
        self._route_lon, self._route_lat = array("d"), array("d")
        self._words: dict[str, str] = {}

    def actions(self) -> Actions:
        """Tell what to do in which element."""
        times: dict[Place, Callable[[str], None]] = {
            (tag, "time"): self._read_time for _, tag in _POINTS if tag != "rtept"
        }
        words = [("wpt", "name"), ("wpt", "desc"), ("wpt", "cmt"), ("rte", "name")]
        return Actions(
            opens={
                **dict.fromkeys(_POINTS, self._point),
                ("gpx", "trk"): self._start_track,
                ("trk", "trkseg"): self._start_run,
                ("gpx", "trkseg"): self._start_run,
                ("gpx", "rte"): self._start_route,
            },
            texts={**times, **{place: self._keep_as(place[1]) for place in words}, ("trk", "name"): self._track_name},
            closes={
                ("trkseg", "trkpt"): self._end_fix,
                ("trk", "trkpt"): self._end_fix,
                ("rte", "rtept"): self._end_route_point,
                ("gpx", "wpt"): self._end_waypoint,
                ("gpx", "rte"): self.end_route,
            },
            skips=frozenset({"extensions"}),
        )

    # -- any point

    def _point(self, attributes: dict[str, str]) -> None:
        self._lat = self._degrees(attributes.get("lat", ""))
        self._lon = self._degrees(attributes.get("lon", ""))
        self._time = math.nan
        self.points += 1
        if self.points > MAX_POINTS:
            problem = f"holds more than {MAX_POINTS:,} points, which is refused"
            raise TrackError(problem, file=self.file, hint="Split it into several files")

    def _degrees(self, text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            if text.count(",") != 1 or "." in text:
                return math.nan
            value = self._degrees(text.replace(",", "."))
            self.commas += not math.isnan(value)
        # Python reads "inf", "nan" and "5_2" as numbers; in a position they are none.
        return value if value - value == 0.0 and "_" not in text else math.nan

    def _read_time(self, text: str) -> None:
        # The first one counts: GPX 1.0 lets others put elements of their own, of any name, behind it.
        if self._time != self._time and text and not text.isspace():
            self._time = self.clock.seconds(text)

    # -- tracks

    def _start_track(self, _: dict[str, str]) -> None:
        self._new_run, self._named = True, False

    def _start_run(self, _: dict[str, str]) -> None:
        self._new_run = True

    def _track_name(self, text: str) -> None:
        if text.strip() and not self._named:
            self.names.append(text.strip())
            self._named = True

    def _end_fix(self) -> None:
        if self._new_run:
            # Counted at its first point, so that empty segments leave no hole in the numbers.
            self._new_run = False
            self.runs += 1
        self.lon.append(self._lon)
        self.lat.append(self._lat)
        self.time.append(self._time)
        self.segment.append(self.runs - 1)
        if self._lon != self._lon or self._lat != self._lat:
            self.no_position += 1

    # -- routes and waypoints

    def _keep_as(self, key: str) -> Callable[[str], None]:
        def keep(text: str) -> None:
            if text.strip():
                self._words.setdefault(key, text.strip())

        return keep

    def _start_route(self, _: dict[str, str]) -> None:
        self._route_lon, self._route_lat = array("d"), array("d")
        self._words, self.in_route = {}, True

    def _end_route_point(self) -> None:
        if math.isnan(self._lon + self._lat):
            self.left_out += 1
            return
        self.route_points += 1
        self._route_lon.append(self._lon)
        self._route_lat.append(self._lat)

    def end_route(self) -> None:
        """Keep the route that is open, complete or not."""
        self.routes.append(Route(self._words.get("name", ""), _floats(self._route_lon), _floats(self._route_lat)))
        self._words, self.in_route = {}, False

    def _end_waypoint(self) -> None:
        words, self._words = self._words, {}
        if math.isnan(self._lon + self._lat):
            self.left_out += 1
            return
        note = "; ".join(dict.fromkeys(words[key] for key in ("desc", "cmt") if key in words))
        time_s = None if math.isnan(self._time) else self._time
        self.waypoints.append(Waypoint(self._lon, self._lat, time_s, words.get("name", ""), note))


def read_gpx(data: bytes, file: str, *, need_track: bool = True) -> Recording:
    """Read a GPX file as it stands.

    Every ``trkpt`` that the file completes becomes a fix, in file order; positions are not range-checked. Segment
    numbers rise through the whole file, over all of its tracks. A file that breaks off keeps what came before.

    Parameters
    ----------
    data : bytes
        The whole file.
    file : str
        Its name, for messages and for ``Recording.file``.
    need_track : bool, optional
        Whether a file without a single track point is an error; boundaries may be routes, and pegs waypoints.

    Raises
    ------
    TrackError
        Not GPX, refused by the limits of the XML reader, or without track points when they are needed.

    """
    builder = _Builder(file)
    ending = read_xml(data, file, "gpx", builder.actions(), counted="trkpt")
    mended, ampersands = _BARE_AMPERSAND.subn(b"&amp;", data) if ending.unread else (data, 0)
    if ampersands:
        builder = _Builder(file)
        ending = read_xml(mended, file, "gpx", builder.actions(), counted="trkpt")
        note = f"{ampersands} times an & stands alone, as in a name like A & B, where it should be &amp;; read as meant"
        ending = replace(ending, notes=(*ending.notes, note))
    if builder.in_route:
        builder.end_route()
    if need_track and not builder.lon:
        raise _no_track(builder, ending)
    track = Track(
        _floats(builder.lon), _floats(builder.lat), _floats(builder.time), np.array(builder.segment, dtype=np.int32)
    )
    notes = _notes(builder, ending)
    return Recording(file, track, tuple(builder.waypoints), tuple(builder.routes), tuple(builder.names), notes)


def _floats(values: array[float]) -> Floats:
    return np.array(values, dtype=np.float64)


def _many(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _no_track(builder: _Builder, ending: Ending) -> TrackError:
    found = []
    if builder.routes:
        found.append(f"{_many(len(builder.routes), 'route')} with {_many(builder.route_points, 'point')}")
    if builder.waypoints:
        found.append(_many(len(builder.waypoints), "waypoint"))
    problem = "holds no track points, " + (f"only {' and '.join(found)}" if found else "and no routes or waypoints")
    hint = "Only a recorded track shows where the coil has been: export the recording itself, with its points"
    if ending.broken:
        hint = "Copy or export it again from the recorder"
    return TrackError(problem, file=builder.file, where=ending.broken or None, hint=hint)


def _notes(builder: _Builder, ending: Ending) -> tuple[str, ...]:
    notes = [*ending.notes]
    if ending.broken:
        notes.append(f"{ending.broken[0].upper()}{ending.broken[1:]}. All before that was read")
    if ending.unread:
        notes.append(f"{ending.unread} behind that place were not read")
    complete = len(builder.lon) + len(builder.waypoints) + builder.left_out + builder.route_points
    if builder.points > complete:
        notes.append("The last point is unfinished and was left out")
    if builder.commas:
        notes.append(f"{_many(builder.commas, 'coordinate')} with a decimal comma, read as with a point")
    if builder.no_position:
        notes.append(f"{_many(builder.no_position, 'track point')} without a readable position")
    if builder.left_out:
        notes.append(f"{_many(builder.left_out, 'point')} of routes or waypoints without a readable position, left out")
    notes += builder.clock.notes()
    if builder.lon and builder.routes:
        notes.append(f"{_many(len(builder.routes), 'route')} beside the track: a plan, not a walk, and not counted")
    if builder.lon and builder.waypoints:
        notes.append(f"{_many(len(builder.waypoints), 'waypoint')} beside the track")
    return tuple(notes)
