"""Ground swept crosswise: straight runs by the sector of their bearing, and cells with sectors 60 degrees apart."""

import math
from collections.abc import Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.raster.cells import Mask
from fieldcomb.coverage.raster.simplified import steps_kept
from fieldcomb.tracks.motion.legs import Leg

# Of the straight runs over each cell: 0 for none, CROSSWISE, or as `bearing_tables` has it.
Bearings = NDArray[np.uint8]
SwathLeg = tuple[float, Leg]  # width of the swath along a leg, in metres, and the leg

SECTORS = 15  # of 12 degrees: bearings 48 to 72 degrees apart may fall to either side of 60
CROSSWISE_SECTORS = 5  # 60 degrees
CROSSWISE = 255
STRAIGHT_M = 3.0  # a run shorter than this has no bearing: it is a turn
BEND_M = 0.5


def runs_by_sector(swaths: Sequence[tuple[float, Sequence[Leg]]]) -> dict[int, list[SwathLeg]]:
    """Return the straight runs of walks by the sector of their bearing; of each walk its swath and its legs."""
    found: dict[int, list[SwathLeg]] = {}
    for swath_m, legs in swaths:
        for sector, run in straight_runs(legs):
            found.setdefault(sector, []).append((swath_m, run))
    return found


def straight_runs(legs: Sequence[Leg]) -> list[tuple[int, Leg]]:
    """Straight runs of 3 m or more, each with the sector of its bearing; the path is straightened to 0.5 m.

    Lines may come to cross each other: kept from that, lanes side by side would be cut up, a quarter of their length.
    """
    runs = []
    for leg in legs:
        if leg.x_m.size < 2:
            continue
        places = np.column_stack([leg.x_m, leg.y_m])
        line = places[steps_kept(places, [len(places)], [BEND_M]) > 0]
        dx, dy = np.diff(line[:, 0]), np.diff(line[:, 1])
        for k in np.flatnonzero(np.hypot(dx, dy) >= STRAIGHT_M).tolist():
            bearing = math.atan2(dx[k], dy[k]) % math.pi
            sector = int(bearing / math.pi * SECTORS) % SECTORS
            runs.append((sector, Leg(line[k : k + 2, 0], line[k : k + 2, 1])))
    return runs


@cache
def bearing_tables() -> tuple[NDArray[np.uint8], NDArray[np.uint16]]:
    """What each set of sectors is kept as, and the set that is kept as each; of crosswise ones only that they are."""
    sets = np.arange(1 << SECTORS, dtype=np.uint16)
    found = np.zeros(sets.size, bool)
    for a in range(SECTORS):
        for b in range(a):
            if min(a - b, SECTORS - (a - b)) >= CROSSWISE_SECTORS:
                found |= ((sets >> a) & (sets >> b) & 1).astype(bool)
    few = sets[~found]  # none, or some of five beside each other: 241
    kept = np.full(sets.size, CROSSWISE, np.uint8)
    kept[few] = np.arange(few.size)
    of = np.full(256, sets[-1])
    of[: few.size] = few
    return kept, of


def with_more(bearings: Bearings, more: Bearings) -> Bearings:
    """Return bearings together with more of them."""
    kept, of = bearing_tables()
    together = np.maximum(bearings, more)  # of one and none, or of twice the same
    both = (bearings != more) & (np.minimum(bearings, more) > 0)
    together[both] = kept[of[bearings[both]] | of[more[both]]]
    return together


def crosswise(bearings: Bearings) -> Mask:
    """Cells swept along bearings 60 degrees or more apart."""
    return np.asarray(bearings == CROSSWISE)
