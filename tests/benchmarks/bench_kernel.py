"""How fast passes are counted, beside the usual way: buffer each leg and add the polygons up on a raster.

    python tests/benchmarks/bench_kernel.py

Both ways get the same legs and the same grid of one hectare, swath 1.5 m, on a recording of three hours at one fix a
second (10,800 fixes, lanes of 100 m, pace 0.3 m/s, the error of a good receiver):

- cleaned: every stop is one place, as the program hands its legs over; each lane is a leg.
- raw: about half of the time is spent digging, and the fixes jitter about each hole.

Prints the best of several runs and the ratio; nothing fails for being slow. The usual way needs a leg for each pass,
and it cannot tell digging from walking to and fro; ours can.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.enums import MergeAlg
from rasterio.features import rasterize

from fieldcomb.coverage.raster.grid import Grid, grid_over
from fieldcomb.coverage.raster.passes import count_passes
from fieldcomb.tracks.motion.legs import Leg

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "demo"))
from walker import GOOD

FIXES, PACE_M_S, LANE_M, SPACING_M, SWATH_M = 10_800, 0.3, 100.0, 1.5, 1.5


def walk(rng: np.random.Generator, digging: bool) -> list[Leg]:
    """Give each lane of a walk as a leg; a lane's turn onto the next belongs to it."""
    pace = np.full(FIXES, PACE_M_S)
    second = 60
    while digging and second < FIXES:
        seconds = int(40 + 140 * rng.random())
        pace[second : second + seconds] = 0.0
        second += seconds + int(50 + 120 * rng.random())
    lane, along = np.divmod(np.cumsum(pace), LANE_M + SPACING_M)
    x = lane * SPACING_M + np.maximum(along - LANE_M, 0.0)
    y = np.where(lane % 2 == 0, np.minimum(along, LANE_M), LANE_M - np.minimum(along, LANE_M))
    x, y = (v + GOOD.draw(np.arange(float(FIXES)), rng) for v in (x, y))
    starts = np.flatnonzero(np.diff(lane)) + 1
    return [Leg(a, b) for a, b in zip(np.split(x, starts), np.split(y, starts), strict=True) if a.size > 1]


def buffered(legs: list[Leg], grid: Grid) -> NDArray[Any]:
    """Count legs by their buffers."""
    lines = [shapely.LineString(np.column_stack([leg.x_m, leg.y_m])) for leg in legs]
    shapes = [(polygon, 1) for polygon in shapely.buffer(lines, SWATH_M / 2)]
    size = (grid.rows, grid.cols)
    return np.asarray(rasterize(shapes, size, transform=grid.transform, merge_alg=MergeAlg.add, dtype="uint8"))


def best_s(work: Callable[[], object], runs: int) -> float:
    """Seconds of the fastest of several runs."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    """Measure and print."""
    print("legs     cell     ours     buffers  ratio  share of swept cells that both agree are swept")
    for name, digging in (("cleaned", False), ("raw", True)):
        legs = walk(np.random.default_rng(1), digging)
        for cell_m in (0.10, 0.05):
            grid = grid_over((-5.0, 0.0, 95.0, 100.0), cell_m)
            ours = best_s(lambda legs=legs, grid=grid: count_passes(legs, SWATH_M, grid), 9)
            theirs = best_s(lambda legs=legs, grid=grid: buffered(legs, grid), 3)
            mine, other = count_passes(legs, SWATH_M, grid) > 0, buffered(legs, grid) > 0
            same = 100 * float((mine & other).sum() / (mine | other).sum())
            times = f"{1e3 * ours:6.1f} ms {1e3 * theirs:8.1f} ms"
            print(f"{name:8} {cell_m:.2f} m {times} {theirs / ours:6.1f}  {same:.2f} %")


if __name__ == "__main__":
    main()
