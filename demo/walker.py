"""Walks with a known truth: where a searching person really was, ten times a second, and what a receiver made of it.

Nothing here knows how recordings are cleaned or turned into maps, so that truth worked out from these walks is
independent of the program that they are to test.

    rng = np.random.default_rng(1)
    path = lanes(shapely.box(0, 0, 40, 50), 1.5, 0.0, rng)
    search = add_stops(Piece(path), rng, digs=8, pauses=3)
    walk = build([search], rng)
    fixes = record(walk, 1.0, phase=0.3)
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray
from walk_paths import (
    STEP_M,
    Floats,
    Path,
    Place,
    along_m,
    densify,
    detour,
    join,
    lanes,
    short_lanes,
    spiral,
    straight,
    turn,
    uniform,
    wander,
    waves,
)

from fieldcomb.tracks.frame import SiteFrame

__all__ = [
    "GOOD", "HZ", "POOR", "SEARCH", "SEARCH_PACE", "STEP_M", "STOP", "TRANSIT", "TRANSIT_PACE", "TYPICAL",
    "Fixes", "Noise", "Path", "Piece", "Place", "Stop", "TrueWalk", "Waypoint",
    "add_stops", "along_m", "build", "densify", "detour", "gauss_markov", "go", "join", "lanes",
    "record", "short_lanes", "spiral", "straight", "to_gpx", "turn", "uniform", "wander", "waves",
]  # fmt: skip

SEARCH, STOP, TRANSIT = 0, 1, 2
HZ = 10
SEARCH_PACE = (0.2, 0.4)
TRANSIT_PACE = (1.1, 1.5)
STOP_SECONDS = {"dig": (35.0, 240.0), "pause": (5.0, 25.0), "break": (620.0, 900.0)}
# One degree of latitude in metres, near enough to say how coarse a rounded position is.
DEGREE_M = 111_320.0

Window = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Stop:
    """The walker stands here: ``kind`` is dig, pause, break or peg; times are on the walk's own clock."""

    start_s: float
    end_s: float
    x_m: float
    y_m: float
    kind: str


