"""The chance that ground was walked, by how far it lies inside the edge of walked ground."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import distance_transform_edt
from scipy.special import log_ndtr

from fieldcomb.coverage.estimate.effort import Plot, plot_of
from fieldcomb.coverage.estimate.walked_edge import chance_inside
from fieldcomb.coverage.raster.grid import grid_over
from fieldcomb.tracks.recording import Floats


def site(east_m: int, north_m: int, tree: bool) -> Plot:
    """A field, with or without a tree in the middle that is not part of it."""
    grid = grid_over((0, 0, east_m, north_m), 0.5)
    inside = np.ones((grid.rows, grid.cols), bool)
    inside[grid.rows // 2 - 3 : grid.rows // 2 + 3, grid.cols // 2 - 3 : grid.cols // 2 + 3] = not tree
    return plot_of(inside, grid, 4.0)


def within_a_box(plot: Plot, west: float, north: float, east: float, south: float) -> Floats:
    """How far each cell of the site lies inside a box, whose sides are told as shares of the plot; outside negative."""
    rows, cols = plot.share.shape
    box = np.zeros(plot.share.shape, bool)
    box[round(north * rows) : round(south * rows) + 1, round(west * cols) : round(east * cols) + 1] = True
    within = distance_transform_edt(np.pad(box, 1))[1:-1, 1:-1] - distance_transform_edt(~box)
    return np.asarray(within[plot.inside] * plot.cell_m)


def by_the_law(plot: Plot, within: Floats, sigma_m: float) -> Floats:
    """The chance of every cell by the law as it stands: an edge in the field or a rim along the boundary."""

    def between(within: Floats, room: Floats) -> Floats:
        return np.asarray(1 - np.exp(log_ndtr(-within) - log_ndtr(room - within)))

    depth = plot.within_m[plot.inside]
    edge = depth + 0.5 - within
    outer = depth < plot.cell_m
    up_to_rim = min(max(float((edge[outer] < 4).mean()), 0.02), 0.9)
    outer &= np.abs(edge) < 4
    rim = max(float(edge[outer].mean()) + min(0.4, 0.255 * sigma_m), 0.0) if outer.any() else 4.0
    both, sd, field_sd = sigma_m**2 + 0.25, sigma_m * 0.5 / math.sqrt(sigma_m**2 + 0.25), 0.6 * sigma_m
    mean = (edge * 0.25 + rim * sigma_m**2) / both
    near = math.log(up_to_rim / math.sqrt(both)) - (edge - rim) ** 2 / (2 * both) + log_ndtr(mean / sd)
    far = math.log((1 - up_to_rim) * math.sqrt(2 * math.pi) / 20) + log_ndtr(edge / field_sd)
    share = 1 / (1 + np.exp(np.clip(far - near, -50, 50)))
    to_rim = between((depth + 0.5 - mean) / sd, (depth + 0.5) / sd)
    return np.where(edge < -4, 1.0, share * to_rim + (1 - share) * between(within / field_sd, (depth + 0.5) / field_sd))


PART = st.floats(0, 1)


@given(
    st.integers(20, 120),
    st.integers(20, 60),
    st.booleans(),
    st.tuples(PART, PART, PART, PART),
    st.floats(-12, 12),
    st.floats(0.02, 9),
)
@settings(max_examples=150, deadline=None)
def test_ground_far_from_any_edge_is_as_sure_as_the_law_has_it(
    east_m: int, north_m: int, tree: bool, box: tuple[float, float, float, float], by_m: float, sigma_m: float
) -> None:
    """Chances that are told without working them out are those of the law, to the last bit: on small and wide sites,
    of blocks in the field and along the boundary, with any receiver.
    """
    plot = site(east_m, north_m, tree)
    (west, east), (north, south) = sorted(box[:2]), sorted(box[2:])
    within = within_a_box(plot, west, north, east, south) + by_m
    np.testing.assert_array_equal(chance_inside(plot, within, sigma_m), by_the_law(plot, within, sigma_m))


def test_the_chance_falls_from_one_to_none_across_an_edge() -> None:
    """Deep in a block it is 1, far outside below a billionth, and half at an edge in the middle of a field."""
    plot = site(90, 60, tree=False)
    across = within_a_box(plot, 0.0, 0.0, 0.5, 1.0)
    chance = chance_inside(plot, across, 1.6)
    assert (chance[across > 20] == 1).all() and (chance[across < -20] < 1e-9).all()
    middle = (np.abs(across) <= 1) & (plot.within_m[plot.inside] > 15)
    assert 0.4 < chance[middle].mean() < 0.6
