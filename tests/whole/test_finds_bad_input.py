"""Records of finds that are wrong in every way that people and spreadsheets can make them: told, and nothing lost."""

from __future__ import annotations

import json
import random
import shutil
from pathlib import Path

import pytest
from small_walks import LAT, LON, square, walk

from fieldcomb.coverage.commands.cli import main

HEAD = "find_no,kind,what,time,lat,lon,number,from_year,to_year,photo,outing\n"
PLACE = f"{LAT:.5f},{LON:.5f}"
ROWS = {
    "a formula": ("1,keep,\"=cmd|' /C calc'!A0\",,,,,,,,", "which looks like a formula; taken as the text that it is"),
    "outside": (f"2,keep,coin,,{LAT + 0.01:.5f},{LON:.5f},,,,,", "1 find lies outside the site, and is counted all"),
    "another site": ("3,keep,coin,,12.0,12.0,,,,,2020-01-01a", "are they from another one? Their places are not used"),
    "no date": (f"4,keep,coin,09:30,{PLACE},,,,,", 'time is "09:30": it has no date'),
    "above 99": (f"5,keep,coin,,{PLACE},120,,,,", "number is 120, and few detectors show more than 99; kept"),
    "in words": (f"6,keep,coin,,{PLACE},high,,,,", 'number is "high": a target number from 0 to 999'),
    "years": (f"7,keep,coin,,{PLACE},,1800,1700,,", "from_year 1800 is later than to_year 1700; taken as 1700 to 1800"),
    "no photo": (f"8,keep,coin,,{PLACE},,,,gone.jpg,", 'photo is "gone.jpg": no such file in the folder photos'),
    "a way out": (f"9,keep,coin,,{PLACE},,,,../../etc/passwd,", "names of files in the folder photos"),
}


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site with one walk."""
    folder = tmp_path_factory.mktemp("finds")
    (folder / "edge.geojson").write_text(square(-5, -5, 12, 25))
    (folder / "walk.gpx").write_text(walk())
    assert main(["new", str(folder / "s"), "--boundary", str(folder / "edge.geojson"), "--zone", "UTC"]) == 0
    assert main(["add", str(folder / "s"), str(folder / "walk.gpx")]) == 0
    return folder / "s"


@pytest.fixture
def site(plain: Path, tmp_path: Path) -> Path:
    """A copy of it to spoil."""
    return Path(shutil.copytree(plain, tmp_path / "s"))


def test_every_fault_is_told_and_every_find_is_in_the_report(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The report counts all nine finds, says what is wrong with each, and changes not a byte of the record."""
    raw = (HEAD + "".join(row + "\n" for row, _ in ROWS.values())).encode()
    (site / "finds.csv").write_bytes(raw)
    capsys.readouterr()
    assert main(["report", str(site), "--json"]) == 0
    report = json.loads(capsys.readouterr().out)
    assert [find["find_no"] for find in report["finds"]] == list(range(1, 10))
    notes = "\n".join(report["notes"])
    for name, (_, said) in ROWS.items():
        assert said in notes, name
    assert (site / "finds.csv").read_bytes() == raw
    assert main(["finds", str(site)]) == 0
    assert "9 finds: 9 kept" in capsys.readouterr().out


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"\n\n",
        b"find_no,kind\n1,keep\n1,junk\n",
        b"find_no,kind\0\n",
        b"kind,what\nkeep,a\n",
        b"\xff\xd8\xff\xe0 a picture" + bytes(range(256)) * 40,
        b"PK\x03\x04 a workbook, not a table" + bytes(200),
        b'find_no,kind\n"1,keep\n' * 60,
        b"find_no," + b"a," * 200_000 + b"kinds\n",
        b"find_no,kind\n" + b"9" * 300_000 + b",keep\n",
    ],
)
def test_a_report_is_made_whatever_the_record_is(site: Path, raw: bytes, capsys: pytest.CaptureFixture[str]) -> None:
    """A record that cannot be used takes nothing else down: the map is drawn, a note says why, it stays as it is."""
    (site / "finds.csv").write_bytes(raw)
    capsys.readouterr()
    assert main(["report", str(site), "--json"]) == 0
    report = json.loads(capsys.readouterr().out)
    assert any("finds.csv" in note for note in report["notes"]) and report["finds"] == []
    assert main(["finds", str(site), "--set", "1", "what=pin"]) in (1, 2)
    assert main(["finds", str(site), "--collect"]) in (0, 1)
    assert (site / "finds.csv").read_bytes() == raw
    assert "Traceback" not in capsys.readouterr().err


def test_damaged_records_never_end_in_a_traceback(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two hundred records with bytes changed, cut or doubled are listed or refused, and stay as they are."""
    source = random.Random(4)
    good = (HEAD + "".join(row + "\n" for row, _ in ROWS.values())).encode()
    for _ in range(200):
        raw = bytearray(good)
        for _ in range(source.randrange(1, 8)):
            at = source.randrange(len(raw))
            raw[at : at + source.randrange(3)] = bytes(source.randrange(256) for _ in range(source.randrange(4)))
        (site / "finds.csv").write_bytes(raw)
        assert main(["finds", str(site)]) in (0, 1)
        assert (site / "finds.csv").read_bytes() == raw
    assert "Traceback" not in capsys.readouterr().err
