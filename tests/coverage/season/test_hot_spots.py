"""Hot spots: shown where finds lie closer than chance lays them, and nowhere else."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from find_sites import as_recorded, at_random, even_passes, in_a_circle, uneven_passes
from hypothesis import given
from hypothesis import strategies as st

from fieldcomb.coverage.season.hot_spots import DRIFT_ALLOWANCE, LAYOUTS, MOST_P, hot_spots
from fieldcomb.coverage.season.links import FindPlaces, between_m, lay_side_by_side, link, widened_m2

PASSES, GRID = even_passes()


def places(*points: tuple[float, float], recording: tuple[int, ...] = (), sigma_m: float = 1.0) -> FindPlaces:
    """Finds at these places, of one recording unless it is given."""
    x, y = np.array(points, float).reshape(-1, 2).T
    of = np.array(recording or [0] * len(points))
    return FindPlaces(x, y, of, np.full(len(points), sigma_m))


def members(*points: tuple[float, float], scale_m: float = 2.0, recording: tuple[int, ...] = ()) -> list[list[int]]:
    """Groups of linked finds."""
    here = places(*points, recording=recording)
    groups = link(lay_side_by_side(here, here.x_m[None], here.y_m[None], scale_m), scale_m)
    return [sorted(part.tolist()) for part in np.split(groups.members, np.cumsum(groups.count)[:-1]) if part.size]


def test_finds_are_linked_from_one_to_the_next() -> None:
    """Three in a row, each 1.9 m from the next, are one group; with 2.1 m between them they are none."""
    assert members((0, 0), (1.9, 0), (3.8, 0), (50, 50)) == [[0, 1, 2]]
    assert members((0, 0), (2.1, 0), (4.2, 0), (50, 50)) == []


def test_two_finds_are_no_group() -> None:
    """A pair lies close by chance on nearly every site."""
    assert members((0, 0), (1, 0), (50, 50)) == []


def test_finds_of_two_recordings_are_linked_across_their_errors() -> None:
    """3 m apart on two days may be one place with a receiver that is a metre off, and 3.6 m apart may not."""
    assert between_m(2.0, 1.0) == pytest.approx(3.4616, abs=5e-4)
    assert members((0, 0), (3, 0), (6, 0), recording=(0, 1, 0)) == [[0, 1, 2]]
    assert members((0, 0), (3.6, 0), (7.2, 0), recording=(0, 1, 0)) == []


def test_the_ground_of_a_group_is_its_hull_and_half_a_link_around() -> None:
    """A square of 1 m has 1 + 4 + pi m2 with 1 m around; three in a line have no hull but what lies around."""
    square = places((0, 0), (1, 0), (1, 1), (0, 1))
    line = places((0, 0), (1, 0), (2, 0))
    for here, area_m2 in ((square, 1 + 4 + np.pi), (line, 4 + np.pi)):
        laid = lay_side_by_side(here, here.x_m[None], here.y_m[None], 2.0)
        groups = link(laid, 2.0)
        assert widened_m2(laid, groups, np.ones(1, bool)) == pytest.approx([area_m2])


@given(st.lists(st.tuples(st.floats(0, 9), st.floats(0, 9)), min_size=3, max_size=30, unique=True))
def test_a_group_is_what_discs_around_finds_join(points: list[tuple[float, float]]) -> None:
    """The groups are the pieces that discs of half the link make; shapely joins the discs."""
    apart = np.hypot(*(np.array(points)[:, None] - np.array(points)).T)
    if (np.abs(apart - 2) < 0.02).any():
        return  # a disc of many corners is no circle
    discs = shapely.union_all(shapely.buffer(shapely.points(points), 1.0, quad_segs=64))
    pieces = list(shapely.get_parts(discs))
    joined = [sorted(n for n, p in enumerate(points) if piece.contains(shapely.Point(p))) for piece in pieces]
    assert sorted(members(*points)) == sorted(group for group in joined if len(group) >= 3)


def test_six_finds_in_a_patch_are_a_hot_spot() -> None:
    """Six within a circle of 2 m radius, and 34 anywhere on a hectare: only the six are shown."""
    rng = np.random.default_rng(7)
    true = np.vstack((in_a_circle(rng, 6, 2.0), at_random(rng, 34, PASSES, GRID)))
    here, recorded = as_recorded(rng, true, "good", 4, PASSES, GRID)
    spots = hot_spots(here, recorded, GRID).spots
    finest = spots[0]
    assert finest.scale_m == 2.0 and len(set(finest.members) & set(range(6))) >= 5
    assert finest.p <= MOST_P and finest.radius_m < 6  # one of the others may be linked
    assert (finest.x_m, finest.y_m) == pytest.approx(tuple(true[:6].mean(axis=0)), abs=3)


def test_finds_at_random_seldom_show_a_hot_spot() -> None:
    """On 40 sites with finds at random, where ground was passed unevenly, five or fewer show one.

    With a chance of 5 % each, more than five would come up once in 70 tries. The study of 400 is run by hand.
    """
    passes, grid = uneven_passes()
    shown = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        here, recorded = as_recorded(rng, at_random(rng, 60, passes, grid), "typical", 3, passes, grid)
        shown += bool(hot_spots(here, recorded, grid, seed=seed).spots)
    assert shown <= 5


def test_more_finds_where_more_was_searched_are_no_hot_spot() -> None:
    """A corner passed 200 times as often has most of the finds; on ground passed evenly it would be a hot spot."""
    passes = np.full((100, 100), 0.05)
    passes[:10, :10] = 10.0
    rng = np.random.default_rng(3)
    here, recorded = as_recorded(rng, at_random(rng, 50, passes, GRID), "good", 1, passes, GRID)
    assert hot_spots(here, recorded, GRID).spots == ()
    assert hot_spots(here, PASSES, GRID).spots != ()


def test_the_same_finds_give_the_same_hot_spots() -> None:
    """Chance is drawn from a seed: twice the same report, and another seed moves p by little."""
    rng = np.random.default_rng(7)
    true = np.vstack((in_a_circle(rng, 6, 2.0), at_random(rng, 34, PASSES, GRID)))
    here, recorded = as_recorded(rng, true, "typical", 4, PASSES, GRID)
    one, again, other = (hot_spots(here, recorded, GRID, seed=seed) for seed in (1, 1, 2))
    assert one == again
    assert [spot.members for spot in one.spots] == [spot.members for spot in other.spots]
    assert one.spots[0].p == pytest.approx(other.spots[0].p, abs=0.01)


def test_p_counts_layouts() -> None:
    """No share is told finer than one in all layouts, the finds themselves counted as one, with room for drift."""
    here = places(*((50 + 0.1 * n, 50) for n in range(9)), (10, 10), (90, 90))
    assert hot_spots(here, PASSES, GRID).spots[0].p == DRIFT_ALLOWANCE / (1 + LAYOUTS)


def test_where_finds_lie_everywhere_nothing_is_told_at_a_scale() -> None:
    """400 finds on a hectare have 12 neighbours each within 10 m: at that scale all are one group."""
    rng = np.random.default_rng(2)
    here, recorded = as_recorded(rng, at_random(rng, 400, PASSES, GRID), "good", 1, PASSES, GRID)
    found = hot_spots(here, recorded, GRID)
    assert found.scales_m == (2.0,) and found.too_close_m == (5.0, 10.0, 20.0)


@pytest.mark.parametrize("count", [0, 1, 2])
def test_too_few_finds_show_nothing(count: int) -> None:
    """Without three finds, or without any ground that was passed, there is nothing to say."""
    few = places(*((50.0 + n, 50.0) for n in range(count)))
    assert hot_spots(few, PASSES, GRID).spots == ()
    many = replace(few, x_m=np.arange(5.0), y_m=np.arange(5.0), recording=np.zeros(5, int), sigma_m=np.ones(5))
    assert hot_spots(many, np.zeros((100, 100)), GRID).spots == ()
