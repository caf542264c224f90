"""With little time the lanes that find most are planned, and a crosswise plan crosses the lanes that were walked."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import box

from fieldcomb.coverage.lanes.chosen_lanes import best_blocks, walked_bearing
from fieldcomb.coverage.lanes.lane_plan import Lane, plan_lanes
from fieldcomb.coverage.lanes.named_plan import Pace, shared_out

FIELD = plan_lanes(box(0, 0, 60, 30), 1.5, 1.5, bearing_deg=0)  # 40 lanes of 30 m, eight blocks


def test_a_lane_takes_its_length_and_a_turn() -> None:
    """At 0.3 m/s a lane of 30 m takes 100 s and 20 s to turn; with half as long for digging, 50 s more."""
    pace = Pace(0.3, standing=0.5)
    assert pace.minutes(FIELD.lanes[:1]) == pytest.approx(2)
    assert pace.minutes_with_digging(FIELD.lanes[:1]) == pytest.approx(2 + 50 / 60)


def test_the_best_ground_comes_first() -> None:
    """With 20 minutes, the two blocks of lanes over the ground that is worth most are planned, and no other."""
    chosen = best_blocks(FIELD, 20, Pace(), [(box(45, 0, 60, 30), 0.3), (box(0, 0, 15, 30), 0.1)])
    assert len(chosen.lanes) == 10 and min(lane.start_m[0] for lane in chosen.lanes) >= 45
    assert [lane.number for lane in chosen.lanes] == list(range(1, 11))
    assert Pace().minutes(chosen.lanes) <= 20


def test_chosen_lanes_are_walked_to_and_fro() -> None:
    """Each chosen lane of a block begins where the one before it ended."""
    chosen = best_blocks(FIELD, 15, Pace(), [(box(8, 0, 14, 30), 1.0)])
    assert len(chosen.lanes) == 5
    for before, after in zip(chosen.lanes, chosen.lanes[1:], strict=False):
        assert math.dist(before.end_m, after.start_m) == pytest.approx(1.5, abs=1e-4)


def test_one_block_is_planned_even_if_it_takes_longer() -> None:
    """With a minute there is still one block to walk, so that there is a plan."""
    assert len(best_blocks(FIELD, 1, Pace()).lanes) == 5


def test_ground_without_worth_is_not_planned() -> None:
    """Where nothing on the list lies under any lane, no lane is planned."""
    assert best_blocks(FIELD, 60, Pace(), [(box(100, 100, 110, 110), 1.0)]).lanes == ()


@pytest.mark.parametrize("bearing_deg", [0.0, 30.0, 90.0, 135.0, 179.0])
def test_the_direction_of_walked_lanes_is_found(bearing_deg: float) -> None:
    """Lanes walked to and fro in a direction, 10 cm ragged, have that direction to 2 degrees."""
    rng = np.random.default_rng(3)
    along = np.array([math.sin(math.radians(bearing_deg)), math.cos(math.radians(bearing_deg))])
    across = np.array([along[1], -along[0]])
    ways = [np.linspace(0, 40, 41)[:: 1 if lane % 2 else -1] for lane in range(10)]
    walk = np.concatenate([way[:, None] * along + 1.5 * lane * across for lane, way in enumerate(ways)])
    found = walked_bearing([walk + rng.normal(0, 0.1, walk.shape)])
    assert found is not None and abs((found - bearing_deg + 90) % 180 - 90) < 2


def test_wandering_has_no_direction() -> None:
    """A walk in a circle, or none at all, gives no direction."""
    turn = np.linspace(0, 2 * math.pi, 200)
    assert walked_bearing([20 * np.c_[np.cos(turn), np.sin(turn)]]) is None and walked_bearing([]) is None


def test_teams_get_whole_blocks_of_about_the_same_length() -> None:
    """Four people get two of eight blocks each, beside each other."""
    teams = shared_out(FIELD.lanes, 4)
    assert [teams.count(team) for team in (1, 2, 3, 4)] == [10, 10, 10, 10] and list(teams) == sorted(teams)


def test_every_team_gets_lanes_even_if_blocks_are_few_and_uneven() -> None:
    """Five long lanes, two more and fifteen short ones go to four people in shares that take about the same time."""
    long_lanes = plan_lanes(box(0, 0, 10.5, 500), 1.5, 1.5, bearing_deg=0).lanes
    short_ones = plan_lanes(box(20, 0, 42.5, 45), 1.5, 1.5, bearing_deg=0).lanes
    lanes = [*long_lanes, *(replace(one, number=one.number + 7, block=one.block + 9) for one in short_ones)]
    teams = shared_out(lanes, 4)
    assert list(teams) == sorted(teams) and set(teams) == {1, 2, 3, 4}
    minutes = [
        Pace().minutes([lane for lane, its in zip(lanes, teams, strict=True) if its == team]) for team in (1, 2, 3, 4)
    ]
    assert max(minutes) <= 1.5 * sum(minutes) / 4


@given(st.lists(st.integers(5, 500), min_size=1, max_size=25), st.integers(1, 12))
def test_no_share_is_longer_than_it_need_be_by_more_than_a_block_may_cost(lengths: list[int], teams: int) -> None:
    """Whatever the lanes, shares lie beside each other, none is empty, none longer than the best by over a quarter."""
    lanes = [Lane(n + 1, n // 5, (0.0, 0.0), (0.0, float(m)), ((0.0, float(m)),)) for n, m in enumerate(lengths)]
    got = shared_out(lanes, teams)
    assert list(got) == sorted(got) and set(got) == set(range(1, min(teams, len(lanes)) + 1))
    time = [Pace().minutes([lane]) for lane in lanes]
    best = {0: [0.0, *[math.inf] * len(lanes)]}
    for team in range(1, teams + 1):
        ways = [[max(best[team - 1][a], sum(time[a:b])) for a in range(b + 1)] for b in range(len(lanes) + 1)]
        best[team] = [min(one) for one in ways]
    longest = max(sum(t for t, its in zip(time, got, strict=True) if its == team) for team in set(got))
    assert longest <= 1.2501 * best[teams][-1]
