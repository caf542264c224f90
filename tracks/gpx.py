"""GPX 1.0 and 1.1: every recorded point as it stands, with routes and waypoints beside it.

Nothing is cleaned here. A point without a readable position or time is kept with NaN in its place, so that later
steps can count it. Elements are known by name and parent, whatever their namespace, with or without a prefix.

Source of the format: the GPX 1.1 schema.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable
from dataclasses import replace

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.gather import Gather, floats
from fieldcomb.tracks.track import Recording, Route, Waypoint
from fieldcomb.tracks.units import many
from fieldcomb.tracks.xml import Actions, Ending, Place, break_notes, mend_ampersands, read_xml

_POINTS: tuple[Place, ...] = (("trkseg", "trkpt"), ("trk", "trkpt"), ("rte", "rtept"), ("gpx", "wpt"))


class _Builder:
    """Takes what the XML reader meets and grows it into a recording."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.fixes = Gather(file)
        self.route_points = self.left_out = 0
        self.names: list[str] = []
        self.routes: list[Route] = []
        self.waypoints: list[Waypoint] = []
        self.in_route = False
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
        self._lat = self.fixes.degrees(attributes.get("lat", ""))
        self._lon = self.fixes.degrees(attributes.get("lon", ""))
        self._time = math.nan
        self.fixes.count()

    def _read_time(self, text: str) -> None:
        # The first one counts: GPX 1.0 lets others put elements of their own, of any name, behind it.
        if self._time != self._time and text and not text.isspace():
            self._time = self.fixes.clock.seconds(text)

    # -- tracks

    def _start_track(self, _: dict[str, str]) -> None:
        self._named = False
        self.fixes.new_run()

    def _start_run(self, _: dict[str, str]) -> None:
        self.fixes.new_run()

    def _track_name(self, text: str) -> None:
        if text.strip() and not self._named:
            self.names.append(text.strip())
            self._named = True

    def _end_fix(self) -> None:
        self.fixes.add(self._lon, self._lat, self._time)

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
        self.routes.append(Route(self._words.get("name", ""), floats(self._route_lon), floats(self._route_lat)))
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
    mended, note = mend_ampersands(data) if ending.unread else (data, "")
    if note:
        builder = _Builder(file)
        ending = read_xml(mended, file, "gpx", builder.actions(), counted="trkpt")
        ending = replace(ending, notes=(*ending.notes, note))
    if builder.in_route:
        builder.end_route()
    if need_track and not len(builder.fixes):
        raise _no_track(builder, ending)
    track, notes = builder.fixes.track(), _notes(builder, ending)
    return Recording(file, track, tuple(builder.waypoints), tuple(builder.routes), tuple(builder.names), notes=notes)


def _no_track(builder: _Builder, ending: Ending) -> TrackError:
    found = []
    if builder.routes:
        found.append(f"{many(len(builder.routes), 'route')} with {many(builder.route_points, 'point')}")
    if builder.waypoints:
        found.append(many(len(builder.waypoints), "waypoint"))
    problem = "holds no track points, " + (f"only {' and '.join(found)}" if found else "and no routes or waypoints")
    hint = "Only a recorded track shows where the coil has been: export the recording itself, with its points"
    if ending.broken:
        hint = "Copy or export it again from the recorder"
    return TrackError(problem, file=builder.file, where=ending.broken or None, hint=hint)


def _notes(builder: _Builder, ending: Ending) -> tuple[str, ...]:
    notes = [*ending.notes, *break_notes(ending)]
    fixes = builder.fixes
    if fixes.points > len(fixes) + len(builder.waypoints) + builder.left_out + builder.route_points:
        notes.append("The last point is unfinished and was left out")
    notes += fixes.comma_notes() + fixes.place_notes()
    if builder.left_out:
        notes.append(f"{many(builder.left_out, 'point')} of routes or waypoints without a readable position, left out")
    notes += fixes.clock.notes()
    if len(fixes) and builder.routes:
        notes.append(f"{many(len(builder.routes), 'route')} beside the track: a plan, not a walk, and not counted")
    if len(fixes) and builder.waypoints:
        notes.append(f"{many(len(builder.waypoints), 'waypoint')} beside the track")
    return tuple(notes)
