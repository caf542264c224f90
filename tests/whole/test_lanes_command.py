"""The command that plans lanes, from the site to the sheet that is printed."""

from __future__ import annotations

import base64
import csv
import json
import math
import re
import shutil
from datetime import UTC, datetime
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browsers import driver, errors
from small_walks import LAT, LAT_PER_M, LON, LON_PER_M, square, walk

from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.web.site_views import view

__all__ = ["driver"]
DEMO = Path(__file__).parents[2] / "demo"
WALK = "outing-3-middle-medium.gpx"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's field with one walk of its own and a plan of all lanes."""
    folder = tmp_path_factory.mktemp("lanes") / "field"
    assert main(["new", str(folder), "--boundary", str(DEMO / "boundary.geojson"), "--zone", "UTC"]) == 0
    assert main(["add", str(folder), str(DEMO / WALK), "--coil", "medium=28cm", "--swath", "1.5m"]) == 0
    assert main(["lanes", str(folder)]) == 0
    return folder


def rows_of(plan: Path) -> list[dict[str, str]]:
    """Rows of a plan's table."""
    return list(csv.DictReader((plan / "lanes.csv").read_text(encoding="utf-8-sig").splitlines()))


def test_a_plan_has_all_its_files(site: Path) -> None:
    """The first plan lies in lanes/1, with a sheet, a table, and files for a watch and a GIS."""
    names = {path.name for path in (site / "lanes/1").iterdir()}
    assert names == {"lanes.csv", "lanes.gpx", "lanes.kml", "lanes.geojson", "lanes.html"}


def test_lanes_in_a_corner_are_drawn_large_with_the_whole_site_beside_them(site: Path) -> None:
    """On the sheet of a small part of the site the lanes fill the drawing and each has its number; so do all lanes."""
    assert main(["lanes", str(site), "--inside", "old tip", "--name", "corner"]) == 0
    corner, whole = ((site / "lanes" / name / "lanes.html").read_text("utf-8") for name in ("corner", "1"))
    ends = [float(x) for pair in re.findall(r'<line x1="([^"]+)" y1="[^"]+" x2="([^"]+)"', corner) for x in pair]
    assert max(ends) - min(ends) > 500  # of 1000
    numbers = re.findall(r'<g data-lane="(\d+)" class="lane">.*?(?:<text[^>]*>(\d+)</text>)?</g>', corner, re.DOTALL)
    assert len(numbers) > 5 and all(lane == number for lane, number in numbers)
    assert 'aria-label="The whole site' in corner and 'aria-label="The whole site' not in whole


