"""Which ground was walked, on lanes laid out by hand, so that the answer is plain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt

from fieldcomb.coverage.estimate import left_out as left_out_module
from fieldcomb.coverage.estimate import walked_ground
from fieldcomb.coverage.estimate.effort import Plot, off_plot, plot_of
from fieldcomb.coverage.estimate.left_out import left_out
from fieldcomb.coverage.estimate.swept_share import Walked, draw
from fieldcomb.coverage.estimate.walked_edge import chance_inside
from fieldcomb.coverage.estimate.walked_ground import EDGE_LEVELS, Drawn, gather, grounds_m2, lay_out
from fieldcomb.coverage.gear.receivers import receiver
from fieldcomb.coverage.raster.grid import Grid, grid_over
from fieldcomb.tracks.motion.legs import SearchPath
from fieldcomb.tracks.recording import Floats

EAST_M, NORTH_M, SWATH_M = 40.0, 50.0, 1.5
USUAL = receiver("typical")
Box = tuple[float, float, float, float]


def site() -> tuple[Plot, Grid]:
    """A field of 40 by 50 m, and cells of 1 m over it."""
    grid = grid_over((0, 0, EAST_M, NORTH_M), 0.5)
    return plot_of(np.ones((grid.rows, grid.cols), bool), grid, 4.0), grid_over((0, 0, EAST_M, NORTH_M), 1.0)


def lanes(box: Box, start_s: float = 0.0, without: Sequence[int] = (), on: Plot | None = None) -> Drawn:
    """Lanes 1.5 m apart to the north and back over a box, but for some; exactly as they were walked."""
    left, low, right, high = box
    x, y = [], []
    for number, lane in enumerate(np.arange(left + 0.75, right, 1.5)):
        if number not in without:
            along = np.arange(low, high, 0.3)
            x.append(np.full(along.size, lane))
            y.append(along if number % 2 else along[::-1])
    east, north = np.concatenate(x), np.concatenate(y)
    step = np.minimum(np.hypot(np.diff(east, append=east[-1]), np.diff(north, append=north[-1])), 0.3)
    way = SearchPath(start_s + np.arange(east.size, dtype=float), east, north, east, north, step)
    return draw(on or site()[0], Walked([way], SWATH_M, True, USUAL))


def share(*walks: Drawn) -> float:
    """Percent that is expected to be swept."""
    plot, _ = site()
    return float(100 * (1 - left_out(plot, walks).mean(axis=0) @ plot.weight))


def bare(*walks: Drawn) -> Floats:
    """Share expected to be left out of each square metre, (50, 40), row 0 in the north."""
    plot, grid = site()
    return off_plot(plot, left_out(plot, walks).mean(axis=0, dtype=float), grid)


def test_a_rim_that_nobody_walked_is_left_out() -> None:
    """Of a rim of 4 m the outer 2 m are told as bare, and inside hardly anything; the share is what was walked."""
    cells = bare(lanes((4, 4, 36, 46)))
    rim = np.ones(cells.shape, bool)
    rim[2:-2, 2:-2] = False
    inside = np.zeros(cells.shape, bool)
    inside[6:-6, 6:-6] = True
    assert cells[rim].mean() > 0.95
    assert cells[inside].mean() < 0.15


def test_a_walk_recorded_beyond_the_boundary_has_its_rim_inside() -> None:
    """Lanes with a rim of 2 m all round, drawn 2 m too far west: the western rim is told as bare for a third or more.

    Nobody searches outside, and on the eastern side the rim looks 4 m wide; so it is about 2 m on both. In the field
    the drawn edge is as likely too far out as in, and half of the ground there is told as swept.
    """
    cells = bare(lanes((0, 2, 36, 48)))[10:-10]
    assert cells[:, 0].mean() > 0.33 and cells[:, 39].mean() > 0.9
    assert cells[:, 10:30].mean() < 0.15
    inner = bare(lanes((0, 2, 20, 48)))[10:-10]
    assert 0.4 < inner[:, 19:21].mean() < 0.7


def test_ground_deep_in_one_block_stays_walked_beside_the_edge_of_another() -> None:
    """A crossing block that ends in the middle of a field does not take walked ground from the first walk over it."""
    first = lanes((2, 2, 38, 48))
    crossing = lanes((2, 2, 19, 48), 86_400)
    middle = slice(10, -10), slice(18, 24)
    assert bare(first, crossing)[middle].mean() <= bare(first)[middle].mean() + 0.02


def test_two_walks_over_the_same_ground_do_not_fill_its_rim() -> None:
    """The second visit to a block sweeps inside what the first left out, and nothing outside."""
    first, again = lanes((6, 6, 34, 44)), lanes((6, 6, 34, 44), 86_400)
    rim = np.zeros((50, 40), bool)
    rim[:, :3] = True
    assert bare(first, again)[rim].mean() > 0.97
    assert share(first) < share(first, again) < 100 * 31 * 41 / 2000


@pytest.mark.parametrize("parts", [2, 4])
def test_blocks_side_by_side_count_as_one_walk_over_all(parts: int) -> None:
    """Walked in one go or block by block, the same lanes are the same share to 1.5 points."""
    edges = np.linspace(2, 38, parts + 1)
    blocks = [lanes((edges[k], 3, edges[k + 1], 47), 86_400.0 * k) for k in range(parts)]
    assert share(*blocks) == pytest.approx(share(lanes((2, 3, 38, 47))), abs=1.5)
    assert share(*blocks) > max(share(block) for block in blocks) + 10


def test_lanes_walked_again_may_be_the_same_lanes_or_those_between() -> None:
    """Every second lane walked on two days, 46.8 % on each, may be the same lanes or those left out: the interval
    reaches from little more than one day's share to nearly twice that. Crosswise on the second day it does not.
    """
    few, again = (lanes((1, 1, 39, 49), t, range(1, 26, 2)) for t in (0.0, 1e5))
    plot, _ = site()
    low, high = np.quantile(100 * (1 - left_out(plot, (few, again)) @ plot.weight), (0.05, 0.95))
    one_day = 100 * 13 * SWATH_M * 48 / (EAST_M * NORTH_M)
    assert share(few) == pytest.approx(one_day, abs=1.5)
    assert low < one_day + 12 and high > 2 * one_day - 10
    crosswise = replace(again, along=tuple((-cos, -sin) for cos, sin in again.along))
    inner = np.quantile(100 * (1 - left_out(plot, (few, crosswise)) @ plot.weight), (0.05, 0.95))
    assert inner[1] - inner[0] < (high - low) / 2


def test_walks_count_the_same_in_any_order() -> None:
    """Blocks, a repeat and a crossing block give the same bytes in each order."""
    walks = [lanes((3, 3, 20, 47)), lanes((20, 3, 37, 47), 1e5), lanes((3, 3, 20, 30), 2e5)]
    plot, _ = site()
    assert np.array_equal(left_out(plot, walks), left_out(plot, walks[::-1]))
    assert np.array_equal(left_out(plot, walks), left_out(plot, walks, jobs=3))  # nor does how much is done at once


def test_lanes_left_out_in_the_middle_are_bare() -> None:
    """Six lanes left out, 9 m, are told as bare where they are, and nothing else is."""
    cells = bare(lanes((1, 1, 39, 49), without=range(10, 16)))[5:-5]
    assert cells[:, 18:23].mean() > 0.9
    assert cells[:, 4:12].mean() < 0.2 and cells[:, 29:36].mean() < 0.2


def test_ground_round_a_tree_is_walked() -> None:
    """Where lanes lead past a blocked place that the map shows as walked over, the ground round it is not bare."""
    fine = grid_over((0, 0, EAST_M, NORTH_M), 0.5)
    x, y = np.meshgrid(*fine.centres())
    holed = plot_of(np.hypot(x - 20, y - 25) > 1.5, fine, 4.0)
    missed = left_out(holed, (lanes((1, 1, 39, 49), on=holed),)).mean(axis=0, dtype=float)
    assert off_plot(holed, missed, site()[1])[15:35, 10:30].max() < 0.3


def test_nobody_walked() -> None:
    """Without walks everything is left out."""
    assert share() == pytest.approx(0.0, abs=1e-9)


def test_two_walks_begun_together_may_come_in_any_order() -> None:
    """Two people who set out at the same second for the same time are told alike, whosever recording comes first."""
    one, other = lanes((0, 0, 30, 50), without=(3,)), lanes((10, 0, 40, 50), without=(7,))
    plot, _ = site()
    assert np.array_equal(left_out(plot, (one, other)), left_out(plot, (other, one)))


def test_an_earlier_walk_does_not_draw_a_later_one_anew() -> None:
    """What a walk may have swept hangs on the walk alone: one of last year on other ground leaves its draws as is."""
    walk, early = lanes((4, 4, 18, 46), start_s=1e6), lanes((34, 4, 40, 10))
    plot, _ = site()
    alone, after = left_out(plot, (walk,)), left_out(plot, (early, walk))
    numbers = off_plot(plot, np.arange(plot.weight.size, dtype=float), site()[1]).astype(int)
    west = numbers[10:40, 10:12].ravel()  # away from its edges: the rim is learnt from all walks
    assert np.allclose(alone[:, west], after[:, west], atol=0.02)


def test_what_spacings_say_of_the_edge_counts_while_a_walk_is_alone() -> None:
    """Ground that ends half a metre farther out is larger by its rim, and its share is. With another walk, added to it
    or laid out at once, it counts as it was recorded.
    """
    plot, _ = site()
    plain, early = lanes((8, 8, 32, 42)), lanes((34, 4, 40, 10), start_s=-1e6)
    told = replace(plain, edge_m=0.5, edge_share=0.5)
    seems, larger = grounds_m2(plot, plain, np.array([0.0, 0.5]))
    assert 24 * 34 < seems < 26 * 36
    assert larger - seems == pytest.approx(0.5 * 2 * (24 + 34), rel=0.2)
    assert share(told) > share(plain)
    alone = lay_out(plot, [told])
    added = left_out(plot, (told, early), 1, lay_out(plot, (told, early), alone))
    assert np.array_equal(added, left_out(plot, (plain, early)))


@pytest.mark.parametrize("told", [False, True])
def test_what_is_known_of_a_walk_alone_counts_among_others_too(told: bool) -> None:
    """A walk looked at alone, and then with one beside it and one over it, leaves out the same as when it is first
    looked at among them, and the other way round; also where spacings told of its edge while it was alone.
    """
    plot, _ = site()
    walk, beside, over = lanes((2, 2, 20, 48)), lanes((20, 2, 38, 48), 1e5), lanes((6, 6, 34, 44), 2e5)
    walk = replace(walk, edge_m=0.5, edge_share=0.5) if told else walk

    def found(*groups: tuple[Drawn, ...]) -> list[Floats]:
        walked_ground._found_once.cache_clear()
        return [left_out(plot, group) for group in groups]

    alone, together = (walk,), (walk, beside, over)
    at_first, later = found(alone, (beside,), (over,), together), found(together, (over,), (beside,), alone)
    for one, other in zip(at_first, later[::-1], strict=True):
        assert np.array_equal(one, other)
    assert walked_ground._found_once.cache_info().hits > 0


def some_walks(seed: int) -> list[Drawn]:
    """One to five walks over boxes of any size, some of them crosswise, each with a direction and days of its own."""
    rng = np.random.default_rng(seed)
    walks = []
    for number in range(rng.integers(1, 6)):
        left, low = rng.uniform(0, 25, 2)
        one = lanes((left, low, rng.uniform(left + 6, 40), rng.uniform(low + 8, 50)), 86_400.0 * number)
        crosswise = tuple((-cos, -sin) for cos, sin in one.along)
        walks.append(replace(one, along=crosswise) if rng.random() < 0.4 else one)
    return walks


@pytest.mark.skipif(left_out_module.kernels is None, reason="the kernels were not compiled here")
@pytest.mark.parametrize("seed", range(10))
def test_what_is_left_out_is_the_same_with_and_without_kernels(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Walks anywhere, beside each other, again or crosswise, leave out the same to the last bit, with any jobs."""
    plot, _ = site()
    walks = some_walks(seed)
    compiled = [left_out(plot, walks, jobs) for jobs in (1, 2)]
    monkeypatch.setattr(left_out_module, "kernels", None)
    plain = left_out(plot, walks)
    assert 0 < plain.mean() < 1
    for one in compiled:
        np.testing.assert_array_equal(one, plain)


