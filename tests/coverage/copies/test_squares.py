"""Ground in large squares, and metres from its own corner."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely.affinity import rotate, translate
from shapely.geometry import MultiPolygon, Polygon

from fieldcomb.coverage.copies.own_frame import own_frame, own_rings
from fieldcomb.coverage.copies.squares import ground_patches, in_squares, side_for
from fieldcomb.coverage.raster.grid import Grid

NOTHING = MultiPolygon()
FIELD = Polygon([(0, 0), (60, 0), (60, 30), (10, 40)])


def levels(cells: list[list[int]], side_m: int = 2, closed: shapely.Geometry = NOTHING) -> tuple[tuple[int, ...], ...]:
    """Squares of cells of half a metre; the first row is the northern one."""
    passes = np.array(cells, np.uint8)
    rows, cols = passes.shape
    grid = Grid(0.5, 0, rows, rows, cols)
    site = ground_patches(grid, passes, closed)
    frame = own_frame(shapely.box(*grid.bounds_m), north_up=True)
    return in_squares(site, site, frame, side_m).levels


def test_squares_tell_in_four_steps_how_much_was_passed_over() -> None:
    """Of four cells by four: none, a quarter, three quarters and all passed over are four steps; off the site is 0."""
    none, all_ = [[0] * 4] * 4, [[1] * 4] * 4
    quarter, most = [[3] * 4] + [[0] * 4] * 3, [[2] * 4] * 3 + [[0] * 4]
    off = [[255] * 4] * 4
    row = [[*none[n], *quarter[n], *most[n], *all_[n], *off[n]] for n in range(4)]
    assert levels(row) == ((1, 2, 3, 4, 0),)


def test_closed_ground_takes_the_look_of_the_ground_around() -> None:
    """A square that is closed altogether is drawn as the squares round it; what is left of another decides for it."""
    cells = [[1] * 12 for _ in range(12)]
    for row in range(4, 8):
        for col in range(4, 8):
            cells[row][col] = 255
    hole = levels(cells)
    assert hole == ((4, 4, 4), (4, 0, 4), (4, 4, 4))
    assert levels(cells, closed=shapely.box(2, 2, 4, 4)) == ((4, 4, 4), (4, 4, 4), (4, 4, 4))
    for row in range(12):
        cells[row][:4] = [0] * 4
        cells[row][8:] = [0] * 4
    cells[0][4:8] = cells[11][4:8] = [0] * 4
    assert levels(cells, closed=shapely.box(2, 2, 4, 4))[1] == (1, 2, 1)


def test_very_large_ground_is_drawn_in_larger_squares() -> None:
    """A site of 4 km would have 800 squares of 5 m along a side, which nobody can tell apart: it has 100 of 40 m."""
    assert side_for(own_frame(shapely.box(0, 0, 4000, 100), north_up=True), 5) == 40
    assert side_for(own_frame(shapely.box(0, 0, 750, 100), north_up=True), 5) == 5


@given(st.floats(0, 360), st.floats(-500, 500), st.floats(-500, 500))
def test_turned_ground_says_nothing_of_where_it_lies_or_which_way(angle: float, east: float, north: float) -> None:
    """However a field lies, its outline from its own corner is the same to a metre."""
    moved = translate(rotate(FIELD, angle, origin=(0, 0)), east, north)
    frame = own_frame(moved, north_up=False)
    there = {point for ring in own_rings(moved, frame, 1) for point in ring}
    here = {point for ring in own_rings(FIELD, own_frame(FIELD, north_up=False), 1) for point in ring}
    assert all(min(math.dist(a, b) for b in here) <= math.sqrt(2) for a in there) and len(there) == len(here)


def test_with_north_up_metres_are_counted_from_the_south_west_corner() -> None:
    """East is to the right and north up, in whole metres."""
    moved = translate(FIELD, 1234.4, -77.7)
    assert own_rings(moved, own_frame(moved, north_up=True), 1) == (((0, 0), (60, 0), (60, 30), (10, 40), (0, 0)),)


def test_an_outline_keeps_no_corner_finer_than_its_step() -> None:
    """Corners that fall on one step are one, and all are whole steps."""
    fine = Polygon([(0, 0), (20.3, 0.2), (20.4, 0.3), (20, 21), (0.4, 19.9)])
    [ring] = own_rings(fine, own_frame(fine, north_up=True), 5)
    assert ring == ((0, 0), (20, 0), (20, 20), (0, 20), (0, 0))


@pytest.mark.parametrize("sides", [(30, 10), (10, 30)])
def test_turned_ground_lies_along_its_longest_side(sides: tuple[int, int]) -> None:
    """A tall field is drawn as wide as a wide one."""
    frame = own_frame(shapely.box(0, 0, *sides), north_up=False)
    assert (round(frame.wide_m), round(frame.high_m)) == (30, 10)
