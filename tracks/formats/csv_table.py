"""Walks in a table of values (CSV): one fix a row, under a header.

What has no header, or not the columns of a walk, is refused: a wrong guess would put a walk where no one was. There is
no standard for such tables beyond RFC 4180, which is about commas and quotes.
"""

import math
import re
from collections.abc import Iterator
from dataclasses import replace

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files import limits
from fieldcomb.tracks.files.collector import Gather
from fieldcomb.tracks.files.sidelines import FixWords, mark_notes
from fieldcomb.tracks.files.tables import SEPARATORS, TableText
from fieldcomb.tracks.recording import Recording
from fieldcomb.tracks.units import format_count
from fieldcomb.tracks.values import dataclass

LAT_COLUMNS = ("lat", "latitude", "y")
LON_COLUMNS = ("lon", "lng", "long", "longitude", "x")
TIME_COLUMNS = (
    *("datetime", "date_time", "timestamp", "time", "utc", "time_utc", "utc_time"),
    *("unix", "unix_time", "epoch"),
)
NAME_COLUMNS = ("name", "mark", "label")
NOTE_COLUMNS = ("note", "notes", "desc", "description", "comment")
RUN_COLUMNS = ("segment", "seg", "track", "track_id", "segment_id", "run")

_HEADER_WITHIN = 10  # lines; some recorders put their name and settings above the header
_UNIT = re.compile(r"\s*[(\[].*|_(?:deg|degrees|wgs84|iso|s|ms)$|[\s_](?:n/s|e/w)$")
# Columns that say north or south, east or west, of degrees without a sign.
_LETTER_COLUMNS = {
    "lat": re.compile(r"n[/_]?s|north[/_]south|lat(?:itude)?_?(?:ns|dir(?:ection)?|hem(?:isphere)?|ref)"),
    "lon": re.compile(r"e[/_]?w|east[/_]west|(?:lon|lng|long|longitude)_?(?:ew|dir(?:ection)?|hem(?:isphere)?|ref)"),
}
_LETTERS = {"lat": ("N", "S"), "lon": ("E", "W")}
_WITH_LETTER = re.compile(r"([NSEW])?\s*([^NSEW\s\N{DEGREE SIGN}]{1,40})\s?\N{DEGREE SIGN}?\s?([NSEW])?")
_YEAR_FIRST = re.compile(r"(\d{4})([./-]?)(\d{1,2})\2(\d{1,2})[Tt\s]\s?(\d{1,2})(:[^:]{2}.{0,40})")
_DAY_OR_MONTH_FIRST = re.compile(r"\s*\d{1,2}[./-]\d{1,2}[./-]\d{2,4}\b")
_CLOCK_ONLY = re.compile(r"\s*\d{1,2}:\d\d(?::\d\d(?:[.,]\d+)?)?\s*(?:Z|[+-]\d\d:?\d\d)?\s*", re.IGNORECASE)
_NEEDED = "lat, lon and time (or latitude, longitude, timestamp, datetime, or date and time)"


@dataclass(frozen=True, slots=True)
class _Columns:
    """Where in a row what stands; -1 for a column that is not there."""

    width: int
    lat: int
    lon: int
    letters: dict[str, int]
    times: tuple[int, ...]
    date: int
    name: int
    note: int
    run: int
    unused: tuple[str, ...]
    plane: bool  # the columns are called x and y

    @property
    def whole(self) -> bool:
        """Whether a walk can be read out of them."""
        return self.lat >= 0 and self.lon >= 0 and (bool(self.times) or self.date >= 0)


