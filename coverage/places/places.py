"""The one list of ground to go to: what was missed and what is worth another pass, best first, each with a letter."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.ground.ground_results import MISSED, NOT_REACHED, Strip
from fieldcomb.coverage.places.joined_strips import TOUCHING_M, join_strips
from fieldcomb.coverage.places.whereabouts import Landmarks, whereabouts
from fieldcomb.coverage.todo.losses import LEAST_PIECE_M2, NEVER, REASONS, cells_in
from fieldcomb.coverage.todo.ranking import CoilGains, Ranking
from fieldcomb.coverage.todo.results import TodoPiece
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.values import dataclass

LANE = "missed lane"
# Chosen for this project.
LANE_LENGTHS = 4.0  # a strip this many times as long as wide is a forgotten lane
SAME_SHARE = 0.5  # ground that two pieces share by half is one place
LIKELIER_UNSWEPT_PCT = 50.0  # ground never swept by less than this chance cannot be told
LEAST_PLACE_M2 = 3.0  # a few swings; anything smaller is drawn, but not listed as a place to go
GO_MIN = 0.5  # common practice, no source: to walk to a place and find where it begins


@dataclass(frozen=True, slots=True)
class Worth:
    """What going to a place with one coil brings; gains as in ``TodoPiece``.

    minutes : with half a minute to get there; None where no pace is known.
    """

    coil: str
    reason: str
    minutes: float | None
    gain_per_100_m2: float
    gain_per_hour: float | None


@dataclass(frozen=True, slots=True, eq=False)
class SearchPlace:
    """One place to go to.

    letter : A, B, ... Z, AA; the same in all outputs of a report. where : in words, from the edges and pegs.
    worths : of each coil that is worth taking there, the one in hand first, then the best. strips : ids of the missed
    strips that it is. length_m : of a strip or lane; None of ground that is walked in lanes. centre : lon, lat in deg.
    unswept_pct : of ground to do as never swept, how much of it that may be; None for all other.
    """

    letter: str
    reason: str
    area_m2: float
    length_m: float | None
    where: str
    worths: tuple[Worth, ...]
    strips: tuple[int, ...]
    centre: tuple[float, float]
    shape: Polygon | MultiPolygon
    unswept_pct: float | None = None

    @property
    def never_swept(self) -> bool:
        """Whether it is ground that nobody has swept, not ground that is worth another pass."""
        return self.reason in (LANE, MISSED, NOT_REACHED)

    @property
    def ground(self) -> str:
        """Which kind of ground never swept it is."""
        return NOT_REACHED if self.reason == NOT_REACHED else MISSED

    @property
    def best(self) -> Worth:
        """The coil in hand, or without one that which brings most there."""
        return self.worths[0]


def places_to_go(
    strips: Sequence[Strip],
    ranking: Ranking,
    swath_m: float,
    marks: Landmarks,
    frame: SiteFrame,
    kind: Callable[[BaseGeometry], str] = lambda _shape: MISSED,
    lanes: Sequence[Polygon | MultiPolygon] = (),
) -> tuple[SearchPlace, ...]:
    """Put missed ground and ground to do together, in order of what the best coil brings there in an hour.

    Parameters
    ----------
    strips : sequence of Strip
        Missed ground that is certain or likely; what may only be receiver error must not be in it.
    ranking : Ranking
        Ground to do; nobody is sent to ground that is mostly not allowed.
    swath_m : float
        The widest swath used; strips on one line are joined by it.
    marks : Landmarks
        What a place is described from.
    frame : SiteFrame
        The frame of all shapes.
    kind : callable
        Says of ground that was never swept whether it was missed between passes or not reached yet.
    lanes : sequence of outlines
        Lanes that were left out: they are walked by their numbers, and are no places besides.

    """
    gains = ranking.gains
    found = [_missed(group, gains, frame) for group in join_strips(strips, swath_m)]
    shapely.prepare(ranking.allowed)
    found = [place for place in found if place.area_m2 >= LEAST_PLACE_M2 and _mostly_in(place, ranking.allowed)]
    taken = [*(place.shape for place in found), *lanes]
    pieces = [piece for coil in ranking.coils for piece in coil.pieces]
    for piece in sorted(pieces, key=lambda one: (-_rate(one.gain_per_hour, one.gain_per_100_m2), one.id)):
        never = piece.cause == REASONS[NEVER]
        if never and piece.unswept_pct < LIKELIER_UNSWEPT_PCT:
            continue
        rest = _largest(_without(piece.shape, taken))
        if rest is None or rest.area < max(LEAST_PIECE_M2, SAME_SHARE * piece.area_m2):
            found = [_with_coil(place, piece, gains) for place in found]
            continue
        if never and not ranking.likelier_unswept(rest):
            continue
        taken.append(rest)
        if never:
            found = _with_ground(found, _to_do(piece, kind(rest), rest, gains, frame), gains, frame)
        else:
            found.append(_to_do(piece, piece.cause, rest, gains, frame))
    return _lettered([replace(place, where=whereabouts(place.shape, marks)) for place in found if place.worths])


def places_for(coil: str, places: Sequence[SearchPlace]) -> tuple[SearchPlace, ...]:
    """Return the places where a coil has anything to do, with it as their first, in order of what it brings."""
    own = [(place, [worth for worth in place.worths if worth.coil == coil]) for place in places]
    rest = [[worth for worth in place.worths if worth.coil != coil] for place, _ in own]
    return _lettered(
        [replace(place, worths=(*first, *others)) for (place, first), others in zip(own, rest, strict=True) if first]
    )


def _lettered(places: Sequence[SearchPlace]) -> tuple[SearchPlace, ...]:
    """Put places in order of what their first coil brings in an hour, and give them letters."""
    order = sorted(places, key=lambda place: (-_worth(place.best), -place.area_m2, place.centre))
    return tuple(replace(place, letter=letter_of(number)) for number, place in enumerate(order))


def letter_of(number: int) -> str:
    """Return the letter of a place by its number from 0 on: A to Z, then AA, AB and so on.

    >>> letter_of(0), letter_of(25), letter_of(26), letter_of(701), letter_of(702)
    ('A', 'Z', 'AA', 'ZZ', 'AAA')
    """
    letters = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def _rate(per_hour: float | None, per_100_m2: float) -> float:
    # Without times there is no pace; ground is then compared by its gain alone.
    return round(per_100_m2 if per_hour is None else per_hour, 9)


def _worth(worth: Worth) -> float:
    return _rate(worth.gain_per_hour, worth.gain_per_100_m2)


def _missed(group: Sequence[Strip], gains: Sequence[CoilGains], frame: SiteFrame) -> SearchPlace:
    shape = shapely.union_all([strip.shape for strip in group])
    area_m2 = sum(strip.area_m2 for strip in group)
    length_m = None if group[0].kind == "open" else sum(strip.length_m for strip in group)
    ground = max(group, key=lambda strip: strip.area_m2).ground
    long = length_m is not None and length_m**2 >= LANE_LENGTHS * area_m2
    reason = LANE if ground == MISSED and long else ground
    worths = [_worth_of(own, reason, shape, area_m2, length_m) for own in gains]
    return _place(reason, shape, area_m2, length_m, worths, tuple(strip.id for strip in group), frame)


def _with_ground(
    found: Sequence[SearchPlace], new: SearchPlace, gains: Sequence[CoilGains], frame: SiteFrame
) -> list[SearchPlace]:
    """Add ground never swept to the missed ground that it goes on from, or as a place of its own."""
    touched = next((place for place in found if _goes_on(place, new)), None)
    if touched is None:
        return [*found, new]
    shape = shapely.union_all([touched.shape.buffer(TOUCHING_M), new.shape.buffer(TOUCHING_M)]).buffer(-TOUCHING_M)
    area_m2 = touched.area_m2 + new.area_m2
    long_m = _long_side_m(shape)
    ground = new.ground
    reason = LANE if ground == MISSED and long_m**2 >= LANE_LENGTHS * area_m2 else ground
    worths = [_worth_of(own, ground, shape, area_m2, None) for own in gains]
    whole = _place(reason, shape, area_m2, None, worths, touched.strips, frame)
    return [whole if place is touched else place for place in found]


def _goes_on(place: SearchPlace, new: SearchPlace) -> bool:
    same = place.never_swept and place.ground == new.ground
    return same and bool(shapely.dwithin(place.shape, new.shape, TOUCHING_M))


def _long_side_m(shape: BaseGeometry) -> float:
    corners = shapely.get_coordinates(shapely.oriented_envelope(shape))
    return float(np.hypot(*np.diff(corners, axis=0).T).max(initial=0.0))


def _to_do(piece: TodoPiece, reason: str, shape: Polygon, gains: Sequence[CoilGains], frame: SiteFrame) -> SearchPlace:
    own = next(one for one in gains if one.coil == piece.coil)
    worth = _worth_of(own, piece.reason, shape, shape.area, None)
    place = _place(reason, shape, shape.area, None, [worth], (), frame)
    return replace(place, unswept_pct=piece.unswept_pct) if piece.cause == REASONS[NEVER] else place


def _with_coil(place: SearchPlace, piece: TodoPiece, gains: Sequence[CoilGains]) -> SearchPlace:
    """Add the coil of a piece to a place that is mostly the same ground."""
    if any(worth.coil == piece.coil for worth in place.worths):
        return place
    if shapely.intersection(place.shape, piece.shape).area < SAME_SHARE * place.area_m2:
        return place
    own = next(one for one in gains if one.coil == piece.coil)
    worth = _worth_of(own, piece.reason, place.shape, place.area_m2, place.length_m)
    return replace(place, worths=_best_first([*place.worths, worth]))


def _place(
    reason: str,
    shape: Polygon | MultiPolygon,
    area_m2: float,
    length_m: float | None,
    worths: Sequence[Worth],
    strips: tuple[int, ...],
    frame: SiteFrame,
) -> SearchPlace:
    at = shape.representative_point()
    lon, lat = frame.to_lonlat([at.x], [at.y])
    centre = (float(lon[0]), float(lat[0]))
    return SearchPlace("", reason, area_m2, length_m, "", _best_first(worths), strips, centre, shape)


def _best_first(worths: Sequence[Worth]) -> tuple[Worth, ...]:
    return tuple(sorted(worths, key=lambda worth: (-_worth(worth), worth.coil)))


def _worth_of(
    own: CoilGains, reason: str, shape: Polygon | MultiPolygon, area_m2: float, length_m: float | None
) -> Worth:
    """Return what a coil brings on a place; a strip narrower than the swath takes as long as one of its width."""
    gain = float(np.mean(own.gain.ravel()[cells_in(shape, own.grid)]))
    walked_m2 = max(area_m2, 0.0 if length_m is None else length_m * own.swath_m)
    if own.m2_per_minute is None:
        return Worth(own.coil, reason, None, gain, None)
    minutes = GO_MIN + walked_m2 / own.m2_per_minute
    return Worth(own.coil, reason, minutes, gain, gain * area_m2 / 100 / minutes * 60)


def _mostly_in(place: SearchPlace, allowed: BaseGeometry) -> bool:
    if shapely.covers(allowed, place.shape):  # which is told much sooner
        return True
    return bool(shapely.intersection(place.shape, allowed).area >= SAME_SHARE * place.shape.area)


def _without(shape: Polygon | MultiPolygon, taken: Sequence[Polygon | MultiPolygon]) -> Polygon | MultiPolygon:
    near = np.array(taken, object)
    near = near[shapely.intersects(near, shape)]
    return shapely.difference(shape, shapely.union_all(near)) if near.size else shape


def _largest(shape: Polygon | MultiPolygon) -> Polygon | None:
    parts = [part for part in shapely.get_parts(shape) if isinstance(part, Polygon)]
    return max(parts, key=lambda part: part.area, default=None)
