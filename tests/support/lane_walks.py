"""Lanes as they are truly walked, and recorded, by other code than the program's."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from drift_walks import RECEIVERS, hold_still
from numpy.typing import NDArray
from shapely.geometry import Polygon
from walker import Fixes, Piece, add_stops, build, go, record, uniform

from fieldcomb.coverage.lanes.lane_plan import Lane

FLAG_M = STRAY_M = 0.2
ALIKE_M = 6.0
ROOM_M = 12.0  # for each dig of a lane


def walked_way(lane: Lane, rng: np.random.Generator) -> NDArray[np.float64]:
    """Where one lane was walked, (n, 2): between flags that stand off, by a walker who strays from the line."""
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
    return np.asarray(start + share[:, None] * (end - start) + off[:, None] * np.array([along[1], -along[0]]))


def strip_of(way: NDArray[np.float64], swath_m: float) -> Polygon:
    """What one lane swept."""
    return shapely.LineString(way).buffer(swath_m / 2, cap_style="flat")


def walked_strip(lane: Lane, swath_m: float, rng: np.random.Generator) -> Polygon:
    """What one lane swept, by a way of its own."""
    return strip_of(walked_way(lane, rng), swath_m)


def recorded_lanes(ways: Sequence[NDArray[np.float64]], gps: str, rng: np.random.Generator) -> Fixes:
    """Fixes of a walk along lanes, one after another, with digs; with the errors of a class of receiver."""
    left, low = np.min([way.min(axis=0) for way in ways], axis=0)
    gate = (float(left) - 12.0, float(low) - 8.0)
    pace = uniform(rng, 0.25, 0.4)
    pieces, at = [], gate
    for way in ways:
        path = (way[:, 0], way[:, 1])
        pieces.append(go(at, (float(way[0, 0]), float(way[0, 1]))))
        length_m = float(shapely.LineString(way).length)
        digs = min(rng.poisson(length_m / 100), int(length_m / ROOM_M))
        pieces.append(add_stops(Piece(path, (0.85 * pace, 1.15 * pace)), rng, digs=int(digs), pauses=0))
        at = float(way[-1, 0]), float(way[-1, 1])
    walk = build([*pieces, go(at, gate)], rng, sway_m=0.0)
    noise = replace(RECEIVERS[gps], slow_tau_s=math.exp(uniform(rng, math.log(40.0), math.log(1800.0))))
    fixes = record(walk, 1.0, phase=float(rng.random()), lost=0.01, spikes=3, noise=noise, rng=rng)
    return hold_still(fixes, walk) if rng.random() < 0.5 else fixes