def _columns(cells: list[str]) -> _Columns:
    short = [cell.strip().lstrip("#").strip().lower()[: limits.MAX_HEADER_LETTERS] for cell in cells]
    names = [_UNIT.sub("", cell).replace(" ", "_").replace("-", "_") for cell in short]

    def find(known: tuple[str, ...]) -> int:
        return next((names.index(name) for name in known if name in names), -1)

    lat, lon = find(LAT_COLUMNS), find(LON_COLUMNS)
    times = tuple(names.index(name) for name in TIME_COLUMNS if name in names)
    date, name, note, run = find(("date",)), find(NAME_COLUMNS), find(NOTE_COLUMNS), find(RUN_COLUMNS)
    letters = {
        axis: next((at for at, cell in enumerate(names) if known.fullmatch(cell)), -1)
        for axis, known in _LETTER_COLUMNS.items()
    }
    used = {lat, lon, date, name, note, run, *times, *letters.values()}
    unused = tuple(cell.strip() for at, cell in enumerate(cells) if at not in used and cell.strip())
    plane = lat >= 0 and lon >= 0 and names[lat] == "y"
    if plane != (lon >= 0 and names[lon] == "x"):
        lat = -1  # one of each kind: what they mean is not clear
    return _Columns(len(cells), lat, lon, letters, times, date, name, note, run, unused, plane)


def _find_header(table: TableText, file: str) -> tuple[int, str, _Columns, list[str]]:
    """Return the header: its line, what separates its cells, and its columns; with the cells of the likeliest one."""
    best: tuple[int, str, _Columns, list[str]] | None = None
    for number, mark, cells in table.headers(_HEADER_WITHIN):
        header = (number, mark, _columns(cells), [cell.strip() for cell in cells if cell.strip()])
        if header[2].whole:
            return header
        if _is_row_in_quotes(cells) and any(_columns(cells[0].split(mark)).whole for mark in SEPARATORS):
            raise _rows_in_quotes(file, cells[0])
        if best is None and len(cells) > 1:
            best = header
    return best or (1, ",", _columns([]), [])


