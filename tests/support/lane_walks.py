"""Lanes as they are truly walked, by other code than the program's."""

from __future__ import annotations

import math

import numpy as np
import shapely
from shapely.geometry import Polygon

from fieldcomb.coverage.lanes.lane_plan import Lane

FLAG_M = STRAY_M = 0.2
ALIKE_M = 6.0


def walked_strip(lane: Lane, swath_m: float, rng: np.random.Generator) -> Polygon:
    """What one lane swept: between flags that stand off, by a walker who strays from the line."""
    start, end = np.array(lane.start_m), np.array(lane.end_m)
    steps = int(lane.span_m / 0.5) + 2
    share = np.linspace(0, 1, steps)
    keeps = math.exp(-lane.span_m / (steps - 1) / ALIKE_M)
    stray = np.empty(steps)
    stray[0] = STRAY_M * rng.standard_normal()
    for place in range(1, steps):
        stray[place] = keeps * stray[place - 1] + STRAY_M * math.sqrt(1 - keeps**2) * rng.standard_normal()
    flags = FLAG_M * rng.standard_normal(2)
    along = (end - start) / lane.span_m
    off = flags[0] * (1 - share) + flags[1] * share + stray
    way = start + share[:, None] * (end - start) + off[:, None] * np.array([along[1], -along[0]])
    return shapely.LineString(way).buffer(swath_m / 2, cap_style="flat")
