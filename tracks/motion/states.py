"""Each second of a walk as searching, standing or in transit, and recordings that are no search at all."""

from collections.abc import Sequence

import numpy as np

from fieldcomb.tracks.motion.pace import (
    SEARCH,
    STOP,
    TOP_PACE_M_S,
    TRANSIT,
    TRANSIT_MIN_S,
    TRANSIT_REACH_S,
    Seconds,
    State,
    chord_pace_m_s,
    drift_pace_m_s,
    find_transits,
)
from fieldcomb.tracks.recording import Floats, Span, runs_of
from fieldcomb.tracks.values import dataclass

FASTEST_SEARCH_M_S = 1.2  # common practice, no source: at a brisk walk no one swings a coil from side to side
RIDE_M_S = 3.0  # faster than this is no walk
# Chosen for this project: what makes a walk one of two paces.
SLOW_RUN_S = 60  # a shorter slow stretch is a bend, a gate or a hill
SLOW_LEAST_S = 120
SLOW_SHARE = 0.1  # of all walking
TWO_PACES = 0.6  # the slow pace is at most so much of the fast one
# Chosen for this project: a receiver's error wanders within metres and covers the same ground again and again.
STILL_LEAST_S = 3600.0
STILL_REACH_M = 10.0
STILL_PACE_M_S = 0.09
STILL_CROWDING = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class DividedWalk:
    """States of each piece by second, notes on how they were separated, and what the recording is if not a search."""

    states: list[State]
    notes: tuple[str, ...] = ()
    no_search: str = ""


def divide(pieces: Sequence[Seconds], halts: Sequence[Sequence[Span]], top_pace_m_s: float | None) -> DividedWalk:
    """Tell searching from transit by a typed top pace, or else by the walk's own paces.

    Faster than 0.9 m/s is transit. Where that is most of the walk, it stays transit if the walk has two paces; else the
    limit is 1.2 m/s. What is mostly faster than that, with no slow part, is no search at all.
    """
    if top_pace_m_s is not None:
        return DividedWalk(_states(pieces, halts, top_pace_m_s))
    paces = [chord_pace_m_s(p.x_m, p.y_m, TRANSIT_REACH_S) for p in pieces]
    for limit_m_s in (TOP_PACE_M_S, FASTEST_SEARCH_M_S):
        states = _states(pieces, halts, limit_m_s)
        fast_s = sum(int((s == TRANSIT).sum()) for s in states)
        moving_s = sum(int((s != STOP).sum()) for s in states)
        if fast_s > moving_s / 2 and not _two_paces(states, paces, moving_s):
            continue
        return DividedWalk(states, _notes(limit_m_s, fast_s > moving_s / 2))
    usual_m_s = float(np.median(np.concatenate([p[s == TRANSIT] for p, s in zip(paces, states, strict=True)])))
    kind = f"a ride at {3.6 * usual_m_s:.0f} km/h" if usual_m_s > RIDE_M_S else f"a walk at {usual_m_s:.1f} m/s"
    return DividedWalk([np.where(s == SEARCH, TRANSIT, s).astype(np.int8) for s in states], no_search=kind)


def lay_still(pieces: Sequence[Seconds]) -> bool:
    """Whether a receiver lay in one place for an hour or more, and only its error moved."""
    x, y = (np.concatenate([getattr(p, name) for p in pieces]) for name in ("x_m", "y_m"))
    if x.size < STILL_LEAST_S:
        return False
    reach_m = float(np.quantile(np.hypot(x - np.median(x), y - np.median(y)), 0.95))
    if reach_m > STILL_REACH_M:
        return False
    pace = np.concatenate([drift_pace_m_s(p.x_m, p.y_m) for p in pieces])
    crowding = float(np.median(pace)) * x.size / max(np.pi * reach_m**2, 1e-9)  # passes of a swath of 1 m
    slow = float(np.quantile(pace, 0.9)) < STILL_PACE_M_S
    return slow and (crowding >= STILL_CROWDING or reach_m < 1)


def no_search_notes(kind: str) -> tuple[str, ...]:
    """Return a sentence on a recording that is no search, by what it is; none for ``""``."""
    return (f"This is {kind}, not a search: none of it counts as searching",) if kind else ()


def switched_off(state: State, seconds: Seconds, off: Sequence[Span]) -> State:
    """Make walking within the spans transit; stops stay what they are."""
    out = state.copy()
    for begin, end in off:
        out[(out == SEARCH) & (seconds.real_s >= begin) & (seconds.real_s < end)] = TRANSIT
    return out


def _notes(limit_m_s: float, mostly_way: bool) -> tuple[str, ...]:
    choice = "set a top pace to draw the line yourself"
    if limit_m_s > TOP_PACE_M_S:
        return (
            f"Most of this walk is faster than {TOP_PACE_M_S:g} m/s, where searching usually ends, so walking up to "
            f"{limit_m_s:g} m/s counts as searching here; {choice}",
        )
    if mostly_way:
        return (
            (
                f"More than half of this walk is faster than {limit_m_s:g} m/s and counts as walking, not searching; "
                f"{choice}"
            ),
        )
    return ()


def _two_paces(states: Sequence[State], paces: Sequence[Floats], moving_s: int) -> bool:
    """Whether slow stretches of a minute or more are a tenth of the walk, and clearly slower than the rest."""
    slow, fast = [], []
    for state, pace in zip(states, paces, strict=True):
        slow += [pace[a:b] for a, b in runs_of(state == SEARCH).tolist() if b - a >= SLOW_RUN_S]
        fast.append(pace[state == TRANSIT])
    if sum(run.size for run in slow) < max(SLOW_LEAST_S, SLOW_SHARE * moving_s):
        return False
    return float(np.median(np.concatenate(slow))) <= TWO_PACES * float(np.median(np.concatenate(fast)))


def _states(pieces: Sequence[Seconds], halts: Sequence[Sequence[Span]], top_pace_m_s: float) -> list[State]:
    """State of each second of each piece: SEARCH, STOP or TRANSIT."""
    states = []
    for seconds, stops in zip(pieces, halts, strict=True):
        state = np.full(seconds.x_m.size, SEARCH, np.int8)
        for a, b in find_transits(seconds, top_pace_m_s):
            state[a:b] = TRANSIT
        for begin, end in stops:
            state[int(np.ceil(begin)) : int(np.floor(end)) + 1] = STOP
        states.append(_absorb(state))
    return states


def _absorb(state: State) -> State:
    """A few seconds of slow walking at the end of a transit are its last steps, not searching."""
    edges = np.concatenate([[0], np.flatnonzero(np.diff(state)) + 1, [state.size]])
    kinds = state[edges[:-1]]
    out = state.copy()
    for k in range(kinds.size):
        before = kinds[k - 1] if k else None
        after = kinds[k + 1] if k + 1 < kinds.size else None
        short = edges[k + 1] - edges[k] < TRANSIT_MIN_S
        if kinds[k] == SEARCH and short and TRANSIT in (before, after) and SEARCH not in (before, after):
            out[edges[k] : edges[k + 1]] = TRANSIT
    return out
