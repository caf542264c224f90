"""Ground that marks describe: what cannot be searched, and what to leave alone."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date

import numpy as np
from shapely.geometry import Point

from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.outings.inputs import OutingInput
from fieldcomb.tracks.errors import FieldcombError
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.marks.vocabulary import PRESS, Mark, fold
from fieldcomb.tracks.units import format_count, local_date, parse_zone
from fieldcomb.tracks.values import dataclass

STOP_RADIUS_M = 5.0  # chosen for this project: a watch is that far off, and what to leave alone deserves room
FARTHEST_MARK_M = 10_000.0  # from the frame's origin; farther away a mark is another place's
UNDATED = "without a date"
QUARTER = 16  # corners of a quarter circle: its area is right to 0.2 %


@dataclass(frozen=True, slots=True)
class Marked:
    """The marks of one outing, with its id and its begin (Unix seconds; None without a clock)."""

    id: str
    start_s: float | None
    marks: tuple[Mark, ...]


def marks_of_others(
    outings: Sequence[OutingInput], marks_of: Callable[[OutingInput], tuple[Mark, ...]]
) -> tuple[tuple[Marked, ...], tuple[str, ...]]:
    """Return the marks of outings that are not in a report, and a note for each that cannot be read."""
    marked, notes = [], []
    for outing in outings:
        try:
            marked.append(Marked(outing.id, None, marks_of(outing)))
        except FieldcombError as error:
            notes.append(f"Outing {outing.id} is not counted, and its marks could not be read: {error.fault}")
    return tuple(marked), tuple(notes)


def closed_name(mark: Mark, outing: str) -> str:
    """Return the name of ground that a mark ``stop`` closed: what was written after the word, or else the outing."""
    return mark.name or outing


def opened_again(name: str, day: date | None, reopened: Mapping[str, date]) -> date | None:
    """Return the day on which closed ground was opened again; None where it was not since it was closed.

    day : of the mark. reopened : days by name, in any letter case.
    """
    found = {fold(key): when for key, when in reopened.items()}.get(fold(name))
    return None if found is None or (day is not None and day > found) else found


def marked_areas(
    outings: Sequence[Marked], frame: SiteFrame, zone: str, reopened: Mapping[str, date] | None = None
) -> tuple[AreaShape, ...]:
    """Return blocked ground with a size, and a disc to leave alone round each ``stop``, in site metres.

    Such ground holds from the day of its mark on. reopened : by name, the day on which closed ground was opened again.
    """
    found = []
    for outing in outings:
        for mark in outing.marks:
            place_m = place_of(mark, frame)
            if place_m is None or (mark.kind != "stop" and (mark.kind != "blocked" or mark.size_m is None)):
                continue
            kind = "no-go" if mark.kind == "stop" else "blocked"
            size_m = mark.size_m or 0.0
            radius_m = max(STOP_RADIUS_M, size_m) if kind == "no-go" else size_m / 2
            said = mark.name if mark.kind == "blocked" else f"stop {mark.name}".strip()
            day = _day(mark, outing, zone)
            reason = f"{said or mark.kind}, marked {day or UNDATED}"
            disc = Point(place_m).buffer(radius_m, quad_segs=QUARTER)
            area = AreaShape(kind, reason, disc, since=day, marked_in=outing.id)
            again = opened_again(closed_name(mark, outing.id), day, reopened or {}) if kind == "no-go" else None
            found.append(area if again is None else replace(area, until=again, reopened=True))
    return tuple(found)


def place_of(mark: Mark, frame: SiteFrame) -> tuple[float, float] | None:
    """Where a mark lies in site metres; None when it is not known, or far away from the site."""
    if mark.lon_deg is None or mark.lat_deg is None:
        return None
    x, y = frame.to_metres([mark.lon_deg], [mark.lat_deg])
    near = np.isfinite(x[0]) and np.isfinite(y[0]) and np.hypot(x[0], y[0]) <= FARTHEST_MARK_M
    return (float(x[0]), float(y[0])) if near else None


def _day(mark: Mark, outing: Marked, zone: str) -> date | None:
    time_s = mark.time_s if mark.time_s is not None else outing.start_s
    return local_date(time_s, parse_zone(zone))


def marked_notes(walked: Sequence[Marked]) -> tuple[str, ...]:
    """Sentences for the whole report on what the marks leave open."""
    pressed = sum(mark.kind == PRESS for outing in walked for mark in outing.marks)
    if not pressed:
        return ()
    presses = format_count(pressed, "press")
    return (
        f"{presses} of the lap button without words: say what they meant with laps: off, lanes, finds or coil:NAME",
    )
