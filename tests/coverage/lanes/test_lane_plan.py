"""Lanes lie on the ground that may be searched, cover it, and are as few as can be."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely.geometry import Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.lanes.lane_plan import SHORTEST_M, lanes_as_lines, plan_lanes, swept_by
from fieldcomb.coverage.todo.losses import searchable
from fieldcomb.tracks.errors import UsageError

STAND_OFF_M = 5.0


@st.composite
def grounds(draw: st.DrawFn) -> tuple[BaseGeometry, list[Polygon], list[Polygon]]:
    """An invented site with spikes and slivers, no-go ground and trees on it: its shape, the no-go and the blocked."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    corners = int(rng.integers(3, 16))
    turn = np.sort(rng.uniform(0, 2 * math.pi, corners))
    reach = rng.uniform(5, 90, corners)
    site: BaseGeometry = Polygon(np.c_[reach * np.cos(turn), reach * np.sin(turn)]).buffer(0)
    if rng.random() < 0.4:  # a sliver and a spike
        site = site.union(box(-80, -0.6, 80, 0.6)).union(Polygon([(0, 0), (2, 0), (1, 120)]))
    spots = rng.uniform(-50, 50, (int(rng.integers(0, 4)), 2))
    no_go = [box(x, y, x + rng.uniform(0.5, 20), y + rng.uniform(0.5, 20)) for x, y in spots]
    trees = [Point(*place).buffer(rng.uniform(0.3, 6)) for place in rng.uniform(-50, 50, (int(rng.integers(0, 5)), 2))]
    return site, no_go, trees


@settings(max_examples=500, deadline=None)
@given(grounds(), st.floats(0.6, 2.5), st.one_of(st.none(), st.floats(0, 180)))
def test_lanes_stay_on_the_site_and_off_what_must_be_kept_clear(
    ground: tuple[BaseGeometry, list[Polygon], list[Polygon]], spacing_m: float, bearing_deg: float | None
) -> None:
    """No lane leaves the site, enters blocked ground, or comes nearer to no-go ground than the stand-off."""
    site, no_go, trees = ground
    allowed = searchable(site, no_go, trees, STAND_OFF_M)
    assume(allowed.area > 30)
    try:
        plan = plan_lanes(allowed, 1.5, spacing_m, bearing_deg)
    except UsageError as error:
        assert "no lane of 3 m" in error.problem
        return
    lines = lanes_as_lines(plan.lanes)
    assert all(site.buffer(1e-4).covers(line) for line in lines)
    for keep_clear, off_m in [(shape, STAND_OFF_M) for shape in no_go] + [(tree, 0.0) for tree in trees]:
        assert min(line.distance(keep_clear.buffer(-1e-4)) for line in lines) >= off_m - 1e-4
    assert [lane.number for lane in plan.lanes] == list(range(1, len(lines) + 1))
    assert min(lane.length_m for lane in plan.lanes) >= SHORTEST_M
    assert plan.planned_m == pytest.approx(sum(line.length for line in lines), abs=1e-3)


def test_lanes_of_a_rectangle_run_along_its_longer_sides_and_cover_it() -> None:
    """A field of 60 m x 40 m, turned by 30 degrees, gets 27 lanes along its longer side, and all of it is covered."""
    field = shapely.affinity.rotate(box(0, 0, 60, 40), 30, origin=(0, 0))
    plan = plan_lanes(field, 1.6, 1.5)
    assert plan.bearing_deg == pytest.approx(60, abs=1e-4)
    assert len(plan.lanes) == 27 and {round(lane.length_m, 3) for lane in plan.lanes} == {60}
    assert swept_by(plan.lanes, 1.6).intersection(field).area == pytest.approx(field.area, rel=1e-6)


def test_lanes_are_walked_to_and_fro() -> None:
    """Each lane begins beside the end of the one before it."""
    plan = plan_lanes(box(0, 0, 30, 12), 1.5, 1.5)
    for before, after in zip(plan.lanes, plan.lanes[1:], strict=False):
        assert math.dist(before.end_m, after.start_m) == pytest.approx(1.5, abs=1e-4)


def test_a_tree_leaves_a_gap_and_a_pond_makes_two_lanes() -> None:
    """A lane goes on behind a tree 4 m across; behind a pond 30 m across other lanes begin."""
    strip = box(0, 0, 100, 1.5)
    tree, pond = plan_lanes(strip - box(40, 0, 44, 2), 1.5, 1.5), plan_lanes(strip - box(40, 0, 70, 2), 1.5, 1.5)
    assert [lane.pieces_m for lane in tree.lanes] == [((0, 40), (44, 100))]
    assert [lane.length_m for lane in pond.lanes] == [40, 30]


def test_an_l_shaped_field_is_walked_one_arm_after_the_other() -> None:
    """Numbers run through one arm of an L before the other begins, so that nobody walks to and fro between them."""
    field = box(0, 0, 15, 60).union(box(15, 0, 60, 15))
    plan = plan_lanes(field, 1.5, 1.5, bearing_deg=90)
    middle = [(lane.start_m[0] + lane.end_m[0]) / 2 for lane in plan.lanes]
    assert sum(a > 10 for a in middle) == 10 and np.count_nonzero(np.diff(np.array(middle) > 10)) == 1


@pytest.mark.parametrize(("spacing_m", "share_pct"), [(10.0, 15), (5.0, 30), (2.5, 59)])
def test_lanes_far_apart_sample_the_ground(spacing_m: float, share_pct: int) -> None:
    """A swing of 1.48 m on lanes 10, 5 and 2.5 m apart covers 15, 30 and 59 % of a field: swing / spacing."""
    field = box(0, 0, 400, 100)
    swept = swept_by(plan_lanes(field, 1.48, spacing_m).lanes, 1.48).intersection(field)
    assert round(100 * swept.area / field.area) == pytest.approx(share_pct, abs=1)


def test_what_is_too_short_is_told() -> None:
    """The corner of a triangle where no lane of 3 m fits is told by the lengths that were left out."""
    plan = plan_lanes(Polygon([(0, 0), (40, 0), (0, 10)]), 1.5, 1.5, bearing_deg=0)
    assert plan.too_short_m and max(plan.too_short_m) < SHORTEST_M


@pytest.mark.parametrize(
    ("ground", "spacing_m", "words"),
    [
        (box(0, 0, 2, 2), 1.5, "no lane of 3 m"),
        (box(0, 0, 2000, 2000), 1.0, "2000 lanes would be needed"),
        (box(0, 0, 50, 50), 0.1, "a spacing of 0.1 m is not possible"),
    ],
)
def test_what_cannot_be_planned_is_said(ground: Polygon, spacing_m: float, words: str) -> None:
    """Ground too small or too large and a spacing that nobody walks are refused with the reason."""
    with pytest.raises(UsageError, match=words):
        plan_lanes(ground, 1.5, spacing_m)
