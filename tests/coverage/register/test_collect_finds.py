"""Finds are collected from marks once each, with numbers that no bag ever gets twice."""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from small_walks import LAT, LAT_PER_M, LON, LON_PER_M, MORNING, gpx, square, stamped, wpt
from tcx_files import SPACE

from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.finds.collecting import place_error_m
from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.gear.receivers import receiver
from fieldcomb.coverage.register.change_find import list_finds, set_find
from fieldcomb.coverage.register.collect_finds import CollectedFinds, collect_finds
from fieldcomb.tracks.errors import SiteError, UsageError
from fieldcomb.tracks.motion.cleaning import Fixes
from fieldcomb.tracks.motion.peg_drift import PegResidual, Tied


def quiet(_: object) -> None:
    """Take a note and forget it."""


def at(seconds: float) -> str:
    """The time of a row so long after the walk began, in UTC."""
    return f"{MORNING + timedelta(seconds=seconds):%Y-%m-%dT%H:%M:%SZ}"


# Three lanes; in the second one a dig of two minutes, 10 m up.
LANE = [(0.0, 0.4 * k) for k in range(50)]
DIG = [(1.3, 10.0)] * 120
WALK = [*LANE, *((1.3, 20 - 0.4 * k) for k in range(25)), *DIG, *((1.3, 10 - 0.4 * k) for k in range(25)), *LANE]
DIG_AT_S = 75


def site(folder: Path, *marks: tuple[str, float], more: str = "") -> Path:
    """A site with one walk that has these marks: their words, and when they were set."""
    (folder / "edge.geojson").write_text(square(-5, -5, 10, 25))
    points = "".join(wpt(name, MORNING + timedelta(seconds=s), 5.0, 5.0) for name, s in marks) + more
    (folder / "walk.gpx").write_text(gpx(stamped(WALK), points))
    assert main(["new", str(folder / "s"), "--boundary", str(folder / "edge.geojson"), "--zone", "UTC"]) == 0
    assert main(["add", str(folder / "s"), str(folder / "walk.gpx"), "--coil", "large=33cm"]) == 0
    return folder / "s"


def collect(folder: Path, *, stops: bool = False) -> CollectedFinds:
    """Collect in silence."""
    return collect_finds(folder, stops=stops, say=quiet)


def finds(folder: Path) -> tuple[Find, ...]:
    """The finds of a site."""
    return list_finds(folder, say=quiet).finds


def test_each_mark_of_a_find_becomes_one_row_in_order_of_time(tmp_path: Path) -> None:
    """Marks keep, junk and left are collected; a lane, a note or a peg is no find."""
    folder = site(tmp_path, ("junk nail", 300), ("keep lead token", 10), ("left", 200), ("lane 3", 20), ("oak", 30))
    assert len(collect(folder).new) == 3
    found = finds(folder)
    assert [(f.find_no, f.kind, f.what) for f in found] == [
        (1, "keep", "lead token"),
        (2, "left", ""),
        (3, "junk", "nail"),
    ]
    assert {f.outing for f in found} == {"2026-03-07a"} and {f.coil for f in found} == {"large"}
    assert (folder / "finds.csv").read_bytes().startswith(b"\xef\xbb\xbffind_no,outing,time,")


def test_collecting_twice_adds_nothing(tmp_path: Path) -> None:
    """Whatever was edited meanwhile, each mark keeps its one row; not a byte changes."""
    folder = site(tmp_path, ("keep a", 10), ("keep b", 10), ("keep c", 300))
    collect(folder)
    table = (folder / "finds.csv").read_text(encoding="utf-8-sig")
    edited = table.replace("keep,b", "junk,bolt").replace(at(300), at(330))
    (folder / "finds.csv").write_text(edited, encoding="utf-16")
    before = (folder / "finds.csv").read_bytes()
    again = collect(folder)
    assert again.new == () and again.marked == 3 and again.rows == 3
    assert (folder / "finds.csv").read_bytes() == before


