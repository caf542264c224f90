"""What pegs are worth, measured or not: position error of a walk of an hour, rms on both axes, with and without them.

    PYTHONPATH=.dev python tests/studies/pegs.py --count 40
    PYTHONPATH=.dev python tests/studies/pegs.py --series FOLDER --only wrist-1,wrist-2

The walker stands for 12 s at a peg every so often: always at the same one, or at four in turn. Pegs that were not
measured are known by the walk's own touches alone, or also by four outings before it. FOLDER holds the errors
of real receivers, as ``site_walks.real_errors`` reads them; their receiver is told as typical.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests" / "support"), str(ROOT / "demo")]

from site_walks import real_errors  # noqa: E402
from walker import gauss_markov  # noqa: E402

from fieldcomb.tracks.motion.cleaning import Fixes  # noqa: E402
from fieldcomb.tracks.motion.peg_drift import Peg, PegPlace, Tied, Touch, tie, unknown_peg  # noqa: E402

Floats = NDArray[np.float64]
SLOW_M, FAST_M, WHITE_M, FAST_TAU_S = 1.5, 0.5, 0.15, 25.0  # a typical receiver
WALK_S, STAND_S, PACE_M_S, APART_M = 3600, 12.0, 0.3, 20.0


def there_and_back(every_s: float, pegs: int) -> tuple[Floats, Floats, list[tuple[int, float]]]:
    """True places of an hour, second by second, and which peg was touched when: out from a peg and on to the next."""
    t = np.arange(float(WALK_S))
    turn, phase = np.divmod(t, every_s)
    way = np.clip((phase - STAND_S) / (every_s - STAND_S), 0, None)
    here, there = turn % pegs * APART_M, (turn + 1) % pegs * APART_M
    y = PACE_M_S * (every_s - STAND_S) / 2 * (1 - np.abs(2 * way - 1)) * (way > 0)
    return here + (there - here) * way, y, [(int(n % pegs), n * every_s + 6.0) for n in np.unique(turn)]


def rms_m(every_s: float, pegs: int, error: Floats, before: Sequence[Floats]) -> list[float]:
    """Position error without pegs; with pegs not measured; found on walks ``before`` it too; and measured."""
    x, y, touched = there_and_back(every_s, pegs)
    zeros = np.zeros(x.size, np.int32)

    def tied(of: Sequence[Peg], off: Floats) -> Tied:
        fixes = Fixes(np.arange(float(WALK_S)), x + off[:, 0], y + off[:, 1], zeros, zeros)
        return tie(fixes, [Touch(of[k], t) for k, t in touched], SLOW_M, FAST_M)

    unknown = [unknown_peg(f"peg {k}") for k in range(pegs)]
    found = [tied(unknown, off).places for off in before]
    located = [_mean([places[k] for places in found]) for k in range(pegs)]
    measured = [Peg(f"peg {k}", k * APART_M, 0.0) for k in range(pegs)]
    fixes = [tied(of, error).fixes for of in (unknown, located, measured)]
    off = [error, *(np.column_stack([one.x_m - x, one.y_m - y]) for one in fixes)]
    return [float(np.sqrt((one**2).sum(axis=1).mean())) for one in off]


def _mean(places: Sequence[PegPlace]) -> Peg:
    weight = np.array([place.sd_m**-2 for place in places])
    x_m, y_m = weight @ np.array([(place.x_m, place.y_m) for place in places]) / weight.sum()
    return Peg(places[0].name, float(x_m), float(y_m), float(weight.sum() ** -0.5))


def simulated(tau_s: float, rng: np.random.Generator) -> Floats:
    """Errors of a typical receiver whose drift fades in ``tau_s``, (WALK_S, 2)."""
    t, parts = np.arange(float(WALK_S)), ((SLOW_M, tau_s), (FAST_M, FAST_TAU_S))
    axes = [sum(gauss_markov(t, sigma_m, tau, rng) for sigma_m, tau in parts) for _ in range(2)]
    return np.column_stack(axes) + WHITE_M * rng.standard_normal((t.size, 2))


def main() -> None:
    """Print the table."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--count", type=int, default=40)
    asked.add_argument("--first", type=int, default=0)
    asked.add_argument("--series", type=Path, help="folder with the errors of real receivers")
    asked.add_argument("--only", default="wrist-1,wrist-2")
    options = asked.parse_args()
    rows: dict[str, Callable[[np.random.Generator], Floats]]
    if options.series:
        series = real_errors(options.series)
        rows = {name: partial(series[name], WALK_S) for name in options.only.split(",")}
    else:
        rows = {f"fades in {tau_s} s": partial(simulated, tau_s) for tau_s in (60, 200, 900)}
    print("| receiver | pegs | touched every | without | not measured | found on 4 outings before | measured |")
    print("|---|---|---|---|---|---|---|")
    for name, draw in rows.items():
        for pegs, every_s in ((1, 300.0), (1, 150.0), (4, 150.0), (4, 300.0)):
            seeds = range(options.first, options.first + options.count)
            drawn = [[draw(np.random.default_rng([seed, 41 + day])) for day in range(5)] for seed in seeds]
            found = np.array([rms_m(every_s, pegs, days[0], days[1:]) for days in drawn])
            means = " | ".join(f"{mean:.2f}" for mean in np.sqrt((found**2).mean(axis=0)))
            print(f"| {name} | {pegs} | {every_s / 60:g} min | {means} |", flush=True)


if __name__ == "__main__":
    main()
