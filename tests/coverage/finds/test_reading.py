"""finds.csv as people keep it: whatever a spreadsheet makes of it is read, and every fault is told with its place."""

from __future__ import annotations

from datetime import date
from zoneinfo import ZoneInfo

import pytest

from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.finds.reading import FindsRead, read_finds
from fieldcomb.tracks.errors import SiteError

OSLO = ZoneInfo("Europe/Oslo")


def read(text: str, codec: str = "utf-8") -> FindsRead:
    """The finds in a text."""
    return read_finds(text.encode(codec), "finds.csv", OSLO)


def test_every_column_is_read_with_its_unit() -> None:
    """A row with everything filled in gives a find with everything known, depths in metres, times in UTC."""
    found = read(
        "find_no,outing,time,lat,lon,how,error_m,finder,coil,number,depth_cm,hole,kind,what,material,period,from_year,"
        "to_year,count,weight_g,condition,layer,in_situ,photo,belongs_with,reported_to,report_no,reported_on,kept_at,note"
        "\r\n14,2026-07-04a,2026-07-04T09:30,46.5,-28.25,stop,3.9,Ann,small,61-66,12,h3,keep,lead token,lead,medieval,"
        '-50,1500,2,3.4,worn,topsoil,y,a.jpg;b.jpg,15,museum,M-7,2026-07-09,box 2,"two, bent"\r\n15,,,,,,,,,,,,junk'
    )
    assert not found.notes
    assert found.finds[0] == Find(
        *(14, "keep", 2, "2026-07-04a", 1783150200.0, 46.5, -28.25, "stop", 3.9, "Ann", "small", (61, 66), 0.12, "h3"),
        *("lead token", "lead", "medieval", -50, 1500, 2, 3.4, "worn", "topsoil", True, ("a.jpg", "b.jpg"), (15,)),
        *("museum", "M-7", date(2026, 7, 9), "box 2", "two, bent"),
    )
    assert found.finds[1] == Find(15, "junk", 3)


