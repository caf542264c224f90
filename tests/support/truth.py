"""What a walk really covered, worked out by brute force from the true path; shares nothing with the program.

The true path is known every 0.1 s, a few centimetres apart, and is used as it is: no legs, no rasters, no cleaning.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely.geometry import Polygon
from walker import (
    SEARCH,
    STOP,
    Fixes,
    Piece,
    Stop,
    TrueWalk,
    add_stops,
    build,
    detour,
    go,
    lanes,
    record,
    short_lanes,
    spiral,
    uniform,
    wander,
)

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Window = tuple[float, float]


def searching(walk: TrueWalk, dropouts: Sequence[Window] = ()) -> Bools:
    """Which samples touch ground: searching, or standing where the coil was swung just before or after; (n,) bool.

    A sample inside a drop-out (ends not included) touches nothing, because it was not recorded.
    """
    touches = np.asarray(walk.state == SEARCH, bool)
    edges = np.flatnonzero(np.diff(walk.state)) + 1
    for run in np.split(np.arange(walk.t_s.size), edges):
        if walk.state[run[0]] == STOP:
            around = walk.state[max(run[0] - 1, 0)], walk.state[min(run[-1] + 1, walk.t_s.size - 1)]
            touches[run] = SEARCH in around
    for start, end in dropouts:
        touches &= ~((walk.t_s > start) & (walk.t_s < end))
    return touches


def standing_still(walk: TrueWalk) -> tuple[Floats, Floats]:
    """Give the path (x_m, y_m) with every stop reduced to one point into its one true place."""
    x, y = walk.x_m.copy(), walk.y_m.copy()
    for stop in walk.stops:
        here = (walk.t_s >= stop.start_s) & (walk.t_s <= stop.end_s)
        x[here], y[here] = stop.x_m, stop.y_m
    return x, y


def swept_at(walk: TrueWalk, swath_m: float, places: Floats, dropouts: Sequence[Window] = ()) -> Bools:
    """Which places, float (k, 2), lie within half the swath of the searching part of the true path; (k,) bool."""
    x, y = standing_still(walk)
    path = np.column_stack([x, y])[searching(walk, dropouts)]
    if path.size == 0:
        return np.zeros(len(places), bool)
    # A point that is nowhere new adds nothing: standing still would fill the tree with copies.
    moved = np.concatenate([[True], np.any(np.diff(path, axis=0) != 0, axis=1)])
    distance, _ = cKDTree(path[moved]).query(places, distance_upper_bound=swath_m / 2 + 1e-9)
    return np.asarray(np.isfinite(distance), bool)


def points_in(polygon: Polygon, cell_m: float, sub: int = 1) -> Floats:
    """Centres, float (k, 2), of the cells of ``cell_m`` split ``sub`` by ``sub`` whose centre lies in the polygon."""
    step = cell_m / sub
    x0, y0, x1, y1 = polygon.bounds
    xs = np.arange(np.floor(x0 / cell_m) * cell_m + step / 2, x1, step)
    ys = np.arange(np.floor(y0 / cell_m) * cell_m + step / 2, y1, step)
    x, y = (part.ravel() for part in np.meshgrid(xs, ys))
    inside = shapely.contains_xy(polygon, x, y)
    return np.column_stack([x[inside], y[inside]])


def true_swept_pct(
    walks: Sequence[TrueWalk],
    swath_m: float | Sequence[float],
    polygon: Polygon,
    cell_m: float = 0.2,
    sub: int = 4,
    dropouts: Sequence[Sequence[Window]] | None = None,
) -> float:
    """Percent of the polygon that the walks together swept, counted on points ``cell_m / sub`` apart.

    ``swath_m``: one for all walks or one each. ``dropouts``: for each walk its windows (start_s, end_s).
    """
    swaths = [swath_m] * len(walks) if isinstance(swath_m, int | float) else list(swath_m)
    windows = [()] * len(walks) if dropouts is None else list(dropouts)
    places = points_in(polygon, cell_m, sub)
    swept = np.zeros(len(places), bool)
    for walk, swath, gone in zip(walks, swaths, windows, strict=True):
        swept |= swept_at(walk, swath, places, gone)
    return 100.0 * float(swept.mean())


def true_passes(
    walk: TrueWalk, swath_m: float, xs: Floats, ys: Floats, dropouts: Sequence[Window] = ()
) -> NDArray[np.int64]:
    """How many passes each cell centre had, by walking the true path in order; same shape as ``xs`` and ``ys``.

    A touch (centre within half the swath of a searching sample) is a new pass when it is the first, when more than
    max(3 m, 2 swaths) of path were walked since the last touch, or when a drop-out lay between. Standing adds no path;
    walking without the coil adds path and touches nothing. Passes of several walks add up: call it for each.
    """
    xs, ys = np.broadcast_arrays(np.asarray(xs, float), np.asarray(ys, float))
    x, y = standing_still(walk)
    walked_m = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    part = sum(((walk.t_s >= end).astype(int) for _, end in dropouts), np.zeros(walk.t_s.size, int))
    moved = np.concatenate([[True], (np.diff(walked_m) > 0) | (np.diff(part) > 0)])
    steps = np.flatnonzero(searching(walk, dropouts) & moved)
    cell, step = _touches(np.column_stack([x[steps], y[steps]]), np.column_stack([xs.ravel(), ys.ravel()]), swath_m / 2)
    order = np.argsort(cell * steps.size + step)
    cell, step = cell[order], steps[step[order]]
    new = np.ones(cell.size, bool)
    new[1:] = cell[1:] != cell[:-1]
    new[1:] |= np.diff(walked_m[step]) > max(3.0, 2 * swath_m)
    new[1:] |= np.diff(part[step]) != 0
    return np.bincount(cell[new], minlength=xs.size).reshape(xs.shape)


def _touches(path: Floats, cells: Floats, reach_m: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Every pair (cell, step) within reach of each other."""
    tree = cKDTree(cells)
    found: list[tuple[NDArray[np.int64], NDArray[np.int64]]] = []
    for first in range(0, len(path), 5000):
        near = tree.query_ball_point(path[first : first + 5000], reach_m + 1e-9, return_sorted=False)
        counts = np.fromiter(map(len, near), np.int64, len(near))
        cell = np.fromiter((c for row in near for c in row), np.int64, int(counts.sum()))
        found.append((cell, first + np.repeat(np.arange(len(near)), counts)))
    cells_out, steps_out = zip(*found, strict=True) if found else ((np.zeros(0, np.int64),), (np.zeros(0, np.int64),))
    return np.concatenate(cells_out), np.concatenate(steps_out)


