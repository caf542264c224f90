"""Lanes ticked on phones: through lost connections, and through kills of the machine that keeps them."""

from __future__ import annotations

import csv
import json
import random
import re
import shutil
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from browsers import PHONE, driver, errors, screen, told, wait
from faults import in_process
from local_page import Page, lasting_port, running
from selenium.common.exceptions import WebDriverException
from small_walks import square

from fieldcomb.coverage.actions.tick_lanes import keep_ticks
from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.lanes.ticks import LaneTick, read_ticks, ticked_lanes

__all__ = ["driver"]
LANES = range(1, 21)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site with a plan of lanes, and nothing walked."""
    folder = tmp_path_factory.mktemp("ticks")
    (folder / "edge.geojson").write_text(square(0, 0, 26, 20))
    assert main(["new", str(folder / "field"), "--boundary", str(folder / "edge.geojson")]) == 0
    assert main(["lanes", str(folder / "field"), "--coil", "28cm", "--spacing", "1m"]) == 0
    return folder / "field"


def send(folder: Path, phone: str, ticks: list[dict[str, Any]], kill_at: int | None) -> list[str] | None:
    """Send ticks to a process of its own, which is killed at a step of the disk; what it confirms, if it lives."""
    kept: list[str] | None = in_process(
        lambda: keep_ticks(folder, "1", phone, ticks, say=lambda _note: None).kept, kill_at
    )
    return kept


def test_two_hundred_losses_and_kills_lose_nothing_and_double_nothing(site: Path, tmp_path: Path) -> None:
    """Two phones send ticks 200 times; messages and answers are lost, and the machine is killed at any step."""
    folder, chance = tmp_path / "field", random.Random(16)
    shutil.copytree(site, folder)
    waiting: dict[str, list[dict[str, Any]]] = {"aaaaaaaa": [], "bbbbbbbb": []}
    made: dict[str, dict[str, Any]] = {}
    confirmed: set[str] = set()
    for moment in range(200):
        phone = chance.choice(sorted(waiting))
        for _ in range(chance.randint(0, 3)):
            name, state = f"{len(made):08x}", chance.choice(["start", "y", "y", "n", "part", "", "undo"])
            made[name] = {"id": name, "lane": chance.choice(LANES), "done": state, "at_ms": 1000 * moment + len(made)}
            if state == "undo":
                made[name] |= {"undoes": chance.choice(sorted(made))}
            waiting[phone].append(made[name])
        fate = chance.choice(["well", "message lost", "answer lost", "killed", "killed"])
        if fate == "message lost" or not waiting[phone]:
            continue
        kept = send(folder, phone, waiting[phone], chance.randrange(28) if fate == "killed" else None)
        if kept is None or fate == "answer lost":
            continue
        confirmed |= set(kept)
        waiting[phone] = [tick for tick in waiting[phone] if tick["id"] not in kept]
    raw = (folder / "lanes/1/ticks.csv").read_bytes()
    held = read_ticks(raw, "ticks.csv", LANES)
    assert len({tick.id for tick in held}) == len(held) and confirmed <= {tick.id for tick in held} <= set(made)
    for phone, left in waiting.items():
        assert set(send(folder, phone, left, None) or []) == {tick["id"] for tick in left}
    held = read_ticks((folder / "lanes/1/ticks.csv").read_bytes(), "ticks.csv", LANES)
    assert {tick.id for tick in held} == set(made)
    gone = {tick["undoes"] for tick in made.values() if tick["done"] == "undo"}
    last = {tick["lane"]: "" for tick in made.values()}
    for tick in sorted(made.values(), key=lambda one: one["at_ms"]):
        if tick["done"] not in ("undo", "start") and tick["id"] not in gone:
            last[tick["lane"]] = tick["done"]
    assert {lane: ticked.state for lane, ticked in ticked_lanes(held).items()} == last
    assert not [path for path in (folder / "lanes/1").iterdir() if path.name.endswith(".part")]


@pytest.mark.browser
def test_the_page_shows_what_was_typed_in_from_the_sheet(site: Path, tmp_path: Path, driver: Any) -> None:
    """The page counts the lanes of the sheet as the report does, marks them by their numbers, and goes to the next one.

    A tick holds over the sheet, until it is taken back.
    """
    shutil.copytree(site, tmp_path / "field")
    (tmp_path / "sheet.csv").write_text("lane,done\n1,y\n2,y\n3,part\n4,n\n")
    assert main(["lanes", str(tmp_path / "field"), "--sheet", str(tmp_path / "sheet.csv")]) == 0
    done_so_far = TOLD.format("{} of 21 lanes done. Next: lane {}. All ticks are kept.")
    with running(tmp_path) as page:
        driver.get(page.addresses.here)
        wait(driver, "return !location.pathname.startsWith('/enter/') && document.readyState === 'complete'")
        driver.get(page.addresses.here.partition("/enter/")[0] + page.gate.prefix + "/site/field/lanes/1")
        wait(driver, done_so_far.format(2, 3))
        rows = driver.execute_script("return [...document.querySelectorAll('#lanes .sheet')].map(one => one.innerText)")
        assert rows[:5] == ["sheet: done", "sheet: done", "sheet: part", "sheet: not", ""]
        ends = "[...document.querySelectorAll('#lanes .number')].map(one => getComputedStyle(one, '::after').content)"
        assert driver.execute_script(f"return {ends}")[:4] == ['" ✓"', '" ✓"', "none", "none"]
        assert driver.find_element("id", "next").text == "Go to 3"
        driver.find_element("id", "next").click()
        assert driver.execute_script("return document.activeElement.closest('li').dataset.lane") == "3"
        for state, done, following in (("n", 1, 2), ("n", 2, 3), ("y", 2, 3)):
            press(driver, 2, state)
            wait(driver, done_so_far.format(done, following))
        (tmp_path / "field/lanes/1/lanes.csv").write_text("nothing of the kind")
        driver.refresh()
        wait(driver, done_so_far.format(1, 1))
        assert told(driver, "#wrong .warn").startswith("lanes/1/lanes.csv: ")


@pytest.mark.browser
def test_a_phone_ticks_lanes_without_a_connection(site: Path, tmp_path: Path, driver: Any) -> None:
    """Ticks made while the machine is out of reach wait on the page, also when it is closed and opened again there."""
    shutil.copytree(site, tmp_path / "field")
    screen(driver, PHONE)
    port = lasting_port()
    with running(tmp_path, port=port) as page:
        address = opened_lanes(driver, page)
        press(driver, 3, "y")
        wait(driver, TOLD.format("1 of 21 lanes done. Next: lane 1. All ticks are kept."))
    for lane, state in ((4, "start"), (4, "y"), (5, "part"), (6, "n")):
        press(driver, lane, state)
    driver.find_element("id", "undo").click()
    waits = TOLD.format("2 of 21 lanes done. Next: lane 1. Out of reach: 5 ticks wait here. Do not reload.")
    wait(driver, waits)
    assert driver.execute_script("return document.documentElement.scrollWidth <= window.innerWidth")
    driver.get("about:blank")  # the phone goes on to something else, and back, and by the address
    driver.back()
    wait(driver, waits)
    driver.get("about:blank")
    driver.get(address)
    wait(driver, waits)
    with suppress(WebDriverException):  # reloaded in spite of all that was said, which shows nothing
        driver.refresh()
    driver.get(address)
    wait(driver, waits)
    assert pressed(driver) == {3: ["y"], 4: ["y"], 5: ["part"]}
    with running(tmp_path, port=port) as page:
        press(driver, 7, "y")
        wait(driver, "return document.getElementById('wrong').textContent.startsWith('fieldcomb was started again')")
        opened_lanes(driver, page)
        wait(driver, TOLD.format("3 of 21 lanes done. Next: lane 1. All ticks are kept."))
    errors(driver)
    held = read_ticks((tmp_path / "field/lanes/1/ticks.csv").read_bytes(), "ticks.csv", range(1, 22))
    lanes = ticked_lanes(held)
    assert {lane: ticked.state for lane, ticked in lanes.items()} == {3: "y", 4: "y", 5: "part", 6: "", 7: "y"}
    assert lanes[4].start_ms is not None and lanes[4].end_ms is not None and lanes[4].start_ms <= lanes[4].end_ms


def test_two_phones_end_in_one_truth_and_are_told_where_they_disagree(site: Path, tmp_path: Path) -> None:
    """Whichever phone's ticks arrive first, the later tick holds, and the page and the report name the lane."""
    answers = []
    for order in ((0, 1), (1, 0)):
        folder = tmp_path / str(order[0]) / "field"
        shutil.copytree(site, folder)
        sent = [
            ("aaaaaaaa", [{"id": "00000001", "lane": 4, "done": "y", "at_ms": 100}]),
            ("bbbbbbbb", [{"id": "00000002", "lane": 4, "done": "n", "at_ms": 200}]),
        ]
        kept = [keep_ticks(folder, "1", *sent[place], say=lambda _note: None) for place in order]
        answers.append((kept[-1].lanes, kept[-1].told_otherwise))
    assert answers[0] == answers[1] and answers[0][0][4].state == "n" and answers[0][1] == (4,)


