"""The local page under load and under the axe: seconds, memory, and what was lost; printed only.

Run by hand: python tests/benchmarks/bench_serve.py [--kills 50] [--seed 1]
"""

from __future__ import annotations

import argparse
import http.client
import json
import math
import random
import re
import signal
import subprocess
import sys
import threading
import time
import tomllib
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

BEGIN = datetime(2026, 3, 1, 9, tzinfo=UTC)
LON, LAT = -28.0, 46.5
COMMAND = "import sys; from fieldcomb.coverage.commands.cli import main; sys.exit(main())"


def walk(seconds: int, day: int, lane_m: float = 100.0) -> bytes:
    """Make a walk up and down lanes with the slow drift of a receiver, one fix a second."""
    chance = random.Random(day)
    lines, east_off, north_off = [], 0.0, 0.0
    for k in range(seconds):
        lane, along = divmod(k * 0.4, lane_m)
        east = lane * 1.3 + (east_off := 0.99 * east_off + chance.gauss(0, 0.1))
        north = (along if lane % 2 == 0 else lane_m - along) + (north_off := 0.99 * north_off + chance.gauss(0, 0.1))
        lon, lat = LON + east / (111_320 * math.cos(math.radians(LAT))), LAT + north / 111_150
        when = (BEGIN + timedelta(days=day, seconds=k)).strftime("%Y-%m-%dT%H:%M:%SZ")
        lines.append(f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"><time>{when}</time></trkpt>')
    head = (
        '<?xml version="1.0"?>\n<gpx version="1.1" creator="b" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
    )
    return (head + "\n".join(lines) + "</trkseg></trk></gpx>\n").encode()


class Server:
    """A running ``fieldcomb serve``, and one browser's worth of talk with it."""

    def __init__(self, root: Path) -> None:
        began = time.perf_counter()
        command = [sys.executable, "-c", COMMAND, "serve", str(root)]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        assert self.process.stdout is not None
        address = self.process.stdout.readline().strip()
        self.process.stdout.close()
        self.host, _, entry = address.removeprefix("http://").partition("/")
        self.cookie = self.prefix = ""
        cookie = self.ask("GET", "/" + entry)[1]["Set-Cookie"]
        self.cookie, self.prefix = cookie.partition(";")[0], re.findall(r"Path=([^;]+)", cookie)[0]
        self.ask("GET", "/")
        self.begun_s = time.perf_counter() - began

    def ask(self, method: str, path: str, body: bytes = b"", kind: str = "") -> tuple[int, Any, bytes]:
        """Send one request; gives code, headers and body."""
        headers = {"Cookie": self.cookie, "Origin": f"http://{self.host}", "Accept": "application/json"}
        if kind:
            headers["Content-Type"] = kind
        wire = http.client.HTTPConnection(self.host, timeout=60)
        try:
            wire.request(method, path if path.startswith(self.prefix) else self.prefix + path, body, headers)
            answer = wire.getresponse()
            return answer.status, answer.headers, answer.read()
        finally:
            wire.close()

    def post(self, path: str, fields: dict[str, str], files: dict[str, bytes]) -> dict[str, Any]:
        """Send a form with files under the field ``tracks``."""
        parts = [
            f'--x\r\nContent-Disposition: form-data; name="{k}"\r\n\r\n{v}\r\n'.encode() for k, v in fields.items()
        ]
        for name, data in files.items():
            head = f'--x\r\nContent-Disposition: form-data; name="tracks"; filename="{name}"\r\n\r\n'
            parts.append(head.encode() + data + b"\r\n")
        body = b"".join(parts) + b"--x--\r\n"
        return dict(json.loads(self.ask("POST", path, body, "multipart/form-data; boundary=x")[2]))

    def wait(self, job: str) -> dict[str, Any]:
        """Wait until a piece of work is over."""
        while True:
            state = dict(json.loads(self.ask("GET", job + "/state")[2]))
            if state["over"]:
                return state
            time.sleep(0.05)

    def memory_mb(self) -> float:
        """Give the resident memory; only where the system shows it as a file."""
        text = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(re.findall(r"VmRSS:\s+(\d+)", text)[0]) / 1024

    def end(self, how: int = signal.SIGTERM) -> None:
        """End the server."""
        self.process.send_signal(how)
        self.process.wait()


def names(site: Path) -> list[str]:
    """Give the names under which the walks of a site were sent, in the order of its outings."""
    outings = tomllib.loads((site / "outings.toml").read_text()).get("outing", [])
    return [one["name"] for outing in outings for one in outing["recording"]]


def valid(root: Path) -> bool:
    """Whether the site can be reported, which checks every recording against its digest."""
    command = [sys.executable, "-c", COMMAND, "report", str(root / "field"), "-o", str(root / "check")]
    return subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL).returncode == 0


def fresh(root: Path) -> Server:
    """Start a server on an empty folder and make a site with it."""
    server = Server(root)
    server.wait(server.post("/new", {"name": "field", "way": "none"}, {})["job"])
    return server


