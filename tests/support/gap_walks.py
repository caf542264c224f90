"""Walks in lanes with ground left out between them, and whether strips told as missed are really there.

A strip is right at its place when at least half of the ground there was truly unswept. It is right between the same
two passes when that holds of the ground that it stands for: each of its points lies between two passes of the
recording, and is put between the places where the walker truly was at those two moments, moved by as much as they are
(the mean of both, weighted by nearness). Towards the edge of the field, where no pass follows, the edge stands still.

A gap is found when told strips (certain or likely) take in at least half of its middle line, which runs halfway between
the two passes on either side of it: at its true place, or where it lies between the same two passes of the recording.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from drift_walks import DriftWalk, evenness, field, long_way, uneven_lanes, walked
from numpy.typing import NDArray
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry
from truth import searching, swept_at
from walk_paths import uniform
from walker import TRANSIT

Floats = NDArray[np.float64]

HECTARES = (0.25, 0.6)
END_M = 3.0  # of the ends of a gap, where the walker turns, nothing is asked
STEP_M = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class GapWalk:
    """A walk, the middle lines of the ground left out between its lanes, (n, 2) metre by metre, and their bearing."""

    walk: DriftWalk
    gaps: tuple[Floats, ...]
    bearing_deg: float


def draw_gaps(seed: int, gps: str, gap_m: float) -> GapWalk:
    """Draw lanes over a field between which two gaps, ``gap_m`` wide on average from swath to swath, are left out."""
    rng = np.random.default_rng([seed, 1000, 77])
    area = field(rng, HECTARES)
    swath_m, even = uniform(rng, 1.25, 1.75), evenness("lanes", rng)
    spacing = 1.5 * math.exp(0.12 * float(rng.standard_normal()))
    bearing_deg = long_way(area) + uniform(rng, -12, 12)
    more = gap_m + swath_m - spacing
    forward, right = axes(bearing_deg)
    corners = shapely.get_coordinates(area) @ right
    numbers = [int((np.ptp(corners) - 2 * more) * uniform(rng, *part) / spacing) for part in ((0.22, 0.4), (0.6, 0.78))]
    path = uneven_lanes(area, spacing, bearing_deg, even, rng, dict.fromkeys(numbers, more))
    of = GapWalk(walked("lanes", gps, area, [path], swath_m, rng), (), bearing_deg)
    middles = []
    for k, number in enumerate(numbers):
        across = corners.min() + number * spacing + (k + 0.5) * more
        inner = area.intersection(LineString([across * right + end * forward for end in (-500, 500)]))
        steps = np.arange(END_M, inner.length - END_M, 1.0)
        points = np.array([inner.interpolate(step).coords[0] for step in steps])
        _, away_m = passes(points, bearing_deg, true(of))
        between = np.isfinite(away_m).all(axis=0)  # where the field narrows, no lane may follow
        middles.append((points + (away_m[1] - away_m[0])[:, None] / 2 * right)[between])
    return replace(of, gaps=tuple(middles))


def axes(bearing_deg: float) -> tuple[Floats, Floats]:
    """Unit vectors along a bearing and to its right."""
    bearing = math.radians(bearing_deg)
    return np.array([math.sin(bearing), math.cos(bearing)]), np.array([math.cos(bearing), -math.sin(bearing)])


def samples(shape: BaseGeometry) -> Floats:
    """Points of a grid in a shape, (n, 2); its middle where none fits."""
    x0, y0, x1, y1 = shape.bounds
    step_m = min(STEP_M, math.sqrt(shape.area) / 8)
    xs, ys = (np.arange(low, high, step_m) + step_m / 2 for low, high in ((x0, x1), (y0, y1)))
    x, y = (v.ravel() for v in np.meshgrid(xs, ys))
    inside = shapely.contains_xy(shape, x, y)
    if inside.any():
        return np.column_stack([x[inside], y[inside]])
    return shapely.get_coordinates(shape.representative_point())


def unswept_in_place(of: GapWalk, shapes: Sequence[BaseGeometry]) -> Floats:
    """Share of the ground at each shape's place that was truly unswept, (n,)."""
    return _unswept(of, [samples(shape) for shape in shapes])


