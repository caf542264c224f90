"""Fields of wire loops against published values and against fields that have a closed form."""

from __future__ import annotations

import numpy as np
import pytest

from fieldcomb.coverage.gear.loop_field import MU0, polygon_field


def regular(radius_m: float, sides: int) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """A polygon of equal sides about the z axis, with the area of a circle: its field is nearly that of the circle."""
    turn = np.arange(sides) * 2 * np.pi / sides
    rim = radius_m * np.sqrt(2 * np.pi / sides / np.sin(2 * np.pi / sides))
    return np.column_stack([rim * np.cos(turn), rim * np.sin(turn), np.zeros(sides)])


def test_field_on_the_axis() -> None:
    """On the axis of a loop of 1 m radius with 1000 A, at 0 to 3 m, to 2e-6: values from the tests of magpylib."""
    field = polygon_field(regular(1.0, 4000), [[0, 0, z] for z in (0.0, 1.0, 2.0, 3.0)], 1000.0)
    published = [6.283185307e-4, 2.221441469e-4, 5.619851785e-5, 1.986917653e-5]
    assert field[:, 2] == pytest.approx(published, rel=2e-6)
    assert field[:, :2] == pytest.approx(0, abs=1e-15)


@pytest.mark.parametrize(
    ("r_m", "b_r", "b_z"),
    [
        (0.0625, 6.310293879e-7, 1.516364486e-6),
        (0.125, 9.146515823e-7, 7.718659099e-7),
        (0.25, 3.233781682e-7, -5.048235863e-8),
    ],
)
def test_field_off_the_axis(r_m: float, b_r: float, b_z: float) -> None:
    """Off the axis of a loop of 12.5 cm radius with 1 A, 12.5 cm above it, to 2e-6: worked out two ways before."""
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
    field = polygon_field(regular(0.15, 400), np.column_stack([r, 0 * r, z]))
    assert field[:, 0] / dipole == pytest.approx(3 * np.sin(angle) * np.cos(angle), abs=4e-4)
    assert field[:, 2] / dipole == pytest.approx(3 * np.cos(angle) ** 2 - 1, abs=4e-4)
