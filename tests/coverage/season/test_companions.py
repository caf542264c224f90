"""Finds that belong together, and how far the rest may lie."""

import numpy as np
import pytest

from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.season.companions import companions_of, spread_radius_m


def keep(no: int, **more: object) -> Find:
    """A kept find of the first outing."""
    return Find(no, "keep", outing="2026-03-07a", **more)  # type: ignore[arg-type]


def test_finds_of_one_hole_are_one_group() -> None:
    """The same text under hole, or two keeps with the place of one stop."""
    at_stop = {"how": "stop", "lat_deg": 46.5, "lon_deg": -28.0}
    finds = [keep(1, hole="A"), keep(2, hole="a"), keep(3, hole="B"), keep(4, **at_stop), keep(5, **at_stop)]
    groups = companions_of(finds, {1: (0.0, 0.0), 2: (0.0, 0.0)})
    assert [(group.how, group.finds) for group in groups] == [("hole", (1, 2)), ("hole", (4, 5))]
    assert (groups[0].x_m, groups[0].radius_m) == (0.0, 0.0) and groups[1].radius_m is None


def test_junk_at_the_same_stop_is_no_second_find() -> None:
    """A ring pull from a hole does not make two finds in it."""
    at_stop = {"how": "stop", "lat_deg": 46.5, "lon_deg": -28.0}
    junk = Find(2, "junk", outing="2026-03-07a", **at_stop)  # type: ignore[arg-type]
    assert companions_of([keep(1, **at_stop), junk], {}) == ()


def test_what_belongs_together_is_joined_in_either_direction() -> None:
    """1 with 2 and 3 with 2 are three of a kind; a number that is no find joins nothing."""
    finds = [keep(1, belongs_with=(2,)), keep(2), keep(3, belongs_with=(2, 77)), keep(4)]
    (group,) = companions_of(finds, {1: (0.0, 0.0), 2: (3.0, 0.0), 3: (6.0, 0.0)})
    assert (group.how, group.finds, group.x_m) == ("belongs", (1, 2, 3), 3.0)
    assert group.radius_m == pytest.approx(2.4477 * np.sqrt(18 / 4), abs=1e-3)


def test_the_radius_is_no_less_than_the_error_of_the_places() -> None:
    """Two pieces a hand apart do not make a receiver better."""
    assert spread_radius_m([(0.0, 0.0), (0.1, 0.0)], 3.9) == 3.9
    assert spread_radius_m([(0.0, 0.0)], 3.9) == 3.9


def test_the_radius_holds_95_of_100_of_a_large_group() -> None:
    """Of 4,000 normal places 94 to 96 % lie within it."""
    points = np.random.default_rng(1).normal(0, 2.0, (4000, 2))
    radius_m = spread_radius_m([(float(x), float(y)) for x, y in points], 0.0)
    assert 0.94 < np.mean(np.hypot(*points.T) < radius_m) < 0.96


def test_five_keeps_within_two_metres_of_one_outing_are_a_close_group() -> None:
    """Four are not, nor five of two outings, nor five in a row of ten metres."""
    near = {n: (0.5 * n, 0.0) for n in range(5)}
    (group,) = companions_of([keep(n) for n in range(5)], near)
    assert (group.how, group.finds, group.outing) == ("close", (0, 1, 2, 3, 4), "2026-03-07a")
    assert companions_of([keep(n) for n in range(4)], near) == ()
    two_days = [keep(n) for n in range(4)] + [Find(4, "keep", outing="2026-03-08a")]
    assert companions_of(two_days, near) == ()
    assert companions_of([keep(n) for n in range(5)], {n: (2.5 * n, 0.0) for n in range(5)}) == ()