def unswept_between(of: GapWalk, strips: Sequence[tuple[BaseGeometry, float | None]]) -> Floats:
    """Share that was truly unswept of the ground that each shape stands for, between the same two passes, (n,).

    Each shape comes with its bearing; those without one are taken to lie along the lanes.
    """
    here, there = recorded(of), true(of)
    bearings = [of.bearing_deg if bearing is None else bearing for _, bearing in strips]
    places = [samples(shape) for shape, _ in strips]
    return _unswept(of, [moved(p, b, here, there, of.walk.field)[0] for p, b in zip(places, bearings, strict=True)])


def _unswept(of: GapWalk, places: Sequence[Floats]) -> Floats:
    if not places:
        return np.zeros(0)
    swept = swept_at(of.walk.walk, of.walk.swath_m, np.concatenate(places))
    parts = np.split(swept, np.cumsum([len(p) for p in places])[:-1])
    return np.array([1 - part.mean() for part in parts])


def found(of: GapWalk, told: Sequence[BaseGeometry]) -> list[tuple[float, float]]:
    """Of each gap, the share of its middle line that told strips take in: at its place, and between the same passes."""
    whole = shapely.union_all(list(told))
    shares = []
    for middle in of.gaps:
        there, known = moved(middle, of.bearing_deg, true(of), recorded(of), of.walk.field)
        in_place, between = (shapely.contains_xy(whole, *points.T) for points in (middle, there[known]))
        shares.append((float(in_place.mean()), float(between.mean()) if known.any() else 0.0))
    return shares


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """Where the coil was carried, at times: arrays (n,). Both lines of one walk tell each other's places by time."""

    t_s: Floats
    x_m: Floats
    y_m: Floats
    on: NDArray[np.bool_]

    def at(self, t_s: Floats) -> Floats:
        """Places (n, 2) at times."""
        return np.column_stack([np.interp(t_s, self.t_s, self.x_m), np.interp(t_s, self.t_s, self.y_m)])


def recorded(of: GapWalk) -> Line:
    """Give the line that the receiver wrote down, without its spikes."""
    fixes, walk = of.walk.fixes, of.walk.walk
    good = ~fixes.is_spike
    t = fixes.t_s[good]
    on = walk.state[np.minimum(np.searchsorted(walk.t_s, t), walk.t_s.size - 1)] != TRANSIT
    return Line(t, fixes.x_m[good], fixes.y_m[good], on)


def true(of: GapWalk) -> Line:
    """Give the line that was truly walked, once a second."""
    walk = of.walk.walk
    return Line(walk.t_s[::10], walk.x_m[::10], walk.y_m[::10], searching(walk)[::10])


def passes(points: Floats, bearing_deg: float, line: Line) -> tuple[Floats, Floats]:
    """When the line came by to the left and to the right of points (n, 2), and how far off: (2, n) each.

    Looked for at right angles to the bearing; where no pass is, the distance is NaN.
    """
    forward, right = axes(bearing_deg)
    path = np.column_stack([line.x_m, line.y_m])
    u, v = path @ right, path @ forward
    both = line.on[1:] & line.on[:-1] & (np.diff(line.t_s) < 30)
    across_m, along_m = points @ right, points @ forward
    t_s, away_m = np.zeros((2, len(points))), np.full((2, len(points)), np.nan)
    for k, level in enumerate(along_m):
        cross = np.flatnonzero(both & ((v[1:] > level) != (v[:-1] > level)))
        part = (level - v[cross]) / (v[cross + 1] - v[cross])
        off = u[cross] + part * (u[cross + 1] - u[cross]) - across_m[k]
        for side, mine in enumerate((off < 0, off >= 0)):
            if mine.any():
                best = np.flatnonzero(mine)[np.abs(off[mine]).argmin()]
                t_s[side, k] = line.t_s[cross[best]] + part[best] * np.diff(line.t_s[cross[best] : cross[best] + 2])[0]
                away_m[side, k] = abs(off[best])
    return t_s, away_m


def moved(
    points: Floats, bearing_deg: float, here: Line, there: Line, area: Polygon
) -> tuple[Floats, NDArray[np.bool_]]:
    """Move points from one line to the other with the passes to both sides; and which had a pass to either side."""
    t_s, away_m = passes(points, bearing_deg, here)
    known = np.isfinite(away_m)
    shift = np.where(known[..., None], [there.at(t) - here.at(t) for t in t_s], 0.0)
    beyond = shapely.distance(area.exterior, shapely.points(points))
    near = 1 / np.maximum(np.where(known, away_m, beyond), 0.05)[..., None]
    return points + (near * shift).sum(axis=0) / near.sum(axis=0), known.all(axis=0)