def match_missed(estimate_missed: Bools, true_missed: Bools) -> tuple[float, float]:
    """(precision, recall) of cells called missed; nothing called is precision 1, nothing to call is recall 1."""
    right = float(np.sum(estimate_missed & true_missed))
    called, there = float(np.sum(estimate_missed)), float(np.sum(true_missed))
    return (right / called if called else 1.0), (right / there if there else 1.0)


def match_stops(
    found: Iterable[tuple[float, float, float]],
    true_stops: Sequence[Stop],
    within_m: float = 3.0,
    within_s: float = 15.0,
) -> tuple[float, int]:
    """(recall, false ones) of found stops given as (middle of its time, x_m, y_m); each true stop takes one at most.

    A found stop fits when its middle lies inside the true one, or within ``within_s`` of it, and its place within
    ``within_m``. Recall is 1 when there were no true stops.
    """
    free = list(true_stops)
    false = 0
    for t, x, y in found:
        fits = [
            s
            for s in free
            if s.start_s - within_s <= t <= s.end_s + within_s and np.hypot(x - s.x_m, y - s.y_m) <= within_m
        ]
        if fits:
            free.remove(min(fits, key=lambda s: abs((s.start_s + s.end_s) / 2 - t)))
        else:
            false += 1
    taken = len(true_stops) - len(free)
    return (taken / len(true_stops) if true_stops else 1.0), false