@dataclass(frozen=True, slots=True, eq=False)
class TrueWalk:
    """Where the walker was at 10 Hz: four arrays (n,) in seconds, site metres and SEARCH, STOP or TRANSIT."""

    t_s: Floats
    x_m: Floats
    y_m: Floats
    state: NDArray[np.int8]
    stops: tuple[Stop, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A path with a pace, which swings smoothly between two values, and stops as (distance along it, seconds, kind)."""

    path: Path
    pace_m_s: tuple[float, float] = SEARCH_PACE
    state: int = SEARCH
    stops: tuple[tuple[float, float, str], ...] = ()


def go(*places: Place) -> Piece:
    """Walk straight from place to place without swinging the coil."""
    return Piece(straight(*places), TRANSIT_PACE, TRANSIT)


def add_stops(
    piece: Piece, rng: np.random.Generator, *, digs: int = 0, pauses: int = 0, breaks: int = 0, apart_m: float = 3.0
) -> Piece:
    """Put stops at random places of a piece, each at least ``apart_m`` from the others and from both ends.

    Digs last 35-240 s (short ones are commoner), pauses 5-25 s, breaks more than 10 min. Raises ValueError when there
    is no room.
    """
    s = along_m(piece.path)
    taken = [np.array([piece.path[0][i], piece.path[1][i]]) for i in (0, -1)]
    stops = list(piece.stops)
    for kind in ["dig"] * digs + ["pause"] * pauses + ["break"] * breaks:
        for _ in range(1000):
            i = int(rng.random() * s.size)
            place = np.array([piece.path[0][i], piece.path[1][i]])
            if all(np.hypot(*(place - other)) >= apart_m for other in taken):
                break
        else:
            raise ValueError(f"no room for another stop {apart_m} m from the others")
        taken.append(place)
        low, high = STOP_SECONDS[kind]
        stops.append((float(s[i]), low + (high - low) * float(rng.random()) ** 2, kind))
    return replace(piece, stops=tuple(sorted(stops)))


def build(pieces: Sequence[Piece], rng: np.random.Generator, *, start_s: float = 0.0, sway_m: float = 0.0) -> TrueWalk:
    """Walk the pieces one after another and note the place ten times a second.

    Each piece must start within 0.3 m of the end of the one before. ``sway_m``: how far, rms each way, the body moves
    about during digs and breaks; 0 is standing stock-still.
    """
    clock = _Clock()
    for piece in pieces:
        clock.walk(piece, rng)
    end_s = clock.now_s
    t = np.arange(math.floor(end_s * HZ) + 1) / HZ
    knot_t, knot_x, knot_y = (np.concatenate(part) for part in zip(*clock.knots, strict=True))
    x, y = np.interp(t, knot_t, knot_x), np.interp(t, knot_t, knot_y)
    changes, states = zip(*clock.changes, strict=True)
    state = np.array(states, np.int8)[np.searchsorted(changes, t, side="right") - 1]
    for stop in clock.stops if sway_m > 0 else ():
        if stop.kind in ("dig", "break"):
            here = np.flatnonzero((t > stop.start_s) & (t < stop.end_s))
            x[here] += _sway(here.size, sway_m, rng)
            y[here] += _sway(here.size, sway_m, rng)
    stops = tuple(replace(s, start_s=s.start_s + start_s, end_s=s.end_s + start_s) for s in clock.stops)
    return TrueWalk(t + start_s, x, y, state, stops)


class _Clock:
    """Turns distances into times: knots (time, x, y) between which the walker moves evenly."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.knots: list[tuple[Floats, Floats, Floats]] = []
        self.changes: list[tuple[float, int]] = []
        self.stops: list[Stop] = []

    def walk(self, piece: Piece, rng: np.random.Generator) -> None:
        x, y = densify(piece.path)
        if self.knots and np.hypot(x[0] - self.knots[-1][1][-1], y[0] - self.knots[-1][2][-1]) > 0.3:
            raise ValueError(f"a piece starts at {x[0]:.2f}, {y[0]:.2f}, not where the one before it ended")
        s = along_m((x, y))
        slow, fast = piece.pace_m_s
        pace = (slow + fast) / 2 + (fast - slow) / 2 * waves(s, rng, (15.0, 60.0))
        t = np.concatenate([[0.0], np.cumsum(np.diff(s) / ((pace[1:] + pace[:-1]) / 2))])
        done = 0
        for distance, seconds, kind in piece.stops:
            here = min(int(np.searchsorted(s, distance)), s.size - 1)
            self._move(t[done : here + 1], x[done : here + 1], y[done : here + 1], piece.state)
            self._stand(seconds, kind)
            done = here
        self._move(t[done:], x[done:], y[done:], piece.state)

    def _move(self, t: Floats, x: Floats, y: Floats, state: int) -> None:
        self.changes.append((self.now_s, state))
        self.knots.append((t - t[0] + self.now_s, x, y))
        self.now_s += float(t[-1] - t[0])

    def _stand(self, seconds: float, kind: str) -> None:
        x, y = float(self.knots[-1][1][-1]), float(self.knots[-1][2][-1])
        self.changes.append((self.now_s, STOP))
        self.stops.append(Stop(self.now_s, self.now_s + seconds, x, y, kind))
        self.now_s += seconds


def _sway(n: int, sway_m: float, rng: np.random.Generator) -> Floats:
    """Slow moving about (20 s) that starts and ends at the place of the stop."""
    t = np.arange(n) / HZ
    fade = np.clip(np.minimum(t, t[::-1]) / 5.0, 0.0, 1.0)
    return gauss_markov(t, sway_m, 20.0, rng) * fade


def gauss_markov(t_s: Floats, sigma: float, tau_s: float, rng: np.random.Generator) -> Floats:
    """Noise of standard deviation ``sigma`` whose correlation falls as exp(-dt / tau_s); exact for any times."""
    kick = rng.standard_normal(t_s.size)
    keep = np.exp(-np.diff(t_s, prepend=t_s[:1]) / tau_s)
    out = np.empty(t_s.size)
    value = 0.0
    for i in range(t_s.size):
        value = kick[i] if i == 0 else value * keep[i] + math.sqrt(1 - keep[i] ** 2) * kick[i]
        out[i] = value
    return sigma * out


@dataclass(frozen=True, slots=True)
class Noise:
    """Receiver error on each axis: a slow part (15 min), a fast part (25 s), and white noise, metres rms."""

    slow_m: float
    fast_m: float
    white_m: float
    slow_tau_s: float = 900.0
    fast_tau_s: float = 25.0

    def scaled(self, by: float) -> Noise:
        """Give the same receiver with ``by`` times the error."""
        return replace(self, slow_m=self.slow_m * by, fast_m=self.fast_m * by, white_m=self.white_m * by)

    def draw(self, t_s: Floats, rng: np.random.Generator) -> Floats:
        """One axis of error in metres at the given times."""
        slow = gauss_markov(t_s, self.slow_m, self.slow_tau_s, rng)
        fast = gauss_markov(t_s, self.fast_m, self.fast_tau_s, rng)
        return slow + fast + self.white_m * rng.standard_normal(t_s.size)


GOOD, TYPICAL, POOR = Noise(1.0, 0.3, 0.10), Noise(1.5, 0.5, 0.15), Noise(3.0, 1.0, 0.25)


@dataclass(frozen=True, slots=True, eq=False)
class Fixes:
    """A recording: times, places in site metres, and which fixes are spikes; arrays (n,)."""

    t_s: Floats
    x_m: Floats
    y_m: Floats
    is_spike: NDArray[np.bool_]


def record(
    walk: TrueWalk,
    interval_s: float | tuple[float, float],
    *,
    phase: float = 0.0,
    lost: Sequence[Window] | float = (),
    dropout: Sequence[Window] = (),
    spikes: int = 0,
    noise: Noise | None = None,
    decimals: int | None = 8,
    rng: np.random.Generator | None = None,
) -> Fixes:
    """Record a walk every ``interval_s`` seconds (a pair: irregularly, between these), first after ``phase`` seconds.

    ``lost``: time windows without fixes, or the share of fixes that are lost one by one. ``dropout``: longer windows
    without fixes. Both ends of a window are lost too. ``spikes``: how many times 1-3 fixes jump 8-60 m away.
    ``decimals``: positions are rounded as by a file with so many decimals of a degree (8: about 1 mm; None: not).
    ``rng`` may be left out when nothing random is asked for.
    """
    random = isinstance(interval_s, tuple) or isinstance(lost, float) or spikes or noise is not None
    if random and rng is None:
        raise ValueError("record needs rng= for noise, spikes, random losses or an irregular interval")
    rng = rng or np.random.default_rng(0)
    t = _times(walk, interval_s, phase, rng)
    share = lost if isinstance(lost, float) else 0.0
    gone = rng.random(t.size) < share if share else np.zeros(t.size, bool)
    for start, end in [*(() if isinstance(lost, float) else lost), *dropout]:
        gone |= (t >= start) & (t <= end)
    t = t[~gone]
    x, y = np.interp(t, walk.t_s, walk.x_m), np.interp(t, walk.t_s, walk.y_m)
    if noise is not None:
        x, y = x + noise.draw(t, rng), y + noise.draw(t, rng)
    is_spike = _spike(t, x, y, spikes, rng)
    if decimals is not None:
        grain = DEGREE_M * 10.0**-decimals
        x, y = np.round(x / grain) * grain, np.round(y / grain) * grain
    return Fixes(t, x, y, is_spike)


def _times(walk: TrueWalk, interval_s: float | tuple[float, float], phase: float, rng: np.random.Generator) -> Floats:
    first, last = float(walk.t_s[0]) + phase, float(walk.t_s[-1])
    if isinstance(interval_s, tuple):
        low, high = interval_s
        steps = low + (high - low) * rng.random(math.ceil((last - first) / low))
        times = first + np.concatenate([[0.0], np.cumsum(steps)])
        return np.asarray(times[times <= last], float)
    return first + interval_s * np.arange(math.floor((last - first) / interval_s + 1e-9) + 1)


def _spike(t: Floats, x: Floats, y: Floats, spikes: int, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Move the fixes of each spike in place; spikes keep 20 s from each other and from silences."""
    hit = np.zeros(t.size, bool)
    usual = float(np.median(np.diff(t))) if t.size > 1 else 1.0
    left = spikes
    for _ in range(1000 * spikes):
        if left == 0:
            break
        run = 1 + int(rng.random() * 3)
        first = int(rng.random() * t.size)
        near = np.flatnonzero(np.abs(t - t[first]) <= 20.0 + 3 * usual)
        if near[0] == 0 or near[-1] == t.size - 1 or hit[near].any() or np.diff(t[near]).max() > 1.9 * usual:
            continue
        size, way = uniform(rng, 8.0, 60.0), uniform(rng, 0.0, 2 * math.pi)
        x[first : first + run] += size * math.cos(way)
        y[first : first + run] += size * math.sin(way)
        hit[first : first + run] = True
        left -= 1
    if left:
        raise ValueError(f"no room for {spikes} spikes in this recording")
    return hit


@dataclass(frozen=True, slots=True)
class Waypoint:
    """A mark set by the walker, at a place in site metres."""

    t_s: float
    x_m: float
    y_m: float
    name: str


def to_gpx(
    fixes: Fixes,
    frame: SiteFrame,
    name: str,
    waypoints: Iterable[Waypoint] = (),
    *,
    decimals: int = 7,
    new_segment_s: float = math.inf,
) -> str:
    """Write a recording as plain GPX 1.1 text; times are Unix seconds, rounded to whole ones.

    A silence longer than ``new_segment_s`` starts a new track segment.
    """
    lines = ['<?xml version="1.0" encoding="UTF-8"?>']
    lines.append('<gpx version="1.1" creator="fieldcomb demo" xmlns="http://www.topografix.com/GPX/1/1">')
    for mark in waypoints:
        lon, lat = frame.to_lonlat(mark.x_m, mark.y_m)
        when = f"<time>{_iso(mark.t_s)}</time><name>{escape(mark.name)}</name>"
        lines.append(f'<wpt lat="{float(lat):.{decimals}f}" lon="{float(lon):.{decimals}f}">{when}</wpt>')
    lines += [f"<trk><name>{escape(name)}</name>", "<trkseg>"]
    lon, lat = frame.to_lonlat(fixes.x_m, fixes.y_m)
    before = math.inf
    for t, east, north in zip(fixes.t_s.tolist(), lon.tolist(), lat.tolist(), strict=True):
        if t - before > new_segment_s:
            lines += ["</trkseg>", "<trkseg>"]
        lines.append(f'<trkpt lat="{north:.{decimals}f}" lon="{east:.{decimals}f}"><time>{_iso(t)}</time></trkpt>')
        before = t
    return "\n".join([*lines, "</trkseg>", "</trk>", "</gpx>", ""])


def _iso(t_s: float) -> str:
    return datetime.fromtimestamp(round(t_s), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
