"""Where the interval of a share ends: which parts of the draws lie below and above it."""

from collections.abc import Iterable, Sequence

import numpy as np

from fieldcomb.coverage.estimate.left_out import Missed
from fieldcomb.coverage.estimate.regularity import ENOUGH_MEASURED, LANES, WANDERING
from fieldcomb.coverage.estimate.walked_ground import Drawn
from fieldcomb.tracks.recording import Floats

# Parts of the draws at the ends of the interval. How even lanes are is hardly seen, and ragged or very straight ones
# lie at the ends; of other walks, and of several recordings, errors are smaller than the draws say: on 452 sites used
# in making it mostly 0.4 to 0.8 of their spread. With many recordings more of the errors are such as all of them share.
# Once spacings are measured, lanes in one recording are as well known as other walks. Several walks that wander are as
# far off as their draws say: on 40 sites used in making it three truths lay above 91 % of the draws, one above 95 %.
INTERVAL_IN_LANES, INTERVAL_OF_OTHERS = (0.015, 0.98), (0.05, 0.95)
LOW_OF_SEVERAL, LOW_FALLS, LEAST_LOW, HIGH_OF_SEVERAL = 0.11, 0.015, 0.03, 0.91

MEASURED_LANES = "measured lanes"


def kinds_of(walks: Iterable[Drawn]) -> list[str]:
    """Return the kinds of some walks; lanes of which enough spacings were measured are a kind of their own."""
    return [MEASURED_LANES if _measured(walk) else walk.kind for walk in walks]


def _measured(walk: Drawn) -> bool:
    return walk.kind == LANES and walk.spacings >= ENOUGH_MEASURED


def summed_up(missed: Missed, weight: Floats, kinds: Sequence[str]) -> tuple[float, float, float]:
    """Percent swept by recordings of some kinds: the mean of the draws, and the interval told as 90 %."""
    pct = 100 * (1 - (missed @ weight.astype(np.float32)).astype(np.float64))
    low, high = np.quantile(pct, ends_of(kinds))
    return float(pct.mean()), float(low), float(high)


def ends_of(kinds: Sequence[str]) -> tuple[float, float]:
    """Return which parts of the draws lie below the interval's two ends, for recordings of some kinds."""
    if len(kinds) > 1 and not all(kind == WANDERING for kind in kinds):
        return max(LOW_OF_SEVERAL - LOW_FALLS * len(kinds), LEAST_LOW), HIGH_OF_SEVERAL
    return INTERVAL_IN_LANES if list(kinds) == [LANES] else INTERVAL_OF_OTHERS
