"""A cleaned recording as a walk: legs of searching, stops, transits and drop-outs, and the time each took."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fieldcomb.tracks.motion.cleaning import Fixes
from fieldcomb.tracks.motion.curve import bend
from fieldcomb.tracks.motion.pace import (
    SEARCH,
    STOP,
    TRANSIT,
    Seconds,
    State,
    every_second,
    find_stops,
    smooth,
)
from fieldcomb.tracks.motion.peg_drift import PegPlace, PegResidual
from fieldcomb.tracks.motion.states import divide, lay_still, switched_off
from fieldcomb.tracks.recording import Floats, Span, runs_of
from fieldcomb.tracks.values import dataclass

DIG_S = 35.0  # common practice, no source: no one opens and closes a hole faster
BREAK_S = 600.0
LAY_STILL = "a receiver that lay still"


@dataclass(frozen=True, slots=True, eq=False)
class Leg:
    """An unbroken piece of searching in site metres; each stop in it is one vertex."""

    x_m: Floats
    y_m: Floats


@dataclass(frozen=True, slots=True)
class Stop:
    """Standing still: kind is dig (35 s to 10 min), pause (shorter, or while not searching) or break (longer)."""

    x_m: float
    y_m: float
    start_s: float
    seconds: float
    kind: str


@dataclass(frozen=True, slots=True)
class DropOut:
    """Time without a recording: the last place before and the first after. seconds is None without a clock."""

    x0_m: float
    y0_m: float
    x1_m: float
    y1_m: float
    start_s: float | None
    seconds: float | None


@dataclass(frozen=True, slots=True, eq=False)
class SearchPath:
    """Searching second by second, standing left out: arrays (n,) of Unix seconds and site metres.

    x_m, y_m : as recorded. line_x_m, line_y_m : smoothed, for lengths and headings. step_m : way to the next second.
    """

    t_s: Floats
    x_m: Floats
    y_m: Floats
    line_x_m: Floats
    line_y_m: Floats
    step_m: Floats


@dataclass(frozen=True, slots=True)
class Times:
    """Seconds spent; they add up to the whole walk."""

    searching_s: float
    stopped_s: float
    transit_s: float
    dropout_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Walk:
    """One walk. ``times`` is None when there is no clock; search_m and walked_m are smoothed path lengths.

    ``coil_legs`` are the coil's own way where the recorder was on the shaft; ``legs`` are its centre line then, and
    half_swing_m and sweep_s what was measured of the swing: to each side of that line, and from one side to the other.
    ``pegs`` are the touches by which drift was taken off, ``peg_places`` where it found pegs that nobody measured.
    ``ways`` are the legs second by second; there are none without a clock.
    ``no_search`` says what the recording is, if nothing of it can be a search: such as ``a ride at 28 km/h``.
    """

    legs: tuple[Leg, ...]
    transits: tuple[Leg, ...]
    stops: tuple[Stop, ...]
    dropouts: tuple[DropOut, ...]
    start_s: float | None
    end_s: float | None
    times: Times | None
    search_m: float
    walked_m: float
    notes: tuple[str, ...]
    coil_legs: tuple[Leg, ...] = ()
    half_swing_m: float = 0.0
    sweep_s: float = 0.0
    pegs: tuple[PegResidual, ...] = ()
    peg_places: tuple[PegPlace, ...] = ()
    ways: tuple[SearchPath, ...] = ()
    no_search: str = ""


@dataclass(frozen=True, slots=True)
class Halt:
    """A stop with its begin and end on the piece's own clock."""

    begin: float
    end: float
    stop: Stop


