"""What one thing more to measure would make of the interval, worked out by the estimate itself.

How even somebody's lanes are will be known better with ten spacings measured by tape, and how wide the swing is once it
is measured. What they will show is not known, so it is taken from what is thought of these walks now: for lanes that
turn out more even and for lanes that turn out less, the estimate is made again as if ten such spacings were typed.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np

from fieldcomb.coverage.estimate.measured_spacings import TAPE_SD_M, USUAL_M, MeasuredSpacing, with_mean, with_spacings
from fieldcomb.coverage.estimate.regularity import KAPPA, LANES, PRIOR, WANDERING
from fieldcomb.coverage.estimate.walked_ground import DRAWS, EVENLY, Drawn, drawn_by
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

SPACINGS, SWING = "spacings", "swing"
TEN = 10
HABITS = (1 / 4, 3 / 4)  # of how uneven lanes may turn out: the middles of two parts that are equally likely
LEAST_POINTS, LEAST_SHARE = 2.0, 0.2  # a smaller gain is not worth a sentence; chosen for this project

Ends = Callable[[Sequence[Drawn]], tuple[float, float]]


@dataclass(frozen=True, slots=True)
class NextEvidence:
    """What to measure next, SPACINGS or SWING, and about where the interval would lie then, in percent."""

    measure: str
    low: float
    high: float


def next_evidence(
    walks: Sequence[Drawn],
    now: tuple[float, float],
    ends: Ends,
    swath_sds: tuple[float, float],
    ground_sd: float = 0.0,
) -> NextEvidence | None:
    """Return what would shrink the interval most; None where nothing shrinks it by 2 points and 20 %.

    walks : all that cannot be placed. now : the interval. ends : gives it for other walks.
    swath_sds : how far off a swath may be when it was measured, and when not, as shares. ground_sd : how far off the
    ground of the only walk may be, as a share; 0 where there are several.
    """
    width = now[1] - now[0]
    if width <= 2 * LEAST_POINTS:
        return None
    found = []
    if any(walk.kind != WANDERING for walk in walks):
        each = [ends([with_ten_spacings(walk, habit, ground_sd) for walk in walks]) for habit in HABITS]
        low, high = (float(np.mean(side)) for side in zip(*each, strict=True))
        found.append(NextEvidence(SPACINGS, low, high))
    if not all(walk.swath_measured for walk in walks):
        found.append(NextEvidence(SWING, *ends([with_swing(walk, *swath_sds) for walk in walks])))
    best = min(found, key=lambda one: one.high - one.low, default=None)
    if best is None or width - (best.high - best.low) < max(LEAST_POINTS, LEAST_SHARE * width):
        return None
    return best


def with_ten_spacings(walk: Drawn, habit: float, ground_sd: float = 0.0) -> Drawn:
    """Return a walk as if ten spacings had been measured on it.

    habit : 0 to 1, how uneven its lanes turn out. ground_sd : how far off its ground may be, as a share, which their
    mean then shows; 0 where other walks lie there.
    """
    if walk.kind == WANDERING:
        return walk
    kappa = float(walk.kappa[walk.drawn[int(habit * DRAWS)]])
    spacings = _ten_of(kappa)
    # Ten spacings say more than the recording (``regularity``); those that were measured before count on.
    if walk.kappa.size > KAPPA.size:
        before = np.bincount(walk.drawn, minlength=walk.kappa.size) / DRAWS
        kappas, chance = with_spacings(walk.kappa, before, spacings)
    else:
        kappas, chance = _told_by_ten(kappa)
    share = walk.edge_share
    if ground_sd and walk.kind == LANES and not walk.in_rings:
        edges = np.linspace(-2, 2, 9)
        likely = np.exp(-np.square(edges) / 2)
        chance, edge = with_mean(kappas, chance, spacings, USUAL_M * np.exp(ground_sd * edges), likely)
        share *= min(float(np.sqrt(edge @ np.square(edges) - (edge @ edges) ** 2)), 1.0)
    return replace(walk, kappa=kappas, drawn=drawn_by(chance), spacings=walk.spacings + TEN, edge_share=share)


@lru_cache(maxsize=64)
def _ten_of(kappa: float) -> tuple[MeasuredSpacing, ...]:
    """Ten spacings that are as likely as any, of lanes as uneven as this."""
    from scipy.special import gammaincinv

    shape = 1 / (kappa**2 + (TAPE_SD_M / USUAL_M) ** 2)
    across_m = USUAL_M / shape * gammaincinv(shape, (np.arange(TEN) + 0.5) / TEN)
    return tuple(MeasuredSpacing(one, TAPE_SD_M) for one in across_m.tolist())


@lru_cache(maxsize=64)
def _told_by_ten(kappa: float) -> tuple[Floats, Floats]:
    """Kappas, and how likely ten spacings of such lanes make each, whatever the recording says.

    Kept, as each of many walks is drawn with one of a few kappas.
    """
    return with_spacings(KAPPA, PRIOR, _ten_of(kappa))


def with_swing(walk: Drawn, measured_sd: float, guessed_sd: float) -> Drawn:
    """Return a walk as if its swing had been measured: how far length times swath may be off is less then."""
    from scipy.special import ndtri

    if walk.swath_measured:
        return walk
    middle = float(np.median(walk.scale))
    sd = float(np.mean(np.abs(walk.scale / middle - 1)) / np.mean(np.abs(ndtri(EVENLY))))
    less = np.sqrt(max(sd**2 - guessed_sd**2, 0.0) + measured_sd**2) / sd
    return replace(walk, scale=middle + (walk.scale - middle) * less, swath_measured=True)
