"""The one list of ground to go to: one entry for each place, best first, nothing twice."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from recordings import FRAME
from shapely.geometry import Polygon, box

from fieldcomb.coverage.ground.ground_results import Strip
from fieldcomb.coverage.places.joined_strips import join_strips
from fieldcomb.coverage.places.places import SearchPlace, letter_of, places_to_go
from fieldcomb.coverage.places.whereabouts import landmarks
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.todo.ranking import CoilGains, Ranking
from fieldcomb.coverage.todo.results import TodoCoil, TodoPiece

SWATH_M = 1.6
SITE = box(0, 0, 80, 60)
GRID = Grid(1.0, 0, 60, 60, 80)


def strip(number: int, shape: Polygon, *, kind: str = "strip", bearing_deg: float | None = 0.0) -> Strip:
    """A missed strip of this outline."""
    left, bottom, right, top = shape.bounds
    length_m = max(right - left, top - bottom)
    width_m = shape.area / length_m
    return Strip(number, kind, shape.area, length_m, width_m, width_m, bearing_deg, (0.0, 0.0), shape)


def piece(coil: str, shape: Polygon, cause: str, gain: float, **more: Any) -> TodoPiece:
    """Ground to do with a coil."""
    hour = gain * 20 * 60 / 100
    values = {"junk_per_m2": None, "junk_error_per_m2": None, "heard_not_dug": 0, "centre": (0.0, 0.0)}
    return TodoPiece(
        f"{coil} 1", coil, 1, cause, cause, shape.area, shape.area / 20, gain, hour, shape=shape, **values | more
    )


def gains(**by_coil: float) -> tuple[CoilGains, ...]:
    """What one more pass brings with each coil, the same everywhere."""
    whole = np.ones((GRID.rows, GRID.cols))
    return tuple(CoilGains(name, SWATH_M, 20.0, gain * whole, GRID) for name, gain in by_coil.items())


def go(
    strips: list[Strip], pieces: list[TodoPiece], own: tuple[CoilGains, ...], allowed: Polygon = SITE
) -> tuple[SearchPlace, ...]:
    """The list for a field."""
    coils = (TodoCoil("any", 20.0, True, 0.0, 0.0, "", tuple(pieces)),)
    return places_to_go(strips, Ranking(coils, own, allowed), SWATH_M, landmarks(SITE, given=True), FRAME)


def test_pieces_of_one_forgotten_lane_are_one_entry() -> None:
    """A lane that the list of strips has cut every 15 m, with a gap of 2 m in it, is one place with one letter."""
    lane = [strip(k, box(20, low, 21.2, low + 14)) for k, low in enumerate((0, 14, 30), 1)]
    (place,) = go(lane, [], gains(large=0.8))
    assert place.strips == (1, 2, 3)
    assert place.reason == "missed lane"
    assert place.area_m2 == pytest.approx(3 * 14 * 1.2)
    assert place.length_m == pytest.approx(42)


def test_lanes_beside_each_other_stay_two() -> None:
    """Two forgotten lanes 2 m apart, each in pieces, are two places."""
    corners = ((20, 0), (22, 0), (20, 14), (22, 14))
    strips = [strip(k, box(x, low, x + 1, low + 14)) for k, (x, low) in enumerate(corners)]
    assert sorted(place.strips for place in go(strips, [], gains(large=0.8))) == [(0, 2), (1, 3)]


def test_a_crossing_strip_is_another_place() -> None:
    """A strip that runs east to west does not belong to the lane that it meets."""
    strips = [strip(1, box(20, 0, 21, 14)), strip(2, box(21, 6, 35, 7), bearing_deg=90.0)]
    assert len(join_strips(strips, SWATH_M)) == 2


def test_the_same_ground_is_listed_once() -> None:
    """Ground to do that a missed strip covers is that strip; ground that two coils have to do is one place for both."""
    missed = strip(1, box(20, 0, 24, 15))
    over = piece("large", box(19.5, 0, 24.5, 15), "never swept", 0.6)
    (place,) = go([missed], [over], gains(large=0.6))
    assert place.strips == (1,)
    junk = box(40, 20, 52, 32)
    both = [piece("small", junk, "too much junk", 0.5), piece("medium", junk, "too much junk", 0.3)]
    (place,) = go([], both, gains(small=0.5, medium=0.3))
    assert [worth.coil for worth in place.worths] == ["small", "medium"]


def test_ground_that_goes_on_from_a_missed_lane_is_that_lane() -> None:
    """Where the chance of a pass says that a missed lane is longer than was drawn, it is one place of all of it."""
    missed = strip(1, box(20, 0, 24, 15))
    more = piece("large", box(20, 15.1, 24, 45), "never swept", 0.6, unswept_pct=80.0)
    apart = piece("large", box(50, 0, 58, 15), "never swept", 0.6, unswept_pct=80.0)
    lane, other = sorted(go([missed], [more, apart], gains(large=0.6)), key=lambda place: -place.area_m2)
    assert lane.strips == (1,) and lane.reason == "missed lane"
    assert lane.area_m2 == pytest.approx(4 * 44.9)
    assert other.strips == () and other.reason == "missed between passes"


def test_what_brings_most_in_an_hour_comes_first() -> None:
    """Letters follow the worth by time, not the size."""
    rich = piece("small", box(60, 40, 66, 46), "too much junk", 0.9)
    poor = piece("small", box(0, 0, 30, 30), "walked too fast", 0.2)
    own = (CoilGains("small", SWATH_M, 20.0, np.where(np.arange(80) > 50, 0.9, 0.2) * np.ones((60, 1)), GRID),)
    first, second = go([], [poor, rich], own)
    assert (first.letter, first.reason) == ("A", "too much junk")
    assert (second.letter, second.reason) == ("B", "walked too fast")
    assert first.best.gain_per_hour is not None and second.best.gain_per_hour is not None
    assert first.best.gain_per_hour > second.best.gain_per_hour


def test_ground_that_was_more_likely_swept_is_not_listed() -> None:
    """What the receiver's error alone may have drawn sends nobody into the field."""
    unsure = piece("large", box(20, 0, 30, 15), "never swept", 0.3, unswept_pct=40.0)
    likely = piece("large", box(20, 0, 30, 15), "never swept", 0.3, unswept_pct=70.0)
    assert go([], [unsure], gains(large=0.3)) == ()
    assert len(go([], [likely], gains(large=0.3))) == 1


