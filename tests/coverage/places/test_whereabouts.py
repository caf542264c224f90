"""Where a place lies is said from what a person finds on the ground: edges, corners, pegs."""

from __future__ import annotations

import math

import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import Point, Polygon, box

from fieldcomb.coverage.places.whereabouts import landmarks, whereabouts
from fieldcomb.tracks.motion.peg_drift import Peg

FIELD = box(0, 0, 80, 60)


def at(x_m: float, y_m: float, site: Polygon = FIELD, *pegs: Peg) -> str:
    """Where a square metre lies."""
    return whereabouts(Point(x_m, y_m).buffer(0.5), landmarks(site, given=True, pegs=pegs))


@pytest.mark.parametrize(
    ("x_m", "y_m", "words"),
    [
        (50, 59, "along the north edge, 30 m from the east corner"),
        (30, 59, "along the north edge, 30 m from the west corner"),
        (79, 30, "along the east edge, 30 m from the north corner"),
        (20, 12, "10 m in from the south edge, 20 m along it from the west corner"),
        (1, 2, "along the west edge, at its south corner"),
    ],
)
def test_places_are_told_from_the_nearest_edge(x_m: float, y_m: float, words: str) -> None:
    """How far in, and how far along from the nearer corner."""
    assert at(x_m, y_m) == words


def test_a_peg_that_is_nearer_than_any_edge_is_told_from() -> None:
    """Eight metres south-west of peg B is easier to find than 25 m in from an edge; a far peg is not used."""
    pegs = (Peg("A", 5, 55), Peg("B", 40, 30))
    assert at(40 - 8 / math.sqrt(2), 30 - 8 / math.sqrt(2), FIELD, *pegs) == "8 m south-west of peg B"
    assert at(40, 30, FIELD, *pegs) == "at peg B"
    assert "edge" in at(75, 30, FIELD, *pegs)


def test_a_site_that_stands_on_its_corner_has_edges_between() -> None:
    """A square turned by 45 degrees has a north-east edge, whose ends are the north and the east corner."""
    turned = Polygon([(0, 40), (40, 0), (0, -40), (-40, 0)])
    assert at(14, 25, turned) == "along the north-east edge, 20 m from the north corner"
    assert at(36, 3, turned) == "along the north-east edge, at its east corner"


def test_without_an_edge_places_are_told_from_the_middle_of_the_walks() -> None:
    """Nobody can find the edge of ground that was only walked over."""
    marks = landmarks(FIELD, given=False)
    assert whereabouts(Point(60, 30).buffer(1), marks) == "20 m east of the middle of your walks"


def test_large_places_are_parts_of_the_site() -> None:
    """Nobody measures to the middle of a quarter of the site."""
    marks = landmarks(FIELD, given=True)
    assert whereabouts(box(0, 0, 80, 40), marks) == "most of the site"
    assert whereabouts(box(60, 0, 80, 60), marks) == "the east part of the site"
    assert whereabouts(box(30, 20, 50, 40).union(box(25, 25, 55, 35)), marks) == "round the middle of the site"


@given(st.floats(0, 360), st.floats(20, 500), st.floats(20, 500), st.floats(0.05, 0.95), st.floats(0.05, 0.95))
def test_any_rectangle_at_any_angle_names_a_place(
    turn_deg: float, wide_m: float, high_m: float, across: float, up: float
) -> None:
    """The distances that are told lead back to the place, to what whole metres and fives can say."""
    site = shapely.affinity.rotate(box(0, 0, wide_m, high_m), turn_deg, origin=(0, 0))
    place = shapely.affinity.rotate(Point(across * wide_m, up * high_m), turn_deg, origin=(0, 0))
    words = whereabouts(place.buffer(0.1), landmarks(site, given=True))
    in_m = min(across * wide_m, (1 - across) * wide_m, up * high_m, (1 - up) * high_m)
    assert "edge" in words
    if " in from" in words:
        step = 1 if in_m < 9.5 else 5 if in_m < 97.5 else 10
        assert float(words.split(" m in")[0]) == pytest.approx(in_m, abs=step / 2 + 1e-6)
    else:
        assert in_m <= 3 + 1e-6
