"""Lines that a searching person walks, as points every few centimetres in site metres. No clock in here.

A path is a pair of float arrays (x_m, y_m), x to the east and y to the north. Everything random comes from the numpy
Generator that is passed in, and only from its ``random`` and ``standard_normal``, so that the same seed gives the same
walk for years.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString, Point, Polygon

Floats = NDArray[np.float64]
Path = tuple[Floats, Floats]
Place = tuple[float, float]

STEP_M = 0.05


def uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw one number between ``low`` and ``high``."""
    return low + (high - low) * float(rng.random())


def along_m(path: Path) -> Floats:
    """Distance from the start of the path to each of its points, metres, same length as the path."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(path[0]), np.diff(path[1])))])


def densify(path: Path, step_m: float = STEP_M) -> Path:
    """Points at equal distances of about ``step_m`` along the path; both ends are kept, corners are cut by < step_m."""
    s = along_m(path)
    keep = np.concatenate([[True], np.diff(s) > 0])
    even = np.linspace(0.0, s[-1], max(2, math.ceil(s[-1] / step_m) + 1))
    return np.interp(even, s[keep], path[0][keep]), np.interp(even, s[keep], path[1][keep])


def straight(*places: Place) -> Path:
    """Straight from place to place."""
    x, y = np.asarray(places, float).T
    return densify((x, y))


def join(*paths: Path) -> Path:
    """One path after another, with a straight line over each gap."""
    return densify((np.concatenate([p[0] for p in paths]), np.concatenate([p[1] for p in paths])))


def waves(s_m: Floats, rng: np.random.Generator, wavelength_m: tuple[float, float]) -> Floats:
    """Smooth noise along a path, within -1..1 and about 0.4 rms: the mean of three sines of random length and phase."""
    total = np.zeros_like(s_m)
    for _ in range(3):
        length = uniform(rng, *wavelength_m)
        total += np.sin(2 * np.pi * (s_m / length + float(rng.random())))
    return total / 3


def turn(before: Path, after: Path, handle: float, most_m: float = math.inf) -> Path:
    """From the end of one lane round to the start of the next, tangent to both (a cubic Bezier curve).

    ``handle`` is the length of its handles as a share of the distance between the lanes: 2/3 is very nearly a
    half-circle, 0.2 a turn nearly on the spot with a step sideways. No handle is longer than ``most_m``.
    """
    start, end = np.array([before[0][-1], before[1][-1]]), np.array([after[0][0], after[1][0]])
    reach = min(handle * float(np.hypot(*(end - start))), most_m)
    leave, arrive = _heading(before, -1), _heading(after, 0)
    u = np.linspace(0.0, 1.0, 60)[:, None]
    a, b = start + reach * leave, end - reach * arrive
    curve = (1 - u) ** 3 * start + 3 * (1 - u) ** 2 * u * a + 3 * (1 - u) * u**2 * b + u**3 * end
    return curve[:, 0], curve[:, 1]


def _heading(path: Path, at: int) -> Floats:
    first, last = (0, min(5, path[0].size - 1)) if at == 0 else (max(-6, -path[0].size), -1)
    step = np.array([path[0][last] - path[0][first], path[1][last] - path[1][first]])
    return np.asarray(step / np.hypot(*step), float)


def lanes(
    area: Polygon,
    spacing_m: float,
    bearing_deg: float,
    rng: np.random.Generator,
    *,
    offset_m: float | None = None,
    skip: Collection[int] = (),
    wobble_m: float = 0.25,
    inset_m: float = 0.7,
    handle: float = 2 / 3,
) -> Path:
    """Parallel lanes over an area, there and back, with rounded turns at the lane ends.

    The first lane is at the left edge, walked towards ``bearing_deg`` (from north, clockwise); the next lies
    ``spacing_m`` to its right, and so on. ``offset_m``: from the left edge to the first lane (default half a spacing).
    ``skip``: numbers of lanes, from 0, that the walker forgets. ``wobble_m``: the most that a lane swerves to
    either side, with waves 10-40 m long. ``inset_m``: how far before the edge a lane ends.
    """
    bearing = math.radians(bearing_deg)
    forward, right = np.array([math.sin(bearing), math.cos(bearing)]), np.array([math.cos(bearing), -math.sin(bearing)])
    turned = shapely.transform(area, lambda p: np.column_stack([p @ right, p @ forward]))
    left, low, far, high = turned.bounds
    offset = spacing_m / 2 if offset_m is None else offset_m
    walked: list[Path] = []
    for number in range(max(1, math.ceil((far - left - offset) / spacing_m))):
        across = left + offset + number * spacing_m
        cut = turned.intersection(LineString([(across, low - 1), (across, high + 1)]))
        if number in skip or cut.is_empty or cut.bounds[3] - cut.bounds[1] < 2 * inset_m + 1:
            continue
        v = np.arange(cut.bounds[1] + inset_m, cut.bounds[3] - inset_m, STEP_M)
        u = across + wobble_m * waves(v, rng, (10.0, 40.0))
        lane = u * right[0] + v * forward[0], u * right[1] + v * forward[1]
        lane = lane if len(walked) % 2 == 0 else (lane[0][::-1], lane[1][::-1])
        walked.append(lane)
    return join(*_with_turns(walked, handle, 1.4 * spacing_m))


def _with_turns(walked: list[Path], handle: float, most_m: float) -> list[Path]:
    pieces = walked[:1]
    for before, after in itertools.pairwise(walked):
        pieces += [turn(before, after, handle, most_m), after]
    return pieces


def short_lanes(corner: Polygon, lane_m: float, spacing_m: float, rng: np.random.Generator) -> Path:
    """Work a rectangle in strips ``lane_m`` wide, by short lanes from west to east and back, over and over."""
    x0, y0, x1, y1 = corner.bounds
    strips: list[Path] = []
    for number in range(max(1, round((x1 - x0) / lane_m))):
        left = x0 + number * lane_m
        strip = shapely.box(left, y0, min(left + lane_m, x1), y1)
        path = lanes(strip, spacing_m, 90.0, rng, wobble_m=0.08, inset_m=0.25)
        # Odd strips are worked from the other end, so that the walker goes on where the last strip ended.
        strips.append(path if number % 2 == 0 else (path[0][::-1], path[1][::-1]))
    return join(*strips)


def spiral(centre: Place, outer_m: tuple[float, float], spacing_m: float, rng: np.random.Generator) -> Path:
    """Go clockwise round an ellipse of half-axes ``outer_m`` (east, north), from outside to near the centre.

    The turns lie ``spacing_m`` apart on the shorter axis and in proportion on the longer one.
    """
    small = min(outer_m)
    turns = (small - spacing_m / 2) / spacing_m
    angle = np.linspace(0.0, 2 * np.pi * turns, math.ceil(2 * np.pi * turns * max(outer_m) / STEP_M))
    radius = (small - spacing_m * angle / (2 * np.pi)) / small
    walked_m = along_m((outer_m[0] * radius * np.sin(angle), outer_m[1] * radius * np.cos(angle)))
    radius = radius + 0.2 * waves(walked_m, rng, (10.0, 40.0)) / small
    return densify((centre[0] + outer_m[0] * radius * np.sin(angle), centre[1] + outer_m[1] * radius * np.cos(angle)))


def wander(area: Polygon, length_m: float, rng: np.random.Generator, *, start: Place) -> Path:
    """No plan: on towards one place in the area after another, in curves of 0.8 m radius or wider.

    Of two random places the walker takes the one farther from all ground walked before.
    """
    inside = area.buffer(-1.0)
    x, y = [start[0]], [start[1]]
    heading, target = 0.0, _fresh_place(inside, x, y, rng)
    for _ in range(math.ceil(length_m / STEP_M)):
        east, north = target[0] - x[-1], target[1] - y[-1]
        # Nearer than this, a target can lie inside the tightest turn and be circled for ever.
        if math.hypot(east, north) < 1.8 or rng.random() < STEP_M / 40.0:
            target = _fresh_place(inside, x, y, rng)
        wanted = (math.atan2(east, north) - heading + math.pi) % (2 * math.pi) - math.pi
        most = STEP_M / 0.8
        heading += max(-most, min(most, 0.06 * wanted + 0.02 * float(rng.standard_normal())))
        x.append(x[-1] + STEP_M * math.sin(heading))
        y.append(y[-1] + STEP_M * math.cos(heading))
    return np.array(x), np.array(y)


def _fresh_place(area: Polygon, x: list[float], y: list[float], rng: np.random.Generator) -> Place:
    walked = np.array(x[::20]), np.array(y[::20])
    places = [_random_place(area, rng) for _ in range(2)]
    return max(places, key=lambda p: float(np.min((walked[0] - p[0]) ** 2 + (walked[1] - p[1]) ** 2)))


def _random_place(area: Polygon, rng: np.random.Generator) -> Place:
    x0, y0, x1, y1 = area.bounds
    while True:
        place = uniform(rng, x0, x1), uniform(rng, y0, y1)
        if area.contains(Point(place)):
            return place


def detour(path: Path, centre: Place, radius_m: float) -> Path:
    """Lead the path round an obstacle: each part inside the circle becomes the shorter arc along it.

    A path that starts or ends inside the circle loses that end.
    """
    angle = np.arctan2(path[1] - centre[1], path[0] - centre[0])
    inside = np.hypot(path[0] - centre[0], path[1] - centre[1]) < radius_m
    edges = np.flatnonzero(np.diff(inside.astype(int))) + 1
    runs = np.split(np.arange(path[0].size), edges)
    pieces: list[Path] = []
    for number, run in enumerate(runs):
        if not inside[run[0]]:
            pieces.append((path[0][run], path[1][run]))
        elif 0 < number < len(runs) - 1:
            swing = (angle[run[-1]] - angle[run[0]] + np.pi) % (2 * np.pi) - np.pi
            way = angle[run[0]] + swing * np.linspace(0.0, 1.0, 40)
            pieces.append((centre[0] + radius_m * np.cos(way), centre[1] + radius_m * np.sin(way)))
    return join(*pieces)
