"""How right a whole report is where lanes were walked: ``lane_sites.py --kind whole --first 61 --count 200``.

Kinds: ``whole``, the site is one plan; ``half``, a plan on one half, and the other half walked by eye; ``over``, a plan
along all of a site that was walked by eye before with another coil. 5 % of the lanes are left out, and the sheet says
so; receivers are typical, flags and straying as in ``declared_lanes.py``. Prints, of the site's share: bias, rms, how
often the truth lay inside, and the width; how far the mean of the chance map is off the share; of the lanes left out,
how many are strips, and how far these lie beside the true gap; CPU seconds with lanes and without.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
sys.path.insert(0, str(Path(__file__).parents[2] / "demo"))
from drift_walks import DriftWalk, draw
from lane_walks import recorded_lanes, strip_of, walked_way
from recordings import DAY_S, FRAME, START_S, area, item, site
from recordings import outing as outing_of
from truth import points_in, swept_at
from walker import Fixes

from fieldcomb.coverage.gear.coils import Coil
from fieldcomb.coverage.gear.swing import Swing
from fieldcomb.coverage.lanes.declared import DeclaredPlan
from fieldcomb.coverage.lanes.lane_plan import plan_lanes
from fieldcomb.coverage.lanes.sheet import NO, YES
from fieldcomb.coverage.outings.inputs import OutingInput
from fieldcomb.coverage.raster.blocks import cells_at
from fieldcomb.coverage.survey.results import Result
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.tracks.recording import Track

LEAST_M2 = 800.0
LEFT_OUT = 0.05
SWATH_SD = 0.03


@dataclass(frozen=True)
class Told:
    """What one site came to, in points, metres and seconds."""

    error: float
    inside: bool
    width: float
    map_off: float
    lanes_left: int
    strips: int
    beside_m: tuple[float, ...]
    seconds: float
    seconds_without: float
    by: str | None


def field(rng: np.random.Generator) -> Polygon:
    """A convex field."""
    while True:
        half_wide, half_high = rng.uniform(20, 45), rng.uniform(20, 45)
        turn = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(4, 8))))
        shape = shapely.MultiPoint(np.c_[half_wide * np.cos(turn), half_high * np.sin(turn)]).convex_hull
        if shape.area >= LEAST_M2:
            return shape


def recorded(fixes: Fixes, coil: str, swath_m: float, day: int) -> OutingInput:
    """Fixes as an outing."""
    lon, lat = FRAME.to_lonlat(fixes.x_m, fixes.y_m)
    track = Track(lon, lat, fixes.t_s + START_S + day * DAY_S, np.zeros(lon.size, np.int32))
    how = Swing(Coil(coil, 0.28, 0.28), swath_m, 1.0, "typical", True, False)
    return outing_of(f"day {day}", item(track, how, f"{day}.gpx"))


def trial(kind: str, rng: np.random.Generator, *, twice: bool) -> Told:
    """One site."""
    whole = field(rng)
    left, low, right, high = whole.bounds
    ground = whole.intersection(shapely.box(left, low, (left + right) / 2, high)) if kind == "half" else whole
    swath_m = float(rng.uniform(1.3, 1.7))
    spacing_m = swath_m - float(rng.choice([0.28, 0.33, 0.15]))
    plan = plan_lanes(ground, swath_m, spacing_m)
    states = {lane.number: NO if rng.random() < LEFT_OUT else YES for lane in plan.lanes}
    ways = {lane.number: walked_way(lane, rng) for lane in plan.lanes}
    true_m = swath_m * (1 + SWATH_SD * rng.standard_normal())
    walked = [number for number, state in states.items() if state == YES]
    strips = shapely.union_all([strip_of(ways[number], true_m) for number in walked])
    fixes = recorded_lanes([ways[number] for number in walked], "typical", rng)
    outings = [recorded(fixes, "small", swath_m, 2)]
    others: list[DriftWalk] = []
    if kind != "whole":
        over = whole.difference(ground) if kind == "half" else whole
        others = [draw("lanes", int(rng.integers(1 << 30)), "typical", over=over)]
        outings.insert(0, recorded(others[0].fixes, "large", others[0].swath_m, 1))
    places = points_in(whole, 0.1)
    shapely.prepare(strips)
    swept = shapely.contains_xy(strips, *places.T)
    for other in others:
        swept |= swept_at(other.walk, other.swath_m, places)
    declared = DeclaredPlan("1", "small", plan.lanes, spacing_m, swath_m, plan.bearing_deg, states)
    bare = site(area(whole))
    begun = time.process_time()
    result = survey(replace(bare, lanes=(declared,)), outings)
    between = time.process_time()
    if twice:
        survey(bare, outings)
    return _told(result, 100 * float(swept.mean()), places, declared, (between - begun, time.process_time() - between))


def _told(
    result: Result, truth: float, places: NDArray[np.float64], plan: DeclaredPlan, seconds: tuple[float, float]
) -> Told:
    estimate, chance = result.report.total.estimate, result.layers.chance
    assert estimate.pct is not None and estimate.low is not None and estimate.high is not None and chance is not None
    left = [lane for lane in plan.lanes if plan.states[lane.number] == NO]
    lanes = {strip.lanes: strip for strip in result.report.strips if strip.lanes}
    beside, found = [], 0
    for lane in left:
        line = shapely.LineString([lane.start_m, lane.end_m])
        mine = [strip for strip in lanes.values() if strip.shape.intersects(line)]
        found += bool(mine)
        beside += [_beside_m(strip.shape, line) for strip in mine if f"lane {lane.number} " in strip.lanes]
    return Told(
        estimate.pct - truth,
        estimate.low <= truth <= estimate.high,
        estimate.high - estimate.low,
        100 * float(np.nanmean(chance.cells[cells_at(chance.grid, *places.T)])) - estimate.pct,
        len(left),
        found,
        tuple(beside),
        *seconds,
        estimate.by,
    )


def _beside_m(shape: Polygon, line: shapely.LineString) -> float:
    """How far the middle of a strip lies beside a line."""
    return float(shapely.distance(shape.centroid, line))


def main() -> None:
    """Run the trials of one seed and print what came out."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--kind", choices=("whole", "half", "over"), default="whole")
    options.add_argument("--first", type=int, default=61)
    options.add_argument("--count", type=int, default=20)
    options.add_argument("--seconds", action="store_true", help="also survey each site without its lanes")
    given = options.parse_args()
    rng = np.random.default_rng(given.first)
    found = []
    for _ in range(given.count):
        found.append(trial(given.kind, rng, twice=given.seconds))
        if len(found) % 10 == 0 or len(found) == given.count:
            print(line(found), flush=True)


def line(found: list[Told]) -> str:
    """What came out so far."""
    error = np.array([one.error for one in found])
    rms, inside = float(np.sqrt(np.mean(error**2))), sum(one.inside for one in found)
    width, off = np.mean([one.width for one in found]), np.max(np.abs([one.map_off for one in found]))
    left, strips = sum(one.lanes_left for one in found), sum(one.strips for one in found)
    beside = [at for one in found for at in one.beside_m] or [0.0]
    seconds = sum(one.seconds for one in found) / len(found), sum(one.seconds_without for one in found) / len(found)
    by = {name: sum(one.by == name for one in found) for name in sorted({str(one.by) for one in found})}
    return (
        f"{len(found)} sites: bias {error.mean():+.2f}, rms {rms:.2f}, inside {inside}, width {width:.2f}; map off "
        f"{off:.2f} at most; {strips} of {left} lanes left out are strips, beside by {max(beside):.2f} m at most; "
        f"{seconds[0]:.2f} s CPU, {seconds[1]:.2f} s without lanes; by {by}"
    )


if __name__ == "__main__":
    main()
