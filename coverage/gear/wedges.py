"""Walking too fast leaves wedges: which share of the swath the coil itself passes over.

Model: the coil's centre runs a triangle wave of amplitude A to each side while the searcher walks on at pace v; one
sweep from side to side takes T. The coil is an ellipse, Wc wide and L long. With m = v T / (2 A), the way forward for
each metre of way across, one sweep covers at the lateral place u a piece of L_eff fore and aft, and the sweeps cross u
alternately v T (1 - |u|/A) and v T (1 + |u|/A) apart:

    L_eff = sqrt(L^2 + (Wc m)^2),    q = L_eff / (v T)
    f(u)  = 1/2 [min(1 - |u|/A, q) + min(1 + |u|/A, q)]    for |u| <= A

c is the mean of that over the full swath W: the outer half coils, where the coil turns, are covered less. Worked out
for this project and tested against a simulated zigzag. All of it is a model: no one swings so evenly.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fieldcomb.tracks.recording import Floats

GOOD_SHARE = 0.95  # what a pace is asked for; chosen for this project
FASTEST_M_S = 5.0
HALVINGS = 50  # when a pace is looked for

LEAST_STEP_M = 1e-9  # a shorter way in one sweep is none, and dividing by it would overflow


def half_swing_m(width_m: float, swath_m: float) -> float:
    """How far the coil's centre goes to each side, A = (W - Wc) / 2; 0 where the swath is no wider than the coil."""
    return max(0.0, (swath_m - width_m) / 2)


def share_under_coil(
    width_m: float, length_m: float, swath_m: float, sweep_s: float, pace_m_s: ArrayLike, *, half_m: float | None = None
) -> Floats:
    """c: share of the full swath that the coil itself passes over, for each pace.

    width_m, length_m : the coil, left to right and fore and aft; or its footprint at a depth, which may be nothing at
    all.
    swath_m : the full width W that the share is of.
    sweep_s : seconds for one sweep, from one side to the other.
    pace_m_s : walking speed while searching; at 0 everything that is reached is covered.
    half_m : how far the centre goes to each side, where that is not (W - width) / 2: for a footprint narrower than the
    coil.

    Returns float64, in the shape of ``pace_m_s``; NaN where that is.
    """
    step = np.asarray(pace_m_s, float) * sweep_s
    a = max(0.0, width_m) / 2
    half = half_swing_m(width_m, swath_m) if half_m is None else max(0.0, half_m)
    if a <= 0 or length_m <= 0 or swath_m <= 0:
        return np.where(np.isnan(step), np.nan, 0.0)
    reached = min(1.0, 2 * (half + a) / swath_m)
    moving = step > LEAST_STEP_M
    gaps = _gaps_m(a, length_m, half, np.where(moving, step, 1.0)) if half > 0 else np.zeros_like(step)
    share = reached - np.where(moving, gaps, 0.0) / swath_m
    return np.asarray(np.where(np.isnan(step), np.nan, np.clip(share, 0.0, 1.0)))


def pace_for(
    width_m: float, length_m: float, swath_m: float, sweep_s: float, share: float = GOOD_SHARE
) -> float | None:
    """Pace in m/s up to which c stays at ``share`` or above; None where it does so at any pace that can be walked."""

    def c(pace_m_s: float) -> float:
        return float(share_under_coil(width_m, length_m, swath_m, sweep_s, pace_m_s))

    if c(FASTEST_M_S) >= share:
        return None
    low, high = 0.0, FASTEST_M_S
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if c(middle) >= share else (low, middle)
    return low


def _gaps_m(a: float, length_m: float, half_m: float, step_m: Floats) -> Floats:
    """Integral over the swath of the share that no sweep covers, in metres.

    Between one sweep and the next the gap at x, in steps v T, is 1 - t/A - (L / v T) sqrt(1 - ((t - x)/a)^2). Here t,
    where the coil's centre is when its front edge is at its farthest at x, is x + d held between -A and A, and
    d = a w0. Gaps before and after a sweep mirror each other, so one of them is integrated over all of the swath:
    a parabola where t is free, an arc where the coil turns.
    """
    q0 = length_m / step_m
    slope = step_m / (2 * half_m)
    w0 = slope * a / np.hypot(slope * a, length_m / 2)
    q = np.hypot(length_m / step_m, a / half_m)  # L_eff / (v T)
    free = 2 * half_m * np.maximum(0.0, 1 - (q - a * w0 / half_m) / 2) ** 2
    w1 = np.maximum(w0, np.sqrt(np.maximum(0.0, 1 - (2 / q0) ** 2)))
    turn = a * (2 * (1 - w1) - q0 * (math.pi / 4 - _arc(w1)))
    return np.asarray(free + np.maximum(0.0, turn))


def _arc(w: NDArray[np.float64]) -> Floats:
    """Integral of sqrt(1 - w^2) from 0."""
    return np.asarray((w * np.sqrt(np.maximum(0.0, 1 - w * w)) + np.arcsin(np.minimum(w, 1.0))) / 2)
