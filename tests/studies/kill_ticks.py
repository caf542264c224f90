"""Lose connections and kill the local page while phones send ticks of lanes, and look for what was lost or doubled.

    .venv/bin/python tests/studies/kill_ticks.py [--rounds 200] [--seed 1]

Two phones tick lanes of one plan: begun, done, in part, not, taken back, undone. In each round one of them sends what
waits on it over a real connection to a real server, and one thing happens: nothing; the message is cut off; the answer
is lost; the server is killed while the message arrives or while it is at work, at a random share of the time that a
message takes. After each round the file on the disk is read: what was confirmed must be there, nothing twice, and the
table of the plan must be whole. At the end all that waits is sent, and every lane must have the state of its last tick.
Runs only where the system shows processes as files.
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import http.client
import json
import random
import signal
import socket
import sys
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from page_client import ServerProcess
from small_walks import square

from fieldcomb.coverage.commands.cli import main as fieldcomb
from fieldcomb.coverage.lanes.ticks import read_ticks, ticked_lanes

WELL, CUT, UNANSWERED, KILLED_EARLY, KILLED_LATE, IDLE = (
    "nothing happened", "message cut off", "answer lost", "killed while it arrived", "killed at work", "killed idle"
)  # fmt: skip
FATES = (WELL, CUT, UNANSWERED, UNANSWERED, KILLED_EARLY, KILLED_LATE, KILLED_LATE, KILLED_LATE, IDLE)
STATES = ("start", "y", "y", "y", "part", "n", "", "undo")
LOST = (OSError, http.client.HTTPException, ValueError)
Tick = dict[str, Any]


@dataclass(slots=True)
class TickSummary:
    """What happened; the lists hold one line for each thing that is wrong."""

    fates: Counter[str] = field(default_factory=Counter)
    made: int = 0
    confirmed: int = 0
    sent_again: int = 0  # ticks that were there already, because nobody had heard that they were
    wrong: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        lines = [f"{sum(self.fates.values())} rounds, {self.made} ticks, {self.confirmed} confirmed in them, "
                 f"{self.sent_again} sent again though kept"]  # fmt: skip
        lines += [f"  {fate}: {many}" for fate, many in sorted(self.fates.items())]
        return "\n".join([*lines, f"lost, doubled or spoiled: {len(self.wrong)}", *(f"  {one}" for one in self.wrong)])


class TickRange:
    """A site with a plan, a server that is killed and started again, and two phones."""

    def __init__(self, base: Path, chance: random.Random) -> None:
        self.root, self.chance, self.summary = base / "sites", chance, TickSummary()
        self.root.mkdir()
        (base / "edge.geojson").write_text(square(0, 0, 26, 20))
        assert fieldcomb(["new", str(self.root / "field"), "--boundary", str(base / "edge.geojson")]) == 0
        assert fieldcomb(["lanes", str(self.root / "field"), "--coil", "28cm", "--spacing", "1m"]) == 0
        self.plan = self.root / "field/lanes/1"
        self.lanes = [int(row["lane"]) for row in self._table()]
        self.fixed = [(row["lane"], row["at_m_from"], row["done"]) for row in self._table()]
        self.waiting: dict[str, list[Tick]] = {"aaaaaaaa": [], "bbbbbbbb": []}
        self.made: dict[str, Tick] = {}
        self.confirmed: set[str] = set()
        self.server = ServerProcess(self.root)
        began = time.perf_counter()
        self._send("aaaaaaaa", self._tick("aaaaaaaa"))
        self.message_s = time.perf_counter() - began

    def _table(self) -> list[dict[str, str]]:
        return list(csv.DictReader((self.plan / "lanes.csv").read_text(encoding="utf-8-sig").splitlines()))

    def _tick(self, phone: str) -> list[Tick]:
        """Tick a lane on a phone; returns all that waits there."""
        name, state = f"{len(self.made):08x}", self.chance.choice(STATES)
        tick = {"id": name, "lane": self.chance.choice(self.lanes), "done": state, "at_ms": 60_000 * len(self.made)}
        if state == "undo":
            own = [one for one in self.made.values() if one["done"] != "undo"]
            if not own:
                return self._tick(phone)
            of = self.chance.choice(own)
            tick |= {"lane": of["lane"], "undoes": of["id"]}
        self.made[name] = tick
        self.waiting[phone].append(tick)
        return self.waiting[phone]

    def _send(self, phone: str, ticks: list[Tick]) -> None:
        """Send ticks and take the answer, as the page does."""
        body = json.dumps({"phone": phone, "ticks": ticks}).encode()
        code, _, raw = self.server.ask("POST", "/site/field/lanes/1/ticks", body, "application/json")
        if code != 200:
            self.summary.wrong.append(f"the page answers {code}: {raw[:200]!r}")
            return
        kept = set(json.loads(raw)["kept"])
        self.confirmed |= kept
        self.waiting[phone] = [tick for tick in self.waiting[phone] if tick["id"] not in kept]

    def _send_badly(self, phone: str, ticks: list[Tick], fate: str) -> None:
        """Send ticks, and have the connection or the server end on the way."""
        body = json.dumps({"phone": phone, "ticks": ticks}).encode()
        host, _, port = self.server.host.partition(":")
        head = (f"POST {self.server.prefix}/site/field/lanes/1/ticks HTTP/1.1\r\nHost: {self.server.host}\r\n"
                f"Origin: http://{self.server.host}\r\nCookie: {self.server.cookie}\r\n"
                f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n").encode()  # fmt: skip
        part = len(body) if fate in (UNANSWERED, KILLED_LATE) else self.chance.randrange(len(body))
        with contextlib.suppress(*LOST), socket.create_connection((host, int(port)), timeout=60) as wire:
            wire.sendall(head + body[:part])
            if fate in (KILLED_EARLY, KILLED_LATE):
                time.sleep(self.chance.random() * 1.5 * self.message_s)
                self.server.end(signal.SIGKILL)

    def round(self) -> None:
        """Tick on both phones, and have one of them send."""
        phone, fate = self.chance.choice(sorted(self.waiting)), self.chance.choice(FATES)
        for _ in range(self.chance.randint(1, 3)):
            self._tick(self.chance.choice(sorted(self.waiting)))
        ticks = self.waiting[phone] or self._tick(phone)
        there = self._kept_ids()
        self.summary.sent_again += sum(tick["id"] in there for tick in ticks)
        if fate == IDLE:
            self.server.end(signal.SIGKILL)
        elif fate == WELL:
            self._send(phone, ticks)
        else:
            self._send_badly(phone, ticks, fate)
        if self.server.process.poll() is not None:
            self.server = ServerProcess(self.root)
        self.summary.fates[fate] += 1
        self.check(fate)

    def _kept_ids(self) -> set[str]:
        file = self.plan / "ticks.csv"
        return {tick.id for tick in read_ticks(file.read_bytes(), file.name, self.lanes)} if file.exists() else set()

    def check(self, when: str) -> None:
        """Note what of the files is wrong."""
        held = read_ticks((self.plan / "ticks.csv").read_bytes(), "ticks.csv", self.lanes)
        ids = [tick.id for tick in held]
        wrong = self.summary.wrong
        wrong += [f"doubled: {name} ({when})" for name, many in Counter(ids).items() if many > 1]
        wrong += [f"confirmed and lost: {name} ({when})" for name in sorted(self.confirmed - set(ids))]
        wrong += [f"nobody made it: {name} ({when})" for name in sorted(set(ids) - set(self.made))]
        changed = [(tick.lane, tick.state, tick.at_ms) != (made["lane"], made["done"], made["at_ms"])
                   for tick in held if (made := self.made.get(tick.id))]  # fmt: skip
        wrong += [f"changed ticks: {sum(changed)} ({when})"] if any(changed) else []
        if [(row["lane"], row["at_m_from"], row["done"]) for row in self._table()] != self.fixed:
            wrong.append(f"the table of the plan is not whole ({when})")

    def finish(self) -> None:
        """Send all that waits, and compare every lane with its last tick; the server is ended."""
        self.summary.made, self.summary.confirmed = len(self.made), len(self.confirmed)
        for phone, ticks in self.waiting.items():
            if ticks:
                self._send(phone, ticks)
        self.check("at the end")
        held = read_ticks((self.plan / "ticks.csv").read_bytes(), "ticks.csv", self.lanes)
        if {tick.id for tick in held} != set(self.made):
            self.summary.wrong.append("not every tick arrived")
        gone = {tick["undoes"] for tick in self.made.values() if tick["done"] == "undo"}
        last = {tick["lane"]: "" for tick in self.made.values()}
        for tick in sorted(self.made.values(), key=lambda one: one["at_ms"]):
            if tick["done"] not in ("undo", "start") and tick["id"] not in gone:
                last[tick["lane"]] = tick["done"]
        states = {lane: ticked.state for lane, ticked in ticked_lanes(held).items()}
        self.summary.wrong += [
            f"lane {n} is {states.get(n)!r}, not {last[n]!r}" for n in last if states.get(n) != last[n]
        ]
        self.server.end()
        left = [path.name for path in self.plan.iterdir() if path.name.startswith(".")]
        self.summary.wrong += [f"left over: {name}" for name in left]


def kill_ticks(base: Path, rounds: int, chance: random.Random) -> TickSummary:
    """Return what so many rounds did."""
    ground = TickRange(base, chance)
    for _ in range(rounds):
        ground.round()
    ground.finish()
    return ground.summary


def main() -> None:
    """Run the rounds and print the summary."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--rounds", type=int, default=200)
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args()
    with TemporaryDirectory() as temp:
        summary = kill_ticks(Path(temp), given.rounds, random.Random(given.seed))
    print(summary)
    sys.exit(1 if summary.wrong else 0)


if __name__ == "__main__":
    main()
