"""Second by second: where the walker was, how fast, and whether searching, standing or in transit.

All on a 1 Hz resampling of one unbroken piece. Silences within a piece are stops (the recorder paused itself); in the
clock used here they are shortened, so that two fixes a century apart do not make three billion samples.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fieldcomb.tracks.recording import Floats, runs_of
from fieldcomb.tracks.values import dataclass

State = NDArray[np.int8]
SEARCH, STOP, TRANSIT = 0, 1, 2

STOP_REACH_S = 20  # means over this long before and after
STOP_PACE_M_S = 0.15
STOP_SHARE = 0.4  # of the usual pace of searching
STOP_MIN_S = 30
STOP_CORE_S = 20  # a run below the limit that is worth finding the edges of
STOP_EDGE_S = 6  # edges lie at most so far inside such a run
STOP_REACH_M = 0.3
STOP_JOIN_S = 5
KEPT_SILENCE_S = 60.0  # longest silence kept in the 1 Hz clock
TRANSIT_REACH_S = 5
TRANSIT_MIN_S = 6
TOP_PACE_M_S = 0.9
SMOOTHING = 1000.0


@dataclass(frozen=True, slots=True, eq=False)
class Seconds:
    """One piece at 1 Hz. clock_s counts from the piece's start with silences shortened; real_s is Unix time."""

    clock_s: Floats
    real_s: Floats
    x_m: Floats
    y_m: Floats
    fix_clock_s: Floats  # the fixes themselves: times on the shortened clock, and places
    fix_x_m: Floats
    fix_y_m: Floats


def every_second(t_s: Floats, x_m: Floats, y_m: Floats) -> Seconds:
    """Resample one piece, times rising, linearly at 1 Hz."""
    step = np.diff(t_s)
    longest = KEPT_SILENCE_S + min(float(np.median(step)), KEPT_SILENCE_S) if step.size else 0.0
    clock = np.concatenate([[0.0], np.cumsum(np.minimum(step, longest))])
    at = np.arange(int(np.floor(clock[-1])) + 1, dtype=float)
    real = _real_s(at, t_s, clock, longest)
    return Seconds(at, real, np.interp(at, clock, x_m), np.interp(at, clock, y_m), clock, x_m, y_m)


def _real_s(at: Floats, t_s: Floats, clock: Floats, longest_s: float) -> Floats:
    """Unix time of moments on the shortened clock: what a silence lost lies in its middle, so its ends keep true."""
    cut = np.flatnonzero(np.diff(t_s) > longest_s)
    half = longest_s / 2
    knots = np.concatenate([clock, clock[cut] + half, clock[cut] + half])
    real = np.concatenate([t_s, t_s[cut] + half, t_s[cut + 1] - half])
    order = np.lexsort((real, knots))
    return np.asarray(np.interp(at, knots[order], real[order]))


def drift_pace_m_s(x_m: Floats, y_m: Floats, reach: int = STOP_REACH_S) -> Floats:
    """Distance between the mean of the next and of the last ``reach`` seconds, per second between them."""
    n = x_m.size
    k = np.arange(n)
    low, high = np.maximum(k - reach, 0), np.minimum(k + reach, n - 1)

    def mean_shift(v: Floats) -> Floats:
        total = np.concatenate([[0.0], np.cumsum(v)])
        after = (total[high + 1] - total[k]) / (high + 1 - k)
        before = (total[k + 1] - total[low]) / (k + 1 - low)
        shift: Floats = after - before
        return shift

    apart = np.maximum((high - low) / 2, 0.5)
    return np.asarray(np.hypot(mean_shift(x_m), mean_shift(y_m)) / apart)


def chord_pace_m_s(x_m: Floats, y_m: Floats, reach: int) -> Floats:
    """Distance from ``reach`` seconds before to ``reach`` seconds after, per second."""
    k = np.arange(x_m.size)
    low, high = np.maximum(k - reach, 0), np.minimum(k + reach, x_m.size - 1)
    return np.asarray(np.hypot(x_m[high] - x_m[low], y_m[high] - y_m[low]) / np.maximum(high - low, 1))


def stop_limit_m_s(pace_m_s: Floats) -> float:
    """Pace below which a walker counts as standing: 0.15 m/s, less when the searching itself is slow."""
    for slowest in (0.12, 0.04):
        walking = pace_m_s[(pace_m_s >= slowest) & (pace_m_s <= 0.9)]
        if walking.size >= 60:
            return min(STOP_PACE_M_S, STOP_SHARE * float(np.median(walking)))
    return STOP_PACE_M_S


def find_stops(pieces: Sequence[Seconds]) -> list[list[tuple[float, float]]]:
    """Stops in each piece of a walk as (begin, end) on its clock: slow, gaps of 5 s joined, 30 s or longer.

    Slow is below the pace of somebody who stands, which hangs on the usual pace over all pieces. Short lanes walked to
    and fro also stay in one place by the mean; a candidate that spreads over more than a standing person's fixes would,
    and whose steps are those of walking, is searching.
    """
    paces = [drift_pace_m_s(piece.x_m, piece.y_m) for piece in pieces]
    pace = np.concatenate(paces)
    limit_m_s = stop_limit_m_s(pace)
    walking = pace[pace > limit_m_s]
    usual_m_s = float(np.median(walking)) if walking.size else 0.3
    return [_stops_in(piece, own, limit_m_s, usual_m_s) for piece, own in zip(pieces, paces, strict=True)]


