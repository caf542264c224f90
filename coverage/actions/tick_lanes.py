"""Taking a filled-in sheet, or ticks from a phone, into the plan that they belong to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from zoneinfo import ZoneInfo

from fieldcomb.coverage.lanes.lane_files import CLOSED_WORDS, CSV_FILE, closed_note
from fieldcomb.coverage.lanes.sheet import ANSWERS, NO, PART, YES, SheetLine, read_sheet, state_of
from fieldcomb.coverage.lanes.ticks import (
    MOST_TICKS,
    TICKS_FILE,
    LaneTick,
    TickedLane,
    tick_of,
    ticked_lanes,
    told_otherwise,
    with_new,
)
from fieldcomb.coverage.site.folder import Say, opened, read_file, shown
from fieldcomb.coverage.site.journal import reason, refuse_link, replace_files
from fieldcomb.coverage.site.lane_plans import (
    LANES,
    cells_of,
    free_file,
    kept_plan,
    kept_ticks,
    peg_notes,
    plan_folders,
    with_ticks,
)
from fieldcomb.tracks.errors import SiteError, UsageError
from fieldcomb.tracks.files.tables import guarded
from fieldcomb.tracks.values import dataclass

_OPEN_IN_OFFICE = f".~lock.{CSV_FILE}#"  # beside a table, while an office suite has it open


@dataclass(frozen=True, slots=True)
class Ticked:
    """What a sheet brought: the plan, and how many lanes it says were walked, walked in part, or not.

    left : numbers of those that it says were walked in part or not.
    """

    plan: str
    walked: int
    part: int
    not_walked: int
    lanes: int
    notes: tuple[str, ...]
    left: tuple[int, ...] = ()


def tick_site_lanes(folder: Path, sheet: str, name: str | None, *, say: Say, held: str | None = None) -> Ticked:
    """Write what a sheet says into the table of its plan, ``lanes/NAME/lanes.csv``; the sheet itself is only read.

    sheet : a table with the columns ``lane`` and ``done`` at least. held : where it lies, if elsewhere.
    name : the plan; not needed where there is one.

    Rows that the sheet does not fill in stay as they were. A lane that was ticked before and is not now stays ticked.
    Where the sheet says otherwise than the table did, the table as it was is kept beside it.

    Raises SiteError: no such plan, or a sheet that cannot be used; nothing is written then. UsageError: which plan?
    """
    with opened(folder, say) as site:
        frame = site.settings.frame
        plans = {path.name: path for path in plan_folders(folder)}
        if frame is None or not plans:
            problem = "has no plan of lanes to tick"
            raise SiteError(problem, file=shown(folder), hint="Plan some first; the sheet is printed from the plan")
        place = _chosen(plans, name)
        plan = kept_plan(place, frame)
        others = [other for other in plans if other != place.name]
        lines, notes = read_sheet(read_file(held or sheet, SiteError), shown(sheet), plan.ends, others)
        if not lines:
            problem = "does not say of any lane whether it was walked"
            raise SiteError(problem, file=shown(sheet), hint="Fill in y, n or part in the column done")
        notes = (*notes, *_write(place, lines))
        said = state_of(lines)
        left, states = tuple(sorted(lane for lane, state in said.items() if state != YES)), list(said.values())
        notes = (*notes, *peg_notes(plan, site.pegs))
    counts = (states.count(YES), states.count(PART), states.count(NO))
    return Ticked(plan.name, *counts, len(plan.lanes), notes, left)


def is_open_in_office(place: Path) -> bool:
    """Whether an office suite has the table of a plan open, and would overwrite what is written into it now."""
    return (place / _OPEN_IN_OFFICE).exists()


def _chosen(plans: dict[str, Path], name: str | None) -> Path:
    if name is None and len(plans) == 1:
        return next(iter(plans.values()))
    if name is None:
        raise UsageError("it is not clear which plan the sheet belongs to", hint=f"Name one of {', '.join(plans)}")
    if name not in plans:
        raise UsageError(f"there is no plan {name!r}", hint=f"Plans of this site: {', '.join(plans)}")
    return plans[name]


def _write(place: Path, lines: tuple[SheetLine, ...]) -> list[str]:
    best = state_of(lines)
    filled: dict[int, dict[str, str]] = {}
    for one in lines:
        row = filled.setdefault(one.lane, {"done": best[one.lane]})
        for name in ("searcher", "coil", "start", "end", "note"):
            text, before = getattr(one, name), row.get(name, "")
            if text and text != before:  # of two people who walked one lane both are kept
                row[name] = f"{before}; {text}" if before else text
    refuse_link(place.parent, f"Move the link {LANES} away, and run this again")
    file = shown(place / CSV_FILE)
    if is_open_in_office(place):
        problem = "is open in a spreadsheet, which would overwrite what is written now; nothing was changed"
        hint = f"Close it there and try again. If it is not open, delete {shown(place / _OPEN_IN_OFFICE)}"
        raise SiteError(problem, file=file, hint=hint)
    table = read_file(place / CSV_FILE, SiteError)
    there = cells_of(table, file)
    for number, row in filled.items():  # whether a lane is closed is not for a sheet to say
        if "note" in row:
            is_closed = there.get(number, {}).get("note", "").startswith(CLOSED_WORDS)
            row["note"] = closed_note(row["note"], closed=is_closed)
    done = {CSV_FILE: with_ticks(table, file, filled)}
    otherwise = _said_otherwise(there, filled)
    if not otherwise:
        _replace(place, done)
        return []
    kept = free_file(place, "lanes-before")
    _replace(place, {kept: table, **done})
    which = f"{'lane' if len(otherwise) == 1 else 'lanes'} {', '.join(map(str, otherwise))}"
    return [f"{file} said otherwise of {which}; now the sheet counts, and the table as it was is kept as {kept}"]


def _said_otherwise(before: Mapping[int, Mapping[str, str]], filled: Mapping[int, Mapping[str, str]]) -> list[int]:
    """Return the lanes of which a cell that somebody had filled in becomes another."""

    def differs(column: str, old: str, new: str) -> bool:
        if column == "done":
            return ANSWERS.get(old.strip().casefold(), old) != new
        if column == "note" and not closed_note(old.strip(), closed=False):
            return False  # the table said only that the lane is closed, and says so still
        return old.strip() not in (new, guarded(new))

    return sorted(
        number
        for number, row in filled.items()
        if any((old := before.get(number, {}).get(column, "")) and differs(column, old, new)
               for column, new in row.items())
    )  # fmt: skip


def _replace(place: Path, files: dict[str, bytes]) -> None:
    try:
        replace_files(place, files)
    except OSError as error:
        problem = f"the sheet cannot be written ({reason(error)})"
        raise SiteError(problem, file=shown(place), hint="Free some space, or change its permissions") from error


@dataclass(frozen=True, slots=True)
class KeptTicks:
    """What became of ticks.

    kept : ids that are on the disk. lanes : what holds of each lane that was ever ticked. told_otherwise : lanes of
    which two phones say different things. refused : how many were no ticks of this plan.
    """

    kept: tuple[str, ...]
    lanes: dict[int, TickedLane]
    told_otherwise: tuple[int, ...]
    refused: int = 0


def keep_ticks(folder: Path, name: str, phone: str, sent: Sequence[object], *, say: Say) -> KeptTicks:
    """Keep ticks in the plan's ``ticks.csv``; when this returns they are on the disk.

    sent : as the page sent them. What is no tick of this plan is not kept, and is not among the ids. A tick that is
    there already is not kept again, and is among them, so that whoever lost the answer may send it once more.

    Begin and end of lanes that were ticked are then filled into the plan's table, where these cells are empty.

    Raises SiteError: a file that cannot be read or written. UsageError: no such plan.
    """
    with opened(folder, say) as site:
        plans = {path.name: path for path in plan_folders(folder)}
        if site.settings.frame is None or name not in plans:
            raise UsageError(f"there is no plan {name!r}", hint=f"Plans of this site: {', '.join(plans) or 'none'}")
        place = plans[name]
        plan = kept_plan(place, site.settings.frame)
        numbers = {lane.number for lane in plan.lanes}
        old = kept_ticks(place, plan)
        ticks = [tick for one in sent[:MOST_TICKS] if (tick := tick_of(one, numbers, phone)) is not None]
        known = {tick.id for tick in old}
        fresh = list({tick.id: tick for tick in ticks if tick.id not in known}.values())
        before, after = ticked_lanes(old), ticked_lanes([*old, *fresh])
        if fresh:
            refuse_link(place.parent, f"Move the link {LANES} away, and run this again")
            _write_ticks(place, old, fresh)
            with suppress(SiteError):  # the ticks are kept, whatever became of the table
                _fill_times(place, before, {tick.lane: after[tick.lane] for tick in fresh}, site.settings.zone)
    kept, refused = tuple(dict.fromkeys(tick.id for tick in ticks)), len(sent[:MOST_TICKS]) - len(ticks)
    return KeptTicks(kept, after, tuple(told_otherwise([*old, *fresh])), refused)


def _write_ticks(place: Path, old: Sequence[LaneTick], fresh: Sequence[LaneTick]) -> None:
    file = place / TICKS_FILE
    raw = read_file(file, SiteError) if file.is_file() else b""
    files = {TICKS_FILE: with_new(raw, old, fresh)}
    if raw and not files[TICKS_FILE].startswith(raw):  # a spreadsheet saved it, perhaps with more in it
        files = {free_file(place, "ticks-before"): raw, **files}
    _replace(place, files)


def _fill_times(place: Path, before: Mapping[int, TickedLane], now: Mapping[int, TickedLane], zone: ZoneInfo) -> None:
    """Fill begin and end of lanes into the table; a cell with anything but what ticks filled in stays as it is."""
    if not (place / CSV_FILE).is_file():
        return
    table = read_file(place / CSV_FILE, SiteError)
    name = shown(place / CSV_FILE)
    there = cells_of(table, name)
    filled: dict[int, dict[str, str]] = {}
    for number, lane in now.items():
        earlier = _times(before.get(number, TickedLane()), zone)
        free = [column for column in earlier if there.get(number, {}).get(column) in ("", earlier[column])]
        filled[number] = {column: text for column, text in _times(lane, zone).items() if column in free}
    done = with_ticks(table, name, filled)
    if done != table:
        _replace(place, {CSV_FILE: done})


def _times(lane: TickedLane, zone: ZoneInfo) -> dict[str, str]:
    times = lane.times(zone)
    return {"start": times.start, "end": times.end}
