"""How often a walk along a plan is put on the right lanes: ``decoded_lanes.py --first 901 --count 60``.

Plans of 25 to 60 lanes, 1.5 to 2 m apart and 25 to 60 m long; 4.5 % of the lanes skipped, 3.5 % walked twice; receivers
with a slow error over 15 min and a fast one over 25 s, and 12 cm that the walker strays. Prints a row for each receiver
and how often a lane was marked.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass, field

import numpy as np

from fieldcomb.coverage.lanes.decode import LegAcross, block_state, decode

RECEIVERS = {"good": (1.0, 0.3, 0.1), "typical": (1.5, 0.5, 0.15), "poor": (3.0, 1.0, 0.25)}
SLOW_S, FAST_S, STEP_S = 900.0, 25.0, 5.0
SKIPPED, AGAIN, STRAY_M = 0.045, 0.035, 0.12


@dataclass
class Counts:
    """What came out, over all walks of a row."""

    right: list[bool] = field(default_factory=list)
    clean: list[bool] = field(default_factory=list)
    again: list[bool] = field(default_factory=list)
    found: list[bool] = field(default_factory=list)
    told: int = 0
    missed: int = 0
    both: int = 0

    @property
    def row(self) -> str:
        """The figures of the row."""
        shares = [float(np.mean(one)) if one else math.nan for one in (self.right, self.clean, self.again, self.found)]
        single = f"{self.both / max(1, self.told):.2f} / {self.both / max(1, self.missed):.2f}"
        right, clean, again, found = (f"{share:.3f}" for share in shares)
        return f"legs right {right}, done and clean {clean}, again {again} / {found}, single lanes {single}"


class Receiver:
    """The error of a receiver across the lanes, as it goes on."""

    def __init__(self, name: str, rng: np.random.Generator) -> None:
        self.slow_m, self.fast_m, self.white_m = RECEIVERS[name]
        self.rng = rng
        self.slow, self.fast = self.slow_m * rng.standard_normal(), self.fast_m * rng.standard_normal()

    def after(self, seconds: float) -> float:
        """The error so many seconds later."""
        for size, lasts_s, part in ((self.slow_m, SLOW_S, "slow"), (self.fast_m, FAST_S, "fast")):
            keeps = math.exp(-seconds / lasts_s)
            fresh = size * math.sqrt(1 - keeps**2) * self.rng.standard_normal()
            setattr(self, part, keeps * getattr(self, part) + fresh)
        return float(self.slow + self.fast)


def order_of(lanes: int, rng: np.random.Generator) -> list[int]:
    """Lanes as they were walked."""
    order: list[int] = []
    for lane in range(lanes):
        if rng.random() >= SKIPPED:
            order += [lane] * (2 if rng.random() < AGAIN else 1)
    return order


def trial(name: str, every: int, rng: np.random.Generator, counts: Counts) -> None:
    """Walk one plan and count what is told of it."""
    spacing_m, lanes = rng.uniform(1.5, 2.0), int(rng.integers(25, 60))
    seconds = rng.uniform(25, 60) / rng.uniform(0.25, 0.4)
    order, across = order_of(lanes, rng), spacing_m * np.arange(lanes)
    receiver, legs, at_s = Receiver(name, rng), list[LegAcross](), 0.0
    steps = max(2, int(seconds / STEP_S))
    for place, lane in enumerate(order):
        off = [receiver.after(STEP_S) + receiver.white_m * rng.standard_normal() / 2 for _ in range(steps)]
        middle = float(across[lane] + np.mean(off) + STRAY_M * rng.standard_normal())
        legs.append(LegAcross(middle, steps * STEP_S, at_s + steps * STEP_S / 2, lane if place % every == 0 else None))
        pause_s = rng.exponential(60) + 15
        receiver.after(pause_s)
        at_s += steps * STEP_S + pause_s
    found = decode(across, legs, RECEIVERS[name][0])
    counts.right += (found.lane_of_leg == np.array(order)).tolist()
    walked = np.isin(np.arange(lanes), order)
    told = found.walked < 0.5
    counts.told, counts.missed = counts.told + int(told.sum()), counts.missed + int((~walked).sum())
    counts.both += int((told & ~walked).sum())
    for first in range(0, lanes - 4, 5):
        state, whole = block_state(found.all_walked(range(first, first + 5))), bool(walked[first : first + 5].all())
        if state == "done":
            counts.clean.append(whole)
        if state == "walk again":
            counts.again.append(not whole)
        if not whole:
            counts.found.append(state == "walk again")


def main() -> None:
    """Run all rows with one seed."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--first", type=int, default=901)
    options.add_argument("--count", type=int, default=60)
    given = options.parse_args()
    rng = np.random.default_rng(given.first)
    for every in (10, 5):
        for name in RECEIVERS:
            counts = Counts()
            for _ in range(given.count):
                trial(name, every, rng, counts)
            print(f"{name}, a number at every {every}th lane: {counts.row}", flush=True)


if __name__ == "__main__":
    main()
