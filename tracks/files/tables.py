"""Tables of values (CSV): their letters, what separates the cells, the header, and rows with the number of their line.

Source of the format: RFC 4180, which covers commas and quotes. Spreadsheets also write semicolons and tabs, several
character sets, and blank lines.
"""

import csv
import io
import re
from collections.abc import Iterator, Sequence

from fieldcomb.tracks.errors import SiteError
from fieldcomb.tracks.files import limits
from fieldcomb.tracks.files.encoding import coding_of, trailing_zeros, zeros_note
from fieldcomb.tracks.values import dataclass

SEPARATORS = ",;\t"

_SHOWN = 40
_MOST_NAMED = 8  # columns in a message
_RISKY = ("=", "+", "-", "@", "\t", "\r")  # a spreadsheet would run a text that begins so
_NUMBER = re.compile(r"[-+]?\d+([.,]\d+)?\Z")
_BLANK = SEPARATORS + " \r\n"


def guarded(text: str) -> str:
    """Return a cell that no spreadsheet runs: one that begins like a formula and is no number gets an apostrophe.

    >>> guarded("=1+1"), guarded("-28.5"), guarded("peg A")
    ("'=1+1", '-28.5', 'peg A')
    """
    return f"'{text}" if text.startswith(_RISKY) and not _NUMBER.match(text) else text


def unguarded(text: str) -> str:
    """Return what a cell says that was made safe: without the apostrophe before what would be a formula.

    >>> unguarded("'=1+1"), unguarded("'tis")
    ('=1+1', "'tis")
    """
    return text[1:] if text.startswith("'") and text[1:].startswith(_RISKY) else text


class TableText:
    """The text of a table. ``notes``: sentences on its letters. ``stray_quotes``: rows in which quotes do not fit."""

    def __init__(self, data: bytes) -> None:
        coding = coding_of(data)
        self.notes = [coding.note] if coding.note else []
        self.zeros = trailing_zeros(data, coding)
        if self.zeros:
            self.notes.append(zeros_note(self.zeros))
        self._data, self._codec, self._start = data, coding.codec, coding.start
        self.stray_quotes = 0

    def lines(self) -> Iterator[str]:
        """Return the lines, whatever ends them."""
        raw = io.BytesIO(self._data[: len(self._data) - self.zeros] if self.zeros else self._data)
        raw.seek(self._start)
        yield from io.TextIOWrapper(raw, self._codec, errors="replace", newline="")

    def headers(self, within: int) -> Iterator[tuple[int, str, list[str]]]:
        """Return what may be the header among the first lines: line, separator and cells, the likeliest first."""
        for number, line in enumerate(self.lines(), 1):
            if number > within or len(line) > csv.field_size_limit():
                return
            if line.strip():
                for mark in sorted(SEPARATORS, key=line.count, reverse=True):
                    yield number, mark, next(csv.reader([line], delimiter=mark), [])

    def strict_rows(self, mark: str) -> Iterator[tuple[int, list[str]]]:
        """Return the rows that hold something, each with its line; csv.Error where a quote does not close."""
        reader = csv.reader(self.lines(), delimiter=mark, strict=True)
        return ((reader.line_num, cells) for cells in reader if any(cell.strip(_BLANK) for cell in cells))

    def check_rows(self, after: int, file: str) -> None:
        """Refuse a table of too many rows before the first is read; of lines where quotes may hold several in a row."""
        quoted, rows = b'"' in self._data, 0
        for lines, line in enumerate(self._lines_after(after), 1):
            rows += not quoted and bool(line.strip(_BLANK))
            if rows > limits.MAX_POINTS + 1:  # the last one may be unfinished, and is then left out
                raise limits.too_many(file, limits.MAX_POINTS, "points")
            if lines > limits.MAX_TABLE_LINES:
                raise limits.too_many(file, limits.MAX_TABLE_LINES, "lines", "Save it again from a spreadsheet")

    def rows(self, after: int, mark: str) -> Iterator[list[str]]:
        """Return the rows after a line, each by itself where quotes do not close."""
        if self._quotes_fit(after, mark):
            yield from csv.reader(self._lines_after(after), delimiter=mark, strict=True)
            return
        for line in self._lines_after(after):
            if len(line) > csv.field_size_limit():  # no row of a walk, and its cells could fill the memory
                yield [line[:_SHOWN]]
                continue
            try:
                yield from csv.reader([line], delimiter=mark, strict=True)
            except csv.Error:
                self.stray_quotes += 1
                yield [cell.strip().strip('"') for cell in line.split(mark)]

    def _lines_after(self, after: int) -> Iterator[str]:
        return (line for number, line in enumerate(self.lines(), 1) if number > after)

    def _quotes_fit(self, after: int, mark: str) -> bool:
        if max(map(len, self._lines_after(after)), default=0) > csv.field_size_limit():
            return False
        if b'"' not in self._data:
            return True
        try:
            for _ in csv.reader(self._lines_after(after), delimiter=mark, strict=True):
                pass
        except csv.Error:
            return False
        return True


