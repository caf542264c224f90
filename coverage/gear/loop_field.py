"""The magnetic field of wire loops: a circle by elliptic integrals, any polygon by the law of Biot and Savart.

Thin wires in air, steady current; metres, amperes, tesla.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from fieldcomb.tracks.recording import Floats

MU0 = 4e-7 * math.pi  # T m / A; the value of 2019 differs in the tenth digit
SERIES_BELOW = 0.1  # of the parameter m: there the integrals nearly cancel, and their power series are used
TERMS = 20  # of a series in m <= 0.1: the rest is below 1e-20


def circle_field(radius_m: float, r_m: ArrayLike, z_m: ArrayLike, current_a: float = 1.0) -> tuple[Floats, Floats]:
    """Field of a circular loop about the z axis at z = 0: (B_r, B_z) in tesla.

    With alpha^2 = (a - r)^2 + z^2, beta^2 = (a + r)^2 + z^2 and the parameter m = 4 a r / beta^2 (Smythe, Static and
    Dynamic Electricity; from memory, and checked against published values)

        B_r = mu0 I z / (2 pi r beta) [(a^2 + r^2 + z^2) / alpha^2 E(m) - K(m)]
        B_z = mu0 I / (2 pi beta)     [(a^2 - r^2 - z^2) / alpha^2 E(m) + K(m)]

    written so that nothing cancels near the axis or far away, and nothing is divided by r.

    Parameters
    ----------
    radius_m : float
        a, above 0.
    r_m, z_m : array_like
        Distance from the axis (0 or more) and height, of one shape. On the wire itself the field is infinite.
    current_a : float
        I.

    """
    from scipy.special import ellipe, ellipkm1

    r, z = np.broadcast_arrays(np.asarray(r_m, float), np.asarray(z_m, float))
    a = float(radius_m)
    alpha2, beta2 = (a - r) ** 2 + z * z, (a + r) ** 2 + z * z
    m = 4 * a * r / beta2
    near = m < SERIES_BELOW
    with np.errstate(divide="ignore", invalid="ignore"):  # on the wire
        rest = alpha2 / beta2  # 1 - m
        k, e = ellipkm1(np.where(near, 0.5, rest)), ellipe(m)
        radial = np.where(near, _radial_series(m), ((2 - m) * e - 2 * rest * k) / np.where(near, 1.0, m) ** 2)
        apart = np.where(near, _apart_series(m), k - e)
        scale = MU0 * current_a / (2 * math.pi * np.sqrt(beta2))
        b_r = scale * z * radial / (2 * rest) * 16 * a * a * r / beta2**2
        b_z = scale * (apart + 2 * a * (a - r) / alpha2 * e)
    return np.asarray(b_r), np.asarray(b_z)


def _radial_series(m: Floats) -> Floats:
    """[(2 - m) E - 2 (1 - m) K] / m^2 for small m; its first term is 3 pi / 16."""
    total, c = np.zeros_like(m), 1.0  # c: the squares of (2 n)! / (4^n n!^2)
    for n in range(2, TERMS + 2):
        c *= ((2 * n - 3) / (2 * n - 2)) ** 2
        total += c * 3 * (n - 1) / (n * (2 * n - 3)) * m ** (n - 2)
    return np.asarray(math.pi / 2 * total)


def _apart_series(m: Floats) -> Floats:
    """K - E for small m; its first term is pi m / 4."""
    total, c = np.zeros_like(m), 1.0
    for n in range(1, TERMS + 2):
        c *= ((2 * n - 1) / (2 * n)) ** 2
        total += c * 2 * n / (2 * n - 1) * m**n
    return np.asarray(math.pi / 2 * total)


def polygon_field(corners_m: ArrayLike, at_m: ArrayLike, current_a: float = 1.0) -> Floats:
    """Field of a closed loop of straight wires, exact for each of its sides: float64 (k, 3) in tesla.

    A side from p to q gives mu0 I / (4 pi) (r1 x r2) (|r1| + |r2|) / (|r1| |r2| (|r1| |r2| + r1 . r2)), where r1 and r2
    lead from the place to p and to q (Hanson and Hirshman 2002, from memory; checked against the circle).

    Parameters
    ----------
    corners_m : array_like (n, 3)
        The corners in order; the last is joined to the first.
    at_m : array_like (k, 3)
        Places. On a wire itself the field is infinite or undefined.
    current_a : float
        I.

    """
    first = np.asarray(corners_m, float)[None, :, :] - np.asarray(at_m, float)[:, None, :]
    second = np.roll(first, -1, axis=1)
    d1, d2 = np.linalg.norm(first, axis=2), np.linalg.norm(second, axis=2)
    both = d1 * d2
    with np.errstate(divide="ignore", invalid="ignore"):  # on the wire
        weight = (d1 + d2) / (both * (both + (first * second).sum(axis=2)))
        return np.asarray(MU0 * current_a / (4 * math.pi) * (np.cross(first, second) * weight[..., None]).sum(axis=1))
