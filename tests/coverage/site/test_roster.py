"""The roster of a team: every way that a spreadsheet saves it gives the same rows."""

from __future__ import annotations

import pytest

from fieldcomb.coverage.site.roster import read_roster
from fieldcomb.tracks.errors import SiteError
from fieldcomb.tracks.files import limits

TABLE = "file,searcher,coil\na.gpx,Bjørn,28cm\n,Ann,\n"


@pytest.mark.parametrize(
    "raw",
    [
        TABLE.encode(),
        TABLE.encode("utf-8-sig"),
        TABLE.encode("utf-16"),
        TABLE.encode("utf-16-le"),
        TABLE.replace(",", ";").encode("utf-16"),
        b"\r\n" + TABLE.replace("\n", "\r\n").encode(),
        b",,\n \n" + TABLE.replace(",", "\t").encode(),
        b" FILE ,Searcher,coil\n\na.gpx,Bj\xc3\xb8rn,28cm\n,,\n,Ann,\n",
        TABLE.encode() + bytes(512),
    ],
)
def test_every_way_to_save_a_roster_gives_the_same_rows(raw: bytes) -> None:
    """UTF-8 or UTF-16, with or without a mark of it, blank lines above the header, comma, semicolon or tab."""
    rows, _ = read_roster(raw, "r.csv")
    assert [(row.file, row.searcher, row.typed.coil) for row in rows] == [
        ("a.gpx", "Bjørn", "28cm"),
        (None, "Ann", None),
    ]


def test_windows_letters_are_read_and_reported() -> None:
    """A roster in Windows-1252 keeps its letters; the note names the file and says how it was read."""
    rows, (note,) = read_roster(TABLE.encode("cp1252"), "r.csv")
    assert rows[0].searcher == "Bjørn" and note.startswith("r.csv: ") and "windows-1252" in note


def test_lines_are_counted_from_the_top_of_the_file() -> None:
    """With blank lines above the header, a message still has the line that an editor shows."""
    with pytest.raises(SiteError, match=r"'1.4' has no unit \(line 5\)"):
        read_roster(b"\n\nfile,swath\n\na.gpx,1.4\n", "r.csv")
    with pytest.raises(SiteError, match=r"no column 'file' \(found: name\) \(line 3\)"):
        read_roster(b"\n\nname\na.gpx\n", "r.csv")


def test_a_picture_is_no_roster() -> None:
    """Bytes that are no text are refused, with what to do."""
    with pytest.raises(SiteError, match="is not a table of text") as caught:
        read_roster(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "r.csv")
    assert "Save it as CSV" in (caught.value.hint or "")


def test_a_roster_of_megabytes_is_refused() -> None:
    """A table of a megabyte is not one that somebody typed, and is refused before it is read."""
    with pytest.raises(SiteError, match=r"is 1\.2 MB, more than the limit of 1 MB"):
        read_roster(b"file,searcher\n" + b"a.gpx,Ann\n" * 120_000, "roster.csv")


def test_a_roster_of_more_people_than_any_outing_has_is_refused() -> None:
    """A list of thousands is not written into the site; the message says the limit and what to do."""
    people = "".join(f",Person {n}\n" for n in range(limits.MAX_ROSTER_ROWS - 1))
    text = f"file,searcher\na.gpx,Ann\n{people}"
    assert len(read_roster(text.encode(), "roster.csv")[0]) == limits.MAX_ROSTER_ROWS
    with pytest.raises(SiteError, match="has 1,001 rows, more than the limit of 1,000") as caught:
        read_roster(f"{text},One more\n".encode(), "roster.csv")
    assert caught.value.hint
