"""The sheet of a plan, typed in: which lanes were walked, by whom, and what of it cannot be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fieldcomb.coverage.lanes.lane_files import LANE_COLUMNS
from fieldcomb.tracks.errors import SiteError
from fieldcomb.tracks.files.tables import read_typed_table
from fieldcomb.tracks.frame import distance_m
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import format_length

YES, NO, PART = "y", "n", "part"
# What people write into a box, in any case.
ANSWERS = {
    **dict.fromkeys(("y", "yes", "x", "1", "ok", "done", "\N{CHECK MARK}", "\N{HEAVY CHECK MARK}"), YES),
    **dict.fromkeys(("n", "no", "0", "-"), NO),
    **dict.fromkeys(("part", "partly", "half", "1/2", "~"), PART),
}
_EXAMPLE = "lane,done / 12,y"
OTHER_PLAN_M = 1.0  # ends of one lane in a sheet and in its plan lie no farther apart than this


@dataclass(frozen=True, slots=True)
class SheetLine:
    """What a sheet says of one lane; ``line`` is its line in the file. Blank texts were not filled in."""

    line: int
    lane: int
    state: str  # YES, NO or PART
    searcher: str
    coil: str
    start: str
    end: str
    note: str


@dataclass(frozen=True, slots=True)
class PlannedEnds:
    """Where a lane of the plan lies, for comparing: longitude and latitude of its start and its end."""

    lane: int
    start_deg: tuple[float, float]
    end_deg: tuple[float, float]


def read_sheet(raw: bytes, file: str, plan: Sequence[PlannedEnds]) -> tuple[tuple[SheetLine, ...], tuple[str, ...]]:
    """Read a filled-in sheet: a table with the columns ``lane`` and ``done`` at least, in any order.

    raw : as a spreadsheet saves it: UTF-8, UTF-16 or Windows-1252; comma, semicolon or tab; a decimal comma.

    Returns one line for each row in which ``done`` is filled in, and a sentence for each row that cannot be used or
    contradicts another. Of two rows for one lane, which two people may have walked, both are kept.

    Raises SiteError: not such a table, or the sheet of another plan.
    """
    table = read_typed_table(raw, file, LANE_COLUMNS, ("lane", "done"), _EXAMPLE)
    known = {one.lane: one for one in plan}
    notes = list(table.notes)
    lines: list[SheetLine] = []
    for line, values in table.rows:
        number = _lane(values.get("lane", ""))
        row = f"{file}, line {line}"
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
    notes += _contradictions(lines, file)
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
        raise SiteError(problem, file=file, where=f"line {line}", hint="Name the plan that it belongs to")


def _contradictions(lines: Sequence[SheetLine], file: str) -> list[str]:
    first: dict[int, SheetLine] = {}
    notes = []
    for one in lines:
        other = first.setdefault(one.lane, one)
        if other is not one and other.state != one.state:
            notes.append(
                f"{file}, line {one.line}: lane {one.lane} is {one.state} here and {other.state} in line {other.line}; "
                "the fuller answer counts"
            )
    return notes


def state_of(lines: Sequence[SheetLine]) -> dict[int, str]:
    """Return the state of each lane that a sheet speaks of; of several, that in which more was walked."""
    order = (NO, PART, YES)
    states: dict[int, str] = {}
    for one in lines:
        before = states.get(one.lane, NO)
        states[one.lane] = max(before, one.state, key=order.index)
    return states
