"""Two recordings of one person: watch and phone on the same walk, which must not count as two passes.

Receivers are metres off, and people walk side by side, so nearness alone proves nothing. What a person does proves
it: two
recorders on one person stand still at the same moments, while neighbours stop for finds of their own.
"""

import math

import numpy as np

from fieldcomb.tracks.motion.cleaning import STILL_M, Fixes
from fieldcomb.tracks.motion.pace import drift_pace_m_s, stop_limit_m_s
from fieldcomb.tracks.recording import Flags, Floats, Span, Track, runs_of
from fieldcomb.tracks.values import dataclass

SAME_DEG = 2e-6
SAME_FIXES = 0.95
SHORTEST_S = 30.0  # recorded by both, to be compared at all
BOTH_LEAST_S = 300.0  # and to be judged by what both did
LEAST_SHARE = 0.5  # of the shorter one
GAP_S = 60.0  # a longer silence is not recorded, unless the walker stayed where they were
MOST_S = 36 * 3600.0
STAND_S = 40  # a stop this long is compared
STAND_SLACK_S = 12  # at both its ends
SAME = 0.8  # share of stops that both must have
MINUTE_S = 60
ENOUGH_STOPS = 4  # of both together
MEDIAN_M = 3.0  # times the usual error of the two receivers
# How far two walks with few stops, or none, may lie apart on average: then only nearness can show it.
FEW_STOPS_M = 2.0
NO_STOPS_M = 0.7
STRAYED_M = 3.0  # by which two receivers on one person drift apart in a minute; neighbours part much farther
SLOW_TAU_S = 900.0
RADIUS = 2.8  # holds 98 % of a circular normal of standard deviation 1


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """A recording second by second: x_m, y_m and standing (n,), from ``first_s`` (whole Unix seconds) on.

    known : whether it was recording then. slow_m : usual slow error of its receiver on each axis.
    """

    first_s: int
    x_m: Floats
    y_m: Floats
    known: Flags
    standing: Flags
    slow_m: float


@dataclass(frozen=True, slots=True)
class Likeness:
    """How alike two recordings are: seconds recorded by both, and what was found in them.

    apart_m : median distance. offset_m : length of the mean difference. strayed_m : by how much they part in a minute,
    rms on each axis. stops, shared : stops of both that were compared, and those in which the other stood too.
    """

    together_s: float
    apart_m: float
    offset_m: float
    stops: int
    shared: int
    strayed_m: float
    twins: bool


def trace(fixes: Fixes, slow_m: float) -> Trace | None:
    """Return a recording second by second; None without a clock, or when it is too short or lasts for days."""
    if not fixes.timed or len(fixes) < 2:
        return None
    t = fixes.t_s
    first, last = math.ceil(t[0]), math.floor(t[-1])
    if not SHORTEST_S <= last - first <= MOST_S:
        return None
    at = np.arange(first, last + 1, dtype=float)
    x, y = np.interp(at, t, fixes.x_m), np.interp(at, t, fixes.y_m)
    step_m = np.hypot(np.diff(fixes.x_m), np.diff(fixes.y_m))
    lost = np.append((np.diff(t) > GAP_S) & (step_m > STILL_M), False) | np.append(np.diff(fixes.piece) > 0, False)
    known = ~lost[np.searchsorted(t, at, side="right") - 1]
    pace = drift_pace_m_s(x, y)
    return Trace(first, x, y, known, pace < stop_limit_m_s(pace[known]), slow_m)


