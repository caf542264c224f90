"""A walk as the lanes of a plan see it: straight legs along them, each with its mean place across."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.lanes.decode import USUAL_SLOW_M, LegAcross
from fieldcomb.coverage.lanes.lane_plan import Lane
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

# Chosen for this project; all legs of simulated walks are found by them.
TURN_SHARE = 0.25  # of a lane's length: so far back along the lane, and the walker has turned
LEG_SHARE = 0.5  # of a lane's length: a shorter leg is none
TURNING_M = 3.0  # at both ends of a leg the walker turns
LABEL_NEAR_S = 15.0  # a number is spoken or pressed this long before or after its leg
ALONG_DEG = 25.0  # a leg along lanes goes in their direction, give or take
ON_PLAN = 0.5  # share of a walk's legs that must lie along a plan's lanes for it to be a walk on that plan
OFF_PLAN_M = 15.0  # a leg this far outside a plan is not on it
PAST_END_M = 6.0  # nor one that lies so far beyond the ends of the lanes


@dataclass(frozen=True, slots=True, eq=False)
class TimedWay:
    """Where a walker was second by second while searching: arrays (n,) of Unix seconds and site metres.

    slow_m : the slow error of the receiver on each axis, as its class has it.
    """

    t_s: Floats
    x_m: Floats
    y_m: Floats
    slow_m: float = USUAL_SLOW_M


@dataclass(frozen=True, slots=True)
class LaneLabel:
    """A number that was spoken or pressed: which lane, and when."""

    lane: int
    time_s: float


def legs_along(
    way: TimedWay, lanes: Sequence[Lane], bearing_deg: float, labels: Sequence[LaneLabel] = ()
) -> tuple[LegAcross, ...]:
    """Find the legs of a walk that lead along lanes, in order of time.

    A leg ends where the walker has come back by a quarter of the usual lane; it counts from half a lane on. A label
    names the lane of the leg at its time; ``lane`` of a leg is its place among ``lanes``. Labels of lanes that the
    plan does not have are left out.
    """
    if not lanes or way.t_s.size < 2:
        return ()
    across, along = turned(way.x_m, way.y_m, bearing_deg)
    least_m = least_leg_m(lanes)
    starts = across_of(lanes, bearing_deg)
    low, high = starts.min() - OFF_PLAN_M, starts.max() + OFF_PLAN_M
    here = _beside(across, low, high) & _beside(along, *_reach(lanes, bearing_deg))
    if here.sum() < 2:
        return ()
    across, along, time_s = across[here], along[here], way.t_s[here]  # the way to the plan and back is none of it
    numbers = {lane.number: place for place, lane in enumerate(lanes)}
    known = [(numbers[label.lane], label.time_s) for label in labels if label.lane in numbers]
    legs = []
    for first, last in _runs_along(along, TURN_SHARE / LEG_SHARE * least_m):
        inner = _inner(along[first : last + 1]) + first
        if abs(along[last] - along[first]) < least_m or not inner.size:
            continue
        middle = float(across[inner].mean())
        if _slant_deg(across[inner], along[inner]) > ALONG_DEG:
            continue
        begun_s, ended_s = float(time_s[first]), float(time_s[last])
        lane = _named(known, begun_s, ended_s)
        legs.append(LegAcross(middle, ended_s - begun_s, (begun_s + ended_s) / 2, lane))
    return tuple(legs)


def least_leg_m(lanes: Sequence[Lane]) -> float:
    """How long a leg must be to count: half of the usual lane. Lanes shorter than that cannot be told from turns."""
    return LEG_SHARE * float(np.median([lane.span_m for lane in lanes]))


def turned(x_m: Floats, y_m: Floats, bearing_deg: float) -> tuple[Floats, Floats]:
    """Return places as metres across (to the right) and along a bearing."""
    sine, cosine = math.sin(math.radians(bearing_deg)), math.cos(math.radians(bearing_deg))
    return x_m * cosine - y_m * sine, x_m * sine + y_m * cosine


def across_of(lanes: Sequence[Lane], bearing_deg: float) -> Floats:
    """Return where lanes lie across, (lanes,), in metres to the right of the bearing."""
    x_m, y_m = np.array([lane.start_m for lane in lanes]).T
    return turned(x_m, y_m, bearing_deg)[0]


def _reach(lanes: Sequence[Lane], bearing_deg: float) -> tuple[float, float]:
    """From where to where a plan reaches along its lanes, with room for a receiver's error."""
    x_m, y_m = np.array([place for lane in lanes for place in (lane.start_m, lane.end_m)]).T
    along = turned(x_m, y_m, bearing_deg)[1]
    return float(along.min()) - PAST_END_M, float(along.max()) + PAST_END_M


def _beside(values: Floats, low: float, high: float) -> NDArray[np.bool_]:
    return (values >= low) & (values <= high)


def _runs_along(along: Floats, back_m: float) -> list[tuple[int, int]]:
    """Cut a walk where it turns back along the lanes by more than ``back_m``: first and last place of each run."""
    turns = [0]
    way, extreme = 0, 0
    for place in range(1, along.size):
        ahead = along[place] - along[extreme]
        if way == 0:
            if abs(along[place] - along[0]) > back_m:
                way, extreme = (1 if along[place] > along[0] else -1), place
        elif ahead * way >= 0:
            extreme = place
        elif -ahead * way > back_m:
            turns.append(extreme)
            way, extreme = -way, place
    turns.append(extreme if extreme > turns[-1] else along.size - 1)
    return [(first, last) for first, last in pairwise(turns) if last > first]


def _inner(along: Floats) -> NDArray[np.intp]:
    """Places of a run that are not within 3 m of its ends; all of a run too short for that."""
    low, high = sorted((float(along[0]), float(along[-1])))
    inner = np.flatnonzero((along > low + TURNING_M) & (along < high - TURNING_M))
    return inner if inner.size >= 2 else np.arange(along.size)


def _slant_deg(across: Floats, along: Floats) -> float:
    return math.degrees(math.atan2(abs(float(across[-1] - across[0])), abs(float(along[-1] - along[0])) + 1e-9))


def _named(known: Sequence[tuple[int, float]], begun_s: float, ended_s: float) -> int | None:
    """The lane that was named during a leg; of those named shortly before or after it, the nearest in time."""
    off = [(max(begun_s - time_s, time_s - ended_s, 0.0), lane) for lane, time_s in known]
    nearest = min(off, default=None)
    return nearest[1] if nearest is not None and nearest[0] <= LABEL_NEAR_S else None


def goes_along(way: TimedWay, lanes: Sequence[Lane], bearing_deg: float) -> bool:
    """Whether a walk was one on these lanes: at least half of its way lies on legs along them."""
    legs = legs_along(way, lanes, bearing_deg)
    return sum(leg.seconds for leg in legs) >= ON_PLAN * way.t_s.size > 0
