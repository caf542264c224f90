"""Coarse cells add up the raster under them, wherever its window begins."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter

from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.ground.site_cells import rasterise_site
from fieldcomb.coverage.raster import grid
from fieldcomb.coverage.raster.blocks import BLUR_SIGMAS, Coarse, PartOf, around, histogram
from fieldcomb.coverage.raster.grid import Grid, grid_over


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


@given(st.integers(0, 10_000), st.sampled_from([0.1, 0.25, 0.7, 2.0]), st.integers(1, 7), st.booleans())
def test_cells_by_count_are_those_of_a_mask_for_each_count(seed: int, cell_m: float, most: int, plain: bool) -> None:
    """In any window of a site each coarse cell has as many cells of 1, 2 ... or more passes as masks of them hold."""
    random = np.random.default_rng(seed)
    fine = Grid(cell_m, *(int(one) for one in (*random.integers(-30, 30, 2), *random.integers(1, 90, 2))))
    coarse = Coarse(random.random((fine.rows, fine.cols)) < 0.7, fine, 1.0)
    rows, cols = (slice(*sorted(random.integers(0, size + 1, 2).tolist())) for size in (fine.rows, fine.cols))
    counts = random.integers(0, 9, (rows.stop - rows.start, cols.stop - cols.start + 1), dtype=np.int16)[:, :-1]
    with pytest.MonkeyPatch.context() as patch:
        if plain:
            patch.setattr(grid, "kernels", None)
        where, found = coarse.cells_by_count(counts, most, (rows, cols))
    for n, of in enumerate(found, 1):
        mask = counts == n if n < most else counts >= n
        expected = coarse.sums(mask & coarse.inside[rows, cols], (rows, cols))
        assert where == expected[0] and np.array_equal(of, expected[1])


@given(st.integers(0, 10_000), st.booleans())
def test_a_histogram_adds_up_the_weights_of_the_places_in_each_cell(seed: int, weighed: bool) -> None:
    """Weights of places are added up by cell in the order of the places, those outside of a part of the grid aside."""
    random = np.random.default_rng(seed)
    cells = Grid(0.5, *(int(one) for one in (*random.integers(-9, 9, 2), *random.integers(1, 9, 2))))
    part = tuple(slice(*sorted(random.integers(0, size + 1, 2).tolist())) for size in (cells.rows, cells.cols))
    left, bottom, right, top = cells.window(part).bounds_m
    x, y = random.uniform(left - 1, right + 1, 60), random.uniform(bottom - 1, top + 1, 60)
    weight = random.random(60) if weighed else np.ones(60)
    expected = np.zeros((part[0].stop - part[0].start, part[1].stop - part[1].start))
    for px, py, one in zip(x, y, weight, strict=True):
        if left <= px < right and bottom < py <= top:
            expected[int((top - py) / 0.5), int((px - left) / 0.5)] += one
    assert np.array_equal(histogram(cells, x, y, weight if weighed else None, part), expected)


@given(st.integers(0, 10_000))
def test_values_of_a_part_are_the_same_within_another_part(seed: int) -> None:
    """Values that are nothing beyond a part of some cells are read in any other part, whether they meet or not."""
    random = np.random.default_rng(seed)
    shape = random.integers(1, 8, 2).tolist()
    part, other = (tuple(slice(*sorted(random.integers(0, most + 1, 2).tolist())) for most in shape) for _ in range(2))
    values = np.zeros(shape)
    values[part] = random.random(values[part].shape)
    some = PartOf(part, values[part])
    assert np.array_equal(some.within(other), values[other]) and np.array_equal(some.whole(*shape), values)


@given(st.sampled_from([0.1, 0.25, 0.3, 0.7]), st.integers(0, 10_000))
def test_a_part_resampled_is_what_all_of_it_gives_there(cell_m: float, seed: int) -> None:
    """Values that are nothing beyond a part of the site, resampled there alone, are those of all; beyond is nothing."""
    random = np.random.default_rng(seed)
    wide_m, high_m = random.uniform(5, 40, 2)
    fine = grid_over((-wide_m / 3, -high_m / 2, wide_m, high_m), cell_m)
    chances, ranked = (Coarse(random.random((fine.rows, fine.cols)) < 0.8, fine, m) for m in (0.5, 1.0))
    part = tuple(slice(*sorted(random.integers(0, most + 1, 2).tolist())) for most in chances.cells.shape)
    values = np.zeros(chances.cells.shape)
    values[part] = random.random(values[part].shape)
    some = chances.resample_part(PartOf(part, values[part]), ranked.grid)
    assert np.array_equal(some.whole(*ranked.cells.shape), chances.resample_to(values, ranked.grid))


@given(st.floats(0.2, 6), st.integers(0, 10_000))
def test_a_part_blurred_with_what_is_around_is_what_all_of_it_gives_there(sigma: float, seed: int) -> None:
    """A part of some values has after blurring, with what lies around it alone, what it has when all are blurred."""
    random = np.random.default_rng(seed)
    grid = Grid(1.0, 0, 0, *random.integers(1, 60, 2).tolist())
    values = random.random((grid.rows, grid.cols))
    rows, cols = (slice(*sorted(random.integers(0, most + 1, 2).tolist())) for most in values.shape)
    wide, inner = around((rows, cols), sigma, grid)
    blur = partial(gaussian_filter, sigma=sigma, mode="constant", truncate=BLUR_SIGMAS)
    assert np.array_equal(blur(values[wide])[inner], blur(values)[rows, cols])


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
