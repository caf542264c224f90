"""Pegs: fixed things that are touched on the walk, by which the slow drift of the receiver is found and taken off.

At each touch of a peg whose place is known the receiver says how far off it is. Where the place is not known, touching
it again and again tells the same but for one constant. Between the touches drift is kriged over time: every moment gets
the mean of the touches, weighted by how alike drift is after so long. Far from all touches nothing is changed.
"""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fieldcomb.tracks.motion.cleaning import Fixes
from fieldcomb.tracks.motion.pace import every_second, find_stops
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

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
UNKNOWN_M = 100.0  # standard deviation of a place that nobody measured: so large that only differences of touches count
MOST_TOUCHES = 500  # of one walk; the work grows with their cube

_AT_ONCE = 20_000  # fixes kriged at a time, so that a long walk with many touches fits in memory

# Why a touch was not used.
UNTIMED, NO_FIX, TWICE, WRONG, MANY, ONCE = "untimed", "no fix", "twice", "wrong", "many", "once"


@dataclass(frozen=True, slots=True)
class Peg:
    """A fixed thing, and its place in site metres.

    sd_m : how well that is known on each axis, one sigma: 0 where somebody measured it, UNKNOWN_M for anywhere.
    """

    name: str
    x_m: float
    y_m: float
    sd_m: float = 0.0

    @property
    def located(self) -> bool:
        """Whether anything is known of its place."""
        return self.sd_m < UNKNOWN_M

    @property
    def measured(self) -> bool:
        """Whether somebody measured its place."""
        return self.sd_m == 0


def unknown_peg(name: str) -> Peg:
    """Return a peg of whose place nothing is known."""
    return Peg(name, 0.0, 0.0, UNKNOWN_M)


@dataclass(frozen=True, slots=True)
class PegPlace:
    """Where one walk found a peg that nobody measured: site metres, and one sigma of it on each axis."""

    name: str
    x_m: float
    y_m: float
    sd_m: float


@dataclass(frozen=True, slots=True)
class Touch:
    """A moment (Unix seconds) at which the recorder was at a peg; ``source`` is the number of the file, from 0."""

    peg: Peg
    time_s: float
    source: int = 0


@dataclass(frozen=True, slots=True)
class PegResidual:
    """How far off the receiver was at a touch: place recorded less place of the peg, metres to the east and north.

    measured : whether that place was; if not, where earlier walks found the peg, or the mean of its other touches,
    stands for it.
    left_east_m, left_north_m : what of it is left when the drift there is judged by the other touches alone.
    """

    name: str
    time_s: float
    east_m: float
    north_m: float
    left_east_m: float
    left_north_m: float
    source: int = 0
    measured: bool = True


@dataclass(frozen=True, slots=True)
class Unused:
    """A touch that was not used: why (one of the words above), and how far off it was in metres where that is known."""

    touch: Touch
    why: str
    off_m: float = math.nan


@dataclass(frozen=True, slots=True, eq=False)
class Tied:
    """Fixes with the drift taken off, what was found at the touches, and the time constant that was used for it.

    places : where pegs stand that nobody measured, by the touches of this walk alone.
    """

    fixes: Fixes
    residuals: tuple[PegResidual, ...] = ()
    unused: tuple[Unused, ...] = ()
    tau_s: float | None = None
    places: tuple[PegPlace, ...] = ()


