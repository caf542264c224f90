"""How far a walker swerves within lanes, seen from how much more a recording wavers across lanes than along them.

A receiver's error is as large along a lane as across it. Along it only the pace varies; across it the walker swerves
as well, and who swerves much keeps uneven spacings too. So the ratio of the two tells of evenness whatever the
receiver is good for, as long as its error changes little within a quarter of a minute.
"""

import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from fieldcomb.tracks.motion.legs import SearchPath
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

# Second differences of places this many seconds apart, of means over OVER_S: longer ones show changes of pace as well.
LAGS_S = (10, 16)
OVER_S = 5
HIDES_FROM_M = 1.2  # tried on typical receivers and worse; with a better one the spacings themselves are seen
LEAST_SECONDS = 200  # seen at the longest lag
STRAIGHT_COS, STRAIGHT_SHARE = 0.9, 0.8  # rings of a spiral bend, and are left out
MOST_MEDIANS = 13.0  # spikes count no more than this
# At each lag, in m2: what the pace adds along the lane, and what swerving adds across it for each m2 of (kappa x usual
# spacing)^2; both vary from one walker to another by a factor exp(spread). With how far the logarithm of the ratio is
# off, these were found on 240 simulated walks and 60 with errors of real receivers.
PACE_M2, PACE_SPREAD = (0.04, 0.18), 0.7
SWERVE, SWERVE_SPREAD = (0.14, 0.42), 0.9
RATIO_SD, RATIO_VARIANCE_S = 0.15, 43.0
LEAST_NOISE = 0.1  # of what is seen along the lane
UNSURE = 0.25  # of the largest chance: pace and swerving are not the same for everybody
_SPREAD = np.array([-1.5, -0.75, 0.0, 0.75, 1.5])  # of a normal law, with these weights
_WEIGHT = np.exp(-(_SPREAD**2) / 2) / np.exp(-(_SPREAD**2) / 2).sum()


@dataclass(frozen=True, slots=True)
class Wavering:
    """Mean squares of second differences across lanes and along them, m2, at each of LAGS_S; and how many seconds."""

    across_m2: tuple[float, ...]
    along_m2: tuple[float, ...]
    seconds: int


def wavering(ways: Sequence[SearchPath], lanes: Sequence[tuple[int, Floats, Floats]]) -> Wavering | None:
    """Return how much a recording wavers on its lanes; None where there is too little of them, or they bend.

    lanes : for each piece of a lane away from turns its way, and times and headings (n,) of stations along it.
    """
    seen: list[list[Floats]] = [[] for _ in LAGS_S]
    for piece in _pieces(ways, lanes):
        total = np.cumsum(np.vstack([np.zeros(2), piece]), axis=0)
        mean = (total[OVER_S:] - total[:-OVER_S]) / OVER_S
        for lag, found in zip(LAGS_S, seen, strict=True):
            if len(mean) > 2 * lag:
                found.append((mean[2 * lag :] - 2 * mean[lag:-lag] + mean[: -2 * lag]) ** 2)
    at_lags = [np.concatenate(found) if found else np.zeros((0, 2)) for found in seen]
    if len(at_lags[-1]) < LEAST_SECONDS:
        return None
    means = [np.minimum(squares, MOST_MEDIANS * np.median(squares)).mean(axis=0) for squares in at_lags]
    across, along = (tuple(float(mean[side]) for mean in means) for side in (0, 1))
    return Wavering(across, along, len(at_lags[-1])) if min(*across, *along) > 0 else None


def is_straight(heading: Floats) -> bool:
    """Whether a piece of a walk goes one way: nearly all of its headings, (n,), lie near their mean."""
    return bool((np.cos(heading - _main(heading)) > STRAIGHT_COS).mean() >= STRAIGHT_SHARE)


def _main(heading: Floats) -> float:
    return math.atan2(float(np.sin(heading).mean()), float(np.cos(heading).mean()))


def _pieces(ways: Sequence[SearchPath], lanes: Sequence[tuple[int, Floats, Floats]]) -> Iterator[NDArray[np.float64]]:
    """Places across and along straight lanes, second by second without a break, (n, 2)."""
    for number, t_s, heading in lanes:
        way = ways[number]
        if not is_straight(heading):
            continue
        main = _main(heading)
        here = slice(*np.searchsorted(way.t_s, [t_s[0], t_s[-1]]))
        east, north = way.x_m[here], way.y_m[here]
        cos, sin = math.cos(main), math.sin(main)
        places = np.column_stack([cos * north - sin * east, cos * east + sin * north])
        breaks = np.flatnonzero(np.diff(way.t_s[here]) > 1.5) + 1
        yield from (piece for piece in np.split(places, breaks) if len(piece) > OVER_S + 2 * LAGS_S[0])


def with_wavering(kappa: Floats, chance: Floats, seen: Wavering | None, spacing_m: float) -> Floats:
    """Probability of each kappa, (n,), when the wavering is known too.

    The mean logarithm of across / along is normal about that of (e + s) / (e + p): e the receiver's part, s the
    swerving, proportional to kappa^2, p the pace, and e + p what is seen along lanes.
    """
    if seen is None:
        return chance
    pace, swerve = np.exp(PACE_SPREAD * _SPREAD)[:, None, None], np.exp(SWERVE_SPREAD * _SPREAD)[:, None]
    ratio, expected = 0.0, np.zeros((_SPREAD.size, _SPREAD.size, kappa.size))
    for across, along, pace_m2, by in zip(seen.across_m2, seen.along_m2, PACE_M2, SWERVE, strict=True):
        ratio += math.log(across / along) / len(LAGS_S)
        noise = np.maximum(1 - pace * pace_m2 / along, LEAST_NOISE)
        expected += np.log(noise + swerve * by * (kappa * spacing_m) ** 2 / along) / len(LAGS_S)
    variance = RATIO_SD**2 + RATIO_VARIANCE_S / seen.seconds
    log = -((ratio - expected) ** 2) / (2 * variance)
    likely = np.einsum("p,s,psk->k", _WEIGHT, _WEIGHT, np.exp(log - log.max()))
    told = chance * (likely / likely.max() + UNSURE)
    return np.asarray(told / told.sum())