def test_a_few_swings_are_no_place() -> None:
    """Two square metres are drawn on the map, but nobody is sent there."""
    assert go([strip(1, box(20, 0, 21, 2))], [], gains(large=0.8)) == ()


def test_nobody_is_sent_to_ground_that_may_not_be_searched() -> None:
    """A strip within the stand-off of no-go ground is drawn and not listed; one that only reaches into it is."""
    strips = [strip(1, box(20, 0, 22, 14)), strip(2, box(40, 0, 42, 14))]
    (place,) = go(strips, [], gains(large=0.8), allowed=box(0, 8, 30, 60).union(box(30, 0, 80, 60)))
    assert place.strips == (2,)


def test_going_there_takes_time() -> None:
    """A narrow lane takes as long as one of the coil's swath, and half a minute to find it."""
    (place,) = go([strip(1, box(20, 0, 20.8, 30))], [], gains(large=0.8))
    assert place.best.minutes == pytest.approx(0.5 + 30 * SWATH_M / 20)


@given(st.integers(0, 10**6))
def test_no_two_places_have_one_letter(number: int) -> None:
    """Letters run from A to Z, then in twos, and never repeat."""
    assert letter_of(number).isalpha() and letter_of(number) != letter_of(number + 1)
    digits = [ord(letter) - ord("A") + 1 for letter in letter_of(number)]
    assert sum(digit * 26**k for k, digit in enumerate(reversed(digits))) - 1 == number


@given(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 40), st.integers(6, 15), st.booleans()), max_size=6))
def test_places_never_overlap_by_half(corners: list[tuple[int, int, int, bool]]) -> None:
    """However strips and ground to do lie across each other, no place is mostly another one's ground."""
    strips = [strip(k, box(x, y, x + 1.5, y + size)) for k, (x, y, size, missed) in enumerate(corners) if missed]
    pieces = [
        piece("large", box(x, y, x + size, y + size), "not dug", 0.4) for x, y, size, missed in corners if not missed
    ]
    found = go(strips, pieces, gains(large=0.4))
    todo = [place for place in found if not place.strips]
    for k, one in enumerate(todo):
        others = shapely.union_all([place.shape for j, place in enumerate(found) if place is not one and j != k])
        assert one.shape.intersection(others).area <= 0.5 * one.area_m2 + 1e-6
