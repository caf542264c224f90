"""Pegs: places that are known and touched on the walk, by which the slow drift of the receiver is found and taken off.

At each touch the receiver says how far off it is. Between the touches that is kriged over time: every moment gets the
mean of the touches, weighted by how alike drift is after so long. Far from all touches nothing is changed.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fieldcomb.tracks.motion.cleaning import Fixes
from fieldcomb.tracks.motion.pace import every_second, find_stops, usual_paces_m_s
from fieldcomb.tracks.recording import Floats

# Seconds after which drift is alike by 1/e. Receivers on known walks showed 60 to 250 s. Chosen for this project.
TAU_S = (100.0, 900.0)
PEG_TAU_S = 200.0  # where there are too few touches to estimate it
TAU_SPREAD = 0.9  # of the logarithm: two receivers in three lie within 2.5 times the usual, before any touch is seen
FEWEST_TO_FIT = 4
_TRIED = 45  # time constants tried, evenly by their ratio: 5 % from one to the next

FAST_LEFT = 0.6  # share of the fast error (over some 25 s) that is left in the mean of the fixes of a touch
AT_PEG_M = 0.2  # how far from a peg the recorder is when its bearer touches it; common practice, no source
WRONG_SIGMAS = 4.0  # farther off than this is another peg: one touch in 3000 by chance
TOUCH_S = 5.0  # to each side of the mark
LONGEST_TOUCH_S = 30.0  # to each side, where the walker stood longer: drift changes meanwhile
TRIM = 2.5  # times the median distance: farther fixes are the steps to the peg and away
MOST_TOUCHES = 500  # of one walk; the work grows with their cube

_AT_ONCE = 20_000  # fixes kriged at a time, so that a long walk with many touches fits in memory

# Why a touch was not used.
UNTIMED, NO_FIX, TWICE, WRONG, MANY = "untimed", "no fix", "twice", "wrong", "many"


@dataclass(frozen=True, slots=True)
class Peg:
    """A known place in site metres."""

    name: str
    x_m: float
    y_m: float


@dataclass(frozen=True, slots=True)
class Touch:
    """A moment (Unix seconds) at which the recorder was at a peg; ``source`` is the number of the file, from 0."""

    peg: Peg
    time_s: float
    source: int = 0


@dataclass(frozen=True, slots=True)
class PegResidual:
    """How far off the receiver was at a touch: place recorded less place of the peg, metres to the east and north.

    left_east_m, left_north_m : what of it is left when the drift there is judged by the other touches alone.
    """

    name: str
    time_s: float
    east_m: float
    north_m: float
    left_east_m: float
    left_north_m: float
    source: int = 0


@dataclass(frozen=True, slots=True)
class Unused:
    """A touch that was not used: why (one of the words above), and how far off it was in metres where that is known."""

    touch: Touch
    why: str
    off_m: float = math.nan


@dataclass(frozen=True, slots=True, eq=False)
class Tied:
    """Fixes with the drift taken off, what was found at the touches, and the time constant that was used for it."""

    fixes: Fixes
    residuals: tuple[PegResidual, ...] = ()
    unused: tuple[Unused, ...] = ()
    tau_s: float | None = None


@dataclass(frozen=True, slots=True)
class _Seen:
    """A touch with the span of time of its fixes, and how far off their mean was."""

    touch: Touch
    time_s: float
    begin_s: float
    end_s: float
    east_m: float
    north_m: float


def tie(fixes: Fixes, touches: Sequence[Touch], slow_m: float, fast_m: float) -> Tied:
    """Take the drift off that the touches of pegs show.

    fixes : cleaned fixes, in order of time.
    touches : in any order.
    slow_m, fast_m : error of the receiver on each axis in metres, one sigma: its slow part, and the part that fades in
    some 25 s.
    """
    order = sorted(touches, key=lambda touch: (touch.time_s, touch.peg.name, touch.peg.x_m, touch.peg.y_m))
    if not fixes.timed:
        return Tied(fixes, unused=tuple(Unused(touch, UNTIMED) for touch in order))
    if len(order) > MOST_TOUCHES:
        return Tied(fixes, unused=tuple(Unused(touch, MANY) for touch in order))
    if not order:
        return Tied(fixes)
    seen, unused = _seen(fixes, order, WRONG_SIGMAS * math.hypot(slow_m, fast_m, AT_PEG_M))
    if not seen:
        return Tied(fixes, unused=tuple(unused))
    at_s = np.array([one.time_s for one in seen])
    off_m = np.array([[one.east_m, one.north_m] for one in seen])
    nugget_m = math.hypot(FAST_LEFT * fast_m, AT_PEG_M)
    tau_s = fit_tau_s(at_s, off_m, slow_m, nugget_m)
    drift_m = krige(at_s, off_m, fixes.t_s, tau_s, slow_m, nugget_m)
    left_m = residuals_m(at_s, off_m, tau_s, slow_m, nugget_m)
    moved = replace(fixes, x_m=fixes.x_m - drift_m[:, 0], y_m=fixes.y_m - drift_m[:, 1])
    residuals = tuple(
        _residual(one, float(east), float(north)) for one, (east, north) in zip(seen, left_m, strict=True)
    )
    return Tied(moved, residuals, tuple(unused), tau_s)


def _residual(one: _Seen, left_east_m: float, left_north_m: float) -> PegResidual:
    name, source = one.touch.peg.name, one.touch.source
    return PegResidual(name, one.touch.time_s, one.east_m, one.north_m, left_east_m, left_north_m, source)


# ----------------------------------------------------------------------------------------------------------- touches


def _seen(fixes: Fixes, touches: Sequence[Touch], farthest_m: float) -> tuple[list[_Seen], list[Unused]]:
    seen: list[_Seen] = []
    unused: list[Unused] = []
    stops = standing_s(fixes)
    least_s = max(TOUCH_S, float(np.median(np.diff(fixes.t_s)))) if len(fixes) > 1 else TOUCH_S
    for touch in touches:
        one = _look(fixes, touch, _span(touch.time_s, stops, least_s))
        off_m = math.nan if one is None else math.hypot(one.east_m, one.north_m)
        if one is None:
            unused.append(Unused(touch, NO_FIX))
        elif any(old.touch.peg == touch.peg and one.begin_s <= old.end_s for old in seen):
            unused.append(Unused(touch, TWICE, off_m))
        elif off_m > farthest_m:
            unused.append(Unused(touch, WRONG, off_m))
        else:
            seen.append(one)
    return seen, unused


def standing_s(fixes: Fixes) -> list[tuple[float, float]]:
    """Times from which to which the walker stood for half a minute or more, in Unix seconds."""
    pieces = [every_second(fixes.t_s[a:b], fixes.x_m[a:b], fixes.y_m[a:b]) for a, b in fixes.pieces]
    limit, usual = usual_paces_m_s(pieces)
    stops = []
    for piece in pieces:
        for span in find_stops(piece, limit, usual):
            begin_s, end_s = np.interp(span, piece.clock_s, piece.real_s)
            stops.append((float(begin_s), float(end_s)))
    return stops


def _span(time_s: float, stops: Sequence[tuple[float, float]], least_s: float) -> tuple[float, float]:
    """When the walker was at the peg: the stop that the mark lies in, or some seconds before and after it."""
    for begin_s, end_s in stops:
        if begin_s <= time_s <= end_s:
            return max(begin_s, time_s - LONGEST_TOUCH_S), min(end_s, time_s + LONGEST_TOUCH_S)
    return time_s - least_s, time_s + least_s


def _look(fixes: Fixes, touch: Touch, span: tuple[float, float]) -> _Seen | None:
    """Compare the fixes of a touch with the peg; those are left out that lie far from the rest of them."""
    low, high = np.searchsorted(fixes.t_s, span[0], "left"), np.searchsorted(fixes.t_s, span[1], "right")
    if low == high:
        return None
    t, x, y = fixes.t_s[low:high], fixes.x_m[low:high], fixes.y_m[low:high]
    away = np.hypot(x - np.median(x), y - np.median(y))
    near = away <= TRIM * np.median(away)
    peg, begin_s = touch.peg, float(t[0])
    # Differences first: the mean of equal places is then exactly their place.
    east_m, north_m, later_s = (float(v[near].mean()) for v in (x - peg.x_m, y - peg.y_m, t - begin_s))
    return _Seen(touch, begin_s + later_s, begin_s, float(t[-1]), east_m, north_m)


# ----------------------------------------------------------------------------------------------------------- kriging


def _alike(at_s: Floats, other_s: Floats, tau_s: float, slow_m: float) -> Floats:
    """Covariance of the drift at two lists of moments: slow_m^2 exp(-|dt| / tau), first list down, second across."""
    return np.asarray(slow_m**2 * np.exp(-np.abs(at_s[:, None] - other_s[None, :]) / tau_s))


def krige(at_s: Floats, off_m: Floats, when_s: Floats, tau_s: float, slow_m: float, nugget_m: float) -> Floats:
    """Tell the drift at any moment from touches (simple kriging with a mean of zero; Matheron 1963, Cressie 1993).

    at_s : (n,), times of the touches.
    off_m : (n, 2), how far off the receiver was, to the east and north.
    when_s : (m,), times at which to estimate the drift.
    tau_s, slow_m, nugget_m : covariance of drift slow_m^2 exp(-dt / tau_s); error of a single touch.

    Returns (m, 2), metres to the east and north.
    """
    own = _alike(at_s, at_s, tau_s, slow_m) + nugget_m**2 * np.eye(at_s.size)
    weights = np.linalg.solve(own, off_m)
    parts = [when_s[k : k + _AT_ONCE] for k in range(0, when_s.size, _AT_ONCE)]
    return np.concatenate([_alike(part, at_s, tau_s, slow_m) @ weights for part in parts])


def residuals_m(at_s: Floats, off_m: Floats, tau_s: float, slow_m: float, nugget_m: float) -> Floats:
    """Return each touch less what the other touches say of it, (n, 2).

    That is the solution over the diagonal of the inverse (Dubrule 1983), without taking touches out one by one.
    """
    own = _alike(at_s, at_s, tau_s, slow_m) + nugget_m**2 * np.eye(at_s.size)
    inverse = np.linalg.inv(own)
    return np.asarray((inverse @ off_m) / np.diag(inverse)[:, None])


def fit_tau_s(at_s: Floats, off_m: Floats, slow_m: float, nugget_m: float) -> float:
    """Return the time constant that makes the touches of both axes likeliest; 200 s for fewer than 4 touches.

    How large the errors are is left open, since a class gives it only roughly: only their shape over time counts. A few
    touches fit any time constant by chance, and too long a one does harm, so what is usual counts as well.
    """
    if at_s.size < FEWEST_TO_FIT or not off_m.any():
        return PEG_TAU_S
    tried = np.geomspace(*TAU_S, _TRIED)
    likely = np.array([_likelihood(at_s, off_m, tau_s, slow_m, nugget_m) for tau_s in tried])
    usual = -((np.log(tried / PEG_TAU_S) / TAU_SPREAD) ** 2) / 2
    return float(tried[np.argmax(likely + usual)])


def _likelihood(at_s: Floats, off_m: Floats, tau_s: float, slow_m: float, nugget_m: float) -> float:
    """Logarithm of the normal likelihood at its best scale, constants aside."""
    own = _alike(at_s, at_s, tau_s, slow_m) + nugget_m**2 * np.eye(at_s.size)
    root = np.linalg.cholesky(own)
    white = np.asarray(np.linalg.solve(root, off_m))
    return float(-off_m.size / 2 * np.log((white**2).sum()) - off_m.shape[1] * np.log(np.diag(root)).sum())
