"""What one outing after another brings: new ground, ground swept again, crosswise, outside, no-go, not recorded."""

from __future__ import annotations

import pickle
from collections.abc import Sequence

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pictures import drawn, picture

from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.ground.crosswise import (
    CROSSWISE_SECTORS,
    SECTORS,
    bearing_tables,
    crosswise,
    straight_runs,
    with_more,
)
from fieldcomb.coverage.ground.pass_tally import OutingGround, OutingPasses, PassTally, Swinging, sweep_outing
from fieldcomb.coverage.ground.site_cells import NO_GO, SITE, Ground, clip_to_site, rasterise_site
from fieldcomb.coverage.raster.cells import MOST_PASSES, OUTSIDE
from fieldcomb.tracks.errors import AreaError
from fieldcomb.tracks.motion.legs import DropOut, Leg

BOX = shapely.box(0, 0, 30, 20)


def leg(*places: tuple[float, float]) -> Leg:
    """A leg from place to place."""
    return Leg(*np.array(places, float).T)


def lay(*areas: AreaShape, cell_m: float = 0.1) -> Ground:
    """A site of these areas, or the box."""
    return rasterise_site(areas or [AreaShape("site", "", BOX)], [], cell_m, "areas.geojson")


def sweep(
    ground: Ground, *legs: Leg, coil: str = "28cm", swath_m: float = 1.5, lost: Sequence[DropOut] = ()
) -> OutingPasses:
    """One outing with one coil."""
    return sweep_outing([Swinging(coil, swath_m, legs)], [(swath_m, gap) for gap in lost], ground)


def silence(x0: float, y0: float, x1: float, y1: float) -> DropOut:
    """A minute without a recording from one place to another."""
    return DropOut(x0, y0, x1, y1, 0.0, 60.0)


def all_over(bearing_deg: float = 0.0, spacing_m: float = 1.2) -> list[Leg]:
    """Lanes of a bearing over the whole box and beyond; each is a leg."""
    t = np.radians(bearing_deg)
    ahead, right = np.array([np.sin(t), np.cos(t)]), np.array([np.cos(t), -np.sin(t)])
    return [
        leg(*(np.array([15, 10]) + off * right + d * ahead for d in (-30, 30))) for off in np.arange(-30, 30, spacing_m)
    ]


def lane(x: float) -> Leg:
    """A lane to the north over the whole box and 2 m beyond at both ends."""
    return leg((x, -2.0), (x, 22.0))


# ------------------------------------------------------------------------------------------------------------ pictures


def test_passes_add_up_over_outings() -> None:
    """Two outings give one raster of passes; ground outside the site has none."""
    site = AreaShape("site", "", shapely.box(1, 0, 8, 5))
    tally = PassTally(lay(site, cell_m=1.0))
    tally.add(sweep(tally.ground, leg((0.5, 2.5), (9.5, 2.5)), swath_m=1.2))
    tally.add(sweep(tally.ground, leg((4.5, -3.5), (4.5, 1.5)), leg((7.5, 2.5)), swath_m=1.2))
    assert picture(tally.passes) == drawn("""
        .......
        .......
        1111112
        ...1...
        ...1...
    """)
    assert tally.passes_m2() == {"0": 26.0, "1": 8.0, "2": 1.0, "3+": 0.0}


def test_ground_outside_the_site_is_marked_when_drawn() -> None:
    """A drawn raster says of every cell whether it belongs to the site; no-go and blocked ground do not."""
    areas = [("site", (0, 0, 6, 4)), ("no-go", (0, 0, 2, 1)), ("blocked", (4, 3, 9, 9))]
    tally = PassTally(lay(*(AreaShape(kind, "", shapely.box(*box)) for kind, box in areas), cell_m=1.0))
    tally.add(sweep(tally.ground, leg((2.5, 0.5), (2.5, 3.5)), swath_m=1.2))
    seen = tally.drawn(tally.passes)
    assert picture(np.where(seen == OUTSIDE, 9, seen)) == drawn("""
        ..1.99
        ..1...
        ..1...
        991...
    """)


# ------------------------------------------------------------------------------------------------------- new and again


