"""Coarse cells add up the raster under them, wherever its window begins."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.ground.site_cells import rasterise_site
from fieldcomb.coverage.raster.blocks import Coarse
from fieldcomb.coverage.raster.grid import grid_over


@given(
    st.floats(-20, 20),
    st.floats(-20, 20),
    st.floats(3, 70),
    st.floats(3, 30),
    st.sampled_from([0.1, 0.25, 0.3, 0.7, 2.0]),
    st.integers(0, 10_000),
)
def test_sums_are_those_of_the_cells(x: float, y: float, high: float, wide: float, cell_m: float, seed: int) -> None:
    """In any window of any site each coarse cell holds the sum of the raster's cells whose centre lies in it."""
    ground = rasterise_site([AreaShape("site", "", shapely.box(x, y, x + wide, y + high))], [], cell_m, "areas")
    coarse = Coarse(ground.inside, ground.grid, 1.0)
    fine = ground.grid
    random = np.random.default_rng(seed)
    r0, r1 = sorted(random.integers(0, fine.rows + 1, 2).tolist())
    c0, c1 = sorted(random.integers(0, fine.cols + 1, 2).tolist())
    if r0 == r1 or c0 == c1:
        return
    mask = random.random((r1 - r0, c1 - c0)) < 0.5
    where, total = coarse.sums(mask, (slice(r0, r1), slice(c0, c1)))
    centre_x, centre_y = fine.centres()
    left, _, _, top = coarse.grid.bounds_m
    expected = np.zeros((coarse.grid.rows, coarse.grid.cols))
    rows, cols = np.nonzero(mask)
    row = np.floor((top - centre_y[rows + r0]) / coarse.grid.cell_m).astype(int)
    col = np.floor((centre_x[cols + c0] - left) / coarse.grid.cell_m).astype(int)
    np.add.at(expected, (row, col), 1)
    assert (total == expected[where]).all() and total.sum() == mask.sum()


def test_shares_are_of_the_sites_own_ground() -> None:
    """A cell that lies half outside the site, swept on all its ground, is swept whole."""
    ground = rasterise_site([AreaShape("site", "", shapely.box(0.5, 0.5, 9.5, 9.5))], [], 0.1, "areas")
    coarse = Coarse(ground.inside, ground.grid, 1.0)
    assert coarse.cells.max() == 100 and coarse.cells.min() == pytest.approx(25)
    assert coarse.whole(np.ones(ground.kind.shape, bool)) == pytest.approx(1.0)


def test_sites_with_large_cells_keep_them() -> None:
    """Where the raster's cells are larger than what is wanted, coarse cells are those of the raster."""
    ground = rasterise_site([AreaShape("site", "", shapely.box(0, 0, 20, 20))], [], 2.0, "areas")
    assert Coarse(ground.inside, ground.grid, 0.5).grid == ground.grid


def test_coarse_cells_fit_the_raster_at_any_size() -> None:
    """Whatever the cells and wherever the site, its coarse cells are as many rows and columns as their sums have."""
    for cell_m in (0.05, 0.1, 0.15, 0.2, 0.3, 0.35, 0.4, 0.45, 0.6, 0.7, 0.8):
        for wide_m in range(10, 80, 3):
            fine = grid_over((-wide_m / 2, -wide_m / 3, wide_m / 2 + 0.3, wide_m / 3), cell_m)
            for wanted_m in (0.5, 1.0):
                coarse = Coarse(np.ones((fine.rows, fine.cols), bool), fine, wanted_m)
                assert coarse.cells.shape == (coarse.grid.rows, coarse.grid.cols)
                assert coarse.cells.sum() == fine.rows * fine.cols and coarse.cells.any(axis=1).all()
