"""What was walked by lanes: sheets, numbers that were marked, and the walks along a plan.

Where lanes say what was swept, the recording of whoever walked them says nothing more: it is the same walk, metres off.
So its seconds on the plan are left out of what is estimated from recordings, and the lanes count in their place.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.estimate.swept_share import PLACED
from fieldcomb.coverage.gear.receivers import receiver
from fieldcomb.coverage.lanes.declared import DeclaredPlan, ToldPlan, told_plan
from fieldcomb.coverage.lanes.lane_plan import Lane, swept_by
from fieldcomb.coverage.lanes.lane_words import numbers_in_words
from fieldcomb.coverage.lanes.legs_along import LaneLabel, TimedWay, across_of, goes_along, legs_along, turned
from fieldcomb.coverage.lanes.seen_lanes import seen_lanes
from fieldcomb.coverage.lanes.sheet import YES
from fieldcomb.coverage.outings.walks import SwungWalk, WalkedOuting
from fieldcomb.coverage.survey.inputs import SiteInput
from fieldcomb.tracks.motion.legs import SearchPath
from fieldcomb.tracks.recording import Floats, runs_of
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import format_length, parse_zone
from fieldcomb.tracks.values import dataclass

# Chosen for this project.
ENOUGH_LEGS = (
    0.8  # of the lanes that a sheet says were walked: no more walks are looked for when so many legs are found
)
LEAST_LEGS_ALONG = 2
LEAST_ON_PLAN_S = 60
CLOCKS_S = 900.0  # a phone and a recorder may be so far apart
OFF_SIGMAS = 2.0  # so far outside a plan a recording of it may lie, in sigma of its receiver
WHOLE_WALK = 0.8  # of its time on a plan: then all of it near the plan was on it
MEAN_S = 301  # elsewhere the five minutes round a second decide
LEAST_REST_S = 30  # shorter pieces beside a plan are turns
FAR_SIGMAS = 4.0  # so far from a lane nobody can have walked it
TOP_PACE, LEAST_TOP_PACE_M_S = 0.95, 0.3  # of the seconds of a walk, what nearly all are slower than


@dataclass(frozen=True, slots=True, eq=False)
class LanesOnSite:
    """A plan of which it is known what was walked.

    told : what is known. groups : numbers of the lanes that each outing walked, by its id; "" for those that no
    recording shows. by_position : outings whose receiver places lanes better than any tape; their recordings count
    and not their lanes. lanes : those that count, walked or not. ground : that they cover. notes : what does not fit.
    """

    told: ToldPlan
    groups: Mapping[str, frozenset[int]]
    by_position: frozenset[str]
    lanes: tuple[Lane, ...]
    ground: BaseGeometry
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class OnPlan:
    """Where one walk of an outing was on a plan: ``walk`` is its number there, ``margin_m`` how far off it may be."""

    walk: int
    ground: BaseGeometry
    margin_m: float

    def rest(self, ways: Sequence[SearchPath]) -> tuple[SearchPath, ...]:
        """Return what of a walk was not on the plan."""
        if not ways:
            return ()
        near_all, on_all = self._on([way.line_x_m for way in ways], [way.line_y_m for way in ways])
        whole = near_all.mean() >= WHOLE_WALK
        mostly = on_all if whole else _mostly(on_all)
        left = ~near_all if whole else ~(near_all & mostly)
        ends = np.cumsum([0, *(way.t_s.size for way in ways)])
        pieces = [
            _part(way, slice(begin, end))
            for way, (first, last) in zip(ways, pairwise(ends.tolist()), strict=True)
            for begin, end in runs_of(left[first:last])
        ]
        return tuple(piece for piece in pieces if piece.t_s.size >= LEAST_REST_S)

    def _on(self, x_m: Sequence[Floats], y_m: Sequence[Floats]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Whether each second lay near the plan, and on it."""
        x, y = np.concatenate(x_m), np.concatenate(y_m)
        near = self.ground.buffer(self.margin_m)
        shapely.prepare(near)
        shapely.prepare(self.ground)
        return shapely.contains_xy(near, x, y), shapely.contains_xy(self.ground, x, y)


