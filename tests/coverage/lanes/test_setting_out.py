"""Lanes are set out with a tape: the marks lie on the lanes, and pegs make right angles."""

from __future__ import annotations

import math

import pytest
import shapely
from shapely.geometry import Polygon, box

from fieldcomb.coverage.lanes.lane_plan import Lane, plan_lanes
from fieldcomb.coverage.lanes.setting_out import BesideLane, LaneMark, mark_place, set_out
from fieldcomb.tracks.motion.peg_drift import Peg

FIELD = Polygon([(0, 0), (60, 5), (55, 45), (20, 50), (-5, 30)])


def off_lane_m(lane: Lane, mark: LaneMark) -> float:
    """How far a mark lies from the straight line of its lane."""
    (x0, y0), (x1, y1) = lane.start_m, lane.end_m
    x, y = mark_place(mark)
    return abs((x1 - x0) * (y - y0) - (y1 - y0) * (x - x0)) / math.dist(lane.start_m, lane.end_m)


@pytest.mark.parametrize("bearing_deg", [None, 0.0, 37.0, 90.0, 120.0])
def test_every_lane_has_two_marks_on_it_far_apart(bearing_deg: float | None) -> None:
    """Measured from the pegs, both marks of a lane lie on it to a millimetre, and at least a third of it apart."""
    plan = plan_lanes(FIELD, 1.5, 1.5, bearing_deg)
    groups = set_out(plan)
    assert [lane.number for group in groups for lane in group.lanes] == [lane.number for lane in plan.lanes]
    for group in groups:
        for lane, marks in zip(group.lanes, group.marks, strict=True):
            if isinstance(marks, BesideLane):
                continue
            first, second = marks
            assert max(off_lane_m(lane, first), off_lane_m(lane, second)) < 1e-3
            assert math.dist(mark_place(first), mark_place(second)) >= lane.span_m / 3 - 1e-3
            assert math.dist(mark_place(first), lane.start_m) <= math.dist(mark_place(second), lane.start_m)


def test_new_pegs_make_a_rectangle() -> None:
    """Both diagonals of four new pegs are equal, and follow from the tape and the depth by Pythagoras."""
    (group,) = set_out(plan_lanes(box(0, 0, 31.5, 40), 1.5, 1.5))
    assert [line.length_m for line in group.baselines] == [30.0, 30.0]
    assert group.diagonals_m == pytest.approx((50.0, 50.0))  # 30, 40, 50: ten times 3, 4, 5


def test_the_sites_own_pegs_are_used_where_they_serve() -> None:
    """Four posts at the corners of a field are what its lanes are set out from; posts along one side are not enough."""
    plan = plan_lanes(box(0, 0, 30, 60), 1.5, 1.5)
    posts = [Peg("A", -1, 4), Peg("B", 31, 5), Peg("C", -1, 55), Peg("D", 31, 52)]
    (group,) = set_out(plan, posts)
    assert group.diagonals_m is None
    assert {peg.name for line in group.baselines for peg in (line.start, line.end)} == {"A", "B", "C", "D"}
    assert all(off_lane_m(lane, m) < 1e-3 for lane, marks in zip(group.lanes, group.marks, strict=True) for m in marks)
    (group,) = set_out(plan, posts[::2])
    assert group.diagonals_m is not None


def test_short_lanes_at_the_edge_need_no_pegs() -> None:
    """The short lanes in the corner of a field are measured from the lane beside them, one spacing away."""
    plan = plan_lanes(Polygon([(0, 20), (6, 0), (40, 0), (40, 40), (6, 40)]), 1.5, 1.5, bearing_deg=0)
    (group,) = set_out(plan)
    beside = {
        lane.number: marks
        for lane, marks in zip(group.lanes, group.marks, strict=True)
        if isinstance(marks, BesideLane)
    }
    assert beside and max(beside) < 4
    for number, marks in beside.items():
        one, other = plan.lanes[number - 1], plan.lanes[marks.lane - 1]
        assert abs(one.start_m[0] - other.start_m[0]) == pytest.approx(marks.away_m)


def test_lanes_that_share_no_length_are_set_out_apart() -> None:
    """Both arms of a field in two steps get pegs of their own, with names of their own."""
    groups = set_out(plan_lanes(box(0, 0, 15, 20).union(box(15, 15, 30, 35)), 1.5, 1.5, bearing_deg=0))
    names = [peg.name for group in groups for line in group.baselines for peg in (line.start, line.end)]
    assert len(groups) >= 2 and len(set(names)) == len(names)
    assert all(
        shapely.Point(mark_place(m)).distance(box(0, 0, 30, 35)) < 1e-6
        for g in groups
        for pair in g.marks
        for m in pair
    )