@dataclass(frozen=True, slots=True)
class _Seen:
    """A touch with the span of time of its fixes, and how far off their mean was: from the peg, or from its touches.

    place_m : that mean itself, in site metres.
    """

    touch: Touch
    time_s: float
    begin_s: float
    end_s: float
    east_m: float
    north_m: float
    place_m: tuple[float, float]


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
    seen, unused = _seen(fixes, order, math.hypot(slow_m, fast_m, AT_PEG_M))
    nugget_m = math.hypot(FAST_LEFT * fast_m, AT_PEG_M)
    places = _places(seen, slow_m, nugget_m)
    seen, once = _usable(seen)
    if not seen:
        return Tied(fixes, unused=(*unused, *once), places=places)
    at_s = np.array([one.time_s for one in seen])
    off_m = np.array([[one.east_m, one.north_m] for one in seen])
    own = Touches(at_s, off_m, _place_sd_m(seen))
    tau_s = fit_tau_s(own, slow_m, nugget_m)
    drift_m = krige(own, fixes.t_s, tau_s, slow_m, nugget_m)
    left_m = residuals_m(own, tau_s, slow_m, nugget_m)
    moved = replace(fixes, x_m=fixes.x_m - drift_m[:, 0], y_m=fixes.y_m - drift_m[:, 1])
    off_m = _from_others(off_m, own.place_sd_m == UNKNOWN_M)
    residuals = tuple(_residual(one, *off, *left) for one, off, left in zip(seen, off_m, left_m, strict=True))
    return Tied(moved, residuals, (*unused, *once), tau_s, places)


def _residual(one: _Seen, east_m: float, north_m: float, left_east_m: float, left_north_m: float) -> PegResidual:
    touch = one.touch
    return PegResidual(
        *(touch.peg.name, touch.time_s),
        *(float(east_m), float(north_m), float(left_east_m), float(left_north_m)),
        *(touch.source, touch.peg.measured),
    )


def _usable(seen: Sequence[_Seen]) -> tuple[list[_Seen], list[Unused]]:
    """Touches that tell something: of a peg whose place is not known, only two and more do."""
    names = [one.touch.peg.name for one in seen]
    told = [one.touch.peg.located or names.count(one.touch.peg.name) > 1 for one in seen]
    once = [Unused(one.touch, ONCE) for one, good in zip(seen, told, strict=True) if not good]
    return [one for one, good in zip(seen, told, strict=True) if good], once


def _place_sd_m(seen: Sequence[_Seen]) -> Floats:
    """How well the place of the peg is known that two touches share, one sigma; 0 for touches of two pegs; (n, n)."""
    pegs = [one.touch.peg for one in seen]
    return np.array([[a.sd_m if a.name == b.name else 0.0 for b in pegs] for a in pegs])


def _places(seen: Sequence[_Seen], slow_m: float, nugget_m: float) -> tuple[PegPlace, ...]:
    """Where pegs stand that nobody measured: the mean of their touches, weighted as drift allows (generalised)."""
    found = []
    for peg in dict.fromkeys(one.touch.peg for one in seen if not one.touch.peg.measured):
        mine = [one for one in seen if one.touch.peg == peg]
        at_s = np.array([one.time_s for one in mine])
        alike = _alike(at_s, at_s, PEG_TAU_S, slow_m) + nugget_m**2 * np.eye(at_s.size)
        weight = np.linalg.solve(alike, np.ones(at_s.size))
        x_m, y_m = weight @ np.array([one.place_m for one in mine]) / weight.sum()
        found.append(PegPlace(peg.name, float(x_m), float(y_m), 1 / math.sqrt(float(weight.sum()))))
    return tuple(found)


def _from_others(off_m: Floats, same: NDArray[np.bool_]) -> Floats:
    """Of touches of unknown places, how far each is from the mean of the others of its peg; of the rest as they are."""
    count = same.sum(axis=1)
    mean = (same @ off_m) / np.maximum(count, 1)[:, None]
    apart = (off_m - mean) * (count / np.maximum(count - 1, 1))[:, None]
    return np.where((count > 0)[:, None], apart, off_m)


# ----------------------------------------------------------------------------------------------------------- touches


