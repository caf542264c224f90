"""Ticks from a phone: one line each, kept in the order in which they came, each once however often it is sent."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

from fieldcomb.coverage.lanes.sheet import NO, PART, YES
from fieldcomb.tracks.errors import SiteError
from fieldcomb.tracks.files.tables import read_typed_table

TICKS_FILE = "ticks.csv"
TICK_COLUMNS = ("id", "lane", "done", "at_ms", "phone")
MOST_TICKS = 2000  # in one message
UNDONE = ""  # a tick that takes the one before it back
_ID = re.compile(r"[0-9a-f-]{8,64}\Z")
_EXAMPLE = "id,lane,done,at_ms,phone / 0f3a9c12-7,12,y,1770000000000,4be1d2aa"
LATEST_MS = 2**53  # the largest whole number that a page can send


@dataclass(frozen=True, slots=True)
class LaneTick:
    """One tick: its id, made where it was ticked; the lane; y, n, part or nothing; when, and on which phone."""

    id: str
    lane: int
    state: str
    at_ms: int
    phone: str

    @property
    def row(self) -> str:
        """The tick as a line of its file."""
        return f"{self.id},{self.lane},{self.state},{self.at_ms},{self.phone}\r\n"


def tick_of(value: Any, lanes: Collection[int], phone: str) -> LaneTick | None:
    """Return a tick as it was sent, checked; None for what is none, which is not kept and not confirmed."""
    if not isinstance(value, dict):
        return None
    name, lane, state, at_ms = (value.get(key) for key in ("id", "lane", "done", "at_ms"))
    if not isinstance(name, str) or type(lane) is not int or type(at_ms) is not int:
        return None
    sound = _ID.match(name) and _ID.match(phone) and lane in lanes and 0 <= at_ms <= LATEST_MS
    return LaneTick(name, lane, state, at_ms, phone) if sound and state in (YES, NO, PART, UNDONE) else None


def read_ticks(raw: bytes, file: str, lanes: Collection[int]) -> tuple[LaneTick, ...]:
    """Read ticks that were kept; raises SiteError for a file that is not as it was written."""
    table = read_typed_table(raw, file, TICK_COLUMNS, TICK_COLUMNS, _EXAMPLE)
    ticks = []
    for line, values in table.rows:
        lane, at_ms = values["lane"], values["at_ms"]
        whole = all(text.isascii() and text.isdigit() for text in (lane, at_ms))
        sent = {"id": values["id"], "done": values["done"], "lane": int(lane) if whole else 0}
        tick = tick_of(sent | {"at_ms": int(at_ms) if whole else -1}, lanes, values["phone"])
        if tick is None:
            problem = "is not a list of ticks as fieldcomb wrote it"
            raise SiteError(problem, file=file, where=f"line {line}", hint="Put the file back, or take the line out")
        ticks.append(tick)
    return tuple(ticks)


def with_new(old: bytes, known: Collection[str], ticks: Sequence[LaneTick]) -> bytes:
    """Return the file with ticks added whose ids it does not have."""
    start = old or (",".join(TICK_COLUMNS) + "\r\n").encode()
    fresh = {tick.id: tick for tick in ticks if tick.id not in known}
    return start + "".join(tick.row for tick in fresh.values()).encode()


def latest(ticks: Sequence[LaneTick]) -> dict[int, LaneTick]:
    """Return the tick that holds for each lane: the one ticked last, by the clock of its phone."""
    last: dict[int, LaneTick] = {}
    for tick in ticks:
        if tick.lane not in last or tick.at_ms >= last[tick.lane].at_ms:
            last[tick.lane] = tick
    return last


def told_otherwise(ticks: Sequence[LaneTick]) -> list[int]:
    """Return the lanes of which two phones say different things; the later one holds."""
    by_phone: dict[int, dict[str, LaneTick]] = {}
    for tick in sorted(ticks, key=lambda one: one.at_ms):
        by_phone.setdefault(tick.lane, {})[tick.phone] = tick
    said = {lane: {tick.state for tick in phones.values() if tick.state} for lane, phones in by_phone.items()}
    return sorted(lane for lane, states in said.items() if len(states) > 1)
