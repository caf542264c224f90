"""Leave out what cannot be right in a recording, count it by reason, and split where recording stopped.

Nothing here smooths: moving every fix a little makes the map worse, leaving out the impossible makes it better.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.recording import Floats, Ints, Track

Flags = NDArray[np.bool_]
Jump = Callable[["_Steps", NDArray[np.int64], NDArray[np.int64]], Flags]

# Reasons, as shown to the user and counted in report.json.
NO_POSITION = "no position"
OUT_OF_RANGE = "position out of range"
DUPLICATE = "same time and place twice"
OUT_OF_ORDER = "time out of order"
SPIKE = "far from its neighbours"
OUTSIDE_WINDOW = "outside the chosen time window"

SPIKE_WINDOW_S = 5.0  # to each side
SPIKE_M = 3.0
SPIKE_M_PER_S = 0.5
SPIKE_FIXES = 3  # to each side at least
WILD_M_S = 3.0
SPIKE_PACE_M_S = 1.2  # slower than this into and out of a place is walking, not a spike
DROPOUT_M = 25.0
DROPOUT_S = 30.0
STILL_M = 5.0  # a silence that moved less than this is a stop, not a drop-out


@dataclass(frozen=True, slots=True, eq=False)
class Fixes:
    """Usable fixes in site metres, in order of time.

    t_s : Unix seconds, or NaN throughout when the recording has no clock. source : number of the file, from 0.
    piece : number of the unbroken piece, rising from 0; a drop-out lies between two pieces.
    """

    t_s: Floats
    x_m: Floats
    y_m: Floats
    source: Ints
    piece: Ints

    def __len__(self) -> int:
        return int(self.x_m.size)

    @property
    def timed(self) -> bool:
        """True when the fixes have times."""
        return self.t_s.size > 0 and bool(np.isfinite(self.t_s[0]))


@dataclass(frozen=True, slots=True, eq=False)
class Cleaned:
    """Usable fixes, what was left out (one count per file and reason), and sentences on what was met."""

    fixes: Fixes
    dropped: tuple[dict[str, int], ...]
    notes: tuple[str, ...]


@dataclass(slots=True, eq=False)
class _Work:
    """Fixes under work: arrays that shrink, and the tally of what left."""

    t: Floats
    x: Floats
    y: Floats
    source: Ints
    dropped: list[dict[str, int]]
    notes: list[str]

    def leave_out(self, bad: Flags, reason: str) -> None:
        if not bad.any():
            return
        for number, count in zip(*np.unique(self.source[bad], return_counts=True), strict=True):
            tally = self.dropped[int(number)]
            tally[reason] = tally.get(reason, 0) + int(count)
        self.take(np.flatnonzero(~bad))

    def take(self, index: NDArray[np.int64]) -> None:
        self.t, self.x, self.y, self.source = self.t[index], self.x[index], self.y[index], self.source[index]


def clean(
    tracks: Sequence[Track], frame: SiteFrame, windows: Sequence[tuple[float | None, float | None]] | None = None
) -> Cleaned:
    """Clean the files of one walk, given in order of time and treated as one.

    Parameters
    ----------
    tracks : sequence of Track
        The files; the last fix of one and the first of the next may be joined.
    frame : SiteFrame
        Where metres are counted from.
    windows : sequence of (from, to), optional
        Unix seconds to keep for each file; None leaves that end open.

    """
    work = _gather(tracks, frame)
    _fill_times(work)
    _keep_windows(work, windows)
    _order(work)
    work.leave_out(_repeated(work), DUPLICATE)
    work.t = _spread(work)
    work.leave_out(find_spikes(work.t, work.x, work.y), SPIKE)
    fixes = Fixes(work.t, work.x, work.y, work.source, _pieces(work.t, work.x, work.y))
    return Cleaned(fixes, tuple(work.dropped), tuple(work.notes))


def _gather(tracks: Sequence[Track], frame: SiteFrame) -> _Work:
    lon = np.concatenate([t.lon_deg for t in tracks])
    lat = np.concatenate([t.lat_deg for t in tracks])
    time = np.concatenate([t.time_s for t in tracks])
    source = np.repeat(np.arange(len(tracks), dtype=np.int32), [len(t) for t in tracks])
    work = _Work(time, lon, lat, source, [{} for _ in tracks], [])
    work.leave_out(~(np.isfinite(lon) & np.isfinite(lat)), NO_POSITION)
    work.leave_out((np.abs(work.x) > 180) | (np.abs(work.y) > 90), OUT_OF_RANGE)
    work.x, work.y = frame.to_metres(work.x, work.y)
    work.leave_out(~(np.isfinite(work.x) & np.isfinite(work.y)), OUT_OF_RANGE)
    return work


def _fill_times(work: _Work) -> None:
    """Give a fix without a time one between its neighbours; fewer than half with times is as good as no clock."""
    known = np.isfinite(work.t)
    missing = int((~known).sum())
    if missing == 0 or work.t.size == 0:
        return
    if known.sum() < max(2, work.t.size / 2):
        if known.any():
            work.notes.append(f"Only {int(known.sum())} of {work.t.size} fixes have a time, so no time was used")
        work.t = np.full(work.t.size, np.nan)
        return
    index = np.arange(work.t.size)
    filled = np.interp(index, index[known], work.t[known])
    step = float(np.median(np.diff(work.t[known]))) if known.sum() > 1 else 1.0
    first, last = index[known][0], index[known][-1]
    filled[:first] -= (first - index[:first]) * step
    filled[last + 1 :] += (index[last + 1 :] - last) * step
    work.t = np.where(known, work.t, filled)
    work.notes.append(f"{missing} fixes without a time were given one between their neighbours")


def _keep_windows(work: _Work, windows: Sequence[tuple[float | None, float | None]] | None) -> None:
    if windows is None:
        return
    low = np.array([-np.inf if w[0] is None else w[0] for w in windows])
    high = np.array([np.inf if w[1] is None else w[1] for w in windows])
    outside = (work.t < low[work.source]) | (work.t >= high[work.source])  # half open: two halves share no fix
    work.leave_out(outside, OUTSIDE_WINDOW)


def _order(work: _Work) -> None:
    """Leave out single fixes with a wrong clock; put longer pieces that run backwards in order of time."""
    if work.t.size < 2 or not np.isfinite(work.t).all():
        return
    work.leave_out(_stray_times(work.t), OUT_OF_ORDER)
    back = np.flatnonzero(np.diff(work.t) < 0) + 1
    if back.size == 0:
        return
    starts = np.concatenate([[0], back])
    pieces = np.split(np.arange(work.t.size), back)
    order = np.concatenate([pieces[k] for k in np.argsort(work.t[starts], kind="stable")])
    work.take(order)
    work.notes.append(f"Time runs backwards at {back.size} places; the pieces were put in order of time")
    if (np.diff(work.t) < 0).any():  # pieces that overlap in time: two devices in one file
        order = np.argsort(work.t, kind="stable")
        work.take(order)
        work.notes.append("Pieces overlap in time, as if two recorders had written one file; split them if you can")


def _stray_times(t: Floats) -> Flags:
    """Single fixes whose time is ahead of or behind an otherwise rising clock."""
    stray = np.zeros(t.size, bool)
    for i in np.flatnonzero(np.diff(t) < 0).tolist():
        if i == 0 or t[i + 1] >= t[i - 1]:
            stray[i] = True
        elif i + 2 >= t.size or t[i + 2] >= t[i]:
            stray[i + 1] = True
    return stray


def _repeated(work: _Work) -> Flags:
    same = np.zeros(work.x.size, bool)
    if work.x.size > 1:
        still = (np.diff(work.x) == 0) & (np.diff(work.y) == 0)
        same[1:] = still & ((np.diff(work.t) == 0) if np.isfinite(work.t).all() else True)
    return same


def _spread(work: _Work) -> Floats:
    """Fixes that share one time are spread evenly up to the next time, at most over one second."""
    t = work.t
    if t.size < 2 or not np.isfinite(t).all() or not (np.diff(t) == 0).any():
        return t
    starts = np.flatnonzero(np.append(True, np.diff(t) > 0))
    count = np.diff(np.append(starts, t.size))
    room = np.minimum(np.diff(np.append(t[starts], t[-1] + 1.0)), 1.0)
    place = np.arange(t.size) - np.repeat(starts, count)
    work.notes.append(f"{int((count - 1).sum())} fixes share their time with another; they were spread over a second")
    spread: Floats = t + place * np.repeat(room / count, count)
    return spread


def find_spikes(t_s: Floats, x_m: Floats, y_m: Floats) -> Flags:
    """Fixes that nobody walked to.

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
        """Number of fixes in 5 s, at least so many."""
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
    edges = np.flatnonzero(np.diff(np.concatenate([[0], far.astype(np.int8), [0]])))
    spikes = np.zeros(far.size, bool)
    for start, end in edges.reshape(-1, 2).tolist():
        into = start > 0 and fast[start - 1]
        out = end < far.size and fast[end - 1]
        spikes[start:end] = into or out
    return spikes


def _pieces(t_s: Floats, x_m: Floats, y_m: Floats) -> Ints:
    """Number the unbroken pieces: a new one begins behind each drop-out."""
    if x_m.size == 0:
        return np.zeros(0, np.int32)
    step_m = np.hypot(np.diff(x_m), np.diff(y_m))
    lost = step_m > DROPOUT_M
    if np.isfinite(t_s).all() and t_s.size > 1:
        step_s = np.diff(t_s)
        lost |= (step_s > max(DROPOUT_S, 4 * float(np.median(step_s)))) & (step_m > STILL_M)
    return np.concatenate([[0], np.cumsum(lost)]).astype(np.int32)