def make_walk(
    fixes: Fixes, top_pace_m_s: float | None = None, off: Sequence[Span] = (), coil: Fixes | None = None
) -> Walk:
    """Split cleaned fixes into legs, stops, transits and drop-outs.

    ``coil``: where the coil itself was at the same times, when the recorder was on the shaft.

    ``top_pace_m_s``: faster than this is transit; None separates them by the walk's own paces (``states.divide``).
    ``off``: spans in Unix seconds, half open, without searching; walking in them is transit, and standing is no
    dig.
    """
    spans = fixes.pieces
    dropouts = tuple(_dropout(fixes, end - 1) for _, end in spans[:-1])
    if not fixes.timed:
        return _untimed(fixes, spans, dropouts, off)
    pieces = [every_second(fixes.t_s[a:b], fixes.x_m[a:b], fixes.y_m[a:b]) for a, b in spans]
    still = lay_still(pieces)
    halts = [[(0.0, float(p.fix_clock_s[-1]))] for p in pieces] if still else find_stops(pieces)
    divided = divide(pieces, halts, top_pace_m_s)
    states = [switched_off(s, p, off) for s, p in zip(divided.states, pieces, strict=True)]
    walk = _timed(fixes, spans, pieces, halts, states, dropouts, divided.notes, off)
    walk = replace(walk, no_search=LAY_STILL if still else divided.no_search)
    if coil is None:
        return walk
    own: list[Leg] = []
    for (a, b), seconds, found, state in zip(spans, pieces, halts, states, strict=True):
        here = [Halt(begin, end, _stop(seconds, begin, end)) for begin, end in found]
        way = replace(seconds, fix_x_m=coil.x_m[a:b], fix_y_m=coil.y_m[a:b])
        own += _lines(way, state != TRANSIT, here, state)
    return replace(walk, coil_legs=tuple(own))


def _dropout(fixes: Fixes, i: int) -> DropOut:
    start = float(fixes.t_s[i]) if fixes.timed else None
    seconds = float(fixes.t_s[i + 1] - fixes.t_s[i]) if fixes.timed else None
    x, y = fixes.x_m, fixes.y_m
    return DropOut(float(x[i]), float(y[i]), float(x[i + 1]), float(y[i + 1]), start, seconds)


def _untimed(fixes: Fixes, spans: list[tuple[int, int]], dropouts: tuple[DropOut, ...], off: Sequence[Span]) -> Walk:
    legs = tuple(Leg(fixes.x_m[a:b], fixes.y_m[a:b]) for a, b in spans if b > a)
    length = sum(float(np.hypot(np.diff(leg.x_m), np.diff(leg.y_m)).sum()) for leg in legs)
    note = "No times in the file: stops, digs, transits and pace are not known, and all of the walk counts as searching"
    notes = (note, "Marks off and on need times, so they change nothing here") if off else (note,)
    return Walk(legs, (), (), dropouts, None, None, None, length, length, notes)


def _no_dig(stop: Stop, off: Sequence[Span]) -> Stop:
    """Standing while not searching is a pause where it would be a dig; its middle decides."""
    middle_s = stop.start_s + stop.seconds / 2
    inside = stop.kind == "dig" and any(begin <= middle_s < end for begin, end in off)
    return replace(stop, kind="pause") if inside else stop


def _timed(
    fixes: Fixes,
    spans: list[tuple[int, int]],
    pieces: list[Seconds],
    halts: list[list[Span]],
    states: list[State],
    dropouts: tuple[DropOut, ...],
    notes: tuple[str, ...],
    off: Sequence[Span],
) -> Walk:
    legs: list[Leg] = []
    transits: list[Leg] = []
    stops: list[Stop] = []
    ways: list[SearchPath] = []
    spent = np.zeros(3)
    length = np.zeros(3)
    for (_, b), seconds, found, state in zip(spans, pieces, halts, states, strict=True):
        here = [Halt(begin, end, _stop(seconds, begin, end)) for begin, end in found]
        stops += [_no_dig(halt.stop, off) for halt in here]
        legs += _lines(seconds, state != TRANSIT, here, state)
        transits += _lines(seconds, state == TRANSIT, [], state)
        spent += _spent(seconds, state, float(fixes.t_s[b - 1]))
        x, y = smooth(np.column_stack([seconds.x_m, seconds.y_m])).T
        step = np.hypot(np.diff(x), np.diff(y))
        length += np.bincount(state[:-1], weights=step, minlength=3)
        ways += _ways(seconds, state, x, y, np.append(step, 0.0))
    gone = sum(d.seconds or 0.0 for d in dropouts)
    times = Times(float(spent[SEARCH]), float(spent[STOP]), float(spent[TRANSIT]), gone)
    start, end = float(fixes.t_s[0]), float(fixes.t_s[-1])
    search_m, walked_m = float(length[SEARCH]), float(length[SEARCH] + length[TRANSIT])
    return Walk(
        tuple(legs),
        tuple(transits),
        tuple(stops),
        dropouts,
        start,
        end,
        times,
        search_m,
        walked_m,
        notes,
        ways=tuple(ways),
    )