def test_a_first_outing_is_all_new() -> None:
    """All that a first outing sweeps is new."""
    tally = PassTally(lay())
    got = tally.add(sweep(tally.ground, lane(5)))
    assert got.swept_m2 == got.new_m2 == pytest.approx(20 * 1.5, rel=0.001)
    assert got.again_same_coil_m2 == got.again_other_coil_m2 == got.crosswise_m2 == got.twice_m2 == 0


def test_the_same_lane_again_is_told_by_coil() -> None:
    """Walked again with the same coil nothing is new; with another coil it counts as swept with another coil before."""
    tally = PassTally(lay())
    tally.add(sweep(tally.ground, lane(5)))
    same = tally.add(sweep(tally.ground, lane(5)))
    assert (same.new_m2, same.again_same_coil_m2, same.again_other_coil_m2) == (0, same.swept_m2, 0)
    other = tally.add(sweep(tally.ground, lane(5), coil="small"))
    assert (other.new_m2, other.again_same_coil_m2, other.again_other_coil_m2) == (0, 0, other.swept_m2)
    assert tally.by_coil["28cm"].max() == 2 and tally.by_coil["small"].max() == 1 and tally.passes.max() == 3


def test_half_new_and_half_again() -> None:
    """A lane 0.7 m beside an old one is new for 0.7 m of its 1.5 m."""
    tally = PassTally(lay())
    tally.add(sweep(tally.ground, lane(5)))
    got = tally.add(sweep(tally.ground, lane(5.7)))
    assert got.new_m2 == pytest.approx(20 * 0.7) and got.again_same_coil_m2 == pytest.approx(20 * 0.8)


COILS = st.sampled_from(["28cm", "33cm", "small"])
PLACES = st.tuples(st.floats(-4, 34), st.floats(-4, 24))
OUTINGS = st.lists(
    st.lists(st.tuples(COILS, st.lists(PLACES, min_size=1, max_size=6)), min_size=1, max_size=3), min_size=1, max_size=5
)


@given(OUTINGS)
@settings(deadline=None, max_examples=60)
def test_what_adds_up_adds_up(outings: list[list[tuple[str, list[tuple[float, float]]]]]) -> None:
    """Whatever is walked: new and again make up what was swept, passes make up the site, and no total ever falls."""
    tally = PassTally(lay(cell_m=0.5))
    site_m2 = tally.ground.m2(SITE)
    total = new = 0.0
    for walks in outings:
        swept = sweep_outing([Swinging(coil, 1.5, [leg(*places)]) for coil, places in walks], [], tally.ground)
        got = tally.add(swept)
        assert got.new_m2 + got.again_same_coil_m2 + got.again_other_coil_m2 == pytest.approx(got.swept_m2)
        assert max(got.twice_m2, got.crosswise_m2) <= got.swept_m2 <= got.total_m2
        assert got.total_m2 >= total
        total, new = got.total_m2, new + got.new_m2
        passes = tally.passes_m2()
        assert sum(passes.values()) == pytest.approx(site_m2)
        assert passes["0"] == pytest.approx(site_m2 - total)
    assert new == pytest.approx(total)
    every = sum(layer.astype(int) for layer in tally.by_coil.values())
    assert (every == tally.passes).all()


# ----------------------------------------------------------------------------------------------------------- crosswise


def test_two_outings_at_right_angles_are_crosswise_where_they_overlap() -> None:
    """Lanes to the north over the whole site, then lanes to the east over its south half: that half is crosswise."""
    tally = PassTally(lay())
    first = tally.add(sweep(tally.ground, *all_over(0)))
    second = tally.add(sweep(tally.ground, *(leg((-3, y), (33, y)) for y in np.arange(0.52, 10, 1.0))))
    assert first.swept_m2 == pytest.approx(600) and first.crosswise_m2 == 0
    assert second.swept_m2 == second.crosswise_m2
    assert second.crosswise_m2 == pytest.approx(30 * 10.27, abs=30 * 0.05)
    assert crosswise(tally.bearings).sum() * 0.01 == pytest.approx(second.crosswise_m2)


