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
# How far the mean is off by ground over length of path, as a share: turns, and lengths of drifting paths.
MEAN_SD = 0.05
MOST_KAPPA, KAPPA_STEP = 1.0, 0.055
DOUBT = 0.004  # of the largest chance: what was taken for impossible before may be measured


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


def log_gamma(spacings: Sequence[MeasuredSpacing], kappa: Floats) -> Floats:
    """Log likelihood of measured spacings for each kappa and each of MEANS_M, (n, means).

    Spacings are gamma distributed with shape 1 / (kappa^2 + (sd / 1.5 m)^2).
    """
    from scipy.special import gammaln

    across, sd = _measured(spacings)
    shape = 1 / (np.square(kappa)[:, None, None] + np.square(sd / USUAL_M))
    rate = shape / MEANS_M[:, None]
    each = shape * np.log(rate) - gammaln(shape) + (shape - 1) * np.log(across) - rate * across
    return np.asarray(each.sum(axis=2))


def log_normal(spacings: Sequence[MeasuredSpacing], kappa: Floats) -> Floats:
    """Return the same for lanes whose places are normal: of lanes that cross, the distance is measured all the same."""
    across, sd = _measured(spacings)
    mean = MEANS_M[:, None]
    spread = np.sqrt(np.square(kappa[:, None, None] * mean) + np.square(sd))
    each = np.logaddexp(-np.square((across - mean) / spread) / 2, -np.square((across + mean) / spread) / 2)
    return np.asarray((each - np.log(spread * math.sqrt(2 * math.pi))).sum(axis=2))


def log_likelihood(spacings: Sequence[MeasuredSpacing], kappa: Floats) -> Floats:
    """Log likelihood of measured spacings for each kappa and each of MEANS_M, (n, means).

    Whether spacings spread as a gamma or as a normal law is not known, and a short one among ten weighs much more by
    the first, so each is taken to be as likely.
    """
    return np.asarray(np.logaddexp(log_gamma(spacings, kappa), log_normal(spacings, kappa)) - math.log(2))


def _measured(spacings: Sequence[MeasuredSpacing]) -> tuple[Floats, Floats]:
    return np.array([one.across_m for one in spacings]), np.array([one.sd_m for one in spacings])


def with_spacings(kappa: Floats, chance: Floats, spacings: Sequence[MeasuredSpacing]) -> tuple[Floats, Floats]:
    """Values of kappa up to 1, and the probability of each, when spacings were measured too, of an unknown mean."""
    from scipy.special import logsumexp

    if not spacings:
        return kappa, chance
    wide = np.concatenate([kappa, np.arange(kappa[-1] + KAPPA_STEP, MOST_KAPPA + 1e-9, KAPPA_STEP)])
    log = logsumexp(log_likelihood(spacings, wide), axis=1)
    told = np.pad(chance, (0, wide.size - kappa.size)) + DOUBT * chance.max()
    told *= np.exp(log - log.max())
    return wide, np.asarray(told / told.sum())


def with_mean(
    kappa: Floats, chance: Floats, spacings: Sequence[MeasuredSpacing], means_m: Floats, likely: Floats
) -> tuple[Floats, Floats]:
    """Weigh what ``with_spacings`` told by the mean spacing that the recording shows, which no drift changes much.

    means_m, likely : (k,) what it may be for each place of the edge of the ground, and how likely that is.

    Returns the probability of each kappa, (n,), and of each place of the edge, (k,).
    """
    log = log_likelihood(spacings, kappa)
    by_mean = np.exp(log - log.max())
    off = np.square(np.log(MEANS_M / means_m[:, None]) / MEAN_SD)  # (k, means)
    near = np.exp((off.min(axis=1, keepdims=True) - off) / 2) / MEANS_M
    near /= near.sum(axis=1, keepdims=True)
    before = chance / np.maximum(by_mean.sum(axis=1), 1e-300)
    both = before[:, None] * (by_mean @ near.T) * likely
    both /= both.sum()
    return np.asarray(both.sum(axis=1)), np.asarray(both.sum(axis=0))
