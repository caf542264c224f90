"""A table that people keep in a spreadsheet and the program adds to: read row by row, and changed row by row.

Whatever is not changed stays byte for byte: letters, separator, quotes, line ends, blank rows and columns that mean
nothing here. Source of the format: RFC 4180, with the semicolons, tabs and character sets of spreadsheets.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import field, replace

from fieldcomb.tracks.errors import SiteError
from fieldcomb.tracks.files.encoding import coding_of, trailing_zeros, zeros_note
from fieldcomb.tracks.files.tables import SEPARATORS, guarded, unguarded
from fieldcomb.tracks.values import dataclass

MOST_STRAY_ROWS = 20  # with quotes that do not fit: with more of them the file is no table that can be trusted
_SEPARATOR_LINE = re.compile(r"\ufeff?\"?sep=([,;\t])\"?\s*\Z", re.IGNORECASE)  # some spreadsheets begin a file so
_SHOWN = 30  # columns, and letters of each, in a message
_BLANK = SEPARATORS + ' \r\n\ufeff"'


@dataclass(frozen=True, slots=True)
class KeptRow:
    """One row: its number as a spreadsheet counts rows, from 1; its text as it stands; its cells.

    sound : whether its quotes fit.
    """

    number: int
    text: str
    cells: tuple[str, ...]
    sound: bool = True

    @property
    def blank(self) -> bool:
        """Whether nothing is written in it."""
        return not any(cell.strip(_BLANK) for cell in self.cells)

    @property
    def end(self) -> str:
        """What ends its line; nothing at the end of a file that just stops."""
        return self.text[len(self.text.rstrip("\r\n")) :]


@dataclass(frozen=True, slots=True)
class KeptTable:
    """A table as it lies in its file.

    file : its name, for messages. codec, head, tail : the character set, and the bytes before and after the text.
    mark : what separates cells. before : rows above the header. header : its row. columns : names of its columns, as
    they are compared. rows : all rows below it, blank ones too. notes : sentences on its letters.
    """

    file: str
    codec: str
    head: bytes
    tail: bytes
    mark: str
    before: tuple[KeptRow, ...]
    header: KeptRow
    columns: tuple[str, ...]
    rows: tuple[KeptRow, ...]
    lossless: bool = True
    notes: tuple[str, ...] = field(default=())

    def values(self, row: KeptRow) -> dict[str, str]:
        """Return the cells of a row by column, without blanks round them, blank where the row is too short."""
        return {name: unguarded(cell) for name, cell in self.cells(row).items()}

    def cells(self, row: KeptRow) -> dict[str, str]:
        """Return the same with the apostrophe of a cell that was made safe."""
        cells = (*row.cells, *[""] * len(self.columns))
        return {name: cell.strip() for name, cell in zip(self.columns, cells, strict=False) if name}

    def too_long(self, row: KeptRow) -> bool:
        """Whether a row has values beyond the last column, so that some stand in a wrong one."""
        return any(cell.strip() for cell in row.cells[len(self.columns) :])

    def with_values(self, number: int, values: Mapping[str, str]) -> KeptTable:
        """Return the table with cells of one row replaced, by column; a missing column is added at the end.

        number : of the row, as a spreadsheet counts.
        """
        table = self._with_columns(values)
        return replace(
            table, rows=tuple(table._filled(row, values) if row.number == number else row for row in table.rows)
        )

    def with_rows(self, new: Sequence[Mapping[str, str]]) -> KeptTable:
        """Return the table with rows added below; a column that it lacks is added where a new row needs it."""
        if not new:
            return self
        table = self._with_columns({name: text for one in new for name, text in one.items() if text})
        rows, end = list(table.rows), table.header.end or "\r\n"
        if rows and not rows[-1].end:
            rows[-1] = replace(rows[-1], text=rows[-1].text + end)
        header = table.header if table.header.end else replace(table.header, text=table.header.text + end)
        number = rows[-1].number if rows else header.number
        for step, values in enumerate(new, 1):
            cells = tuple(values.get(name, "") for name in table.columns)
            rows.append(table._row(number + step, cells, end))
        return replace(table, header=header, rows=tuple(rows))

    def as_bytes(self) -> bytes:
        """Return the file; raises SiteError where it cannot be changed without harm to rows that are not meant."""
        self._check_writable()
        text = "".join(row.text for row in (*self.before, self.header, *self.rows))
        try:
            body = text.encode(self.codec, _lossless(self.codec))
        except UnicodeEncodeError as error:
            letter = text[error.start : error.start + 1]
            problem = f"is in the character set {self.codec}, which has no {letter!r}"
            raise SiteError(problem, file=self.file, hint="Save it as CSV in UTF-8 from your spreadsheet") from error
        return self.head + body + self.tail

    def _check_writable(self) -> None:
        stray = [str(row.number) for row in (self.header, *self.rows) if not row.sound]
        if stray:
            problem = f"cannot be changed: quotes do not fit in row {', '.join(stray)}"
            raise SiteError(problem, file=self.file, hint="Mend that row in your spreadsheet; all others were read")
        if not self.lossless:
            problem = f"cannot be changed: some of its bytes are no letters of {self.codec}"
            raise SiteError(problem, file=self.file, hint="Save it again as CSV in UTF-8 from your spreadsheet")

    def _with_columns(self, values: Mapping[str, str]) -> KeptTable:
        missing = [name for name in values if name not in self.columns]
        if not missing:
            return self
        header = self._row(self.header.number, (*self.header.cells, *missing), self.header.end)
        return replace(self, header=header, columns=(*self.columns, *missing))

    def _filled(self, row: KeptRow, values: Mapping[str, str]) -> KeptRow:
        cells = list(row.cells) + [""] * (len(self.columns) - len(row.cells))
        for name, text in values.items():
            cells[self.columns.index(name)] = text
        return self._row(row.number, tuple(cells), row.end)

    def _row(self, number: int, cells: tuple[str, ...], end: str) -> KeptRow:
        written = io.StringIO(newline="")
        # With this line end the writer puts quotes round a cell of several lines, whatever ends them.
        csv.writer(written, delimiter=self.mark, lineterminator="\r\n").writerow([guarded(cell) for cell in cells])
        return KeptRow(number, written.getvalue()[:-2] + end, cells)


def new_table(file: str, columns: Sequence[str]) -> KeptTable:
    """Return an empty table in UTF-8 with a byte order mark, by which spreadsheets know its letters."""
    header = KeptRow(1, ",".join(columns) + "\r\n", tuple(columns))
    return KeptTable(file, "utf-8", codecs.BOM_UTF8, b"", ",", (), header, tuple(columns), ())


def read_kept_table(
    raw: bytes, file: str, columns: Sequence[str], needed: Sequence[str], example: str, most_bytes: int
) -> KeptTable:
    """Read a table with a header; columns in any order and any case, others kept as they are.

    raw : the file as a spreadsheet saves it: UTF-8, UTF-16 or Windows-1252; comma, semicolon or tab; blank rows.
    columns, needed : those that mean something, and those of them that the header must have.
    example : a header and a row, for messages. most_bytes : of the file.

    A row whose quotes do not fit is read by itself, and is not ``sound``.

    Raises SiteError: too large, not text, no header, a column that is needed and missing, or one there twice.
    """
    if len(raw) > most_bytes:
        problem = f"is {len(raw) / 1e6:.1f} MB, more than the limit of {most_bytes / 1e6:g} MB"
        raise SiteError(problem, file=file, hint=f"Keep only the rows and columns that are meant: {example}")
    coding = coding_of(raw)
    zeros = trailing_zeros(raw, coding)
    body = raw[coding.start : len(raw) - zeros]
    text, lossless = _decoded(body, coding.codec)
    notes = [f"{file}: {note}" for note in (coding.note, zeros_note(zeros) if zeros else "") if note]
    if "\0" in text:
        raise SiteError("is not a table of text", file=file, hint=f"Save it as CSV from a spreadsheet: {example}")
    mark = _mark(text, columns)
    rows = _rows(text, mark, file)
    at = next((at for at, row in enumerate(rows) if not row.blank and not _SEPARATOR_LINE.match(row.text)), None)
    if at is None:
        raise SiteError("is empty", file=file, hint=f"Write a header and a row for each find: {example}")
    names = tuple(_column(cell) for cell in rows[at].cells)
    _check_names(names, file, rows[at].number, columns, needed, example)
    head, tail = raw[: coding.start], raw[len(raw) - zeros :] if zeros else b""
    return KeptTable(
        *(file, coding.codec, head, tail, mark, tuple(rows[:at]), rows[at], names, tuple(rows[at + 1 :])),
        *(lossless, tuple(notes)),
    )


def _lossless(codec: str) -> str:
    return "surrogatepass" if codec.startswith(("utf-16", "utf-32")) else "surrogateescape"


def _decoded(body: bytes, codec: str) -> tuple[str, bool]:
    """Return the text, and whether writing it gives the same bytes again."""
    try:
        text = body.decode(codec, _lossless(codec))
        return text, text.encode(codec, _lossless(codec)) == body
    except UnicodeError:
        return body.decode(codec, "replace"), False


def _mark(text: str, columns: Sequence[str]) -> str:
    """Return what separates the cells: that by which the header has most known columns, or else most cells."""
    lines = io.StringIO(text, newline="")
    for line in lines:
        if said := _SEPARATOR_LINE.match(line):
            return said[1]
        if line.strip(_BLANK):
            break
    else:
        return ","

    def known(mark: str) -> tuple[int, int]:
        cells = _cells(line, mark) or []
        return sum(_column(cell) in columns for cell in cells), len(cells)

    return max(SEPARATORS, key=known)


def _column(cell: str) -> str:
    return "_".join(cell.strip(" \t\r\n\ufeff").casefold().split())


def _cells(line: str, mark: str) -> list[str] | None:
    try:
        return next(csv.reader([line], delimiter=mark, strict=True), [])
    except csv.Error:
        return None


def _rows(text: str, mark: str, file: str) -> list[KeptRow]:
    """Return all rows; where quotes do not fit, the line at fault is a row by itself and reading goes on after it."""
    rows: list[KeptRow] = []
    lines = list(io.StringIO(text, newline=""))
    at, stray = 0, 0
    while at < len(lines):
        taken: list[str] = []
        try:
            for cells in csv.reader(_noting(lines, at, taken), delimiter=mark, strict=True):
                rows.append(KeptRow(len(rows) + 1, "".join(taken), tuple(cells)))
                at += len(taken)
                taken.clear()
        except csv.Error:
            stray += 1
            if stray > MOST_STRAY_ROWS:
                problem = f"is not a table of values: quotes do not fit in more than {MOST_STRAY_ROWS} rows"
                hint = "Save it again as CSV from a spreadsheet"
                raise SiteError(problem, file=file, where=f"row {len(rows) + 1}", hint=hint) from None
            cells = [cell.strip().strip('"') for cell in lines[at].rstrip("\r\n").split(mark)]
            rows.append(KeptRow(len(rows) + 1, lines[at], tuple(cells), sound=False))
            at += 1
    return rows


def _noting(lines: Sequence[str], start: int, taken: list[str]) -> Iterator[str]:
    """Return lines one by one, and keep those that a row is made of."""
    for at in range(start, len(lines)):
        taken.append(lines[at])
        yield lines[at]


def _check_names(
    names: Sequence[str], file: str, row: int, columns: Sequence[str], needed: Sequence[str], example: str
) -> None:
    for name in needed:
        if name not in names:
            found = ", ".join(one[:_SHOWN] for one in list(filter(None, names))[:_SHOWN]) or "nothing"
            problem = f"has no column {name!r} (found: {found})"
            raise SiteError(problem, file=file, where=f"row {row}", hint=f"Name the columns as in: {example}")
    for name in columns:
        if names.count(name) > 1:
            raise SiteError(f"has the column {name!r} twice", file=file, where=f"row {row}", hint="Delete one of them")