def _seen(fixes: Fixes, touches: Sequence[Touch], sigma_m: float) -> tuple[list[_Seen], list[Unused]]:
    seen: list[_Seen] = []
    unused: list[Unused] = []
    stops = standing_s(fixes)
    least_s = max(TOUCH_S, float(np.median(np.diff(fixes.t_s)))) if len(fixes) > 1 else TOUCH_S
    spans = [_span(touch.time_s, stops, least_s) for touch in touches]
    middles = _middles(fixes, touches, spans)
    for touch, span in zip(touches, spans, strict=True):
        one = _look(fixes, touch, span, middles.get(touch.peg.name, (touch.peg.x_m, touch.peg.y_m)))
        off_m = math.nan if one is None else math.hypot(one.east_m, one.north_m)
        if one is None:
            unused.append(Unused(touch, NO_FIX))
        elif any(old.touch.peg == touch.peg and one.begin_s <= old.end_s for old in seen):
            unused.append(Unused(touch, TWICE, off_m))
        elif off_m > WRONG_SIGMAS * math.hypot(sigma_m, touch.peg.sd_m if touch.peg.located else 0.0):
            unused.append(Unused(touch, WRONG, off_m))
        else:
            seen.append(one)
    return seen, unused


def standing_s(fixes: Fixes) -> list[tuple[float, float]]:
    """Times from which to which the walker stood for half a minute or more, in Unix seconds."""
    pieces = [every_second(fixes.t_s[a:b], fixes.x_m[a:b], fixes.y_m[a:b]) for a, b in fixes.pieces]
    stops = []
    for piece, spans in zip(pieces, find_stops(pieces), strict=True):
        for span in spans:
            begin_s, end_s = np.interp(span, piece.clock_s, piece.real_s)
            stops.append((float(begin_s), float(end_s)))
    return stops


def _span(time_s: float, stops: Sequence[tuple[float, float]], least_s: float) -> tuple[float, float]:
    """When the walker was at the peg: the stop that the mark lies in, or some seconds before and after it."""
    for begin_s, end_s in stops:
        if begin_s <= time_s <= end_s:
            return max(begin_s, time_s - LONGEST_TOUCH_S), min(end_s, time_s + LONGEST_TOUCH_S)
    return time_s - least_s, time_s + least_s


def _middles(
    fixes: Fixes, touches: Sequence[Touch], spans: Sequence[tuple[float, float]]
) -> dict[str, tuple[float, float]]:
    """Where pegs stand of whose places nothing is known: the median of where they were touched, by their names."""
    places: dict[str, list[tuple[float, float]]] = {}
    for touch, span in zip(touches, spans, strict=True):
        one = None if touch.peg.located else _look(fixes, touch, span, (0.0, 0.0))
        if one is not None:
            places.setdefault(touch.peg.name, []).append(one.place_m)
    medians = {name: np.median(several, axis=0).tolist() for name, several in places.items()}
    return {name: (x_m, y_m) for name, (x_m, y_m) in medians.items()}


def _look(fixes: Fixes, touch: Touch, span: tuple[float, float], peg_m: tuple[float, float]) -> _Seen | None:
    """Compare the fixes of a touch with the peg; those are left out that lie far from the rest of them."""
    low, high = np.searchsorted(fixes.t_s, span[0], "left"), np.searchsorted(fixes.t_s, span[1], "right")
    if low == high:
        return None
    t, x, y = fixes.t_s[low:high], fixes.x_m[low:high], fixes.y_m[low:high]
    away = np.hypot(x - np.median(x), y - np.median(y))
    near = away <= TRIM * np.median(away)
    begin_s = float(t[0])
    # Differences first: the mean of equal places is then exactly their place.
    east_m, north_m, later_s = (float(v[near].mean()) for v in (x - peg_m[0], y - peg_m[1], t - begin_s))
    place_m = (peg_m[0] + east_m, peg_m[1] + north_m)
    return _Seen(touch, begin_s + later_s, begin_s, float(t[-1]), east_m, north_m, place_m)


# ----------------------------------------------------------------------------------------------------------- kriging