class _Builder:
    """Takes rows one after another."""

    def __init__(self, file: str, columns: _Columns) -> None:
        self.columns = columns
        self.fixes = Gather(file)
        self.marks = FixWords()
        self.runs: list[str] = []
        self.too_long = self.unknown_order = self.in_quotes = 0
        self.first_unknown = self.first_bad = self.first_in_quotes = ""
        self._run = ""

    def row(self, cells: list[str]) -> None:
        """Take one row; a place that cannot be read is NaN."""
        at = self.columns
        self.fixes.count()
        if _is_row_in_quotes(cells):
            self.in_quotes += 1
            self.first_in_quotes = self.first_in_quotes or cells[0]
        if any(cell.strip() for cell in cells[at.width :]):
            self.too_long += 1
            lon = lat = math.nan
        else:
            lat, lon = self._degrees(cells, at.lat, "lat"), self._degrees(cells, at.lon, "lon")
        if math.isnan(lon + lat) and not self.first_bad:
            self.first_bad = f"{_cell(cells, at.lat)[:30]!r}, {_cell(cells, at.lon)[:30]!r}"
        run = _cell(cells, at.run).strip()
        if run != self._run or not self.runs:
            self.fixes.new_run()
            self.runs.append(run)
        self._run = run
        self.fixes.add(lon, lat, self._time(cells))
        self.marks.add(_cell(cells, at.name), _cell(cells, at.note))

    def _degrees(self, cells: list[str], column: int, axis: str) -> float:
        """Read degrees with the letter of their hemisphere, in the cell or in a column; NaN where the two disagree."""
        text, letter_at = _cell(cells, column).strip(), self.columns.letters[axis]
        value = self.fixes.degrees(text)
        if letter_at < 0 and value == value:
            return value
        letters = [_cell(cells, letter_at).strip().upper()[:1]] if letter_at >= 0 else []
        if value != value and (match := _WITH_LETTER.fullmatch(text.upper())):
            value = self.fixes.degrees(match[2])
            letters += [letter for letter in match.group(1, 3) if letter]
        positive, negative = _LETTERS[axis]
        if letters and all(letter == negative for letter in letters):
            return -abs(value)
        return value if letters and all(letter == positive for letter in letters) and value >= 0 else math.nan

    def choose_columns(self, cells: list[str]) -> None:
        """Choose by the first row: letters of hemispheres under any name, and of several times the first readable one.

        Such letters stand right after the degrees, those of both axes.
        """
        at = self.columns
        after = {"lat": at.lat + 1, "lon": at.lon + 1}
        if max(at.letters.values()) < 0 and all(
            _cell(cells, after[axis]).strip().upper() in letters for axis, letters in _LETTERS.items()
        ):
            self.columns = replace(at, letters=after)
        self._choose_time(cells)

    def _choose_time(self, cells: list[str]) -> None:
        probe = Gather("").clock
        times = self.columns.times
        good = [column for column in times if not math.isnan(probe.moment(self._stamp(cells, column)))]
        self.columns = replace(self.columns, times=(*good, *times)[:1])

    def _stamp(self, cells: list[str], column: int) -> str:
        """Put the date before a time that has none."""
        text, date = _cell(cells, column).strip(), _cell(cells, self.columns.date).strip()
        return _year_first(f"{date} {text}" if date and (not text or _CLOCK_ONLY.fullmatch(text)) else text)

    def _time(self, cells: list[str]) -> float:
        text = self._stamp(cells, (*self.columns.times, -1)[0]).strip()
        if not text:
            return math.nan
        if _DAY_OR_MONTH_FIRST.match(text):
            self.unknown_order += 1
            self.first_unknown = self.first_unknown or text[:40]
            return math.nan
        return self.fixes.clock.moment(text)

    def notes(self) -> list[str]:
        """Say what was odd about the rows."""
        notes = self.fixes.comma_notes() + self.fixes.place_notes()
        if self.too_long:
            notes.append(
                f"{format_count(self.too_long, 'row')} with more values than the header has names: "
                "their place is unknown"
            )
        if self.unknown_order:
            said = (
                f"{format_count(self.unknown_order, 'time')} such as {self.first_unknown!r} leave day and month unclear"
            )
            notes.append(f"{said}, and were not read: write 2026-04-03T09:12:00Z, year first")
        if self.columns.plane:
            notes.append("The columns x and y were taken for longitude and latitude in degrees")
        if self.columns.unused:
            names = ", ".join(name[:40] for name in self.columns.unused[:12])
            more = f" and {len(self.columns.unused) - 12} more" if len(self.columns.unused) > 12 else ""
            notes.append(f"Columns that are not used: {names}{more}")
        return notes + self.fixes.clock.notes()


def _year_first(text: str) -> str:
    """Write a date such as 2026/3/7 9:00 as ISO 8601 has it: beginning with the year, it says its order."""
    match = _YEAR_FIRST.fullmatch(text) if text[7:8] != "-" or text[13:14] != ":" else None
    if match is None or (not match[2] and len(match[3] + match[4]) != 4):
        return text
    year, _, month, day, hour, rest = match.groups()
    return f"{year}-{month:0>2}-{day:0>2}T{hour:0>2}{rest}"


def _cell(cells: list[str], column: int) -> str:
    return cells[column] if 0 <= column < len(cells) else ""


