"""How far off a receiver places a walk: the classes that users type, and the errors they stand for.

The error of a fix is taken as circular normal, the same to the north and to the east. It has a slow part that drifts
over a quarter of an hour, a fast part over half a minute, and a part that is new with each fix.
"""

import math

from fieldcomb.tracks.units import parse_length_m
from fieldcomb.tracks.values import dataclass

# 95 % of fixes lie within this many sigma of the true place, by the Rayleigh distribution: P = 1 - exp(-r^2 / 2
# sigma^2).
R95_SIGMAS = math.sqrt(-2 * math.log(0.05))  # 2.44775


@dataclass(frozen=True, slots=True)
class Receiver:
    """Standard deviation on each axis in metres of the slow, the fast and the white part of the error."""

    slow_m: float
    fast_m: float
    white_m: float

    @property
    def sigma_m(self) -> float:
        """Standard deviation of a fix on each axis."""
        return math.hypot(self.slow_m, self.fast_m, self.white_m)

    @property
    def r95_m(self) -> float:
        """Radius round the true place that 95 % of fixes lie within."""
        return R95_SIGMAS * self.sigma_m


# Simulated and compared with recordings of known walks before the program was written; no published source.
RECEIVERS = {
    "good": Receiver(1.0, 0.3, 0.10),
    "typical": Receiver(1.5, 0.5, 0.15),
    "poor": Receiver(3.0, 1.0, 0.25),
}


def receiver(gps: str) -> Receiver:
    """Return the receiver for ``good``, ``typical``, ``poor``, or a length as typed.

    Two thirds of fixes are within the length each way, which is one sigma; its parts are those of a typical receiver.

    >>> round(receiver("2cm").sigma_m, 6), round(receiver("typical").r95_m, 2)
    (0.02, 3.89)
    """
    if gps in RECEIVERS:
        return RECEIVERS[gps]
    usual = RECEIVERS["typical"]
    by = parse_length_m(gps, "gps error") / usual.sigma_m
    return Receiver(usual.slow_m * by, usual.fast_m * by, usual.white_m * by)
