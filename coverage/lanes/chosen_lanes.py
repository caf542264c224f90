"""Lanes chosen from a plan: the blocks that find most in the time there is, and a direction across earlier lanes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.lanes.lane_plan import Lane, LanePlan, swept_by
from fieldcomb.coverage.lanes.named_plan import Pace
from fieldcomb.tracks.recording import Floats

STRAIGHT_LANE_M = 3.0  # shorter pieces of a walk are turns
STRAIGHTEN_M = 0.5  # a walk is straightened by so much before its directions are taken
ONE_WAY = 0.3  # of the mean of exp(2i heading); below it the lanes of a walk have no common direction


def best_blocks(
    plan: LanePlan, minutes: float, pace: Pace, worth: Sequence[tuple[BaseGeometry, float]] = ()
) -> LanePlan:
    """Keep the blocks of lanes that find most in so many minutes, in the order in which they are walked.

    minutes : with turns and the digging of earlier outings. worth : ground and what one more pass finds on a square
    metre of it, as a share of good targets; without any, all ground is worth the same. The best block is kept even
    where it takes longer alone.

    Numbers begin at 1 again, and lanes are turned so that they are walked to and fro.
    """
    blocks: dict[int, list[Lane]] = {}
    for lane in plan.lanes:
        blocks.setdefault(lane.block, []).append(lane)
    rated = []
    for number, lanes in blocks.items():
        takes = pace.minutes_with_digging(lanes)
        swept = swept_by(lanes, plan.swath_m)
        finds = sum(shapely.area(shapely.intersection(swept, shape)) * gain for shape, gain in worth)
        rated.append((finds / takes if worth else 1.0, number, takes))
    kept, left = set[int](), minutes
    for finds, number, takes in sorted(rated, key=lambda one: (-one[0], one[1])):
        if takes <= left or not kept:
            if worth and finds <= 0:
                break
            kept.add(number)
            left -= takes
    return _numbered(plan, [lane for lane in plan.lanes if lane.block in kept])


def _numbered(plan: LanePlan, lanes: Sequence[Lane]) -> LanePlan:
    """Number lanes anew, and turn round those that would be walked the wrong way."""
    names: dict[int, int] = {}
    out = []
    for number, lane in enumerate(lanes, 1):
        block = names.setdefault(lane.block, len(names) + 1)
        turn = (number - lane.number) % 2
        out.append(replace(_turned_round(lane) if turn else lane, number=number, block=block))
    return replace(plan, lanes=tuple(out))


def _turned_round(lane: Lane) -> Lane:
    span_m = lane.span_m
    pieces = tuple((max(0.0, span_m - to), span_m - start) for start, to in reversed(lane.pieces_m))
    return replace(lane, start_m=lane.end_m, end_m=lane.start_m, pieces_m=pieces)


def walked_bearing(lines: Sequence[Floats]) -> float | None:
    """Return the bearing of the lanes that were walked, 0 to below 180 degrees; None where they have none in common.

    lines : (n, 2) each, in site metres. The mean of doubled angles of straight pieces, weighed by their length
    (Mardia and Jupp 2000, section 1.1, from memory).
    """
    total, whole_m = 0j, 0.0
    for line in lines:
        if len(line) < 2:
            continue
        steps = np.diff(shapely.get_coordinates(shapely.LineString(line).simplify(STRAIGHTEN_M)), axis=0)
        length_m = np.hypot(*steps.T)
        straight = length_m >= STRAIGHT_LANE_M
        turn = 2j * np.arctan2(steps[straight, 0], steps[straight, 1])
        total += complex(np.sum(length_m[straight] * np.exp(turn)))
        whole_m += float(length_m[straight].sum())
    if whole_m == 0 or abs(total) / whole_m < ONE_WAY:
        return None
    return math.degrees(math.atan2(total.imag, total.real)) / 2 % 180