@pytest.mark.parametrize(("turn_deg", "crossing"), [(0, False), (15, False), (45, False), (75, True), (90, True)])
def test_crosswise_begins_at_about_60_degrees(turn_deg: float, crossing: bool) -> None:
    """Lanes turned by up to 45 degrees are not crosswise, by 75 or more they are, whichever way they point."""
    for bearing_deg in (0.0, 6.0, 80.0, 127.0, 174.0):
        tally = PassTally(lay(cell_m=0.25))
        tally.add(sweep(tally.ground, *all_over(bearing_deg)))
        got = tally.add(sweep(tally.ground, *all_over(bearing_deg + 180 + turn_deg)))
        assert got.crosswise_m2 == pytest.approx(600 if crossing else 0)


def test_a_crossing_within_one_outing_counts_too() -> None:
    """One outing that crosses its own lanes at right angles is crosswise to itself."""
    tally = PassTally(lay())
    got = tally.add(sweep(tally.ground, leg((5, -2), (5, 22)), leg((-2, 10), (32, 10))))
    assert got.crosswise_m2 == pytest.approx(1.5 * 1.5, rel=0.01)


@given(st.lists(st.sets(st.integers(0, SECTORS - 1), max_size=4), min_size=1, max_size=4))
def test_bearings_kept_in_a_byte_say_the_same_as_all_of_them(walked: list[set[int]]) -> None:
    """However ground was walked again and again: it is crosswise when any two bearings lie 60 degrees apart."""
    kept = np.zeros(1, np.uint8)
    for sectors in walked:
        kept = with_more(kept, bearing_tables()[0][[sum(1 << one for one in sectors)]])
    every = set().union(*walked)
    apart = [min((a - b) % SECTORS, (b - a) % SECTORS) for a in every for b in every]
    assert bool(crosswise(kept)[0]) == (max(apart, default=0) >= CROSSWISE_SECTORS)
    assert bool(kept[0]) == bool(every)


def test_short_turns_have_no_bearing() -> None:
    """A turn from lane to lane is no crosswise walk; a straight run has the bearing of its line, either way along."""
    turns = leg((0, 0), (0, 20), (1.4, 20), (1.4, 0), (2.8, 0), (2.8, 20))
    assert {sector for sector, _ in straight_runs([turns])} == {0}
    runs = {b: straight_runs([leg((0, 0), (9 * np.sin(np.radians(b)), 9 * np.cos(np.radians(b))))]) for b in range(360)}
    sectors = {b: sector for b, [(sector, _)] in runs.items()}
    assert all(
        sectors[b] == sectors[b + 180] for b in range(180) if b % 12
    )  # 12 degrees wide; rims may fall either way
    assert [sectors[b] for b in (1, 13, 91, 179)] == [0, 1, 7, 14]
    assert straight_runs([leg((0, 0)), leg((0, 0), (0, 2.9))]) == []


def test_wobble_does_not_break_a_run() -> None:
    """A lane that swerves by 20 cm is one straight run."""
    y = np.arange(0, 30, 0.4)
    [(sector, run)] = straight_runs([Leg(0.2 * np.sin(y / 3), y)])
    assert sector in (0, 14) and run.y_m[-1] - run.y_m[0] > 29


# ------------------------------------------------------------------------------------------- twice, outside, no-go


def test_twice_is_ground_passed_more_than_once_in_one_outing() -> None:
    """A lane walked there and back counts twice, but for the last metres by the turn; a second outing does not."""
    tally = PassTally(lay())
    y = np.append(np.arange(-2, 15.1, 0.25), np.arange(15, -2.1, -0.25))
    got = tally.add(sweep(tally.ground, Leg(np.full(y.size, 8.0), y)))
    assert got.swept_m2 - 1.5 * 4.5 < got.twice_m2 < got.swept_m2 - 1.5 * 2.0
    assert tally.add(sweep(tally.ground, lane(8.0))).twice_m2 == 0


