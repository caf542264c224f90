"""Finds from marks: one for each mark keep, junk or left of a recording, and where asked for each dig without one.

The number on the bag is given when the find is written down; until then it is 0.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import TypeVar

import numpy as np

from fieldcomb.coverage.finds.find import FIND_KINDS, JUNK, Find
from fieldcomb.coverage.gear.receivers import R95_SIGMAS, receiver
from fieldcomb.coverage.outings.inputs import RecordingInput
from fieldcomb.coverage.outings.peg_touches import peg_touches, tie_to_pegs
from fieldcomb.coverage.outings.walks import WalkedChain
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.marks.vocabulary import Mark
from fieldcomb.tracks.motion.cleaning import Fixes
from fieldcomb.tracks.motion.legs import Stop
from fieldcomb.tracks.motion.peg_drift import Tied
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

# A mark is pressed at the hole or soon after, so a stop so near in time is its own; but not one that lies metres off,
# from where the walker has gone on. Chosen for this project.
STOP_NEAR_S = 60.0
STOP_NEAR_M = 5.0
FIX_NEAR_S = 30.0  # a moment farther from any fix has no place of its own
OWN_PLACE_M = 25.0  # a waypoint that lies farther from the walk was set for another place
LEAST_TOUCHES = 3  # of measured pegs, from which on they say how good the places are
UNMARKED = "a dig without a mark"
_Key = TypeVar("_Key")


@dataclass(frozen=True, slots=True)
class _Ground:
    """One walk: its fixes with the drift taken off, its stops, and how well a place is known, 95 %."""

    fixes: Fixes
    stops: tuple[Stop, ...]
    error_m: float


def marked_finds(outing: str, chains: Sequence[WalkedChain], frame: SiteFrame, *, stops: bool = False) -> list[Find]:
    """Return the finds of an outing in order of time, those without a time last; ``find_no`` is 0.

    chains : its recordings as walked, with the pegs of the site. stops : also for dig stops that no mark explains,
    which count as junk, as they do in what is still to do.

    A mark has the place of the stop that it was made in, or within a minute of; else that of the fix at its time.
    """
    found: dict[tuple[Mark, str], Find] = {}
    unmarked: list[Find] = []
    for chain in chains:
        ground = _ground_of(chain, frame)
        for item in chain.chain:
            for mark in item.marks:
                if mark.kind in FIND_KINDS:  # one that two files of a person hold counts once
                    found.setdefault((mark, item.searcher or ""), _find(outing, mark, item, ground, frame))
        if stops:
            unmarked += _unmarked(outing, chain, ground, frame)
    return in_time([*found.values(), *unmarked])


def in_time(finds: Iterable[Find]) -> list[Find]:
    """Return finds in order of time, those without one after them in the order given."""
    return sorted(finds, key=lambda find: (find.time_s is None, find.time_s or 0.0))


def without_known(new: Sequence[Find], known: Sequence[Find], marks: Iterable[str]) -> list[Find]:
    """Return the finds that have no row yet.

    known : finds that have one. marks : what the column ``mark`` holds in all rows, also in those that are no finds.

    A row is known by its mark; one whose mark is blank by its outing and time, or its outing and place.
    """
    named = Counter(marks)
    blank = [find for find in known if not find.mark]
    timed = Counter((find.outing, round(find.time_s)) for find in blank if find.time_s is not None)
    placed = Counter(_place_key(find) for find in blank if find.time_s is None and find.placed)
    rest = []
    for find in new:
        if _taken(named, find.mark) or (find.note == UNMARKED and _near_in_time(find, known)):
            continue
        if find.time_s is None:
            if find.placed and _taken(placed, _place_key(find)):
                continue
        elif _taken(timed, (find.outing, round(find.time_s))):
            continue
        rest.append(find)
    return rest


def _taken(left: Counter[_Key], key: _Key) -> bool:
    """Take one of a kind away; False where none is left."""
    there = left[key] > 0
    left[key] -= there
    return there


def _near_in_time(find: Find, known: Sequence[Find]) -> bool:
    """Whether a find of the same outing was written down at about that time: a stop begins as its walk is read."""
    moments = (other.time_s for other in known if other.outing == find.outing and other.time_s is not None)
    return find.time_s is not None and any(abs(time_s - find.time_s) <= STOP_NEAR_S for time_s in moments)


def _place_key(find: Find) -> tuple[str, float | None, float | None]:
    lat, lon = (None if v is None else round(v, 4) for v in (find.lat_deg, find.lon_deg))
    return find.outing, lat, lon


def _ground_of(chain: WalkedChain, frame: SiteFrame) -> _Ground:
    gps = chain.chain[0].swing.gps
    marks = [peg_touches(item.marks) for item in chain.chain]
    tied, _ = tie_to_pegs(marks, chain.chain[0].pegs, chain.cleaned.fixes, frame, gps)
    return _Ground(tied.fixes, chain.walk.stops, place_error_m(tied, gps))


def place_error_m(tied: Tied, gps: str) -> float:
    """Return the radius round a place that holds the truth in 95 of 100 cases.

    2.4477 sigma of the receiver on each axis; or, where three measured pegs or more were touched, of what each touch
    leaves when it is judged by the others, but never less than the part of the error that no peg takes off.
    """
    usual = receiver(gps)
    left = [(peg.left_east_m, peg.left_north_m) for peg in tied.residuals if peg.measured]
    if len(left) < LEAST_TOUCHES:
        return usual.r95_m
    sigma_m = math.sqrt(sum(east**2 + north**2 for east, north in left) / (2 * len(left)))
    return R95_SIGMAS * max(sigma_m, math.hypot(usual.fast_m, usual.white_m))


def _find(outing: str, mark: Mark, item: RecordingInput, ground: _Ground, frame: SiteFrame) -> Find:
    find = Find(
        0,
        mark.kind,
        outing=outing,
        time_s=mark.time_s,
        finder=item.searcher or "",
        coil=item.swing.coil.name,
        what=mark.name,
        mark=mark_key(mark),
    )
    how, place = "fix", None
    if mark.time_s is not None and ground.fixes.timed:
        place = _fix_at(ground.fixes, mark.time_s)
        stop = _stop_of(ground.stops, mark.time_s, place)
        if stop is not None:
            how, place = "stop", (stop.x_m, stop.y_m)
    own = None
    if mark.lon_deg is not None and mark.lat_deg is not None:
        x, y = frame.to_metres(mark.lon_deg, mark.lat_deg)
        own = (float(x), float(y)) if math.isfinite(x) and math.isfinite(y) else None
    if own is not None and (place is None or math.dist(own, place) > OWN_PLACE_M):
        how, place = "fix", own
    return find if place is None else _placed(find, place, how, ground.error_m, frame)


def _placed(find: Find, place_m: tuple[float, float], how: str, error_m: float, frame: SiteFrame) -> Find:
    lon, lat = frame.to_lonlat(*place_m)
    return replace(find, lat_deg=float(lat), lon_deg=float(lon), how=how, error_m=error_m)


def mark_key(mark: Mark) -> str:
    """Return what stands for a mark in its row, so that it is known again whatever else is changed there.

    Not its kind: what a press of the button or a word means can be set later.
    """
    if mark.time_s is not None:
        return f"{mark.origin} {mark.time_s:.3f}"
    if mark.lat_deg is not None and mark.lon_deg is not None:
        return f"{mark.origin} {mark.lat_deg:.7f} {mark.lon_deg:.7f}"
    return f"{mark.origin} {mark.text}".strip()


def _fix_at(fixes: Fixes, time_s: float) -> tuple[float, float] | None:
    """Where the receiver was at a moment: on the line between two fixes, or at the one that is near enough in time."""
    t: Floats = fixes.t_s
    near = int(np.abs(t - time_s).argmin())
    if abs(float(t[near]) - time_s) > FIX_NEAR_S:
        return None
    after = int(np.searchsorted(t, time_s))
    if 0 < after < t.size and fixes.piece[after - 1] == fixes.piece[after]:
        pair = slice(after - 1, after + 1)
        return float(np.interp(time_s, t[pair], fixes.x_m[pair])), float(np.interp(time_s, t[pair], fixes.y_m[pair]))
    return float(fixes.x_m[near]), float(fixes.y_m[near])


def _stop_of(stops: Sequence[Stop], time_s: float, place_m: tuple[float, float] | None) -> Stop | None:
    """The stop that a moment lies in, or else the nearest within a minute that is not metres away from its place."""

    def away_s(stop: Stop) -> float:
        return max(stop.start_s - time_s, time_s - stop.start_s - stop.seconds, 0.0)

    def fits(stop: Stop) -> bool:
        near = place_m is None or math.dist((stop.x_m, stop.y_m), place_m) <= STOP_NEAR_M
        return away_s(stop) == 0 or (away_s(stop) <= STOP_NEAR_S and near)

    return min((stop for stop in stops if fits(stop)), key=away_s, default=None)


def _unmarked(outing: str, chain: WalkedChain, ground: _Ground, frame: SiteFrame) -> Iterator[Find]:
    """Digs of a walk that no mark of any kind explains."""
    times = [mark.time_s for item in chain.chain for mark in item.marks if mark.time_s is not None]
    first = chain.chain[0]
    for stop in ground.stops:
        begin, end = stop.start_s - STOP_NEAR_S, stop.start_s + stop.seconds + STOP_NEAR_S
        if stop.kind != "dig" or any(begin <= time_s <= end for time_s in times):
            continue
        find = Find(
            0,
            JUNK,
            outing=outing,
            time_s=stop.start_s,
            finder=first.searcher or "",
            coil=_coil_at(chain, stop.start_s),
            note=UNMARKED,
            mark=f"stop {stop.start_s:.0f}",
        )
        yield _placed(find, (stop.x_m, stop.y_m), "stop", ground.error_m, frame)


def _coil_at(chain: WalkedChain, time_s: float) -> str:
    inside = [item for item in chain.chain if item.window[0] <= time_s < item.window[1]]
    return (inside or list(chain.chain))[0].swing.coil.name
