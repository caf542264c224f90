"""Whatever a spreadsheet makes of finds.csv is read right, and changing one find changes one row of it."""

from __future__ import annotations

import random
import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, date
from io import BytesIO
from pathlib import Path
from zoneinfo import ZoneInfo

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


@pytest.mark.skipif(shutil.which("soffice") is None, reason="needs the spreadsheet of LibreOffice")
def test_a_spreadsheet_opens_and_saves_a_record_without_loss(tmp_path: Path) -> None:
    """Converted by LibreOffice into its own kind of file and back, every find is the same, noughts and ranges too."""
    from fieldcomb.coverage.finds.find import FIND_COLUMNS
    from fieldcomb.tracks.files.kept_table import new_table

    first = Find(1, "keep", 2, "2026-03-07a", 1772872200.0, 46.49978, -28.0002, "stop", 3.9, "Ann", "13x20cm", (5, 7))
    full = replace(first, depth_m=0.12, hole="3-4", what="=1+1", from_year=-50, to_year=40, count=2, weight_g=3.25)
    full = replace(full, report_no="0012", reported_on=date(2026, 5, 1), in_situ=True, photos=("a.jpg", "b.jpg"))
    full = replace(full, note='two, "bent"; łü', belongs_with=(2, 3), mark="waypoint 1772872200.000")
    finds = [full, Find(2, "junk", 3, number=(10, 12), what="1/2", kept_at="1.5.2026"), Find(3, "left", 4, what="-")]
    raw = with_finds(new_table("finds.csv", FIND_COLUMNS), finds, ZoneInfo("Europe/Oslo")).as_bytes()
    assert read(raw).finds == tuple(finds)
    (tmp_path / "finds.csv").write_bytes(raw)
    office = ["soffice", f"-env:UserInstallation=file://{tmp_path}/profile", "--headless", "--convert-to"]
    for kind, source in (("xlsx", "finds.csv"), ("csv", "finds.xlsx")):
        arguments = [*office, kind, "--outdir", str(tmp_path), str(tmp_path / source)]
        subprocess.run(arguments, check=True, capture_output=True, timeout=300)
    assert (tmp_path / "finds.csv").read_bytes() != raw
    assert read((tmp_path / "finds.csv").read_bytes()).finds == tuple(finds)
