"""Whether a receiver is worse than its class, seen from how far a recording leaves the ground that is searched.

Nobody searches metres beyond the boundary, so what was recorded there shows the size of the error: of a receiver that
is twice as bad, ten times as much lies there.
"""

from collections.abc import Sequence

import numpy as np

from fieldcomb.coverage.estimate.effort import Plot, outside_m
from fieldcomb.coverage.gear.receivers import Receiver
from fieldcomb.tracks.motion.legs import SearchPath
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

BEYOND_SIGMAS, LEAST_BEYOND_M = 1.9, 3.0  # people turn outside by a metre or two
USUAL_RIM_M = 1.0  # between the outermost lane and the boundary
# A receiver that only seems somewhat worse may have drifted off for a while: of 140 typical ones one in twenty.
WORSE_FROM, MOST_WORSE = 1.6, 3.0
FAR, MOST_FAR = 3.0, 0.3  # of what lies beyond, little is three times as far out; else somebody searched out there
BLAMED_FROM_M = 0.5  # with a better receiver it was walked there
_STEPS = np.linspace(0.5, MOST_WORSE, 51)


@dataclass(frozen=True, slots=True)
class ReceiverSeen:
    """A receiver as the recording shows it, and how many times worse it is than its class; 1 where it fits."""

    receiver: Receiver
    worse: float


def seen(plot: Plot, ways: Sequence[SearchPath], told: Receiver) -> ReceiverSeen:
    """Return the receiver of a class, or a worse one where far more of a walk lies off the site than fits the class."""
    worse = _worse(plot, ways, told.sigma_m) if told.sigma_m >= BLAMED_FROM_M else 1.0
    if worse < WORSE_FROM:
        return ReceiverSeen(told, 1.0)
    return ReceiverSeen(Receiver(worse * told.slow_m, worse * told.fast_m, worse * told.white_m), worse)


def _worse(plot: Plot, ways: Sequence[SearchPath], sigma_m: float) -> float:
    """How many times the error told fits what lies beyond the boundary.

    Beside a straight edge with lanes up to a rim, normal errors put sigma G((beyond + rim) / sigma) m2 of searched
    ground beyond each metre of it; G(z) = phi(z) - z (1 - Phi(z)), the mean of what a normal number exceeds z by.
    """
    beyond_m = max(BEYOND_SIGMAS * sigma_m, LEAST_BEYOND_M)
    away = np.concatenate([outside_m(plot, way.x_m, way.y_m) for way in ways] or [np.zeros(0)])
    beyond = np.count_nonzero(away > beyond_m)
    if not beyond or np.count_nonzero(away > FAR * beyond_m) > MOST_FAR * beyond:
        return 1.0
    inside = plot.inside
    faces = np.count_nonzero(inside[1:] != inside[:-1]) + np.count_nonzero(inside[:, 1:] != inside[:, :-1])
    # Along rows and columns an edge at any angle is longer by 4 / pi on average.
    wide_m = beyond / away.size * float(plot.share.sum()) * plot.cell_m / (faces * np.pi / 4)
    sigmas = sigma_m * _STEPS
    return float(np.interp(wide_m, sigmas * _exceeds((beyond_m + USUAL_RIM_M) / sigmas), _STEPS))


def _exceeds(z: Floats) -> Floats:
    """Mean of what a standard normal number exceeds z by, and 0 where it does not."""
    from scipy.special import ndtr

    return np.asarray(np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi) - z * ndtr(-z))
