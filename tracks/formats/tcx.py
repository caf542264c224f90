"""Training Center XML (TCX): every recorded trackpoint as it is, with laps, courses and their marks.

Nothing is cleaned here. A trackpoint without a readable position or time is kept with NaN in its place, so that later
steps can count it. Elements are known by name and parent, whatever their namespace, with or without a prefix.

Source of the format: the Training Center Database schema, version 2.
"""

import math
import re
from dataclasses import replace
from functools import cache

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files.collector import Asides, Gather
from fieldcomb.tracks.files.plain_points import (
    BLANK,
    DEGREES,
    MOMENT,
    Finder,
    PlainForm,
    PlainRun,
    by_pattern,
    leaf,
    passed_over,
    read_points,
)
from fieldcomb.tracks.files.sidelines import reading_notes
from fieldcomb.tracks.files.xml import Actions, Ending, Place
from fieldcomb.tracks.recording import Lap, Recording
from fieldcomb.tracks.units import format_count

ROOT = "TrainingCenterDatabase"

_ACTIVITIES: tuple[Place, ...] = tuple((around, "Activity") for around in ("Activities", "FirstSport", "NextSport"))
# Between two sports the schema has a lap by itself.
_LAPS: tuple[Place, ...] = (("Activity", "Lap"), ("NextSport", "Transition"))
_LAP_TAGS = ("Lap", "Transition")
_POINTS: tuple[Place, ...] = (("Track", "Trackpoint"), ("Course", "CoursePoint"))
_BY_HAND = "manual"


@cache
def _plain_points() -> Finder:
    latitude, longitude = (
        f"<{name}itudeDegrees>(?P<{name[:3].lower()}>{DEGREES})</{name}itudeDegrees>{BLANK}" for name in ("Lat", "Long")
    )
    where = f"<Position>{BLANK}{latitude}{longitude}</Position>{BLANK}"
    heart = rf'<HeartRateBpm(?: xsi:type="\w++")?+>{BLANK}<Value>[0-9.]*+</Value>{BLANK}</HeartRateBpm>{BLANK}'
    # Any other child of a trackpoint has no meaning.
    others = rf"(?:{heart}|{leaf(1, '(?!Time>|Extensions>)[A-Za-z_]+')})*(?:{passed_over('Extensions', 2)})?"
    point = rf"<Trackpoint>{BLANK}<Time>{MOMENT}</Time>{BLANK}{where}{others}</Trackpoint>{BLANK}"
    return by_pattern(re.compile(point.encode()))


_PLAIN = PlainForm(_POINTS[:1], lambda _: _plain_points())


class _OpenLap:
    """A lap of which the end was not met yet."""

    def __init__(self, start_s: float) -> None:
        self.start_s = start_s
        self.total_s = self.last_fix_s = math.nan
        self.trigger = self.notes = ""
        self.tracks = 0

    def end_s(self) -> float:
        """Its end by its own account: the total may leave pauses out, and then the last fix is later."""
        return _later(self.start_s + self.total_s, self.last_fix_s)

    def closed(self) -> Lap:
        """Return it as it stands."""
        by_hand = self.trigger.casefold() == _BY_HAND if self.trigger else None
        return Lap(self.start_s, self.end_s(), by_hand, self.notes)


def _later(one_s: float, other_s: float) -> float:
    return max((s for s in (one_s, other_s) if s == s), default=math.nan)