@pytest.mark.parametrize("codec", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_letters_and_separators_of_spreadsheets_are_read(codec: str, mark: str) -> None:
    """The same finds come out of a file in any usual character set, with commas, semicolons or tabs."""
    rows = (("Kind", "what", "Find no", "depth_cm", "mine"), ("keep", "hängsel", "3", '"12,5"', "x"))
    found = read("\r\n".join(mark.join(row) for row in rows), codec)
    assert [(find.find_no, find.what, find.depth_m) for find in found.finds] == [(3, "hängsel", 0.125)]


@pytest.mark.parametrize("text", ["5-Jul", "05.07.2026", "7/5/26", "Jul 5", "2026-07-05", "5. Jul"])
def test_a_range_that_a_spreadsheet_turned_into_a_date_is_told_as_that(text: str) -> None:
    """Whoever did not know that spreadsheets do so reads what to write instead; other faults do not speak of dates."""
    (note,) = read(f"find_no,kind,number\n1,keep,{text}\n").notes
    assert "row 2: number is" in note and "may have made a date of it: write 5 to 7 for 5-7" in note
    (note,) = read("find_no,kind,number\n1,keep,66-61\n").notes
    assert "date" not in note


@pytest.mark.parametrize(
    ("cell", "said"),
    [
        ("depth_cm=deep", 'row 2: depth_cm is "deep": a number of centimetres was expected; taken as not known'),
        ("depth_cm=-3", 'row 2: depth_cm is "-3": a number of centimetres was expected; taken as not known'),
        ("time=09:30", 'row 2: time is "09:30": it has no date; a date and time like 2026-03-07T09:30 was expected; '),
        ("number=sixty", 'row 2: number is "sixty": a target number from 0 to 999, or a range such as 61-66, was '),
        ("number=66-61", 'row 2: number is "66-61": a target number'),
        ("number=130", "row 2: number is 130, and few detectors show more than 99; kept"),
        (
            "number=12-Oct",
            'row 2: number is "12-Oct": a target number from 0 to 999, or a range such as 61-66, was '
            "expected; a spreadsheet may have made a date of it: write 5 to 7 for 5-7",
        ),
        ("lat=46.5", "row 2: lat and lon are needed together; the position is taken as not known"),
        ("lat=91", 'row 2: lat is "91": degrees from -90 to 90 were expected; taken as not known'),
        ("what==1+1", 'row 2: what is "=1+1", which looks like a formula; taken as the text that it is'),
        ("count==1+1", 'row 2: count is "=1+1": a whole number of pieces was expected; taken as not known'),
        ("photo=../a.jpg", 'row 2: photo is "../a.jpg": names of files in the folder photos, with ; between, were '),
        ("belongs_with=9", "row 2: belongs_with is 9: there is no such other find"),
        ("in_situ=maybe", 'row 2: in_situ is "maybe": y or n was expected; taken as not known'),
        ("layer=mud", 'row 2: layer is "mud": topsoil, fill or below was expected; taken as not known'),
        ("reported_on=soon", 'row 2: reported_on is "soon": a date like 2026-03-07 was expected; taken as not known'),
        ("weight_g=nan", 'row 2: weight_g is "nan": a number of grams was expected; taken as not known'),
    ],
)
def test_a_fault_is_told_with_its_row_and_column_and_the_find_still_counts(cell: str, said: str) -> None:
    """Of a row with one faulty cell the rest is used, and so are all other rows."""
    column, _, text = cell.partition("=")
    found = read(f"find_no,kind,{column}\n1,keep,{text}\n2,junk,\n")
    assert [find.find_no for find in found.finds] == [1, 2]
    assert len(found.notes) == 1 and found.notes[0].startswith(f"finds.csv, {said}")


def test_years_the_wrong_way_round_are_told_and_turned() -> None:
    """A find from 1760 to 1720 is one from 1720 to 1760, and the report says so."""
    found = read("find_no,kind,from_year,to_year\n1,keep,1760,1720\n")
    assert (found.finds[0].from_year, found.finds[0].to_year) == (1720, 1760)
    assert found.notes == ("finds.csv, row 2: from_year 1760 is later than to_year 1720; taken as 1720 to 1760",)


def test_one_number_in_two_rows_is_refused_with_both_rows() -> None:
    """Two bags cannot have one number: nothing is guessed about which is which."""
    with pytest.raises(SiteError, match=r"has find_no 7 twice \(rows 2 and 5\)"):
        read("find_no,kind\n7,keep\n8,junk\n\n7,junk\n")


def test_rows_that_are_no_finds_are_told_and_the_rest_counts() -> None:
    """Without a number, without a kind, with too many values, or with quotes that do not fit, a row is no find."""
    found = read('find_no,kind,what\n,keep,a\n2,,b\n3,perhaps,c\n4,keep,d,e\n5,keep,"f"g\n6,keep,h\n')
    assert [find.find_no for find in found.finds] == [6]
    assert found.unused == (2, 3, 4, 5, 6) and found.taken == {2, 3, 4, 5, 6}
    assert [note.split(":")[0] for note in found.notes] == [f"finds.csv, row {row}" for row in (2, 3, 4, 5, 6)]


def test_a_day_with_slashes_is_read_when_only_one_way_is_possible() -> None:
    """Spreadsheets turn times into those of the country; the outing's own day says which number is the month."""
    rows = ["2026-03-07a,07/03/2026 09:30", "2026-03-07a,03/07/2026 09:30", "a,25/03/2026 09:30", "a,07/03/2026 09:30"]
    found = read("find_no,kind,outing,time\n" + "".join(f"{n},keep,{row}\n" for n, row in enumerate(rows, 1)))
    march_s = 1772872200.0
    assert [find.time_s for find in found.finds] == [march_s, march_s, march_s + 18 * 86400, None]
    assert len(found.notes) == 1


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("kind,what\nkeep,a\n", "has no column 'find_no'"),
        ("find_no,what\n1,a\n", "has no column 'kind'"),
        ("find_no,kind,what,What\n", "has the column 'what' twice"),
        ("find_no,kind\0\n1,keep\n", "is not a table of text"),
    ],
)
def test_what_is_no_record_of_finds_is_refused(text: str, said: str) -> None:
    """A file that cannot be one says what it lacks."""
    with pytest.raises(SiteError, match=said):
        read(text)


def test_faults_are_told_in_the_order_of_the_rows() -> None:
    """Also one that is known only when all rows were read, so that a sheet can be mended from top to bottom."""
    found = read("find_no,kind,depth_cm,belongs_with\n1,keep,,9\n2,keep,deep,7\n,keep,,\n3,keep,bad,8\n")
    assert [note.split(":")[0] for note in found.notes] == [f"finds.csv, row {row}" for row in (2, 3, 3, 4, 5, 5)]