def read_csv(data: bytes, file: str) -> Recording:
    """Read a walk from a table, one fix a row, as it stands.

    The header is among the first ten lines, in any order of columns and any case. Needed are latitude, longitude and a
    time: ISO 8601, or a Unix number in seconds or milliseconds. A date such as 03/04/2026 is not guessed. A new value
    in a column ``segment`` or ``track`` begins a run; words in ``name``, ``mark`` or ``note`` make a waypoint there.

    Raises TrackError: over 128 MB, without such a header or any fix, without one readable place, or a list of marked
    places.
    """
    if len(data) > limits.MAX_TABLE_BYTES:
        raise limits.too_large(file, len(data), limits.MAX_TABLE_BYTES, "a table")
    table = TableText(data)
    line, mark, columns, found = _find_header(table, file)
    if not columns.whole:
        raise _no_columns(file, found)
    table.check_rows(line, file)
    builder = _Builder(file, columns)
    ends_open = data.rstrip(b"\0")[-1:] not in (b"\r", b"\n")
    unfinished = _take_rows(builder, table.rows(line, mark), ends_open)
    fixes = builder.fixes
    if not len(fixes):
        problem = "has a header, but no row with a value below it"
        raise TrackError(problem, file=file, hint="Export the recording itself, with its points")
    if builder.in_quotes == len(fixes):
        raise _rows_in_quotes(file, builder.first_in_quotes)
    if all(lon != lon or lat != lat for lon, lat in zip(fixes.lon, fixes.lat, strict=True)):
        problem = f"has no row with a readable place; the first has {builder.first_bad}"
        hint = "Places are decimal degrees such as 55.5012; with decimal commas, use semicolons or tabs between columns"
        raise TrackError(problem, file=file, hint=hint)
    _check_plane(builder)
    if builder.marks.is_list():
        problem = f"is a table of {format_count(len(fixes), 'row')}, most with a name or note of their own"
        raise TrackError(problem, file=file, hint="Those are marked places: export the recording of the walk itself")
    waypoints, lost = builder.marks.waypoints(fixes)
    notes = [*table.notes, *_form_notes(line, table.stray_quotes, unfinished), *builder.notes()]
    notes += mark_notes(len(waypoints), lost)
    names = builder.marks.names() or tuple(dict.fromkeys(run for run in builder.runs if run and not run.isdecimal()))
    return Recording(file, fixes.track(), tuple(waypoints), names=names, notes=tuple(notes))


def _take_rows(builder: _Builder, rows: Iterator[list[str]], ends_open: bool) -> bool:
    """Take all rows but empty ones; True when the last one breaks off, and was left out."""
    before: list[str] = []
    width = 0
    for cells in rows:
        if not any(cell.strip() for cell in cells):
            continue
        if before:
            if not width:
                builder.choose_columns(before)
            builder.row(before)
            width = len(before)
        before = cells
    if not before or (ends_open and len(before) < width):
        return bool(before)
    if not width:
        builder.choose_columns(before)
    builder.row(before)
    return False


def _form_notes(header_line: int, stray_quotes: int, unfinished: bool) -> list[str]:
    notes = [f"The header is in line {header_line}; what is above it was not read"] if header_line > 1 else []
    if stray_quotes:
        notes.append(f"{format_count(stray_quotes, 'row')} with a quotation mark that does not close, read as they are")
    if unfinished:
        notes.append("The last row is unfinished and was left out")
    return notes


def _check_plane(builder: _Builder) -> None:
    """Columns x and y may be metres of a map grid; degrees they can only be inside their range."""
    fixes = builder.fixes
    if not builder.columns.plane:
        return
    for lon, lat in zip(fixes.lon, fixes.lat, strict=True):
        if abs(lon) > 180 or abs(lat) > 90:
            problem = f"has columns x and y that are not degrees, such as {lon:.10g}, {lat:.10g}"
            hint = "Export it in WGS 84 longitude and latitude, with columns called lon and lat"
            raise TrackError(problem, file=fixes.file, hint=hint)


def _is_row_in_quotes(cells: list[str]) -> bool:
    """Whether a single value holds what separates three, as a spreadsheet writes a row that it took for one text."""
    return len(cells) == 1 and sum(map(cells[0].count, SEPARATORS)) >= 2


def _rows_in_quotes(file: str, row: str) -> TrackError:
    problem = f"is a table with whole rows in quotes, each a single value, such as {row[:30]!r}"
    return TrackError(problem, file=file, hint="Save it again without quotes around rows, or export the walk as GPX")


def _no_columns(file: str, found: list[str]) -> TrackError:
    names = ", ".join(name[:40] for name in found[:12]) or "no header"
    problem = f"is a table, but not of a walk: it needs a header with the columns {_NEEDED}; found: {names}"
    return TrackError(problem, file=file, hint="Add these column names as its first line, or export the walk as GPX")