def test_the_page_of_a_site_begins_with_the_lanes_to_walk_next(site: Path, tmp_path: Path) -> None:
    """First on the page stand the next five lanes and how many are left, by what is ticked now; none when all are."""
    shutil.copytree(site, tmp_path / "sites/field")
    (tmp_path / "temp").mkdir()
    page, folder = Page(tmp_path / "sites", tmp_path / "temp"), tmp_path / "sites/field"
    assert "<b>Next: lanes 1-5</b> of plan 1; 21 of 21 lanes left to walk" in page.get("/site/field/").text
    ticks = [{"id": f"{n:08x}", "lane": n, "done": "part" if n == 2 else "y", "at_ms": n} for n in range(1, 22)]
    keep_ticks(folder, "1", "aaaaaaaa", ticks[:4], say=lambda _note: None)
    assert "<b>Next: lanes 2, 5-8</b> of plan 1; 18 of 21 lanes left" in page.get("/site/field/").text
    again = {"id": "ffffffff", "lane": 2, "done": "y", "at_ms": 100}
    keep_ticks(folder, "1", "aaaaaaaa", [*ticks[4:], again], say=lambda _note: None)
    text = page.get("/site/field/").text
    assert "Next: lane" not in text and "21 of 21 lanes walked" in text
    (folder / "lanes/1/lanes.geojson").write_text("{}")
    assert "cannot be read" in page.get("/site/field/").text


