"""A recorder on the shaft writes down the coil's own way: its centre line, how far it swings, and how fast.

Everything that is asked of a walk (pace, stops, passes) is asked of the centre line; what was swept is the way itself.
"""

from dataclasses import replace

import numpy as np

from fieldcomb.tracks.motion.cleaning import Fixes
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

ROUGH_S = 4.0  # longer than two sweeps of anybody, to find how long a sweep takes
HEADING_S = 8.0
LEAST_M = 0.1  # to each side; less is no swing
LEAST_SWEEPS = 10
FIXES_A_SWEEP = 3.0
LONGEST_STEP_S = 0.5  # coarser recordings cannot hold a zig-zag


@dataclass(frozen=True, slots=True, eq=False)
class Zigzag:
    """The swing in a recording.

    centre : the fixes with their places moved to the centre line. half_m : how far the coil's centre goes to each side
    of it. sweep_s : seconds from one side to the other.
    """

    centre: Fixes
    half_m: float
    sweep_s: float


def find_zigzag(fixes: Fixes) -> Zigzag | None:
    """Find the swing in a recording; None where it has no clock, too few fixes a sweep, or no swing to speak of.

    A sweep is from one crossing of the centre line to the next. The centre line is the mean over two sweeps, in which
    the two sides cancel; ``half_m`` is the median of the farthest place of each sweep, which a receiver with n fixes a
    sweep sees too near by at most 1/n of it.
    """
    if not fixes.timed or len(fixes) < 30 or float(np.median(np.diff(fixes.t_s))) > LONGEST_STEP_S:
        return None
    rough = _beside(fixes, _centre(fixes, ROUGH_S))
    crossings = _crossings(rough)
    if crossings.size <= LEAST_SWEEPS:
        return None
    sweep_s = float(np.median(np.diff(fixes.t_s[crossings])))
    if sweep_s < FIXES_A_SWEEP * float(np.median(np.diff(fixes.t_s))):
        return None
    centre = _centre(fixes, 2 * sweep_s)
    beside = _beside(fixes, centre)
    crossings = _crossings(beside)
    if crossings.size <= LEAST_SWEEPS:
        return None
    peaks = np.maximum.reduceat(np.abs(beside), crossings)[:-1]
    lasting = np.diff(fixes.t_s[crossings])
    whole = (lasting > sweep_s / 2) & (lasting < 2 * sweep_s)
    half_m = float(np.median(peaks[whole])) if whole.any() else 0.0
    return Zigzag(centre, half_m, sweep_s) if half_m >= LEAST_M else None


def _centre(fixes: Fixes, window_s: float) -> Fixes:
    """Fixes moved to the mean of those within half a window to each side, in their own unbroken piece."""
    x, y = fixes.x_m.copy(), fixes.y_m.copy()
    for a, b in fixes.pieces:
        t = fixes.t_s[a:b]
        # At the ends the window shrinks to both sides alike, or the line would be pulled aside there.
        reach = np.minimum(np.minimum(t - t[0], t[-1] - t), window_s / 2)
        for v, out in ((fixes.x_m[a:b], x), (fixes.y_m[a:b], y)):
            out[a:b] = _mean_over(t, v, reach)
    return replace(fixes, x_m=x, y_m=y)


def _mean_over(t: Floats, v: Floats, reach: Floats) -> Floats:
    """Mean over time of a line through (t, v), from t - reach to t + reach, by its exact integral."""
    area = np.concatenate([[0.0], np.cumsum((v[1:] + v[:-1]) / 2 * np.diff(t))])
    low, high = t - reach, t + reach

    def integral(at: Floats) -> Floats:
        k = np.clip(np.searchsorted(t, at, side="right") - 1, 0, t.size - 2)
        value = np.interp(at, t, v)
        whole: Floats = area[k] + (v[k] + value) / 2 * (at - t[k])
        return whole

    if t.size < 2:
        return v
    wide = reach > 0
    mean = v.copy()
    mean[wide] = (integral(high[wide]) - integral(low[wide])) / (2 * reach[wide])
    return mean


def _beside(fixes: Fixes, centre: Fixes) -> Floats:
    """How far each fix lies to the left of the centre line, in metres."""
    t = fixes.t_s
    ahead, behind = (np.clip(t + way * HEADING_S / 2, t[0], t[-1]) for way in (1, -1))
    dx, dy = (np.interp(ahead, t, v) - np.interp(behind, t, v) for v in (centre.x_m, centre.y_m))
    length = np.maximum(np.hypot(dx, dy), 1e-9)
    return np.asarray((dx * (fixes.y_m - centre.y_m) - dy * (fixes.x_m - centre.x_m)) / length)


def _crossings(beside_m: Floats) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Number of the first fix after each change of side, those by less than a swing's least width aside."""
    far = np.flatnonzero(np.abs(beside_m) > LEAST_M / 2)
    turns = np.flatnonzero(np.diff(np.sign(beside_m[far])) != 0)
    return np.asarray(far[turns + 1], np.int64)
