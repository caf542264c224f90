"""Planning lanes for a site: the ground that may be searched, the plan on it, and the files in the site folder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import shapely
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.areas.areas import place_areas, site_ground
from fieldcomb.coverage.areas.no_go import without_ended
from fieldcomb.coverage.cache.folder import KEPT, OUT, Shelf
from fieldcomb.coverage.gear.coils import OwnCoil, parse_coil, split_naming
from fieldcomb.coverage.gear.receivers import receiver
from fieldcomb.coverage.intake.survey_inputs import survey_inputs
from fieldcomb.coverage.lanes.chosen_lanes import best_blocks, walked_bearing
from fieldcomb.coverage.lanes.lane_files import lane_files
from fieldcomb.coverage.lanes.lane_plan import LanePlan, plan_lanes, swept_by
from fieldcomb.coverage.lanes.named_plan import LABEL_EVERY, TODO, NamedPlan, Pace, shared_out
from fieldcomb.coverage.lanes.setting_out import set_out
from fieldcomb.coverage.pages.lane_drawings import SHEET_FILE, lane_sheet_html
from fieldcomb.coverage.places.places import Worth
from fieldcomb.coverage.pool.workers import ALONE, Workers
from fieldcomb.coverage.site.folder import AREAS_FILE, Say, Site, opened, shown
from fieldcomb.coverage.site.journal import reason, refuse_link, replace_files
from fieldcomb.coverage.site.lane_plans import LANES
from fieldcomb.coverage.site.naming import safe_name
from fieldcomb.coverage.site.settings import Typed, swing_of
from fieldcomb.coverage.survey.results import Result
from fieldcomb.coverage.survey.survey import ProgressCallback, survey
from fieldcomb.coverage.todo.losses import searchable
from fieldcomb.tracks.errors import SiteError, UsageError
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.values import dataclass

ACROSS = "across"


@dataclass(frozen=True, slots=True)
class LaneWishes:
    """What was asked of a plan.

    bearing : degrees, ``across`` for a right angle to the lanes walked so far, or None for the fewest lanes.
    spacing_m : None takes the swing width less the coil. inside : the reason of an area, ``todo`` for the places to go
    to, or None for all of the site. minutes : None for all lanes. name : None takes the next free number.
    """

    coil: str | None = None
    bearing: float | str | None = None
    spacing_m: float | None = None
    inside: str | None = None
    minutes: float | None = None
    label_every: int = LABEL_EVERY
    teams: int = 1
    name: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class PlannedLanes:
    """A plan that was written: where its files are."""

    folder: Path
    named: NamedPlan


def plan_site_lanes(
    folder: Path, wishes: LaneWishes, *, say: Say, progress: ProgressCallback, workers: Workers = ALONE
) -> PlannedLanes:
    """Plan lanes on a site and write them into a new folder of it, ``lanes/NAME``; earlier plans stay as they are.

    Raises SiteError: no boundary, or a folder that cannot be written. UsageError: a plan of that name, an area that is
    not there, or a wish that cannot be met.
    """
    with opened(folder, say, reading=True) as site:
        frame = _frame(site)
        name = _free_name(site, wishes.name)
        coil = _coil(site, wishes.coil)
        pegs = site.pegs_in(frame)
    done = _surveyed(folder, site, say, progress, workers) if site.outings else None
    areas = done.layers.areas if done else _placed(site, frame)
    whole, ground = _ground(site, areas)
    if wishes.inside is not None:
        ground = ground.intersection(_inside(wishes.inside, areas, done, folder))
    spacing_m = max(coil.swath_m - coil.coil.width_m, 0.3) if wishes.spacing_m is None else wishes.spacing_m
    plan = plan_lanes(ground, coil.swath_m, spacing_m, _bearing(wishes.bearing, done))
    pace = _pace(coil, done)
    if wishes.minutes is not None:
        plan = _in_time(plan, wishes.minutes, pace, coil, done)
    covered = shapely.area(shapely.intersection(swept_by(plan.lanes, plan.swath_m), whole))
    teams = shared_out(plan.lanes, wishes.teams, pace) if wishes.teams > 1 else ()
    of_site_pct = 100 * float(covered) / shapely.area(whole)
    title = harmless(site.settings.name)
    groups = set_out(plan, pegs)
    named = NamedPlan(name, title, coil.coil.name, plan, groups, frame, pace, of_site_pct, wishes.label_every, teams)
    files = {**lane_files(named), SHEET_FILE: lane_sheet_html(named, ground, whole).encode()}
    return PlannedLanes(_write(folder, name, files, say), named)


def _frame(site: Site) -> SiteFrame:
    frame = site.settings.frame
    if frame is None or not any(area.kind == "site" for area in site.areas):
        hint = f"Draw the edge on the page of the site, or put a polygon of kind site into {AREAS_FILE}"
        raise SiteError("has no boundary, and lanes need one", file=shown(site.folder), hint=hint)
    return frame


def _coil(site: Site, typed: str | None) -> OwnCoil:
    known = {name: entry.coil for name, entry in site.settings.coils.items()}
    if typed is not None and split_naming(typed)[0] is not None:
        hint = "Plan with its size alone. A name is kept once a walk is added with it, or under [coils] in site.toml"
        raise UsageError(f"coil {typed!r} would name a new coil, which a plan does not do", hint=hint)
    if typed is None and len(known) == 1:
        (typed,) = known
    if typed is None and known and site.settings.defaults.coil is None:
        names = ", ".join(sorted(known))
        raise UsageError("it is not clear which coil will be carried", hint=f"Name one of {names}")
    swing = swing_of(site.settings, Typed(coil=None if typed is None else parse_coil(typed, known).name))
    return OwnCoil(swing.coil, swing.swath_m, swing.sweep_s)


def _surveyed(folder: Path, site: Site, say: Say, progress: ProgressCallback, workers: Workers) -> Result | None:
    if all(outing.left_out for outing in site.outings):
        return None
    given = survey_inputs(folder, say=say)
    store = Shelf(folder / OUT / KEPT)
    return survey(given.site, given.outings, progress=progress, store=store, workers=workers)


def _placed(site: Site, frame: SiteFrame) -> tuple[AreaShape, ...]:
    placed, _ = place_areas(site.areas, frame, AREAS_FILE)
    return without_ended(placed, None)[0]


def _ground(site: Site, areas: Sequence[AreaShape]) -> tuple[BaseGeometry, BaseGeometry]:
    """The whole site, and what of it may and can be searched."""
    whole = site_ground(areas, AREAS_FILE)
    no_go = [area.shape for area in areas if area.kind == "no-go"]
    blocked = [area.shape for area in areas if area.kind == "blocked"]
    away_m = receiver(swing_of(site.settings).gps).r95_m
    stand_off_m = max(site.settings.todo.stand_off_m, away_m)
    return whole, searchable(whole, no_go, blocked, stand_off_m)


def _inside(name: str, areas: Sequence[AreaShape], done: Result | None, folder: Path) -> BaseGeometry:
    if name == TODO:
        places = [place.shape for place in done.report.places] if done else []
        if not places:
            hint = "Plan the whole site instead"
            raise UsageError("the list of places to go is empty", file=shown(folder), hint=hint)
        return shapely.union_all(places)
    found = [area.shape for area in areas if area.reason.casefold() == name.casefold() and area.kind != "site"]
    if not found:
        known = ", ".join(
            sorted({repr(harmless(area.reason)) for area in areas if area.reason and area.kind != "site"})
        )
        hint = f"Areas with a reason here: {known or 'none'}. Or use todo"
        raise UsageError(f"no area is called {name!r}", hint=hint)
    return shapely.union_all(found)


def _bearing(wished: float | str | None, done: Result | None) -> float | None:
    if wished != ACROSS:
        return None if wished is None else float(wished)
    walks = [walk for outing in done.layers.outings for walk in outing.walks] if done else []
    lines = [line for walk in walks for line in walk.lines]
    along = walked_bearing(lines)
    if along is None:
        raise UsageError("the walks so far share no direction to go across", hint="Give the bearing in degrees")
    return (along + 90) % 180


def _pace(coil: OwnCoil, done: Result | None) -> Pace:
    """The pace with this coil, or with all coils in proportion, and how long one stood for each second of searching."""
    if done is None:
        return Pace()
    rates = [one.m2_per_minute for one in done.report.todo if one.coil == coil.coil.name and one.m2_per_minute]
    times = [o.times for o in done.report.outings if o.times.searching_s and o.times.stopped_s is not None]
    searching_s = sum(one.searching_s or 0.0 for one in times)
    standing = sum(one.stopped_s or 0.0 for one in times) / searching_s if searching_s else 0.0
    if not rates:
        return replace(Pace(), standing=standing)
    return Pace(rates[0] / 60 / coil.swath_m, standing, own=True)


def _in_time(plan: LanePlan, minutes: float, pace: Pace, coil: OwnCoil, done: Result | None) -> LanePlan:
    places = done.report.places if done else ()
    gains = [(place.shape, _gain(place.worths, coil.coil.name)) for place in places]
    chosen = best_blocks(plan, minutes, pace, [(shape, gain) for shape, gain in gains if gain > 0])
    if not chosen.lanes:
        raise UsageError("no lane crosses a place on the list", hint="Leave the time out, or plan another part")
    return chosen


def _gain(worths: Sequence[Worth], coil: str) -> float:
    """What one more pass with a coil finds on a square metre of a place."""
    return max((one.gain_per_100_m2 for one in worths if one.coil == coil), default=0.0) / 100


def _free_name(site: Site, wished: str | None) -> str:
    """Return the name of the new plan: as wished and safe for a folder, or the next number."""
    folder = site.folder / LANES
    refuse_link(folder, "Move the link away, and run this again")
    taken = {path.name.casefold() for path in folder.iterdir()} if folder.is_dir() else set()
    if wished is None:
        number = 1
        while str(number) in taken:
            number += 1
        return str(number)
    name = safe_name(wished)
    if name.casefold() in taken:
        hint = "Choose another name: a plan is never replaced"
        raise UsageError(f"there is already a plan {name!r}", hint=hint)
    return name


def _write(folder: Path, name: str, files: dict[str, bytes], say: Say) -> Path:
    place = folder / LANES / name
    with opened(folder, say):
        try:
            place.mkdir(parents=True)
            replace_files(place, files)
        except OSError as error:
            problem = f"the plan cannot be written here ({reason(error)})"
            raise SiteError(problem, file=shown(place), hint="Free some space, or change its permissions") from error
    return place