@dataclass(frozen=True, slots=True)
class TypedTable:
    """A small table that a user typed.

    header : whether there is one; an empty file has none. rows : line, and the values by column, blank if left out.
    notes : sentences for the user.
    """

    header: bool
    rows: tuple[tuple[int, dict[str, str]], ...]
    notes: tuple[str, ...]


def read_typed_table(
    raw: bytes,
    file: str,
    columns: Sequence[str],
    needed: Sequence[str],
    example: str,
    *,
    most_bytes: int = limits.MAX_TYPED_BYTES,
) -> TypedTable:
    """Read a table with these columns in any order and any case; others are named in a note.

    raw : the file as a spreadsheet saves it: UTF-8, UTF-16 or Windows-1252; comma, semicolon or tab; blank lines.
    columns, needed : all columns that are used, and those of them that the header must have.
    example : a header and a row, for messages. most_bytes : a larger file is refused.

    Raises SiteError: not text, quotes that do not close, a column missing or there twice, or a row that is too long.
    """
    if len(raw) > most_bytes:
        problem = f"is {len(raw) / 1e6:.1f} MB, more than the limit of {most_bytes / 1e6:g} MB"
        raise SiteError(problem, file=file, hint=f"Keep only the rows and columns that are meant: {example}")
    text = TableText(raw)
    notes = [f"{file}: {note}" for note in text.notes]
    if any("\0" in line for line in text.lines()):
        raise SiteError("is not a table of text", file=file, hint=f"Save it as CSV from a spreadsheet: {example}")
    first = next((line for line in text.lines() if line.strip(_BLANK)), "")
    rows, line = [], 1
    try:
        for line, cells in text.strict_rows(max(SEPARATORS, key=first.count)):
            rows.append((line, cells))
    except csv.Error as error:
        hint = "Save it again as CSV from a spreadsheet"
        where = f"after line {line}"
        raise SiteError(f"is not a table of values: {error}", file=file, where=where, hint=hint) from error
    if not rows:
        return TypedTable(False, (), tuple(notes))
    header = [cell.strip().lower() for cell in rows[0][1]]
    _check_header(header, file, f"line {rows[0][0]}", columns, needed, example)
    unused = [name for name in header if name and name not in columns]
    if unused:
        notes.append(f"{file}: these columns are not used: {', '.join(unused)}")
    return TypedTable(True, tuple((at, _values(header, cells, file, at)) for at, cells in rows[1:]), tuple(notes))


def _check_header(
    header: list[str], file: str, where: str, columns: Sequence[str], needed: Sequence[str], example: str
) -> None:
    for name in needed:
        if name not in header:
            there = list(filter(None, header))
            more = ["..."] if len(there) > _MOST_NAMED else []
            problem = f"has no column {name!r} (found: {', '.join([*there[:_MOST_NAMED], *more]) or 'nothing'})"
            wanted = f"the columns {', '.join(columns)}"
            if len(columns) > _MOST_NAMED:
                wanted = f"at least the columns {', '.join(needed)}"
            hint = f"Name {wanted}: {example}"
            raise SiteError(problem, file=file, where=where, hint=hint)
    for name in columns:
        if header.count(name) > 1:
            raise SiteError(f"has the column {name!r} twice", file=file, where=where, hint="Delete one of them")


def _values(header: list[str], cells: list[str], file: str, line: int) -> dict[str, str]:
    if any(cell.strip() for cell in cells[len(header) :]):
        problem = f"has {len(cells)} values in a row, but the header names {len(header)}"
        hint = "Put quotes round a value that contains a comma, or separate the columns with semicolons"
        raise SiteError(problem, file=file, where=f"line {line}", hint=hint)
    return {name: cell.strip() for name, cell in zip(header, cells, strict=False)}
