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
# Once spacings are measured, lanes in one recording are as well known as other walks, and draws of several spread no
# wider than errors: of 80 sites with real receivers used in making it, 91 % of the draws as the upper end held 70
# truths. Several walks that wander are as far off as their draws say: on 40 sites used in making it three truths lay
# above 91 % of the draws, one above 95 %.
INTERVAL_IN_LANES, INTERVAL_OF_OTHERS = (0.0125, 0.98), (0.05, 0.95)
LOW_OF_SEVERAL, LOW_FALLS, LEAST_LOW, HIGH_OF_SEVERAL, HIGH_OF_MEASURED = 0.11, 0.015, 0.03, 0.91, 0.93

MEASURED_LANES, RINGS, GUESSED_SWING = "measured lanes", "rings", "guessed swing"
# Of one recording in rings or wandering, with a swing that was measured, draws spread farther than errors. Of 170
# simulated spirals used in making it these parts held 166 truths, of 30 with real receivers 28, of 100 wandering 99.
INTERVAL_OF_ONE = {LANES: INTERVAL_IN_LANES, RINGS: (0.1, 0.9), WANDERING: (0.125, 0.875)}


def kinds_of(walks: Iterable[Drawn]) -> list[str]:
    """Return the kinds of some walks, as far as they make a difference to the interval."""
    every = list(walks)
    return [_kind_of(walk, alone=len(every) == 1) for walk in every]


def _kind_of(walk: Drawn, *, alone: bool) -> str:
    """Kind of a walk: rings, and lanes of which enough spacings were measured, are kinds of their own."""
    if alone and not walk.swath_measured and (walk.in_rings or walk.kind == WANDERING):
        return GUESSED_SWING
    if walk.in_rings:
        return RINGS
    return MEASURED_LANES if walk.kind == LANES and walk.spacings >= ENOUGH_MEASURED else walk.kind


def summed_up(missed: Missed, weight: Floats, kinds: Sequence[str]) -> tuple[float, float, float]:
    """Percent swept by recordings of some kinds: the mean of the draws, and the interval told as 90 %."""
    pct = 100 * (1 - (missed @ weight.astype(np.float32)).astype(np.float64))
    low, high = np.quantile(pct, ends_of(kinds))
    return float(pct.mean()), float(low), float(high)


def ends_of(kinds: Sequence[str]) -> tuple[float, float]:
    """Return which parts of the draws lie below the interval's two ends, for recordings of some kinds."""
    if len(kinds) > 1 and not all(kind == WANDERING for kind in kinds):
        high = HIGH_OF_MEASURED if MEASURED_LANES in kinds else HIGH_OF_SEVERAL
        return max(LOW_OF_SEVERAL - LOW_FALLS * len(kinds), LEAST_LOW), high
    return INTERVAL_OF_ONE.get(kinds[0], INTERVAL_OF_OTHERS) if len(kinds) == 1 else INTERVAL_OF_OTHERS