def _mostly(on: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether most of the minutes round each second were on a plan."""
    before = np.concatenate([[0], np.cumsum(on)])
    at = np.arange(on.size)
    first, last = np.maximum(at - MEAN_S // 2, 0), np.minimum(at + MEAN_S // 2 + 1, on.size)
    return np.asarray(2 * (before[last] - before[first]) >= last - first)


def _part(way: SearchPath, part: slice) -> SearchPath:
    return SearchPath(
        way.t_s[part],
        way.x_m[part],
        way.y_m[part],
        way.line_x_m[part],
        way.line_y_m[part],
        way.step_m[part],
    )


@dataclass(frozen=True, slots=True, eq=False)
class _WalkOn:
    """One walk: of which outing, its number there, its way, and the lanes whose numbers were marked on it."""

    outing: str
    number: int
    swung: SwungWalk
    way: TimedWay
    labels: tuple[LaneLabel, ...]


def walked_lanes(
    site: SiteInput, outings: Sequence[WalkedOuting]
) -> tuple[tuple[LanesOnSite, ...], dict[str, tuple[OnPlan, ...]]]:
    """Return the plans of a site of which anything is known, and by outing its walks that were on one of them.

    outings : in order of time.
    """
    if not site.lanes:
        return (), {}
    walks = [walk for outing in outings for walk in _walks(outing)]
    plans: list[LanesOnSite] = []
    on_plan: dict[str, tuple[OnPlan, ...]] = {}
    for plan in site.lanes:
        marked = [walk for walk in walks if walk.labels]
        seen = seen_lanes(plan.lanes, plan.bearing_deg, [(walk.way, walk.labels) for walk in marked])
        if not plan.states and seen is None:
            continue
        told = told_plan(plan, seen)
        mine = _of_plan(told, walks, _dated(plan, site.zone))
        of_plan = _on_site(told, mine)
        plans.append(of_plan)
        for walk in mine:
            if walk.outing not in of_plan.by_position:
                margin_m = OFF_SIGMAS * receiver(walk.swung.swing.gps).sigma_m + plan.spacing_m
                one = OnPlan(walk.number, of_plan.ground, margin_m)
                on_plan[walk.outing] = (*on_plan.get(walk.outing, ()), one)
    return tuple(plans), on_plan


def _walks(outing: WalkedOuting) -> list[_WalkOn]:
    """Walks of an outing with the numbers of lanes that were marked within their time.

    Where several people walked at once nobody can tell whose number it was, unless only one of them was under way.
    """
    marks = [mark for mark in outing.marks if mark.kind == "lane" and mark.number is not None]
    timed = [(mark.number or 0, mark.time_s) for mark in marks if mark.time_s is not None]
    ways = [(number, swung, _way(swung)) for number, swung in enumerate(outing.walks) if swung.walk.ways]
    return [
        _WalkOn(
            outing.id,
            number,
            swung,
            way,
            tuple(
                LaneLabel(n, at)
                for n, at in timed
                if _holds(way, at) and sum(_holds(other, at) for _, _, other in ways) == 1
            ),
        )
        for number, swung, way in ways
    ]


def _way(swung: SwungWalk) -> TimedWay:
    parts = [(way.t_s, way.x_m, way.y_m) for way in swung.walk.ways]
    t_s, x_m, y_m = (np.concatenate(column) for column in zip(*parts, strict=True))
    return TimedWay(t_s, x_m, y_m, receiver(swung.swing.gps).slow_m)


def _holds(way: TimedWay, time_s: float) -> bool:
    return bool(way.t_s[0] <= time_s <= way.t_s[-1])


def _dated(plan: DeclaredPlan, zone_name: str) -> Floats:
    """When lanes were walked, as ticks and sheets with a date say, in Unix seconds."""
    zone = parse_zone(zone_name)
    texts = [text for times in plan.times.values() for text in (times.start, times.end) if "T" in text]
    return np.array([datetime.fromisoformat(text).replace(tzinfo=zone).timestamp() for text in texts])


def _of_plan(told: ToldPlan, walks: Sequence[_WalkOn], dated_s: Floats) -> list[_WalkOn]:
    """Walks on a plan: those with its numbers marked, then those along it at the times when its lanes were walked.

    Where these do not make as many legs as lanes were walked, the latest ones along it follow: a sheet seldom says on
    which day. Earlier walks of the same ground count as they are recorded, as do walks with other coils without any
    mark: whoever walks along a plan with another coil searches once more.
    """
    plan = told.plan
    found: list[_WalkOn] = []
    legs = 0
    for walk in walks:
        along = legs_along(walk.way, plan.lanes, plan.bearing_deg, walk.labels) if walk.labels else ()
        if any(leg.lane is not None for leg in along) and goes_along(walk.way, plan.lanes, plan.bearing_deg):
            found.append(walk)
            legs += len(along)
    wanted = ENOUGH_LEGS * sum(told.chance(lane.number) for lane in plan.lanes) if plan.states else 0.0
    ground = swept_by(plan.lanes, plan.swath_m)
    latest = walks[::-1]
    for walk in sorted(latest, key=lambda walk: not _at_times(walk, dated_s)):
        if legs >= wanted:
            break
        if walk in found or walk.swung.swing.coil.name != plan.coil:
            continue
        mine = _legs_on(walk, plan, ground)
        if mine >= LEAST_LEGS_ALONG:
            found.append(walk)
            legs += mine
    return found


def _at_times(walk: _WalkOn, dated_s: Floats) -> bool:
    first_s, last_s = walk.way.t_s[0] - CLOCKS_S, walk.way.t_s[-1] + CLOCKS_S
    return bool(((dated_s >= first_s) & (dated_s <= last_s)).any())


def _legs_on(walk: _WalkOn, plan: DeclaredPlan, ground: BaseGeometry) -> int:
    """How many legs of a walk lie along the lanes of a plan; 0 unless they are most of its time there."""
    off_m = OFF_SIGMAS * receiver(walk.swung.swing.gps).sigma_m + plan.spacing_m
    near = ground.buffer(off_m)
    shapely.prepare(near)
    seconds = int(np.count_nonzero(shapely.contains_xy(near, walk.way.x_m, walk.way.y_m)))
    if seconds < LEAST_ON_PLAN_S:
        return 0
    across = across_of(plan.lanes, plan.bearing_deg)
    low, high = across.min() - off_m, across.max() + off_m
    legs = [leg for leg in legs_along(walk.way, plan.lanes, plan.bearing_deg) if low <= leg.across_m <= high]
    return len(legs) if 2 * sum(leg.seconds for leg in legs) >= seconds else 0


def _on_site(told: ToldPlan, walks: Sequence[_WalkOn]) -> LanesOnSite:
    groups = _shared_out(told, walks)
    by_position = frozenset(walk.outing for walk in walks if _places_lanes(walk.swung))
    gone = {number for name in by_position for number in groups.get(name, ())}
    if walks and all(walk.outing in by_position for walk in walks):
        gone |= {lane.number for lane in told.plan.lanes}
    lanes = tuple(lane for lane in told.told if lane.number not in gone)
    notes = (*_other_coils(told.plan, walks), *_far_off(told.plan, walks))
    return LanesOnSite(told, groups, by_position, lanes, swept_by(lanes, told.plan.swath_m), notes)


def _other_coils(plan: DeclaredPlan, walks: Sequence[_WalkOn]) -> list[str]:
    others = {walk.outing: walk.swung.swing.coil.name for walk in walks if walk.swung.swing.coil.name != plan.coil}
    width = format_length(plan.swath_m)
    return [
        f"Plan {harmless(plan.name)} is for {harmless(plan.coil)}, and outing {name} walked it with {harmless(coil)}; "
        f"its lanes count with the swing width of the plan, {width}"
        for name, coil in others.items()
    ]


def _far_off(plan: DeclaredPlan, walks: Sequence[_WalkOn]) -> list[str]:
    """Say which lanes are ticked though no recording of the plan comes near them, or too short a time."""
    ticked = [place for place, lane in enumerate(plan.lanes) if plan.states.get(lane.number) == YES]
    if not walks or not ticked:
        return []
    seconds = np.sum([_near_lanes(plan, walk, FAR_SIGMAS) for walk in walks], axis=0)
    pace_m_s = max(_top_pace_m_s(walk) for walk in walks)
    least_s = [max(plan.lanes[place].length_m / 2 / pace_m_s, 1.0) for place in ticked]
    far = [plan.lanes[place].number for place, least in zip(ticked, least_s, strict=True) if seconds[place] < least]
    if not far:
        return []
    said, it = ("lane", "it") if len(far) == 1 else ("lanes", "them")
    said = f"{said} {numbers_in_words(far)} counts as walked" if it == "it" else f"{said} {numbers_in_words(far)} count"
    return [f"Plan {harmless(plan.name)}: {said}, as the sheet says, but no recording was near {it} for long enough"]


def _top_pace_m_s(walk: _WalkOn) -> float:
    steps = np.concatenate([way.step_m for way in walk.swung.walk.ways])
    return max(float(np.quantile(steps, TOP_PACE)), LEAST_TOP_PACE_M_S)


def _places_lanes(swung: SwungWalk) -> bool:
    """Whether a receiver places lanes better than flags and the eye do."""
    return math.sqrt(2) * receiver(swung.swing.gps).sigma_m < PLACED * swung.swing.swath_m


def _shared_out(told: ToldPlan, walks: Sequence[_WalkOn]) -> dict[str, frozenset[int]]:
    """Numbers of the lanes that each outing walked: of several, the one with most of its time near each."""
    names = list(dict.fromkeys(walk.outing for walk in walks))
    numbers = [lane.number for lane in told.plan.lanes]
    if len(names) < 2:
        return {names[0] if names else "": frozenset(numbers)}
    seconds = np.array([sum(_near_lanes(told.plan, walk) for walk in walks if walk.outing == name) for name in names])
    best = np.argmax(seconds, axis=0)
    return {
        name: frozenset(number for number, of in zip(numbers, best.tolist(), strict=True) if of == place)
        for place, name in enumerate(names)
    }


def _near_lanes(plan: DeclaredPlan, walk: _WalkOn, sigmas: float = 1.0) -> Floats:
    """Seconds of a walk near each lane, (lanes,): within what its receiver may be off, across, and between its ends."""
    off_m = sigmas * receiver(walk.swung.swing.gps).sigma_m + plan.spacing_m
    across, along = turned(walk.way.x_m, walk.way.y_m, plan.bearing_deg)
    out = np.zeros(len(plan.lanes))
    for place, lane in enumerate(plan.lanes):
        (x0, x1), (y0, y1) = zip(lane.start_m, lane.end_m, strict=True)
        (at, _), ends = turned(np.array([x0, x1]), np.array([y0, y1]), plan.bearing_deg)
        beside = (np.abs(across - at) <= off_m) & (along >= ends.min() - off_m) & (along <= ends.max() + off_m)
        out[place] = np.count_nonzero(beside)
    return out
