"""Lanes told from a walk: its legs are found, its numbers place them, and what was left out is noticed."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely.geometry import box

from fieldcomb.coverage.lanes.lane_plan import Lane, LanePlan, plan_lanes
from fieldcomb.coverage.lanes.legs_along import LaneLabel, TimedWay, legs_along
from fieldcomb.coverage.lanes.seen_lanes import seen_lanes

PLAN = plan_lanes(box(0, 0, 45, 40), 1.5, 1.5, bearing_deg=0)  # 30 lanes of 40 m


def walk(
    plan: LanePlan, numbers: list[int], error_m: float = 0.0, every: int = 10, seed: int = 1, dig: bool = False
) -> tuple[TimedWay, list[LaneLabel]]:
    """A walk along lanes at 0.4 m/s as a receiver records it, and every Nth number marked in the middle of its lane."""
    rng = np.random.default_rng(seed)
    places: list[np.ndarray] = []
    labels: list[LaneLabel] = []
    seconds = 0
    for count, number in enumerate(numbers):
        lane: Lane = plan.lanes[number - 1]
        ends = np.array([lane.start_m, lane.end_m])
        if places and math.dist(places[-1][-1], ends[0]) > math.dist(places[-1][-1], ends[1]):
            ends = ends[::-1]
        steps = int(lane.span_m / 0.4)
        piece = np.linspace(ends[0], ends[1], steps)
        if dig and count == 3:
            piece = np.insert(piece, steps // 2, np.repeat(piece[steps // 2][None], 60, axis=0), axis=0)
        if count % every == 0:
            labels.append(LaneLabel(number, float(seconds + len(piece) // 2)))
        places.append(piece)
        seconds += len(piece)
    xy = np.concatenate(places)
    slow = np.zeros(2)
    keeps = math.exp(-1 / 400)
    errors = np.empty_like(xy)
    slow = error_m * rng.standard_normal(2)
    for second in range(len(xy)):
        slow = keeps * slow + error_m * math.sqrt(1 - keeps**2) * rng.standard_normal(2)
        errors[second] = slow
    xy = xy + errors
    return TimedWay(np.arange(len(xy), dtype=float), xy[:, 0], xy[:, 1]), labels


@pytest.mark.parametrize("error_m", [0.0, 1.0, 1.5])
def test_every_lane_that_was_walked_is_a_leg(error_m: float) -> None:
    """Thirty lanes walked to and fro are thirty legs, also where the receiver drifts and somebody digs."""
    way, labels = walk(PLAN, list(range(1, 31)), error_m, dig=True)
    legs = legs_along(way, PLAN.lanes, PLAN.bearing_deg, labels)
    assert len(legs) == 30 and [leg.lane for leg in legs if leg.lane is not None] == [0, 10, 20]


def test_walking_across_the_lanes_is_no_leg_along_them() -> None:
    """A walk at a right angle to the lanes has no leg on them."""
    other = plan_lanes(box(0, 0, 45, 40), 1.5, 1.5, bearing_deg=90)
    way, _ = walk(other, list(range(1, 20)))
    assert legs_along(way, PLAN.lanes, PLAN.bearing_deg) == ()


def test_a_lane_left_out_is_found_by_a_good_receiver() -> None:
    """With an error of 10 cm and a number every ten lanes, the block of the lane left out is to be walked again."""
    way, labels = walk(PLAN, [number for number in range(1, 31) if number != 13], 0.1)
    seen = seen_lanes(PLAN.lanes, PLAN.bearing_deg, [(way, labels)])
    assert seen is not None and seen.legs == 29
    states = {(block.first, block.last): block.state for block in seen.blocks}
    assert states[(11, 15)] == "walk again" and all(state == "done" for at, state in states.items() if at != (11, 15))
    assert seen.walked[13] < 0.1 and seen.labels >= {1, 11}


def test_a_walk_without_numbers_says_nothing() -> None:
    """Without a single number nobody can tell which lane was the first, so nothing is told."""
    way, _ = walk(PLAN, list(range(1, 31)))
    assert seen_lanes(PLAN.lanes, PLAN.bearing_deg, [(way, [])]) is None


def test_two_walks_fill_each_other_in() -> None:
    """Half of the lanes on each of two walks: together every block is done."""
    halves = [walk(PLAN, list(range(1, 16)), 0.1), walk(PLAN, list(range(16, 31)), 0.1, seed=2)]
    seen = seen_lanes(PLAN.lanes, PLAN.bearing_deg, halves)
    assert seen is not None and {block.state for block in seen.blocks} == {"done"}
