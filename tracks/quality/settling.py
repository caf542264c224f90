"""Whether the receiver had found its place when the recording began."""

import numpy as np
from numpy.typing import NDArray

from fieldcomb.tracks.motion.cleaning import Fixes
from fieldcomb.tracks.motion.spikes import WILD_M_S
from fieldcomb.tracks.recording import Floats, Track

EARLY_S = 180.0
LATER_S = 300.0  # a recording must go on for so long, to have something to be held against
BLOCK_S = 20.0
BLOCK_FIXES = 9
UNEVEN_M = 0.5  # usual bend from fix to fix below which nothing is said
BLOCK_RATIO = 3.0  # to what nine in ten later blocks stay below
JUMP_S = 120.0
JUMP_M = 10.0
JUMP_RATIO = 4.0  # to the steps around it: a drive to the site is no jump
DRIFT_M_S = 2.5  # no one walks this fast with a coil
DRIFT_S = 10.0
DRIFT_M = (10.0, 100.0)  # farther is a drive


def without_position_s(track: Track) -> float:
    """Seconds from the first fix to the first with a position; 0 without a clock, or when none has one."""
    known = np.flatnonzero(np.isfinite(track.lon_deg) & np.isfinite(track.lat_deg))
    if known.size == 0 or known[0] == 0:
        return 0.0
    before = track.time_s[: known[0]]
    before = before[np.isfinite(before)]
    first = float(track.time_s[known[0]])
    return max(first - float(before[0]), 0.0) if before.size and np.isfinite(first) else 0.0


def unsettled_s(fixes: Fixes) -> float:
    """Seconds at the beginning in which the receiver was still finding its place; 0 when it had found it.

    Three signs, each held against the rest of the recording: places that swerve far more from fix to fix; a single jump
    of 10 m and more; a drift too fast for a walker, too short for a drive. A slow drift looks like walking, and cannot
    be judged. The limits were chosen for this project.
    """
    if not fixes.timed or len(fixes) < 60 or float(np.ptp(fixes.t_s)) < EARLY_S + LATER_S:
        return 0.0
    t = fixes.t_s - fixes.t_s[0]
    return max(_uneven_s(t, fixes.x_m, fixes.y_m), _jumped_s(t, fixes.x_m, fixes.y_m), _drifted_s(t, fixes))


def _uneven_s(t: Floats, x: Floats, y: Floats) -> float:
    usual = float(np.median(np.diff(t)))
    size = max(BLOCK_FIXES, round(BLOCK_S / max(usual, 0.01)))
    # Against time and not the number of fixes: at uneven intervals a brisk walk has uneven steps.
    share = (t[1:-1] - t[:-2]) / np.maximum(t[2:] - t[:-2], 1e-6)
    off_x, off_y = (v[1:-1] - v[:-2] - share * (v[2:] - v[:-2]) for v in (x, y))
    bend = 2 * np.hypot(off_x, off_y)
    count = bend.size // size
    blocks = np.median(bend[: count * size].reshape(count, size), axis=1)
    ends = t[np.arange(1, count + 1) * size]
    later = blocks[ends > EARLY_S + size * usual]
    if later.size < 5:
        return 0.0
    limit = max(UNEVEN_M * max(usual / 2, 1.0), BLOCK_RATIO * float(np.quantile(later, 0.9)))
    early = (ends <= EARLY_S) & (blocks > limit)
    return float(ends[early].max()) if early.any() else 0.0


def jumps(t_s: Floats, x_m: Floats, y_m: Floats) -> NDArray[np.intp]:
    """Which steps are jumps: 10 m and more, faster than anybody walks, and far longer than the steps around them."""
    step = np.hypot(np.diff(x_m), np.diff(y_m))
    far = np.flatnonzero((step > JUMP_M) & (step > WILD_M_S * np.diff(t_s)))
    alone = [k for k in far.tolist() if step[k] > JUMP_RATIO * _beside(step, k)]
    return np.array(alone, np.intp)


def _beside(step: Floats, k: int) -> float:
    around = (step[max(k - 5, 0) : k], step[k + 1 : k + 6])
    return max((float(np.median(part)) for part in around if part.size), default=0.0)


def _jumped_s(t: Floats, x: Floats, y: Floats) -> float:
    found = jumps(t, x, y)
    early, later = found[t[found + 1] <= JUMP_S], found[t[found] > EARLY_S]
    return float(t[early + 1].max()) if early.size and later.size <= 1 else 0.0


def _drifted_s(t: Floats, fixes: Fixes) -> float:
    x, y = fixes.x_m, fixes.y_m
    then = np.minimum(np.searchsorted(t, t + DRIFT_S), t.size - 1)
    lasting = t[then] - t
    pace = np.hypot(x[then] - x, y[then] - y) / np.maximum(lasting, DRIFT_S)
    later = pace[t > EARLY_S]
    fast = np.flatnonzero((t <= EARLY_S) & (pace > max(DRIFT_M_S, 2 * float(np.quantile(later, 0.995)))))
    if fast.size == 0 or _jumped_s(t, x, y):
        return 0.0
    first, last = fast[0], then[fast[-1]]
    low, high = DRIFT_M
    return float(t[last]) if low <= np.hypot(x[last] - x[first], y[last] - y[first]) <= high else 0.0
