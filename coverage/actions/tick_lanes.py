"""Taking a filled-in sheet, or ticks from a phone, into the plan that they belong to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from fieldcomb.coverage.lanes.lane_files import CSV_FILE
from fieldcomb.coverage.lanes.sheet import NO, PART, YES, SheetLine, read_sheet, state_of
from fieldcomb.coverage.lanes.ticks import MOST_TICKS, TICKS_FILE, latest, tick_of, with_new
from fieldcomb.coverage.site.folder import Say, opened, read_file, shown
from fieldcomb.coverage.site.journal import reason, refuse_link, replace_files
from fieldcomb.coverage.site.lane_plans import LANES, kept_plan, kept_ticks, plan_folders, with_ticks
from fieldcomb.tracks.errors import SiteError, UsageError


@dataclass(frozen=True, slots=True)
class Ticked:
    """What a sheet brought: the plan, and how many lanes it says were walked, walked in part, or not."""

    plan: str
    walked: int
    part: int
    not_walked: int
    lanes: int
    notes: tuple[str, ...]


def tick_site_lanes(folder: Path, sheet: str, name: str | None, *, say: Say) -> Ticked:
    """Write what a sheet says into the table of its plan, ``lanes/NAME/lanes.csv``; the sheet itself is only read.

    sheet : a table with the columns ``lane`` and ``done`` at least. name : the plan; not needed where there is one.

    Rows that the sheet does not fill in stay as they were. A lane that was ticked before and is not now stays ticked.

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
        lines, notes = read_sheet(read_file(sheet, SiteError), shown(sheet), plan.ends)
        if not lines:
            problem = "does not say of any lane whether it was walked"
            raise SiteError(problem, file=shown(sheet), hint="Fill in y, n or part in the column done")
        _write(place, lines)
        states = list(state_of(lines).values())
    counts = (states.count(YES), states.count(PART), states.count(NO))
    return Ticked(plan.name, *counts, len(plan.lanes), notes)


def _chosen(plans: dict[str, Path], name: str | None) -> Path:
    if name is None and len(plans) == 1:
        return next(iter(plans.values()))
    if name is None:
        raise UsageError("it is not clear which plan the sheet belongs to", hint=f"Name one of {', '.join(plans)}")
    if name not in plans:
        raise UsageError(f"there is no plan {name!r}", hint=f"Plans of this site: {', '.join(plans)}")
    return plans[name]


def _write(place: Path, lines: tuple[SheetLine, ...]) -> None:
    best = state_of(lines)
    filled = {
        one.lane: {
            "done": best[one.lane],
            "searcher": one.searcher,
            "coil": one.coil,
            "start": one.start,
            "end": one.end,
            "note": one.note,
        }
        for one in lines
    }
    refuse_link(place.parent, f"Move the link {LANES} away, and run this again")
    table = read_file(place / CSV_FILE, SiteError)
    _replace(place, {CSV_FILE: with_ticks(table, shown(place / CSV_FILE), filled)})


def _replace(place: Path, files: dict[str, bytes]) -> None:
    try:
        replace_files(place, files)
    except OSError as error:
        problem = f"the sheet cannot be written ({reason(error)})"
        raise SiteError(problem, file=shown(place), hint="Free some space, or change its permissions") from error


@dataclass(frozen=True, slots=True)
class KeptTicks:
    """What became of ticks: ids that are kept, and what holds of each lane that was ever ticked."""

    kept: tuple[str, ...]
    states: dict[int, str]


def keep_ticks(folder: Path, name: str, phone: str, sent: Sequence[object], *, say: Say) -> KeptTicks:
    """Keep ticks in the plan's ``ticks.csv``; when this returns they are on the disk.

    sent : as the page sent them. What is no tick of this plan is not kept, and is not among the ids. A tick that is
    there already is not kept again, and is among them, so that whoever lost the answer may send it once more.

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
        if fresh:
            refuse_link(place.parent, f"Move the link {LANES} away, and run this again")
            file = place / TICKS_FILE
            raw = read_file(file, SiteError) if file.is_file() else b""
            _replace(place, {TICKS_FILE: with_new(raw, known, fresh)})
        states = {number: tick.state for number, tick in latest([*old, *fresh]).items()}
    return KeptTicks(tuple(dict.fromkeys(tick.id for tick in ticks)), states)
