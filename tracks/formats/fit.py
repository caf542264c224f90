"""FIT, as watches keep their activities: records as fixes, laps, and the timer's stops.

Nothing is cleaned here. A record without a position or time is kept with NaN in its place, so that later steps can
count it.

Source of the format: FIT protocol, revision 1.8, and the numbers of its global profile.
"""

import math
from collections.abc import Mapping

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files.collector import ALSO_HOLDS, Gather, lap_notes
from fieldcomb.tracks.formats.fit_messages import TIMESTAMP, read_messages, split
from fieldcomb.tracks.recording import Lap, Recording
from fieldcomb.tracks.units import format_count

FIT_EPOCH_S = 631_065_600
"""Unix seconds of 1989-12-31T00:00:00Z, from which FIT counts its own."""
DEGREES_PER_SEMICIRCLE = 180.0 / 2**31
# Below this a time counts from when the recorder was switched on, not from a date (FIT profile, type date_time).
_FIRST_DATE_S = 0x10000000

_FILE_ID, _LAP, _RECORD, _EVENT = 0, 19, 20, 21
_TYPE = 0
_LAT, _LON = 0, 1
_LAP_START, _LAP_ELAPSED_MS, _LAP_TRIGGER = 2, 7, 24
_EVENT_KIND, _EVENT_TYPE = 0, 1
_WANTED = {
    _FILE_ID: frozenset({_TYPE}),
    _RECORD: frozenset({_LAT, _LON}),
    _LAP: frozenset({_LAP_START, _LAP_ELAPSED_MS, _LAP_TRIGGER}),
    _EVENT: frozenset({_EVENT_KIND, _EVENT_TYPE}),
}
_BY_HAND = 0
_TIMER = 0
_TIMER_TURNS = frozenset({0, 1, 4, 8, 9})  # start, and all kinds of stop
_COURSE = 6
_KINDS = {
    1: "the settings of a device",
    2: "settings",
    3: "settings of a sport",
    4: "an activity",
    5: "a planned workout",
    _COURSE: "a planned course",
    7: "a schedule",
    9: "weights",
    10: "totals",
    11: "goals",
    14: "blood pressure",
    15: "daily monitoring",
    20: "a summary",
    28: "daily monitoring",
    32: "daily monitoring",
    34: "a planned segment",
    35: "a list of segments",
}


class _Builder:
    """Takes the decoded messages of all parts and grows them into a recording."""

    def __init__(self, file: str) -> None:
        self.fixes = Gather(file)
        self.laps: list[Lap] = []
        self.kinds: dict[str, None] = {}
        self.planned = self.undated = 0
        self.kind: int | None = None

    def new_part(self) -> None:
        """Begin another of several files in one."""
        self.kind = None
        self.fixes.new_run()

    def take(self, number: int, values: Mapping[int, int]) -> None:
        """Take one message: its global number, and the raw values of its fields by their numbers."""
        if number == _RECORD:
            self._record(values)
        elif number == _FILE_ID:
            self._file_id(values.get(_TYPE))
        elif number == _EVENT:
            if values.get(_EVENT_KIND) == _TIMER and values.get(_EVENT_TYPE) in _TIMER_TURNS:
                self.fixes.new_run()
        elif number == _LAP and self.kind != _COURSE:
            self._lap(values)

    def _file_id(self, kind: int | None) -> None:
        self.kind = kind
        if kind is not None:
            self.kinds[_KINDS.get(kind, "another kind")] = None

    def _record(self, values: Mapping[int, int]) -> None:
        self.fixes.count()
        if self.kind == _COURSE:
            self.planned += 1
            return
        lon, lat, time = values.get(_LON), values.get(_LAT), values.get(TIMESTAMP)
        self.undated += time is not None and time < _FIRST_DATE_S
        self.fixes.add(_degrees(lon), _degrees(lat), _unix_s(time))

    def _lap(self, values: Mapping[int, int]) -> None:
        self.fixes.count()
        start_s, end_s = _unix_s(values.get(_LAP_START)), _unix_s(values.get(TIMESTAMP))
        elapsed_ms, trigger = values.get(_LAP_ELAPSED_MS), values.get(_LAP_TRIGGER)
        if end_s != end_s and elapsed_ms is not None:
            end_s = start_s + elapsed_ms / 1000.0
        self.laps.append(Lap(start_s, end_s, trigger == _BY_HAND if trigger is not None else None))


def _degrees(value: int | None) -> float:
    return value * DEGREES_PER_SEMICIRCLE if value is not None else math.nan


def _unix_s(value: int | None) -> float:
    return float(value + FIT_EPOCH_S) if value is not None else math.nan


def read_fit(data: bytes, file: str) -> Recording:
    """Read a FIT file as it stands; several in one are read one after another.

    Every ``record`` message becomes a fix, in file order; positions are not range-checked. Segment numbers rise with
    each stop and start of the timer. A file that breaks off or is damaged keeps what could be read. Laps are as the
    recorder kept them: ended by hand when their trigger is ``manual``, not by hand for any other trigger.

    Raises TrackError: a plan and not a walk, without records, or with far too many of them.
    """
    builder = _Builder(file)
    parts, behind = split(data, file)
    notes = [f"{len(parts)} FIT files one after another in this one, read as one recording"] if len(parts) > 1 else []
    for part in parts:
        builder.new_part()
        notes += [*part.notes, *read_messages(data, part, file, _WANTED, builder.take)]
    notes += behind
    if not len(builder.fixes):
        raise _no_track(builder, notes)
    notes += builder.fixes.place_notes() + _notes(builder) + lap_notes(builder.laps)
    return Recording(file, builder.fixes.track(), laps=tuple(builder.laps), notes=tuple(dict.fromkeys(notes)))


def _no_track(builder: _Builder, notes: list[str]) -> TrackError:
    file = builder.fixes.file
    if builder.planned:
        problem = f"is a planned course with {format_count(builder.planned, 'point')}: a plan, not a walk"
        return TrackError(problem, file=file, hint="Export the recorded activity itself")
    kinds = " and ".join(builder.kinds)
    problem = "holds no track points" + (f": it is a FIT file of {kinds}" if kinds else "")
    if notes:
        return TrackError(problem, file=file, where=notes[0], hint="Copy or export it again from the recorder")
    return TrackError(problem, file=file, hint="Only a recorded activity shows where the coil has been: export that")


def _notes(builder: _Builder) -> list[str]:
    notes = []
    if builder.undated:
        count = format_count(builder.undated, "time")
        notes.append(f"{count} counted from when the recorder was switched on, not from a date: the day is wrong")
    if builder.planned:
        notes.append(
            f"{ALSO_HOLDS} a planned course with {format_count(builder.planned, 'point')}: a plan, not counted"
        )
    return notes
