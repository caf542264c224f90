"""Finds as rows of finds.csv: new ones below, and what was typed for one put into its own row."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import datetime, tzinfo
from typing import Any

from fieldcomb.coverage.finds.cells import CELLS, CellError, RowContext, kept_as_text
from fieldcomb.coverage.finds.fields import degree_decimals, numbers_text, shown_place
from fieldcomb.coverage.finds.find import FIND_COLUMNS, FIND_KINDS, Find
from fieldcomb.coverage.finds.reading import FindsRead
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.files.kept_table import KeptTable
from fieldcomb.tracks.units import parse_length_m

ROW_BY_HAND = ("find_no", "mark")  # columns that are not set, because they say which row it is
_NUMBER_COLUMNS = ("lat", "lon", "error_m", "depth_cm", "weight_g")
_COMMA, _POINT = re.compile(r"\s*-?\d+,\d+\s*\Z"), re.compile(r"\s*-?\d+\.\d+\s*\Z")


def uses_commas(table: KeptTable) -> bool:
    """Whether numbers of a table have a decimal comma: by those that it holds, or else by what separates its cells."""
    seen = [table.values(row) for row in table.rows]
    texts = [values.get(column, "") for values in seen for column in _NUMBER_COLUMNS]
    commas, points = (sum(bool(form.match(text)) for text in texts) for form in (_COMMA, _POINT))
    return commas > points if commas or points else table.mark == ";"


def with_finds(table: KeptTable, finds: Sequence[Find], zone: tzinfo) -> KeptTable:
    """Return the table with new rows below, one for each find."""
    commas = uses_commas(table)
    return table.with_rows([row_of(find, zone, commas) for find in finds])


def row_of(find: Find, zone: tzinfo, commas: bool = False) -> dict[str, str]:
    """Return the cells of a find by column, as they are read again; blank where nothing is known."""
    lat, lon = shown_place(find)
    places = degree_decimals(find.error_m)
    numbers = {
        "lat": None if lat is None else f"{lat:.{places}f}",
        "lon": None if lon is None else f"{lon:.{places}f}",
        "error_m": None if find.error_m is None else f"{find.error_m:.2g}",
        "depth_cm": None if find.depth_m is None else f"{round(find.depth_m * 100, 3):g}",
        "weight_g": None if find.weight_g is None else f"{find.weight_g:.10g}",
    }
    row = {name: (text or "").replace(".", "," if commas else ".") for name, text in numbers.items()}
    for column in FIND_COLUMNS:
        if column not in row:
            row[column] = _text(_value(find, column), column, zone)
    return {column: row[column] for column in FIND_COLUMNS}


def _value(find: Find, column: str) -> Any:
    if column == "number":
        return numbers_text(find.number)
    return getattr(find, CELLS[column][0] if column in CELLS else column)


def _text(value: Any, column: str, zone: tzinfo) -> str:
    if column == "time" and value is not None:
        return datetime.fromtimestamp(round(value), zone).isoformat().replace("+00:00", "Z")
    match value:
        case None:
            return ""
        case bool():
            return "y" if value else "n"
        case tuple():
            return ";".join(str(part) for part in value)
    return kept_as_text(str(value))


def changed_cells(read: FindsRead, find: Find, typed: Mapping[str, str], context: RowContext) -> dict[str, str]:
    """Return the cells to write for what was typed for a find, by column; a blank text empties the cell.

    typed : by the name of a column, or ``depth``, ``weight``, ``error`` with a unit, or ``years`` as 1720-1760.

    Raises UsageError: no such column, or a text that cannot be read.
    """
    cells: dict[str, str] = {}
    for name, text in typed.items():
        for column, plain in _columns(name, text.strip()):
            if column in cells:
                raise UsageError(f"{column} was given twice", hint="Give it once")
            cells[column] = plain
    commas = uses_commas(read.table)
    written = {column: _checked(column, text, context, commas) for column, text in cells.items()}
    old = read.table.values(next(row for row in read.table.rows if row.number == find.row))
    _check_together(old | written)
    if ("lat" in written or "lon" in written) and "how" not in written:
        written["how"] = "typed" if written.get("lat", old.get("lat")) else ""
        written.setdefault("error_m", "")
    return written


def _columns(name: str, text: str) -> list[tuple[str, str]]:
    """Return the columns that a name stands for, with the text of each."""
    folded = "_".join(name.strip().casefold().split())
    if folded == "depth":
        return [("depth_cm", f"{parse_length_m(text, 'depth') * 100:.10g}" if text else "")]
    if folded == "error":
        return [("error_m", f"{parse_length_m(text, 'error'):.10g}" if text else "")]
    if folded == "weight":
        return [("weight_g", text.casefold().removesuffix("g").strip())]
    if folded in ("years", "year"):
        found = re.fullmatch(r"(-?\d+)(?:\s*(?:-|\N{EN DASH}|to)\s*(-?\d+))?", text)
        if text and found is None:
            raise UsageError(f"years {text!r} are not understood", hint="Write them like 1720-1760, or -50 to 40")
        return [("from_year", found[1] if found else ""), ("to_year", (found[2] or found[1]) if found else "")]
    column = {"photos": "photo"}.get(folded, folded)
    if column not in FIND_COLUMNS or column in ROW_BY_HAND:
        known = ", ".join(column for column in FIND_COLUMNS if column not in ROW_BY_HAND)
        raise UsageError(f"a find has no {name!r} that can be set", hint=f"Use one of {known}, or depth, weight, years")
    return [(column, text)]


def _checked(column: str, text: str, context: RowContext, commas: bool) -> str:
    """Return a text as it is written, after reading it as it will be read."""
    if column == "kind":
        if text.casefold() not in FIND_KINDS:
            raise UsageError(f"kind {text!r} is not known", hint="Use keep, junk or left")
        return text.casefold()
    if not text:
        return ""
    try:
        value = CELLS[column][1](text, context)
    except CellError as error:
        raise UsageError(f"{column} is {text!r}: {error}", hint="Nothing was changed") from error
    if column in _NUMBER_COLUMNS:
        plain = f"{value * 100 if column == 'depth_cm' else value:.12g}"
        return plain.replace(".", ",") if commas else plain
    if column == "number":
        return numbers_text(value)
    return _text(value, column, context.zone)


def _check_together(values: Mapping[str, str]) -> None:
    """Refuse a place of which one half is missing, and years the wrong way round."""
    if bool(values.get("lat")) != bool(values.get("lon")):
        raise UsageError("lat and lon are needed together", hint="Give both, or empty both")
    years = [values.get(column, "") for column in ("from_year", "to_year")]
    try:
        first, last = (int(year) for year in years)
    except ValueError:
        return
    if first > last:
        raise UsageError(f"from_year {first} is later than to_year {last}", hint="Write the earlier year first")
