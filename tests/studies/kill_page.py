"""Kill the local page and the process that does its work, and look for what was lost, doubled, deleted or left over.

    .venv/bin/python tests/studies/kill_page.py [--kills 100] [--seconds 480] [--seed 1]

Each round asks the page for one thing (a walk to add, an outing to correct, to leave out or to take back, the map to
draw), kills the server, the worker or both at a point of the upload or the job, starts the page again, asks for the
same once more, and checks the folder. Points are states that the page reports, never seconds of
a clock; a point between two states is a share of the time that the same job took on this machine when nobody killed
it. Runs only where the system shows processes as files.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import json
import os
import random
import re
import signal
import socket
import sys
import time
import tomllib
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from page_client import FORM_TYPE, ServerProcess, form_body, walk

SERVER, WORKER, BOTH = "server", "worker", "both"
VICTIMS = (SERVER, WORKER, BOTH)
UPLOAD, ACCEPTED, READING, ANY_TIME, KEPT, DRAWING = "upload", "accepted", "reading", "any time", "kept", "drawing"
POINTS = (UPLOAD, ACCEPTED, READING, ANY_TIME, ANY_TIME, KEPT, DRAWING)
SEND, CORRECT, LEAVE_OUT, DRAW = "send", "correct", "leave out", "draw"
WORKS = (SEND, SEND, CORRECT, LEAVE_OUT, DRAW)
WALKS_A_SITE = 12  # a site with more takes so long to draw that few kills fit into a study
WALK_S = 120
COIL = {"coil": "28cm"}
PATIENCE_S = 300.0  # only a page that hangs takes so long
# What a user may have put next to our files; the last two look like ours and are not.
FOREIGN = ("sites/notes.txt", "sites/photos/a.jpg", "temp/letter.txt", "temp/fieldcomb-uploads-mine/photo.jpg",
           "sites/.mine.1.pending-new/photo.jpg")  # fmt: skip
FOREIGN_IN_SITE = ("diary.txt", "out/photo.jpg", "out/.photo.jpg.1.part", "tracks/old.txt")


@dataclass(frozen=True, slots=True)
class Work:
    """What the page is asked for: where, with which form, and whether it is carried out."""

    what: str
    path: str
    fields: dict[str, str]
    files: dict[str, bytes]
    is_done: Callable[[], bool]


@dataclass(slots=True)
class KillSummary:
    """What the kills did; the lists hold one line for each thing that is wrong."""

    kills: int = 0
    at: Counter[str] = field(default_factory=Counter)
    outcome: Counter[str] = field(default_factory=Counter)
    lost: list[str] = field(default_factory=list)
    doubled: list[str] = field(default_factory=list)
    changed: list[str] = field(default_factory=list)
    remains: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    @property
    def wrong(self) -> list[str]:
        """Everything that is wrong."""
        return [*self.lost, *self.doubled, *self.changed, *self.remains, *self.faults]

    def __str__(self) -> str:
        lines = [f"{self.kills} kills"]
        lines += [f"  {where}: {many}" for where, many in sorted(self.at.items())]
        lines += [f"  outcome, {what}: {many}" for what, many in sorted(self.outcome.items())]
        lists = {"confirmed and lost": self.lost, "doubled": self.doubled, "not ours and changed": self.changed,
                 "left over": self.remains, "faults": self.faults}  # fmt: skip
        lines += [f"{what}: {len(found)}" for what, found in lists.items()]
        return "\n".join([*lines, *(f"  {line}" for line in self.wrong)])


class KillRange:
    """A folder of sites with files of a user among them, and a server that is killed and started again."""

    def __init__(self, base: Path) -> None:
        self.root, self.temp, self.log = base / "sites", base / "temp", base / "errors.txt"
        self.base, self.summary = base, KillSummary()
        self.root.mkdir()
        self.temp.mkdir()
        self.foreign: dict[Path, bytes] = {}
        self._put_foreign(base, FOREIGN)
        self.server = self._started()
        self.site = self.root
        self.walks: dict[str, bytes] = {}  # of this site, each confirmed, and what else was confirmed of their outings
        self.notes: dict[str, str] = {}
        self.left_out: set[str] = set()
        self.number, self.job_s = 0, 0.0
        self.new_site()

    def _started(self) -> ServerProcess:
        return ServerProcess(self.root, {"TMPDIR": str(self.temp)}, self.log)

    def _put_foreign(self, base: Path, names: tuple[str, ...]) -> None:
        for name in names:
            path = base / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(name.encode())
            self.foreign[path] = name.encode()

    def new_site(self) -> None:
        """Begin a site, and measure on it how long one undisturbed job takes."""
        self.number += 1
        name = f"field{self.number}"
        self.server.wait(self.server.post("/new", {"name": name, "way": "none"}, {})["job"])
        self.site, self.walks, self.notes, self.left_out = self.root / name, {}, {}, set()
        self._put_foreign(self.site, FOREIGN_IN_SITE)
        began = time.perf_counter()
        self.ask_again(self.work(SEND, random.Random(1)))
        self.job_s = time.perf_counter() - began

    def next_walk(self) -> tuple[str, bytes]:
        """Return the name and the bytes of a walk that this site does not have."""
        day = self.number * 100 + len(self.walks)
        return f"walk{day}.gpx", walk(WALK_S, day % 300, 20)

    def work(self, what: str, chance: random.Random) -> Work:
        """Choose a walk to send, or one that this site has and something to change about its outing."""
        base = f"/site/{self.site.name}"
        if what == SEND:
            name, data = self.next_walk()
            return Work(f"{SEND} {name}", base + "/add", COIL, {name: data}, lambda: name in self._stored())
        if what == DRAW:
            return Work(DRAW, base + "/draw", {}, {}, lambda: True)
        name = chance.choice(sorted(self.walks))
        path = f"{base}/outing/{self._outings()[name]['id']}"
        if what == CORRECT:
            note = f"note {chance.random()}"
            self.notes[name] = note
            return Work(
                f"{CORRECT} {name}", path, {"note": note}, {}, lambda: self._outings()[name].get("note") == note
            )
        self.left_out ^= {name}
        wanted = name in self.left_out
        fields = {"left_out": "yes" if wanted else "no"}
        is_done: Callable[[], bool] = lambda: self._outings()[name].get("left_out", False) == wanted  # noqa: E731
        return Work(f"{LEAVE_OUT} {name}", path + "/left-out", fields, {}, is_done)

    def kill_once(self, work: Work, victim: str, point: str, share: float) -> None:
        """Ask for something, kill at a point of it, start again, ask again, and check everything.

        share : from 0 to 1, how far into the body of an upload or the time of a job, where the point leaves that open.
        """
        confirmed = self._killed(work, victim, point, share)
        if self.server.process.poll() is not None:
            self.server = self._started()
        self._wait_for_workers()
        self._ask_site()
        self.summary.kills += 1
        self.summary.at[f"{work.what.partition(' walk')[0]}, {victim}, {point}"] += 1
        there = work.is_done()
        outcome = (
            "confirmed" if confirmed else "kept, not confirmed yet" if there else "as if it had not been asked for"
        )
        self.summary.outcome["the map, drawn again" if work.what == DRAW else outcome] += 1
        if confirmed and not there:
            self.summary.lost.append(f"{work.what} after {victim}, {point}")
        self.ask_again(work)
        self.check(f"{work.what}, {victim}, {point}, {share:.3f}")

    def ask_again(self, work: Work) -> None:
        """Ask for something and wait for the end of its job; the page refuses a walk that it has."""
        state = self.server.wait(self.server.post(work.path, work.fields, work.files)["job"])
        if state["fault"] and "was added before" not in state["fault"]:
            self.summary.faults.append(f"{work.what}: {state['fault']}")
        self.walks |= work.files
        if not work.is_done():
            self.summary.lost.append(f"{work.what}, asked for in peace")

    def _killed(self, work: Work, victim: str, point: str, share: float) -> bool:
        """Ask for something and kill at the point; whether the page had said before that it is kept."""
        body = form_body(work.fields, work.files)
        if point == UPLOAD:
            with self._half_sent(work.path, body, share):
                self._kill(victim)
            return False
        job = json.loads(self.server.ask("POST", work.path, body, FORM_TYPE)[2])["job"]
        began, confirmed = time.perf_counter(), False
        while True:
            state = json.loads(self.server.ask("GET", job + "/state")[2])
            confirmed = confirmed or bool(state["kept"])
            passed = {
                ACCEPTED: True,
                READING: bool(state["step"]),
                ANY_TIME: time.perf_counter() - began >= share * self.job_s,
                KEPT: confirmed,
                DRAWING: (confirmed or work.what == DRAW) and state["whole"] > 1,
            }
            if passed[point] or state["over"]:
                self._kill(victim)
                break
        if victim == WORKER:
            state = self.server.wait(job)
            confirmed = confirmed or bool(state["kept"])
        return confirmed

    @contextlib.contextmanager
    def _half_sent(self, path: str, body: bytes, share: float) -> Any:
        host, _, port = self.server.host.partition(":")
        head = (f"POST {self.server.prefix}{path} HTTP/1.1\r\nHost: {self.server.host}\r\n"
                f"Origin: http://{self.server.host}\r\nCookie: {self.server.cookie}\r\n"
                f"Content-Type: {FORM_TYPE}\r\nContent-Length: {len(body)}\r\n\r\n")  # fmt: skip
        with socket.create_connection((host, int(port)), timeout=60) as wire:
            wire.sendall(head.encode() + body[: int(share * (len(body) - 1))])
            yield

    def _kill(self, victim: str) -> None:
        """Kill with the signal that no process can catch."""
        self.workers = _children(self.server.process.pid)
        if victim in (SERVER, BOTH):
            self.server.end(signal.SIGKILL)
        if victim in (WORKER, BOTH):
            for pid in self.workers:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)

    def _wait_for_workers(self) -> None:
        """Wait until a worker whose server was killed has come to its end."""
        end = time.monotonic() + PATIENCE_S
        while any(_runs(pid) for pid in self.workers):
            if time.monotonic() > end:
                self.summary.remains.append("a worker that goes on without its server")
                return
            time.sleep(0.01)

    def _ask_site(self) -> None:
        code = self.server.ask("GET", f"/site/{self.site.name}/")[0]
        if code != 200:
            self.summary.faults.append(f"the page of the site answers {code}")

    def _outings(self) -> dict[str, dict[str, Any]]:
        """Return the outings of the site by the name of their walk; of one that is there twice, the last."""
        outings = tomllib.loads((self.site / "outings.toml").read_text()).get("outing", [])
        return {recording["name"]: outing for outing in outings for recording in outing["recording"]}

    def _stored(self) -> dict[str, list[Path]]:
        """Return where the recordings of the site are stored, by the names under which they were sent."""
        stored: dict[str, list[Path]] = {}
        for outing in tomllib.loads((self.site / "outings.toml").read_text()).get("outing", []):
            for recording in outing["recording"]:
                stored.setdefault(recording["name"], []).append(self.site / "tracks" / recording["file"])
        return stored

    def check(self, when: str) -> None:
        """Note everything that is wrong with the folders now, while no job is at work."""
        stored, outings = self._stored(), self._outings()
        for name, outing in outings.items():
            wanted = (self.notes.get(name), name in self.left_out)
            if (outing.get("note"), outing.get("left_out", False)) != wanted:
                self.summary.lost.append(f"what was said of {name} ({when})")
        for name, data in self.walks.items():
            paths = stored.get(name, [])
            if not paths or paths[0].read_bytes() != data:
                self.summary.lost.append(f"{name} ({when})")
            if len(paths) > 1:
                self.summary.doubled.append(f"{name} ({when})")
        extra = {path for path in (self.site / "tracks").iterdir() if path not in self.foreign} - {
            path for paths in stored.values() for path in paths
        }
        self.summary.doubled += [f"{path.name} is in no outing ({when})" for path in sorted(extra)]
        for path, data in self.foreign.items():
            if not path.is_file() or path.read_bytes() != data:
                self.summary.changed.append(f"{path.relative_to(self.base)} ({when})")
        self.summary.remains += [f"{name} ({when})" for name in self._remains()]

    def _remains(self) -> list[str]:
        ours = [*self.site.rglob(".*"), *self.root.glob(".*"), *self.temp.rglob("*")]
        known = {*self.foreign, *(parent for path in self.foreign for parent in path.parents)}
        left = [path for path in ours if path not in known and path.name != ".lock"]
        folders = [path for path in left if path.parent == self.temp and re.match(r"fieldcomb-uploads-", path.name)]
        if len(folders) == 1:  # that of the server which runs now
            left.remove(folders[0])
        return [str(path.relative_to(self.base)) for path in left]

    def close(self) -> None:
        """End the server as the system does, and see that it clears its folder away."""
        self.server.end()
        self.summary.remains += [f"{name} (after the end)" for name in self._remains()]


def _children(pid: int) -> list[int]:
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            if int(stat.read_text().rpartition(")")[2].split()[1]) == pid:
                found.append(int(stat.parent.name))
    return found


def _runs(pid: int) -> bool:
    with contextlib.suppress(OSError):
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    return False


def kill_page(base: Path, kills: int, seconds: float, chance: random.Random) -> KillSummary:
    """Return what so many kills did, or as many as begin within the seconds."""
    end, ground = time.monotonic() + seconds, KillRange(base)
    try:
        while ground.summary.kills < kills and time.monotonic() < end:
            if len(ground.walks) >= WALKS_A_SITE:
                ground.new_site()
            try:
                work = ground.work(chance.choice(WORKS), chance)
                ground.kill_once(work, chance.choice(VICTIMS), chance.choice(POINTS), chance.random())
            except (OSError, http.client.HTTPException, ValueError) as error:
                ground.summary.faults.append(f"no answer from a server that nobody killed: {error!r}")
                break
    finally:
        ground.close()
    return ground.summary


def main() -> None:
    """Kill, and print the summary."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--kills", type=int, default=100)
    options.add_argument("--seconds", type=float, default=3600.0)
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args()
    with TemporaryDirectory() as temp:
        summary = kill_page(Path(temp), given.kills, given.seconds, random.Random(given.seed))
    print(summary)
    sys.exit(1 if summary.wrong else 0)


if __name__ == "__main__":
    main()
