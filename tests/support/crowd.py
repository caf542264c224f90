"""A crowd that searches a square field without a plan, each on their own way; shares nothing with the program.

Everybody searches for a while and then stands to dig, over and over. The heading drifts at random, and is mirrored at
the edge as light is. Such a walk has no favourite place: it spends the same time on every square metre.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

PACE_M_S = 0.3
SEARCHING = 0.6  # share of the time
DIG_S = (60.0, 180.0)
STRAIGHT_M = 60.0  # way over which a heading is mostly forgotten; shorter, people would go over their own ground
SWATH_M = 1.48


@dataclass(frozen=True, slots=True, eq=False)
class Crowd:
    """Where everybody was each second, float (people, seconds), metres from the field's south-west corner."""

    side_m: float
    x_m: Floats
    y_m: Floats

    @property
    def searched_m(self) -> float:
        """Length of everybody's way together."""
        return float(np.hypot(np.diff(self.x_m), np.diff(self.y_m)).sum())

    @property
    def effort(self) -> float:
        """Swath times way by area: C of random search."""
        return SWATH_M * self.searched_m / self.side_m**2

    @property
    def expected_pct(self) -> float:
        """Percent of the field that a random search of this effort covers, 100 (1 - exp(-C)).

        Koopman's random search, as in nomographs for search and rescue at sea: effort laid independently and evenly.
        """
        return 100.0 * -math.expm1(-self.effort)


def crowd(people: int, side_m: float, seconds: int, rng: np.random.Generator) -> Crowd:
    """Let so many people loose on a field."""
    x, y = side_m * rng.random((2, people))
    heading = 2 * np.pi * rng.random(people)
    digging = rng.random(people) > SEARCHING
    left_s = np.where(digging, _dig_s(rng, people) * rng.random(people), _search_s(rng, people))  # in the midst of it
    places = np.empty((2, people, seconds))
    for k in range(seconds):
        places[0, :, k], places[1, :, k] = x, y
        step = np.where(digging, 0.0, PACE_M_S)
        heading = heading + np.sqrt(2 * step / STRAIGHT_M) * rng.standard_normal(people)
        x, y = x + step * np.sin(heading), y + step * np.cos(heading)
        off_x, off_y = (x < 0) | (x > side_m), (y < 0) | (y > side_m)
        heading = np.where(off_x, -heading, heading)
        heading = np.where(off_y, np.pi - heading, heading)
        x, y = (np.where(v < 0, -v, np.where(v > side_m, 2 * side_m - v, v)) for v in (x, y))
        left_s = left_s - 1
        over = left_s <= 0
        digging = digging ^ over
        left_s = np.where(over, np.where(digging, _dig_s(rng, people), _search_s(rng, people)), left_s)
    return Crowd(side_m, places[0], places[1])


def _dig_s(rng: np.random.Generator, people: int) -> Floats:
    return DIG_S[0] + (DIG_S[1] - DIG_S[0]) * rng.random(people)


def _search_s(rng: np.random.Generator, people: int) -> Floats:
    usual = sum(DIG_S) / 2 * SEARCHING / (1 - SEARCHING)
    return usual * rng.exponential(size=people)
