"""Fields of wire loops: against published values, and one way of working them out against the other."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldcomb.coverage.gear.loop_field import MU0, circle_field, polygon_field


def regular(radius_m: float, sides: int) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """A polygon of equal sides about the z axis, with the area of a circle: its field is nearly that of the circle."""
    turn = np.arange(sides) * 2 * np.pi / sides
    rim = radius_m * np.sqrt(2 * np.pi / sides / np.sin(2 * np.pi / sides))
    return np.column_stack([rim * np.cos(turn), rim * np.sin(turn), np.zeros(sides)])


def test_field_on_the_axis() -> None:
    """On the axis of a loop of 1 m radius with 1000 A, at 0 to 3 m, to 1e-9: values from the tests of magpylib."""
    b_r, b_z = circle_field(1.0, 0.0, [0.0, 1.0, 2.0, 3.0], 1000.0)
    published = [6.283185307e-4, 2.221441469e-4, 5.619851785e-5, 1.986917653e-5]
    assert b_z == pytest.approx(published, rel=1e-9)
    assert (b_r == 0).all()


@pytest.mark.parametrize(
    ("r_m", "b_r", "b_z"),
    [
        (0.0625, 6.310293879e-7, 1.516364486e-6),
        (0.125, 9.146515823e-7, 7.718659099e-7),
        (0.25, 3.233781682e-7, -5.048235863e-8),
    ],
)
def test_field_off_the_axis(r_m: float, b_r: float, b_z: float) -> None:
    """Off the axis of a loop of 12.5 cm radius with 1 A, 12.5 cm above it, to 1e-6: worked out two ways before."""
    got = circle_field(0.125, r_m, 0.125)
    assert got[0] == pytest.approx(b_r, rel=1e-6) and got[1] == pytest.approx(b_z, rel=1e-6)
    [polygon] = polygon_field(regular(0.125, 4000), [[r_m, 0, 0.125]])
    assert polygon[[0, 2]] == pytest.approx([b_r, b_z], rel=2e-6)
    assert polygon[1] == pytest.approx(0, abs=1e-15)


def test_centre_of_a_square() -> None:
    """In the middle of a square of side s the field is 2 sqrt(2) mu0 I / (pi s), by integration of one side."""
    corners = np.array([[0, 0, 0], [0.4, 0, 0], [0.4, 0.4, 0], [0, 0.4, 0]])
    [field] = polygon_field(corners, [[0.2, 0.2, 0.0]], 3.0)
    assert field == pytest.approx([0, 0, 2 * np.sqrt(2) * MU0 * 3 / (np.pi * 0.4)], rel=1e-12, abs=1e-20)


def test_far_away_a_loop_is_a_dipole() -> None:
    """A hundred radii off, the field is that of a magnetic dipole of moment I times area, to 2e-4 of its size."""
    angle = np.radians([0, 20, 45, 80, 90])
    away = 100 * 0.15
    r, z = away * np.sin(angle), away * np.cos(angle)
    dipole = MU0 * np.pi * 0.15**2 / (4 * np.pi * away**3)
    b_r, b_z = circle_field(0.15, r, z)
    assert b_r / dipole == pytest.approx(3 * np.sin(angle) * np.cos(angle), abs=4e-4)
    assert b_z / dipole == pytest.approx(3 * np.cos(angle) ** 2 - 1, abs=4e-4)


@given(z=st.floats(0.01, 3.0), r=st.floats(1e-12, 1e-3))
def test_near_the_axis_nothing_cancels(z: float, r: float) -> None:
    """Close to the axis B_r is -r/2 dB_z/dz, as in any field without sources, down to a picometre."""
    b_r, _ = circle_field(0.14, r, z)
    slope = -3 * MU0 / 2 * 0.14**2 * z / (0.14**2 + z * z) ** 2.5
    assert b_r == pytest.approx(-r / 2 * slope, rel=1e-4)


def test_formulas_meet_where_they_change_hands() -> None:
    """On both sides of the place where the series give way to the integrals, the field is that of the polygon."""
    z, corners = 0.2, regular(0.14, 2000)
    at = np.linspace(0.003, 0.02, 40)  # the parameter m passes 0.1 on the way
    b_r, b_z = circle_field(0.14, at, z)
    field = polygon_field(corners, np.column_stack([at, 0 * at, 0 * at + z]))
    assert b_r == pytest.approx(field[:, 0], rel=1e-5) and b_z == pytest.approx(field[:, 2], rel=1e-5)
    m = 4 * 0.14 * at / ((0.14 + at) ** 2 + z * z)
    assert m.min() < 0.1 < m.max()
    steps = np.diff(b_r, n=2)
    assert np.abs(steps).max() < 1e-3 * np.abs(b_r).max()  # no jump
