"""Reading finds.csv: every row that can be used, and a sentence with row and column on everything that cannot."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, tzinfo
from typing import Any

from fieldcomb.coverage.finds.cells import (
    CELLS,
    NOT_KNOWN,
    USUAL_MOST_NUMBER,
    CellError,
    RowContext,
    one_line,
    whole_number,
)
from fieldcomb.coverage.finds.find import FIND_COLUMNS, FIND_KINDS, FINDS_FILE, NEEDED_COLUMNS, Find
from fieldcomb.tracks.errors import SiteError
from fieldcomb.tracks.files.kept_table import KeptRow, KeptTable, read_kept_table
from fieldcomb.tracks.files.tables import unguarded
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import format_count
from fieldcomb.tracks.values import dataclass

MOST_FINDS_BYTES = 32_000_000  # 5,000 finds with all columns filled in have 2 MB, and twice that in UTF-16
MOST_FINDS = 100_000
LAST_FIND_NO = 999_999_999
FINDS_EXAMPLE = "find_no,kind,what / 1,keep,lead token"
KIND_WORDS = {**{kind: kind for kind in FIND_KINDS}, "kept": "keep"}
_NOTES = 20  # in a report; the list of finds has all of them
_SHOWN = 40
_ROW = re.compile(r", row ([0-9]+)\b")


@dataclass(frozen=True, slots=True)
class FindsRead:
    """What finds.csv holds.

    table : the file, to be changed row by row. finds : in the order of the rows. notes : a sentence for each fault.
    unused : rows that count as no find, as a spreadsheet counts rows. taken : every find_no in the file, also those of
    rows that are not used.
    """

    table: KeptTable
    finds: tuple[Find, ...]
    notes: tuple[str, ...]
    unused: tuple[int, ...] = ()
    taken: frozenset[int] = frozenset()


def read_finds(raw: bytes, file: str, zone: tzinfo) -> FindsRead:
    """Read the finds of a site; ``zone`` is for times without an offset.

    raw : the file as a spreadsheet saves it: UTF-8, UTF-16 or Windows-1252; comma, semicolon or tab; decimal commas.

    A cell that cannot be read is taken as not known, and a row without a number or a kind is no find; both are told.

    Raises SiteError: no such table, too many rows, or one find_no in two rows.
    """
    table = read_kept_table(raw, file, FIND_COLUMNS, NEEDED_COLUMNS, FINDS_EXAMPLE, MOST_FINDS_BYTES)
    rows = [row for row in table.rows if not row.blank]
    if len(rows) > MOST_FINDS:
        problem = f"has {len(rows):,} rows, more than the limit of {MOST_FINDS:,}"
        raise SiteError(problem, file=file, hint="Make a site for each part of the ground")
    notes, finds, unused = list(table.notes), [], []
    numbers, nameless = _numbers(table, rows)
    for row in rows:
        notes += nameless.get(row.number, ())
        find = _find(table, row, numbers.get(row.number), zone, notes)
        if find is None:
            unused.append(row.number)
        else:
            finds.append(find)
    taken = frozenset(numbers.values())
    notes += [note for find in finds for note in _strange_others(find, taken, table.file)]
    notes.sort(key=_row_of)  # as they stand in the file; those on all of it, which name no row, before
    return FindsRead(table, tuple(finds), tuple(notes), tuple(unused), taken)


def _numbers(table: KeptTable, rows: list[KeptRow]) -> tuple[dict[int, int], dict[int, list[str]]]:
    """Return find_no by row, and what to tell of rows without one; raises SiteError for one that stands in two rows."""
    first: dict[int, int] = {}
    numbers: dict[int, int] = {}
    nameless: dict[int, list[str]] = {}
    for row in rows:
        text = table.values(row)["find_no"]
        try:
            number = whole_number(text.removeprefix("#"), "a whole number from 1 on was expected", 1, LAST_FIND_NO)
        except CellError as error:
            said = (
                f"find_no is {_quoted(text)}: {error}" if text else "find_no is blank: it needs the number of the bag"
            )
            nameless[row.number] = [f"{_at(table, row)}: {said}; the row is not counted"]
            continue
        if number in first:
            problem = f"has find_no {number} twice"
            hint = "Give one of them a number that no other find has; nothing was changed"
            where = f"rows {first[number]} and {row.number}"
            raise SiteError(problem, file=table.file, where=where, hint=hint)
        first[number], numbers[row.number] = row.number, number
    return numbers, nameless


def _find(table: KeptTable, row: KeptRow, number: int | None, zone: tzinfo, notes: list[str]) -> Find | None:
    """Return the find of a row, with its faults added to the notes; None where it is none."""
    at = _at(table, row)
    if number is None:
        return None
    if not row.sound or table.too_long(row):
        why = f"it has {len(row.cells)} values, but the header names {len(table.columns)}" if row.sound else ""
        why = why or "its quotes do not fit"
        notes.append(f"{at}: {why}; put quotes round a value with a comma in it; the row is not counted")
        return None
    values = table.values(row)
    kind = KIND_WORDS.get(values["kind"].casefold())
    if kind is None:
        said = f"kind is {_quoted(values['kind'])}" if values["kind"] else "kind is blank"
        notes.append(f"{at}: {said}: keep, junk or left was expected; the row is not counted")
        return None
    context = RowContext(zone, _outing_day(values.get("outing", "")))
    return _sound(Find(number, kind, row.number, **_fields(table.cells(row), context, at, notes)), at, notes)


def _fields(cells: Mapping[str, str], context: RowContext, at: str, notes: list[str]) -> dict[str, Any]:
    fields: dict[str, Any] = {}
    for column, (name, read) in CELLS.items():
        text = unguarded(cells.get(column, ""))
        if not text:
            continue
        if cells[column].startswith("=") and read is one_line:
            notes.append(f"{at}: {column} is {_quoted(text)}, which looks like a formula; taken as the text that it is")
        try:
            fields[name] = read(text, context)
        except CellError as error:
            notes.append(f"{at}: {column} is {_quoted(text)}: {error}; {NOT_KNOWN}")
    return fields


def _sound(find: Find, at: str, notes: list[str]) -> Find:
    """Return a find whose values agree with one another; what does not is told."""
    if (find.lat_deg is None) != (find.lon_deg is None):
        notes.append(f"{at}: lat and lon are needed together; the position is {NOT_KNOWN}")
        find = replace(find, lat_deg=None, lon_deg=None)
    if find.from_year is not None and find.to_year is not None and find.from_year > find.to_year:
        words = f"from_year {find.from_year} is later than to_year {find.to_year}"
        notes.append(f"{at}: {words}; taken as {find.to_year} to {find.from_year}")
        find = replace(find, from_year=find.to_year, to_year=find.from_year)
    if find.number is not None and find.number[1] > USUAL_MOST_NUMBER:
        notes.append(f"{at}: number is {find.number[1]}, and few detectors show more than {USUAL_MOST_NUMBER}; kept")
    if find.placed and not find.how:
        find = replace(find, how="typed")
    return find


def _row_of(note: str) -> int:
    found = _ROW.search(note)
    return int(found[1]) if found else 0


def _strange_others(find: Find, taken: frozenset[int], file: str) -> list[str]:
    strange = [str(number) for number in find.belongs_with if number not in taken or number == find.find_no]
    words = "there is no such other find"
    return [f"{file}, row {find.row}: belongs_with is {', '.join(strange)}: {words}"] if strange else []


def _outing_day(outing: str) -> date | None:
    try:
        return date.fromisoformat(outing[:10])
    except ValueError:
        return None


def _at(table: KeptTable, row: KeptRow) -> str:
    return f"{table.file}, row {row.number}"


def _quoted(text: str) -> str:
    short = harmless(text)
    return f'"{short if len(short) <= _SHOWN else short[: _SHOWN - 3] + "..."}"'


def fewer_notes(notes: Sequence[str]) -> list[str]:
    """Return the first sentences on a file, and how many more there are."""
    more = len(notes) - _NOTES
    rest = [f"{FINDS_FILE}: {format_count(more, 'more fault')} like these"] if more > 0 else []
    return [*notes[:_NOTES], *rest]
