"""What an outing tells by its marks and stops: junk that was dug, signals counted, what was heard and left."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fieldcomb.coverage.areas.from_marks import place_of
from fieldcomb.coverage.outings.walks import WalkedOuting
from fieldcomb.coverage.todo.assumptions import USUAL, TodoSettings
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.marks.vocabulary import Mark
from fieldcomb.tracks.motion.legs import Stop
from fieldcomb.tracks.recording import Floats

EXPLAINS = ("junk", "keep", "peg", "count", "coil", "lane", "off", "on", "stop", "blocked")


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What one outing tells, in site metres.

    dug : (n, 2), junk that was dug. squares : (x, y, count). heard : (n, 2), what was heard and left.
    """

    dug: Floats
    squares: tuple[tuple[float, float, int], ...]
    heard: Floats


def told_by(outing: WalkedOuting, frame: SiteFrame, assumed: TodoSettings = USUAL) -> Told:
    """Find what an outing tells: marks ``junk``, dig stops that no mark explains, marks ``count`` and ``left``."""
    placed = [(mark, place_of(mark, frame)) for mark in outing.marks]
    junk = [place for mark, place in placed if mark.kind == "junk" and place is not None]
    for w in outing.walks:
        for stop in w.walk.stops:
            if stop.kind == "dig" and not _explained(stop, placed, assumed):
                junk.append((stop.x_m, stop.y_m))
    squares = tuple(
        (*place, mark.number)
        for mark, place in placed
        if mark.kind == "count" and place is not None and mark.number is not None
    )
    heard = [place for mark, place in placed if mark.kind == "left" and place is not None]
    return Told(places(junk), squares, places(heard))


def places(found: Sequence[tuple[float, float]]) -> Floats:
    """Places as an array of (n, 2), also of none."""
    return np.array(found, float).reshape(-1, 2)


def _explained(stop: Stop, placed: Sequence[tuple[Mark, tuple[float, float] | None]], assumed: TodoSettings) -> bool:
    """Whether a mark near a stop, in time or else in place, says what it was.

    Junk that was marked is counted by its mark, and the rest is no junk.
    """
    for mark, place in placed:
        if mark.kind not in EXPLAINS:
            continue
        if mark.time_s is not None:
            if stop.start_s - assumed.mark_s <= mark.time_s <= stop.start_s + stop.seconds + assumed.mark_s:
                return True
        elif place is not None and math.hypot(place[0] - stop.x_m, place[1] - stop.y_m) <= assumed.mark_m:
            return True
    return False
