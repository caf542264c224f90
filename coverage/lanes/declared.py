"""Ground known by lanes: what was swept when it is said which lanes were walked, and how sure that is.

No receiver comes into it. What is left open is where flags stood, how straight the walker kept between them, and how
wide the swing was.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from statistics import NormalDist

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.lanes.lane_plan import Lane, LanePlace, lanes_as_lines
from fieldcomb.coverage.lanes.seen_lanes import BlockSeen, SeenLanes
from fieldcomb.coverage.lanes.sheet import NO, PART, YES
from fieldcomb.tracks.recording import Floats

# Standard deviations. Flags: with a tape, common practice, no source. Straying: measured on receivers good to
# centimetres carried along lanes, with its correlation along the lane.
FLAG_M = 0.2
STRAY_M, STRAY_LASTS_M = 0.20, 6.0
LANE_DRAWS = 100
SEED = 20_260  # any number, the same each time
ACROSS_M, ALONG_M = 0.1, 0.35
NEAR_ROWS = 2  # before and after a row, from which a swing still reaches it to the side
MOST_LANE_CELLS = 1_500_000  # of one draw; larger ground is counted on coarser cells
INTERVAL_PCT = (5.0, 95.0)
# How far the draws may be off as a whole, in percent of the share: how rough a way is over a metre changes it by 0.4.
MODEL_SD_PCT = 0.8
LABEL_AT = (0.2, 0.5, 0.8)  # along a lane, in turn, seen from one side
LEAST_CHANCE = 0.01  # a lane less likely than this was not walked in any draw
NINETY = NormalDist().inv_cdf(0.95)


@dataclass(frozen=True, slots=True, eq=False)
class DeclaredPlan:
    """A plan with what was said of its lanes. ``states`` : by number, y, n or part; a lane not named was not told of.

    swath_measured : whether the swing width was measured, and not taken from the coil's size.
    """

    name: str
    coil: str
    lanes: tuple[Lane, ...]
    spacing_m: float
    swath_m: float
    bearing_deg: float
    states: Mapping[int, str]
    swath_measured: bool = True


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
class LanesResult:
    """What a plan comes to.

    done, part, left, open : numbers of lanes walked, walked in part, not walked or to be walked again, and the rest.
    grounds : each lane as it is drawn. blocks : what recordings show; none where no walk had its lanes marked.
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


def by_lanes(
    plan: DeclaredPlan, seen: SeenLanes | None, site: BaseGeometry, swath_sd: Mapping[bool, float]
) -> LanesResult:
    """Return what a plan comes to on a site.

    seen : what recordings say of its lanes. What a sheet says of a lane goes before that, and a number that was marked
    before what the walk shows. A lane that nothing settles counts by its chance.

    site : the ground that counts, in site metres. swath_sd : how well a swing width is known, as a share of it, where
    it was measured and where it was not.

    The share is the mean of 100 draws of flags, straying and swing width; its interval has nine tenths of them.
    """
    settled = _settled(plan, seen)
    chances = {} if seen is None else {n: p for n, p in seen.walked.items() if n not in settled}
    walked_m = sum(_share(settled, chances, lane.number) * lane.length_m for lane in plan.lanes)
    planned_m = sum(lane.length_m for lane in plan.lanes)
    shares = 100 * swept_shares(replace(plan, states=settled), site, swath_sd[plan.swath_measured], chances)
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
    )


def _grounds(plan: DeclaredPlan, settled: Mapping[int, str]) -> Iterator[LaneGround]:
    shapes = shapely.buffer(lanes_as_lines(plan.lanes), plan.swath_m / 2, cap_style="flat")
    for lane, shape in zip(plan.lanes, shapes, strict=True):
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


def _share(settled: Mapping[int, str], chances: Mapping[int, float], number: int) -> float:
    return {YES: 1.0, PART: 0.5, NO: 0.0}.get(settled.get(number, ""), chances.get(number, 0.0))


def _more(off_pct: float, model_pct: float) -> float:
    """Widen one side of the interval by what the draws themselves may be off."""
    return math.copysign(math.hypot(off_pct, NINETY * model_pct), off_pct)


