"""Lanes whose ground is closed after they were planned: nothing that a person takes along leads there any more."""

from __future__ import annotations

import csv
import json
import re
import shutil
from datetime import timedelta
from pathlib import Path
from typing import Any

import gpxpy
import pytest
from browsers import driver, wait
from local_page import Page, running
from small_walks import LON, LON_PER_M, MORNING, gpx, lanes, square, stamped, walk, wpt

from fieldcomb.coverage.actions.edit import areas_digest, change_areas
from fieldcomb.coverage.actions.tick_lanes import keep_ticks
from fieldcomb.coverage.commands.cli import main

__all__ = ["driver"]
WORDS = "closed, do not walk"
LATER = MORNING + timedelta(days=7)
PLAN_FILES = ("lanes.html", "lanes.csv", "lanes.gpx", "lanes.kml", "lanes.geojson")


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site of 24 m by 30 m with a walk, a plan of all its lanes, and a report."""
    root = tmp_path_factory.mktemp("closed")
    (root / "edge.geojson").write_text(square(-1, -1, 23, 29))
    (root / "first.gpx").write_text(walk())
    field = root / "field"
    assert main(["new", str(field), "--boundary", str(root / "edge.geojson"), "--zone", "UTC"]) == 0
    assert main(["add", str(field), str(root / "first.gpx"), "--coil", "large=33cm", "--swath", "1.5m"]) == 0
    assert main(["lanes", str(field), "--bearing", "0"]) == 0
    assert main(["report", str(field)]) == 0
    return root


@pytest.fixture
def site(planned: Path, tmp_path: Path) -> Path:
    """A copy of that site, and beside it a later walk with a mark stop at 18 m east and 10 m north."""
    shutil.copytree(planned / "field", tmp_path / "field")
    marked = gpx(stamped(lanes(), LATER), wpt("stop metal case", LATER, 18.0, 10.0))
    (tmp_path / "later.gpx").write_text(marked)
    return tmp_path / "field"


def files_of(site: Path) -> dict[str, bytes]:
    """The files of the plan."""
    return {name: (site / "lanes/1" / name).read_bytes() for name in PLAN_FILES}


def rows_of(site: Path) -> list[dict[str, str]]:
    """Rows of the plan's table."""
    return list(csv.DictReader((site / "lanes/1/lanes.csv").read_text(encoding="utf-8-sig").splitlines()))


def close(site: Path) -> set[int]:
    """Add the later walk; returns the lanes that come within 5 m and half a swing of its mark."""
    assert main(["add", str(site), str(site.parent / "later.gpx"), "--coil", "large", "--swath", "1.5m"]) == 0
    across = {int(row["lane"]): float(row["from_lon"]) for row in rows_of(site)}
    first, last = min(across.values()), max(across.values())
    span_m = (last - first) * 63_200
    left_m = 11.0 - span_m / 2
    return {number for number, lon in across.items() if abs(left_m + (lon - first) * 63_200 - 18.0) < 5.0 + 0.75}


def test_all_that_is_taken_along_keeps_off_a_lane_that_was_closed_since(site: Path) -> None:
    """As soon as the walk with the mark is added: sheet, table, KML and GeoJSON say it there, and no route is left."""
    before = files_of(site)
    closed = close(site)
    rows = rows_of(site)
    assert 0 < len(closed) < len(rows)
    assert {int(row["lane"]) for row in rows if row["note"] == WORDS} == closed
    sheet = (site / "lanes/1/lanes.html").read_text(encoding="utf-8")
    boxes = re.findall(r'<tr[^>]*><td>(.*?)</td><th scope="row">(\d+)</th>', sheet)
    assert {int(number) for box, number in boxes if box == f"<b>{WORDS}</b>"} == closed
    assert len(boxes) == len(rows) and f"Lanes {min(closed)}-{max(closed)}: {WORDS}." in sheet
    routes = gpxpy.parse((site / "lanes/1/lanes.gpx").read_text()).routes
    assert {route.name for route in routes} == {f"L{row['lane']}" for row in rows if int(row["lane"]) not in closed}
    assert set(re.findall(rf"<name>L(\d+) {WORDS}</name>", (site / "lanes/1/lanes.kml").read_text())) == {
        str(number) for number in closed
    }
    told = {one["properties"]["lane"] for one in json.loads((site / "lanes/1/lanes.geojson").read_text())["features"]
            if one["properties"].get("closed") == WORDS}  # fmt: skip
    assert told == closed
    after = files_of(site)
    assert main(["report", str(site)]) == 0
    assert files_of(site) == after  # the report finds the same
    assert main(["edit", str(site), "--reopen", "metal case"]) == 0
    assert main(["report", str(site)]) == 0
    assert files_of(site) == before


