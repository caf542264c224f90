"""What a coil hears at depth: a model, held to what is known of it and to what must hold of any coil."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from fieldcomb.coverage.gear.coils import WINDINGS
from fieldcomb.coverage.gear.footprint import RECEIVE_SIZE, footprint_m, response, usual_reach_m
from fieldcomb.coverage.gear.loop_field import MU0


def test_response_on_the_axis_is_that_of_two_circles() -> None:
    """Under the middle of a round concentric coil it is the product of both loops' fields, to 0.3 %.

    The field on the axis of a circle of radius a is mu0 a^2 / (2 (a^2 + z^2)^1.5) for 1 A, as in any textbook.
    """
    z = np.array([0.05, 0.1, 0.2, 0.4])
    large, small = (MU0 / 2 * a**2 / (a**2 + z**2) ** 1.5 for a in (0.14, 0.14 * RECEIVE_SIZE))
    at = np.column_stack([0 * z, 0 * z, -z])
    assert response(0.28, 0.28, "concentric", at) == pytest.approx(large * small, rel=3e-3)


@pytest.mark.parametrize(("reach", "until"), [(0.75, 0.73), (1.0, 0.85), (2.0, 0.96)])
@pytest.mark.parametrize("winding", WINDINGS)
def test_a_round_coil_keeps_its_full_width_deep_down(winding: str, reach: float, until: float) -> None:
    """Down to 0.73, 0.85 and 0.96 of a reach of 0.75, 1 and 2 diameters a round coil is as wide as it is itself, and
    from 4 % of the reach farther down it is not.
    """
    size = 0.28
    above, below = (
        footprint_m(size, size, winding, (until + more) * reach * size, reach * size)[0] for more in (-0.01, 0.04)
    )
    assert above == pytest.approx(size) and below < 0.999 * size


@pytest.mark.parametrize("winding", WINDINGS)
def test_nothing_is_heard_from_the_reach_on(winding: str) -> None:
    """Just above its reach a coil hears a small spot on its axis, and at the reach and below nothing."""
    width, length = footprint_m(0.28, 0.28, winding, 0.2799, 0.28)
    assert 0 < width < 0.05 and 0 < length < 0.05
    assert footprint_m(0.28, 0.28, winding, 0.28, 0.28) == (0, 0) == footprint_m(0.28, 0.28, winding, 1.0, 0.28)
    assert footprint_m(0.28, 0.28, winding, 0.28) == (0, 0)  # one diameter when nothing is said
    assert footprint_m(0.28, 0.28, winding, 0.0) == (0.28, 0.28)


def test_round_coils_of_one_centre_hear_a_disc() -> None:
    """A round concentric coil hears as far to the side as it does ahead."""
    for depth in (0.05, 0.15, 0.25, 0.27):
        width, length = footprint_m(0.28, 0.28, "concentric", depth)
        assert width == pytest.approx(length, rel=1e-6)


def test_dd_hears_ahead_farther_than_aside_near_its_reach() -> None:
    """Deep down a round dd coil hears a patch longer than it is wide, since its loops lie beside each other."""
    width, length = footprint_m(0.28, 0.28, "dd", 0.27)
    assert width < length


def test_dd_coil_is_the_same_to_the_left_and_to_the_right() -> None:
    """The two loops of a dd coil mirror each other, so the response does."""
    at = np.array([[0.03, 0.05, -0.1], [0.1, -0.04, -0.2]])
    assert response(0.28, 0.28, "dd", at) == pytest.approx(response(0.28, 0.28, "dd", at * [-1, 1, 1]), rel=1e-9)


def test_long_coil_reaches_as_far_as_a_round_one_of_its_area() -> None:
    """Where no reach is told, a coil of 13 x 20 cm reaches 16 cm."""
    assert usual_reach_m(0.28, 0.28) == pytest.approx(0.28)
    assert usual_reach_m(0.13, 0.20) == pytest.approx(0.161, abs=0.001)


@settings(max_examples=40)
@given(
    winding=st.sampled_from(WINDINGS),
    width=st.floats(0.1, 0.5),
    longer=st.floats(0.6, 1.7),
    reach=st.floats(0.6, 2.0),
    depth=st.floats(0.0, 1.1),
)
@example(winding="concentric", width=0.5, longer=1.625, reach=0.609375, depth=0.40625)  # longest between two layers
def test_footprint_never_exceeds_the_coil_nor_grows_with_depth(
    winding: str, width: float, longer: float, reach: float, depth: float
) -> None:
    """Whatever the coil: never wider or longer than itself, and deeper never more than above."""
    reach_m = reach * width
    here = footprint_m(width, width * longer, winding, depth * reach_m, reach_m)
    deeper = footprint_m(width, width * longer, winding, depth * reach_m * 1.1 + 0.005, reach_m)
    for k, most in enumerate((width, width * longer)):
        assert 0 <= deeper[k] <= here[k] + 1e-3 * most <= most * 1.002