def test_sweeping_beyond_the_boundary_is_told_up_to_25_m() -> None:
    """A lane that runs on for 60 m outside is told for 25 m of them; the rest is not the site's affair."""
    ground = lay()
    y = np.arange(10, 80.1, 0.5)
    legs, cut = clip_to_site([Leg(np.full(y.size, 15.0), y)], ground.near)
    assert cut == pytest.approx(35 / 70, abs=0.01)
    got = PassTally(ground).add(sweep(ground, *legs))
    assert got.outside_m2 == pytest.approx(25 * 1.5, abs=1.5)
    assert got.swept_m2 == pytest.approx(10 * 1.5, abs=1.0)


def test_a_walk_near_the_site_is_kept_whole() -> None:
    """Nothing is cut off a walk that stays within 25 m of the site, and all is cut off one that never comes near."""
    near = lay().near
    legs, cut = clip_to_site([leg((-20, -10), (50, -10)), leg((5, 5))], near)
    assert cut == 0 and [one.x_m.size for one in legs] == [2, 1]
    assert clip_to_site([leg((100, 0), (100, 50))], near) == ([], 1.0)
    assert clip_to_site([], near) == ([], 0.0)


def test_no_go_ground_never_counts() -> None:
    """A lane through a no-go area of 6 m sweeps none of it."""
    ground = lay(AreaShape("site", "", BOX), AreaShape("no-go", "nests", shapely.box(10, 5, 16, 11)))
    assert ground.m2(SITE) == pytest.approx(600 - 36) and ground.m2(NO_GO) == pytest.approx(36)
    got = PassTally(ground).add(sweep(ground, lane(13)))
    assert got.swept_m2 == pytest.approx(14 * 1.5)
    assert got.outside_m2 == pytest.approx(2 * (2 * 1.5 + np.pi * 0.75**2 / 2), rel=0.02)


def test_a_site_that_is_all_no_go_is_refused() -> None:
    """A site of which nothing is left is refused in words."""
    with pytest.raises(AreaError, match="no ground is left"):
        lay(AreaShape("site", "", BOX), AreaShape("no-go", "", BOX.buffer(1)))


# -------------------------------------------------------------------------------------------------------- not recorded


def test_a_corridor_along_a_drop_out_is_not_recorded() -> None:
    """12 m without a recording are 12 m times the swath not recorded, neither swept nor missed."""
    tally = PassTally(lay())
    got = tally.add(sweep(tally.ground, leg((8, -2), (8, 4)), leg((8, 16), (8, 22)), lost=[silence(8, 4, 8, 16)]))
    ends = 2 * (0.75 * 1.5 - np.pi * 0.75**2 / 2)  # the swept ends are round: they reach 0.75 m into the corridor
    assert got.not_recorded_m2 == pytest.approx((12 - 1.5) * 1.5 + ends, rel=0.01)
    assert got.swept_m2 + got.not_recorded_m2 == pytest.approx(20 * 1.5)
    assert tally.missed().sum() * 0.01 == pytest.approx(600 - 30)


def test_a_corridor_swept_by_any_outing_is_swept() -> None:
    """Ground in a corridor that this outing, or a later one, swept anyway is swept."""
    tally = PassTally(lay())
    got = tally.add(sweep(tally.ground, lane(8), lost=[silence(8, 4, 8, 16)]))
    assert got.not_recorded_m2 == 0
    first = tally.add(sweep(tally.ground, leg((20, 2)), lost=[silence(20, 2, 20, 18)]))
    assert first.not_recorded_m2 > 20
    assert tally.missed().sum() * 0.01 == pytest.approx(600 - got.swept_m2 - first.swept_m2 - first.not_recorded_m2)
    later = tally.add(sweep(tally.ground, lane(20)))
    assert later.new_m2 > first.not_recorded_m2
    assert tally.missed().sum() * 0.01 == pytest.approx(600 - later.total_m2)
    assert not (tally.not_recorded & (tally.passes == 0)).any()