@dataclass(frozen=True, slots=True, eq=False)
class Outing:
    """One true walk with its coil (width, length), swath, and what the recorder loses of it."""

    walk: TrueWalk
    coil_m: tuple[float, float]
    swath_m: float
    lost: tuple[Window, ...] = ()
    dropouts: tuple[Window, ...] = ()
    spikes: int = 0

    def record(self, interval_s: float, seed: int) -> Fixes:
        """Record it without position error, first at a random phase."""
        rng = np.random.default_rng([seed, round(10 * interval_s)])
        phase = float(rng.random()) * interval_s
        return record(
            self.walk, interval_s, phase=phase, lost=self.lost, dropout=self.dropouts, spikes=self.spikes, rng=rng
        )

    def unrecorded(self, fixes: Fixes) -> list[Window]:
        """Give the windows that the recording cannot know: each drop-out from the fix before it to the fix after it."""
        good = fixes.t_s[~fixes.is_spike]
        windows = [(-np.inf, float(good[0])), (float(good[-1]), np.inf)]
        for start, end in self.dropouts:
            windows.append((float(good[good < start][-1]), float(good[good > end][0])))
        return windows


@dataclass(frozen=True, slots=True, eq=False)
class Scenario:
    """A site and the outings on it."""

    name: str
    polygon: Polygon
    outings: tuple[Outing, ...]

    def swept_pct(self) -> float:
        """Percent truly swept and not in a drop-out."""
        walks, swaths = [o.walk for o in self.outings], [o.swath_m for o in self.outings]
        return true_swept_pct(walks, swaths, self.polygon, dropouts=[o.dropouts for o in self.outings])


LARGE, MEDIUM, SMALL = (0.33, 0.33), (0.28, 0.28), (0.13, 0.20)


def scenarios(seed: int) -> list[Scenario]:
    """All kinds of walk, drawn anew for each seed; no position error. Record each every 1, 3 and 5 s."""
    kinds: list[Callable[[np.random.Generator], Scenario]] = [
        _north_south, _crosswise, _oblique, _spiral, _wandering, _junk_corner, _losses,
    ]  # fmt: skip
    return [kind(np.random.default_rng([seed, number])) for number, kind in enumerate(kinds)]


def _there_and_back(piece: Piece, rng: np.random.Generator, gate: tuple[float, float]) -> TrueWalk:
    """From the gate to the start of a piece, along it, and back to the gate."""
    x, y = piece.path
    return build([go(gate, (x[0], y[0])), piece, go((x[-1], y[-1]), gate)], rng)


def _north_south(rng: np.random.Generator) -> Scenario:
    """Lanes with a large coil, one forgotten, a walk to the car half-way, digs, pauses and a long break."""
    site = shapely.box(0, 0, 40, 50)
    west = lanes(shapely.box(0, 0, 20, 50), 1.5, 0.0, rng, skip={4 + int(6 * rng.random())})
    east = lanes(shapely.box(20, 0, 40, 50), 1.5, 0.0, rng)
    first = add_stops(Piece(west), rng, digs=6, pauses=3, breaks=1)
    second = add_stops(Piece(east), rng, digs=6, pauses=3)
    gate, car = (-30.0, -12.0), (55.0, 70.0)
    ends = [(float(p[0][i]), float(p[1][i])) for p in (west, east) for i in (0, -1)]
    walk = build([go(gate, ends[0]), first, go(ends[1], car, ends[2]), second, go(ends[3], gate)], rng)
    return Scenario("north-south lanes", site, (Outing(walk, LARGE, 1.6),))


def _crosswise(rng: np.random.Generator) -> Scenario:
    """Two outings at right angles to each other, the second round a tree."""
    site = shapely.box(0, 0, 36, 45)
    down = add_stops(Piece(lanes(site, 1.9, 0.0, rng)), rng, digs=6, pauses=3)
    path = detour(lanes(site, 1.9, 90.0, rng), (20.0, 21.0), 2.5)
    across = add_stops(Piece(path), rng, digs=6, pauses=3)
    walks = [_there_and_back(piece, rng, (-25.0, 60.0)) for piece in (down, across)]
    return Scenario("crosswise lanes", site, (Outing(walks[0], LARGE, 1.6), Outing(walks[1], MEDIUM, 1.5)))


