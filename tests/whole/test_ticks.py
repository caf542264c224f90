"""Lanes ticked on phones: through lost connections, and through kills of the machine that keeps them."""

from __future__ import annotations

import json
import os
import random
import shutil
from pathlib import Path
from typing import Any

import pytest
from browsers import PHONE, driver, errors, wait
from faults import KILLED, Fault
from local_page import running
from small_walks import square

from fieldcomb.coverage.actions.tick_lanes import keep_ticks
from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.lanes.ticks import latest, read_ticks

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
    ours, theirs = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(ours)
        if kill_at is not None:
            Fault("kill", kill_at).arm([0])
        done = keep_ticks(folder, "1", phone, ticks, say=lambda _note: None)
        with os.fdopen(theirs, "w") as pipe:
            json.dump(done.kept, pipe)
        os._exit(0)
    os.close(theirs)
    with os.fdopen(ours) as pipe:
        words = pipe.read()
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert code in (0, KILLED)
    return json.loads(words) if code == 0 else None


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
            name, state = f"{len(made):08x}", chance.choice(["y", "y", "n", "part", ""])
            made[name] = {"id": name, "lane": chance.choice(LANES), "done": state, "at_ms": 1000 * moment + len(made)}
            waiting[phone].append(made[name])
        fate = chance.choice(["well", "message lost", "answer lost", "killed", "killed"])
        if fate == "message lost" or not waiting[phone]:
            continue
        kept = send(folder, phone, waiting[phone], chance.randrange(14) if fate == "killed" else None)
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
    last = {tick["lane"]: tick["done"] for tick in sorted(made.values(), key=lambda one: one["at_ms"])}
    assert {lane: tick.state for lane, tick in latest(held).items()} == last
    assert not [path for path in (folder / "lanes/1").iterdir() if path.name.endswith(".part")]


@pytest.mark.browser
def test_the_page_shows_what_was_typed_in_from_the_sheet(site: Path, tmp_path: Path, driver: Any) -> None:
    """The page counts the lanes of the sheet as the report does: a tick holds over it, until it is taken back."""
    shutil.copytree(site, tmp_path / "field")
    (tmp_path / "sheet.csv").write_text("lane,done\n1,y\n2,y\n3,part\n4,n\n")
    assert main(["lanes", str(tmp_path / "field"), "--sheet", str(tmp_path / "sheet.csv")]) == 0
    told = "return document.getElementById('told').textContent === '{} of 21 lanes done. All ticks are kept.'"
    with running(tmp_path) as page:
        driver.get(page.addresses.here)
        wait(driver, "return !location.pathname.startsWith('/enter/') && document.readyState === 'complete'")
        driver.get(page.addresses.here.partition("/enter/")[0] + page.gate.prefix + "/site/field/lanes/1")
        wait(driver, told.format(2))
        rows = driver.execute_script("return [...document.querySelectorAll('#lanes .small')].map(one => one.innerText)")
        assert [row.partition("\n")[2] for row in rows[:5]] == [
            "sheet: done",
            "sheet: done",
            "sheet: part",
            "sheet: not",
            "",
        ]
        for state, done in (("n", 1), ("n", 2), ("y", 2)):
            press(driver, 2, state)
            wait(driver, told.format(done))
        (tmp_path / "field/lanes/1/lanes.csv").write_text("nothing of the kind")
        driver.refresh()
        wait(driver, told.format(1))
        assert driver.find_element("css selector", ".warn").text.startswith("lanes/1/lanes.csv: ")


@pytest.mark.browser
def test_a_phone_ticks_lanes_without_a_connection(site: Path, tmp_path: Path, driver: Any) -> None:
    """Ticks made while the machine is out of reach wait on the page, also when it is closed, and arrive later."""
    shutil.copytree(site, tmp_path / "field")
    size = {"width": PHONE[0], "height": PHONE[1], "deviceScaleFactor": 1, "mobile": True}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    driver.execute_cdp_cmd("Network.enable", {})
    with running(tmp_path) as page:
        driver.get(page.addresses.here)
        wait(driver, "return !location.pathname.startsWith('/enter/') && document.readyState === 'complete'")
        driver.get(page.addresses.here.partition("/enter/")[0] + page.gate.prefix + "/site/field/lanes/1")
        press(driver, 3, "y")
        wait(driver, "return document.getElementById('told').textContent === '1 of 21 lanes done. All ticks are kept.'")
        connected(driver, False)
        press(driver, 4, "y")
        press(driver, 5, "part")
        wait(driver, "return document.getElementById('told').textContent.includes('2 ticks wait here')")
        assert driver.execute_script("return document.documentElement.scrollWidth <= window.innerWidth")
        connected(driver, True)
        driver.refresh()  # the page was closed with ticks on it
        wait(driver, "return document.getElementById('told').textContent === '2 of 21 lanes done. All ticks are kept.'")
    held = read_ticks((tmp_path / "field/lanes/1/ticks.csv").read_bytes(), "ticks.csv", range(1, 22))
    assert {lane: tick.state for lane, tick in latest(held).items()} == {3: "y", 4: "y", 5: "part"}
    assert all("ERR_INTERNET_DISCONNECTED" in error for error in errors(driver))


def press(driver: Any, lane: int, state: str) -> None:
    """Press a button of a lane."""
    driver.find_element("css selector", f'[data-lane="{lane}"] [data-state="{state}"]').click()


def connected(driver: Any, on: bool) -> None:
    """Take the connection away, or bring it back."""
    speed = {"offline": not on, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
    driver.execute_cdp_cmd("Network.emulateNetworkConditions", speed)
