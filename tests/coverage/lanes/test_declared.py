"""What was swept when it is known which lanes were walked, against ways drawn by other code."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from lane_walks import walked_strip
from shapely.geometry import Polygon, box

from fieldcomb.coverage.lanes.declared import DeclaredPlan, by_lanes, draws_of, told_plan
from fieldcomb.coverage.lanes.lane_draws import LaneCells
from fieldcomb.coverage.lanes.lane_plan import plan_lanes
from fieldcomb.coverage.lanes.sheet import NO, PART, YES
from fieldcomb.tracks.recording import Floats

FIELD = box(0, 0, 40, 60)
SWATH_SD = {True: 0.03, False: 0.10}


def declared(site: Polygon, swath_m: float = 1.5, spacing_m: float = 1.2, **states: str) -> DeclaredPlan:
    """All lanes of a plan walked but those named, such as ``lane_7="n"``."""
    plan = plan_lanes(site, swath_m, spacing_m)
    said = {lane.number: states.get(f"lane_{lane.number}", YES) for lane in plan.lanes}
    return DeclaredPlan("1", "28cm", plan.lanes, spacing_m, swath_m, plan.bearing_deg, said)


def exact_shares(plan: DeclaredPlan) -> Floats:
    """Shares of the field in each draw, with a swing width that is known exactly."""
    return draws_of(told_plan(plan, None), FIELD, {True: 0.0}).shares


def walked_share(plan: DeclaredPlan, site: Polygon, rng: np.random.Generator) -> float:
    """The truth of one way to walk these lanes: lines that stray, widened by shapely. No code of the program."""
    swath_m = plan.swath_m * (1 + 0.03 * rng.standard_normal())
    strips = [walked_strip(lane, swath_m, rng) for lane in plan.lanes if plan.states[lane.number] == YES]
    return float(100 * shapely.union_all(strips).intersection(site).area / site.area)


def test_lanes_that_cannot_be_missed_sweep_the_whole_field() -> None:
    """Where neighbours overlap by two thirds of a swing, straying leaves nothing between them."""
    shares = exact_shares(declared(FIELD, swath_m=3.0, spacing_m=1.0))
    assert shares.min() > 0.985  # what is left lies at the rim


def test_the_gap_of_a_lane_that_was_left_out_is_missing() -> None:
    """One lane of 40 left out, with neighbours that overlap by a third of a metre, leaves a tenth less of its swath."""
    whole, one_less = (exact_shares(declared(FIELD, **said)).mean() for said in ({}, {"lane_7": NO}))
    gap_m = 2 * 1.2 - 1.5  # from swath to swath
    assert whole - one_less == pytest.approx(gap_m / 40, abs=0.006)


def test_the_interval_holds_the_truth() -> None:
    """Of 40 ways to walk a plan, drawn by other code, the interval of nine in ten holds 33 or more and is narrow."""
    site = Polygon([(0, 0), (60, 5), (55, 45), (20, 50), (-5, 30)])
    plan = declared(site, lane_7=NO, lane_12=NO)
    result = by_lanes(plan, None, site, SWATH_SD)
    rng = np.random.default_rng(411)
    truths = [walked_share(plan, site, rng) for _ in range(40)]
    assert sum(result.low <= truth <= result.high for truth in truths) >= 33
    assert result.high - result.low < 6 and abs(np.mean(truths) - result.of_site_pct) < 1


def test_a_swing_that_was_not_measured_makes_it_less_sure() -> None:
    """The interval is wider where the swing width is a guess."""
    plan = declared(FIELD, spacing_m=1.45)
    sure, guess = (by_lanes(replace(plan, swath_measured=known), None, FIELD, SWATH_SD) for known in (True, False))
    assert guess.high - guess.low > sure.high - sure.low


def test_a_lane_in_part_lies_between_walked_and_not() -> None:
    """A lane walked in part counts for more than one left out and for less than one walked."""
    shares = [by_lanes(declared(FIELD, lane_10=state), None, FIELD, SWATH_SD).of_site_pct for state in (NO, PART, YES)]
    assert shares == sorted(shares) and shares[0] < shares[2] - 1


def test_what_was_said_is_counted() -> None:
    """Lanes walked, in part, not walked and not spoken of add up to the plan."""
    plan = declared(FIELD, lane_3=NO, lane_4=PART)
    said = {number: state for number, state in plan.states.items() if number < 30}
    result = by_lanes(replace(plan, states=said), None, FIELD, SWATH_SD)
    assert (result.left, result.part, result.open) == ((3,), (4,), tuple(range(30, result.lanes + 1)))
    assert len(result.done) + 2 + len(result.open) == result.lanes


def test_the_same_sheet_gives_the_same_numbers() -> None:
    """Nothing is left to chance: the same plan and sheet give the same result."""
    plan = declared(FIELD, lane_7=NO)
    assert by_lanes(plan, None, FIELD, SWATH_SD) == by_lanes(plan, None, FIELD, SWATH_SD)


def test_cells_sum_up_to_the_share() -> None:
    """The mean over the cells of a field of what one group of lanes swept is the share, in every draw."""
    plan = declared(FIELD, lane_7=NO)
    every = LaneCells(1.0, 41 * 61, lambda x, y: np.floor(y).astype(int) * 41 + np.floor(x).astype(int))
    draws = draws_of(told_plan(plan, None), FIELD, SWATH_SD, (), (every, every))
    [swept] = draws.groups
    assert swept.swept.sum(axis=1) / FIELD.area == pytest.approx(draws.shares, abs=0.004)
    assert float(swept.mean.sum()) / FIELD.area == pytest.approx(draws.shares.mean(), abs=0.004)
    assert (swept.swept >= 0).all() and (swept.swept <= 1).all()


def test_groups_of_lanes_are_the_lanes_in_all() -> None:
    """Odd and even lanes, drawn as two groups, sweep together what all lanes sweep, and less by themselves."""
    plan = declared(FIELD)
    numbers = {lane.number for lane in plan.lanes}
    odd = {number for number in numbers if number % 2}
    told = told_plan(plan, None)
    whole, parts, alone = (
        draws_of(told, FIELD, SWATH_SD, groups).shares.mean() for groups in ((), (odd, numbers - odd), (odd,))
    )
    assert parts == pytest.approx(whole, abs=0.003) and alone < 0.75


def test_of_a_block_of_blanks_nothing_is_told() -> None:
    """One blank between ticks was not walked; the lanes after the last tick, and a whole block, are not told of."""
    plan = declared(FIELD)
    blank = {5, *range(10, 16), *range(30, 99)}
    plan = replace(plan, states={number: said for number, said in plan.states.items() if number not in blank})
    told = {lane.number for lane in told_plan(plan, None).told}
    assert told == {number for number in range(1, 30) if number not in range(10, 16)}