def speed(root: Path) -> None:
    """Print how long the first page and a walk of three hours take, and the memory at rest."""
    server = fresh(root)
    began = time.perf_counter()
    server.ask("GET", "/site/field/")
    print(
        f"from the command to its first page    {server.begun_s:6.2f} s; one page {time.perf_counter() - began:.3f} s"
    )
    print(f"memory at rest                        {server.memory_mb():6.0f} MB")
    for day in (1, 2):
        track = walk(10_800, day)
        began = time.perf_counter()
        state = server.wait(server.post("/site/field/add", {"coil": "28cm"}, {"three-hours.gpx": track})["job"])
        code, _, page = server.ask("GET", "/site/field/file/map.html")
        seconds = time.perf_counter() - began
        print(f"3 h walk ({len(track) / 1e6:.1f} MB), drop to map, outing {day} {seconds:6.2f} s; "
              f"drawn {state['drawn']}, {code}, {len(page) / 1e3:.0f} kB")  # fmt: skip
    print(f"memory after that                     {server.memory_mb():6.0f} MB")
    server.end()


def crowd(root: Path, clients: int = 4, each: int = 5) -> None:
    """Send walks from several clients at once, and count what is in the site then."""
    server = fresh(root)
    states: list[dict[str, Any]] = []

    def client(number: int) -> None:
        for n in range(each):
            day = number * each + n
            name = f"walk{day}.gpx"
            answer = server.post("/site/field/add", {"coil": "28cm"}, {name: walk(600, day, 40)})
            states.append(server.wait(answer["job"]))

    # And as many more from as many connections at the same moment.
    threads = [threading.Thread(target=client, args=(n,)) for n in range(clients)]
    jobs: list[str] = []
    for day in range(clients * each, 2 * clients * each):
        threads.append(
            threading.Thread(
                target=lambda day=day: jobs.append(
                    server.post("/site/field/add", {"coil": "28cm"}, {f"walk{day}.gpx": walk(600, day, 40)})["job"]
                )
            )
        )
    began = time.perf_counter()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    states += [server.wait(job) for job in jobs]
    sent = {f"walk{n}.gpx" for n in range(2 * clients * each)}
    found = names(root / "field")
    lost, doubled = len(sent - set(found)), len(found) - len(set(found))
    print(f"{len(sent)} uploads, {len(sent) - each * clients} of them at the same moment: "
          f"lost {lost}, doubled {doubled}, faults {sum(bool(s['fault']) for s in states)}, valid {valid(root)}, "
          f"{time.perf_counter() - began:.1f} s")  # fmt: skip
    report = json.loads((root / "field" / "out" / "report.json").read_text())
    print(f"the map that was left has {len(report['outings'])} outings")
    server.end()


def kills(root: Path, count: int, chance: random.Random) -> None:
    """Kill the server at random points of uploads, start it again, and look for what had been confirmed."""
    server = fresh(root)
    confirmed: list[str] = []
    seen = {"before": 0, "confirmed": 0, "kept unconfirmed": 0}
    for n in range(count):
        name, wait_s = f"kill{n}.gpx", chance.uniform(0.0, 1.6)
        killer = threading.Timer(wait_s, server.end, (signal.SIGKILL,))
        killer.start()
        told = False
        with suppress(OSError, http.client.HTTPException, ValueError):
            job = server.post("/site/field/add", {"coil": "28cm"}, {name: walk(600, n, 40)})["job"]
            while not told:
                state = json.loads(server.ask("GET", job + "/state")[2])
                told = bool(state["kept"])
        killer.join()
        if told:
            confirmed.append(name)
        server = Server(root)
        page = server.ask("GET", "/site/field/")[2]  # finishes what the killed one had decided
        kept = name in names(root / "field")
        seen["confirmed" if told else "kept unconfirmed" if kept else "before"] += 1
        if page == b"":
            print("no page after a kill")
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline and any((root / "field").glob(".pending*")):
        time.sleep(0.1)
        server.ask("GET", "/site/field/")
    found = names(root / "field")
    lost, doubled = set(confirmed) - set(found), len(found) - len(set(found))
    print(f"{count} kills: {seen}; confirmed and lost {len(lost)}, doubled {doubled}, valid {valid(root)}")
    for n in range(count):
        server.wait(server.post("/site/field/add", {"coil": "28cm"}, {f"kill{n}.gpx": walk(600, n, 40)})["job"])
    again = names(root / "field")
    print(f"all sent once more: {len(set(again))} of {count} there, doubled {len(again) - len(set(again))}, "
          f"valid {valid(root)}")  # fmt: skip
    server.end()


def main() -> None:
    """Run all of them."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--kills", type=int, default=5)
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args()
    for part in (speed, crowd, lambda root: kills(root, given.kills, random.Random(given.seed))):
        with TemporaryDirectory() as temp:
            part(Path(temp))


if __name__ == "__main__":
    main()
