"""The geometry of a walk round an edge, in metres: once round it, stubs cut off, and the ground in doubt.

A walk comes back next to its beginning, overlaps itself, goes round twice, or leads to a car and back. What belongs to
the edge is found by area: the piece of the walk that encloses most for its length, once round the middle.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon

from fieldcomb.coverage.raster.cells import Indices
from fieldcomb.coverage.raster.polygons import RingPoints, Shape, unite, untie, whole
from fieldcomb.tracks.recording import Floats, runs_of
from fieldcomb.tracks.values import dataclass

MOST_PLACES = 1200  # of the walk that ends are looked for among, before they are looked for again nearby
THIN_M = 2.5  # a piece of walk that encloses less than this for each metre of it is no part of the edge
THIN_SHARE = 0.25  # of the ground's own mean half width, where that is less
EARLY_TURN = 0.3
# A straight line of length g across a corner of angle w changes the ground by g^2 cot(w / 2) / 4 at most: at this cost
# it never pays, down to corners of 14 degrees.
GAP_COST = 2.0
STUB_WIDTH_M = 3.0  # ground narrower than this is a way out and back, unless all of the ground is that narrow
STUB_M = 5.0  # shorter ones are the receiver's wobble, and stay
STRAIGHT = 0.25  # of its length that a stub leads away at least; a second time round stays next to the first
BESIDE_M = 10.0  # an end of the walk as near to the edge as this ran along it
MILLIMETRE_M = 0.001
ACUTE = 20.0  # mitre limit: corners of 6 degrees and more stay sharp


@dataclass(frozen=True, slots=True, eq=False)
class Loop:
    """Once round: first and last index of the path, and the ground inside."""

    first: int
    last: int
    shape: Polygon


@dataclass(frozen=True, slots=True)
class Astray:
    """A piece of the walk away from the edge: where it leaves, how long it is, and whether it is a stub."""

    first: int
    last: int
    length_m: float
    reach_m: float
    stub: bool


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """The least and the most ground that the walk could enclose, and the largest piece between the two."""

    smallest: Shape
    largest: Shape
    doubt_m2: float
    worst: Shape | None


def along_m(path: RingPoints) -> Floats:
    """Way along a path to each of its places."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])


def faces_of(lines: Sequence[LineString]) -> list[Polygon]:
    """Everything that lines enclose, cut where they meet, largest first.

    Places are put on whole millimetres: lines that run on one another would else miss each other by roundings.
    """
    noded = shapely.union_all(list(lines), grid_size=MILLIMETRE_M)
    faces = [face for face in shapely.get_parts(shapely.polygonize([noded])) if face.area > 0]
    return sorted(faces, key=lambda face: -float(face.area))


# ------------------------------------------------------------------------------------------------------- once round


def find_loops(path: RingPoints, allowed_m: float) -> tuple[list[Loop], int]:
    """Find the times round, in order of the walk, all begun near one place; none when the walk never comes back.

    Returns those that are whole, and how often the walk goes round in all.

    path : (n, 2), the walk in metres, no place twice in a row.
    allowed_m : ends of one time round may lie so far apart.

    Raises ValueError for a walk that meets itself too often to be taken apart.
    """
    untie(path, MILLIMETRE_M)  # raises for a scribble
    faces = faces_of([LineString([*path, path[0]])])
    middle = faces[0].representative_point()
    search = _Search.of(path, np.array([middle.x, middle.y]), faces[0], allowed_m)
    pair = search.best()
    if pair is None:
        return [], search.times
    marks = search.rounds(pair[0])
    pairs = [(a, b) for a, b in pairwise(marks) if search.gap_m(a, b) <= allowed_m]
    loops = [_loop(path, *one) for one in (pairs if len(pairs) > 1 else [pair])]
    return loops, max(search.times, len(loops))


