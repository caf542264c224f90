"""Ground known by lanes: what was swept when it is said which lanes were walked, and how sure that is.

No receiver comes into it. What is left open is where flags stood, how straight the walker kept between them, and how
wide the swing was.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import field
from itertools import pairwise
from statistics import NormalDist

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.lanes.lane_draws import LaneCells, LaneDraws, LaneWalked, draw_lanes
from fieldcomb.coverage.lanes.lane_files import PlannedEnds
from fieldcomb.coverage.lanes.lane_plan import BLOCK_LANES, Lane, LanePlace, lanes_as_lines
from fieldcomb.coverage.lanes.seen_lanes import BlockSeen, SeenLanes
from fieldcomb.coverage.lanes.sheet import NO, PART, YES, LaneTimes
from fieldcomb.tracks.values import dataclass

INTERVAL_PCT = (5.0, 95.0)
# How far the draws may be off as a whole, in percent of the share: how rough a way is over a metre changes it by 0.4.
MODEL_SD_PCT = 0.8
LABEL_AT = (0.2, 0.5, 0.8)  # along a lane, in turn, seen from one side
NO_OUTINGS: Mapping[str, Collection[int]] = {}
INTO_M = 0.01  # of a lane on no-go ground; less is what rounding makes of one that ends at its edge
UNTIMED_LANE = LaneTimes()
NINETY = NormalDist().inv_cdf(0.95)


@dataclass(frozen=True, slots=True, eq=False)
class DeclaredPlan:
    """A plan as it is kept in a site, with what was said of its lanes.

    lanes : in site metres; ``ends`` are theirs in degrees. states : by number, y, n or part; a lane not named was not
    told of. swath_measured : whether the swing width was measured, and not taken from the coil's size. pegs : the
    site's own that it is set out from, by name, as longitude and latitude. times : of lanes, by number.
    closed : lanes that the last report of the site sent nobody along, since ground was closed there.
    """

    name: str
    coil: str
    lanes: tuple[Lane, ...]
    spacing_m: float
    swath_m: float
    bearing_deg: float
    states: Mapping[int, str] = field(default_factory=dict)
    swath_measured: bool = True
    ends: tuple[PlannedEnds, ...] = ()
    pegs: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    times: Mapping[int, LaneTimes] = field(default_factory=dict)
    closed: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class LaneGround:
    """One lane as it is drawn: its number, its state (y, n, part, or empty for not known), and what its swing covers.

    label_m : where its number stands, (x, y) in site metres, clear of those of the lanes beside it.
    """

    number: int
    state: str
    length_m: float
    shape: Polygon | MultiPolygon
    label_m: LanePlace


@dataclass(frozen=True, slots=True)
class LaneKnown:
    """What is known of one lane.

    walked : the chance that it was, or the share that was; None where nothing is known. by : sheet (or ticks), label
    (its number was marked) and watch (the walk itself), those that say anything. outing : whose recording lies along
    it; None where there is none, or where nobody walked it. start, end : as somebody wrote or ticked them, or empty.
    """

    number: int
    walked: float | None
    by: tuple[str, ...]
    outing: str | None
    start: str = ""
    end: str = ""


@dataclass(frozen=True, slots=True)
class LanesResult:
    """What a plan comes to.

    done, part, left, open : numbers of lanes walked, walked in part, not walked or to be walked again, and the rest.
    closed : of all lanes, those that run into ground to leave alone; nobody is sent along them.
    grounds : each lane as it is drawn. known : what is known of each. blocks : what recordings show; none where no
    walk had its lanes marked.
    of_plan_pct : of the length planned. of_site_pct : of the site, swept; low, high : where that lies nine times in
    ten.
    """

    name: str
    coil: str
    spacing_m: float
    bearing_deg: float
    lanes: int
    planned_m: float
    done: tuple[int, ...]
    part: tuple[int, ...]
    left: tuple[int, ...]
    open: tuple[int, ...]
    of_plan_pct: float
    of_site_pct: float
    low: float
    high: float
    by_sheet: int = 0
    by_label: int = 0
    by_walk: int = 0
    blocks: tuple[BlockSeen, ...] = ()
    grounds: tuple[LaneGround, ...] = field(default=(), compare=False)
    known: tuple[LaneKnown, ...] = ()
    closed: tuple[int, ...] = ()

    @property
    def to_walk(self) -> tuple[int, ...]:
        """Numbers of lanes that are still to walk, or to finish, and may be."""
        return tuple(sorted({*self.left, *self.part, *self.open} - set(self.closed)))

    @property
    def kept_off(self) -> tuple[int, ...]:
        """Numbers of lanes that were not walked and are to be left alone."""
        return tuple(sorted({*self.left, *self.part, *self.open} & set(self.closed)))


@dataclass(frozen=True, slots=True, eq=False)
class ToldPlan:
    """A plan with what is known of its lanes.

    settled : state of each lane that something settles: the sheet, a number that was marked, or the walk by its block.
    chances : of the lanes that only a walk shows. seen : what recordings say.
    """

    plan: DeclaredPlan
    settled: Mapping[int, str]
    chances: Mapping[int, float]
    seen: SeenLanes | None

    def chance(self, number: int) -> float:
        """How much of a lane was walked, to be expected: 0 of one of which nothing is known."""
        by_word = {YES: 1.0, PART: 0.5}.get(self.settled.get(number, ""), 0.0)
        return self.chances.get(number, by_word)

    @property
    def told(self) -> tuple[Lane, ...]:
        """Lanes of which it is known whether they were walked.

        A few that a sheet left blank between others were not walked; of a whole block of blanks nothing is known.
        """
        lanes = self.plan.lanes
        known = [
            place for place, lane in enumerate(lanes) if lane.number in self.settled or lane.number in self.chances
        ]
        told = set(known)
        by_sheet = [place for place in known if lanes[place].number in self.plan.states]
        for before, after in pairwise(by_sheet):
            if after - before <= BLOCK_LANES:
                told |= set(range(before, after))
        return tuple(lanes[place] for place in sorted(told))

    def walked(self, numbers: Collection[int]) -> list[LaneWalked]:
        """Those of some lanes that were walked or may have been."""
        lanes = [lane for lane in self.plan.lanes if lane.number in numbers]
        return [
            LaneWalked(lane, self.chances.get(lane.number, 1.0), self.settled.get(lane.number) == PART)
            for lane in lanes
            if lane.number in self.chances or self.settled.get(lane.number) in (YES, PART)
        ]


def told_plan(plan: DeclaredPlan, seen: SeenLanes | None) -> ToldPlan:
    """Put together what is known of a plan; ``seen`` is what recordings say of its lanes.

    What a sheet says of a lane goes before that, and a number that was marked before what the walk shows, by which a
    lane counts by its chance.
    """
    known = set(plan.states) | (set() if seen is None else seen.labels)
    chances = {} if seen is None else {n: p for n, p in seen.walked.items() if n not in known}
    return ToldPlan(plan, _settled(plan, seen), chances, seen)


def draws_of(
    told: ToldPlan,
    site: BaseGeometry,
    swath_sd: Mapping[bool, float],
    groups: Sequence[Collection[int]] = (),
    cells: tuple[LaneCells, LaneCells] | None = None,
) -> LaneDraws:
    """Draw what the lanes of a plan swept of a site.

    site : the ground that counts, in site metres. swath_sd : how well a swing width is known, as a share of it, where
    it was measured and where it was not. groups, cells : numbers of lanes that are summed up together on cells; all in
    one group without any.
    """
    plan = told.plan
    walked = [told.walked(numbers) for numbers in groups or ({lane.number for lane in plan.lanes},)]
    return draw_lanes(walked, site, plan.bearing_deg, plan.swath_m, swath_sd[plan.swath_measured], cells)


def by_lanes(
    plan: DeclaredPlan, seen: SeenLanes | None, site: BaseGeometry, swath_sd: Mapping[bool, float]
) -> LanesResult:
    """Return what a plan comes to on a site; arguments as in ``told_plan`` and ``draws_of``."""
    told = told_plan(plan, seen)
    return lanes_result(told, draws_of(told, site, swath_sd))


def lanes_result(told: ToldPlan, draws: LaneDraws, groups: Mapping[str, Collection[int]] = NO_OUTINGS) -> LanesResult:
    """Return what a plan comes to: its share is the mean of the draws, and its interval has nine tenths of them.

    groups : numbers of the lanes that each outing walked, by its id.
    """
    plan, settled, seen = told.plan, told.settled, told.seen
    walked_m = sum(told.chance(lane.number) * lane.length_m for lane in plan.lanes)
    planned_m = sum(lane.length_m for lane in plan.lanes)
    shares = 100 * draws.shares
    middle = float(shares.mean())
    model_pct = MODEL_SD_PCT * middle / 100
    low, high = (middle + _more(float(edge) - middle, model_pct) for edge in np.percentile(shares, INTERVAL_PCT))
    numbers = {state: tuple(n for n, said in sorted(settled.items()) if said == state) for state in (YES, PART, NO)}
    by_label = 0 if seen is None else len(seen.labels - set(plan.states))
    return LanesResult(
        name=plan.name,
        coil=plan.coil,
        spacing_m=plan.spacing_m,
        bearing_deg=plan.bearing_deg,
        lanes=len(plan.lanes),
        planned_m=planned_m,
        done=numbers[YES],
        part=numbers[PART],
        left=numbers[NO],
        open=tuple(lane.number for lane in plan.lanes if lane.number not in settled),
        of_plan_pct=100 * walked_m / planned_m if planned_m else 0.0,
        of_site_pct=middle,
        low=max(0.0, low),
        high=min(100.0, high),
        by_sheet=len(plan.states),
        by_label=by_label,
        by_walk=len(settled) - len(plan.states) - by_label,
        blocks=() if seen is None else seen.blocks,
        grounds=tuple(_grounds(plan, settled)),
        known=tuple(_known(told, {number: name for name, numbers in groups.items() for number in numbers})),
    )


def not_begun(plan: DeclaredPlan) -> LanesResult:
    """Return a plan of which nothing is known yet, with all of its lanes open."""
    size = len(plan.lanes), sum(lane.length_m for lane in plan.lanes)
    numbers = tuple(lane.number for lane in plan.lanes)
    head = (plan.name, plan.coil, plan.spacing_m, plan.bearing_deg, *size)
    return LanesResult(*head, (), (), (), numbers, 0.0, 0.0, 0.0, 0.0, grounds=tuple(_grounds(plan, {})))


def lanes_closed(plan: DeclaredPlan, areas: Sequence[AreaShape]) -> tuple[int, ...]:
    """Return which lanes of a plan lead over no-go ground that is newer than it; when they were planned they kept off.

    Of ground that a mark closed the swing keeps clear as well. The edge of ground that somebody drew is exact, and
    where no stand-off is wished lanes were planned beside it.
    """
    marked = shapely.union_all([area.shape for area in areas if area.kind == "no-go" and area.marked_in])
    drawn = shapely.union_all([area.shape for area in areas if area.kind == "no-go" and not area.marked_in])
    if marked.is_empty and drawn.is_empty:
        return ()
    lines = np.array(lanes_as_lines(plan.lanes))
    reached = shapely.intersects(_swings(plan), marked)
    reached |= shapely.length(shapely.intersection(lines, drawn)) > INTO_M
    return tuple(lane.number for lane, is_closed in zip(plan.lanes, reached, strict=True) if is_closed)


def _swings(plan: DeclaredPlan) -> NDArray[np.object_]:
    return np.asarray(shapely.buffer(lanes_as_lines(plan.lanes), plan.swath_m / 2, cap_style="flat"))


def _known(told: ToldPlan, outings: Mapping[int, str]) -> Iterator[LaneKnown]:
    plan, seen = told.plan, told.seen
    spoken_of = {lane.number for lane in told.told}
    for lane in plan.lanes:
        number = lane.number
        by_recording = (("label", seen.labels), ("watch", seen.walked)) if seen is not None else ()
        by = [name for name, numbers in (("sheet", plan.states), *by_recording) if number in numbers]
        walked = told.chance(number) if number in spoken_of else None
        times = plan.times.get(number, UNTIMED_LANE)
        yield LaneKnown(
            number, walked, tuple(by), outings.get(number) or None if walked else None, times.start, times.end
        )


def _grounds(plan: DeclaredPlan, settled: Mapping[int, str]) -> Iterator[LaneGround]:
    for lane, shape in zip(plan.lanes, _swings(plan), strict=True):
        label_m = lane.at(
            lane.span_m * (LABEL_AT[lane.number % 3] if lane.number % 2 else 1 - LABEL_AT[lane.number % 3])
        )
        yield LaneGround(lane.number, settled.get(lane.number, ""), lane.length_m, shape, label_m)


def _settled(plan: DeclaredPlan, seen: SeenLanes | None) -> dict[int, str]:
    """The state of each lane that something settles: the sheet, a number that was marked, or the walk, by its block."""
    settled = dict(plan.states)
    if seen is None:
        return settled
    for number in seen.labels:
        settled.setdefault(number, YES)
    of_block = {"done": YES, "walk again": NO}
    for block in seen.blocks:
        for number in range(block.first, block.last + 1) if block.state in of_block else ():
            if number in seen.walked:
                settled.setdefault(number, of_block[block.state])
    return settled


def _more(off_pct: float, model_pct: float) -> float:
    """Widen one side of the interval by what the draws themselves may be off."""
    return math.copysign(math.hypot(off_pct, NINETY * model_pct), off_pct)