def _stops_in(seconds: Seconds, pace: Floats, limit_m_s: float, usual_m_s: float) -> list[tuple[float, float]]:
    found: list[tuple[float, float]] = []
    for first, last in _runs(pace < limit_m_s, STOP_JOIN_S, STOP_CORE_S):
        if _to_and_fro(seconds, first, last, usual_m_s):
            continue
        around = pace[max(first - STOP_REACH_S, 0) : last + STOP_REACH_S]
        begin, end = _edges(seconds, first, last - 1, max(float(around.max()), usual_m_s / 2))
        begin = max(begin, found[-1][1]) if found else begin
        if end - begin >= STOP_MIN_S:
            found.append((begin, end))
    return found


def _edges(seconds: Seconds, first: int, last: int, pace_m_s: float) -> tuple[float, float]:
    """When the walker came and went: the nearest fixes outside the stop, less the time to walk from them.

    Outside is farther from the middle of the fixes in the run than 0.3 m and twice their usual distance from it.
    """
    t = seconds.fix_clock_s
    inside = (t >= first) & (t <= last)
    if not inside.any():  # the recorder paused itself: from fix to fix, less the walk between them
        k = int(np.searchsorted(t, first)) - 1
        way_s = np.hypot(np.diff(seconds.fix_x_m)[k], np.diff(seconds.fix_y_m)[k]) / pace_m_s
        return float(t[k] + way_s / 2), float(t[k + 1] - way_s / 2)
    x, y = np.median(seconds.fix_x_m[inside]), np.median(seconds.fix_y_m[inside])
    away = np.hypot(seconds.fix_x_m - x, seconds.fix_y_m - y)
    outside = away > max(STOP_REACH_M, 2 * float(np.median(away[inside])))
    before = np.flatnonzero(outside & (t < first + STOP_EDGE_S))
    after = np.flatnonzero(outside & (t > last - STOP_EDGE_S))
    begin, end = float(t[0]), float(t[-1])
    if before.size:
        k = before[-1]
        begin = float(min(t[k] + away[k] / pace_m_s, t[min(k + 1, t.size - 1)]))
    if after.size:
        k = after[0]
        end = float(max(t[k] - away[k] / pace_m_s, t[max(k - 1, 0)]))
    return begin, end


def _to_and_fro(seconds: Seconds, start: int, end: int, usual_m_s: float) -> bool:
    x, y = seconds.x_m[start:end], seconds.y_m[start:end]
    reach = np.hypot(x - x.mean(), y - y.mean())
    if float(np.quantile(reach, 0.9)) < 1.0 or end - start < 10:
        return False
    return float(np.median(chord_pace_m_s(x, y, 3))) > 0.5 * usual_m_s


def find_transits(seconds: Seconds, top_pace_m_s: float) -> list[tuple[int, int]]:
    """Stretches faster than the top pace over 10 s for at least 6 s, as (first, last + 1) samples."""
    x, y = seconds.x_m, seconds.y_m
    pace = chord_pace_m_s(x, y, TRANSIT_REACH_S)
    step = np.hypot(np.diff(x, append=x[-1:]), np.diff(y, append=y[-1:]))
    found = []
    for first, end in _turns_joined(_runs(pace > top_pace_m_s, 2, TRANSIT_MIN_S), step, top_pace_m_s):
        middle = (first + end) // 2
        fast = float(np.median(step[first:end]))
        begin = _turning_point(step[:middle], first, fast, top_pace_m_s)
        back = _turning_point(step[middle:][::-1], step.size - end, fast, top_pace_m_s)
        found.append((begin, step.size - back))
    return [(a, b) for a, b in found if b - a >= TRANSIT_MIN_S]


def _turns_joined(runs: list[tuple[int, int]], step_m: Floats, top_pace_m_s: float) -> list[tuple[int, int]]:
    """Join transits that are parted only by a sharp turn, where the chord is short though the steps are brisk."""
    joined = runs[:1]
    for first, end in runs[1:]:
        if float(np.median(step_m[joined[-1][1] : first])) > top_pace_m_s:
            joined[-1] = (joined[-1][0], end)
        else:
            joined.append((first, end))
    return joined


def _turning_point(step_m: Floats, near: int, fast_m_s: float, top_pace_m_s: float) -> int:
    """Sample within 8 s of ``near`` at which slow steps turn into fast ones: the lowest point of their running sum.

    Slow and fast are separated halfway between the usual pace just before and that of the transit, or at the top pace
    where that is lower.
    """
    low, high = max(near - 8, 0), min(near + 8, step_m.size)
    if low == 0 or high - low < 4:
        return near
    slow_m_s = float(np.median(step_m[max(low - 20, 0) : low]))
    total = np.concatenate([[0.0], np.cumsum(step_m[low:high] - min((slow_m_s + fast_m_s) / 2, top_pace_m_s))])
    return low + int(total.argmin())


def _runs(flag: NDArray[np.bool_], join: int, least: int) -> list[tuple[int, int]]:
    runs: list[tuple[int, int]] = []
    for start, end in runs_of(flag).tolist():
        if runs and start - runs[-1][1] <= join:
            runs[-1] = (runs[-1][0], end)
        else:
            runs.append((start, end))
    return [(a, b) for a, b in runs if b - a >= least]


def smooth(x: Floats, weight: float = SMOOTHING) -> Floats:
    """Minimise sum (z - x)^2 + weight sum (second difference of z)^2 at 1 Hz (Whittaker 1923; Eilers 2003).

    For path length, pace and heading only: a raw 1 Hz track is far too long, and a smoothed one makes a worse map.
    Several columns (n, m) are smoothed each for itself.
    """
    from scipy.linalg import solveh_banded

    n = x.shape[0]
    if n < 5:
        return x
    band = np.zeros((3, n))
    band[2] = 1 + weight * 6
    band[2, [0, 1, -2, -1]] = 1 + weight * np.array([1, 5, 5, 1])
    band[1, 1:] = weight * -4
    band[1, [1, -1]] = weight * -2
    band[0, 2:] = weight
    return np.asarray(solveh_banded(band, x))
