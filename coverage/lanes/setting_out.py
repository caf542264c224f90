"""Setting lanes out with a tape and pegs alone: where each lane crosses two lines between pegs.

No receiver is needed. A line is marked at two places, one near each end; whoever walks from mark to mark walks the
lane, whatever lies before the first mark or behind the second.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations

import numpy as np

from fieldcomb.coverage.lanes.lane_plan import Lane, LanePlace, LanePlan
from fieldcomb.tracks.motion.peg_drift import Peg
from fieldcomb.tracks.values import dataclass

# Chosen for this project.
LEAST_APART_SHARE = 1 / 3  # two marks of a lane lie at least this share of it apart, so that its direction is sure
LEAST_APART_M = 3.0
FEW = 4  # so many lanes that share no length with others are set out beside their neighbour, without pegs
LEAST_CROSSING = 0.5  # sine of the angle at which a line between pegs crosses lanes: 30 degrees
SAME_M = 1e-3
BEYOND_M = 2.0  # a tape may go on so far beyond a peg
# Common practice, no source: with a tape and pegs that were measured with it.
TAPE_ERROR_M = 0.15
SQUARE_SHARE = 0.1 / 30  # two diagonals of a right angle that was set out well differ by no more than this share


@dataclass(frozen=True, slots=True)
class LanePeg:
    """A peg to set lanes out from; ``own`` when it is one of the site's own, which is there already."""

    name: str
    x_m: float
    y_m: float
    own: bool = False


@dataclass(frozen=True, slots=True)
class Baseline:
    """A line between two pegs that lanes cross; ``length_m`` is what the tape shows from one to the other."""

    start: LanePeg
    end: LanePeg

    @property
    def length_m(self) -> float:
        """Metres from peg to peg."""
        return math.hypot(self.end.x_m - self.start.x_m, self.end.y_m - self.start.y_m)


@dataclass(frozen=True, slots=True)
class LaneMark:
    """Where a lane crosses a baseline: so many metres from its first peg towards its second, or before or beyond."""

    baseline: Baseline
    at_m: float


@dataclass(frozen=True, slots=True)
class BesideLane:
    """A short lane at the edge, for which pegs do not pay: so many metres beside another lane, at both ends."""

    lane: int
    away_m: float


LaneMarks = tuple[LaneMark, LaneMark] | BesideLane


@dataclass(frozen=True, slots=True)
class SetOut:
    """Lanes set out from the same two baselines; ``marks`` has two for each lane, the nearer to its start first.

    diagonals_m : of new pegs, from the first peg of one line to the second of the other, both ways; None for the
    site's own. Both must come out as said, or the angles are not right.
    """

    lanes: tuple[Lane, ...]
    baselines: tuple[Baseline, Baseline]
    marks: tuple[LaneMarks, ...]
    diagonals_m: tuple[float, float] | None


def set_out(plan: LanePlan, pegs: Sequence[Peg] = ()) -> tuple[SetOut, ...]:
    """Return how all lanes are set out, group by group in the order of their numbers.

    pegs : the site's own, in site metres. Two lines between them are used where all lanes of a group cross both, at
    least a third of the lane apart and at 30 degrees or more. Otherwise four new pegs make a rectangle for the group:
    on two lines across the lanes, as far out as all lanes of the group reach.
    """
    out: list[SetOut] = []
    named = 0
    groups, beside = _with_few_beside(_groups(plan), plan)
    for group in groups:
        pegged = [lane for lane in group if lane.number not in beside]
        own = _own_baselines(pegged, pegs)
        if own is None:
            baselines = _new_baselines(pegged, plan.bearing_deg, named)
            named += 4
        else:
            baselines = own
        marks = tuple(beside.get(lane.number) or _marks(lane, baselines) for lane in group)
        out.append(SetOut(tuple(group), baselines, marks, None if own else _diagonals(baselines)))
    return tuple(out)


def _with_few_beside(groups: list[list[Lane]], plan: LanePlan) -> tuple[list[list[Lane]], dict[int, BesideLane]]:
    """Join groups of few lanes to a larger one that lies next to them; their lanes are set out beside its last one."""
    beside: dict[int, BesideLane] = {}
    joined: list[list[Lane]] = []
    for place, group in enumerate(groups):
        before = joined[-1] if joined else []
        after = groups[place + 1] if place + 1 < len(groups) else []
        if len(group) < FEW and before and _neighbours(before[-1], group[0], plan):
            beside |= {lane.number: BesideLane(lane.number - 1, plan.spacing_m) for lane in group}
            before += group
        elif len(group) < FEW <= len(after) and _neighbours(group[-1], after[0], plan):
            beside |= {lane.number: BesideLane(lane.number + 1, plan.spacing_m) for lane in group}
            after[:0] = group
        else:
            joined.append(group)
    return joined, beside


def _neighbours(one: Lane, other: Lane, plan: LanePlan) -> bool:
    """Whether two lanes lie one spacing apart and share some of their length."""
    reach, others = _along(one, plan.bearing_deg), _along(other, plan.bearing_deg)
    low, high = max(reach[0], others[0]), min(reach[1], others[1])
    apart_m = abs(_across(one, plan.bearing_deg) - _across(other, plan.bearing_deg))
    return low < high and abs(apart_m - plan.spacing_m) < SAME_M


