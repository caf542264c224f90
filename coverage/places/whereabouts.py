"""Where a place lies, as a person would say it: from the sides, corners and pegs of the site, in whole metres."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from fieldcomb.tracks.motion.peg_drift import Peg
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

CARDINAL = ("north", "east", "south", "west")
BETWEEN = ("north-east", "south-east", "south-west", "north-west")
COMPASS = tuple(word for pair in zip(CARDINAL, BETWEEN, strict=True) for word in pair)
# Chosen for this project, so that a site of any outline has at most four sides and a person finds them.
CORNER_SHARE = 0.05  # of the square root of the site's area: smaller bends are no corners
NEAR_PEG_M = 25.0  # farther away, a peg helps less than a side does
AT_SIDE_M = 3.0  # this close to a side, how far in it is does not matter
AT_END_M = 5.0
MOST_SHARE, PART_SHARE = 0.5, 0.1  # a place this large is a part of the site, not a distance from something
MIDDLE_SHARE = 0.1  # of the square root of the site's area


@dataclass(frozen=True, slots=True)
class Side:
    """A side of the site: its outline from end to end, and the compass words of the side and of its ends."""

    name: str
    line: LineString
    ends: tuple[str, str]


@dataclass(frozen=True, slots=True)
class Landmarks:
    """What a person can find on the ground: sides and pegs, in site metres.

    middle : where to measure from if there is neither. whole : what it is the middle of, in words.
    """

    area_m2: float
    sides: tuple[Side, ...]
    pegs: tuple[Peg, ...]
    middle: Point
    whole: str


def landmarks(shape: BaseGeometry, given: bool, pegs: Sequence[Peg] = ()) -> Landmarks:
    """Return the landmarks of a site.

    shape : the site in metres. given : whether its edge was drawn; the edge of ground between walks cannot be found
    on site.
    """
    parts = [part for part in shapely.get_parts(shape) if isinstance(part, Polygon) and not part.is_empty]
    largest = max(parts, key=lambda part: part.area, default=None)
    sides = tuple(_sides(largest)) if given and largest is not None and len(parts) == 1 else ()
    whole = "the site" if given else "your walks"
    return Landmarks(float(shape.area), sides, tuple(pegs), shape.centroid, whole)


def whereabouts(place: BaseGeometry, marks: Landmarks) -> str:
    """Say where a place lies, by what is nearest to it.

    place : in site metres.

    >>> field = landmarks(shapely.box(0, 0, 80, 60), given=True)
    >>> whereabouts(shapely.box(28, 50, 32, 58), field)
    '6 m in from the north edge, 30 m along it from the west corner'
    >>> whereabouts(shapely.box(70, 0, 80, 4), field)
    'along the south edge, at its east corner'
    """
    if place.area > MOST_SHARE * marks.area_m2:
        return f"most of {marks.whole}"
    at = place.centroid if place.contains(place.centroid) else place.representative_point()
    if place.area > PART_SHARE * marks.area_m2:
        return _part(place.centroid, marks)
    side = min(marks.sides, key=lambda one: (one.line.distance(at), one.name), default=None)
    peg = min(marks.pegs, key=lambda one: (math.hypot(one.x_m - at.x, one.y_m - at.y), one.name), default=None)
    if peg is not None:
        away_m = math.hypot(peg.x_m - at.x, peg.y_m - at.y)
        if away_m <= NEAR_PEG_M and (side is None or away_m <= side.line.distance(at)):
            return _from_point(at, peg.x_m, peg.y_m, f"peg {peg.name}")
    if side is None:
        return _from_point(at, marks.middle.x, marks.middle.y, f"the middle of {marks.whole}")
    return _from_side(at, side)


def _part(at: Point, marks: Landmarks) -> str:
    east_m, north_m = at.x - marks.middle.x, at.y - marks.middle.y
    if math.hypot(east_m, north_m) < MIDDLE_SHARE * math.sqrt(marks.area_m2):
        return f"round the middle of {marks.whole}"
    return f"the {_compass(east_m, north_m, COMPASS)} part of {marks.whole}"


def _from_side(at: Point, side: Side) -> str:
    in_m, along_m = side.line.distance(at), side.line.project(at)
    left_m = side.line.length - along_m
    from_m, end = min((along_m, side.ends[0]), (left_m, side.ends[1]))
    beside = in_m <= AT_SIDE_M
    here = f"along the {side.name} edge" if beside else f"{_metres(in_m)} in from the {side.name} edge"
    if from_m <= AT_END_M + 1e-9:
        return f"{here}, at its {end} corner"
    return f"{here}, {_metres(from_m)}{'' if beside else ' along it'} from the {end} corner"


def _from_point(at: Point, x_m: float, y_m: float, name: str) -> str:
    away_m = math.hypot(at.x - x_m, at.y - y_m)
    if away_m < 1:
        return f"at {name}"
    return f"{_metres(away_m)} {_compass(at.x - x_m, at.y - y_m, COMPASS)} of {name}"


def _metres(length_m: float) -> str:
    """Whole metres below 10, fives below 100, tens from there on: as precise as paces and a receiver allow."""
    step = 1 if length_m < 9.5 else 5 if length_m < 97.5 else 10
    return f"{max(step, round(length_m / step) * step)} m"


def _compass(east_m: float, north_m: float, words: Sequence[str]) -> str:
    """Return the nearest of four or eight compass words; four of them may begin at north or at north-east."""
    first_deg = 45.0 if words[0] == BETWEEN[0] else 0.0
    step_deg = 360 / len(words)
    bearing_deg = math.degrees(math.atan2(east_m, north_m)) - first_deg
    return words[round(bearing_deg / step_deg) % len(words)]


def _sides(site: Polygon) -> Iterable[Side]:
    """Group the outline into sides: what faces one of four compass words and hangs together.

    The four are north, east, south, west, or those between, whichever the outline faces better. A word that two parts
    of the outline share names only the longer, and none when that is not plain.
    """
    ring = shapely.geometry.polygon.orient(site, -1.0).exterior.simplify(CORNER_SHARE * math.sqrt(site.area))
    corners = np.asarray(ring.coords)
    steps = np.diff(corners, axis=0)
    lengths = np.hypot(*steps.T)
    out = np.degrees(np.arctan2(-steps[:, 1], steps[:, 0]))  # bearing of what lies outside, going round clockwise
    off = [float(np.sum(lengths * _turn_from(out, first))) for first in (0.0, 45.0)]
    words = CARDINAL if off[0] <= off[1] else BETWEEN
    first_deg = 0.0 if words is CARDINAL else 45.0
    faces = np.round((out - first_deg) / 90).astype(int) % 4
    runs = _runs_round(faces)
    whole = {word: [run for run in runs if faces[run[0]] == number] for number, word in enumerate(words)}
    for word, several in whole.items():
        longest = sorted(several, key=lambda run: -float(lengths[run].sum()))
        if longest and (len(longest) == 1 or lengths[longest[0]].sum() > 2 * lengths[longest[1]].sum()):
            run = longest[0]
            line = LineString([*corners[run], corners[run[-1] + 1]])
            yield Side(word, line, _end_words(line, site.centroid, words))


def _turn_from(bearing_deg: Floats, first_deg: float) -> np.ndarray:
    """How far bearings lie from the nearest of four directions, in degrees."""
    return np.asarray(np.abs((bearing_deg - first_deg + 45) % 90 - 45))


def _runs_round(faces: NDArray[np.intp]) -> list[list[int]]:
    """Indices of edges in a row that face one way, round the ring."""
    count = len(faces)
    starts = [k for k in range(count) if faces[k] != faces[k - 1]]
    if not starts:
        return [list(range(count))]
    ends = [*starts[1:], starts[0] + count]
    return [[k % count for k in range(start, end)] for start, end in zip(starts, ends, strict=True)]


def _end_words(line: LineString, middle: Point, words: Sequence[str]) -> tuple[str, str]:
    """Name both ends of a side by the cardinal words that distinguish them: along it, or from the site's middle."""
    start, end = Point(line.coords[0]), Point(line.coords[-1])
    if words is BETWEEN:
        return _compass(start.x - middle.x, start.y - middle.y, CARDINAL), _compass(
            end.x - middle.x, end.y - middle.y, CARDINAL
        )
    return _compass(start.x - end.x, start.y - end.y, CARDINAL), _compass(end.x - start.x, end.y - start.y, CARDINAL)
