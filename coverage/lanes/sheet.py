"""The sheet of a plan, typed in: which lanes were walked, by whom, and what of it cannot be."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import datetime

from fieldcomb.coverage.lanes.lane_files import LANE_COLUMNS, PlannedEnds
from fieldcomb.tracks.errors import SiteError
from fieldcomb.tracks.files.tables import read_typed_table
from fieldcomb.tracks.frame import distance_m
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import format_count, format_length
from fieldcomb.tracks.values import dataclass

YES, NO, PART = "y", "n", "part"
# What people write into a box, in any case.
ANSWERS = {
    **dict.fromkeys(("y", "yes", "x", "1", "ok", "done", "\N{CHECK MARK}", "\N{HEAVY CHECK MARK}"), YES),
    **dict.fromkeys(("n", "no", "0", "-"), NO),
    **dict.fromkeys(("part", "partly", "half", "1/2", "~"), PART),
}
_EXAMPLE = "lane,done / 12,y"
_CLOCK = re.compile(r"(\d{1,2})[:.h](\d{2})(?: ?([ap])\.?m\.?)?\Z", re.ASCII | re.IGNORECASE)
OTHER_PLAN_M = 1.0  # ends of one lane in a sheet and in its plan lie no farther apart than this


@dataclass(frozen=True, slots=True)
class SheetLine:
    """What a sheet says of one lane; ``line`` is its row in the file. Blank texts were not filled in."""

    line: int
    lane: int
    state: str  # YES, NO or PART
    searcher: str
    coil: str
    start: str
    end: str
    note: str


@dataclass(frozen=True, slots=True)
class LaneTimes:
    """When a lane was begun and finished, on the clock of the site: ``10:02`` or ``2026-04-19T10:02``; empty: not told.

    row : of the sheet that says so; 0 where it was ticked.
    """

    start: str = ""
    end: str = ""
    row: int = 0


def read_sheet(
    raw: bytes, file: str, plan: Sequence[PlannedEnds], others: Sequence[str] = ()
) -> tuple[tuple[SheetLine, ...], tuple[str, ...]]:
    """Read a filled-in sheet: a table with the columns ``lane`` and ``done`` at least, in any order.

    raw : as a spreadsheet saves it: UTF-8, UTF-16 or Windows-1252; comma, semicolon or tab; a decimal comma.
    others : names of other plans of the site, one of which a sheet without places may belong to.

    Returns one line for each row in which ``done`` is filled in, and a sentence for each row that cannot be used or
    contradicts another. Of two rows for one lane, which two people may have walked, both are kept.

    Raises SiteError: not such a table, or the sheet of another plan.
    """
    table = read_typed_table(raw, file, LANE_COLUMNS, ("lane", "done"), _EXAMPLE)
    known = {one.lane: one for one in plan}
    notes = list[str](table.notes)
    lines: list[SheetLine] = []
    for line, values in table.rows:
        number = _lane(values.get("lane", ""))
        row = f"{file}, row {line}"
        if number is None or number not in known:
            if values.get("done", ""):
                what = f"lane {harmless(values.get('lane', ''))[:20]!r} is not in this plan, which has 1 to {len(plan)}"
                notes.append(f"{row}: {what}; the row is not used. Is it the sheet of another plan?")
            continue
        _check_place(values, known[number], file, line)
        said = values.get("done", "").casefold()
        if not said:
            continue
        if said not in ANSWERS:
            notes.append(f"{row}: done is {harmless(said)[:20]!r}; expected y, n or part, so lane {number} stays open")
            continue
        rest = [harmless(values.get(key, "")) for key in ("searcher", "coil", "start", "end", "note")]
        lines.append(SheetLine(line, number, ANSWERS[said], *rest))
        notes += _time_faults(lines[-1], row)
    notes += _contradictions(lines, file)
    if others and lines and not any(values.get("from_lat") for _, values in table.rows):
        named = f"it names {len({one.lane for one in lines})} of this plan's {format_count(len(plan), 'lane')}"
        notes.append(f"{file} has no places, so see that it is not the sheet of {' or '.join(others)}: {named}")
    return tuple(lines), tuple(notes)


def _lane(text: str) -> int | None:
    plain = text.casefold().removeprefix("lane").removeprefix("l").strip().removesuffix(".0")
    return int(plain) if plain.isascii() and plain.isdigit() and len(plain) < 7 else None


def _check_place(values: dict[str, str], planned: PlannedEnds, file: str, line: int) -> None:
    """Refuse a sheet whose lanes lie elsewhere than those of the plan."""
    try:
        lon, lat = (float(values[key].replace(",", ".")) for key in ("from_lon", "from_lat"))
    except (KeyError, ValueError):
        return  # a sheet may have no places; its numbers are what counts
    away_m = distance_m(lon, lat, *planned.start_deg) if abs(lat) <= 90 else float("inf")
    if away_m > OTHER_PLAN_M:
        problem = (
            f"is the sheet of another plan: its lane {planned.lane} begins {format_length(away_m)} from this plan's"
        )
        raise SiteError(problem, file=file, where=f"row {line}", hint="Name the plan that it belongs to")


def time_of(text: str) -> str | None:
    """Return a time of a sheet as ``10:02`` or ``2026-04-19T10:02``; empty for none, None for what is no time.

    >>> time_of("9.05"), time_of("2:30 pm"), time_of("2026-04-19 10:02:30"), time_of("25:00")
    ('09:05', '14:30', '2026-04-19T10:02', None)
    """
    plain = text.strip()
    if not plain:
        return ""
    if clock := _CLOCK.match(plain):
        hour, minute, half = int(clock[1]), int(clock[2]), (clock[3] or "").casefold()
        hour = hour % 12 + 12 * (half == "p") if half and 1 <= hour <= 12 else hour if not half else 24
        return f"{hour:02}:{minute:02}" if hour < 24 and minute < 60 else None
    try:
        moment = datetime.fromisoformat(plain)
    except ValueError:
        return None
    return moment.strftime("%Y-%m-%dT%H:%M") if len(plain) > len("2026-04-19") and moment.tzinfo is None else None


def _time_faults(one: SheetLine, row: str) -> Iterator[str]:
    """Say what is wrong with the times of a row; the lane counts all the same."""
    read = {"start": time_of(one.start), "end": time_of(one.end)}
    for column, text in (("start", one.start), ("end", one.end)):
        if read[column] is None:
            expected = "expected 10:02 or 2026-04-19T10:02, on the clock of the site"
            yield f"{row}, column {column}: {text[:20]!r} is no time; {expected}. Lane {one.lane} counts all the same"
    start, end = read["start"], read["end"]
    if start and end and len(start) == len(end) and end < start:
        yield f"{row}: lane {one.lane} ends at {end} and starts at {start}, later; it counts all the same"


def _contradictions(lines: Sequence[SheetLine], file: str) -> Iterator[str]:
    """Say where two rows speak of one lane: differently, or as walked by two people."""
    first: dict[int, SheetLine] = {}
    for one in lines:
        other = first.setdefault(one.lane, one)
        here = f"{file}, row {one.line}: lane {one.lane} is"
        if other is not one and other.state != one.state:
            yield f"{here} {one.state} here and {other.state} in row {other.line}; the fuller answer counts"
        elif other is not one:
            who = [f" by {name}" if name else "" for name in (one.searcher, other.searcher)]
            yield f"{here} {one.state}{who[0]} here and{who[1]} in row {other.line}; it counts once"


def times_of(lines: Sequence[SheetLine]) -> dict[int, LaneTimes]:
    """Return the times of each lane that a sheet gives any of; of several rows the first that does."""
    times: dict[int, LaneTimes] = {}
    for one in lines:
        found = LaneTimes(time_of(one.start) or "", time_of(one.end) or "", one.line)
        if found.start or found.end:
            times.setdefault(one.lane, found)
    return times


def state_of(lines: Sequence[SheetLine]) -> dict[int, str]:
    """Return the state of each lane that a sheet speaks of; of several, that in which more was walked."""
    order = (NO, PART, YES)
    states: dict[int, str] = {}
    for one in lines:
        before = states.get(one.lane, NO)
        states[one.lane] = max(before, one.state, key=order.index)
    return states