def test_a_drop_out_counts_only_inside_the_site_and_wherever_it_leads() -> None:
    """A drop-out from the far side of the country crosses the site as a corridor, though nothing was swept near it."""
    tally = PassTally(lay())
    far = silence(-2e6, 9.95, 3e6, 9.95)
    got = tally.add(sweep(tally.ground, leg((2, 2), (2, 3)), lost=[far]))
    assert got.not_recorded_m2 == pytest.approx(30 * 1.5, rel=0.01)
    nowhere = tally.add(sweep(tally.ground, lost=[silence(500, 0, 900, 0)]))
    assert nowhere == OutingGround(0, 0, 0, 0, 0, 0, 0, 0, got.total_m2, got.site_m2)


def test_an_outing_beside_the_site_brings_nothing() -> None:
    """An outing without searching on the site, or with none at all, changes nothing."""
    tally = PassTally(lay())
    assert tally.add(sweep(tally.ground)).total_m2 == 0
    beside = tally.add(sweep(tally.ground, leg((-9, -2), (-9, 22))))
    assert beside.swept_m2 == 0 and beside.outside_m2 == pytest.approx(24 * 1.5 + np.pi * 0.75**2, rel=0.01)
    assert not tally.passes.any()


# -------------------------------------------------------------------------------------------------------- many passes


def test_passes_stop_at_254_and_never_begin_again() -> None:
    """Ground passed 300 times has 254 passes, never few again, and never 255, which marks ground outside."""
    tally = PassTally(lay(cell_m=0.5))
    for _ in range(3):
        tally.add(sweep(tally.ground, *[lane(5.0)] * 100))
        assert tally.passes.max() in (100, 200, MOST_PASSES)
    assert tally.passes.max() == tally.by_coil["28cm"].max() == MOST_PASSES
    tally.add(sweep(tally.ground, *[lane(5.0)] * 1000))
    assert tally.passes.max() == MOST_PASSES
    assert tally.passes_m2()["3+"] == pytest.approx(20 * 1.5)


def test_passes_of_each_coil_are_its_own_from_whichever_outing_on_a_second_coil_comes() -> None:
    """What one coil swept is told apart from another's, whether they come together or one after the other."""
    ground = lay()
    first, second = sweep(ground, lane(4.0), lane(4.2)), sweep(ground, lane(4.1), lane(20.0), coil="13x20cm")
    swinging = [Swinging("28cm", 1.5, [lane(4.0)]), Swinging("13x20cm", 0.9, [lane(20.0)])]
    for outings in ([first], [first, second], [first, first, second], [sweep_outing(swinging, [], ground), first]):
        tally = PassTally(ground)
        for one in outings:
            tally.add(one)
        for coil in {name for one in outings for name in one.by_coil}:
            expected = np.zeros(tally.passes.shape, int)
            for one in outings:
                if coil in one.by_coil:
                    expected[one.here] += one.by_coil[coil][one.there]
            np.testing.assert_array_equal(tally.by_coil[coil], np.where(tally.inside, expected, 0))
        np.testing.assert_array_equal(tally.passes, sum(layer.astype(int) for layer in tally.by_coil.values()))


@pytest.mark.parametrize("times", [1, 255, 256, 40_000])
def test_an_outing_that_comes_from_another_process_is_the_same(times: int) -> None:
    """Passes that were counted in another process are the same here, of one coil or two, however often it passed."""
    ground = lay(cell_m=0.5)
    often = Swinging("28cm", 1.5, [lane(4.0)] * times)
    for swinging in ([often], [often, Swinging("13x20cm", 0.9, [lane(20.0)])]):
        swept = sweep_outing(swinging, [], ground)
        come: OutingPasses = pickle.loads(pickle.dumps(swept, pickle.HIGHEST_PROTOCOL))
        assert come.passes.dtype == np.int16 and list(come.by_coil) == list(swept.by_coil)
        np.testing.assert_array_equal(come.passes, swept.passes)
        for name, counts in swept.by_coil.items():
            np.testing.assert_array_equal(come.by_coil[name], counts)
            assert (come.by_coil[name] is come.passes) == (counts is swept.passes)
        assert (come.grid, come.here, come.there, come.by_person) == (
            swept.grid,
            swept.here,
            swept.there,
            swept.by_person,
        )
        np.testing.assert_array_equal(come.bearings, swept.bearings)
    assert not sweep(ground).passes.any() and not pickle.loads(pickle.dumps(sweep(ground))).passes.any()