def compare(a: Trace, b: Trace) -> Likeness | None:
    """Compare two recordings; None when they were not made at the same time.

    They are twins when they share their stops, keep the same way from minute to minute, and lie no farther apart on
    average than their receivers' errors allow; with few stops to compare they must lie nearer.
    """
    begin = max(a.first_s, b.first_s)
    end = min(a.first_s + a.x_m.size, b.first_s + b.x_m.size)
    if end - begin < SHORTEST_S:
        return None
    in_a, in_b = (slice(begin - one.first_s, end - one.first_s) for one in (a, b))
    both = a.known[in_a] & b.known[in_b]
    together_s = float(both.sum())
    if together_s < max(SHORTEST_S, LEAST_SHARE * min(float(a.known.sum()), float(b.known.sum()))):
        return None
    dx, dy = (b.x_m[in_b] - a.x_m[in_a])[both], (b.y_m[in_b] - a.y_m[in_a])[both]
    apart_m, offset_m = float(np.median(np.hypot(dx, dy))), float(np.hypot(dx.mean(), dy.mean()))
    every = slice(None, None, MINUTE_S)
    strays = np.diff(dx[every]) ** 2 + np.diff(dy[every]) ** 2
    strayed_m = math.sqrt(float(strays.mean()) / 2) if strays.size else 0.0
    ours, theirs = a.standing[in_a] & both, b.standing[in_b] & both
    pairs = [_shared(ours, theirs), _shared(theirs, ours)]
    stops, shared = sum(p[0] for p in pairs), sum(p[1] for p in pairs)
    # A receiver may be worse than its class: how the distance between the two wanders shows it.
    error_m = max(math.hypot(a.slow_m, b.slow_m), math.sqrt((float(dx.var()) + float(dy.var())) / 2))
    near_m = RADIUS * error_m * _mean_error(together_s)
    if stops < ENOUGH_STOPS:
        near_m = min(near_m, FEW_STOPS_M if stops else NO_STOPS_M)
    near = (
        apart_m <= MEDIAN_M * error_m and offset_m <= near_m and strayed_m <= STRAYED_M and together_s >= BOTH_LEAST_S
    )
    alike = shared >= SAME * stops
    return Likeness(together_s, apart_m, offset_m, stops, shared, strayed_m, near and alike)


def _mean_error(lasting_s: float) -> float:
    """Standard deviation of the mean of an error that fades with 15 min, as a share of its own (Gauss-Markov)."""
    ratio = SLOW_TAU_S / lasting_s
    return math.sqrt(2 * ratio * (1 - ratio * (1 - math.exp(-1 / ratio))))


def _shared(ours: Flags, theirs: Flags) -> tuple[int, int]:
    """Count the stops of one, and those of them in which the other stands too."""
    stops = [(a, b) for a, b in runs_of(ours).tolist() if b - a >= STAND_S]
    return len(stops), sum(float(theirs[a + STAND_SLACK_S : b - STAND_SLACK_S].mean()) >= 0.75 for a, b in stops)


def same_fixes(a: Track, b: Track) -> bool:
    """Whether two tracks are one recording in two copies, such as exported twice.

    They are when nearly all fixes of the shorter one are in the other, at the same second and to 2e-6 degrees (0.2 m):
    copies are rounded in different ways.
    """
    if len(a) > len(b):
        a, b = b, a
    if not len(a):
        return False
    if np.isfinite(a.time_s).any() and np.isfinite(b.time_s).any():
        order = np.argsort(b.time_s, kind="stable")
        place = np.clip(np.searchsorted(b.time_s[order], a.time_s - 0.5), 0, len(b) - 1)
        other = order[place]
        same = np.abs(b.time_s[other] - a.time_s) <= 0.5
    elif len(a) == len(b):
        other, same = np.arange(len(a)), np.ones(len(a), bool)
    else:
        return False
    for one, two in ((a.lon_deg, b.lon_deg), (a.lat_deg, b.lat_deg)):
        same &= np.abs(one - two[other]) <= SAME_DEG
    return float(same.mean()) >= SAME_FIXES


def spans_without(window: Span, others: list[Span], least_s: float) -> list[Span]:
    """What is left of a span of time outside others, pieces shorter than ``least_s`` left aside.

    >>> spans_without((0, 100), [(20, 50), (40, 60)], 30)
    [(60, 100)]
    """
    left, at = [], window[0]
    for begin, end in sorted(others):
        left.append((at, min(begin, window[1])))
        at = max(at, end)
    left.append((at, window[1]))
    return [(a, b) for a, b in left if b - a >= least_s]
