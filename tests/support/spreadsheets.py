"""Made-up records of finds as spreadsheets of all kinds save them, with the finds that they hold."""

from __future__ import annotations

import csv
import io
import random
from dataclasses import dataclass

from fieldcomb.coverage.finds.find import Find

CODECS = ("utf-8", "utf-8-sig", "utf-16", "cp1252")
MARKS = (",", ";", "\t")
ENDS = ("\r\n", "\n", "\r")
WORDS = (
    "lead token",
    'half "crown"',
    "buckle; bent",
    "pin, two parts",
    "Hängsel",
    "=1+1",
    "-",
    "'tis",
    "line one\nline two",
)
FOREIGN = ("Shelf", "my note", "Größe", "bag colour", "")
COLUMNS = ("find_no", "kind", "what", "lat", "lon", "error_m", "depth_cm", "number", "count", "outing", "from_year")


@dataclass(frozen=True, slots=True)
class Sheet:
    """A file, its character set, and the finds in it in the order of the rows.

    rows : the text of each row with its line end, the header first; those without a find are blank.
    """

    raw: bytes
    codec: str
    finds: tuple[Find, ...]
    rows: tuple[str, ...]


def made_up_sheet(source: random.Random, count: int) -> Sheet:
    """Draw a record of so many finds."""
    codec, mark, end = (source.choice(choices) for choices in (CODECS, MARKS, ENDS))
    comma = source.random() < 0.5
    columns = ["find_no", "kind", *source.sample(COLUMNS[2:], source.randrange(4, len(COLUMNS) - 1))]
    if ("lat" in columns) != ("lon" in columns):
        columns.append("lon" if "lat" in columns else "lat")
    columns += source.sample(FOREIGN, source.randrange(3))
    source.shuffle(columns)
    quoting = source.choice((csv.QUOTE_MINIMAL, csv.QUOTE_ALL))
    heads = [source.choice((str, str.upper, str.title))(name).replace("_", source.choice("_ ")) for name in columns]
    rows, finds = [_line(heads, mark, end, quoting)], []
    numbers = source.sample(range(1, 10 * count + 1), count)
    for number in numbers:
        while source.random() < 0.05:
            rows.append(source.choice((end, mark * (len(columns) - 1) + end)))
        cells, find = _find(source, number, len(rows) + 1, columns, comma)
        if source.random() < 0.1:  # a spreadsheet drops what is blank at the end of a row
            while cells[-1] == "":
                cells.pop()
        rows.append(_line(cells, mark, end, quoting))
        finds.append(find)
    if source.random() < 0.3:
        rows[-1] = rows[-1].removesuffix(end)
    if codec == "utf-8" and "".join(rows).isascii():
        codec = "ascii"
    return Sheet("".join(rows).encode(codec), codec, tuple(finds), tuple(rows))


def _line(cells: list[str], mark: str, end: str, quoting: int) -> str:
    written = io.StringIO(newline="")
    csv.writer(written, delimiter=mark, lineterminator="\r\n", quoting=quoting).writerow(cells)
    return written.getvalue()[:-2] + end


def _find(source: random.Random, number: int, row: int, columns: list[str], comma: bool) -> tuple[list[str], Find]:
    """Draw the cells of a row and the find that they mean."""
    known: dict[str, tuple[str, object, object]] = {}  # column: its text, the field, its value

    def some(column: str, text: str, name: str, value: object, share: float = 0.7) -> None:
        if column in columns and source.random() < share:
            known[column] = (text.replace(".", ",") if comma and column in DECIMAL else text, name, value)

    kind = source.choice(("keep", "junk", "left"))
    word = source.choice(WORDS)
    some("what", word, "what", " ".join(word.split()))
    if source.random() < 0.8:
        lat, lon = round(source.uniform(-80, 80), 6), round(source.uniform(-180, 180), 6)
        some("lat", f"{lat:.6f}", "lat_deg", lat, 1)
        some("lon", f"{lon:.6f}", "lon_deg", lon, 1)
    error_m, depth_cm = round(source.uniform(0.1, 9), 1), source.choice((0.0, 3.0, 12.5, 30.0))
    some("error_m", f"{error_m}", "error_m", error_m)
    some("depth_cm", f"{depth_cm:g}", "depth_m", depth_cm / 100)
    low, wide = source.randrange(90), source.randrange(9)
    some("number", f"{low}-{low + wide}" if wide else str(low), "number", (low, low + wide))
    pieces = source.randrange(1, 9)
    some("count", source.choice((f"{pieces}", f"{pieces}.0")), "count", pieces)
    some("outing", "2026-03-07a", "outing", "2026-03-07a")
    year = source.randrange(-2000, 2000)
    some("from_year", str(year), "from_year", year)
    fields = {name: value for _, name, value in known.values()}
    if "lat_deg" in fields:
        fields["how"] = "typed"
    cells = {"find_no": str(number), "kind": source.choice((kind, kind.upper()))}
    cells |= {column: text for column, (text, _, _) in known.items()}
    texts = [cells.get(column, source.choice(("", "x, y", "7")) if column in FOREIGN else "") for column in columns]
    return texts, Find(number, kind, row, **fields)  # type: ignore[arg-type]


DECIMAL = ("lat", "lon", "error_m", "depth_cm", "count")