def swept_shares(
    plan: DeclaredPlan, site: BaseGeometry, swath_sd: float, chances: Mapping[int, float] | None = None
) -> Floats:
    """Return shares of a site that was swept, (draws,), 0 to 1, one for each way in which lanes may have been walked.

    The ground is cut into rows across the lanes; on each, a lane covers half a swing to both sides of where its walker
    was. A lane walked in part was walked from one of its ends, up to a place that is anywhere on it. One with a chance
    only (``chances``, by number) was walked in that share of the draws.
    """
    frame = _Rows.over(site, plan)
    rng = np.random.default_rng(SEED)
    likely = {number: chance for number, chance in (chances or {}).items() if chance >= LEAST_CHANCE}
    walked = [lane for lane in plan.lanes if plan.states.get(lane.number) in (YES, PART) or lane.number in likely]
    # The swing width counts for all lanes at once, so its draws are spread evenly and not left to chance.
    evenly = np.array([NormalDist().inv_cdf((place + 0.5) / LANE_DRAWS) for place in range(LANE_DRAWS)])
    half_m = plan.swath_m / 2 * np.maximum(1 + swath_sd * evenly, 0.1)
    covers = np.zeros((LANE_DRAWS, frame.rows, frame.cols + 1), np.int16)
    for lane in walked:
        in_draw = rng.uniform(size=LANE_DRAWS) < likely.get(lane.number, 1.0)
        _cover(covers, lane, frame, half_m, in_draw, plan.states.get(lane.number) == PART, rng)
    np.cumsum(covers, axis=2, out=covers)
    swept = (covers[:, :, :-1] > 0) & frame.inside
    return np.asarray(swept.sum(axis=(1, 2)) / max(1, int(frame.inside.sum())))


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Cells of the ground in rows across the lanes: their size and corner, and which lie inside, bool (rows, cols)."""

    left: float
    bottom: float
    across_m: float
    along_m: float
    sine: float
    cosine: float
    inside: NDArray[np.bool_]

    @property
    def rows(self) -> int:
        return int(self.inside.shape[0])

    @property
    def cols(self) -> int:
        return int(self.inside.shape[1])

    @classmethod
    def over(cls, site: BaseGeometry, plan: DeclaredPlan) -> _Rows:
        sine, cosine = math.sin(math.radians(plan.bearing_deg)), math.cos(math.radians(plan.bearing_deg))
        matrix = np.array([[cosine, -sine], [sine, cosine]])
        turned = shapely.transform(site, lambda xy: xy @ matrix.T)
        left, bottom, right, top = turned.bounds
        coarser = max(1.0, math.sqrt((right - left) * (top - bottom) / (ACROSS_M * ALONG_M) / MOST_LANE_CELLS))
        across_m, along_m = ACROSS_M * coarser, ALONG_M * coarser
        a = np.arange(left + across_m / 2, right, across_m)
        b = np.arange(bottom + along_m / 2, top, along_m)
        shapely.prepare(turned)
        inside = shapely.contains_xy(turned, *np.meshgrid(a, b))
        return cls(left, bottom, across_m, along_m, sine, cosine, inside)

    def turned(self, place: tuple[float, float]) -> tuple[float, float]:
        """Across and along of a place."""
        x, y = place
        return x * self.cosine - y * self.sine, x * self.sine + y * self.cosine


def _cover(
    covers: NDArray[np.int16],
    lane: Lane,
    frame: _Rows,
    half_m: Floats,
    in_draw: NDArray[np.bool_],
    in_part: bool,
    rng: np.random.Generator,
) -> None:
    """Add a lane to the differences of how often each cell is covered, for all draws at once."""
    (across, start), (_, end) = frame.turned(lane.start_m), frame.turned(lane.end_m)
    up = 1 if end >= start else -1
    middles = frame.bottom + frame.along_m * (np.arange(frame.rows) + 0.5)
    way = (middles - start) * up  # metres walked when the row is passed
    on = np.zeros(frame.rows, bool)
    for low, high in lane.pieces_m:
        on |= (way >= low) & (way < high)
    rows = np.flatnonzero(on)
    if not rows.size:
        return
    flags = FLAG_M * rng.standard_normal((2, LANE_DRAWS, 1))
    share = way[rows] / lane.span_m
    middle = across + flags[0] * (1 - share) + flags[1] * share + _strayed(rows.size, frame.along_m, rng)
    walked = np.repeat(in_draw[:, None], rows.size, axis=1)
    if in_part:
        walked &= (share < rng.uniform(size=(LANE_DRAWS, 1))) ^ (rng.uniform(size=(LANE_DRAWS, 1)) < 0.5)
    first, last = ((_rim(middle, half_m, frame.along_m, sign) - frame.left) / frame.across_m for sign in (-1, 1))
    draws = np.broadcast_to(np.arange(LANE_DRAWS)[:, None], walked.shape)[walked]
    row = np.broadcast_to(rows, walked.shape)[walked]
    for edge, sign in ((first, 1), (last, -1)):
        column = np.clip(np.rint(edge[walked]), 0, frame.cols).astype(np.intp)
        covers[draws, row, column] += sign  # of one lane, each row of each draw has one place: nothing is added twice


def _rim(middle: Floats, half_m: Floats, step_m: float, sign: int) -> Floats:
    """The farthest place to one side within half a swing of the way, (draws, rows)."""
    rim = sign * middle + half_m[:, None]
    for rows in range(1, NEAR_ROWS + 1):
        reach2 = half_m**2 - (rows * step_m) ** 2
        beside = sign * middle + np.sqrt(np.maximum(reach2, 0))[:, None]
        beside[reach2 <= 0] = -np.inf
        rim[:, rows:] = np.maximum(rim[:, rows:], beside[:, :-rows])
        rim[:, :-rows] = np.maximum(rim[:, :-rows], beside[:, rows:])
    return sign * rim


def _strayed(many: int, step_m: float, rng: np.random.Generator) -> Floats:
    """How far a walker strays to one side, (draws, many), every ``step_m``: first-order autoregressive."""
    keeps = math.exp(-step_m / STRAY_LASTS_M)
    fresh = STRAY_M * rng.standard_normal((LANE_DRAWS, many))
    fresh[:, 1:] *= math.sqrt(1 - keeps**2)
    for place in range(1, many):
        fresh[:, place] += keeps * fresh[:, place - 1]
    return fresh
