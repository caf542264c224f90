"""Sheets as people fill them in: what counts, and what is told."""

from __future__ import annotations

import pytest

from fieldcomb.coverage.lanes.sheet import NO, PART, YES, PlannedEnds, read_sheet, state_of
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
    assert states == {1: YES} and "line 3" in note and "'99'" in note and "1 to 20" in note


def test_a_word_that_cannot_be_is_told_with_its_row() -> None:
    """An answer that is none leaves the lane open, and is told."""
    states, (note,) = read("lane,done\n5,perhaps\n")
    assert states == {} and "line 2" in note and "lane 5" in note


def test_a_lane_done_by_two_people_is_kept_for_both() -> None:
    """Two rows of one lane are both read; where they differ that is told, and the better one counts."""
    lines, notes = read_sheet(b"lane,done,searcher\n7,n,Ann\n7,y,Bo\n8,y,Ann\n8,y,Bo\n", "sheet.csv", PLAN)
    assert [one.searcher for one in lines] == ["Ann", "Bo", "Ann", "Bo"] and state_of(lines) == {7: YES, 8: YES}
    assert len(notes) == 1 and "line 3" in notes[0]


def test_the_sheet_of_another_plan_is_refused() -> None:
    """A sheet whose lanes lie elsewhere is refused with its row and how far off it is."""
    with pytest.raises(SiteError, match=r"the sheet of another plan: its lane 2 begins .* m from this plan") as error:
        read_sheet(b"lane,from_lat,from_lon,done\n2,46.5003,-27.9999800,y\n", "sheet.csv", PLAN)
    assert error.value.where == "line 2"


def test_a_sheet_with_its_own_places_is_taken() -> None:
    """Places that are those of the plan, also with a decimal comma, are no reason to refuse a sheet."""
    assert read("lane;from_lat;from_lon;done\n2;46,50000000;-27,99998000;y\n")[0] == {2: YES}