def _alike(at_s: Floats, other_s: Floats, tau_s: float, slow_m: float) -> Floats:
    """Covariance of the drift at two lists of moments: slow_m^2 exp(-|dt| / tau), first list down, second across."""
    return np.asarray(slow_m**2 * np.exp(-np.abs(at_s[:, None] - other_s[None, :]) / tau_s))


@dataclass(frozen=True, slots=True, eq=False)
class Touches:
    """When pegs were touched, (n,), how far off the receiver was to the east and north, (n, 2), and of what.

    place_sd_m : (n, n), how well the place of the peg is known that two touches share, one sigma on each axis: their
        errors hold one constant of that size. 0 where it was measured, and for touches of two pegs.
    """

    at_s: Floats
    off_m: Floats
    place_sd_m: Floats

    def covariance(self, tau_s: float, slow_m: float, nugget_m: float) -> Floats:
        """Covariance of how far off the receiver was at the touches, (n, n)."""
        own = _alike(self.at_s, self.at_s, tau_s, slow_m) + nugget_m**2 * np.eye(self.at_s.size)
        return np.asarray(own + self.place_sd_m**2)

    @property
    def free(self) -> int:
        """How many touches tell of drift: one of each unknown place is spent on the place itself."""
        count = (self.place_sd_m == UNKNOWN_M).sum(axis=1)
        return self.at_s.size - round(float((1 / count[count > 0]).sum()))


def krige(touches: Touches, when_s: Floats, tau_s: float, slow_m: float, nugget_m: float) -> Floats:
    """Tell the drift at any moment from touches (simple kriging with a mean of zero; Matheron 1963, Cressie 1993).

    when_s : (m,), times at which to estimate the drift.
    tau_s, slow_m, nugget_m : covariance of drift slow_m^2 exp(-dt / tau_s); error of a single touch.

    Returns (m, 2), metres to the east and north.
    """
    weights = np.linalg.solve(touches.covariance(tau_s, slow_m, nugget_m), touches.off_m)
    parts = [when_s[k : k + _AT_ONCE] for k in range(0, when_s.size, _AT_ONCE)]
    return np.concatenate([_alike(part, touches.at_s, tau_s, slow_m) @ weights for part in parts])


def residuals_m(touches: Touches, tau_s: float, slow_m: float, nugget_m: float) -> Floats:
    """Return each touch less what the other touches say of it, (n, 2).

    That is the solution over the diagonal of the inverse (Dubrule 1983), without taking touches out one by one.
    """
    inverse = np.linalg.inv(touches.covariance(tau_s, slow_m, nugget_m))
    return np.asarray((inverse @ touches.off_m) / np.diag(inverse)[:, None])


def fit_tau_s(touches: Touches, slow_m: float, nugget_m: float) -> float:
    """Return the time constant that makes the touches of both axes likeliest; 200 s for fewer than 4 that tell of it.

    How large the errors are is left open, since a class gives it only roughly: only their shape over time counts. A few
    touches fit any time constant by chance, and too long a one does harm, so what is usual counts as well.
    """
    if touches.free < FEWEST_TO_FIT or not touches.off_m.any():
        return PEG_TAU_S
    tried = np.geomspace(*TAU_S, _TRIED)
    likely = np.array([_likelihood(touches, tau_s, slow_m, nugget_m) for tau_s in tried])
    usual = -((np.log(tried / PEG_TAU_S) / TAU_SPREAD) ** 2) / 2
    return float(tried[np.argmax(likely + usual)])


def _likelihood(touches: Touches, tau_s: float, slow_m: float, nugget_m: float) -> float:
    """Logarithm of the normal likelihood at its best scale, constants aside."""
    root = np.linalg.cholesky(touches.covariance(tau_s, slow_m, nugget_m))
    white = np.asarray(np.linalg.solve(root, touches.off_m))
    return float(-touches.free * np.log((white**2).sum()) - 2 * np.log(np.diag(root)).sum())
