"""A receiver that is worse than its class, seen from how far a recording leaves the site."""

import numpy as np
import pytest

from fieldcomb.coverage.estimate.effort import Plot, outside_m, plot_of
from fieldcomb.coverage.estimate.receiver_seen import seen
from fieldcomb.coverage.gear.receivers import receiver
from fieldcomb.coverage.raster.grid import grid_over
from fieldcomb.tracks.motion.legs import SearchPath

SIDE_M = 60.0
TYPICAL = receiver("typical")


def plot() -> Plot:
    """A field of 60 m by 60 m."""
    grid = grid_over((0, 0, SIDE_M, SIDE_M), 0.5)
    return plot_of(np.ones((grid.rows, grid.cols), bool), grid, 4.0)


def walk(sigma_m: float, seed: int = 1, low: float = 1.0, high: float = SIDE_M - 1.0) -> SearchPath:
    """Places all over a field up to a rim, each with a normal error of its own."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(low, high, (2, 20_000)) + sigma_m * rng.standard_normal((2, 20_000))
    return SearchPath(np.arange(x.size, dtype=float), x, y, x, y, np.full(x.size, 0.3))


@pytest.mark.parametrize("by", [1.8, 2.2, 2.8])
def test_how_much_worse_a_receiver_is_shows(by: float) -> None:
    """Errors of a known size are found to a tenth."""
    assert seen(plot(), [walk(by * TYPICAL.sigma_m)], TYPICAL).worse == pytest.approx(by, rel=0.1)


@pytest.mark.parametrize("by", [0.3, 1.0, 1.3])
def test_a_receiver_that_fits_its_class_is_believed(by: float) -> None:
    """One as good as told, better, or a little worse counts as it was told."""
    found = seen(plot(), [walk(by * TYPICAL.sigma_m)], TYPICAL)
    assert found.worse == 1 and found.receiver == TYPICAL


def test_the_worse_receiver_is_larger_in_all_parts() -> None:
    """Slow, fast and white error grow alike, three times at most."""
    found = seen(plot(), [walk(8.0)], TYPICAL)
    assert found.worse == 3 and found.receiver.sigma_m == pytest.approx(3 * TYPICAL.sigma_m)


def test_who_searches_beyond_the_boundary_has_no_worse_receiver() -> None:
    """A walk that goes on over the next field says nothing of the receiver."""
    assert seen(plot(), [walk(TYPICAL.sigma_m, high=SIDE_M + 40)], TYPICAL).worse == 1


def test_an_exact_receiver_is_believed() -> None:
    """With 2 cm whoever is recorded outside was there."""
    exact = receiver("2cm")
    assert seen(plot(), [walk(4.0)], exact).receiver == exact


def test_no_way_says_nothing() -> None:
    """Without any searching the class counts."""
    assert seen(plot(), [], TYPICAL).worse == 1


def test_how_far_outside_places_lie() -> None:
    """Inside it is 0; beyond the edge the distance to it, also off the plot, to within half a metre."""
    x, y = np.array([30.0, 62.0, 70.0, -3.0, 30.0]), np.array([30.0, 30.0, 30.0, 20.0, 90.0])
    assert outside_m(plot(), x, y) == pytest.approx([0, 2, 10, 3, 30], abs=0.6)
