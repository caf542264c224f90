"""How right the share by lanes is, on plans walked by other code: ``declared_lanes.py --first 51 --count 110``.

Sites are convex, of 0.05 ha and more; swings of 1.3 to 1.7 m, lanes overlap by a coil, 5 % of them left out; flags are
0.2 m off, walkers stray by 0.2 m (alike over 6 m), swings are off by 3 %. Prints bias, rms, share inside, width.
"""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path

import numpy as np
import shapely

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
sys.path.insert(0, str(Path(__file__).parents[2] / "demo"))
from lane_walks import walked_strip

from fieldcomb.coverage.lanes.declared import DeclaredPlan, by_lanes
from fieldcomb.coverage.lanes.lane_plan import plan_lanes
from fieldcomb.coverage.lanes.sheet import NO, YES

LEAST_M2 = 500.0


def trial(rng: np.random.Generator) -> tuple[float, bool, float] | None:
    """One site: error in points, whether the truth lay inside, and the width; None for a site that is too small."""
    half_wide, half_high = rng.uniform(20, 50), rng.uniform(20, 60)
    turn = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(4, 8))))
    site = shapely.MultiPoint(np.c_[half_wide * np.cos(turn), half_high * np.sin(turn)]).convex_hull
    if site.area < LEAST_M2:
        return None
    swath_m = float(rng.uniform(1.3, 1.7))
    spacing_m = swath_m - float(rng.choice([0.28, 0.33, 0.15]))
    plan = plan_lanes(site, swath_m, spacing_m)
    states = {lane.number: NO if rng.random() < 0.05 else YES for lane in plan.lanes}
    true_m = swath_m * (1 + 0.03 * rng.standard_normal())
    strips = [walked_strip(lane, true_m, rng) for lane in plan.lanes if states[lane.number] == YES]
    truth = 100 * shapely.union_all(strips).intersection(site).area / site.area
    declared = DeclaredPlan("1", "coil", plan.lanes, spacing_m, swath_m, plan.bearing_deg, states)
    found = by_lanes(declared, None, site, {True: 0.03, False: 0.1})
    return found.of_site_pct - truth, found.low <= truth <= found.high, found.high - found.low


def main() -> None:
    """Run the trials of one seed and print what came out."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--first", type=int, default=51)
    options.add_argument("--count", type=int, default=110)
    given = options.parse_args()
    rng = np.random.default_rng(given.first)
    found = [one for one in (trial(rng) for _ in range(given.count)) if one is not None]
    error, inside, width = np.array(found, float).T
    rms = math.sqrt(float(np.mean(error**2)))
    print(
        f"{len(found)} sites: bias {error.mean():+.2f}, rms {rms:.2f}, inside {inside.mean():.3f}, "
        f"width {width.mean():.2f}"
    )


if __name__ == "__main__":
    main()
