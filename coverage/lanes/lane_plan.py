"""Numbered straight lanes over the ground that is to be searched: as few, and so as few turns, as can be."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

SHORTEST_M = 3.0  # a shorter lane is not worth setting out
WIDEST_GAP_M = 10.0  # a lane goes on behind a tree so wide; no-go ground with its stand-off is always wider
BLOCK_LANES = 5  # lanes: how finely a watch and labels can tell what was walked
MOST_LANES = 1000
MOST_BEARINGS = 6  # tried, those across which the ground is narrowest
SAME_LINE_M = 1e-6  # parts of a lane so near are one
SPACING_LIMITS_M = (0.3, 20.0)

LanePlace = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Lane:
    """One lane, a straight line.

    number : 1, 2, 3 ... from one side. block : lanes of one block lie beside each other. start_m, end_m : (x, y) in
    site metres, in the direction in which it is walked. pieces_m : the parts of it that can be walked, from and to,
    in metres from its start; more than one where something stands in the way.
    """

    number: int
    block: int
    start_m: LanePlace
    end_m: LanePlace
    pieces_m: tuple[tuple[float, float], ...]

    @property
    def length_m(self) -> float:
        """How much of it can be walked."""
        return sum(to - start for start, to in self.pieces_m)

    @property
    def span_m(self) -> float:
        """From its start to its end, with what stands in the way."""
        return math.dist(self.start_m, self.end_m)

    def at(self, along_m: float) -> LanePlace:
        """Return the place so far along it."""
        share = along_m / self.span_m
        (x0, y0), (x1, y1) = self.start_m, self.end_m
        return x0 + (x1 - x0) * share, y0 + (y1 - y0) * share


@dataclass(frozen=True, slots=True, eq=False)
class LanePlan:
    """Lanes in the order of their numbers, which is the order in which they are walked, to and fro.

    bearing_deg : of the lanes, clockwise from north, 0 to below 180. too_short_m : lengths of the lanes left out as
    shorter than 3 m.
    """

    lanes: tuple[Lane, ...]
    spacing_m: float
    swath_m: float
    bearing_deg: float
    too_short_m: tuple[float, ...] = ()

    @property
    def planned_m(self) -> float:
        """Length of all lanes."""
        return sum(lane.length_m for lane in self.lanes)


def plan_lanes(ground: BaseGeometry, swath_m: float, spacing_m: float, bearing_deg: float | None = None) -> LanePlan:
    """Lay lanes over ground.

    ground : what may and can be searched, in site metres: no-go with its stand-off and blocked ground are taken off.
    swath_m : swing width; the outer lanes lie half of it from the edge, or nearer. bearing_deg : None takes the
    direction with the fewest lanes, and of those with the same number the one with the longer lanes.

    The direction with the fewest lanes is sought along the sides of the convex hull, because the narrowest strip that
    holds a polygon has one of them as its side.

    Raises UsageError: a spacing that nobody walks, no lane of 3 m, or more than 1000 lanes.

    >>> plan = plan_lanes(shapely.box(0, 0, 40, 6), swath_m=1.5, spacing_m=1.5)
    >>> len(plan.lanes), plan.bearing_deg, plan.lanes[0].start_m, plan.lanes[0].end_m
    (4, 90.0, (0.0, 5.25), (40.0, 5.25))
    """
    low, high = SPACING_LIMITS_M
    if not low <= spacing_m <= high:
        raise UsageError(f"a spacing of {spacing_m:.4g} m is not possible", hint=f"Give {low:g} to {high:g} m")
    bearings = _bearings(ground) if bearing_deg is None else [bearing_deg % 180]
    width_m = _width_m(ground, bearings[0]) if bearings else 0.0
    if width_m / spacing_m > MOST_LANES:
        problem = f"{width_m / spacing_m:.0f} lanes would be needed; {MOST_LANES} at most can be planned"
        raise UsageError(problem, hint="Widen the spacing, or plan a part of the site")
    plans = [_laid(ground, swath_m, spacing_m, bearing) for bearing in bearings]
    best = min(plans, key=lambda plan: (len(plan.lanes) or math.inf, -plan.planned_m, plan.bearing_deg), default=None)
    if best is None or not best.lanes:
        problem = f"no lane of {SHORTEST_M:g} m fits on this ground"
        raise UsageError(problem, hint="Plan a larger part of the site, or set a smaller stand-off or spacing")
    if len(best.lanes) > MOST_LANES:
        problem = f"{len(best.lanes)} lanes would be needed; {MOST_LANES} at most can be planned"
        raise UsageError(problem, hint="Widen the spacing, or plan a part of the site")
    return best


def _bearings(ground: BaseGeometry) -> list[float]:
    """Directions of the sides of the convex hull, that across which the ground is narrowest first."""
    hull = ground.convex_hull
    if not isinstance(hull, Polygon):
        return []
    steps = np.diff(np.asarray(hull.exterior.coords), axis=0)
    bearings = np.unique(np.round(np.degrees(np.arctan2(*steps.T)) % 180, 6) % 180)
    return sorted(bearings.tolist(), key=lambda bearing: _width_m(hull, bearing))[:MOST_BEARINGS]


def _turned(bearing_deg: float) -> NDArray[np.float64]:
    """Return the matrix (2, 2) from east and north to across (to the right) and along a bearing."""
    sine, cosine = math.sin(math.radians(bearing_deg)), math.cos(math.radians(bearing_deg))
    return np.array([[cosine, -sine], [sine, cosine]])


def _width_m(ground: BaseGeometry, bearing_deg: float) -> float:
    """Width of ground across a bearing."""
    return float(np.ptp(shapely.get_coordinates(ground) @ _turned(bearing_deg)[0]))


def _laid(ground: BaseGeometry, swath_m: float, spacing_m: float, bearing_deg: float) -> LanePlan:
    """Lay lanes in one direction, as a plan."""
    matrix = _turned(bearing_deg)
    turned = shapely.transform(ground, lambda xy: xy @ matrix.T)
    columns = _columns(turned, swath_m, spacing_m)
    kept: list[list[_Piece]] = []
    short: list[float] = []
    for column in columns:
        long_enough = [piece for piece in column if piece.length_m >= SHORTEST_M]
        short += [piece.length_m for piece in column if piece.length_m < SHORTEST_M]
        kept.append(long_enough)
    lanes: list[Lane] = []
    block = 0
    for run in _runs(kept):
        for place, piece in enumerate(run):
            block += place % BLOCK_LANES == 0
            lanes.append(_lane(piece, len(lanes) + 1, block, matrix))
    return LanePlan(tuple(lanes), spacing_m, swath_m, bearing_deg, tuple(short))


@dataclass(frozen=True, slots=True)
class _Piece:
    """What one line across the ground has on it before it is a lane: its place across, and its parts along."""

    across_m: float
    parts_m: tuple[tuple[float, float], ...]

    @property
    def length_m(self) -> float:
        return sum(to - start for start, to in self.parts_m)

    def beside(self, other: _Piece) -> bool:
        """Whether a walker at some place of one has the other beside him."""
        return self.parts_m[0][0] < other.parts_m[-1][1] and other.parts_m[0][0] < self.parts_m[-1][1]


def _columns(turned: BaseGeometry, swath_m: float, spacing_m: float) -> list[list[_Piece]]:
    """Cut ground, turned so that lanes run up, into pieces of lanes, column by column from the left."""
    if turned.is_empty:
        return []
    left, bottom, right, top = turned.bounds
    width_m = right - left
    # Lanes of the usual spacing must cover the ground from side to side; wider ones are spread over it evenly.
    reach_m = min(swath_m, spacing_m)
    many = max(1, math.ceil((width_m - reach_m) / spacing_m - 1e-9) + 1)
    first_m = (left + right) / 2 - (many - 1) * spacing_m / 2
    across = first_m + spacing_m * np.arange(many)
    ends = np.stack([np.stack([across, np.full(many, y)], -1) for y in (bottom - 1, top + 1)], 1)
    shapely.prepare(turned)
    hits, number = shapely.get_parts(shapely.intersection(shapely.linestrings(ends), turned), return_index=True)
    columns: list[list[_Piece]] = [[] for _ in range(many)]
    for column in range(many):
        lines = [hit.bounds for hit in hits[number == column] if hit.geom_type == "LineString"]
        spans = sorted((low, high) for _, low, _, high in lines)
        columns[column] = [_Piece(float(across[column]), parts) for parts in _joined(spans)]
    return columns


def _joined(spans: Sequence[tuple[float, float]]) -> list[tuple[tuple[float, float], ...]]:
    """Group parts of one line into lanes: what is 10 m apart or less is one lane with a gap."""
    groups: list[list[tuple[float, float]]] = []
    for span in spans:
        gap_m = span[0] - groups[-1][-1][1] if groups else math.inf
        if gap_m <= SAME_LINE_M:
            groups[-1][-1] = (groups[-1][-1][0], span[1])
        elif gap_m <= WIDEST_GAP_M:
            groups[-1].append(span)
        else:
            groups.append([span])
    return [tuple(group) for group in groups]


def _runs(columns: Sequence[Sequence[_Piece]]) -> list[list[_Piece]]:
    """Chain pieces beside each other into runs that are walked to and fro without crossing what lies between.

    A run ends where its next column has no piece beside it, or two, or where two runs meet.
    """
    runs: list[list[_Piece]] = []
    open_runs: list[list[_Piece]] = []
    for column in columns:
        going: list[list[_Piece]] = []
        for piece in column:
            before = [run for run in open_runs if run[-1].beside(piece)]
            alone = len(before) == 1 and sum(before[0][-1].beside(other) for other in column) == 1
            if alone:
                before[0].append(piece)
                going.append(before[0])
            else:
                going.append([piece])
                runs.append(going[-1])
        open_runs = going
    return runs


def _lane(piece: _Piece, number: int, block: int, matrix: NDArray[np.float64]) -> Lane:
    """Turn a piece back to east and north; every second lane is walked the other way."""
    low, high = piece.parts_m[0][0], piece.parts_m[-1][1]
    corners = np.array([[piece.across_m, low], [piece.across_m, high]]) @ matrix
    if number % 2:
        start, end, parts = *corners, [(start - low, to - low) for start, to in piece.parts_m]
    else:
        start, end, parts = *corners[::-1], [(high - to, high - start) for start, to in reversed(piece.parts_m)]
    return Lane(number, block, _clean(start), _clean(end), tuple(_clean(part) for part in parts))


def _clean(pair: Sequence[float] | Floats) -> tuple[float, float]:
    """Two lengths to a hundredth of a millimetre, so that turning leaves no dust in them."""
    return round(float(pair[0]), 5) + 0.0, round(float(pair[1]), 5) + 0.0


def lanes_as_lines(lanes: Sequence[Lane]) -> list[shapely.MultiLineString]:
    """Return what can be walked of each lane as lines in site metres."""
    return [shapely.MultiLineString([[lane.at(a), lane.at(b)] for a, b in lane.pieces_m]) for lane in lanes]


def swept_by(lanes: Sequence[Lane], swath_m: float) -> BaseGeometry:
    """Return the ground that lanes cover when they are walked: half a swing width to both sides, with flat ends."""
    strips = shapely.buffer(lanes_as_lines(lanes), swath_m / 2, cap_style="flat")
    return shapely.union_all(strips) if len(strips) else MultiPolygon()