def test_an_earlier_plan_is_never_touched(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A second plan gets a name of its own; asking for a name that is taken is refused and changes nothing."""
    before = {path: path.read_bytes() for path in (site / "lanes/1").iterdir()}
    assert main(["lanes", str(site), "--name", "north part", "--spacing", "2m"]) == 0
    assert main(["lanes", str(site), "--name", "North Part"]) == 2
    assert "there is already a plan 'North Part'" in capsys.readouterr().err
    assert {path: path.read_bytes() for path in (site / "lanes/1").iterdir()} == before
    assert len(rows_of(site / "lanes/north part")) < len(rows_of(site / "lanes/1"))


def test_across_goes_at_a_right_angle_to_the_walk(site: Path) -> None:
    """The demo's third walk went east and west; a plan across it goes north and south, to 3 degrees."""
    assert main(["lanes", str(site), "--bearing", "across", "--name", "across"]) == 0
    first = json.loads((site / "lanes/across/lanes.geojson").read_text())["features"][0]["properties"]
    assert min(first["bearing_deg"], 180 - first["bearing_deg"]) < 3


def test_a_plan_for_three_quarters_of_an_hour_fits_into_it(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With --minutes 45 the time told, digging included, is 45 min at most, and all of it is on the list of places."""
    capsys.readouterr()
    assert main(["lanes", str(site), "--minutes", "45", "--inside", "todo", "--name", "short"]) == 0
    told = capsys.readouterr().out
    assert 0 < int(re.findall(r"about (\d+) min", told)[-1]) <= 45


def test_a_sample_says_that_ground_between_is_not_missed(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Lanes 5 m apart with a swing of 1.5 m cover 30 % of the site (1.5 / 5), and the plan calls itself a sample."""
    capsys.readouterr()
    assert main(["lanes", str(site), "--sample", "5m", "--name", "sample"]) == 0
    told = capsys.readouterr().out
    share = int(re.search(r"A sample: the swing covers (\d+) % of the site", told).group(1))  # type: ignore[union-attr]
    assert share in range(25, 31)  # less what the stand-off from the monument takes


def test_lanes_are_shared_out_to_a_team(site: Path) -> None:
    """Three people get lanes beside each other; the table says whose each lane is."""
    assert main(["lanes", str(site), "--teams", "3", "--name", "team"]) == 0
    teams = [int(row["team"]) for row in rows_of(site / "lanes/team")]
    assert teams == sorted(teams) and set(teams) == {1, 2, 3}


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--inside", "orchard"], "no area is called 'orchard'"),
        (["--spacing", "2m", "--sample", "5m"], "--spacing and --sample were both given"),
        (["--bearing", "north"], "'north' is not a direction"),
        (["--minutes", "0"], "--minutes: '0' is not a number"),
        (["--coil", "huge"], "coil 'huge' is not known"),
        (["--coil", "huge=40cm"], "would name a new coil, which a plan does not do. Plan with its size alone"),
        (["--spacing", "1cm"], "a spacing of 0.01 m is not possible"),
    ],
)
def test_a_wish_that_cannot_be_met_is_refused(
    site: Path, words: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each wrong wish ends in a message that says what is wrong, and no plan is made."""
    before = sorted((site / "lanes").iterdir())
    assert main(["lanes", str(site), *words]) in (1, 2)
    assert told in capsys.readouterr().err
    assert sorted((site / "lanes").iterdir()) == before


def test_a_site_without_an_edge_is_told_to_get_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Lanes need a boundary; the message says how to give one."""
    assert main(["new", str(tmp_path / "field")]) == 0
    assert main(["lanes", str(tmp_path / "field"), "--coil", "28cm"]) == 1
    assert "has no boundary, and lanes need one" in capsys.readouterr().err


def test_a_link_is_not_followed(site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where lanes is a link out of the site, nothing is written there."""
    folder, elsewhere = tmp_path / "field", tmp_path / "elsewhere"
    shutil.copytree(site, folder, ignore=shutil.ignore_patterns("lanes"))
    elsewhere.mkdir()
    (folder / "lanes").symlink_to(elsewhere)
    assert main(["lanes", str(folder)]) == 1
    assert "is a link" in capsys.readouterr().err and not list(elsewhere.iterdir())


@pytest.mark.browser
@pytest.mark.parametrize("paper", [(8.27, 11.69), (8.5, 11.0)], ids=["A4", "letter"])
def test_the_sheet_prints_without_a_cut_row(site: Path, driver: Any, paper: tuple[float, float]) -> None:
    """On A4 and letter the sheet takes two to six pages, each row stands on one of them, and no table is too wide."""
    driver.get((site / "lanes/1/lanes.html").as_uri())
    wide = driver.execute_script(
        "return [...document.querySelectorAll('table')].every(t => t.scrollWidth <= t.parentElement.clientWidth + 1)"
    )
    assert wide and errors(driver) == []
    options = {"paperWidth": paper[0], "paperHeight": paper[1], "preferCSSPageSize": False, "generateTaggedPDF": True}
    pdf = base64.b64decode(driver.execute_cdp_cmd("Page.printToPDF", options)["data"])
    pages, rows = pages_of_rows(pdf)
    assert 2 <= len(pages) <= 6 and len(rows) > len(rows_of(site / "lanes/1"))
    assert all(len(on) == 1 for is_head, on in rows if not is_head)
    assert set().union(*(on for _, on in rows)) <= pages


def pages_of_rows(pdf: bytes) -> tuple[set[int], list[tuple[bool, set[int]]]]:
    """Pages of a tagged PDF, and of each row of its tables whether it is the head, and the pages that it stands on.

    Read from the tree of tags (ISO 32000-1, 14.7): a row is an element TR, and what is in it names its page.
    """
    parts = {int(n): text for n, text in re.findall(rb"(?s)\b(\d+) 0 obj\n?(.*?)endobj", pdf)}

    def kids(text: bytes) -> list[int]:
        found = re.search(rb"(?s)/K (\[.*?\]|\d+ 0 R)", text)
        numbers = [int(n) for n in re.findall(rb"(\d+) 0 R", found[1])] if found else []
        return [n for n in numbers if b"/StructElem" in parts.get(n, b"")]

    def pages(text: bytes) -> set[int]:
        here = {int(n) for n in re.findall(rb"/Pg (\d+) 0 R", text)}
        return here.union(*(pages(parts[n]) for n in kids(text)))

    found = [text for text in parts.values() if b"/S /TR\n" in text]
    heads = [all(b"/Scope /Column" in parts[n] for n in kids(text)) for text in found]
    whole = {n for n, text in parts.items() if re.search(rb"/Type /Page\b", text)}
    return whole, [(head, pages(text)) for head, text in zip(heads, found, strict=True)]


@pytest.mark.browser
def test_nothing_on_the_drawing_of_a_plan_is_written_over_another_thing(site: Path, driver: Any) -> None:
    """Numbers, names of pegs, their signs, the scale and the arrow keep clear of each other; every peg has its name."""
    driver.get((site / "lanes/1/lanes.html").as_uri())
    boxes = driver.execute_script(
        "return [...document.querySelectorAll('svg text, svg rect')].map(one => { const b = one.getBBox();"
        " return [one.textContent, b.x + 1, b.y + 3, b.x + b.width - 1, b.y + b.height - 3]; })"
    )
    over = [(one[0], other[0]) for one, other in combinations(boxes, 2)
            if one[1] < other[3] and other[1] < one[3] and one[2] < other[4] and other[2] < one[4]]  # fmt: skip
    words = {box[0] for box in boxes}
    pegs = {row[key] for row in rows_of(site / "lanes/1") for key in ("peg_from", "peg_to", "towards_from")}
    assert over == [] and {peg for peg in pegs if peg.startswith("P")} <= words
    assert "1" in words and any(re.fullmatch(r"\d+ m", word) for word in words)


# ------------------------------------------------------------------------------------------------------ the sheet


@pytest.fixture
def ticked(site: Path, tmp_path: Path) -> Path:
    """A copy of the site with its first plan alone, and a sheet beside it: all lanes walked but 7, and 8 in part."""
    folder = tmp_path / "field"
    shutil.copytree(site, folder, ignore=shutil.ignore_patterns("out"))
    for path in (folder / "lanes").iterdir():
        if path.name != "1":
            shutil.rmtree(path)
    numbers = [row["lane"] for row in rows_of(folder / "lanes/1")]
    said = {"7": "n", "8": "part"}
    rows = [f"{number};{said.get(number, 'y')};=Ann" for number in numbers]
    (tmp_path / "sheet.csv").write_text("\n".join(["lane;done;searcher", *rows]) + "\n")
    return folder


def test_a_sheet_is_taken_into_its_plan(ticked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A sheet stands in the plan's table, in cells that no spreadsheet runs; it is not changed; lanes left are told."""
    sheet = ticked.parent / "sheet.csv"
    before = sheet.read_bytes()
    assert main(["lanes", str(ticked), "--sheet", str(sheet)]) == 0
    rows = {row["lane"]: row for row in rows_of(ticked / "lanes/1")}
    assert (rows["6"]["done"], rows["7"]["done"], rows["8"]["done"]) == ("y", "n", "part")
    assert rows["6"]["searcher"] == "'=Ann" and sheet.read_bytes() == before
    said = capsys.readouterr().out
    assert f"{len(rows) - 2} of {len(rows)} lanes walked, 1 in part, 1 not\nLeft by this sheet: lanes 7, 8\n" in said


def test_a_sheet_that_says_otherwise_than_before_loses_nothing(
    ticked: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its lanes are told, and the table as it was is kept beside it; the same sheet again changes nothing."""
    place = ticked / "lanes/1"
    assert main(["lanes", str(ticked), "--sheet", str(ticked.parent / "sheet.csv")]) == 0
    before = place.joinpath("lanes.csv").read_bytes()
    assert main(["lanes", str(ticked), "--sheet", str(ticked.parent / "sheet.csv")]) == 0
    assert "before" not in capsys.readouterr().err and not list(place.glob("lanes-before-*"))
    (ticked.parent / "one.csv").write_text("lane,done,searcher\n12,n,\n13,y,Bo\n14,x,\n")
    assert main(["lanes", str(ticked), "--sheet", str(ticked.parent / "one.csv")]) == 0
    assert "said otherwise of lanes 12, 13; now the sheet counts" in capsys.readouterr().err
    assert place.joinpath("lanes-before-1.csv").read_bytes() == before
    (ticked.parent / "one.csv").write_text("lane,done\n12,y\n")
    assert main(["lanes", str(ticked), "--sheet", str(ticked.parent / "one.csv")]) == 0
    assert place.joinpath("lanes-before-2.csv").exists()


def test_a_table_that_a_spreadsheet_has_open_is_not_written(ticked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What would be overwritten when the spreadsheet saves is not written; the message says what to do."""
    table = ticked / "lanes/1/lanes.csv"
    before = table.read_bytes()
    (table.parent / ".~lock.lanes.csv#").touch()
    assert main(["lanes", str(ticked), "--sheet", str(ticked.parent / "sheet.csv")]) == 1
    assert "Close it there and try again" in capsys.readouterr().err and table.read_bytes() == before


def test_a_sheet_without_places_may_be_that_of_another_plan(ticked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With two plans a bare list of numbers says nothing of which it belongs to, so the other plan is named."""
    shutil.copytree(ticked / "lanes/1", ticked / "lanes/south")
    (ticked.parent / "one.csv").write_text("lane,done\n12,y\n")
    assert main(["lanes", str(ticked), "--sheet", str(ticked.parent / "one.csv"), "--name", "1"]) == 0
    assert "has no places, so see that it is not the sheet of south: it names 1 of" in capsys.readouterr().err


def test_a_row_that_the_sheet_does_not_fill_in_stays_byte_for_byte(ticked: Path) -> None:
    """A sheet with one lane changes one line of the table."""
    table = ticked / "lanes/1/lanes.csv"
    before = table.read_bytes().splitlines(keepends=True)
    (ticked.parent / "one.csv").write_text("lane,done\n12,y\n")
    assert main(["lanes", str(ticked), "--sheet", str(ticked.parent / "one.csv")]) == 0
    after = table.read_bytes().splitlines(keepends=True)
    assert [n for n, (a, b) in enumerate(zip(before, after, strict=True)) if a != b] == [12]


def test_the_report_says_what_was_walked_by_lanes(ticked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """After the sheet, the report has a share by lanes with its interval, and names the lanes that are left."""
    assert main(["lanes", str(ticked), "--sheet", str(ticked.parent / "sheet.csv")]) == 0
    capsys.readouterr()
    assert main(["report", str(ticked)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    (plan,) = json.loads((ticked / "out/report.json").read_text())["lanes"]
    assert f"of the site, from {plan['done']} of {plan['lanes']} lanes of plan 1" in told
    assert "Go next: lanes 7 and 8 (the rest) of plan 1" in told
    assert plan["left"] == [7] and plan["part"] == 1 and plan["done"] == plan["lanes"] - 2
    assert plan["of_site_low"] < plan["of_site_pct"] < plan["of_site_high"] < plan["of_site_low"] + 6
    known = {lane["no"]: (lane["walked"], lane["by"]) for lane in plan["lane"]}
    assert known[7] == (0, ["sheet"]) and known[8] == (0.5, ["sheet"]) and known[9] == (1, ["sheet"])
    assert len(known) == plan["lanes"]
    drawn = (ticked / "out/map.html").read_text(encoding="utf-8")
    data = json.loads(re.search(r'id="fieldcomb-data"[^>]*>(.*?)</script>', drawn, re.DOTALL).group(1))  # type: ignore[union-attr]
    assert "By lanes" in drawn and [item["letter"] for item in data["groups"]["lanes"]] == ["7", "8"]
    assert len(data["groups"]["lanes-done"]) == plan["done"]
    first = drawn.index('<dl class="answer"')
    assert drawn.index('data-find="lane-1-7"') < drawn.index('data-find="lane-1-8"') < drawn.index("Searched", first)
    assert {"lane-1-7", "lane-1-8"} <= {item["id"] for item in data["groups"]["lanes"]}


def test_a_report_after_other_ticks_is_the_same_as_one_made_anew(ticked: Path) -> None:
    """Results kept from before are used again, and never where a lane was ticked otherwise since."""
    one = ticked.parent / "one.csv"
    files = ("report.json", "chance.tif", "strips.geojson", "map.html")
    shares = []
    for said in ("12,n", "12,y", "12,part\n13,n"):
        one.write_text(f"lane,done\n{said}\n")
        assert main(["lanes", str(ticked), "--sheet", str(one)]) == 0
        assert main(["report", str(ticked)]) == 0
        kept = [(ticked / "out" / file).read_bytes() for file in files]
        shares.append(json.loads(kept[0])["total"]["swept_est_pct"])
        shutil.rmtree(ticked / "out")
        assert main(["report", str(ticked)]) == 0
        assert kept == [(ticked / "out" / file).read_bytes() for file in files]
    assert len(set(shares)) == 3


def test_the_map_begins_with_a_plan_that_nobody_began(ticked: Path) -> None:
    """A plan of which nothing is said is in no number; the map names its first lanes, and shows them when asked."""
    assert main(["report", str(ticked)]) == 0
    report = json.loads((ticked / "out/report.json").read_text())
    assert report["lanes"] == [] and report["answer"]["by_lanes"] == ""
    drawn = (ticked / "out/map.html").read_text(encoding="utf-8")
    data = json.loads(re.search(r'id="fieldcomb-data"[^>]*>(.*?)</script>', drawn, re.DOTALL).group(1))  # type: ignore[union-attr]
    many = len(rows_of(ticked / "lanes/1"))
    assert len(data["groups"]["lanes-ahead"]) == many and f"plan 1, {many} lanes, not begun" in drawn
    assert re.findall(r'data-find="lane-1-(\d+)"', drawn) == ["1", "2", "3", "4", "5"]
    assert re.search(r'data-layer="lanes-ahead">', drawn)  # not ticked at first


def test_a_sheet_that_says_nothing_changes_nothing(ticked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An empty sheet, the sheet of no plan, and a plan that is not there are refused; the table stays as it was."""
    table = ticked / "lanes/1/lanes.csv"
    before = table.read_bytes()
    (ticked.parent / "empty.csv").write_text("lane,done\n1,\n2,\n")
    assert main(["lanes", str(ticked), "--sheet", str(ticked.parent / "empty.csv")]) == 1
    assert main(["lanes", str(ticked), "--sheet", str(ticked.parent / "sheet.csv"), "--name", "south"]) == 2
    assert "Plans of this site: 1" in capsys.readouterr().err and table.read_bytes() == before


@pytest.mark.parametrize("damage", [b"", b"{", b'{"features": []}', b'{"features": [{"properties": 1}]}', b"[" * 5000])
def test_a_damaged_plan_is_told_and_the_report_is_made(
    ticked: Path, damage: bytes, capsys: pytest.CaptureFixture[str]
) -> None:
    """A plan that cannot be read is named in the report; everything else in it is there."""
    assert main(["lanes", str(ticked), "--sheet", str(ticked.parent / "sheet.csv")]) == 0
    (ticked / "lanes/1/lanes.geojson").write_bytes(damage)
    capsys.readouterr()
    said = "A plan of lanes is not counted: lanes/1/lanes.geojson: is not a plan as fieldcomb wrote it"
    assert any(note.startswith(said) for note in noted(ticked))
    told = capsys.readouterr()
    assert said in " ".join(told.out.split()) and "not counted" not in told.err  # once
    assert json.loads((ticked / "out/report.json").read_text())["lanes"] == []


# ------------------------------------------------------------------------------------------- a walk along the plan


def walk_gpx(plan: Path, left_out: set[int], every: int) -> str:
    """A walk along a plan's lanes at 0.4 m/s with a receiver's error of 1 m that fades in 400 s, and lanes marked."""
    rng = np.random.default_rng(5)
    fixes, marks, second = [], [], 0
    error, keeps = rng.standard_normal(2), math.exp(-1 / 400)
    for count, row in enumerate(row for row in rows_of(plan) if int(row["lane"]) not in left_out):
        start, end = ([float(row[f"{at}_{axis}"]) for axis in ("lat", "lon")] for at in ("from", "to"))
        steps = max(2, int(float(row["length_m"]) / 0.4))
        for step, place in enumerate(np.linspace(start, end, steps)):
            error = keeps * error + math.sqrt(1 - keeps**2) * rng.standard_normal(2)
            lat, lon = place + error * [1 / 111_200, 1 / (111_200 * math.cos(math.radians(46.5)))]
            time = datetime.fromtimestamp(1_777_888_000 + second, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
            fixes.append(f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"><time>{time}</time></trkpt>')
            if count % every == 0 and step == steps // 2:
                name = f"<name>lane {row['lane']}</name>"
                marks.append(f'<wpt lat="{lat:.7f}" lon="{lon:.7f}"><time>{time}</time>{name}</wpt>')
            second += 1
    head = '<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1">'
    return f"{head}{''.join(marks)}<trk><trkseg>{''.join(fixes)}</trkseg></trk></gpx>"


def test_marked_lanes_place_a_walk_on_its_plan(site: Path, tmp_path: Path) -> None:
    """A watch 1 m off and a number at every fifth lane: the blocks are told, and the share by lanes comes with them."""
    folder = tmp_path / "field"
    shutil.copytree(site, folder, ignore=shutil.ignore_patterns("out", "lanes"))
    assert main(["lanes", str(folder), "--spacing", "1.5m"]) == 0
    lanes = len(rows_of(folder / "lanes/1"))
    (tmp_path / "along.gpx").write_text(walk_gpx(folder / "lanes/1", {21, 22, 23}, every=5))
    assert main(["add", str(folder), str(tmp_path / "along.gpx"), "--coil", "medium", "--swath", "1.5m"]) == 0
    assert main(["report", str(folder)]) == 0
    (plan,) = json.loads((folder / "out/report.json").read_text())["lanes"]
    states = [block["state"] for block in plan["blocks"]]
    missed = [block["state"] for block in plan["blocks"] if block["from"] <= 22 <= block["to"]]
    assert missed == ["walk again"] and states.count("done") >= 0.6 * len(states)
    assert plan["lanes"] == lanes and plan["by_sheet"] == 0 and plan["by_label"] >= 6
    by = {lane["no"]: (lane["by"], lane["outing"], lane["walked"]) for lane in plan["lane"]}
    assert by[11] == (["label", "watch"], "2026-05-04a", 1) and by[12][:2] == (["watch"], "2026-05-04a")
    assert sum("label" in said for said, _, _ in by.values()) == plan["by_label"]
    assert all(0 <= walked <= 1 for _, _, walked in by.values() if walked is not None)
    assert plan["of_site_low"] < plan["of_site_pct"] < plan["of_site_high"]


def test_the_sheet_says_where_the_first_peg_goes_and_measures_all_others_from_it(tmp_path: Path) -> None:
    """The first peg is found from the edges and by a watch; every later group is tied to pegs that stand already."""
    assert main(["new", str(tmp_path / "field"), "--boundary", str(DEMO / "boundary.geojson")]) == 0
    assert main(["lanes", str(tmp_path / "field"), "--coil", "33cm"]) == 0
    steps = re.findall(r"Set peg (P\d+) ([^<]*)", (tmp_path / "field/lanes/1/lanes.html").read_text(encoding="utf-8"))
    (first, words), *later = [step for step in steps if " from it, towards " in step[1]]
    assert first == "P1" and re.search(r"edge.*\(46\.\d{5}, -2[78]\.\d{5}\)", words)
    standing = {"P1", "P2", "P3", "P4"}
    for name, words in later:
        told = re.findall(r"(\d+\.\d\d) m from (P\d+)", words)
        assert len(told) == 2 and {peg for _, peg in told} <= standing, name
        standing |= {f"P{int(name[1:]) + more}" for more in range(4)}


# -------------------------------------------------------------------------------------------------------- bad input


def noted(folder: Path) -> list[str]:
    """Notes of the report of a site, drawn anew."""
    assert main(["report", str(folder)]) == 0
    return list(json.loads((folder / "out/report.json").read_text())["notes"])


def test_times_before_the_outing_are_told_with_their_row(site: Path, tmp_path: Path) -> None:
    """Lanes whose times lie before the walk that was along them, or after it, are named with row and both times."""
    folder = tmp_path / "field"
    shutil.copytree(site, folder, ignore=shutil.ignore_patterns("out", "lanes"))
    assert main(["lanes", str(folder), "--spacing", "3m"]) == 0
    (tmp_path / "along.gpx").write_text(walk_gpx(folder / "lanes/1", set(), every=5))  # from 10:00 to 11:15
    assert main(["add", str(folder), str(tmp_path / "along.gpx"), "--coil", "medium", "--swath", "1.5m"]) == 0
    rows = [
        "lane,done,start,end",
        "3,y,08:10,08:20",
        "4,y,10:10,10:15",
        "5,y,2026-05-04T19:00,",
        "6,y,2026-05-03T08:00,",
    ]
    (tmp_path / "sheet.csv").write_text("\n".join(rows))
    assert main(["lanes", str(folder), "--sheet", str(tmp_path / "sheet.csv")]) == 0
    notes = [note for note in noted(folder) if note.startswith("Plan 1: lane ")]
    row = {int(one["lane"]): number for number, one in enumerate(rows_of(folder / "lanes/1"), 2)}
    assert len(notes) == 2
    assert f"lane 3 was walked until 08:20, before outing 2026-05-04a began at 09:46, by row {row[3]} of" in notes[0]
    assert "lane 5 was begun at 19:00, after outing 2026-05-04a ended at " in notes[1]
    (plan,) = json.loads((folder / "out/report.json").read_text())["lanes"]
    assert [lane["start"] for lane in plan["lane"] if lane["no"] in (3, 4)] == ["08:10", "10:10"]
    assert {lane["no"] for lane in plan["lane"] if "sheet" in lane["by"]} == {3, 4, 5, 6}


def test_nobody_is_sent_along_a_lane_that_runs_into_ground_closed_since(
    ticked: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A lane left out was next to walk; after a mark stop on it report, map and page keep off it."""
    blank = (ticked / "lanes/1/lanes.csv").read_bytes()
    assert main(["lanes", str(ticked), "--sheet", str(ticked.parent / "sheet.csv")]) == 0
    assert main(["report", str(ticked)]) == 0
    assert "lanes 7 and 8 (the rest) of plan 1" in " ".join(capsys.readouterr().out.split())
    lane = next(row for row in rows_of(ticked / "lanes/1") if row["lane"] == "7")
    lat, lon = ((float(lane[f"from_{key}"]) + float(lane[f"to_{key}"])) / 2 for key in ("lat", "lon"))
    mark = f'<wpt lat="{lat:.7f}" lon="{lon:.7f}"><time>2026-04-26T09:30:00Z</time><name>stop metal case</name></wpt>'
    later = (DEMO / WALK).read_text().replace("2026-04-19", "2026-04-26")
    (ticked.parent / "later.gpx").write_text(re.sub(r"<wpt.*?</wpt>", mark, later, count=1, flags=re.DOTALL))
    assert main(["add", str(ticked), str(ticked.parent / "later.gpx"), "--coil", "medium", "--swath", "1.5m"]) == 0
    capsys.readouterr()
    assert main(["report", str(ticked)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "Do not walk lanes 7, 8 of plan 1: ground to leave alone is there" in told and "Go next: lane" not in told
    (plan,) = json.loads((ticked / "out/report.json").read_text())["lanes"]
    assert {7, 8} <= set(plan["closed"]) and len(plan["closed"]) < plan["lanes"]
    assert view(ticked).open_plans == ()
    (ticked / "lanes/1/lanes.csv").write_bytes(blank)
    assert main(["report", str(ticked)]) == 0
    (ahead,) = json.loads((ticked / "out/report.json").read_text())["lanes_ahead"]
    assert ahead["closed"] == plan["closed"]
    assert view(ticked).open_plans[0].left == plan["lanes"] - len(plan["closed"])
    assert view(ticked).open_plans[0].walked == 0
    assert '"lane-1-7"' not in (ticked / "out/map.html").read_text(encoding="utf-8")


def test_two_people_on_one_lane_are_both_kept_and_told(ticked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two rows for lane 4: both names stand in the table of the plan, the row is told, and the lane counts once."""
    (ticked.parent / "two.csv").write_text("lane,done,searcher,note\n4,y,Ann,wet\n4,y,Ben,\n99,y,Ann,\n")
    assert main(["lanes", str(ticked), "--sheet", str(ticked.parent / "two.csv")]) == 0
    told = capsys.readouterr()
    (row,) = [row for row in rows_of(ticked / "lanes/1") if row["lane"] == "4"]
    assert (row["done"], row["searcher"], row["note"]) == ("y", "Ann; Ben", "wet") and "Plan 1: 1 of" in told.out
    assert "two.csv, row 3: lane 4 is y by Ben here and by Ann in row 2; it counts once" in told.err
    assert "two.csv, row 4: lane '99' is not in this plan" in told.err


def test_pegs_that_are_gone_or_moved_are_told_and_lanes_stay(tmp_path: Path) -> None:
    """A plan set out from pegs of the site: one taken out and one moved are named; every lane stays where it was."""
    folder = tmp_path / "field"
    (tmp_path / "edge.geojson").write_text(square(-1, -1, 9, 21))
    (tmp_path / "walk.gpx").write_text(walk())
    assert main(["new", str(folder), "--boundary", str(tmp_path / "edge.geojson")]) == 0
    assert main(["add", str(folder), str(tmp_path / "walk.gpx"), "--coil", "28cm"]) == 0
    pegs = {"A": (-1, 0), "B": (9, 0), "C": (-1, 20), "D": (9, 20)}

    def table(names: str, east_m: float = 0.0) -> str:
        places = {name: (x + east_m * (name == "B"), y) for name, (x, y) in pegs.items() if name in names}
        rows = [f"{name},{LAT + y * LAT_PER_M:.7f},{LON + x * LON_PER_M:.7f}" for name, (x, y) in places.items()]
        return "\n".join(["name,lat,lon", *rows])

    (folder / "pegs.csv").write_text(table("ABCD"))
    assert main(["lanes", str(folder)]) == 0
    assert {row["peg_from"] for row in rows_of(folder / "lanes/1")} <= set(pegs)
    before = (folder / "lanes/1/lanes.geojson").read_bytes()
    assert not [note for note in noted(folder) if "set out from peg" in note]
    (folder / "pegs.csv").write_text(table("BCD", 3.0))
    gone, moved = (note for note in noted(folder) if "set out from peg" in note)
    assert gone.startswith(
        "Plan 1 is set out from peg A, which is no longer in pegs.csv. Its lanes stay where they were"
    )
    assert moved.startswith("Plan 1 is set out from peg B, which has moved 3 m in pegs.csv since.")
    assert (folder / "lanes/1/lanes.geojson").read_bytes() == before


def test_walked_lanes_stay_with_their_plan_when_another_is_made(ticked: Path) -> None:
    """After a second plan of the same ground the first keeps its name, its lanes, and all that was ticked of it."""
    assert main(["lanes", str(ticked), "--sheet", str(ticked.parent / "sheet.csv")]) == 0
    noted(ticked)
    before = json.loads((ticked / "out/report.json").read_text())["lanes"]
    assert main(["lanes", str(ticked), "--spacing", "2m"]) == 0
    noted(ticked)
    after = json.loads((ticked / "out/report.json").read_text())["lanes"]
    assert [plan["name"] for plan in after] == ["1"] and after == before
