"""What spacings between lanes, measured by the walker, tell of how even the lanes are.

A walker lays a flag at his feet on one lane and measures to it when abeam of it on the next. Ten such spacings say more
of the lanes than any receiver that is metres off, and they need no receiver.
"""

import math
from collections.abc import Sequence

import numpy as np

from fieldcomb.tracks.marks.spacings import LaneSpacing
from fieldcomb.tracks.marks.vocabulary import PACED, Mark
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

TAPE_SD_M, PACES_SD_M = 0.05, 0.20
USUAL_M = 1.5  # a spacing, beside which the measurement is off
MEANS_M = np.arange(0.6, 3.2 + 1e-9, 0.04)  # the mean spacing is not known, and summed over
ROOM_S = 60.0  # to each side of a walk
# Neighbouring spacings are not wholly independent, but measured all over the ground they nearly are: on 120 sites with
# errors of receivers that were used in making it, at 0.7 of their weight intervals were wider and held no more.
POWER = 1.0
MOST_KAPPA, KAPPA_STEP = 1.0, 0.055
DOUBT = 0.02  # of the largest chance: what was taken for impossible before may be measured


@dataclass(frozen=True, slots=True)
class MeasuredSpacing:
    """One spacing in metres, and the standard deviation of how it was measured."""

    across_m: float
    sd_m: float


def spacings_of(
    marks: Sequence[Mark], begin_s: float | None, end_s: float | None, typed: Sequence[LaneSpacing] = ()
) -> tuple[MeasuredSpacing, ...]:
    """Spacings typed for a walk, and marked during it; marks without a time belong to every walk of their outing."""
    begin_s, end_s = -math.inf if begin_s is None else begin_s - ROOM_S, math.inf if end_s is None else end_s + ROOM_S
    marked = [
        LaneSpacing(mark.size_m, mark.name == PACED)
        for mark in marks
        if mark.kind == "spacing" and mark.size_m and (mark.time_s is None or begin_s <= mark.time_s <= end_s)
    ]
    return tuple(MeasuredSpacing(one.across_m, PACES_SD_M if one.paced else TAPE_SD_M) for one in (*typed, *marked))


def log_likelihood(spacings: Sequence[MeasuredSpacing], kappa: Floats) -> Floats:
    """Log likelihood of measured spacings for each kappa, (n,).

    Spacings are gamma distributed with shape 1 / (kappa^2 + (sd / 1.5 m)^2) and an unknown mean.
    """
    from scipy.special import gammaln, logsumexp

    across = np.array([spacing.across_m for spacing in spacings])
    sd = np.array([spacing.sd_m for spacing in spacings])
    shape = 1 / (np.square(kappa)[:, None, None] + np.square(sd / USUAL_M))
    rate = shape / MEANS_M[:, None]
    each = shape * np.log(rate) - gammaln(shape) + (shape - 1) * np.log(across) - rate * across
    return np.asarray(logsumexp(each.sum(axis=2), axis=1))


def with_spacings(kappa: Floats, chance: Floats, spacings: Sequence[MeasuredSpacing]) -> tuple[Floats, Floats]:
    """Values of kappa up to 1, and the probability of each, when spacings were measured too."""
    if not spacings:
        return kappa, chance
    wide = np.concatenate([kappa, np.arange(kappa[-1] + KAPPA_STEP, MOST_KAPPA + 1e-9, KAPPA_STEP)])
    log = POWER * log_likelihood(spacings, wide)
    told = np.pad(chance, (0, wide.size - kappa.size)) + DOUBT * chance.max()
    told *= np.exp(log - log.max())
    return wide, np.asarray(told / told.sum())