def test_the_sheet_and_the_routes_of_a_plan_can_be_had_from_its_page(site: Path, tmp_path: Path) -> None:
    """Sheet, routes and table come as they lie in the folder; nothing else of it, and nothing through a link."""
    shutil.copytree(site, tmp_path / "sites/field")
    (tmp_path / "temp").mkdir()
    page, folder = Page(tmp_path / "sites", tmp_path / "temp"), tmp_path / "sites/field/lanes/1"
    for name in ("lanes.html", "lanes.gpx", "lanes.csv"):
        answer = page.get(f"/site/field/lanes/1/file/{name}")
        assert answer.status_code == 200 and answer.data == (folder / name).read_bytes()
    assert "sandbox" in page.get("/site/field/lanes/1/file/lanes.html").headers["Content-Security-Policy"]
    for name in ("ticks.csv", "..", "site.toml", "%2e%2e%2fsite.toml"):
        assert page.get(f"/site/field/lanes/1/file/{name}").status_code == 404
    (folder / "lanes.gpx").unlink()
    (folder / "lanes.gpx").symlink_to(tmp_path / "sites/field/site.toml")
    assert page.get("/site/field/lanes/1/file/lanes.gpx").status_code == 404


def test_ticks_of_lanes_that_are_not_there_are_told_and_not_confirmed(site: Path, tmp_path: Path) -> None:
    """Lane 99 is no lane of this plan: its tick stays on the phone, the page says so, and the others are kept."""
    shutil.copytree(site, tmp_path / "sites/field")
    (tmp_path / "temp").mkdir()
    page = Page(tmp_path / "sites", tmp_path / "temp")
    ticks = [{"id": f"{n:08x}", "lane": n, "done": "y", "at_ms": n} for n in (4, 99)]
    sent = json.dumps({"phone": "aaaaaaaa", "ticks": ticks})
    answer = page.ask("POST", "/site/field/lanes/1/ticks", data=sent, content_type="application/json")
    told = json.loads(answer.data)
    assert told["kept"] == ["00000004"] and told["refused"] == ["1 tick of no lane of this plan: not kept"]
    for address in (
        "/site/field/lanes/2",
        "/site/nowhere/lanes/1",
        "/site/field/lanes/2/ticks",
        "/site/field/lanes/..",
    ):
        assert page.get(address).status_code == 404
    for body in ("", "[]", "{}", '{"ticks": 5}', "[" * 5000):
        answer = page.ask("POST", "/site/field/lanes/1/ticks", data=body, content_type="application/json")
        assert answer.status_code == 400 and "not a list of ticks" in answer.text


