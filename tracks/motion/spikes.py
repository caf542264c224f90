"""Spikes: fixes at places where the walker never was, known by the steps into and out of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from fieldcomb.tracks.recording import Flags, Floats, runs_of

Jump = Callable[["_Steps", NDArray[np.int64], NDArray[np.int64]], Flags]

SPIKE_WINDOW_S = 5.0  # to each side
SPIKE_M = 3.0
SPIKE_M_PER_S = 0.5
SPIKE_FIXES = 3  # to each side at least
WILD_M_S = 3.0
SPIKE_PACE_M_S = 1.2  # slower than this into and out of a place is walking, not a spike
DROPOUT_M = 25.0
DROPOUT_S = 30.0


def find_spikes(t_s: Floats, x_m: Floats, y_m: Floats) -> Flags:
    """Fixes where no one walked.

    Two rules, with ``room`` = 3 m + 0.5 m/s times the step at hand. Out and back: a fast step out, at most three fixes
    or 5 s there, a fast step back to where plain walking would have led, and more than ``room`` from that walk; next to
    a silence, one step of a running pace or faster is enough. And far: more than ``room`` from the median of the fixes
    within 5 s (at least two) to each side, entered or left by a fast step. Fast is much faster than the walking around
    it, so that sharp turns of a quick walk stay.
    """
    spikes = np.zeros(x_m.size, bool)
    rules = (partial(_out_and_back, jump=_two_fast), partial(_out_and_back, jump=_wild_and_silent), _far_off)
    for rule in rules:
        left = np.flatnonzero(~spikes)
        if left.size >= 3:
            spikes[left] = rule(_Steps.of(t_s[left], x_m[left], y_m[left]))
    return spikes


@dataclass(frozen=True, slots=True, eq=False)
class _Steps:
    """Fixes and the steps between them. Without a clock every step counts as one second."""

    t: Floats
    x: Floats
    y: Floats
    step_s: Floats
    usual_s: float
    limit: Floats  # (n - 1,) m/s above which a step is fast
    fast: Flags  # (n - 1,)
    wild: Flags  # (n - 1,) too fast for anybody on foot with a coil
    silent: Flags  # (n - 1,) long enough for a drop-out

    @staticmethod
    def of(t_s: Floats, x_m: Floats, y_m: Floats) -> _Steps:
        from scipy.ndimage import median_filter

        timed = bool(np.isfinite(t_s).all())
        t = t_s if timed else np.arange(x_m.size, dtype=float)
        step_s = np.maximum(np.diff(t), 1e-3)
        usual_s = float(np.median(step_s))
        pace = np.hypot(np.diff(x_m), np.diff(y_m)) / step_s
        size = min(2 * max(int(30 / usual_s), 3) + 1, 101)
        around = median_filter(pace, size, mode="nearest")
        limit = np.maximum(SPIKE_PACE_M_S, 1.5 * around) if timed else np.maximum(4 * SPIKE_M, 4 * around)
        # Repeated beyond the ends, a wild first or last step would vouch for itself; mirrored it counts once.
        mirrored = median_filter(pace, size, mode="mirror")
        wild = pace > (np.maximum(WILD_M_S, 1.5 * mirrored) if timed else np.maximum(DROPOUT_M, 4 * mirrored))
        return _Steps(t, x_m, y_m, step_s, usual_s, limit, (pace > limit) | wild, wild, step_s > DROPOUT_S)

    def count(self, least: int) -> int:
        """Number of fixes in 5 s: ``least`` or more, 50 or fewer."""
        return min(max(int(SPIKE_WINDOW_S / self.usual_s), least), 50)


def _two_fast(steps: _Steps, out: NDArray[np.int64], back: NDArray[np.int64]) -> Flags:
    return np.asarray(steps.fast[out] & steps.fast[back])


def _wild_and_silent(steps: _Steps, out: NDArray[np.int64], back: NDArray[np.int64]) -> Flags:
    return np.asarray((steps.wild[out] & steps.silent[back]) | (steps.silent[out] & steps.wild[back]))


def _out_and_back(steps: _Steps, jump: Jump) -> Flags:
    n = steps.x.size
    spikes = np.zeros(n, bool)
    for run in range(1, min(steps.count(SPIKE_FIXES), n - 2) + 1):
        before, after = np.arange(n - run - 1), np.arange(run + 1, n)
        lasting = steps.t[after] - steps.t[before]
        pace = np.hypot(steps.x[after] - steps.x[before], steps.y[after] - steps.y[before]) / lasting
        hit = jump(steps, before, after - 1) & (pace <= steps.limit[before])
        for k in range(1, run + 1):
            share = (steps.t[before + k] - steps.t[before]) / lasting
            x = steps.x[before] + share * (steps.x[after] - steps.x[before])
            y = steps.y[before] + share * (steps.y[after] - steps.y[before])
            away = np.hypot(steps.x[before + k] - x, steps.y[before + k] - y)
            hit &= away > SPIKE_M + SPIKE_M_PER_S * np.minimum(steps.step_s[before + k - 1], steps.step_s[before + k])
        for k in range(1, run + 1):
            spikes[before[hit] + k] = True
    return spikes


def _far_off(steps: _Steps) -> Flags:
    from scipy.ndimage import maximum_filter1d, median_filter

    size = 2 * min(steps.count(2), (steps.x.size - 1) // 2) + 1
    x, y = (median_filter(v, size, mode="mirror") for v in (steps.x, steps.y))
    longest = maximum_filter1d(np.append(steps.step_s, steps.step_s[-1]), size, mode="nearest")
    room = SPIKE_M + SPIKE_M_PER_S * np.minimum(longest, 4 * steps.usual_s + 60)
    return _confirmed(np.hypot(steps.x - x, steps.y - y) > room, steps.fast)


def _confirmed(far: Flags, fast: Flags) -> Flags:
    """Keep the runs of ``far`` that were entered or left by a ``fast`` step."""
    spikes = np.zeros(far.size, bool)
    for start, end in runs_of(far).tolist():
        into = start > 0 and fast[start - 1]
        out = end < far.size and fast[end - 1]
        spikes[start:end] = into or out
    return spikes
