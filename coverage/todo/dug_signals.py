"""What was found on an outing, by its marks and stops: junk dug, signals counted, and what was heard and left."""

import math
from collections.abc import Sequence

import numpy as np

from fieldcomb.coverage.areas.from_marks import place_of
from fieldcomb.coverage.outings.walks import WalkedOuting
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.marks.vocabulary import Mark
from fieldcomb.tracks.motion.legs import Stop
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

# Chosen for this project: a mark is pressed while kneeling at the hole or soon after, and typed places are metres off.
MARK_S = 60.0
MARK_M = 5.0
EXPLAINS = ("junk", "keep", "peg", "count", "coil", "lane", "off", "on", "stop", "blocked")


@dataclass(frozen=True, slots=True, eq=False)
class DugSignals:
    """What was found on one outing, in site metres.

    dug : (n, 2), places of junk that was dug. squares : (x, y, count). heard : (n, 2), signals heard and left.
    """

    dug: Floats
    squares: tuple[tuple[float, float, int], ...]
    heard: Floats


def dug_signals_of(outing: WalkedOuting, frame: SiteFrame) -> DugSignals:
    """Read what an outing dug and heard by its marks ``junk``, ``count``, ``left``, and by dig stops without one."""
    placed = [(mark, place_of(mark, frame)) for mark in outing.marks]
    junk = [place for mark, place in placed if mark.kind == "junk" and place is not None]
    for w in outing.walks:
        for stop in w.walk.stops:
            if stop.kind == "dig" and not _explained(stop, placed):
                junk.append((stop.x_m, stop.y_m))
    squares = tuple(
        (*place, mark.number)
        for mark, place in placed
        if mark.kind == "count" and place is not None and mark.number is not None
    )
    heard = [place for mark, place in placed if mark.kind == "left" and place is not None]
    return DugSignals(places(junk), squares, places(heard))


def places(points: Sequence[tuple[float, float]]) -> Floats:
    """Return places as an array (n, 2), even when there are none."""
    return np.array(points, float).reshape(-1, 2)


def _explained(stop: Stop, placed: Sequence[tuple[Mark, tuple[float, float] | None]]) -> bool:
    """Whether a mark near a stop, in time or else in place, says what it was.

    Junk that was marked is counted by its mark, and the rest is no junk.
    """
    for mark, place in placed:
        if mark.kind not in EXPLAINS:
            continue
        if mark.time_s is not None:
            if stop.start_s - MARK_S <= mark.time_s <= stop.start_s + stop.seconds + MARK_S:
                return True
        elif place is not None and math.hypot(place[0] - stop.x_m, place[1] - stop.y_m) <= MARK_M:
            return True
    return False
