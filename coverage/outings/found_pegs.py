"""Where pegs stand that nobody measured, as the outings before found them.

A gate post is where it was. Each outing that touches it finds its place as well as its receiver can, and the next one
has the mean of all before it. Only earlier outings count, so that a new one changes nothing of what was told of them.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from fieldcomb.coverage.outings.inputs import OutingInput, ReadPart, RecordingInput
from fieldcomb.coverage.outings.peg_touches import peg_key
from fieldcomb.coverage.outings.walks import WalkedOuting
from fieldcomb.tracks.motion.peg_drift import Peg, PegPlace
from fieldcomb.tracks.values import dataclass


@dataclass(slots=True)
class _Found:
    """Sums over the walks that found a peg: weight 1 / sd_m^2, and place times weight."""

    name: str
    weight: float = 0.0
    x: float = 0.0
    y: float = 0.0

    def add(self, place: PegPlace) -> None:
        weight = place.sd_m**-2
        self.weight += weight
        self.x += weight * place.x_m
        self.y += weight * place.y_m

    @property
    def peg(self) -> Peg:
        return Peg(self.name, self.x / self.weight, self.y / self.weight, 1 / math.sqrt(self.weight))


def found_before(walked: Sequence[WalkedOuting]) -> list[tuple[Peg, ...]]:
    """For each outing, the pegs that it touches and that outings before it found.

    walked : in order of time, each by itself: of pegs that nobody measured, by its own touches alone.
    """
    found: dict[str, _Found] = {}
    before = []
    for outing in walked:
        places = [place for one in outing.walks for place in one.walk.peg_places]
        keys = sorted({peg_key(place.name) for place in places})
        before.append(tuple(found[key].peg for key in keys if key in found))
        for place in places:
            found.setdefault(peg_key(place.name), _Found(place.name)).add(place)
    return before


def with_pegs(outing: OutingInput, pegs: tuple[Peg, ...]) -> OutingInput:
    """Return an outing whose recordings know these pegs too."""
    parts = tuple(partial(_knowing, part, pegs) for part in outing.parts)
    return replace(outing, parts=parts, known_by=partial(_known_by, outing, pegs) if outing.known_by else None)


def _knowing(part: ReadPart, pegs: tuple[Peg, ...]) -> tuple[RecordingInput, ...]:
    return tuple(replace(item, pegs=(*item.pegs, *pegs)) for item in part())


def _known_by(outing: OutingInput, pegs: tuple[Peg, ...]) -> tuple[object, ...]:
    return (*(outing.known_by() if outing.known_by else ()), pegs)
