"""Walks recorded by a receiver that is metres off, with the share of the ground that they truly swept.

Each walk is drawn from a seed: the field, how even the lanes are, the stops, the swing, how fast the receiver's error
changes. Shares nothing with the program but the frame in which metres are counted.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString, Polygon
from truth import points_in, swept_at, true_swept_pct
from walk_paths import STEP_M, Floats, Path, join, turn
from walker import (
    GOOD,
    POOR,
    TYPICAL,
    Fixes,
    Noise,
    Piece,
    TrueWalk,
    add_stops,
    build,
    go,
    record,
    spiral,
    uniform,
    wander,
)

KINDS = ("lanes", "straight", "ragged", "crosswise", "wandering", "spiral", "two fields")
EXACT = Noise(0.019, 0.006, 0.002)
RECEIVERS = {"good": GOOD, "typical": TYPICAL, "poor": POOR, "2cm": EXACT, "50cm": EXACT.scaled(25.0)}


Errors = Callable[[int, np.random.Generator], Floats]  # seconds of a walk to metres off, east and north, (n, 2)


@dataclass(frozen=True, slots=True)
class Evenness:
    """How even lanes are: metres rms of each lane's place, how far a lane's slip stays, and of swerving in a lane."""

    lane_m: float
    stays: float
    swerve_m: float
    swerve_length_m: float


@dataclass(frozen=True, slots=True, eq=False)
class DriftWalk:
    """One walk over a field, what the receiver wrote down of it, and the percentage that it truly swept."""

    kind: str
    gps: str
    field: Polygon
    walk: TrueWalk
    swath_m: float
    fixes: Fixes
    true_pct: float


def draw(
    kind: str,
    seed: int,
    gps: str = "typical",
    *,
    hectares: tuple[float, float] = (0.1, 1.0),
    over: Polygon | None = None,
) -> DriftWalk:
    """Draw one outing of a kind in ``KINDS`` with a receiver in ``RECEIVERS``; the same numbers, the same outing.

    ``over``: the field, where it is not to be drawn as well.
    """
    rng = np.random.default_rng([seed, KINDS.index(kind), 77])
    area = field(rng, hectares) if over is None else over
    swath_m = uniform(rng, 1.25, 1.75)
    return walked(kind, gps, area, _paths(kind, area, swath_m, rng), swath_m, rng)


def walked(
    kind: str,
    gps: str,
    area: Polygon,
    paths: list[Path],
    swath_m: float,
    rng: np.random.Generator,
    errors: Errors | None = None,
) -> DriftWalk:
    """Walk paths over a field, and record that with a receiver of a class, or with the ``errors`` of a real one."""
    walk = _walk(paths, area, rng)
    noise = replace(RECEIVERS[gps], slow_tau_s=math.exp(uniform(rng, math.log(40.0), math.log(1800.0))))
    fixes = _record(walk, noise, rng) if errors is None else _record_real(walk, errors, rng)
    cell_m = 0.1 if area.area < 3000 else 0.2
    return DriftWalk(kind, gps, area, walk, swath_m, fixes, true_swept_pct([walk], swath_m, area, cell_m, 1))


def field(rng: np.random.Generator, hectares: tuple[float, float]) -> Polygon:
    """A four-cornered field, turned any way, with its middle at the origin; small ones are commoner."""
    size_m2 = 1e4 * math.exp(uniform(rng, math.log(hectares[0]), math.log(hectares[1])))
    long = uniform(rng, 1.0, 2.0)
    corners = np.array([(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)]) * [long, 1.0]
    corners *= 1 + 0.25 * (rng.random((4, 2)) - 0.5)
    shape = Polygon(corners)
    shape = shapely.affinity.scale(shape, *[math.sqrt(size_m2 / shape.area)] * 2, origin=(0, 0))
    return shapely.affinity.rotate(shape, uniform(rng, 0, 180), origin=(0, 0))


def evenness(kind: str, rng: np.random.Generator) -> Evenness:
    """How even the lanes of this kind are; a person with flags walks straight ones, most do not."""
    low, high = {"straight": (0.03, 0.09), "ragged": (0.35, 0.6)}.get(kind, (0.12, 0.32))
    sizes = uniform(rng, low, high), uniform(rng, low, high)
    return Evenness(sizes[0], float(rng.random()) * 0.8, 0.8 * sizes[1], uniform(rng, 3.0, 9.0))


def uneven_lanes(
    area: Polygon,
    spacing_m: float,
    bearing_deg: float,
    even: Evenness,
    rng: np.random.Generator,
    left_out: Mapping[int, float] = MappingProxyType({}),
) -> Path:
    """Lanes there and back that slip and swerve as people's do, with rounded turns inside the field.

    ``left_out``: metres that lie between a lane (by its number, from 0) and the one before it on top of the spacing.
    """
    bearing = math.radians(bearing_deg)
    forward, right = np.array([math.sin(bearing), math.cos(bearing)]), np.array([math.cos(bearing), -math.sin(bearing)])
    turned = shapely.transform(area, lambda p: np.column_stack([p @ right, p @ forward]))
    left, low, far, high = turned.bounds
    lines: list[Path] = []
    slip = even.lane_m * float(rng.standard_normal())
    for number in range(math.ceil((far - left) / spacing_m)):
        slip = even.stays * slip + even.lane_m * math.sqrt(1 - even.stays**2) * float(rng.standard_normal())
        across = left + (number + 0.5) * spacing_m + slip + sum(m for n, m in left_out.items() if n <= number)
        cut = turned.intersection(LineString([(across, low - 1), (across, high + 1)]))
        inset = uniform(rng, 0.3, 1.0)
        if cut.is_empty or cut.bounds[3] - cut.bounds[1] < 2 * inset + 2:
            continue
        v = np.arange(cut.bounds[1] + inset, cut.bounds[3] - inset, STEP_M)
        u = across + even.swerve_m * _swerve(v.size, even.swerve_length_m, rng)
        line = u * right[0] + v * forward[0], u * right[1] + v * forward[1]
        lines.append(line if len(lines) % 2 == 0 else (line[0][::-1], line[1][::-1]))
    handle = uniform(rng, 0.25, 0.67)
    pieces = lines[:1]
    for before, after in itertools.pairwise(lines):
        pieces += [turn(before, after, handle, 1.4 * spacing_m), after]
    return join(*pieces)


def _swerve(n: int, length_m: float, rng: np.random.Generator) -> Floats:
    """Smooth noise of unit size along a lane whose correlation falls over ``length_m``."""
    from scipy.ndimage import gaussian_filter1d

    width = length_m / STEP_M / 2
    raw = gaussian_filter1d(rng.standard_normal(n + int(8 * width)), width)[int(4 * width) :][:n]
    return np.asarray(raw * math.sqrt(2 * math.sqrt(math.pi) * width))


def _paths(kind: str, area: Polygon, swath_m: float, rng: np.random.Generator) -> list[Path]:
    """Searching paths, one after another."""
    even = evenness(kind, rng)
    spacing = 1.5 * math.exp(0.12 * float(rng.standard_normal()))
    bearing = long_way(area) + uniform(rng, -12, 12)
    if kind == "crosswise":
        wide = spacing * uniform(rng, 1.0, 1.6)
        return [uneven_lanes(area, wide, bearing + more, even, rng) for more in (0.0, 90.0)]
    if kind == "wandering":
        start = area.representative_point()
        length_m = area.area / swath_m * uniform(rng, 0.5, 1.5)
        return [wander(area, length_m, rng, start=(start.x, start.y))]
    if kind == "spiral":
        return [_spiral(area, spacing, rng)]
    if kind == "two fields":
        parts = _halves(area, bearing)
        turns = (0.0, uniform(rng, 30, 90))
        return [uneven_lanes(p, spacing, bearing + t, even, rng) for p, t in zip(parts, turns, strict=True)]
    done = _worked(area, bearing, rng)
    return [uneven_lanes(done, spacing, bearing, even, rng)]


def _spiral(area: Polygon, spacing: float, rng: np.random.Generator) -> Path:
    """A spiral over an ellipse that fits the field."""
    width, height = 0.46 * math.sqrt(area.area), 0.46 * math.sqrt(area.area)
    inner = max(1.0, uniform(rng, 0.9, 1.2))
    x, y = spiral((0.0, 0.0), (width * inner, height / inner), spacing, rng)
    return x, y


def long_way(area: Polygon) -> float:
    """Bearing of the longer side."""
    x, y = area.minimum_rotated_rectangle.exterior.xy
    k = int(np.hypot(np.diff(x), np.diff(y)).argmax())
    return math.degrees(math.atan2(x[k + 1] - x[k], y[k + 1] - y[k]))


def cut_across(area: Polygon, bearing_deg: float, low: float, high: float) -> Polygon:
    """The part of a field between two shares of its width, across the bearing."""
    bearing = math.radians(bearing_deg)
    right, forward = np.array([math.cos(bearing), -math.sin(bearing)]), np.array([math.sin(bearing), math.cos(bearing)])
    across = shapely.get_coordinates(area) @ right
    a, b = (across.min() + share * np.ptp(across) for share in (low, high))
    corners = [u * right + v * forward for u, v in ((a, -500), (b, -500), (b, 500), (a, 500))]
    return area.intersection(Polygon(corners))


def _halves(area: Polygon, bearing_deg: float) -> list[Polygon]:
    return [cut_across(area, bearing_deg, 0.0, 0.48), cut_across(area, bearing_deg, 0.52, 1.0)]


def _worked(area: Polygon, bearing_deg: float, rng: np.random.Generator) -> Polygon:
    """Most outings work a whole field, a third only part of it."""
    return cut_across(area, bearing_deg, 0.0, uniform(rng, 0.6, 1.0)) if rng.random() < 0.33 else area


def _walk(paths: list[Path], area: Polygon, rng: np.random.Generator) -> TrueWalk:
    pace = uniform(rng, 0.22, 0.38)
    left, low, _, _ = area.bounds
    gate = (left - 12.0, low - 8.0)
    pieces, at = [], gate
    for path in paths:
        digs = int(shapely.LineString(np.column_stack(path)).length / uniform(rng, 60, 200))
        pieces.append(go(at, (float(path[0][0]), float(path[1][0]))))
        pieces.append(add_stops(Piece(path, (0.85 * pace, 1.15 * pace)), rng, digs=min(digs, 25), pauses=3))
        at = float(path[0][-1]), float(path[1][-1])
    return build([*pieces, go(at, gate)], rng, sway_m=0.3)


def _record(walk: TrueWalk, noise: Noise, rng: np.random.Generator) -> Fixes:
    """Record once a second, with lost fixes and spikes; half of the receivers hold still while the walker digs."""
    fixes = record(walk, 1.0, phase=float(rng.random()), lost=0.01, spikes=3, noise=noise, rng=rng)
    return hold_still(fixes, walk) if rng.random() < 0.5 else fixes


def _record_real(walk: TrueWalk, errors: Errors, rng: np.random.Generator) -> Fixes:
    """Record once a second with the errors of a real receiver on top of the true places."""
    fixes = record(walk, 1.0, phase=float(rng.random()), lost=0.01, rng=rng)
    second = np.round(fixes.t_s - fixes.t_s[0]).astype(np.int64)
    off = errors(int(second[-1]) + 1, rng)[second]
    return replace(fixes, x_m=fixes.x_m + off[:, 0], y_m=fixes.y_m + off[:, 1])


def hold_still(fixes: Fixes, walk: TrueWalk, catch_up_s: float = 10.0) -> Fixes:
    """Let the position stand at each stop and catch up behind it, as many receivers do on purpose."""
    x, y = fixes.x_m.copy(), fixes.y_m.copy()
    for stop in walk.stops:
        inside = np.flatnonzero((fixes.t_s >= stop.start_s + 3) & (fixes.t_s <= stop.end_s))
        if inside.size < 2:
            continue
        after = np.flatnonzero((fixes.t_s > stop.end_s) & (fixes.t_s < stop.end_s + 6 * catch_up_s))
        fade = np.exp(-(fixes.t_s[after] - stop.end_s) / catch_up_s)
        for v in (x, y):
            behind = v[inside[0]] - v[inside[-1]]
            v[inside] = v[inside[0]]
            v[after] += behind * fade
    return replace(fixes, x_m=x, y_m=y)


def together_pct(walks: list[DriftWalk], cell_m: float = 0.2) -> float:
    """Percent of the first walk's field that all of the walks together truly swept."""
    places = points_in(walks[0].field, cell_m)
    swept: NDArray[np.bool_] = np.zeros(len(places), bool)
    for one in walks:
        swept |= swept_at(one.walk, one.swath_m, places)
    return 100 * float(swept.mean())
