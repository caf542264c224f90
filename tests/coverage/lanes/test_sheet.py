"""Sheets as people fill them in: what counts, and what is told."""

from __future__ import annotations

import pytest

from fieldcomb.coverage.lanes.sheet import (
    NO,
    PART,
    YES,
    LaneTimes,
    PlannedEnds,
    read_sheet,
    state_of,
    time_of,
    times_of,
)
from fieldcomb.tracks.errors import SiteError

PLAN = [PlannedEnds(n, (-28.0 + n * 1e-5, 46.5), (-28.0 + n * 1e-5, 46.501)) for n in range(1, 21)]


def read(text: str, coding: str = "utf-8") -> tuple[dict[int, str], tuple[str, ...]]:
    """States by lane, and what was told."""
    lines, notes = read_sheet(text.encode(coding), "sheet.csv", PLAN)
    return state_of(lines), notes


@pytest.mark.parametrize("said", ["y", "Y", "yes", "x", "X", "1", "done", "\u2713"])
def test_a_tick_is_a_tick(said: str) -> None:
    """Whatever people write into a box for done, the lane was walked."""
    assert read(f"lane,done\n3,{said}\n") == ({3: YES}, ())


def test_half_a_lane_and_none_are_told_apart_from_silence() -> None:
    """Part and no are kept; a lane that nothing was written for is not among them."""
    states, notes = read("lane,done\n1,part\n2,n\n3,\n4,y\n")
    assert states == {1: PART, 2: NO, 4: YES} and notes == ()


@pytest.mark.parametrize("coding", ["utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_spreadsheets_of_all_kinds_are_read(coding: str, mark: str) -> None:
    """Any order of columns, any separator, several character sets, blank lines and foreign columns."""
    head = ["note", "Done", "weather", "LANE", "searcher"]
    rows = [head, ["", "y", "rain", "L12", "J\xfcrgen"], [""] * 5, ["", "n", "", "13.0", ""]]
    states, notes = read("\r\n".join(mark.join(row) for row in rows), coding)
    assert states == {12: YES, 13: NO} and any("weather" in note for note in notes)


def test_a_lane_that_is_not_there_is_told_with_its_row() -> None:
    """The row of lane 99 is named and not used; the others count."""
    states, (note,) = read("lane,done\n1,y\n99,y\n")
    assert states == {1: YES} and "row 3" in note and "'99'" in note and "1 to 20" in note


def test_a_word_that_cannot_be_is_told_with_its_row() -> None:
    """An answer that is none leaves the lane open, and is told."""
    states, (note,) = read("lane,done\n5,perhaps\n")
    assert states == {} and "row 2" in note and "lane 5" in note


def test_a_lane_done_by_two_people_is_kept_for_both() -> None:
    """Two rows of one lane are both read; where they differ that is told, and the better one counts."""
    lines, notes = read_sheet(b"lane,done,searcher\n7,n,Ann\n7,y,Bo\n8,y,Ann\n8,y,Bo\n", "sheet.csv", PLAN)
    assert [one.searcher for one in lines] == ["Ann", "Bo", "Ann", "Bo"] and state_of(lines) == {7: YES, 8: YES}
    assert "row 3" in notes[0] and "the fuller answer counts" in notes[0]
    assert notes[1:] == ("sheet.csv, row 5: lane 8 is y by Bo here and by Ann in row 4; it counts once",)


def test_the_sheet_of_another_plan_is_refused() -> None:
    """A sheet whose lanes lie elsewhere is refused with its row and how far off it is."""
    with pytest.raises(SiteError, match=r"the sheet of another plan: its lane 2 begins .* m from this plan") as error:
        read_sheet(b"lane,from_lat,from_lon,done\n2,46.5003,-27.9999800,y\n", "sheet.csv", PLAN)
    assert error.value.where == "row 2"


def test_a_sheet_with_its_own_places_is_taken() -> None:
    """Places that are those of the plan, also with a decimal comma, are no reason to refuse a sheet."""
    assert read("lane;from_lat;from_lon;done\n2;46,50000000;-27,99998000;y\n")[0] == {2: YES}


@pytest.mark.parametrize(
    ("written", "read"),
    [
        ("10:02", "10:02"),
        ("9.05", "09:05"),
        ("2:30 pm", "14:30"),
        ("12:10am", "00:10"),
        ("2026-04-19 10:02", "2026-04-19T10:02"),
        ("2026-04-19T10:02:59", "2026-04-19T10:02"),
        ("", ""),
        ("25:00", None),
        ("10:60", None),
        ("13:00 pm", None),
        ("2026-04-19", None),
        ("2026-04-19T10:02+02:00", None),
        ("noon", None),
        ("=1+1", None),
    ],
)
def test_times_are_read_as_people_write_them(written: str, read: str | None) -> None:
    """Hours and minutes, with a day or without; what is no time of the site's clock is none."""
    assert time_of(written) == read


def test_a_time_that_cannot_be_is_told_and_the_lane_counts() -> None:
    """A slip in a time, and an end before its start, are told with row and column; both lanes stay walked."""
    lines, notes = read_sheet(b"lane,done,start,end\n7,y,noon,10:20\n8,y,10:30,10:20\n9,y,,\n", "sheet.csv", PLAN)
    assert state_of(lines) == {7: YES, 8: YES, 9: YES}
    assert notes[0].startswith("sheet.csv, row 2, column start: 'noon' is no time; expected 10:02 or ")
    assert notes[1].startswith("sheet.csv, row 3: lane 8 ends at 10:20 and starts at 10:30, later") and len(notes) == 2
    assert times_of(lines) == {7: LaneTimes("", "10:20", 2), 8: LaneTimes("10:30", "10:20", 3)}
