"""Pieces of missed ground that are one forgotten lane, put together again."""

import math
from collections.abc import Sequence

import numpy as np
import shapely

from fieldcomb.coverage.ground.ground_results import Strip

# Chosen for this project: a lane is cut every 15 m, and where a drifting track bends over it.
TOUCHING_M = 0.3
REACH_SWATHS = 2.0  # a gap in a lane that is no more than two swaths long is bridged
SIDEWAYS_M = 0.5
LANE_BEND_DEG = 25.0


def join_strips(strips: Sequence[Strip], swath_m: float) -> list[tuple[Strip, ...]]:
    """Group strips that lie on one line, end to end or touching; open ground stands by itself.

    strips : any number. swath_m : the widest swath used. Groups come in the order of their first strip.
    """
    lanes = [strip for strip in strips if strip.kind != "open"]
    root = list(range(len(lanes)))

    def top(k: int) -> int:
        while root[k] != k:
            root[k] = root[root[k]]
            k = root[k]
        return k

    shapes = np.array([strip.shape for strip in lanes], dtype=object)
    if len(lanes) > 1:
        reach_m = REACH_SWATHS * swath_m
        first, second = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=reach_m)
        for one, other in zip(first.tolist(), second.tolist(), strict=True):
            if one < other and _one_line(lanes[one], lanes[other]):
                low, high = sorted((top(one), top(other)))
                root[high] = low
    groups: dict[int, list[Strip]] = {}
    for k, strip in enumerate(lanes):
        groups.setdefault(top(k), []).append(strip)
    joined = [tuple(group) for group in groups.values()]
    joined += [(strip,) for strip in strips if strip.kind == "open"]
    position = {id(strip): k for k, strip in enumerate(strips)}
    return sorted(joined, key=lambda group: position[id(group[0])])


def _one_line(one: Strip, other: Strip) -> bool:
    if one.bearing_deg is None or other.bearing_deg is None:
        return bool(one.shape.distance(other.shape) <= TOUCHING_M)
    if _angle_deg(one.bearing_deg, other.bearing_deg) > LANE_BEND_DEG:
        return False
    (x0, y0), (x1, y1) = shapely.shortest_line(one.shape, other.shape).coords
    longer = max(one, other, key=lambda strip: strip.length_m)
    along = math.radians(longer.bearing_deg or 0.0)
    sideways_m = abs((x1 - x0) * math.cos(along) - (y1 - y0) * math.sin(along))
    return sideways_m <= SIDEWAYS_M and not _side_by_side(one, other, along)


def _side_by_side(one: Strip, other: Strip, along: float) -> bool:
    """Whether two strips run beside each other for most of the shorter: two lanes, not one."""
    (low, high), (other_low, other_high) = (_reach_along(strip, along) for strip in (one, other))
    shared = min(high, other_high) - max(low, other_low)
    return shared > 0.5 * min(high - low, other_high - other_low)


def _reach_along(strip: Strip, along: float) -> tuple[float, float]:
    xy = shapely.get_coordinates(strip.shape)
    way = xy[:, 0] * math.sin(along) + xy[:, 1] * math.cos(along)
    return float(way.min()), float(way.max())


def _angle_deg(one_deg: float, other_deg: float) -> float:
    """Return the angle between two lines, 0 to 90 degrees."""
    apart = abs(one_deg - other_deg) % 180
    return min(apart, 180 - apart)
