"""A day of a crowd: 25 people for five hours on ten hectares, as files and whole commands; figures only.

    python tests/benchmarks/bench_day.py [SEED]

Every second, with the error of a usual receiver: 450,000 fixes in 25 GPX files, added as one outing to a site of 10 cm
cells, and reported with all outputs. Each command runs in a process of its own. Then the swept share beside that of
random search, 1 - exp(-C); of the error of the receivers that share knows nothing.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "demo"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))
from crowd import SWATH_M, Crowd, crowd
from walker import TYPICAL, Fixes, to_gpx

from fieldcomb.tracks.frame import SiteFrame

PEOPLE, SIDE_M, SECONDS = 25, 100_000**0.5, 5 * 3600
FRAME = SiteFrame(-30.0, 40.0)  # at sea
START_S = 1_770_019_200.0  # 2 February 2026, 08:00


def write_day(folder: Path, people: Crowd, rng: np.random.Generator, seconds: int = SECONDS) -> list[str]:
    """Write the field and everybody's recording; give the names of the recordings."""
    corners = [(0.0, 0.0), (SIDE_M, 0.0), (SIDE_M, SIDE_M), (0.0, SIDE_M), (0.0, 0.0)]
    ring = [[float(degrees) for degrees in FRAME.to_lonlat(x, y)] for x, y in corners]
    (folder / "field.geojson").write_text(json.dumps({"type": "Polygon", "coordinates": [ring]}), encoding="utf-8")
    times = np.arange(seconds, dtype=float)
    names = []
    for number, (x, y) in enumerate(zip(people.x_m, people.y_m, strict=True)):
        x, y = x + TYPICAL.draw(times, rng), y + TYPICAL.draw(times, rng)
        fixes = Fixes(times + START_S, x, y, np.zeros(seconds, bool))
        names.append(f"searcher-{number + 1:02d}.gpx")
        (folder / names[-1]).write_text(to_gpx(fixes, FRAME, names[-1]), encoding="utf-8")
    return names


def run(folder: Path, *arguments: str) -> None:
    """Run one command, and print how long it took and how large it grew."""
    code = "import sys; from fieldcomb.coverage.commands.cli import main; sys.exit(main())"
    with (folder / "talk.txt").open("wb") as talk:
        began = time.perf_counter()
        child = subprocess.Popen([sys.executable, "-c", code, *arguments], cwd=folder, stdout=talk, stderr=talk)
        _, status, usage = os.wait4(child.pid, 0)
        seconds = time.perf_counter() - began
        child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        sys.exit((folder / "talk.txt").read_text(encoding="utf-8"))
    print(f"{arguments[0]:10} {seconds:6.2f} s  {usage.ru_maxrss / 1024:6.0f} MB")


def main() -> None:
    """Make the day, add it, report it."""
    seed = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    people = crowd(PEOPLE, SIDE_M, SECONDS, np.random.default_rng(seed))
    with TemporaryDirectory() as temp:
        folder = Path(temp)
        names = write_day(folder, people, np.random.default_rng([seed, 1]))
        size_mb = sum((folder / name).stat().st_size for name in names) / 1e6
        print(f"25 people, 5 h, 10 ha, 10 cm cells: {people.x_m.size} fixes, {size_mb:.0f} MB of GPX")
        run(folder, "new", "site", "--boundary", "field.geojson", "--zone", "UTC")
        run(folder, "add", "site", *names, "--coil", "28cm", "--swath", f"{SWATH_M}m")
        run(folder, "report", "site")
        report = json.loads((folder / "site" / "out" / "report.json").read_text(encoding="utf-8"))
    print(f"swept {report['total']['swept_pct']:.2f} %, {len(report['strips'])} strips")
    print(f"random search of C = {people.effort:.3f} without error: {people.expected_pct:.2f} %")


if __name__ == "__main__":
    main()
