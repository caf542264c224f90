"""How much junk there is: counted before dug before drawn, with how sure that is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter

from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.todo.junk import (
    ASSUMED,
    COUNTED,
    DRAWN,
    DUG,
    NOT_MEASURED,
    CountSquare,
    Digs,
    error_pct,
    histogram,
    local_junk,
)

GRID = Grid(1.0, 0, 40, 40, 40)  # 40 x 40 m from the origin
NOTHING = np.full((40, 40), np.nan)


def digs(swept: object = 1.0) -> Digs:
    """All of the ground swept, if not said otherwise."""
    return Digs(GRID, np.broadcast_to(np.asarray(swept, float), (40, 40)).copy())


def test_one_count_square() -> None:
    """A square of 14 signals says 14 +- 3.7 per m2 at its place, and nothing 10 m away."""
    junk = local_junk(digs(), np.zeros((40, 40)), [CountSquare(20.5, 20.5, 14)], NOTHING)
    assert junk.per_m2[19, 20] == pytest.approx(14) and junk.sd_per_m2[19, 20] == pytest.approx(14**0.5)
    assert junk.source[19, 20] == COUNTED and junk.source[19, 31] == NOT_MEASURED
    assert junk.per_m2[19, 31] == 0


def test_several_squares_are_surer_than_one() -> None:
    """Four squares of one place have their mean, known twice as well as one."""
    squares = [CountSquare(20.5, 20.5, n) for n in (8, 10, 10, 12)]
    junk = local_junk(digs(), np.zeros((40, 40)), squares, NOTHING)
    assert junk.per_m2[19, 20] == pytest.approx(10)
    assert junk.sd_per_m2[19, 20] == pytest.approx((10 / 4) ** 0.5)


@given(st.lists(st.tuples(st.floats(-5, 45), st.floats(-5, 45)), max_size=6))
def test_digs_count_only_as_far_as_their_kernel_reaches(places: list[tuple[float, float]]) -> None:
    """A few digs, some of them off the ground, count round their places what a kernel over all of the ground gives."""
    x, y = np.array(places, float).reshape(-1, 2).T
    blur = gaussian_filter(histogram(GRID, x, y), 2.5, mode="constant", truncate=4.0)
    assert np.array_equal(digs().per_m2(x, y), blur / digs().weight)


def test_digs_are_counted_per_swept_ground() -> None:
    """0.5 digs per m2 are found as 0.5, in the middle, at the edge, and where half the ground was never swept."""
    random = np.random.default_rng(1)
    x, y = random.random((2, 80_000)) * 40
    thinned = slice(None, 800)  # 0.5 per m2
    swept = np.zeros((40, 40))
    swept[:, :20] = 1
    whole = digs().per_m2(x, y) / 100  # many digs, so that chance plays no part
    assert whole == pytest.approx(0.5, rel=0.1)
    west = x < 20
    half = digs(swept).per_m2(x[west], y[west]) / 100
    assert half[:, :20] == pytest.approx(0.5, rel=0.1) and (half[:, 35:] == 0).all()
    few = digs().per_m2(x[thinned], y[thinned])
    assert few.mean() == pytest.approx(0.5, rel=0.1)


def test_digs_tell_how_far_counted_junk_goes() -> None:
    """Squares at one end of a belt of junk that was dug evenly tell of all of it, up to its edge, and not beyond; a
    square at its very edge is not taken for half of what it counted.
    """
    belt = digs()
    x, y = (v.ravel() for v in np.meshgrid(np.arange(1.0, 40, 2), np.arange(13.0, 27, 2)))  # 0.25 per m2
    dug = belt.add(x, y).whole(40, 40)
    junk = local_junk(belt, dug, [CountSquare(2.0, 20.0, 10), CountSquare(3.0, 13.0, 10)], NOTHING)
    assert (junk.source[14:29, :] == COUNTED).all() and junk.per_m2[16:24, 5:35] == pytest.approx(10, rel=0.05)
    assert (junk.source[:9, 12:] == NOT_MEASURED).all() and (junk.source[34:, 12:] == NOT_MEASURED).all()
    across = junk.per_m2[:, 20]
    assert 4 < across[14] < 8 and 4 < across[28] < 8 and across[11] < 1 > across[30]


def test_digs_are_a_lower_bound() -> None:
    """Where nobody counted, what was dug is what is known; a square or a drawn number that is less gives way to it."""
    x, y = np.full(300, 10.5), np.full(300, 29.5)
    dug = digs().per_m2(x, y)
    junk = local_junk(digs(), dug, [], np.full((40, 40), 1.0))
    assert junk.source[10, 10] == DUG and junk.per_m2[10, 10] == pytest.approx(dug[10, 10])
    assert junk.source[30, 35] == DRAWN and junk.per_m2[30, 35] == 1
    counted = local_junk(digs(), dug, [CountSquare(10.5, 29.5, 2)], NOTHING)
    assert counted.source[10, 10] == COUNTED and counted.per_m2[10, 10] == pytest.approx(dug[10, 10])


def test_a_square_goes_before_what_was_drawn() -> None:
    """Count squares go before a drawn number, and that before what is usual."""
    drawn = NOTHING.copy()
    drawn[:, :30] = 4.0
    junk = local_junk(digs(), np.zeros((40, 40)), [CountSquare(5.5, 20.5, 9)], drawn, 2.0)
    assert (junk.source[19, 5], junk.source[19, 25], junk.source[19, 35]) == (COUNTED, DRAWN, ASSUMED)
    assert junk.per_m2[19, [5, 25, 35]] == pytest.approx([9, 4, 2])


def test_what_was_dug_before_a_square_was_counted_is_added() -> None:
    """A square that was counted after 3 per m2 were dug tells of junk before: its signals and those three."""
    square = CountSquare(20.5, 20.5, 4, dug_before_per_m2=3.0)
    junk = local_junk(digs(), np.zeros((40, 40)), [square], NOTHING)
    assert junk.per_m2[19, 20] == pytest.approx(7)


def test_few_digs_tell_little() -> None:
    """A Poisson count of 25 is known to about +-40 %, of fewer worse, and of none not at all."""
    assert error_pct(25) == pytest.approx(39.2, abs=0.1)
    assert (error_pct(24) or 0) > 40 and error_pct(0) is None


def test_places_outside_the_grid_are_not_counted() -> None:
    """A dig beside the site is in no cell; one on the grid is in its own."""
    counts = histogram(GRID, np.array([0.5, -0.5, 40.5]), np.array([39.5, 5.0, 5.0]))
    assert counts.sum() == 1 and counts[0, 0] == 1
