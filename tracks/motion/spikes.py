"""Spikes: fixes at places where the walker never was, known by the steps into and out of them."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
from numpy.typing import NDArray

from fieldcomb.tracks.recording import Flags, Floats, runs_of
from fieldcomb.tracks.values import dataclass

Jump = Callable[["_Steps", NDArray[np.int64], NDArray[np.int64]], Flags]

SPIKE_WINDOW_S = 5.0  # to each side
SPIKE_M = 3.0
SPIKE_M_PER_S = 0.5
SPIKE_FIXES = 3  # to each side at least
WILD_M_S = 3.0
SPIKE_PACE_M_S = 1.2  # slower than this into and out of a place is walking, not a spike
DROPOUT_M = 25.0
DROPOUT_S = 30.0
MEDIANS_AT_ONCE = 4096  # windows of up to 101 numbers: some megabytes


def find_spikes(t_s: Floats, x_m: Floats, y_m: Floats) -> Flags:
    """Fixes where no one walked.

    Two rules, with ``room`` = 3 m + 0.5 m/s times the step at hand. Out and back: a fast step out, at most three fixes
    or 5 s there, a fast step back to where plain walking would have led, and more than ``room`` from that walk; next to
    a silence, one step of a running pace or faster is enough. And far: more than ``room`` from the median of the fixes
    within 5 s (at least two) to each side, entered or left by a fast step. Fast is much faster than the walking around
    it, so that sharp turns of a quick walk stay.
    """
    spikes, left = np.zeros(x_m.size, bool), np.arange(x_m.size)
    rules = (partial(_out_and_back, jump=_two_fast), partial(_out_and_back, jump=_wild_and_silent), _far_off)
    steps = None
    for rule in rules:
        if left.size < 3:
            break
        steps = steps or _Steps.of(t_s[left], x_m[left], y_m[left])  # hardly ever anything was left out of them
        found = rule(steps)
        if found.any():
            spikes[left[found]] = True
            left, steps = left[~found], None
    return spikes


@dataclass(frozen=True, slots=True, eq=False)
class _Steps:
    """Fixes and the steps between them. Without a clock every step counts as one second."""

    t: Floats
    x: Floats
    y: Floats
    step_s: Floats
    usual_s: float
    limit: Floats  # (n - 1,) m/s above which a step is fast; the least there is if it is slow and not silent
    fast: Flags  # (n - 1,)
    wild: Flags  # (n - 1,) too fast for anybody on foot with a coil
    silent: Flags  # (n - 1,) long enough for a drop-out

    @staticmethod
    def of(t_s: Floats, x_m: Floats, y_m: Floats) -> _Steps:
        timed = bool(np.isfinite(t_s).all())
        t = t_s if timed else np.arange(x_m.size, dtype=float)
        step_s = np.maximum(np.diff(t), 1e-3)
        usual_s = float(np.median(step_s))
        pace = np.hypot(np.diff(x_m), np.diff(y_m)) / step_s
        silent = step_s > DROPOUT_S
        reach = min(max(int(30 / usual_s), 3), 50)
        factor, least, least_wild = (1.5, SPIKE_PACE_M_S, WILD_M_S) if timed else (4.0, 4 * SPIKE_M, DROPOUT_M)
        # No step is fast below the least limit, so that of a usual walk hardly a median has to be found.
        limit = np.full(pace.size, least)
        at = np.flatnonzero((pace > least) | silent)
        limit[at] = np.maximum(least, factor * _medians(pace, at, reach, mirrored=False))
        wild = np.zeros(pace.size, bool)
        at = np.flatnonzero(pace > least_wild)
        # Repeated beyond the ends, a wild first or last step would vouch for itself; mirrored it counts once.
        wild[at] = pace[at] > factor * _medians(pace, at, reach, mirrored=True)
        return _Steps(t, x_m, y_m, step_s, usual_s, limit, (pace > limit) | wild, wild, silent)

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
    starts = np.flatnonzero(steps.fast | steps.silent)  # no jump begins otherwise
    for run in range(1, min(steps.count(SPIKE_FIXES), n - 2) + 1):
        before = starts[starts < n - run - 1]
        before = before[jump(steps, before, before + run)]
        if before.size == 0:
            continue
        after = before + run + 1
        lasting = steps.t[after] - steps.t[before]
        pace = np.hypot(steps.x[after] - steps.x[before], steps.y[after] - steps.y[before]) / lasting
        hit = pace <= steps.limit[before]
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
    if not steps.fast.any():
        return np.zeros(steps.x.size, bool)
    # Far fixes are spikes only if a fast step leads to or from them: where none of those is far, no others matter.
    at_ends = np.flatnonzero(np.append(steps.fast, False) | np.append(False, steps.fast))
    if not _is_far(steps, at_ends).any():
        return np.zeros(steps.x.size, bool)
    return _confirmed(_is_far(steps, np.arange(steps.x.size)), steps.fast)


def _is_far(steps: _Steps, at: NDArray[np.int64]) -> Flags:
    """Whether some fixes are far from the median of those around them."""
    reach = min(steps.count(2), (steps.x.size - 1) // 2)
    x, y = (_medians(v, at, reach, mirrored=True) for v in (steps.x, steps.y))
    step_s = np.pad(np.append(steps.step_s, steps.step_s[-1]), reach, mode="edge")
    longest = np.lib.stride_tricks.sliding_window_view(step_s, 2 * reach + 1)[at].max(axis=1)
    room = SPIKE_M + SPIKE_M_PER_S * np.minimum(longest, 4 * steps.usual_s + 60)
    return np.asarray(np.hypot(steps.x[at] - x, steps.y[at] - y) > room)


def _medians(values: Floats, at: NDArray[np.int64], reach: int, *, mirrored: bool) -> Floats:
    """Medians of the values up to ``reach`` places to each side of some; beyond the ends mirrored or repeated."""
    medians = np.empty(at.size)
    last = values.size - 1
    for first in range(0, at.size, MEDIANS_AT_ONCE):
        part = slice(first, first + MEDIANS_AT_ONCE)
        near = at[part, None] + np.arange(-reach, reach + 1)
        if mirrored:
            near %= 2 * last
            near = np.minimum(near, 2 * last - near)
        else:
            near = np.clip(near, 0, last)
        medians[part] = np.partition(values[near], reach, axis=1)[:, reach]
    return medians


def _confirmed(far: Flags, fast: Flags) -> Flags:
    """Keep the runs of ``far`` that were entered or left by a ``fast`` step."""
    spikes = np.zeros(far.size, bool)
    for start, end in runs_of(far).tolist():
        into = start > 0 and fast[start - 1]
        out = end < far.size and fast[end - 1]
        spikes[start:end] = into or out
    return spikes