def test_the_page_of_ticks_offers_no_closed_lane_and_keeps_what_was_ticked(site: Path, tmp_path: Path) -> None:
    """The page says it beside the lane, without its report too; a tick that was given stays, and so does its note."""
    ticks = [{"id": f"{n:08x}", "lane": n, "done": "y", "at_ms": n} for n in range(1, 20)]
    keep_ticks(site, "1", "aaaaaaaa", ticks, say=lambda _note: None)
    (tmp_path / "sheet.csv").write_text("lane,done,note\n14,y,wet\n")
    assert main(["lanes", str(site), "--sheet", str(tmp_path / "sheet.csv")]) == 0
    ticked = (site / "lanes/1/ticks.csv").read_bytes()
    closed = close(site)
    shutil.rmtree(site / "out")
    page = Page(tmp_path, tmp_path)
    shown = page.get("/site/field/lanes/1").get_data(as_text=True)
    assert {int(n) for n in re.findall(r'<li data-lane="(\d+)" class="closed">', shown)} == closed
    told = json.loads(page.get("/site/field/lanes/1/ticks").get_data())
    assert set(told["closed"]) == closed and len(told["lanes"]) == len({one["lane"] for one in ticks} & {
        int(row["lane"]) for row in rows_of(site)
    })  # fmt: skip
    assert (site / "lanes/1/ticks.csv").read_bytes() == ticked
    row = next(row for row in rows_of(site) if row["lane"] == "14")
    assert 14 in closed and (row["done"], row["note"]) == ("y", f"{WORDS}; wet")
    (tmp_path / "sheet.csv").write_text("lane,done,note\n14,y,dry\n13,part,stones\n")
    assert main(["lanes", str(site), "--sheet", str(tmp_path / "sheet.csv")]) == 0
    notes = {row["lane"]: row["note"] for row in rows_of(site)}
    assert notes["14"] == f"{WORDS}; dry" and notes["13"] == f"{WORDS}; stones"  # a sheet opens nothing


def test_files_that_somebody_changed_are_told_and_not_lost(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Routes of one's own are kept beside the new ones; a file that cannot be marked is named with the lanes."""
    place = site / "lanes/1"
    own = (place / "lanes.gpx").read_text().replace("<name>L1</name>", "<name>L1 start here</name>")
    (place / "lanes.gpx").write_text(own)
    (place / "lanes.html").write_text("<p>my own sheet</p>")
    (place / ".~lock.lanes.csv#").write_text("")
    table = (place / "lanes.csv").read_bytes()
    closed = close(site)
    told = " ".join(capsys.readouterr().err.split())
    which = f"lanes {min(closed)}-{max(closed)} {WORDS}"
    assert f"lanes.html was changed after it was written: {which}" in told
    assert f"lanes.csv is open in a spreadsheet, and was left as it is: {which}" in told
    assert (place / "lanes-before-1.gpx").read_text() == own and (place / "lanes.csv").read_bytes() == table
    (place / ".~lock.lanes.csv#").unlink()
    assert main(["report", str(site)]) == 0
    assert {int(row["lane"]) for row in rows_of(site) if row["note"] == WORDS} == closed
    assert not (place / "lanes-before-2.gpx").exists()


def with_no_go(known: bytes, east_m: float) -> bytes:
    """The edge of the site and one no-go area 4 m wide, from so far to the east on."""
    drawn = json.loads(known)
    drawn["features"] += json.loads(square(east_m, 5, east_m + 4, 12, "no-go"))["features"]
    return json.dumps(drawn).encode()


def test_no_go_ground_that_is_drawn_later_closes_the_lanes_over_it(site: Path) -> None:
    """Whether by the next report or, where nobody has walked yet, when it is drawn; lanes beside it stay."""
    edge = (site / "areas.geojson").read_bytes()
    (site / "areas.geojson").write_bytes(with_no_go(edge, 15))
    assert main(["report", str(site)]) == 0
    across = {int(row["lane"]): (float(row["from_lon"]) - LON) / LON_PER_M for row in rows_of(site)}
    over = {number for number, x_m in across.items() if 15 < x_m < 19}
    assert len(over) >= 3 and {int(row["lane"]) for row in rows_of(site) if row["note"] == WORDS} == over
    (plan,) = json.loads((site / "out/report.json").read_text())["lanes_ahead"]
    assert set(plan["closed"]) == over
    (site / "areas.geojson").write_bytes(edge)
    assert main(["report", str(site)]) == 0
    assert not any(row["note"] for row in rows_of(site))
    (site / "outings.toml").write_text("")
    change_areas(site, with_no_go(edge, 15), areas_digest(edge), lambda _note: None)
    assert {int(row["lane"]) for row in rows_of(site) if row["note"] == WORDS} == over


@pytest.mark.browser
def test_a_page_that_is_open_learns_that_lanes_were_closed(site: Path, tmp_path: Path, driver: Any) -> None:
    """Without being loaded anew it says so beside each lane, has no Start for it, and names another lane as next."""
    numbers = [int(row["lane"]) for row in rows_of(site)]
    with running(tmp_path) as page:
        driver.get(page.addresses.here)
        wait(driver, "return !location.pathname.startsWith('/enter/') && document.readyState === 'complete'")
        driver.get(page.addresses.here.partition("/enter/")[0] + page.gate.prefix + "/site/field/lanes/1")
        wait(driver, "return document.getElementById('told').textContent.includes('Next: lane 1. All')")
        closed = close(site)
        for number in set(numbers) - closed:
            driver.execute_script(
                "document.querySelector(`[data-lane='${arguments[0]}'] [data-state=y]`).click()", number
            )
        seen = (
            "return String([...document.querySelectorAll('li.closed')].filter(row => "
            "row.innerText.includes(arguments[0]) && row.querySelector('[data-state=start]').disabled)"
            ".map(row => Number(row.dataset.lane)).sort((a, b) => a - b)) === String(arguments[1])"
        )
        wait(driver, seen, WORDS, sorted(closed))
        rest = f"{len(numbers) - len(closed)} of {len(numbers)} lanes done. All ticks are kept."
        wait(driver, "return document.getElementById('told').textContent === arguments[0]", rest)
