"""GPX 1.0 and 1.1: every recorded point as it stands, with routes and waypoints besides.

Nothing is cleaned here. A point without a readable position or time is kept with NaN in its place, so that later
steps can count it. Elements are known by name and parent, whatever their namespace, with or without a prefix.

Source of the format: the GPX 1.1 schema.
"""

import math
import re
from collections.abc import Callable
from functools import cache, partial

import numpy as np

from fieldcomb.tracks.compiled.track_kernels import track_kernels
from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files.collector import Asides, Gather
from fieldcomb.tracks.files.plain_points import (
    BLANK,
    DEGREES,
    MOMENT,
    SECOND,
    Finder,
    FoundPoints,
    PlainForm,
    PlainRun,
    by_pattern,
    leaf,
    passed_over,
    read_points,
)
from fieldcomb.tracks.files.sidelines import reading_notes
from fieldcomb.tracks.files.xml import Actions, Ending, Place
from fieldcomb.tracks.recording import Recording
from fieldcomb.tracks.units import format_count

_POINTS: tuple[Place, ...] = (("trkseg", "trkpt"), ("trk", "trkpt"), ("rte", "rtept"), ("gpx", "wpt"))
_NOTES = ("desc", "cmt")
_POINT_BYTES = len('<trkpt lat="0" lon="0"><time>2026-03-07T09:12:00Z</time></trkpt>')  # of the shortest


def _finder(head: bytes) -> Finder:
    lon_first = 0 <= head.find(b" lon=") < head.find(b" lat=")
    return partial(_found_in_c, lon_first) if track_kernels is not None else _plain_points(lon_first)


@cache
def _plain_points(lon_first: bool) -> Finder:
    place = [rf'[ \t\r\n]++{name}="(?P<{name}>{DEGREES})"' for name in ("lat", "lon")]
    attributes = "".join(reversed(place) if lon_first else place)
    # Any other child of a track point has no meaning; a second time has none either, but only if the first is good.
    no_time = r"(?!time>)[A-Za-z_]\w*+"
    others = [rf"(?:{leaf(number, no_time)})*" for number in (1, 2)]
    time = rf"<time>{MOMENT}</time>{BLANK}"
    inside = f"{others[0]}{time}{others[1]}(?:{passed_over('extensions', 3)})?"
    return by_pattern(re.compile(rf"<trkpt{attributes}{BLANK}>{BLANK}{inside}</trkpt>{BLANK}".encode()))


def _found_in_c(lon_first: bool, piece: bytes) -> FoundPoints | None:
    """Find what ``_plain_points`` finds: a file of three hours is read in 2.3 ms, with the pattern in 12."""
    most = len(piece) // _POINT_BYTES + 1
    lon_deg, lat_deg, fraction_s = np.empty((3, most))
    moments, spans = np.empty((most, SECOND), np.uint8), np.empty((most, 4), np.int64)
    count = track_kernels.gpx_points(piece, lon_first, lon_deg, lat_deg, moments, fraction_s, spans)
    if count < 0:
        return None
    firsts, ends = np.append(0, spans[:count, 1]), np.append(spans[:count, 0], len(piece))
    between = [(before, piece[firsts[before] : ends[before]]) for before in np.flatnonzero(ends > firsts).tolist()]
    lasts = [before - 1 for before, _ in between] + [count - 1]
    last_times = [piece[spans[last, 2] : spans[last, 3]] if last >= 0 else b"" for last in lasts]
    degrees = lon_deg[:count], lat_deg[:count]
    return FoundPoints(*degrees, fraction_s[:count], moments[:count], between, last_times)


_PLAIN = PlainForm(_POINTS[:2], _finder)


class _Builder:
    """Takes what the XML reader meets and grows it into a recording."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.fixes = Gather(file)
        self.asides = Asides(file)
        self.names: list[str] = []
        self._named = False
        self._lon = self._lat = self._time = math.nan

    def actions(self) -> Actions:
        """Return what to do in which element."""
        times: dict[Place, Callable[[str], None]] = {
            (tag, "time"): self._read_time for _, tag in _POINTS if tag != "rtept"
        }
        words = {("wpt", key): self.asides.keep_as(key) for key in ("name", *_NOTES)}
        return Actions(
            opens={
                **dict.fromkeys(_POINTS, self._point),
                ("gpx", "trk"): self._start_track,
                ("trk", "trkseg"): self._start_run,
                ("gpx", "trkseg"): self._start_run,
                ("gpx", "rte"): self.asides.begin_plan,
            },
            texts={**times, **words, ("rte", "name"): self.asides.name_plan, ("trk", "name"): self._track_name},
            closes={
                ("trkseg", "trkpt"): self._end_fix,
                ("trk", "trkpt"): self._end_fix,
                ("rte", "rtept"): self._end_route_point,
                ("gpx", "wpt"): self._end_waypoint,
                ("gpx", "rte"): self.asides.end_plan,
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
        # The first one counts: GPX 1.0 lets others put elements of their own, of any name, after it.
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

    def take_run(self, run: PlainRun) -> None:
        """Take a run of plain fixes, as if its points had been met one by one."""
        self.fixes.add_run(run)
        self._lon, self._lat, self._time = (float(v[-1]) for v in (run.lon_deg, run.lat_deg, run.time_s))

    # -- routes and waypoints

    def _end_route_point(self) -> None:
        self.asides.add_planned(self._lon, self._lat)

    def _end_waypoint(self) -> None:
        self.asides.add_mark(self._lon, self._lat, self._time, *_NOTES)


def read_gpx(data: bytes, file: str, *, need_track: bool = True) -> Recording:
    """Read a GPX file as it stands.

    Every ``trkpt`` that the file completes becomes a fix, in file order; positions are not range-checked. Segment
    numbers rise through the whole file, over all of its tracks. A file that breaks off keeps what came before.

    need_track : whether a file without a single track point is an error; boundaries may be routes, and pegs waypoints.

    Raises TrackError: not GPX, refused by the limits of the XML reader, or without track points when they are needed.
    """
    builder, ending = read_points(data, file, "gpx", lambda: _Builder(file), _PLAIN)
    builder.asides.end_plan()
    if need_track and not len(builder.fixes):
        raise _no_track(builder, ending)
    track, marks, routes = builder.fixes.track(), tuple(builder.asides.marks), tuple(builder.asides.routes)
    notes = reading_notes(builder.fixes, builder.asides, ending, "route", "routes or waypoints", ())
    return Recording(file, track, marks, routes, tuple(builder.names), notes=tuple(notes))


def _no_track(builder: _Builder, ending: Ending) -> TrackError:
    found, asides = [], builder.asides
    if asides.routes:
        found.append(f"{format_count(len(asides.routes), 'route')} with {format_count(asides.points, 'point')}")
    if asides.marks:
        found.append(format_count(len(asides.marks), "waypoint"))
    problem = "holds no track points, " + (f"only {' and '.join(found)}" if found else "and no routes or waypoints")
    hint = "Only a recorded track shows where the coil has been: export the recording itself, with its points"
    if ending.broken:
        hint = "Copy or export it again from the recorder"
    return TrackError(problem, file=builder.file, where=ending.broken or None, hint=hint)