def test_rows_are_known_without_the_column_of_marks(tmp_path: Path) -> None:
    """Who deletes that column, or writes the row himself with outing and time, gets no second row for the mark."""
    folder = site(tmp_path, ("keep a", 10), ("keep b", 300))
    (folder / "finds.csv").write_text(f"find_no;kind;outing;time\n5;keep;2026-03-07a;{at(10)}\n")
    assert [f.find_no for f in collect(folder).new] == [6]
    assert collect(folder).new == ()


def test_a_number_is_never_given_again(tmp_path: Path) -> None:
    """The bag of a row that somebody took out keeps its number: what is collected next has a higher one."""
    folder = site(tmp_path, ("keep a", 10), ("keep b", 200), ("keep c", 300))
    collect(folder)
    lines = (folder / "finds.csv").read_bytes().splitlines(keepends=True)
    (folder / "finds.csv").write_bytes(b"".join(lines[:2]))
    assert [f.find_no for f in collect(folder).new] == [4, 5]
    (folder / "finds.csv").unlink()
    assert [f.find_no for f in collect(folder).new] == [6, 7, 8]


def test_a_mark_at_a_stop_has_the_place_of_the_stop(tmp_path: Path) -> None:
    """Pressed during a dig or within a minute after it beside the hole, it lies at the mean of the dig's fixes."""
    folder = site(
        tmp_path, ("keep in it", DIG_AT_S + 60), ("keep after", DIG_AT_S + 125), ("keep later", DIG_AT_S + 140)
    )
    collect(folder)
    inside, after, later = finds(folder)
    for find in (inside, after):
        assert find.how == "stop" and find.lat_deg is not None and find.lon_deg is not None
        assert abs(find.lat_deg - LAT) / LAT_PER_M == pytest.approx(10, abs=0.7)
        assert abs(find.lon_deg - LON) / LON_PER_M == pytest.approx(1.3, abs=0.7)
    assert later.how == "fix" and later.lat_deg == pytest.approx(LAT + 2 * LAT_PER_M, abs=0.7 * LAT_PER_M)
    assert {find.error_m for find in (inside, after, later)} == {round(receiver("typical").r95_m, 1)}


def test_a_dig_without_a_mark_is_collected_where_asked_for(tmp_path: Path) -> None:
    """With stops, the dig that no mark explains is a row of its own, once; one with a mark has its row already."""
    folder = site(tmp_path, ("keep a", 10))
    assert len(collect(folder).new) == 1
    (dig,) = collect(folder, stops=True).new
    assert (dig.kind, dig.how, dig.note) == ("junk", "stop", "a dig without a mark")
    assert collect(folder, stops=True).new == ()
    marked = tmp_path / "marked"
    marked.mkdir()
    folder = site(marked, ("keep b", DIG_AT_S + 10))
    assert len(collect(folder, stops=True).new) == 1


def test_what_is_typed_for_one_find_changes_its_row_only(tmp_path: Path) -> None:
    """All other rows, columns of the user's own and blank rows stay byte for byte, in the letters they are in."""
    folder = site(tmp_path)
    rows = ["find_no;Regal;kind;what;depth_cm", '7;"a;b";keep;;3,5', "", "8;ü;junk;=1+1;", "9; x ;left"]
    for codec in ("utf-8", "utf-8-sig", "utf-16", "cp1252"):
        (folder / "finds.csv").write_bytes("\r\n".join(rows).encode(codec))
        changed = set_find(folder, 7, {"what": "lead; token", "depth": "12.5cm", "number": "61 - 66"}, say=quiet)
        assert changed == ("what: nothing -> lead; token", "depth_cm: 3,5 -> 12,5", "number: nothing -> 61-66")
        new = ["find_no;Regal;kind;what;depth_cm;number", '7;"a;b";keep;"lead; token";12,5;61-66', *rows[2:]]
        assert (folder / "finds.csv").read_bytes() == "\r\n".join(new).encode(codec)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"colour": "red"}, "a find has no 'colour' that can be set"),
        ({"find_no": "3"}, "a find has no 'find_no' that can be set"),
        ({"depth": "12"}, "depth '12' has no unit"),
        ({"number": "sixty"}, "number is 'sixty': a target number"),
        ({"kind": "gold"}, "kind 'gold' is not known"),
        ({"lat": "46.5"}, "lat and lon are needed together"),
        ({"years": "1760-1720"}, "from_year 1760 is later than to_year 1720"),
        ({"depth": "12cm", "depth_cm": "13"}, "depth_cm was given twice"),
    ],
)
def test_what_cannot_be_is_refused_before_anything_is_written(tmp_path: Path, typed: dict[str, str], said: str) -> None:
    """The message says what was expected, and the file is untouched."""
    folder = site(tmp_path)
    (folder / "finds.csv").write_text("find_no,kind\n1,keep\n")
    with pytest.raises(UsageError, match=said):
        set_find(folder, 1, typed, say=quiet)
    assert (folder / "finds.csv").read_text() == "find_no,kind\n1,keep\n"


