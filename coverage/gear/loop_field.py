"""The magnetic field of a closed loop of straight wires, by the law of Biot and Savart.

Thin wires in air, steady current; metres, amperes, tesla.
"""

import math

import numpy as np
from numpy.typing import ArrayLike

from fieldcomb.tracks.recording import Floats

MU0 = 4e-7 * math.pi  # T m / A; the value of 2019 differs in the tenth digit


def polygon_field(corners_m: ArrayLike, at_m: ArrayLike, current_a: float = 1.0) -> Floats:
    """Field of a closed loop of straight wires, exact for each of its sides: float64 (k, 3) in tesla.

    A side from p to q gives mu0 I / (4 pi) (r1 x r2) (|r1| + |r2|) / (|r1| |r2| (|r1| |r2| + r1 . r2)), where r1 and r2
    lead from the place to p and to q (Hanson and Hirshman 2002, from memory; checked against
    published values for a circle).

    corners_m : array_like (n, 3), the corners in order; the last is joined to the first.
    at_m : array_like (k, 3), places. On a wire itself the field is infinite or undefined.
    current_a : I.
    """
    first = np.asarray(corners_m, float)[None, :, :] - np.asarray(at_m, float)[:, None, :]
    second = np.roll(first, -1, axis=1)
    d1, d2 = np.linalg.norm(first, axis=2), np.linalg.norm(second, axis=2)
    both = d1 * d2
    with np.errstate(divide="ignore", invalid="ignore"):  # on the wire
        weight = (d1 + d2) / (both * (both + (first * second).sum(axis=2)))
        return np.asarray(MU0 * current_a / (4 * math.pi) * (np.cross(first, second) * weight[..., None]).sum(axis=1))
