"""A curve through fixes that lie far apart: a walker turns in an arc, not along the chord between two fixes."""

import numpy as np
from numpy.typing import NDArray

from fieldcomb.tracks.recording import Floats

STEP_M = 0.5  # fixes closer than this are joined by straight lines
LONGEST = 2.0  # a tangent is at most this many times the distance between two fixes, so that a lost fix makes no loop


def bend(t_s: Floats, x_m: Floats, y_m: Floats) -> tuple[Floats, Floats]:
    """Put points between fixes more than 0.5 m apart, on a cubic Hermite curve in time through all fixes.

    The curve goes through every fix, so nothing is smoothed. Its velocity at a fix is that of the parabola in time
    through the fix and its two neighbours, so that a turn between two fixes swings out as far as the pace asks.

    t_s : float64 (n,), time at each fix without the time stood still, not falling.
    x_m, y_m : float64 (n,), places of the fixes.
    """
    moved = np.hypot(np.diff(x_m), np.diff(y_m)) > 0
    keep = np.append(True, moved & (np.diff(t_s) > 1e-6))
    gap_m = np.hypot(np.diff(x_m[keep]), np.diff(y_m[keep]))
    if gap_m.size < 2 or float(gap_m.max()) <= STEP_M or (np.diff(t_s) <= 0)[moved].any():
        return x_m, y_m
    t, x, y = t_s[keep], x_m[keep], y_m[keep]
    parts = np.where(gap_m > STEP_M, np.ceil(1.5 * gap_m / STEP_M), 1).astype(np.int64)
    which = np.repeat(np.arange(parts.size), parts)
    share = (np.arange(which.size) - np.repeat(np.cumsum(parts) - parts, parts)) / parts[which]
    velocity = np.gradient(x, t), np.gradient(y, t)
    reach = np.hypot(*velocity)
    lasting = np.diff(t)
    scale = [np.minimum(1, LONGEST * gap_m / np.maximum(r * lasting, 1e-9)) * lasting for r in (reach[:-1], reach[1:])]
    s2, s3 = share * share, share**3
    weights = [2 * s3 - 3 * s2 + 1, s3 - 2 * s2 + share, 3 * s2 - 2 * s3, s3 - s2]
    return _curve(x, velocity[0], scale, which, weights), _curve(y, velocity[1], scale, which, weights)


def _curve(v: Floats, velocity: Floats, scale: list[Floats], which: NDArray[np.int64], weights: list[Floats]) -> Floats:
    """Cubic Hermite through ``v`` in the given intervals, and the last point; weights of begin, end and tangents."""
    inner = (
        weights[0] * v[which]
        + weights[1] * (scale[0] * velocity[:-1])[which]
        + weights[2] * v[which + 1]
        + weights[3] * (scale[1] * velocity[1:])[which]
    )
    return np.append(inner, v[-1])
