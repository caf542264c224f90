"""What recordings say of the lanes of a plan: by the numbers that were marked, and by the walk itself."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fieldcomb.coverage.lanes.decode import block_state, decode
from fieldcomb.coverage.lanes.lane_plan import Lane
from fieldcomb.coverage.lanes.legs_along import LaneLabel, TimedWay, across_of, goes_along, least_leg_m, legs_along
from fieldcomb.tracks.values import dataclass


@dataclass(frozen=True, slots=True)
class BlockSeen:
    """A block of lanes as recordings show it: first and last lane, its state, and the chance that all were walked."""

    first: int
    last: int
    state: str
    chance: float


@dataclass(frozen=True, slots=True)
class SeenLanes:
    """What recordings say of a plan.

    walked : chance of each lane, by number; nothing for lanes too short to be told from turns. labels : lanes whose
    number was marked. blocks : by number. legs : how many were found along lanes.
    """

    walked: dict[int, float]
    labels: frozenset[int]
    blocks: tuple[BlockSeen, ...]
    legs: int


def seen_lanes(
    lanes: Sequence[Lane], bearing_deg: float, walks: Sequence[tuple[TimedWay, Sequence[LaneLabel]]]
) -> SeenLanes | None:
    """Weigh what walks with marked lane numbers say of a plan; None when no walk was one on it.

    walks : each with the numbers that were marked on it. One without any says nothing: a receiver that is metres off
    cannot even tell the first lane from its neighbour.
    """
    across = across_of(lanes, bearing_deg)
    found = []
    labels: set[int] = set()
    many = 0
    for way, marked in walks:
        legs = legs_along(way, lanes, bearing_deg, marked)
        if not any(leg.lane is not None for leg in legs) or not goes_along(way, lanes, bearing_deg):
            continue
        found.append(decode(across, legs, way.slow_m))
        labels |= {lanes[leg.lane].number for leg in legs if leg.lane is not None}
        many += len(legs)
    if not found:
        return None
    missed = np.prod([1 - one.walked for one in found], axis=0)
    blocks: dict[int, list[int]] = {}
    for place, lane in enumerate(lanes):
        blocks.setdefault(lane.block, []).append(place)
    seen = []
    visible = np.array([lane.span_m for lane in lanes]) >= least_leg_m(lanes)
    for block in blocks.values():
        places = [place for place in block if visible[place]]
        if not places:
            seen.append(BlockSeen(lanes[block[0]].number, lanes[block[-1]].number, block_state(0.5), 0.5))
            continue
        # Several walks are weighed one by one: all of a block was walked at least as surely as on the best of them.
        chance = max(max(one.all_walked(places) for one in found), float(np.prod(1 - missed[places])))
        seen.append(BlockSeen(lanes[block[0]].number, lanes[block[-1]].number, block_state(chance), chance))
    walked = {lane.number: float(1 - missed[place]) for place, lane in enumerate(lanes) if visible[place]}
    return SeenLanes(walked, frozenset(labels), tuple(seen), many)
