"""Made-up people on one field, alone with two recorders or side by side; for tests of teams. All of it is invented."""

from __future__ import annotations

import numpy as np
from walk_paths import straight
from walker import GOOD, POOR, TYPICAL, Noise, Piece, TrueWalk, add_stops, build, record

from fieldcomb.tracks.motion.cleaning import Fixes

START_S = 1_770_000_000.0
RECEIVERS = ((GOOD, TYPICAL), (TYPICAL, TYPICAL), (TYPICAL, POOR), (GOOD, GOOD))
INTERVALS_S = ((1, 1), (1, 3), (1, 5), (3, 5))


def searcher(rng: np.random.Generator, *, east_m: float = 0.0, digs: int | None = None) -> TrueWalk:
    """Somebody walking 30 lanes of 40 m, with digs and pauses of their own; without ``digs`` 6 to 20 of them."""
    corners = []
    for lane in range(30):
        ends = [(east_m + 1.4 * lane, 0.0), (east_m + 1.4 * lane, 40.0)]
        corners += ends if lane % 2 == 0 else ends[::-1]
    piece = Piece(straight(*corners))
    many = int(rng.integers(6, 21)) if digs is None else digs
    return build([add_stops(piece, rng, digs=many, pauses=4) if many else piece], rng, sway_m=0.2)


def recorded(
    walk: TrueWalk, noise: Noise, interval_s: float, rng: np.random.Generator, begin: float = 0.0, share: float = 1.0
) -> Fixes:
    """A receiver's record of a walk, or of a part of it, as cleaned fixes."""
    fixes = record(walk, interval_s, phase=float(rng.random()), noise=noise, rng=rng)
    whole = float(walk.t_s[-1])
    kept = (fixes.t_s >= begin * whole) & (fixes.t_s < (begin + share) * whole)
    zeros = np.zeros(int(kept.sum()), np.int32)
    return Fixes(fixes.t_s[kept] + START_S, fixes.x_m[kept], fixes.y_m[kept], zeros, zeros)


def pair(number: int, seed: int, *, one_person: bool) -> tuple[Fixes, Fixes]:
    """Two recordings at one time: of one person, or of two who walk 3 m apart and dig for themselves.

    Receivers and intervals take turns; every third recording of one person breaks off half-way or begins late.
    """
    rng = np.random.default_rng([seed, number])
    noise = RECEIVERS[number % 4]
    interval_s = INTERVALS_S[number // 4 % 4]
    first = searcher(rng)
    second = first if one_person else searcher(rng, east_m=3.0)
    begin, share = (float(rng.uniform(0, 0.4)), 0.55) if one_person and number % 3 == 0 else (0.0, 1.0)
    return recorded(first, noise[0], interval_s[0], rng), recorded(second, noise[1], interval_s[1], rng, begin, share)
