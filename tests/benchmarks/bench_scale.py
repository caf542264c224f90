"""How time and memory grow with fixes, cells, outings and people; printed, and drawn when a file is given.

    python tests/benchmarks/bench_scale.py [--chart docs/growth.svg]

Whole commands with one process, so that seconds of the processor and the largest size are those of all the work. Lanes
on one hectare with the error of a usual receiver; people on 10 ha. Some minutes.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "demo"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))
from bench_again import SIDE_M as FIELD_M
from bench_again import write_outings
from bench_command import OURS, Cost, run
from bench_day import SIDE_M, write_day
from crowd import SWATH_M, crowd

FIXES = (2_700, 5_400, 10_800, 21_600)
CELLS_CM = (20, 10, 7, 5)
OUTINGS = (5, 10, 20, 40)
PEOPLE, PEOPLE_S = (5, 10, 20), 2 * 3600


@dataclass(frozen=True, slots=True)
class Growth:
    """What a quantity costs: its name, how many there were, and what each took."""

    name: str
    many: tuple[float, ...]
    costs: tuple[Cost, ...]


def map_of(folder: Path, names: list[str], cell_cm: int = 10) -> Cost:
    """Make a map of walks."""
    typed = ["--coil", "28cm", "--swath", "1.5m", "--cell", f"{cell_cm}cm", "--boundary", "field.geojson"]
    return run(folder, [*OURS, "map", *names, *typed, "-o", "out", "--jobs", "1"])


def by_fixes(folder: Path) -> Growth:
    """One walk, longer and longer."""
    costs = [map_of(folder, write_outings(folder, 1, seconds)) for seconds in FIXES]
    return Growth("fixes", FIXES, tuple(costs))


def by_cells(folder: Path) -> Growth:
    """One walk of three hours in finer and finer cells."""
    names = write_outings(folder, 1)
    costs = tuple(map_of(folder, names, cell_cm) for cell_cm in CELLS_CM)
    return Growth("cells", tuple((100 * FIELD_M / cm) ** 2 for cm in CELLS_CM), costs)


def by_outings(folder: Path) -> Growth:
    """More and more outings of three hours on the same hectare."""
    names = write_outings(folder, max(OUTINGS))
    return Growth("outings", OUTINGS, tuple(map_of(folder, names[:many]) for many in OUTINGS))


def by_people(folder: Path) -> Growth:
    """More and more people on one day: what adding it and the first report take together."""
    costs = []
    for many in PEOPLE:
        people = crowd(many, SIDE_M, PEOPLE_S, np.random.default_rng(1))
        names = write_day(folder, people, np.random.default_rng([1, 1]), PEOPLE_S)
        site = f"site-{many}"
        run(folder, [*OURS, "new", site, "--boundary", "field.geojson", "--zone", "UTC"])
        added = run(folder, [*OURS, "add", site, *names, "--coil", "28cm", "--swath", f"{SWATH_M}m", "--jobs", "1"])
        told = run(folder, [*OURS, "report", site, "--jobs", "1"])
        sums = (added.wall_s + told.wall_s, added.cpu_s + told.cpu_s, max(added.peak_mb, told.peak_mb))
        costs.append(Cost(*sums))
    return Growth("people", PEOPLE, tuple(costs))


def chart(growths: list[Growth]) -> str:
    """Draw seconds (line, left) and megabytes (dashes, right) against each quantity, all axes from nothing."""
    wide, high, left, top = 230, 170, 45, 40
    size = len(growths) * (wide + 2 * left), high + 2 * top + 20
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size[0]} {size[1]}" '
        'font-family="sans-serif" font-size="12" fill="none" stroke="#333">',
        f'<rect width="{size[0]}" height="{size[1]}" fill="#fff" stroke="none"/>',
    ]
    for n, one in enumerate(growths):
        x0, y0, most = n * (wide + 2 * left) + left, top + high, max(one.many)
        out.append(f'<path d="M{x0},{top}V{y0}H{x0 + wide}V{top}"/>')
        for key, colour, dash, at, anchor, unit in (
            ("cpu_s", "#00507a", "", x0 - 4, "end", "s"),
            ("peak_mb", "#9a4a00", "6 4", x0 + wide + 4, "start", "MB"),
        ):
            values = [getattr(cost, key) for cost in one.costs]
            places = [
                (x0 + wide * x / most, y0 - high * v / max(values)) for x, v in zip(one.many, values, strict=True)
            ]
            line = " ".join(f"{x:.1f},{y:.1f}" for x, y in places)
            out.append(f'<polyline points="{line}" stroke="{colour}" stroke-width="2" stroke-dasharray="{dash}"/>')
            out += [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" fill="{colour}" stroke="none"/>' for x, y in places]
            label = f'<text fill="{colour}" stroke="none" text-anchor="{anchor}"'
            out.append(f'{label} x="{at}" y="{top + 4}">{max(values):.{1 if unit == "s" else 0}f} {unit}</text>')
            out.append(f'{label} x="{at}" y="{y0 + 4}">0</text>')
        name = f'<text fill="#333" stroke="none" text-anchor="middle" x="{x0 + wide / 2}"'
        out.append(f'{name} y="{y0 + 32}">{one.name}, to {f"{most:,.0f}".replace(",", " ")}</text>')
    return "\n".join([*out, "</svg>", ""])


def main() -> None:
    """Measure, print, draw."""
    parser = argparse.ArgumentParser(description="How time and memory grow.")
    parser.add_argument("--chart", type=Path)
    typed = parser.parse_args()
    growths = []
    for measure in (by_fixes, by_cells, by_outings, by_people):
        with TemporaryDirectory() as temp:
            growths.append(measure(Path(temp)))
        one = growths[-1]
        for many, cost in zip(one.many, one.costs, strict=True):
            print(f"{many:10.0f} {one.name:8} {cost.cpu_s:6.2f} s of the processor  {cost.peak_mb:5.0f} MB", flush=True)
    if typed.chart:
        typed.chart.write_text(chart(growths), encoding="utf-8")


if __name__ == "__main__":
    main()
