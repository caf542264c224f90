"""What share of the swath the coil itself passes over while it swings: less, the faster the walk."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

ACROSS, ALONG, STEPS = 121, 48, 160  # points over the swath, over one period, and places of the coil on one sweep


def share_under_coil(width_m: float, length_m: float, swath_m: float, sweep_s: float, pace_m_s: float) -> float:
    """Mean share (0 to 1) of the swath that the coil passes over, with the outer half coil at both ends.

    The coil's centre runs a zig-zag of even sweeps, ``sweep_s`` from side to side, over swath less coil width, while
    the walker goes on at ``pace_m_s``; the coil is an ellipse. Worked out on one period.

    >>> round(share_under_coil(0.28, 0.28, 1.48, 1.0, 0.146), 2)
    0.95
    """
    half_m = (swath_m - width_m) / 2
    if half_m <= 0 or pace_m_s <= 0 or sweep_s <= 0:
        return 1.0
    return _share(*(round(v, 3) for v in (width_m, length_m, half_m, sweep_s * pace_m_s)))


@lru_cache(maxsize=512)
def _share(width_m: float, length_m: float, half_m: float, step_m: float) -> float:
    """Count points of one period (two sweeps); ``step_m`` is the way walked during one sweep."""
    if step_m <= 0:
        return 1.0
    u = (np.arange(ACROSS) + 0.5) / ACROSS * (2 * half_m + width_m) - half_m - width_m / 2
    y = (np.arange(ALONG) + 0.5) / ALONG * 2 * step_m
    covered = np.zeros((ACROSS, ALONG), bool)
    for sweep in range(-math.ceil(length_m / step_m) - 1, math.ceil(length_m / step_m) + 3):
        way = np.linspace(0, 1, STEPS)
        across = half_m * (2 * way - 1) * (1 if sweep % 2 == 0 else -1)
        ahead = (sweep + way) * step_m
        # Across, each place reaches so far fore and aft of the coil's centre; between two places it is a straight band.
        off = (u[:, None] - across) / (width_m / 2)
        reach = np.where(np.abs(off) <= 1, length_m / 2 * np.sqrt(np.maximum(1 - off**2, 0)), -np.inf)
        low, high = (ahead - reach).min(axis=1), (ahead + reach).max(axis=1)
        covered |= (y >= low[:, None]) & (y <= high[:, None])
    return float(covered.mean())