class _Builder:
    """Takes what the XML reader meets and grows it into a recording."""

    def __init__(self, file: str) -> None:
        self.fixes = Gather(file)
        self.laps: list[Lap] = []
        self.asides = Asides(file)
        self.names: list[str] = []
        self._lap: _OpenLap | None = None
        self._activity_laps = 0
        self._lon = self._lat = self._time = math.nan

    def actions(self) -> Actions:
        """Return what to do in which element."""
        in_laps = {"TotalTimeSeconds": self._lap_total, "TriggerMethod": self._lap_trigger, "Notes": self._lap_notes}
        return Actions(
            opens={
                **dict.fromkeys(_POINTS, self._point),
                **dict.fromkeys(_ACTIVITIES, self._start_activity),
                **dict.fromkeys(_LAPS, self._start_lap),
                **{(tag, "Track"): self._start_track for tag in _LAP_TAGS},
                ("Courses", "Course"): self.asides.begin_plan,
            },
            texts={
                ("Trackpoint", "Time"): self._read_time,
                ("CoursePoint", "Time"): self._read_mark_time,
                ("Position", "LatitudeDegrees"): self._read_lat,
                ("Position", "LongitudeDegrees"): self._read_lon,
                **{(tag, what): read for tag in _LAP_TAGS for what, read in in_laps.items()},
                ("Activity", "Notes"): self._name,
                ("Course", "Name"): self.asides.name_plan,
                ("CoursePoint", "Name"): self.asides.keep_as("name"),
                ("CoursePoint", "Notes"): self.asides.keep_as("note"),
            },
            closes={
                ("Track", "Trackpoint"): self._end_trackpoint,
                ("Course", "CoursePoint"): self._end_course_point,
                **dict.fromkeys(_LAPS, self._end_lap),
                **dict.fromkeys(_ACTIVITIES, self._end_activity),
                ("Courses", "Course"): self.asides.end_plan,
            },
            skips=frozenset({"Extensions"}),
        )

    # -- any point

    def _point(self, _: dict[str, str]) -> None:
        self._lon = self._lat = self._time = math.nan
        self.fixes.count()

    def _read_lat(self, text: str) -> None:
        self._lat = self.fixes.degrees(text)

    def _read_lon(self, text: str) -> None:
        self._lon = self.fixes.degrees(text)

    def _read_time(self, text: str) -> None:
        if not self.asides.in_plan:
            self._read_mark_time(text)

    def _read_mark_time(self, text: str) -> None:
        if text and not text.isspace():
            self._time = self.fixes.clock.seconds(text)

    # -- activities and laps

    def _start_activity(self, _: dict[str, str]) -> None:
        self._activity_laps = len(self.laps)
        self.fixes.new_run()

    def _name(self, text: str) -> None:
        if text.strip():
            self.names.append(text.strip())

    def _start_lap(self, attributes: dict[str, str]) -> None:
        start = attributes.get("StartTime", "")
        self._lap = _OpenLap(self.fixes.clock.seconds(start) if start.strip() else math.nan)
        if len(self.laps) > self._activity_laps:
            self.laps[-1] = _cut(self.laps[-1], self._lap.start_s)

    def _lap_total(self, text: str) -> None:
        if self._lap is not None:
            self._lap.total_s = _seconds(text)

    def _lap_trigger(self, text: str) -> None:
        if self._lap is not None:
            self._lap.trigger = text.strip()

    def _lap_notes(self, text: str) -> None:
        if self._lap is not None:
            self._lap.notes = text.strip()

    def _start_track(self, _: dict[str, str]) -> None:
        # A lap is no pause, so its first track runs on; recorders begin another one in the same lap after a pause.
        if self._lap is not None:
            if self._lap.tracks:
                self.fixes.new_run()
            self._lap.tracks += 1

    def _end_trackpoint(self) -> None:
        if self.asides.in_plan:
            self.asides.add_planned(self._lon, self._lat)
            return
        self.fixes.add(self._lon, self._lat, self._time)
        if self._lap is not None:
            self._lap.last_fix_s = _later(self._lap.last_fix_s, self._time)

    def take_run(self, run: PlainRun) -> None:
        """Take a run of plain trackpoints, as if they had been met one by one."""
        self._lon, self._lat, self._time = (float(v[-1]) for v in (run.lon_deg, run.lat_deg, run.time_s))
        if self.asides.in_plan:
            self._time = math.nan
            self.fixes.count(len(run.time_s))
            for lon_deg, lat_deg in zip(run.lon_deg.tolist(), run.lat_deg.tolist(), strict=True):
                self.asides.add_planned(lon_deg, lat_deg)
            return
        self.fixes.add_run(run)
        if self._lap is not None:
            self._lap.last_fix_s = _later(self._lap.last_fix_s, float(run.time_s.max()))

    def _end_lap(self) -> None:
        if self._lap is not None:
            self.laps.append(self._lap.closed())
        self._lap = None

    def _end_activity(self) -> None:
        if len(self.laps) > self._activity_laps:
            self.laps[-1] = replace(self.laps[-1], by_hand=False)
        self._activity_laps = len(self.laps)

    # -- courses

    def _end_course_point(self) -> None:
        self.asides.add_mark(self._lon, self._lat, self._time, "note")

    def break_off(self) -> None:
        """Close what a broken file leaves open; what cut the recording off also ended its lap, and no hand did."""
        if self._lap is not None:
            self.laps.append(replace(self._lap.closed(), by_hand=False))
        self.asides.end_plan()


def _cut(lap: Lap, next_start_s: float) -> Lap:
    """Let a lap end when the next one begins, if it has no end or a later one, unless the clock ran backwards."""
    if next_start_s < lap.start_s or lap.end_s <= next_start_s or next_start_s != next_start_s:
        return lap
    return replace(lap, end_s=next_start_s)


def _seconds(text: str) -> float:
    try:
        seconds = float(text.replace(",", "."))
    except ValueError:
        return math.nan
    return seconds if 0.0 <= seconds < math.inf else math.nan


def read_tcx(data: bytes, file: str) -> Recording:
    """Read a TCX file as it stands.

    Every ``Trackpoint`` of an activity that the file completes becomes a fix, in file order; positions are not
    range-checked. A run ends with its activity, and with a ``Track`` that follows another in the same lap; tracks of
    laps that follow one another run on. The last lap of an activity was ended by the end of the recording, whatever
    its ``TriggerMethod``. A file that breaks off keeps what came before.

    Raises TrackError: not TCX, refused by the limits of the XML reader, or without a trackpoint of an activity.
    """
    builder, ending = read_points(data, file, ROOT, lambda: _Builder(file), _PLAIN)
    builder.break_off()
    if not len(builder.fixes):
        raise _no_track(builder, ending)
    return Recording(
        file,
        builder.fixes.track(),
        tuple(builder.asides.marks),
        tuple(builder.asides.routes),
        tuple(builder.names),
        tuple(builder.laps),
        tuple(reading_notes(builder.fixes, builder.asides, ending, "course", "courses", builder.laps)),
    )


def _no_track(builder: _Builder, ending: Ending) -> TrackError:
    asides = builder.asides
    problem = "holds no trackpoints of an activity"
    if asides.routes:
        points = format_count(asides.points, "point")
        problem += f", only {format_count(len(asides.routes), 'course')} with {points}: a plan, not a walk"
    hint = "Only a recorded activity shows where the coil has been: export that, with its points"
    if ending.broken:
        hint = "Copy or export it again from the recorder"
    return TrackError(problem, file=builder.fixes.file, where=ending.broken or None, hint=hint)