def _oblique(rng: np.random.Generator) -> Scenario:
    site = Polygon([(0, 8), (22, 0), (51, 12), (57, 40), (30, 56), (6, 43)])
    piece = add_stops(Piece(lanes(site, 1.7, 37.0, rng, handle=0.25)), rng, digs=8, pauses=4)
    return Scenario("oblique lanes", site, (Outing(_there_and_back(piece, rng, (70.0, -10.0)), MEDIUM, 1.5),))


def _spiral(rng: np.random.Generator) -> Scenario:
    site = shapely.Point(0, 0).buffer(23.0, 64)
    piece = add_stops(Piece(spiral((0.0, 0.0), (23.0, 23.0), 1.5, rng)), rng, digs=8, pauses=4)
    return Scenario("spiral", site, (Outing(_there_and_back(piece, rng, (-40.0, 5.0)), MEDIUM, 1.5),))


def _wandering(rng: np.random.Generator) -> Scenario:
    site = Polygon([(0, 0), (48, 4), (44, 46), (20, 52), (-4, 30)])
    piece = add_stops(Piece(wander(site, 1300.0, rng, start=(5.0, 5.0))), rng, digs=10, pauses=4)
    return Scenario("free wandering", site, (Outing(_there_and_back(piece, rng, (-20.0, -20.0)), LARGE, 1.6),))


def _junk_corner(rng: np.random.Generator) -> Scenario:
    """Work a corner full of junk in short slow lanes with a small coil; leave the rest of the site alone."""
    site = shapely.box(0, 0, 38, 42)
    path = short_lanes(shapely.box(1, 1, 1 + 4 * uniform(rng, 3.3, 3.8), 19), 3.5, 0.75, rng)
    piece = add_stops(Piece(path, (0.15, 0.2)), rng, digs=14, pauses=4, apart_m=1.5)
    return Scenario("junk corner", site, (Outing(_there_and_back(piece, rng, (50.0, 50.0)), SMALL, 0.9),))


def _losses(rng: np.random.Generator) -> Scenario:
    """Lanes on a bad day: spikes, short and longer silences, and two drop-outs while walking on."""
    site = shapely.box(0, 0, 40, 48)
    piece = add_stops(Piece(lanes(site, 1.6, 0.0, rng)), rng, digs=8, pauses=4)
    walk = _there_and_back(piece, rng, (-30.0, 0.0))
    dropouts = [_window(walk, rng, 100.0, 15.0, ())]
    dropouts.append(_window(walk, rng, 150.0, 15.0, dropouts))
    lost: list[Window] = []  # kept apart: two of them in a row would make one drop-out of more than 30 s
    for low, high, count in ((2.0, 8.0, 12), (10.0, 25.0, 4)):
        for _ in range(count):
            lost.append(_window(walk, rng, uniform(rng, low, high), 0.0, dropouts + lost))
    outing = Outing(walk, MEDIUM, 1.5, tuple(lost), tuple(dropouts), spikes=8)
    return Scenario("lanes with losses", site, (outing,))


def _window(
    walk: TrueWalk, rng: np.random.Generator, seconds: float, moved_m: float, taken: Sequence[Window]
) -> Window:
    """Draw a time window while searching, 60 s off the others, whose ends are at least ``moved_m`` apart."""
    while True:
        start = uniform(rng, float(walk.t_s[0]), float(walk.t_s[-1]) - seconds)
        ends = np.searchsorted(walk.t_s, [start, start + seconds])
        apart = np.hypot(np.diff(walk.x_m[ends]), np.diff(walk.y_m[ends]))[0]
        clear = all(start + seconds < a - 60 or start > b + 60 for a, b in taken)
        if clear and apart >= moved_m and np.all(walk.state[ends] == SEARCH):
            return start, start + seconds
