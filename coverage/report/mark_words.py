"""Marks in words and as fields: what the table, the page and report.json say of them."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any

from fieldcomb.coverage.areas.from_marks import closed_name, opened_again
from fieldcomb.coverage.report.rounding import DEGREE_PLACES, as_fields, rounded
from fieldcomb.coverage.report.season_words import CLOSE_ADVICE, close_lines
from fieldcomb.coverage.report.words import format_lat_lon, format_moment
from fieldcomb.coverage.survey.results import OutingResult, Report
from fieldcomb.tracks.marks.vocabulary import NOTE, PRESS, Mark
from fieldcomb.tracks.units import format_count, format_length, iso_utc, local_date, parse_zone

MOST_MARKS_NAMED = 12

# Singular and plural of each kind, in the order in which they are listed.
_COUNTED = {
    "keep": ("kept", "kept"),
    "junk": ("junk", "junk"),
    "left": ("left", "left"),
    "count": ("count square", "count squares"),
    "lane": ("lane", "lanes"),
    "peg": ("peg", "pegs"),
    "coil": ("change of coil", "changes of coil"),
    "off": ("time off", "times off"),
    "blocked": ("blocked", "blocked"),
    "stop": ("to leave alone", "to leave alone"),
    "spacing": ("measured spacing", "measured spacings"),
    NOTE: ("note", "notes"),
    PRESS: ("press of the lap button", "presses of the lap button"),
}
TITLES = {
    "off": "Off: not searching from here",
    "on": "On: searching again",
    "coil": "Another coil from here",
    "lane": "Lane",
    "peg": "Peg",
    "keep": "Find that was kept",
    "junk": "Junk",
    "left": "Heard, not dug",
    "count": "Count square",
    "blocked": "Blocked",
    "stop": "Leave this ground alone",
    "spacing": "Spacing to the next lane",
    NOTE: "Note",
    PRESS: "Press of the lap button",
}


def mark_fields(mark: Mark) -> dict[str, Any]:
    """Return a mark as report.json has it; null for what is not known."""
    places = {"lon": rounded(mark.lon_deg, DEGREE_PLACES), "lat": rounded(mark.lat_deg, DEGREE_PLACES)}
    rest = as_fields(mark, {"size_m": 3}, without=("time_s", "lon_deg", "lat_deg"))
    return rest | places | {"time": _utc(mark.time_s), "why": mark.why or None}


def _utc(time_s: float | None) -> str | None:
    try:
        return None if time_s is None else iso_utc(time_s)
    except (ValueError, OverflowError, OSError):
        return None


def format_marks(marks: Sequence[Mark]) -> str:
    """Count marks by kind: ``4 kept, 11 junk, 1 count square (14)``; ``on`` belongs to its ``off``."""
    parts = []
    for kind, (one, several) in _COUNTED.items():
        of_kind = [mark for mark in marks if mark.kind == kind]
        if of_kind:
            numbers = ", ".join(str(mark.number) for mark in of_kind) if kind == "count" else ""
            words = one if len(of_kind) == 1 else several
            parts.append(f"{len(of_kind)} {words}" + (f" ({numbers})" if numbers else ""))
    return ", ".join(parts)


def format_mark(mark: Mark) -> str:
    """One mark in few words: ``coil small``, ``lane 12``, ``blocked tree, 3 m``."""
    if mark.kind in (NOTE, PRESS):
        return mark.name or "press of the lap button"
    words = [mark.kind, *([str(mark.number)] if mark.number is not None else []), *([mark.name] if mark.name else [])]
    return " ".join(words) + (f", {format_length(mark.size_m)}" if mark.size_m is not None else "")


def mark_rows(mark: Mark, outing: str, zone: str) -> list[tuple[str, str]]:
    """What the popup of a mark says, as pairs of words; the first pair is its title."""
    number = f" {mark.number}" if mark.number is not None and mark.kind in ("lane", "count") else ""
    size = "" if mark.size_m is None else format_length(mark.size_m)
    far = "All round" if mark.kind == "stop" else "Across"
    rows = [("Mark", TITLES[mark.kind] + number), ("As written", mark.text), (far, size), ("Note", mark.why)]
    rows += [("When", format_moment(mark.time_s, zone)), ("Outing", outing)]
    if mark.lon_deg is not None and mark.lat_deg is not None:
        rows.append(("Lat, lon", format_lat_lon((mark.lon_deg, mark.lat_deg))))
    return [(name, text) for name, text in rows if text]


def mark_lines(marks: Sequence[Mark], zone: str) -> list[str]:
    """One line a mark for the lists of the page: when, what, and why it was not taken as meant."""
    lines = []
    for mark in marks:
        why = f" ({mark.why})" if mark.why else ""
        lines.append(f"{clock(mark.time_s, zone)} {format_mark(mark)}{why}")
    return lines


def tell_marks(marks: Sequence[Mark], notes: Sequence[str], zone: str) -> Iterator[str]:
    """Tell what was understood of the marks of a recording, before it is kept: counts, changes, what is odd."""
    if marks:
        yield f"{format_count(len(marks), 'mark')}: {format_marks(marks)}"
    telling = [mark for mark in marks if mark.kind in ("off", "on", "coil", "blocked", "stop")]
    said = [f"{format_mark(mark)} at {clock(mark.time_s, zone)}" for mark in telling[:MOST_MARKS_NAMED]]
    if said:
        more = f", and {len(telling) - len(said)} more" if len(telling) > len(said) else ""
        yield f"marked ({zone}): {', '.join(said)}{more}"
    if any(mark.kind == PRESS for mark in marks):
        yield "say what presses of the lap button meant (laps), now or when you correct the outing"
    yield from notes


def clock(time_s: float | None, zone: str) -> str:
    """Time of day in the site's zone; a text that says so when there is none."""
    try:
        return "no time" if time_s is None else f"{datetime.fromtimestamp(time_s, parse_zone(zone)):%H:%M}"
    except (ValueError, OverflowError, OSError):
        return "no time"


def leave_alone(report: Report) -> Iterator[tuple[OutingResult, Mark, str]]:
    """Every mark that says to leave ground alone and was not opened again, with its outing and where it is."""
    for outing in report.outings:
        for mark in outing.marks:
            day = local_date(mark.time_s or outing.head.start_s, parse_zone(report.site.zone))
            again = opened_again(closed_name(mark, outing.head.id), day, report.reopened)
            if mark.kind == "stop" and again is None:
                lost = mark.lon_deg is None or mark.lat_deg is None
                yield outing, mark, "place not known" if lost else f"{mark.lat_deg:.7f}, {mark.lon_deg:.7f}"


def warning(report: Report) -> str:
    """The sentence for the top of a report, empty when nothing was marked."""
    said = [f"{format_mark(mark)} ({outing.head.id}; {place})" for outing, mark, place in leave_alone(report)]
    marked = [f"Ground to leave alone was marked: {'; '.join(said)}. {CLOSE_ADVICE}"] if said else []
    return ". ".join([*marked, *close_lines(report.season)])