def test_a_formula_is_written_as_text(tmp_path: Path) -> None:
    """What begins like a formula gets an apostrophe, so that no spreadsheet runs it, and is read back without."""
    folder = site(tmp_path)
    (folder / "finds.csv").write_text("find_no,kind,what\n1,keep,\n")
    set_find(folder, 1, {"what": "=HYPERLINK(0)"}, say=quiet)
    assert (folder / "finds.csv").read_text() == "find_no,kind,what\n1,keep,'=HYPERLINK(0)\n"
    assert finds(folder)[0].what == "=HYPERLINK(0)"


def test_a_record_that_is_open_in_a_spreadsheet_is_not_changed(tmp_path: Path) -> None:
    """Its user would overwrite what is written now when he saves, so nothing is."""
    folder = site(tmp_path, ("keep a", 10))
    (folder / ".~lock.finds.csv#").write_text("")
    with pytest.raises(SiteError, match="is open in a spreadsheet"):
        collect(folder)
    assert not (folder / "finds.csv").exists()


def test_a_letter_that_the_file_cannot_hold_is_refused(tmp_path: Path) -> None:
    """A file in windows-1252 keeps that character set; a text that needs another is refused with what to do."""
    folder = site(tmp_path)
    (folder / "finds.csv").write_bytes("find_no,kind,what\n1,keep,ü\n".encode("cp1252"))
    with pytest.raises(SiteError, match=r"character set cp1252, which has no 'ł'.*Save it as CSV in UTF-8"):
        set_find(folder, 1, {"what": "łuska"}, say=quiet)