@pytest.mark.parametrize("seed", range(6))
def test_ground_lies_as_far_inside_an_edge_as_it_looks(seed: int) -> None:
    """How far each place lies inside or outside a block is the straight line to its edge, and the same where only a
    few places are asked for.
    """
    plot, _ = site()
    for sweep in lay_out(plot, some_walks(seed)).found:
        away = distance_transform_edt(sweep.ground) - distance_transform_edt(~sweep.ground)
        found, few = sweep.within_m(plot), np.array([3, 500, 1999])
        np.testing.assert_array_equal(found, (np.sign(away) * np.maximum(np.abs(away) - 0.5, 0))[plot.inside])
        np.testing.assert_array_equal(sweep.within_m(plot, few), found[few])


@pytest.mark.parametrize("seed", range(6))
def test_edges_close_to_each_other_are_one(seed: int) -> None:
    """Whoever walked a place counts by the farthest edge, or the mean of those within one and a half of the worst
    receiver's error where that is near: the same bits as taking all edges of all walks at once.
    """
    plot, _ = site()
    walks = [replace(one, sigma_m=(1 + k / 3) * one.sigma_m) for k, one in enumerate(some_walks(seed))]
    laid = lay_out(plot, walks)
    worst_m = max(sweep.sigma_m for sweep in laid.sweeps)
    for sweep in laid.sweeps:
        sweep.at.extend(gather(plot, sweep))
    for level, shift in enumerate(EDGE_LEVELS):
        within = np.array([sweep.within_m(plot) + 0.5 * shift * sweep.sigma_m for sweep in laid.sweeps])
        best = within.max(axis=0)
        alike = within > best - 1.5 * worst_m
        edge = np.where(best > 3 * worst_m, best, (within * alike).sum(axis=0) / alike.sum(axis=0))
        found = laid.walked_by_any(level)
        np.testing.assert_array_equal(found, chance_inside(plot, edge, worst_m).astype(np.float32))
        assert lay_out(plot, walks, laid).walked_by_any(level) is found  # so that it is worked out once


@pytest.mark.parametrize("seed", range(4))
def test_a_chance_that_changes_nothing_is_not_kept(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Far from a walk its ground has a chance of some 1e-22: whether that is kept or not, as much is left out, to the
    last bit; and what is kept of a walk on wide ground is about as much as it walked.
    """
    fine = grid_over((0, 0, 120, 110), 0.5)
    plot = plot_of(np.ones((fine.rows, fine.cols), bool), fine, 4.0)
    walks = [
        lanes((30 + 5 * seed, 20, 50, 60 + 9 * seed), on=plot),
        *(lanes((3, 3, 20, 30), 1e5, on=plot),) * (seed % 2),
    ]
    laid = lay_out(plot, walks)
    few = left_out(plot, walks, 1, laid)
    kept = [at.walked.size for sweep in laid.sweeps for at in sweep.at]
    assert max(kept) < plot.weight.size / 2
    monkeypatch.setattr(walked_ground, "LEAST_WALKED", 0.0)
    walked_ground._found_once.cache_clear()
    whole = lay_out(plot, walks)
    assert np.array_equal(few, left_out(plot, walks, 1, whole))
    assert min(at.walked.size for sweep in whole.sweeps for at in sweep.at) > max(kept)
