"""How far off a receiver places a walk: the classes that people type, and what follows from them.

The error of a fix is taken as circular normal: the same standard deviation sigma to the north and to the east.
"""

from __future__ import annotations

import math

from fieldcomb.tracks.units import parse_length_m

# Metres, each axis: the slow part (over a quarter of an hour), the fast part (over half a minute), and fix to fix.
# Simulated and compared with recordings of known walks before the program was written; no published source.
PARTS_M = {"good": (1.0, 0.3, 0.10), "typical": (1.5, 0.5, 0.15), "poor": (3.0, 1.0, 0.25)}

# 95 % of fixes lie within so many sigma of the true place, by the Rayleigh distribution: P = 1 - exp(-r^2 / 2 sigma^2).
R95_SIGMAS = math.sqrt(-2 * math.log(0.05))  # 2.44775


def sigma_m(gps: str) -> float:
    """Give the standard deviation of a fix on each axis in metres.

    ``gps`` is ``good``, ``typical``, ``poor``, or a length as typed: two thirds of fixes are within it each way, which
    is one sigma.

    >>> sigma_m("2m")
    2.0
    """
    parts = PARTS_M.get(gps)
    return parse_length_m(gps, "gps error") if parts is None else math.hypot(*parts)


def r95_m(gps: str) -> float:
    """Give the radius in metres round the true place that 95 % of fixes lie within.

    >>> round(r95_m("typical"), 2)
    3.89
    """
    return R95_SIGMAS * sigma_m(gps)
