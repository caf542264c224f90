"""The roster of a team: who carried which recorder with which coil, one row a recording, or a person without one."""

from fieldcomb.coverage.site.options_fields import FIELD, TypedAt, keys_of
from fieldcomb.coverage.site.settings import OWN_KEYS, Typed
from fieldcomb.tracks.errors import SiteError, UsageError
from fieldcomb.tracks.files import limits
from fieldcomb.tracks.files.tables import read_typed_table
from fieldcomb.tracks.values import dataclass

ROSTER_COLUMNS = ("file", *dict.fromkeys(("searcher", *keys_of(TypedAt.ROSTER))))
_EXAMPLE = "file,searcher,coil / walk1.gpx,Ann,28cm"


@dataclass(frozen=True, slots=True)
class RosterRow:
    """One row; ``line`` is its line in the file, for messages. Without a file: someone searched unrecorded."""

    line: int
    file: str | None
    searcher: str | None
    typed: Typed
    start: str | None
    end: str | None


def read_roster(raw: bytes, file: str) -> tuple[tuple[RosterRow, ...], tuple[str, ...]]:
    """Read a roster: a table of values with a header, in any order of columns; only ``file`` is needed.

    A row with a searcher and no file is someone who searched without a recording.

    raw : the file as a spreadsheet saves it: UTF-8, UTF-16 or Windows-1252; comma, semicolon or tab.

    Returns the rows in the order of the file, and notes, such as on columns that are not used.

    Raises SiteError: not such a table, or a value that cannot be; the message has the line.
    """
    table = read_typed_table(raw, file, ROSTER_COLUMNS, ("file",), _EXAMPLE)
    if not table.header:
        raise SiteError("is empty", file=file, hint=f"Write a header and one row for each recording: {_EXAMPLE}")
    if len(table.rows) > limits.MAX_ROSTER_ROWS:
        problem = f"has {len(table.rows):,} rows, more than the limit of {limits.MAX_ROSTER_ROWS:,} for one outing"
        raise SiteError(problem, file=file, hint="Keep the rows of this outing only")
    rows = tuple(_row(file, line, values) for line, values in table.rows)
    if not rows:
        raise SiteError("has a header but no rows", file=file, hint=f"Write one row for each recording: {_EXAMPLE}")
    if all(row.file is None for row in rows):
        raise SiteError("names no file in any row", file=file, hint=f"Write the name of each recording: {_EXAMPLE}")
    return rows, table.notes


def _row(file: str, line: int, values: dict[str, str]) -> RosterRow:
    name = values.get("file") or None
    if name is None and not values.get("searcher"):
        hint = "Fill in the file's name, or the name of a searcher who did not record"
        raise SiteError("has a row without a file and without a searcher", file=file, where=f"line {line}", hint=hint)
    kept: dict[str, str] = {}
    for key, text in values.items():
        try:
            if text and key in ROSTER_COLUMNS and key in FIELD:
                kept[key] = str(FIELD[key].kept(text))
        except UsageError as error:
            raise SiteError(f"{key}: {error.problem}", file=file, where=f"line {line}", hint=error.hint) from error
    typed = Typed(**{key: kept.get(key) for key in OWN_KEYS})  # type: ignore[arg-type]
    return RosterRow(line, name, kept.get("searcher"), typed, kept.get("from"), kept.get("to"))
