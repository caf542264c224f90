"""Sixty outings of three hours on one hectare, reported once, and three times more from what was kept; figures only.

    python tests/benchmarks/bench_again.py

Lanes of 1.5 m walked on and on, every second, with the error of a usual receiver: 648,000 fixes in 60 GPX files, cells
of 10 cm. The third report follows the correction of one outing, the last follows one more outing.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "demo"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))
from bench_day import FRAME, START_S, run
from recordings import serpentine
from walker import TYPICAL, Fixes, to_gpx

OUTINGS, SECONDS, PACE_M_S, SIDE_M = 60, 10_800, 0.3, 100.0


def write_outings(folder: Path, count: int, seconds: int = SECONDS) -> list[str]:
    """Write the field and its walks; each outing goes on a thousand lengths of lane further."""
    corners = [(0.0, 0.0), (SIDE_M, 0.0), (SIDE_M, SIDE_M), (0.0, SIDE_M), (0.0, 0.0)]
    ring = [[float(degrees) for degrees in FRAME.to_lonlat(x, y)] for x, y in corners]
    (folder / "field.geojson").write_text(json.dumps({"type": "Polygon", "coordinates": [ring]}), encoding="utf-8")
    lanes = np.array(serpentine(66, 99.0, 1.5, x0_m=0.75, y0_m=0.5))
    path_m = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(lanes, axis=0).T))])
    rng = np.random.default_rng(1)
    times = np.arange(seconds, dtype=float)
    names = []
    for number in range(count):
        at = PACE_M_S * (times + (1500 * number) % (path_m[-1] / PACE_M_S - seconds))
        x, y = (np.interp(at, path_m, v) + TYPICAL.draw(times, rng) for v in lanes.T)
        fixes = Fixes(times + START_S + 86_400 * number, x, y, np.zeros(seconds, bool))
        names.append(f"walk-{number + 1:02d}.gpx")
        (folder / names[-1]).write_text(to_gpx(fixes, FRAME, names[-1]), encoding="utf-8")
    return names


def main() -> None:
    """Make the outings, add them, report them three times."""
    with TemporaryDirectory() as temp:
        folder = Path(temp)
        names = write_outings(folder, OUTINGS)
        run(folder, "new", "site", "--boundary", "field.geojson", "--zone", "UTC")
        *first, last = names
        run(folder, "add", "site", *first, "--each", "--coil", "28cm", "--swath", "1.5m")
        print(
            f"{len(first)} outings of 3 h on 1 ha: the first report, the same again, after one correction, and one more"
        )
        run(folder, "report", "site")
        run(folder, "report", "site")
        run(folder, "edit", "site", "2026-02-20a", "--swath", "1.4m")
        run(folder, "report", "site")
        run(folder, "add", "site", last, "--coil", "28cm", "--swath", "1.5m")
        run(folder, "report", "site")
        kept = sum(path.stat().st_size for path in (folder / "site" / "out" / "kept").iterdir())
        print(f"out/kept: {kept / 1e6:.0f} MB")


if __name__ == "__main__":
    main()