def _groups(plan: LanePlan) -> list[list[Lane]]:
    """Group lanes that follow each other and share enough of their length for two lines across all of them."""
    groups: list[list[Lane]] = []
    shared = (0.0, 0.0)
    longest_m = 0.0
    for lane in plan.lanes:
        reach = _along(lane, plan.bearing_deg)
        both = (max(shared[0], reach[0]), min(shared[1], reach[1]))
        longer_m = max(longest_m, lane.span_m)
        if groups and both[1] - both[0] >= max(LEAST_APART_SHARE * longer_m, LEAST_APART_M):
            groups[-1].append(lane)
            shared, longest_m = both, longer_m
        else:
            groups.append([lane])
            shared, longest_m = reach, lane.span_m
    return groups


def _along(lane: Lane, bearing_deg: float) -> tuple[float, float]:
    """From where to where a lane reaches along the bearing."""
    sine, cosine = math.sin(math.radians(bearing_deg)), math.cos(math.radians(bearing_deg))
    ends = [x * sine + y * cosine for x, y in (lane.start_m, lane.end_m)]
    return min(ends), max(ends)


def _across(lane: Lane, bearing_deg: float) -> float:
    """Where a lane lies to the right of the bearing."""
    sine, cosine = math.sin(math.radians(bearing_deg)), math.cos(math.radians(bearing_deg))
    return lane.start_m[0] * cosine - lane.start_m[1] * sine


def _new_baselines(group: Sequence[Lane], bearing_deg: float, named: int) -> tuple[Baseline, Baseline]:
    """Two lines at right angles to the lanes, where the last lane begins and where the first one ends."""
    sine, cosine = math.sin(math.radians(bearing_deg)), math.cos(math.radians(bearing_deg))
    reaches = [_along(lane, bearing_deg) for lane in group]
    across = [_across(lane, bearing_deg) for lane in group]
    low, high = max(low for low, _ in reaches), min(high for _, high in reaches)
    left, right = min(across), max(across)
    if right - left < LEAST_APART_M:  # a tape of no length shows no right angle
        right = left + LEAST_APART_M
    numbers = iter(range(named + 1, named + 5))

    def peg(a: float, b: float) -> LanePeg:
        x_m, y_m = a * cosine + b * sine, b * cosine - a * sine
        return LanePeg(f"P{next(numbers)}", round(x_m, 5) + 0.0, round(y_m, 5) + 0.0)

    first = Baseline(peg(left, low), peg(right, low))
    return first, Baseline(peg(left, high), peg(right, high))


def _own_baselines(group: Sequence[Lane], pegs: Sequence[Peg]) -> tuple[Baseline, Baseline] | None:
    """The two lines between the site's own pegs that lie farthest apart on the lane where they are nearest, if any."""
    known = [LanePeg(peg.name, peg.x_m, peg.y_m, own=True) for peg in pegs]
    lines = [Baseline(a, b) for a, b in combinations(known, 2)]
    crossed = [(line, at) for line in lines if (at := _crossings(group, line)) is not None]
    best, most = None, LEAST_APART_SHARE
    for (one, at_one), (two, at_two) in combinations(crossed, 2):
        apart = np.abs(at_one - at_two)
        share = float(np.min(apart / [lane.span_m for lane in group]))
        if share > most and float(apart.min()) >= LEAST_APART_M:
            best, most = (one, two), share
    return best


def _crossings(group: Sequence[Lane], line: Baseline) -> np.ndarray | None:
    """How far along each lane a line between pegs crosses it, in metres; None unless all lanes cross it well."""
    along = []
    for lane in group:
        meeting = _meeting(lane, line)
        if meeting is None:
            return None
        at_m, on_line_m = meeting
        if not -BEYOND_M <= on_line_m <= line.length_m + BEYOND_M or not -BEYOND_M <= at_m <= lane.span_m + BEYOND_M:
            return None
        along.append(at_m)
    return np.array(along)


def _meeting(lane: Lane, line: Baseline) -> tuple[float, float] | None:
    """Where a lane and a line meet: metres along the lane, and along the line; None when they hardly cross."""
    (x0, y0), (x1, y1) = lane.start_m, lane.end_m
    ux, uy = (x1 - x0) / lane.span_m, (y1 - y0) / lane.span_m
    if line.length_m == 0:
        return None
    vx, vy = (line.end.x_m - line.start.x_m) / line.length_m, (line.end.y_m - line.start.y_m) / line.length_m
    sine = ux * vy - uy * vx
    if abs(sine) < LEAST_CROSSING:
        return None
    dx, dy = line.start.x_m - x0, line.start.y_m - y0
    return (dx * vy - dy * vx) / sine, (dx * uy - dy * ux) / sine


def _marks(lane: Lane, baselines: tuple[Baseline, Baseline]) -> tuple[LaneMark, LaneMark]:
    """The two marks of a lane, that nearer to its start first."""
    found = []
    for line in baselines:
        meeting = _meeting(lane, line)
        assert meeting is not None  # both lines were chosen so that every lane of the group crosses them
        found.append((meeting[0], LaneMark(line, round(meeting[1], 4) + 0.0)))
    (_, first), (_, second) = sorted(found, key=lambda one: one[0])
    return first, second


def _diagonals(baselines: tuple[Baseline, Baseline]) -> tuple[float, float]:
    one, two = baselines
    return _apart(one.start, two.end), _apart(one.end, two.start)


def _apart(a: LanePeg, b: LanePeg) -> float:
    return math.hypot(a.x_m - b.x_m, a.y_m - b.y_m)


def mark_place(mark: LaneMark) -> LanePlace:
    """Where a mark lies, in site metres."""
    line = mark.baseline
    share = mark.at_m / line.length_m
    return line.start.x_m + (line.end.x_m - line.start.x_m) * share, line.start.y_m + (
        line.end.y_m - line.start.y_m
    ) * share
