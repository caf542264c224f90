"""What junk hides from coils of several sizes, held against simulated junk, coils and targets."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldcomb.coverage.todo.masking import Remaining, alone, footprint_m2
from fieldcomb.tracks.recording import Floats

TARGETS = 200_000
REACH_M = 0.5  # junk farther from a target than this is under no coil


def nearest_junk_m(per_m2: float, seed: int) -> Floats:
    """Throw junk round each of many targets, and give the distance of the nearest; infinite where there is none."""
    random = np.random.default_rng(seed)
    count = random.poisson(per_m2 * math.pi * REACH_M**2, TARGETS)
    owner = np.repeat(np.arange(TARGETS), count)
    away = REACH_M * np.sqrt(random.random(owner.size))
    nearest = np.full(TARGETS, np.inf)
    np.minimum.at(nearest, owner, away)
    return nearest


def left_after(nearest_m: list[Floats], passes: list[tuple[float, float]], seed: int) -> float:
    """Share of targets that no pass found: of (diameter, caught), each hearing what lies alone under its disc."""
    random = np.random.default_rng(seed)
    left = np.ones(TARGETS, bool)
    for nearest, (across_m, caught) in zip(nearest_m, passes, strict=True):
        left &= ~((nearest > across_m / 2) & (random.random(TARGETS) < caught))
    return float(left.mean())


def disc(across_m: float) -> float:
    """Area of a round coil."""
    return footprint_m2(across_m, across_m)


def share_left(per_m2: float, passes: list[tuple[float, float]]) -> float:
    """Share of targets left by the formula of docs/measures.md, after passes of (footprint, caught)."""
    areas = sorted({area for area, _ in passes})
    heard = [math.exp(-per_m2 * area) for area in areas] + [0.0]
    left, unfound = 1.0 - heard[0], 1.0
    for k, area in enumerate(areas):
        unfound *= math.prod(1 - caught for a, caught in passes if a == area)
        left += (heard[k] - heard[k + 1]) * unfound
    return left


def counted(per_m2: float, passes: list[tuple[float, float]]) -> float:
    """Share of targets left as the program counts it, pass by pass."""
    remaining = Remaining((1,))
    for area, caught in passes:
        remaining.visit(area, caught)
    return float(remaining.left(per_m2)[0])


@pytest.mark.parametrize("per_m2", [0.5, 3.0, 10.0, 25.0])
@pytest.mark.parametrize("across_m", [0.15, 0.23, 0.28, 0.38])
def test_share_heard_alone(per_m2: float, across_m: float) -> None:
    """The share of targets with no junk under the coil is that of simulated junk, within 0.02."""
    seen = float((nearest_junk_m(per_m2, 1) > across_m / 2).mean())
    assert float(alone(per_m2, disc(across_m))) == pytest.approx(seen, abs=0.02)


@pytest.mark.parametrize(
    "passes",
    [
        [(0.28, 0.66)],
        [(0.28, 0.8), (0.28, 0.8)],
        [(0.38, 0.9), (0.15, 0.5)],
        [(0.15, 0.5), (0.33, 0.8), (0.23, 0.7), (0.33, 0.6)],
        [(0.2, 1.0), (0.38, 1.0)],
    ],
)
@pytest.mark.parametrize("per_m2", [0.0, 2.0, 8.0, 20.0])
def test_share_left_after_passes(passes: list[tuple[float, float]], per_m2: float) -> None:
    """What is left after several coils is that of simulated targets, within 0.01."""
    nearest = nearest_junk_m(per_m2, 2)
    truth = left_after([nearest] * len(passes), passes, 3)
    found = counted(per_m2, [(disc(across), caught) for across, caught in passes])
    assert found == pytest.approx(truth, abs=0.01)


def test_coils_are_not_independent() -> None:
    """Treating two large coils as independent is far too hopeful in junk: what hides from one hides from the other."""
    per_m2, passes = 10.0, [(0.33, 0.9)] * 3
    truth = left_after([nearest_junk_m(per_m2, 4)] * 3, passes, 5)
    independent = math.prod(1 - caught * float(alone(per_m2, disc(across))) for across, caught in passes)
    assert truth - independent > 0.2
    assert counted(per_m2, [(disc(a), c) for a, c in passes]) == pytest.approx(truth, abs=0.01)


@pytest.mark.parametrize(("before", "after"), [(10.0, 0.0), (12.0, 4.0), (5.0, 4.5)])
def test_junk_dug_between_passes(before: float, after: float) -> None:
    """When junk is dug between two passes, what is left is that of simulated targets, within 0.01."""
    kept, gone = nearest_junk_m(after, 6), nearest_junk_m(before - after, 7)
    passes = [(0.28, 0.7), (0.15, 0.5), (0.33, 0.8)]
    met = [np.minimum(kept, gone), np.minimum(kept, gone), kept]
    remaining = Remaining((1,))
    for number, (across, caught) in enumerate(passes):
        if number == 2:
            remaining.dig(before - after)
        remaining.visit(disc(across), caught, (slice(None),))
    assert float(remaining.left(after)[0]) == pytest.approx(left_after(met, passes, 8), abs=0.01)
    small = float(remaining.open_to(disc(0.13), after)[0])
    another = Remaining((1,))
    for number, (across, caught) in enumerate([*passes, (0.13, 1.0)]):
        if number == 2:
            another.dig(before - after)
        another.visit(disc(across), caught, (slice(None),))
    assert float(remaining.left(after)[0] - another.left(after)[0]) == pytest.approx(small, abs=1e-12)


PASSES = st.lists(st.tuples(st.sampled_from([0.0177, 0.0204, 0.0616, 0.1134]), st.floats(0, 1)), min_size=1, max_size=8)


@given(PASSES, st.floats(0, 40))
def test_counting_one_after_another_is_the_formula(passes: list[tuple[float, float]], per_m2: float) -> None:
    """Adding passes one by one gives the nested formula, in whatever order they come."""
    for order in (passes, passes[::-1]):
        assert counted(per_m2, order) == pytest.approx(share_left(per_m2, passes), abs=1e-9)


@given(PASSES, st.floats(0, 40), st.sampled_from([0.0177, 0.0616]), st.floats(0, 1))
def test_another_pass_never_leaves_more(
    passes: list[tuple[float, float]], per_m2: float, area: float, caught: float
) -> None:
    """One more pass never leaves more than before, and what is left is a share."""
    before, after = (counted(per_m2, [*passes, *more]) for more in ((), ((area, caught),)))
    assert -1e-12 <= after <= before + 1e-12 <= 1 + 2e-12


@pytest.mark.parametrize(("small", "large"), [(0.15, 0.28), (0.2, 0.38), (0.23, 0.28)])
def test_where_a_small_coil_gains_most(small: float, large: float) -> None:
    """A small coil gains most over a large one at ln(A_l / A_s) / (A_l - A_s): tried at 20,000 densities."""
    tried = np.linspace(0, 200, 20_001)
    gains = alone(tried, disc(small)) - alone(tried, disc(large))
    best = math.log(disc(large) / disc(small)) / (disc(large) - disc(small))
    assert best == pytest.approx(float(tried[gains.argmax()]), abs=0.01)


def test_no_junk_hides_nothing() -> None:
    """Without junk each pass is on its own; without passes all is left."""
    assert counted(0.0, [(0.06, 0.5), (0.02, 0.5)]) == pytest.approx(0.25)
    assert counted(10.0, []) == 1
