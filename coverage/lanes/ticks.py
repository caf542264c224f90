"""Ticks from a phone: one line each, kept in the order in which they came, each once however often it is sent."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import datetime, tzinfo
from typing import Any

from fieldcomb.coverage.lanes.sheet import NO, PART, YES, LaneTimes
from fieldcomb.tracks.errors import SiteError
from fieldcomb.tracks.files.tables import read_typed_table
from fieldcomb.tracks.values import dataclass

TICKS_FILE = "ticks.csv"
TICK_COLUMNS = ("id", "lane", "done", "at_ms", "phone", "undoes")
TICKS_HEAD = (",".join(TICK_COLUMNS) + "\r\n").encode()
MOST_TICKS = 2000  # in one message
MOST_TICKS_BYTES = 64_000_000  # of the file: a million ticks
UNDONE = ""  # what the sheet says holds again
START = "start"  # somebody began to walk the lane
UNDO = "undo"  # another tick, by its id, never was
_ID = re.compile(r"[0-9a-f-]{8,64}\Z")
_EXAMPLE = "id,lane,done,at_ms,phone,undoes / 0f3a9c12-7,12,y,1770000000000,4be1d2aa,"
LATEST_MS = 2**53  # the largest whole number that a page can send


@dataclass(frozen=True, slots=True)
class LaneTick:
    """One tick: its id, made where it was ticked; the lane; what is said of it; when, and on which phone.

    state : y, n, part, or nothing to take back what was said; start when the lane is begun; undo with the id of the
    tick that it takes away.
    """

    id: str
    lane: int
    state: str
    at_ms: int
    phone: str
    undoes: str = ""

    @property
    def row(self) -> str:
        """The tick as a line of its file."""
        return f"{self.id},{self.lane},{self.state},{self.at_ms},{self.phone},{self.undoes}\r\n"


@dataclass(frozen=True, slots=True)
class TickedLane:
    """What ticks say of a lane: y, n, part or nothing; when it was begun and finished, in milliseconds."""

    state: str = UNDONE
    start_ms: int | None = None
    end_ms: int | None = None

    def times(self, zone: tzinfo) -> LaneTimes:
        """Return its times on the clock of a site."""
        return LaneTimes(_on_clock(self.start_ms, zone), _on_clock(self.end_ms, zone))


def _on_clock(at_ms: int | None, zone: tzinfo) -> str:
    if at_ms is None:
        return ""
    try:
        return datetime.fromtimestamp(at_ms / 1000, zone).strftime("%Y-%m-%dT%H:%M")
    except (ValueError, OverflowError, OSError):  # a phone whose clock is thousands of years off
        return ""


def tick_of(value: Any, lanes: Collection[int], phone: str) -> LaneTick | None:
    """Return a tick as it was sent, checked; None for what is none, which is not kept and not confirmed."""
    if not isinstance(value, dict):
        return None
    name, lane, state, at_ms, undoes = (value.get(key, "") for key in ("id", "lane", "done", "at_ms", "undoes"))
    if not all(isinstance(text, str) for text in (name, state, undoes)):
        return None
    if type(lane) is not int or type(at_ms) is not int:
        return None
    sound = _ID.match(name) and _ID.match(phone) and lane in lanes and 0 <= at_ms <= LATEST_MS
    known = bool(_ID.match(undoes)) if state == UNDO else state in (YES, NO, PART, UNDONE, START) and not undoes
    return LaneTick(name, lane, state, at_ms, phone, undoes) if sound and known else None


def read_ticks(raw: bytes, file: str, lanes: Collection[int]) -> tuple[LaneTick, ...]:
    """Read ticks that were kept; raises SiteError for a file that is not as it was written."""
    needed = TICK_COLUMNS[:-1]  # earlier files have no undoes
    table = read_typed_table(raw, file, TICK_COLUMNS, needed, _EXAMPLE, most_bytes=MOST_TICKS_BYTES)
    ticks = []
    for line, values in table.rows:
        lane, at_ms = values["lane"], values["at_ms"]
        whole = all(text.isascii() and text.isdigit() for text in (lane, at_ms))
        sent = {"id": values["id"], "done": values["done"], "lane": int(lane) if whole else 0}
        sent |= {"at_ms": int(at_ms) if whole else -1, "undoes": values.get("undoes", "")}
        tick = tick_of(sent, lanes, values["phone"])
        if tick is None:
            problem = "is not a list of ticks as fieldcomb wrote it"
            raise SiteError(problem, file=file, where=f"line {line}", hint="Put the file back, or take the line out")
        ticks.append(tick)
    return tuple(ticks)


def with_new(raw: bytes, old: Sequence[LaneTick], ticks: Sequence[LaneTick]) -> bytes:
    """Return the file with ticks added whose ids it does not have.

    raw, old : the file as it is, and what was read from it. One that a spreadsheet saved, or without the last column,
    is written anew.
    """
    known = {tick.id for tick in old}
    fresh = {tick.id: tick for tick in ticks if tick.id not in known}
    start = raw if raw.startswith(TICKS_HEAD) else TICKS_HEAD + "".join(tick.row for tick in old).encode()
    return start + (b"" if start.endswith(b"\n") else b"\r\n") + "".join(tick.row for tick in fresh.values()).encode()


def standing(ticks: Sequence[LaneTick]) -> list[LaneTick]:
    """Return the ticks that were not taken away again, in the order of their times; of one time as they came."""
    undone = {tick.undoes for tick in ticks if tick.state == UNDO}
    return sorted((t for t in ticks if t.state != UNDO and t.id not in undone), key=lambda one: one.at_ms)


def ticked_lanes(ticks: Sequence[LaneTick]) -> dict[int, TickedLane]:
    """Return what holds of each lane that was ever ticked: what was ticked last, by the clocks of the phones.

    A lane that is begun again keeps its state until it is ticked. What was not walked, or taken back, has no times.
    """
    lanes: dict[int, TickedLane] = {tick.lane: TickedLane() for tick in ticks}
    for tick in standing(ticks):
        before = lanes[tick.lane]
        if tick.state == START:
            lanes[tick.lane] = TickedLane(before.state, tick.at_ms)
        elif tick.state in (YES, PART):
            lanes[tick.lane] = replace(before, state=tick.state, end_ms=tick.at_ms)
        else:
            lanes[tick.lane] = TickedLane(tick.state)
    return lanes


def told_otherwise(ticks: Sequence[LaneTick]) -> list[int]:
    """Return the lanes of which two phones say different things; the later one holds."""
    by_phone: dict[int, dict[str, LaneTick]] = {}
    for tick in standing(ticks):
        if tick.state != START:
            by_phone.setdefault(tick.lane, {})[tick.phone] = tick
    said = {lane: {tick.state for tick in phones.values() if tick.state} for lane, phones in by_phone.items()}
    return sorted(lane for lane, states in said.items() if len(states) > 1)