def _ways(seconds: Seconds, state: State, line_x: Floats, line_y: Floats, step: Floats) -> list[SearchPath]:
    """Runs of searching seconds between transits, with the stops in them left out."""
    ways = []
    for a, b in runs_of(state != TRANSIT).tolist():
        k = a + np.flatnonzero(state[a:b] == SEARCH)
        if k.size > 1:
            ways.append(SearchPath(seconds.real_s[k], seconds.x_m[k], seconds.y_m[k], line_x[k], line_y[k], step[k]))
    return ways


def _spent(seconds: Seconds, state: State, end_s: float) -> Floats:
    """Real seconds in each state; the last sample lasts until the last fix."""
    lasting = np.diff(np.append(seconds.real_s, end_s))
    return np.bincount(state, weights=lasting, minlength=3).astype(float)


def _stop(seconds: Seconds, begin: float, end: float) -> Stop:
    """A stop's place is the mean of the fixes inside, or where the walker was half-way when it has none."""
    start_s, end_s = np.interp([begin, end], seconds.clock_s, seconds.real_s)
    real = float(end_s - start_s)
    known_to_s = float(np.median(np.diff(seconds.fix_clock_s)))  # a stop's length is known to about one fix
    kind = "pause" if real + known_to_s < DIG_S else "dig" if real <= BREAK_S else "break"
    inside = (seconds.fix_clock_s >= begin) & (seconds.fix_clock_s <= end)
    if inside.any():
        x, y = seconds.fix_x_m[inside].mean(), seconds.fix_y_m[inside].mean()
    else:
        x, y = (np.interp((begin + end) / 2, seconds.clock_s, v) for v in (seconds.x_m, seconds.y_m))
    return Stop(float(x), float(y), float(start_s), real, kind)


def _lines(seconds: Seconds, wanted: NDArray[np.bool_], halts: list[Halt], state: State) -> list[Leg]:
    """Lines through the fixes for each run of wanted seconds; cut at the exact second, stops drawn together."""
    lines = []
    for a, b in runs_of(wanted).tolist():
        if (state[a:b] == STOP).all():
            continue  # standing in the middle of a transit
        begin = float(seconds.clock_s[a])
        end = float(seconds.fix_clock_s[-1] if b == seconds.clock_s.size else seconds.clock_s[b])
        lines.append(_line(seconds, begin, end, [h for h in halts if h.end >= begin and h.begin <= end]))
    return lines


def _line(seconds: Seconds, begin: float, end: float, halts: list[Halt]) -> Leg:
    """Through the fixes between two moments; a stop is one vertex and takes no time, so the curve runs on."""
    clock = seconds.fix_clock_s
    walked = (clock > begin) & (clock < end)
    for halt in halts:
        walked &= (clock < halt.begin) | (clock > halt.end)
    free = np.array([t for t in (begin, end) if not any(h.begin <= t <= h.end for h in halts)])
    times = np.concatenate([clock[walked], [(h.begin + h.end) / 2 for h in halts], free])
    x = np.concatenate([seconds.fix_x_m[walked], [h.stop.x_m for h in halts], np.interp(free, clock, seconds.fix_x_m)])
    y = np.concatenate([seconds.fix_y_m[walked], [h.stop.y_m for h in halts], np.interp(free, clock, seconds.fix_y_m)])
    order = np.argsort(times, kind="stable")
    walking = times[order].copy()
    for halt in halts:
        walking -= np.clip(times[order] - halt.begin, 0, halt.end - halt.begin)
    return Leg(*bend(walking, x[order], y[order]))