def _loop(path: RingPoints, first: int, last: int) -> Loop:
    shape = untie(path[first : last + 1], MILLIMETRE_M).shape
    largest = max(shapely.get_parts(shape), key=lambda part: float(part.area))
    return Loop(first, last, Polygon(largest.exterior))


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """Looks for two places of a path that close it once round the middle.

    turn : turns made round the middle so far. swept : twice the area swept from the middle so far. thin_m : the least
    ground for a metre of walk.
    """

    path: RingPoints
    way_m: Floats
    turn: Floats
    swept: Floats
    thin_m: float
    allowed_m: float

    @classmethod
    def of(cls, path: RingPoints, middle: Floats, face: Polygon, allowed_m: float) -> _Search:
        xy = path - middle
        turn = np.unwrap(np.arctan2(xy[:, 1], xy[:, 0])) / (2 * np.pi)
        swept = np.concatenate([[0.0], np.cumsum(xy[:-1, 0] * xy[1:, 1] - xy[1:, 0] * xy[:-1, 1])])
        thin_m = min(THIN_M, THIN_SHARE * face.area / face.length)
        return cls(xy, along_m(path), turn, swept, thin_m, allowed_m)

    @property
    def times(self) -> int:
        """How often the walk goes round; a turn that lacks a tenth counts."""
        return int(abs(self.turn[-1] - self.turn[0]) + 0.1)

    def best(self) -> tuple[int, int] | None:
        """The pair that encloses most, less what its length and its gap cost; looked for coarsely, then nearby."""
        step_m = self.way_m[-1] / MOST_PLACES
        coarse = np.unique(np.searchsorted(self.way_m, np.linspace(0, self.way_m[-1], MOST_PLACES)))
        # Of several times round the first ones are wanted whole, so the place to count them from lies near the start.
        early = np.flatnonzero(np.abs(self.turn - self.turn[0]) >= EARLY_TURN)
        begin = coarse[coarse < early[0]] if self.times >= 2 and early.size else coarse
        tries = ((begin, 0.0), (coarse, 0.0), (coarse, 2 * step_m))
        pair = next((found for first, slack_m in tries if (found := self._among(first, coarse, slack_m))), None)
        if pair is None:
            return None
        near = [np.flatnonzero(np.abs(self.way_m - self.way_m[k]) <= 2 * step_m) for k in pair]
        first, last = (part[:: max(1, part.size // MOST_PLACES)] for part in near)
        return self._among(first, last, 0.0)

    def _among(self, first: Indices, last: Indices, slack_m: float) -> tuple[int, int] | None:
        a, b = first[:, None], last[None, :]
        gap = np.hypot(self.path[a, 0] - self.path[b, 0], self.path[a, 1] - self.path[b, 1])
        closing = self.path[b, 0] * self.path[a, 1] - self.path[a, 0] * self.path[b, 1]
        ground = np.abs(self.swept[b] - self.swept[a] + closing) / 2
        once = np.abs(np.rint(self.turn[b] - self.turn[a])) == 1
        value = ground - self.thin_m * (self.way_m[b] - self.way_m[a]) - 2 * self.thin_m * gap - GAP_COST * gap * gap
        value[~(once & (a < b) & (gap <= self.allowed_m + slack_m))] = -np.inf
        k = int(value.argmax())
        if not np.isfinite(value.flat[k]):
            return None
        return int(first[k // last.size]), int(last[k % last.size])

    def rounds(self, begin: int) -> list[int]:
        """Where the walk comes by the place where it began, once for each time round."""
        turn = self.turn - self.turn[begin]
        away = np.hypot(*(self.path - self.path[begin]).T)
        marks = []
        for number in range(int(np.floor(turn.min())), int(np.ceil(turn.max())) + 1):
            near = np.flatnonzero(np.abs(turn - number) < 0.25)
            if near.size:
                at = int(near[away[near].argmin()])
                if away[at] <= self.allowed_m:
                    marks.append(begin if number == 0 else at)
        return sorted(set(marks))

    def gap_m(self, first: int, last: int) -> float:
        """Distance of two places of the path."""
        return float(np.hypot(*(self.path[first] - self.path[last])))


def middle_loop(loops: Sequence[Loop]) -> Loop:
    """Of several times round the one with the middle area; the smaller of two middle ones."""
    return sorted(loops, key=lambda loop: float(loop.shape.area))[(len(loops) - 1) // 2]


# ------------------------------------------------------------------------------------------------------------ stubs


def without_stubs(shape: Polygon) -> Polygon:
    """Cut off what is as narrow as a way out and back and 5 m long or more, and fill such slits.

    What is narrower than 3 m vanishes when the ground is shrunk by half of that and grown again; corners come back
    sharp.
    """
    half = min(STUB_WIDTH_M / 2, 2 * THIN_SHARE * shape.area / shape.length)
    opened = whole(_grown(_grown(shape, -half), half).intersection(shape))
    if opened.is_empty:
        return shape
    arms = [part for part in shapely.get_parts(whole(shape.difference(opened))) if _is_arm(part, opened)]
    trimmed = _largest(shape.difference(unite(arms))) if arms else shape
    closed = Polygon(_largest(whole(_grown(_grown(trimmed, half), -half))).exterior)
    slits = [p for p in shapely.get_parts(whole(closed.difference(trimmed))) if _reach_m(p, closed.exterior) >= STUB_M]
    return Polygon(_largest(unite([trimmed, *slits])).exterior) if slits else trimmed


def _grown(shape: Shape, by_m: float) -> Shape:
    with np.errstate(all="ignore"):  # GEOS divides by nothing on its way where an outline runs straight on
        return whole(shape.buffer(by_m, quad_segs=16, join_style="mitre", mitre_limit=ACUTE))


def _is_arm(part: Polygon, body: Shape) -> bool:
    """Whether a narrow piece leads nowhere; a neck between two grounds does not."""
    bodies = [one for one in shapely.get_parts(body) if one.distance(part) < 1e-6]
    return len(bodies) == 1 and _reach_m(part, bodies[0]) >= STUB_M


def _reach_m(part: Polygon, other: Shape) -> float:
    return float(shapely.distance(shapely.points(shapely.get_coordinates(part)), other).max())


def _largest(shape: Shape) -> Polygon:
    return max(shapely.get_parts(whole(shape)), key=lambda part: float(part.area))


def astray(path: RingPoints, edge: Polygon) -> list[Astray]:
    """Find the pieces of a walk that lead 5 m or more away from the edge: stubs, or a second time round."""
    away = shapely.distance(edge.exterior, shapely.points(path))
    way = along_m(path)
    out = []
    for first, end in runs_of(away > STUB_WIDTH_M / 2).tolist():
        reach = float(away[first:end].max())
        a, b = max(first - 1, 0), min(end, len(path) - 1)
        length = float(way[b] - way[a])
        if reach >= STUB_M:
            back = 1.0 if first == 0 or end == len(path) else 0.5
            out.append(Astray(a, b, back * length, reach, reach >= STRAIGHT * length))
    return out


# ------------------------------------------------------------------------------------------------------------ doubt


def readings(path: RingPoints, edge: Polygon, closing: Sequence[tuple[int, int]]) -> Readings:
    """Return the least and the most ground that a walk could enclose.

    The walk, the edge made from it, the lines that close it (by the places that they join), and straight lines from its
    ends to the edge where it is near are cut where they meet. All that they enclose is the most; the largest single
    piece is the least.
    """
    lines = [LineString(path), LineString(edge.exterior.coords)]
    lines += [LineString(path[[a, b]]) for a, b in closing if (path[a] != path[b]).any()]
    for end in (path[0], path[-1]):
        near = edge.exterior.interpolate(edge.exterior.project(Point(end)))
        if 0 < near.distance(Point(end)) <= BESIDE_M:
            lines.append(LineString([end, (near.x, near.y)]))
    faces = faces_of(lines)
    largest = unite(Polygon(part.exterior) for part in shapely.get_parts(unite([edge, *faces])))
    smallest = faces[0]
    between = [part for part in shapely.get_parts(whole(largest.difference(smallest))) if part.area > 0]
    worst = max(between, key=lambda part: float(part.area)) if between else None
    return Readings(smallest, largest, float(largest.area - smallest.area), worst)
