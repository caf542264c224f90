"""Which way ground was walked, told from recordings that are metres off."""

from __future__ import annotations

import math

import numpy as np
from walker import TYPICAL

from fieldcomb.coverage.ground.crosswise import SECTORS, straight_runs
from fieldcomb.tracks.motion.legs import Leg


def test_a_bend_ends_a_run_and_its_halves_lie_in_their_sectors() -> None:
    """A walk north and then east is two straight runs, in the sectors of north and of east."""
    runs = straight_runs([Leg(np.array([0.0, 0.0, 8.0]), np.array([0.0, 8.0, 8.0]))])
    assert [sector for sector, _ in runs] == [0, SECTORS // 2]
    assert [math.dist((r.x_m[0], r.y_m[0]), (r.x_m[1], r.y_m[1])) for _, r in runs] == [8.0, 8.0]


def test_lanes_side_by_side_are_told_to_run_their_way() -> None:
    """Nine tenths of lanes 1.4 m apart are straight runs along the lanes, though a usual receiver lets them cross."""
    t = np.arange(4000.0)
    lane, along = np.divmod(0.3 * t, 40.0)
    told_m = []
    for seed in range(4):
        rng = np.random.default_rng(seed)
        x, y = (np.convolve(TYPICAL.draw(t, rng), np.ones(8) / 8, "same") for _ in range(2))
        y += np.where(lane % 2 == 0, along, 40.0 - along)
        runs = straight_runs([Leg(x + 1.4 * lane, y)])
        northward = (0, 1, SECTORS - 2, SECTORS - 1)
        told_m.append(sum(math.hypot(*np.diff(r.x_m), *np.diff(r.y_m)) for sector, r in runs if sector in northward))
    assert np.mean(told_m) > 0.9 * 0.3 * t[-1]
