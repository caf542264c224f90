"""The commands and the page at work on one site at once: each change is there once, and nothing is half done."""

from __future__ import annotations

import hashlib
import http.client
import io
import json
import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest
from local_page import running
from small_walks import MORNING, gpx, lanes, square, stamped

from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.jobs.job_protocol import ADD, DRAW, EDIT, Order
from fieldcomb.coverage.web.server import Service

COMMAND = (sys.executable, "-c", "import sys; from fieldcomb.coverage.commands.cli import main; sys.exit(main())")


def walk_of_day(day: int) -> str:
    """A small walk of one day, on ground of its own."""
    return gpx(stamped([(x + 0.7 * day, y) for x, y in lanes(2, 5.0)], MORNING + timedelta(days=day)))


@pytest.fixture
def sites(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Make a folder of sites with one site that has one outing, and the walks of eight days."""
    monkeypatch.chdir(tmp_path)
    for day in range(8):
        Path(f"{day}.gpx").write_text(walk_of_day(day))
    Path("edge.geojson").write_text(square(-1, -1, 9, 6))
    Path("sites").mkdir()
    assert main(["new", "sites/field", "--boundary", "edge.geojson"]) == 0
    assert main(["add", "sites/field", "0.gpx"]) == 0
    return tmp_path / "sites"


def uploaded(service: Service, day: int) -> Order:
    """Upload a walk to the page, and return the order to add it."""
    data = walk_of_day(day).encode()
    with service.uploads.taking() as held:
        held.append(service.uploads.take(SimpleNamespace(filename=f"{day}.gpx", stream=io.BytesIO(data))))
    return Order(ADD, str(Path("sites/field").absolute()), tuple(held))


def look_on(service: Service, over: threading.Event, seen: list[tuple[int, bytes]]) -> None:
    """Ask the page for the site and its map again and again."""
    host = service.addresses.here.removeprefix("http://").partition("/")[0]
    headers = {"Cookie": f"{service.gate.cookie_name}={service.gate.session}", "Host": host}
    while not over.is_set():
        for path in ("/site/field/", "/site/field/file/map.html"):
            asking = http.client.HTTPConnection(host, timeout=60)
            asking.request("GET", service.gate.prefix + path, headers=headers)
            answer = asking.getresponse()
            seen.append((answer.status, answer.read()))
            asking.close()
        time.sleep(0.05)


def until(is_so: Callable[[], bool]) -> None:
    """Wait for what other processes bring about."""
    end_s = time.monotonic() + 300
    while not is_so():
        assert time.monotonic() < end_s, "it never came"
        time.sleep(0.02)


def test_add_edit_report_and_the_page_at_once_lose_and_double_nothing(sites: Path) -> None:
    """Two adds, an edit, a report and a killed add, and the page adding, correcting, drawing and being looked at."""
    field, over, seen = str(sites / "field"), threading.Event(), list[tuple[int, bytes]]()
    assert main(["report", field]) == 0
    with running(sites) as service:
        looking = threading.Thread(target=look_on, args=(service, over, seen))
        looking.start()
        commands = [
            ["add", field, "1.gpx"], ["edit", field, "2026-03-07a", "--note", "rain"], ["add", field, "2.gpx", "3.gpx"],
            ["report", field],
        ]  # fmt: skip
        processes = [subprocess.Popen([*COMMAND, *one], stdout=-3, stderr=-1, text=True) for one in commands]
        killed = subprocess.Popen([*COMMAND, "add", field, "6.gpx"], stdout=-3, stderr=-3)
        orders = [
            uploaded(service, 4), Order(EDIT, field, outing="2026-03-07a", changes={"label": "west"}),
            uploaded(service, 5), Order(DRAW, field),
        ]  # fmt: skip
        jobs = [service.jobs.submit(order) for order in orders]
        until(lambda: len(seen) > 2)
        killed.kill()
        killed.wait()
        for command, process in zip(commands, processes, strict=True):
            words = process.communicate()[1]
            assert process.returncode == 0, (command, words)
        until(lambda: all((service.jobs.get(job.id) or job).is_over for job in jobs))
        ends = [service.jobs.get(job.id) for job in jobs]
        assert [(end.state, end.progress.fault) for end in ends if end] == [("done", "")] * 4
        over.set()
        looking.join(60)
    pages = {status for status, _ in seen}
    assert pages == {200} and all(text.rstrip().endswith(b"</html>") for _, text in seen)
    is_whole(sites / "field", {0, 1, 2, 3, 4, 5})


def is_whole(field: Path, days: set[int]) -> None:
    """Hold that these walks are in a site, each once, byte for byte; the walk of day 6 may be there too."""
    outings = tomllib.loads((field / "outings.toml").read_text())["outing"]
    assert (outings[0]["note"], outings[0]["label"]) == ("rain", "west")
    recordings = [one for outing in outings for one in outing["recording"]]
    given = {hashlib.sha256(walk_of_day(day).encode()).hexdigest(): day for day in range(8)}
    there = sorted(given[one["sha256"]] for one in recordings)
    assert there in (sorted(days), sorted(days | {6})) and len({outing["id"] for outing in outings}) == len(outings)
    for one in recordings:
        assert hashlib.sha256((field / "tracks" / one["file"]).read_bytes()).hexdigest() == one["sha256"]
    assert {path.name for path in (field / "tracks").iterdir()} == {one["file"] for one in recordings}
    assert main(["report", str(field)]) == 0
    report = json.loads((field / "out/report.json").read_text())
    assert sorted(one["id"] for one in report["outings"]) == sorted(outing["id"] for outing in outings)
    left = [path for path in field.rglob(".*") if path.name != ".lock"]
    assert left == [] and [path.name for path in field.parent.iterdir()] == ["field"]
