"""Whatever a spreadsheet makes of finds.csv is read right, and changing one find changes one row of it."""

from __future__ import annotations

import random
from datetime import UTC
from io import BytesIO

import pytest
from spreadsheets import Sheet, made_up_sheet

from fieldcomb.coverage.finds.cells import RowContext
from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.finds.reading import FindsRead, read_finds
from fieldcomb.coverage.finds.writing import changed_cells, with_finds

LARGE = 5000


def sheets(count: int, seed: int = 17) -> list[Sheet]:
    """Made-up sheets; the last two are large."""
    source = random.Random(seed)
    sizes = [source.randrange(1, 40) for _ in range(count - 2)]
    return [made_up_sheet(source, size) for size in [*sizes, LARGE, LARGE]]


def read(raw: bytes) -> FindsRead:
    """The finds of a file."""
    return read_finds(raw, "finds.csv", UTC)


def test_three_hundred_spreadsheets_are_read_right() -> None:
    """Any separator, letters, line end, quoting, order of columns, blank row and decimal comma: the same finds."""
    for number, sheet in enumerate(sheets(300)):
        found = read(sheet.raw)
        assert found.finds == sheet.finds, (number, sheet.raw[:300])
        assert not found.unused
        told = [note for note in found.notes if "looks like a formula" not in note and "windows-1252" not in note]
        assert told == [], number


def test_setting_one_find_changes_only_its_row() -> None:
    """Of every other row not one byte changes, and it is read as before; the changed one says what was typed."""
    source = random.Random(18)
    for sheet in sheets(300, 18):
        before = read(sheet.raw)
        find = source.choice(before.finds)
        cells = changed_cells(before, find, {"what": 'bolt; of a, "gate"', "depth": "7.5cm"}, RowContext(UTC, None))
        raw = before.table.with_values(find.row, cells).as_bytes()
        after = read(raw)
        changed = next(one for one in after.finds if one.find_no == find.find_no)
        assert (changed.what, changed.depth_m) == ('bolt; of a, "gate"', 0.075)
        assert [one for one in after.finds if one is not changed] == [one for one in before.finds if one is not find]
        text = raw.decode(sheet.codec)
        rows = list(sheet.rows)
        header = 0 if {"what", "depth_cm"} <= set(before.table.columns) else 1
        old = "".join(rows[header : find.row - 1]), "".join(rows[find.row :])
        assert old[0] in text and text.endswith(old[1]), sheet.raw[:300]
        assert len(after.table.rows) == len(before.table.rows)


def test_new_rows_leave_all_others_as_they_are() -> None:
    """What is collected stands below, in the letters and with the separator of the file; all before it is untouched."""
    for sheet in sheets(100, 19):
        before = read(sheet.raw)
        new = Find(90_000, "keep", what="pin", outing="2026-03-07a", lat_deg=1.5, lon_deg=2.5, error_m=3.9, how="fix")
        after = read(with_finds(before.table, [new], UTC).as_bytes())
        assert after.finds[:-1] == before.finds
        added = after.finds[-1]
        assert (added.find_no, added.what, added.lat_deg, added.error_m) == (90_000, "pin", 1.5, 3.9)


@pytest.mark.parametrize("seed", range(3))
def test_pandas_opens_a_record_without_loss(seed: int) -> None:
    """A table library reads every number and text of a record that the program began."""
    pandas = pytest.importorskip("pandas")
    from fieldcomb.coverage.finds.find import FIND_COLUMNS
    from fieldcomb.tracks.files.kept_table import new_table

    finds = [find for find in made_up_sheet(random.Random(seed), 200).finds if not find.what.startswith("'")]
    raw = with_finds(new_table("finds.csv", FIND_COLUMNS), finds, UTC).as_bytes()
    table = pandas.read_csv(BytesIO(raw), keep_default_na=False, dtype=str)
    assert list(table.columns) == list(FIND_COLUMNS)
    assert list(table["find_no"]) == [str(find.find_no) for find in finds]
    assert [text.removeprefix("'") for text in table["what"]] == [find.what for find in finds]
    again = read(table.to_csv(index=False).encode())
    assert again.finds == read(raw).finds