# ------------------------------------------------------------------------------------------- times in the plan's table


def cell(folder: Path, lane: int, column: str) -> str:
    """A cell of the plan's table."""
    rows = csv.DictReader((folder / "lanes/1/lanes.csv").read_text(encoding="utf-8-sig").splitlines())
    return next(row[column] for row in rows if row["lane"] == str(lane))


def test_times_of_ticks_come_into_the_table_and_what_somebody_wrote_there_stays(site: Path, tmp_path: Path) -> None:
    """Begin and end stand there in the site's zone; undone, they are blank again; typed times are never touched."""
    folder = tmp_path / "field"
    shutil.copytree(site, folder)
    table = folder / "lanes/1/lanes.csv"
    table.write_bytes(re.sub(rb"(?m)^(5,.*),,,,,,\r$", rb"\1,,,,08:15,,\r", table.read_bytes()))
    before = table.read_bytes()
    nine = 1_772_874_000_000  # 2026-03-07T09:00Z
    ticks = [LaneTick(f"{n:08x}", lane, state, nine + 60_000 * n, "aaaaaaaa") for n, lane, state in
             ((1, 4, "start"), (2, 4, "y"), (3, 5, "start"), (4, 5, "y"), (5, 6, "n"))]  # fmt: skip
    sent = [{"id": t.id, "lane": t.lane, "done": t.state, "at_ms": t.at_ms} for t in ticks]
    keep_ticks(folder, "1", "aaaaaaaa", sent, say=lambda _note: None)
    assert (cell(folder, 4, "start"), cell(folder, 4, "end")) == ("2026-03-07T09:01", "2026-03-07T09:02")
    assert (cell(folder, 5, "start"), cell(folder, 6, "start"), cell(folder, 4, "done")) == ("08:15", "", "")
    undo = [{"id": f"f{t.id[1:]}", "lane": t.lane, "done": "undo", "at_ms": nine, "undoes": t.id} for t in ticks]
    keep_ticks(folder, "1", "aaaaaaaa", undo, say=lambda _note: None)
    assert table.read_bytes() == before


def test_a_table_that_cannot_be_filled_in_does_not_stop_a_tick(site: Path, tmp_path: Path) -> None:
    """The tick is kept, and the table stays as somebody left it."""
    folder = tmp_path / "field"
    shutil.copytree(site, folder)
    (folder / "lanes/1/lanes.csv").write_bytes(b"\xff\xfe nothing of the kind")
    sent = [{"id": "00000001", "lane": 4, "done": "y", "at_ms": 1}]
    assert keep_ticks(folder, "1", "aaaaaaaa", sent, say=lambda _note: None).kept == ("00000001",)
    assert (folder / "lanes/1/lanes.csv").read_bytes() == b"\xff\xfe nothing of the kind"


TOLD = "return document.getElementById('told').textContent === '{}'"


def opened_lanes(driver: Any, page: Any) -> str:
    """Open the page of the lanes; returns its address."""
    driver.get(page.addresses.here)
    wait(driver, "return !location.pathname.startsWith('/enter/') && document.readyState === 'complete'")
    address = page.addresses.here.partition("/enter/")[0] + page.gate.prefix + "/site/field/lanes/1"
    driver.get(address)
    wait(driver, "return document.getElementById('told').textContent !== ''")
    return address


def pressed(driver: Any) -> dict[int, list[str]]:
    """Buttons that are pressed, by lane."""
    found = driver.execute_script(
        "return [...document.querySelectorAll('#lanes [aria-pressed=true]')]"
        ".map(one => [Number(one.closest('li').dataset.lane), one.dataset.state])"
    )
    lanes: dict[int, list[str]] = {}
    for lane, state in found:
        lanes.setdefault(lane, []).append(state)
    return lanes


def press(driver: Any, lane: int, state: str) -> None:
    """Press a button of a lane."""
    button = driver.find_element("css selector", f'[data-lane="{lane}"] [data-state="{state}"]')
    driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", button)
    button.click()
