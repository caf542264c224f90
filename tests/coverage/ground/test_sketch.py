"""The boundary from walks is as fine as the swath, however far apart the ground lies, and never empty."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import box

from fieldcomb.coverage.ground.site_cells import SITE, rasterise_site
from fieldcomb.coverage.ground.sketch import between_walks
from fieldcomb.tracks.errors import AreaError
from fieldcomb.tracks.motion.legs import Leg

SWATH_M = 1.4


def lanes(count: int, length_m: float, x_m: float = 0.0, y_m: float = 0.0) -> list[tuple[Leg, float]]:
    """Lanes a swath apart, each a leg with its swath."""
    xs = (x_m + SWATH_M * k for k in range(count))
    return [(Leg(np.full(30, x), np.linspace(y_m, y_m + length_m, 30)), SWATH_M) for x in xs]


@pytest.mark.parametrize("away_m", [30.0, 1340.0, 4250.0, 70_000.0])
@pytest.mark.parametrize("cell_m", [0.1, 0.5])
def test_two_fields_keep_their_ground_however_far_apart(away_m: float, cell_m: float) -> None:
    """The ground of two fields is the sum of the two, at 40 m as at 100 km from one another."""
    alone = between_walks(lanes(10, 40), cell_m)
    both = between_walks(lanes(10, 40) + lanes(10, 40, away_m, away_m), cell_m)
    assert len(both.geoms) == 2
    assert both.area == pytest.approx(2 * alone.area, rel=0.02)  # the outline is an eighth of a swath fine
    assert both.area == pytest.approx(2 * (10 * SWATH_M * 40 + np.pi * SWATH_M**2 / 4), rel=0.04)


@pytest.mark.parametrize("apart_m", [40.0, 400.0])
def test_places_each_too_small_to_count_stay(apart_m: float) -> None:
    """Of 150 single places, each under 1 % of all the ground, every one is kept."""
    places = [(Leg(np.array([apart_m * k]), np.array([0.0])), SWATH_M) for k in range(150)]
    assert len(between_walks(places, 0.1).geoms) == 150
    ground = rasterise_site([], places, 0.1, "areas")
    assert ground.m2(SITE) == pytest.approx(150 * np.pi * SWATH_M**2 / 4, rel=0.015)  # a disc of whole cells


def test_a_narrow_swath_is_never_lost_between_large_cells() -> None:
    """A swath of 30 cm on a site of cells of 2 m still makes a boundary."""
    ground = between_walks([(Leg(np.array([0.0, 10.0]), np.array([0.3, 7.0])), 0.3)], 2.0)
    assert ground.area == pytest.approx(0.3 * np.hypot(10, 6.7), rel=0.2)


@pytest.mark.parametrize("away_m", [300.0, 1340.0])
def test_ground_is_the_same_with_a_place_far_off(away_m: float) -> None:
    """A field of 160 m by 180 m, too wide for one tile, keeps its outline when a far place has it drawn in tiles.

    Both are drawn in cells of an eighth of a swath; gaps close across the seams, which lie elsewhere for each place.
    """
    rng = np.random.default_rng(3)
    wander = [(Leg(*np.cumsum(rng.normal(0, 3.0, (2, 400)), axis=1)), SWATH_M) for _ in range(5)]
    alone = between_walks(wander, 0.35)
    field = box(*alone.bounds).buffer(10)
    both = between_walks([*wander, (Leg(np.array([away_m]), np.array([-away_m])), SWATH_M)], 0.35)
    assert alone.symmetric_difference(both.intersection(field)).area < 0.001 * alone.area
    assert alone.buffer(0.15).covers(both.intersection(field)) and both.buffer(0.15).covers(alone)


def test_without_searching_a_boundary_is_asked_for() -> None:
    """Nothing searched gives nothing to draw: the message asks for a boundary."""
    with pytest.raises(AreaError, match="no searching") as caught:
        between_walks([], 0.1)
    assert "--boundary" in str(caught.value)
