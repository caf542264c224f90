"""The local page under load: seconds, memory, and what was lost; printed only.

Run by hand: python tests/benchmarks/bench_serve.py
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from page_client import COMMAND, ServerProcess, sent_names, walk

PICK_S = 8.0  # to pick a file, in which the page makes a process ready


def valid(root: Path) -> bool:
    """Whether the site can be reported, which checks every recording against its digest."""
    command = [sys.executable, "-c", COMMAND, "report", str(root / "field"), "-o", str(root / "check")]
    return subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL).returncode == 0


def fresh(root: Path) -> ServerProcess:
    """Start a server on an empty folder and make a site with it."""
    server = ServerProcess(root)
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
        time.sleep(PICK_S)
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
    found = sent_names(root / "field")
    lost, doubled = len(sent - set(found)), len(found) - len(set(found))
    print(f"{len(sent)} uploads, {len(sent) - each * clients} of them at the same moment: "
          f"lost {lost}, doubled {doubled}, faults {sum(bool(s['fault']) for s in states)}, valid {valid(root)}, "
          f"{time.perf_counter() - began:.1f} s")  # fmt: skip
    report = json.loads((root / "field" / "out" / "report.json").read_text())
    print(f"the map that was left has {len(report['outings'])} outings")
    server.end()


def main() -> None:
    """Run both of them."""
    for part in (speed, crowd):
        with TemporaryDirectory() as temp:
            part(Path(temp))


if __name__ == "__main__":
    main()
