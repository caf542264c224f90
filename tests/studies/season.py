"""What finds say, on sites whose truth is known: hot spots by chance and found, and how many are left.

    PYTHONPATH=.dev python tests/studies/season.py --count 400

Prints the table of docs/season.md. Finds at random lie by how often ground was passed. Of 40 finds on a hectare six lie
in a circle of 2 m radius; all are shown with the errors of a receiver, in one recording or in four. Stocks of 15 to 300
are searched by three to eight outings that find 10 to 50 % of what is there for a usual effort.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests" / "support")]

from find_sites import as_recorded, at_random, even_passes, in_a_circle, searched_stock, uneven_passes  # noqa: E402

from fieldcomb.coverage.season.depletion import leslie  # noqa: E402
from fieldcomb.coverage.season.hot_spots import hot_spots  # noqa: E402

FINDS, PATCH, RADIUS_M = 40, 6, 2.0


def shown_by_chance(count: int, first: int) -> float:
    """Share of sites with finds at random that show a hot spot at any scale, in percent."""
    shown = 0
    for seed in range(first, first + count):
        rng = np.random.default_rng(seed)
        passes, grid = uneven_passes() if seed % 2 else even_passes()
        many = int(rng.choice([20, 40, 100, 300]))
        true = at_random(rng, many, passes, grid)
        gps = str(rng.choice(["good", "typical", "poor"]))
        here, recorded = as_recorded(rng, true, gps, int(rng.integers(1, 5)), passes, grid)
        shown += bool(hot_spots(here, recorded, grid, seed=seed).spots)
    return 100 * shown / count


def patches_found(count: int, first: int, gps: str, recordings: int, others: int) -> float:
    """Share of sites on which a hot spot holds half of a patch or more, in percent."""
    found = 0
    passes, grid = even_passes()
    for seed in range(first, first + count):
        rng = np.random.default_rng(seed)
        true = np.vstack((in_a_circle(rng, PATCH, RADIUS_M), at_random(rng, others, passes, grid)))
        here, recorded = as_recorded(rng, true, gps, recordings, passes, grid)
        spots = hot_spots(here, recorded, grid, seed=seed).spots
        found += any(2 * sum(one < PATCH for one in spot.members) >= PATCH for spot in spots)
    return 100 * found / count


def stocks(count: int, first: int, spread: float, falling: float) -> tuple[float, float, float, float]:
    """In percent: stocks with a number; of these, within the limits, with fewer than at least, with more than most."""
    given = held = fewer = more = 0
    for seed in range(first, first + count):
        stock, found, effort = searched_stock(np.random.default_rng(seed), spread, falling)
        if not any(found[:-1]):
            continue
        line = leslie(found, effort)
        if line.low is None or line.high is None:
            continue
        given += 1
        fewer += line.low > stock
        more += line.high < stock
        held += line.low <= stock <= line.high
    return 100 * given / count, 100 * held / given, 100 * fewer / given, 100 * more / given


def main() -> None:
    """Run the studies."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--count", type=int, default=400)
    parser.add_argument("--first", type=int, default=96_000)
    args = parser.parse_args()
    for spread, falling in ((0.0, 0.0), (0.0, 0.15), (0.7, 0.0), (1.2, 0.0)):
        given, held, fewer, more = stocks(5 * args.count, args.first, spread, falling)
        print(f"stock, spread {spread}, falling {falling}: number {given:.0f} %, held {held:.1f} %, ", end="")
        print(f"fewer than at least {fewer:.1f} %, more than most {more:.1f} %")
    print(f"at random: {shown_by_chance(args.count, args.first):.1f} % of {args.count} show a hot spot", flush=True)
    for gps in ("good", "typical", "poor"):
        for recordings in (1, 4):
            share = patches_found(args.count // 4, args.first, gps, recordings, FINDS - PATCH)
            print(f"{PATCH} among {FINDS}, {gps}, {recordings} recordings: {share:.0f} % found", flush=True)


if __name__ == "__main__":
    main()
