"""Plans of lanes as the page of their site shows them: how many lanes were walked, and which to walk next."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from fieldcomb.coverage.lanes.lane_words import next_lanes, numbers_in_words
from fieldcomb.coverage.lanes.sheet import NO, YES, state_of
from fieldcomb.coverage.lanes.ticks import ticked_lanes
from fieldcomb.coverage.pages.typeset import typeset
from fieldcomb.coverage.site.lane_plans import kept_plan, kept_sheet, kept_ticks
from fieldcomb.coverage.site.settings import Settings
from fieldcomb.tracks.errors import FieldcombError
from fieldcomb.tracks.values import dataclass

PART_WALKED = 0.5  # of a lane that was walked in part, in report.json


@dataclass(frozen=True, slots=True)
class PlanView:
    """A plan of lanes as the page of its site shows it: how many lanes, how many are left, and those to walk next.

    walked : those that were; lanes on ground that was closed are neither walked nor left.
    fault : why it cannot be read, where it cannot.
    """

    name: str
    lanes: int = 0
    left: int = 0
    next: str = ""
    fault: str = ""
    walked: int = 0


def plan_view(folder: Path, settings: Settings, report: Mapping[str, Any] | None) -> PlanView:
    """Look up which lanes of a plan are left: by ticks and sheet as they are now, else as the last report has it."""
    if settings.frame is None:
        return PlanView(folder.name, fault="the site has no frame")
    try:
        plan = kept_plan(folder, settings.frame)
        states = state_of(kept_sheet(folder, plan)[0])
        states |= {n: one.state for n, one in ticked_lanes(kept_ticks(folder, plan)).items() if one.state}
    except FieldcombError as error:
        return PlanView(folder.name, fault=error.on_page)
    walked = _walked_lanes(report, plan.name)
    left = [lane.number for lane in plan.lanes if states.get(lane.number, YES if lane.number in walked else NO) != YES]
    open_to_all = sorted(set(left) - _closed_lanes(report, plan.name) - set(plan.closed))
    words = typeset(numbers_in_words(next_lanes(open_to_all)))
    return PlanView(folder.name, len(plan.lanes), len(open_to_all), words, walked=len(plan.lanes) - len(left))


def _walked_lanes(report: Mapping[str, Any] | None, name: str) -> set[int]:
    """Read out of a report.json which lanes of a plan recordings show as walked."""
    try:
        plan = next(one for one in (report or {})["lanes"] if one["name"] == name)
        rest = {*plan["left"], *plan["open"]}
        return {int(one["no"]) for one in plan["lane"] if one["no"] not in rest and one["walked"] != PART_WALKED}
    except (KeyError, TypeError, ValueError, StopIteration):
        return set()  # it has none, or is not ours


def _closed_lanes(report: Mapping[str, Any] | None, name: str) -> set[int]:
    """Read out of a report.json which lanes of a plan run into ground that is closed, so that nobody is sent there."""
    try:
        plans = [*(report or {})["lanes"], *(report or {})["lanes_ahead"]]
        return {int(number) for plan in plans if plan["name"] == name for number in plan["closed"]}
    except (KeyError, TypeError, ValueError):
        return set()
