"""Which walk was that on a plan, and what of it counts by its recording besides."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import box

from fieldcomb.coverage.survey.walked_lanes import LEAST_REST_S, OnPlan
from fieldcomb.tracks.motion.legs import SearchPath

GROUND = box(0, 0, 20, 40)


def way(x_m: np.ndarray, y_m: np.ndarray, start_s: float = 0.0) -> SearchPath:
    """A walk, a place a second."""
    step = np.hypot(np.diff(x_m, append=x_m[-1]), np.diff(y_m, append=y_m[-1]))
    return SearchPath(start_s + np.arange(x_m.size, dtype=float), x_m, y_m, x_m, y_m, step)


def lanes(x0_m: float, x1_m: float, start_s: float = 0.0) -> SearchPath:
    """To and fro between two places, 40 m long and 1 m apart, at 0.4 m/s."""
    corners = [(x, y) for k, x in enumerate(np.arange(x0_m, x1_m)) for y in ((0, 40) if k % 2 == 0 else (40, 0))]
    at = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    seconds = np.arange(0, at[-1], 0.4)
    return way(*(np.interp(seconds, at, part) for part in np.array(corners, float).T), start_s)


def test_a_walk_on_a_plan_counts_by_nothing_but_its_lanes() -> None:
    """Nothing is left of a walk on a plan, though its receiver puts parts of it some metres beside."""
    walk = lanes(0.5, 20)
    off = way(walk.x_m + 4.0, walk.y_m + 2.0)
    assert OnPlan(0, GROUND, 6.0).rest([off]) == ()


def test_a_walk_elsewhere_counts_whole() -> None:
    """A walk on other ground is left as it is."""
    walk = lanes(30, 45)
    [rest] = OnPlan(0, GROUND, 6.0).rest([walk])
    assert (rest.x_m == walk.x_m).all() and (rest.t_s == walk.t_s).all()


def test_a_walk_that_goes_on_beyond_a_plan_counts_there() -> None:
    """Of 20 lanes on a plan and 20 beside it nearly all of the second 20 count, right up to the plan."""
    on, beside = lanes(0.5, 20), lanes(20.5, 40, 5000)
    rest = OnPlan(0, GROUND, 6.0).rest([on, beside])
    seconds = sum(piece.t_s.size for piece in rest)
    assert 0.95 * beside.t_s.size < seconds < 1.02 * beside.t_s.size
    assert min(float(piece.x_m.min()) for piece in rest) < 23


@given(st.lists(st.tuples(st.floats(-30, 60), st.floats(-20, 60)), min_size=2, max_size=400), st.floats(0, 10))
def test_every_second_counts_once_or_not_at_all(places: list[tuple[float, float]], margin_m: float) -> None:
    """Pieces that are left come in order, none is short, and none overlap; far from the plan nothing is lost."""
    x, y = np.array(places).T
    walk = way(np.repeat(x, 7), np.repeat(y, 7))
    rest = OnPlan(0, GROUND, margin_m).rest([walk])
    times = np.concatenate([piece.t_s for piece in rest]) if rest else np.zeros(0)
    assert (np.diff(times) > 0).all() and all(piece.t_s.size >= LEAST_REST_S for piece in rest)
    assert set(times.tolist()) <= set(walk.t_s.tolist())
