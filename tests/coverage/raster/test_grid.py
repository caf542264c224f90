"""Cells and where they lie."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldcomb.coverage.raster.grid import Grid, bounds_of, check_cells, grid_over
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.files.limits import MAX_CELLS, MAX_NEW_CELLS
from fieldcomb.tracks.motion.legs import Leg

CELLS = st.sampled_from([0.05, 0.1, 0.125, 0.25, 0.3048, 1.0])
PLACES = st.floats(-900, 900)
SIZES = st.floats(0, 60)


@given(PLACES, PLACES, SIZES, SIZES, CELLS)
def test_a_grid_covers_its_box_and_nothing_more_than_a_cell_around(
    left: float, bottom: float, width: float, height: float, cell_m: float
) -> None:
    """The grid over a box holds all of the box, and no row or column too many."""
    grid = grid_over((left, bottom, left + width, bottom + height), cell_m)
    west, south, east, north = grid.bounds_m
    slack = 1e-9 * 1000
    assert west <= left + slack and south <= bottom + slack
    assert east >= left + width - slack and north >= bottom + height - slack
    assert left - west < cell_m + slack and bottom - south < cell_m + slack
    assert grid.cols * cell_m <= width + 2 * cell_m + slack and grid.rows * cell_m <= height + 2 * cell_m + slack


@given(PLACES, PLACES, CELLS)
def test_cells_lie_on_whole_cells_from_the_origin(left: float, bottom: float, cell_m: float) -> None:
    """Two grids of one cell size always share their cells' rims, wherever they lie, so that rasters can be added."""
    grid = grid_over((left, bottom, left + 5, bottom + 5), cell_m)
    x, y = grid.centres()
    for along in (x, y):
        beside = along / cell_m - 0.5
        assert np.abs(beside - np.rint(beside)).max() < 1e-6


def test_row_0_is_north_and_column_0_is_west() -> None:
    """Centres run east with columns and south with rows; the transform says the same."""
    grid = Grid(0.5, west=-4, north=6, rows=3, cols=4)
    x, y = grid.centres()
    assert x.tolist() == [-1.75, -1.25, -0.75, -0.25]
    assert y.tolist() == [2.75, 2.25, 1.75]
    assert grid.bounds_m == (-2.0, 1.5, 0.0, 3.0)
    t = grid.transform  # a, b, c / d, e, f as GDAL has them
    assert (t.a, t.b, t.c, t.d, t.e, t.f) == (0.5, 0, -2.0, 0, -0.5, 3.0)
    assert grid.cell_m2 == 0.25


GRIDS = st.builds(Grid, st.just(1.0), *[st.integers(-12, 12)] * 2, *[st.integers(0, 15)] * 2)


@given(GRIDS, GRIDS)
def test_two_grids_agree_on_the_cells_that_they_share(one: Grid, other: Grid) -> None:
    """The part that two grids share is the same ground seen from either, and is all that they share."""
    rows, cols = one.part_of(other)
    back_rows, back_cols = other.part_of(one)
    x, y = one.centres()
    u, v = other.centres()
    assert u[cols].tolist() == x[back_cols].tolist() == sorted(set(x) & set(u)) or not (set(y) & set(v))
    assert v[rows].tolist() == y[back_rows].tolist() == sorted(set(y) & set(v), reverse=True) or not (set(x) & set(u))
    if set(x) & set(u) and set(y) & set(v):
        assert other.window((rows, cols)).bounds_m == one.window((back_rows, back_cols)).bounds_m


def test_a_grid_too_large_for_memory_is_refused_with_the_way_out() -> None:
    """A site of 20 km a side at 10 cm is refused in words, before memory goes."""
    with pytest.raises(UsageError, match="40,000 million cells of 10 cm, more than the limit of 100 million") as caught:
        grid_over((0, 0, 20_000, 20_000), 0.1)
    assert "several sites" in str(caught.value.hint)
    with pytest.raises(UsageError) as caught:
        grid_over((0, 0, 4_000, 4_000), 0.1)
    assert "45cm or more" in str(caught.value.hint) and grid_over((0, 0, 4_000, 4_000), 0.45).rows > 0
    side = int(MAX_CELLS**0.5) - 1
    assert grid_over((0, 0, side, side), 1.0).rows == side


@pytest.mark.parametrize("over", [1, 6, 400, 60_000, 3_000_000])
def test_no_message_calls_a_number_more_than_itself(over: int) -> None:
    """However little ground is over the limit, the number that is told of it is larger than the limit that is told."""
    with pytest.raises(UsageError) as caught:
        check_cells((0, 0, 30_000_000 + over, 1), 1.0, 30_000_000, UsageError)
    told = re.search(r"are ([\d,.]+) million cells of 100 cm, more than the limit of 30 million", str(caught.value))
    assert told and float(told[1].replace(",", "")) > 30


@pytest.mark.parametrize("side_m", [500, 500.3, 540])
def test_a_field_of_25_hectares_with_its_rim_fits_into_a_new_site(side_m: float) -> None:
    """Half a kilometre square, also where it is measured a little larger, is no too large ground in cells of 10 cm."""
    half_m = side_m / 2 + 0.037
    check_cells((-half_m, -half_m, half_m, half_m), 0.1, MAX_NEW_CELLS, UsageError)


@pytest.mark.parametrize("cell_m", [0.0, -0.1, float("nan")])
def test_a_cell_must_have_a_size(cell_m: float) -> None:
    """A cell of no size, or of less, is refused."""
    with pytest.raises(UsageError, match="not possible"):
        Grid(cell_m, 0, 0, 1, 1)


def test_a_grid_of_less_than_nothing_is_a_slip_of_the_program() -> None:
    """Negative rows are refused."""
    with pytest.raises(ValueError, match="-1 x 2"):
        Grid(0.1, 0, 0, -1, 2)


def test_bounds_of_legs_are_those_of_all_places() -> None:
    """The box over legs holds every place of every leg, and the margin."""
    legs = [Leg(np.array([1.0, 3.0]), np.array([5.0, -2.0])), Leg(np.array([2.0]), np.array([9.0]))]
    assert bounds_of(legs, 0.5) == (0.5, -2.5, 3.5, 9.5)
