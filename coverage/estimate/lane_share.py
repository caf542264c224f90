"""The share swept where lanes say what was swept of some ground, and recordings of the rest.

On each cell both are evidence of their own: what one left out the other may have swept. Each has an interval, which
allows for what is uncertain of it alone; they have nothing in common, so they add up as squares.
"""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.estimate.left_out import Missed
from fieldcomb.coverage.lanes.declared import INTERVAL_PCT, MODEL_SD_PCT, NINETY
from fieldcomb.coverage.lanes.lane_draws import LANE_DRAWS, CellsSwept
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

SumUp = Callable[[Missed, Floats], tuple[float, float, float]]


@dataclass(frozen=True, slots=True)
class ShareWithLanes:
    """Percent of a site swept, its 90 % interval, and the percent of the site that lanes alone swept."""

    pct: float
    low: float
    high: float
    by_lanes_pct: float


def left_by_lanes(before: Missed | None, swept: CellsSwept, cells: int) -> Missed:
    """Return what lanes left out of each cell, (LANE_DRAWS, cells), after those that were added before."""
    left: NDArray[np.float32] = np.ones((LANE_DRAWS, cells), np.float32) if before is None else before.copy()
    left[:, swept.cells] *= 1 - swept.swept
    return left


def share_with_lanes(missed: Missed, lanes: Missed, weight: Floats, summed_up: SumUp) -> ShareWithLanes:
    """Put together what recordings and what lanes left out of the cells of a plot.

    missed, lanes : (draws, cells). weight : share of the site in each cell. summed_up : gives percent swept by
    recordings, and its interval, from what they left out and the weight of the cells.
    """
    by_walks, by_lanes = missed.mean(axis=0, dtype=float), lanes.mean(axis=0, dtype=float)
    pct, low, high = summed_up(missed, weight * by_lanes)
    shares = 100 * (1 - (lanes @ (weight * by_walks).astype(np.float32)).astype(float))
    middle = float(shares.mean())
    lanes_low, lanes_high = np.percentile(shares, INTERVAL_PCT)
    model_pct = NINETY * MODEL_SD_PCT / 100 * 100 * float((weight * by_walks) @ (1 - by_lanes))
    below = math.hypot(max(pct - low, 0.0), middle - float(lanes_low), model_pct)
    above = math.hypot(max(high - pct, 0.0), float(lanes_high) - middle, model_pct)
    alone = 100 * float(weight @ (1 - by_lanes))
    return ShareWithLanes(pct, max(pct - below, 0.0), min(pct + above, 100.0), alone)
