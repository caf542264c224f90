"""The roster of a team: who carried which recorder with which coil, one row a recording, or a person without one."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

from fieldcomb.coverage.site.fields import FIELD, Place, keys_of
from fieldcomb.coverage.site.settings import OWN_KEYS, Typed
from fieldcomb.tracks.errors import SiteError, UsageError

ROSTER_COLUMNS = ("file", *dict.fromkeys(("searcher", *keys_of(Place.ROSTER))))


@dataclass(frozen=True, slots=True)
class RosterRow:
    """One row; ``line`` is its line in the file, for messages. Without a file: somebody searched unrecorded."""

    line: int
    file: str | None
    searcher: str | None
    typed: Typed
    start: str | None
    end: str | None


def read_roster(raw: bytes, file: str) -> tuple[tuple[RosterRow, ...], tuple[str, ...]]:
    """Read a roster: a table of values with a header, in any order of columns; only ``file`` is needed.

    A row with a searcher and no file is somebody who searched without a recording.

    Parameters
    ----------
    raw : bytes
        The file as a spreadsheet saves it: UTF-8 or Windows-1252; comma, semicolon or tab.
    file : str
        Its name, for messages.

    Returns
    -------
    tuple of RosterRow
        In the order of the file.
    tuple of str
        Notes for the user, such as on columns that are not used.

    Raises
    ------
    SiteError
        Not such a table, or a value that cannot be; the message has the line.

    """
    text, notes = _decoded(raw)
    if "\0" in text:
        raise SiteError("is not a table of text", file=file, hint="Save the roster as CSV")
    lines = text.splitlines()
    if not any(line.strip() for line in lines):
        raise SiteError("is empty", file=file, hint="Give a header and one row for each recording: " + _example())
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(lines[0]), strict=True)
    try:
        rows = [(reader.line_num, row) for row in reader]
    except csv.Error as error:
        raise SiteError(f"is not a table of values: {error}", file=file, where=f"line {reader.line_num}") from error
    header = [name.strip().lower() for name in rows[0][1]]
    _check_header(header, file)
    unused = [name for name in header if name and name not in ROSTER_COLUMNS]
    if unused:
        notes.append(f"{file}: these columns are not used: {', '.join(unused)}")
    found = tuple(_row(file, line, header, row) for line, row in rows[1:] if any(cell.strip() for cell in row))
    if found and all(row.file is None for row in found):
        raise SiteError("names no file in any row", file=file, hint="Write the name of each recording: " + _example())
    if not found:
        raise SiteError("has a header but no rows", file=file, hint="Write one row for each recording: " + _example())
    return found, tuple(notes)


def _decoded(raw: bytes) -> tuple[str, list[str]]:
    try:
        return raw.decode("utf-8-sig"), []
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace"), ["The roster is not UTF-8 and was read as Windows-1252"]


def _delimiter(header: str) -> str:
    return max(",;\t", key=header.count)


def _example() -> str:
    return "file,searcher,coil / walk1.gpx,Ann,28cm"


def _check_header(header: list[str], file: str) -> None:
    if "file" not in header:
        problem = f"has no column 'file' (found: {', '.join(filter(None, header)) or 'nothing'})"
        raise SiteError(problem, file=file, where="line 1", hint="Name the columns " + ", ".join(ROSTER_COLUMNS))
    for name in ROSTER_COLUMNS:
        if header.count(name) > 1:
            raise SiteError(f"has the column {name!r} twice", file=file, where="line 1", hint="Delete one of them")


def _row(file: str, line: int, header: list[str], row: list[str]) -> RosterRow:
    if any(cell.strip() for cell in row[len(header) :]):
        problem = f"has {len(row)} values in a row where the header names {len(header)}"
        raise SiteError(problem, file=file, where=f"line {line}", hint="Put a value that holds a comma in quotes")
    values = {name: cell.strip() or None for name, cell in zip(header, row, strict=False) if name in ROSTER_COLUMNS}
    name = values.get("file")
    if name is None and values.get("searcher") is None:
        hint = "Fill in the file's name, or the name of a searcher who did not record"
        raise SiteError("has a row without a file and without a searcher", file=file, where=f"line {line}", hint=hint)
    kept: dict[str, str] = {}
    for key, text in values.items():
        try:
            if text and key in FIELD:
                kept[key] = str(FIELD[key].kept(text))
        except UsageError as error:
            raise SiteError(f"{key}: {error.problem}", file=file, where=f"line {line}", hint=error.hint) from error
    typed = Typed(**{key: kept.get(key) for key in OWN_KEYS})  # type: ignore[arg-type]
    return RosterRow(line, name, kept.get("searcher"), typed, kept.get("from"), kept.get("to"))
