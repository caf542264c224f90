"""Whole commands beside the usual way: one, six and thirty recordings of three hours; figures only.

    python tests/benchmarks/bench_command.py [--pairs N] [--most FILES] [--large]

``fieldcomb map`` and ``analyst.py``, each a process of its own, one after the other on the same files: lanes of 1.5 m
on one hectare, 10,800 fixes a file with the error of a usual receiver, cells of 5 cm. Prints medians of the pairs, and
the median of their ratios: what else the machine does slows both of a pair. ``map`` makes all of its outputs, which
hold far more than the script's: passes within a walk, estimate, chance, confidence of strips, what is to do.

With --large also 400 walks of the demo on about 25 ha, without the script; some minutes.
"""

from __future__ import annotations

import argparse
import os
import re
import statistics
import subprocess
import sys
import time
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "demo"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))
from bench_again import write_outings

DEMO = Path(__file__).parents[2] / "demo"
WALKS = ("outing-1-west-large.gpx", "outing-2-east-large.gpx")
OURS = ["-c", "import sys; from fieldcomb.coverage.commands.cli import main; sys.exit(main())"]
THEIRS = [str(Path(__file__).with_name("analyst.py"))]
SWATH_M, CELL_M = 1.5, 0.05


@dataclass(frozen=True, slots=True)
class Cost:
    """What a process took: seconds on the clock and of the processor, and its largest size in megabytes."""

    wall_s: float
    cpu_s: float
    peak_mb: float


def run(folder: Path, arguments: list[str]) -> Cost:
    """Run Python in a process of its own; a failure ends the benchmark with what it said."""
    # Modules are compiled once and kept, as they are where a program is installed.
    surroundings = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    with (folder / "talk.txt").open("wb") as talk:
        began = time.perf_counter()
        child = subprocess.Popen([sys.executable, *arguments], cwd=folder, env=surroundings, stdout=talk, stderr=talk)
        _, status, usage = os.wait4(child.pid, 0)
        wall_s = time.perf_counter() - began
        child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        sys.exit((folder / "talk.txt").read_text(encoding="utf-8"))
    return Cost(wall_s, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024)


def compare(folder: Path, names: list[str], pairs: int) -> None:
    """Run both ways so many times in turn, and print medians."""
    ground = ["--boundary", "field.geojson", "--swath", f"{SWATH_M}m", "--cell", f"{CELL_M}m"]
    ours, theirs = [], []
    for _ in range(pairs):
        theirs.append(run(folder, [*THEIRS, "field.geojson", str(SWATH_M), str(CELL_M), "usual", *names]))
        ours.append(run(folder, [*OURS, "map", *names, "--coil", "28cm", *ground, "-o", "ours"]))

    def middle(costs: list[Cost]) -> str:
        wall_s, cpu_s, peak_mb = (statistics.median(getattr(c, key) for c in costs) for key in Cost.__slots__)
        return f"{wall_s:7.2f} s {cpu_s:7.2f} s {peak_mb:5.0f} MB"

    def ratio(key: str) -> float:
        return statistics.median(getattr(b, key) / getattr(a, key) for a, b in zip(ours, theirs, strict=True))

    print(f"{len(names):5}  {middle(ours)}  {middle(theirs)}  {ratio('wall_s'):5.2f} {ratio('cpu_s'):5.2f}", flush=True)


def moved(text: str, day: date, east_deg: float, north_deg: float) -> str:
    """A demo walk on another day and some metres off."""
    text = re.sub(r"2026-04-1[12]T", f"{day.isoformat()}T", text)
    text = re.sub(r'lon="([-\d.]+)"', lambda m: f'lon="{float(m[1]) + east_deg:.7f}"', text)
    return re.sub(r'lat="([-\d.]+)"', lambda m: f'lat="{float(m[1]) + north_deg:.7f}"', text)


def make_walks(folder: Path, count: int, columns: int) -> list[str]:
    """Write walks of the demo side by side in a square of so many columns."""
    texts = [(DEMO / name).read_text(encoding="utf-8") for name in WALKS]
    names = []
    for k in range(count):
        row, column = divmod(k % (columns * columns), columns)
        text = moved(texts[k % 2], date(2026, 1, 1) + timedelta(days=k), column * 4.4e-4, row * 3.1e-4)
        (folder / f"walk{k:03d}.gpx").write_text(text, encoding="utf-8")
        names.append(f"walk{k:03d}.gpx")
    return names


def main() -> None:
    """Make the walks, run both ways, small ones first."""
    parser = argparse.ArgumentParser(description="Whole commands beside the usual way.")
    parser.add_argument("--pairs", type=int, default=3)
    parser.add_argument("--most", type=int, default=30, help="the most recordings of one map")
    parser.add_argument("--large", action="store_true")
    typed = parser.parse_args()
    with TemporaryDirectory() as temp:
        folder = Path(temp)
        names = write_outings(folder, 30)
        print(f"files  {'map: clock, CPU, peak':>28}  {'usual way: clock, CPU, peak':>28}  ratios of clock and CPU")
        run(folder, [*OURS, "map", *names[:1], "--coil", "28cm", "--swath", f"{SWATH_M}m", "-o", "warm"])
        for count in (count for count in (1, 6, 30) if count <= typed.most):
            compare(folder, names[:count], typed.pairs)
        if typed.large:
            many = make_walks(folder, 400, 14)
            cost = run(folder, [*OURS, "map", *many, "--coil", "33cm", "--swath", "1.6m", "-o", "large"])
            print(f"400 walks on about 25 ha, 10 cm: {cost.wall_s:.2f} s, {cost.cpu_s:.2f} s, {cost.peak_mb:.0f} MB")


if __name__ == "__main__":
    main()
