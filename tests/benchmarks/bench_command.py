"""Whole commands on walks of the demo: seconds and memory, printed only.

Run by hand: python tests/benchmarks/bench_command.py [--large] (with --large also 400 outings on 25 ha, some minutes).
"""

from __future__ import annotations

import re
import resource
import subprocess
import sys
import time
from datetime import date, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

DEMO = Path(__file__).parents[2] / "demo"
WALKS = ("outing-1-west-large.gpx", "outing-2-east-large.gpx")


def moved(text: str, day: date, east_deg: float, north_deg: float) -> str:
    """A demo walk on another day and some metres off."""
    text = re.sub(r"2026-04-1[12]T", f"{day.isoformat()}T", text)
    text = re.sub(r'lon="([-\d.]+)"', lambda m: f'lon="{float(m[1]) + east_deg:.7f}"', text)
    return re.sub(r'lat="([-\d.]+)"', lambda m: f'lat="{float(m[1]) + north_deg:.7f}"', text)


def make_walks(folder: Path, count: int, columns: int) -> list[str]:
    """Write walks side by side in a square of so many columns."""
    texts = [(DEMO / name).read_text(encoding="utf-8") for name in WALKS]
    names = []
    for k in range(count):
        row, column = divmod(k % (columns * columns), columns)
        text = moved(texts[k % 2], date(2026, 1, 1) + timedelta(days=k), column * 4.4e-4, row * 3.1e-4)
        (folder / f"walk{k:03d}.gpx").write_text(text, encoding="utf-8")
        names.append(f"walk{k:03d}.gpx")
    return names


def run(name: str, folder: Path, arguments: list[str]) -> None:
    """Run one command in a process of its own, and print how long it took and how large it grew."""
    began = time.perf_counter()
    code = "import sys; from fieldcomb.coverage.commands.cli import main; sys.exit(main())"
    command = [sys.executable, "-c", code, *arguments]
    done = subprocess.run(command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    seconds = time.perf_counter() - began
    if done.returncode:
        print(f"{name}: failed\n{done.stderr}")
        return
    # Of all processes so far the largest, so the order below is from small to large.
    peak_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"{name:46} {seconds:6.2f} s  {peak_mb:6.0f} MB")


def main() -> None:
    """Run all of them, small ones first."""
    boundary = ["--boundary", str(DEMO / "boundary.geojson"), "--coil", "33cm", "--swath", "1.6m"]
    with TemporaryDirectory() as temp:
        folder = Path(temp)
        one, thirty = make_walks(folder, 1, 1), make_walks(folder, 30, 1)
        run("map, 1 walk of 1.4 h, 0.5 ha, 10 cm", folder, ["map", *one, *boundary, "-o", "a"])
        run("map, 1 walk of 1.4 h, 0.5 ha, 5 cm", folder, ["map", *one, *boundary, "--cell", "5cm", "-o", "b"])
        run("map, 30 walks, 0.5 ha, 5 cm", folder, ["map", *thirty, *boundary, "--cell", "5cm", "-o", "c"])
        if "--large" in sys.argv:
            many = make_walks(folder, 400, 14)
            run(
                "map, 400 walks, about 25 ha, 10 cm",
                folder,
                ["map", *many, "--coil", "33cm", "--swath", "1.6m", "-o", "d"],
            )


if __name__ == "__main__":
    main()