def test_the_command_lists_what_finds_add_up_to(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Totals come first, then a row a find; faults are told with row and column."""
    folder = site(tmp_path)
    rows = [f"{n},keep,coin,medieval,deep" if n == 3 else f"{n},junk,nail,," for n in range(1, 31)]
    (folder / "finds.csv").write_text("find_no,kind,what,period,depth_cm\n" + "\n".join(rows))
    capsys.readouterr()
    assert main(["finds", str(folder)]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("30 finds: 1 kept, 29 junk, 0 heard and left\nKept by period: medieval 1\n")
    assert out.endswith("... and 15 more\n") and len(out.splitlines()) <= 24
    assert 'finds.csv, row 4: depth_cm is "deep": a number of centimetres was expected; taken as not known' in err
    assert main(["finds", str(folder), "--full"]) == 0
    assert len(capsys.readouterr()[0].splitlines()) == 30 + 6


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (["--set", "14"], "--set was given nothing to write"),
        (["--set", "x", "what=a"], "'x' is not the number of a find"),
        (["--set", "14", "what"], "'what' is not understood"),
        (["what=a"], "was given without a find"),
        (["--stops"], "--stops was given without --collect"),
        (["--set", "14", "what=a"], "there is no find 14"),
    ],
)
def test_wrong_usage_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str], given: list[str], said: str) -> None:
    """Options that do not fit together, and finds that there are none of, end with exit code 2."""
    folder = site(tmp_path)
    assert main(["finds", str(folder), *given]) == 2
    assert said in capsys.readouterr().err


def test_pegs_say_how_well_a_place_is_known() -> None:
    """With three measured pegs or more the error is what their touches leave, but never below what no peg takes off."""
    usual = receiver("typical")

    def tied(left_m: float, count: int, *, measured: bool = True) -> Tied:
        touches = tuple(PegResidual("A", float(n), 3.0, 0.0, left_m, 0.0, 0, measured) for n in range(count))
        return Tied(Fixes(*(np.zeros(0) for _ in range(3)), *(np.zeros(0, np.int32) for _ in range(2))), touches)

    assert place_error_m(tied(1.0, 2), "typical") == usual.r95_m
    assert place_error_m(tied(1.0, 5, measured=False), "typical") == usual.r95_m
    assert place_error_m(tied(1.0, 3), "typical") == pytest.approx(2.4477 / 2**0.5, rel=1e-4)
    floor_m = 2.4477 * (usual.fast_m**2 + usual.white_m**2) ** 0.5
    assert place_error_m(tied(0.0, 5), "typical") == pytest.approx(floor_m, rel=1e-4)
    assert place_error_m(tied(4.0, 5), "typical") > usual.r95_m


def test_each_find_of_a_team_is_its_finders_own(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The record has the name of who marked it, with the coil that was carried; lists show initials only."""
    (tmp_path / "edge.geojson").write_text(square(-5, -5, 60, 25))
    for number, name in enumerate(("ann", "bo")):
        places = [(x + 30.0 * number, y) for x, y in WALK]
        mark = wpt(f"keep {name}", MORNING + timedelta(seconds=20 + number), 30.0 * number, 8.0)
        (tmp_path / f"{name}.gpx").write_text(gpx(stamped(places), mark))
    (tmp_path / "team.csv").write_text("file,searcher,coil\nann.gpx,Ann Berg,28cm\nbo.gpx,Bo Reed,33cm\n")
    folder = tmp_path / "s"
    assert main(["new", str(folder), "--boundary", str(tmp_path / "edge.geojson"), "--zone", "UTC"]) == 0
    files = [str(tmp_path / f"{name}.gpx") for name in ("ann", "bo")]
    assert main(["add", str(folder), *files, "--roster", str(tmp_path / "team.csv")]) == 0
    collect(folder)
    text = (folder / "finds.csv").read_text(encoding="utf-8-sig")
    assert "Ann Berg,28cm" in text and "Bo Reed,33cm" in text
    assert [(find.what, find.finder) for find in finds(folder)] == [("ann", "AB"), ("bo", "BR")]
    capsys.readouterr()
    assert main(["finds", str(folder), "--register", str(tmp_path / "r.csv")]) == 0
    assert "Berg" not in (tmp_path / "r.csv").read_text(encoding="utf-8-sig")


def test_a_press_that_was_told_as_a_find_is_collected_once_it_is_told(tmp_path: Path) -> None:
    """Presses of the lap button are no finds by themselves; said to be finds, each is one, and only once."""
    (tmp_path / "edge.geojson").write_text(square(-5, -5, 10, 25))
    points = [
        f"<Trackpoint><Time>{at(k)}</Time><Position><LatitudeDegrees>{LAT + y * LAT_PER_M:.8f}</LatitudeDegrees>"
        f"<LongitudeDegrees>{LON + x * LON_PER_M:.8f}</LongitudeDegrees></Position></Trackpoint>"
        for k, (x, y) in enumerate(WALK)
    ]
    ends = [0, 40, DIG_AT_S + 30, len(points)]
    laps = "".join(
        f'<Lap StartTime="{at(a)}"><TotalTimeSeconds>{b - a}</TotalTimeSeconds><TriggerMethod>Manual</TriggerMethod>'
        f"<Track>{''.join(points[a:b])}</Track></Lap>"
        for a, b in pairwise(ends)
    )
    head = f'<TrainingCenterDatabase xmlns="{SPACE}">'
    body = f'<Activities><Activity Sport="Other"><Id>{at(0)}</Id>{laps}</Activity></Activities>'
    (tmp_path / "walk.tcx").write_text(f"{head}{body}</TrainingCenterDatabase>")
    folder = tmp_path / "s"
    assert main(["new", str(folder), "--boundary", str(tmp_path / "edge.geojson"), "--zone", "UTC"]) == 0
    assert main(["add", str(folder), str(tmp_path / "walk.tcx")]) == 0
    assert collect(folder).marked == 0
    assert main(["edit", str(folder), "2026-03-07a", "--laps", "finds"]) == 0
    assert [(find.kind, find.how) for find in collect(folder).new] == [("keep", "fix"), ("keep", "stop")]
    assert collect(folder).new == ()
