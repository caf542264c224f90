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
    gaps = np.flatnonzero(parts > 1)  # the only ones that anything is put in
    between = parts[gaps] - 1
    which = np.repeat(np.arange(gaps.size), between)
    share = (np.arange(which.size) - np.repeat(np.cumsum(between) - between, between) + 1) / parts[gaps][which]
    velocity = np.gradient(x, t), np.gradient(y, t)
    reach, lasting = np.hypot(*velocity), np.diff(t)[gaps]
    scale = [
        np.minimum(1, LONGEST * gap_m[gaps] / np.maximum(r * lasting, 1e-9)) * lasting
        for r in (reach[gaps], reach[gaps + 1])
    ]
    s2, s3 = share * share, share**3
    weights = [2 * s3 - 3 * s2 + 1, s3 - 2 * s2 + share, 3 * s2 - 2 * s3, s3 - s2]
    is_fix = np.ones(x.size + which.size, bool)
    is_fix[np.repeat(gaps + 1, between) + np.arange(which.size)] = False
    line = np.empty((2, is_fix.size))
    for out, v, speed in zip(line, (x, y), velocity, strict=True):
        ends, tangents = (v[gaps], v[gaps + 1]), (scale[0] * speed[gaps], scale[1] * speed[gaps + 1])
        out[is_fix] = v
        out[~is_fix] = _curve(ends, tangents, which, weights)
    return line[0], line[1]


def _curve(
    ends: tuple[Floats, Floats], tangents: tuple[Floats, Floats], which: NDArray[np.int64], weights: list[Floats]
) -> Floats:
    """Cubic Hermite at places of which intervals: by the values and tangents at both ends of each.

    weights : at each place, of the value and the tangent where its interval begins, then of both where it ends.
    """
    return np.asarray(
        weights[0] * ends[0][which]
        + weights[1] * tangents[0][which]
        + weights[2] * ends[1][which]
        + weights[3] * tangents[1][which]
    )
