"""Missed ground as pieces to walk: found where it is, in its true size, cut to lengths one can find again."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pictures import drawn, mask, picture
from recordings import FRAME
from shapely.geometry.base import BaseGeometry
from walker import lanes

from fieldcomb.coverage.ground.ground_results import Strip
from fieldcomb.coverage.ground.missed import EDGE, OPEN, STRIP, classify_missed
from fieldcomb.coverage.ground.strips import find_strips
from fieldcomb.coverage.raster.cells import Mask
from fieldcomb.coverage.raster.grid import Grid, grid_over
from fieldcomb.coverage.raster.passes import cover
from fieldcomb.tracks.motion.legs import Leg

SWATH_M = 1.5
BOX = shapely.box(0, 0, 60, 40)


def cells_of(shape: BaseGeometry, grid: Grid) -> Mask:
    """Cells whose centres lie in a shape."""
    return np.asarray(shapely.contains_xy(shape, *np.meshgrid(*grid.centres())))


def strips_of(shape: BaseGeometry, site: BaseGeometry = BOX, cell_m: float = 0.1) -> tuple[Strip, ...]:
    """Find strips where the ground missed is a shape."""
    grid = grid_over(site.bounds, cell_m)
    inside = cells_of(site, grid)
    return find_strips(cells_of(shape, grid) & inside, inside, grid, SWATH_M, FRAME)


def swept_by_lanes(xs: np.ndarray, y0: float, y1: float, site: BaseGeometry = BOX) -> tuple[Strip, ...]:
    """Find strips beside lanes to the north at ``xs``."""
    grid = grid_over(site.bounds, 0.1)
    inside = cells_of(site, grid)
    legs = [Leg(np.array([x, x]), np.array([y0, y1])) for x in xs]
    return find_strips(inside & ~cover(legs, SWATH_M / 2, grid), inside, grid, SWATH_M, FRAME)


def turned(shape: BaseGeometry, bearing_deg: float) -> BaseGeometry:
    """Turn a shape that points north to a bearing."""
    return shapely.affinity.rotate(shape, -bearing_deg, origin="centroid")


# ------------------------------------------------------------------------------------------------------------- pictures


def test_kinds_of_missed_ground() -> None:
    """A narrow lane is a strip, what lies along the boundary belongs to it, wide ground is open."""
    missed = mask("""
        ##############
        ..............
        .....#........
        .....#..######
        .....#..######
        .....#..######
        .....#..######
        ..............
    """)
    kinds = classify_missed(missed, np.ones_like(missed), Grid(1.0, 0, 8, 8, 14), 1.0)
    assert (STRIP, EDGE, OPEN) == (1, 2, 3)
    assert picture(kinds.kind[1:-1, 1:-1]) == drawn("""
        22222222222222
        ..............
        .....1........
        .....1..333333
        .....1..333333
        .....1..333333
        .....1..333333
        ..............
    """)


# ---------------------------------------------------------------------------------------------------------------- sizes


@pytest.mark.parametrize("bearing_deg", [0.0, 30.0, 45.0, 90.0, 117.0, 170.0])
@pytest.mark.parametrize(("length_m", "width_m"), [(12.0, 0.6), (9.0, 1.5), (14.0, 2.4)])
def test_a_rectangle_has_its_own_length_width_and_bearing(bearing_deg: float, length_m: float, width_m: float) -> None:
    """A missed rectangle is one strip of that length, width and bearing, to about a cell and a degree."""
    shape = turned(shapely.box(30, 20, 30 + width_m, 20 + length_m), bearing_deg)
    [strip] = strips_of(shape)
    assert strip.kind == "strip" and strip.id == 1
    assert strip.area_m2 == pytest.approx(length_m * width_m, abs=(length_m + width_m) * 0.1)  # half a cell all round
    assert strip.length_m == pytest.approx(length_m, abs=0.25)
    assert strip.width_m == pytest.approx(width_m, abs=0.12)
    assert strip.widest_m == pytest.approx(width_m, abs=0.21)
    assert strip.bearing_deg is not None
    assert abs((strip.bearing_deg - bearing_deg + 90) % 180 - 90) < 1.0
    x, y = FRAME.to_metres(*strip.centre)
    assert shape.buffer(0.1).contains(shapely.Point(x, y))
    assert strip.shape.symmetric_difference(shape).area < 0.12 * length_m + 0.2


def test_a_square_has_no_bearing() -> None:
    """Ground shorter than two widths points nowhere."""
    [strip] = strips_of(shapely.box(20, 20, 22, 22))
    assert strip.bearing_deg is None and strip.length_m >= 2.0


@pytest.mark.parametrize("bearing_deg", [0.0, 35.0])
def test_an_l_is_as_long_as_its_two_arms(bearing_deg: float) -> None:
    """A strip bent at a right angle is as long as the way along it, not as the crow flies."""
    bent = shapely.union_all([shapely.box(20, 10, 21, 17), shapely.box(20, 16, 27, 17)])
    [strip] = strips_of(turned(bent, bearing_deg))
    assert strip.length_m == pytest.approx(13.0, abs=0.8)
    assert strip.width_m == pytest.approx(1.0, abs=0.1)


def test_cells_of_5_and_10_cm_agree() -> None:
    """Cells half as large find the same strips, of the same area; only those hardly 0.3 m wide come and go."""
    rng = np.random.default_rng(4)
    path = lanes(shapely.box(0, 0, 30, 20), 1.7, 20.0, rng, skip={3, 8})
    found = []
    for cell_m in (0.05, 0.1):
        grid = grid_over((0, 0, 30, 20), cell_m)
        inside = np.ones((grid.rows, grid.cols), bool)
        found.append(find_strips(inside & ~cover([Leg(*path)], 0.75, grid), inside, grid, SWATH_M, FRAME))
    fine, coarse = ([s for s in strips if s.area_m2 > 4] for strips in found)
    assert len(fine) == len(coarse) >= 5
    wide_m2 = [sum(s.area_m2 for s in strips if s.widest_m > 0.6) for strips in found]
    assert wide_m2[0] == pytest.approx(wide_m2[1], rel=0.01)
    for one in coarse:
        other = min(fine, key=lambda s: s.shape.distance(one.shape.representative_point()))
        assert other.shape.intersection(one.shape).area > 0.75 * one.shape.area


# ---------------------------------------------------------------------------------------------------- where it is found


def test_a_missed_lane_is_found_and_cut_into_lengths() -> None:
    """A lane left out of lanes 1.5 m apart is found over its whole length, in pieces of at most 15 m."""
    xs = np.arange(0.75, 60, 1.5)
    strips = swept_by_lanes(np.delete(xs, 20), -1, 41)
    assert len(strips) == 3
    assert all(
        s.kind == "strip" and s.length_m <= 15.2 and abs(((s.bearing_deg or 0) + 90) % 180 - 90) < 1 for s in strips
    )
    assert sum(s.length_m for s in strips) == pytest.approx(40, abs=1.5)  # the cuts slant
    assert sum(s.area_m2 for s in strips) == pytest.approx(40 * 1.5)
    assert all(s.widest_m == pytest.approx(1.5, abs=0.11) for s in strips)
    whole = shapely.union_all([s.shape for s in strips])
    assert whole.symmetric_difference(shapely.box(30, 0, 31.5, 40)).area < 1.0


@pytest.mark.parametrize("stops_short_m", [0.0, 1.0, 1.6])
def test_lanes_that_stop_short_of_the_boundary_do_not_hang_together(stops_short_m: float) -> None:
    """Gaps between lanes and the margin along the boundary are pieces of their own, at most 15 m long each.

    Lanes 2.2 m apart leave gaps of 0.7 m, all of which open onto the margin where the lanes stop short.
    """
    xs = np.arange(1.1, 60, 2.2)
    strips = swept_by_lanes(xs, stops_short_m, 40 - stops_short_m)
    assert all(s.length_m <= 15.6 for s in strips)
    to_north = [s for s in strips if s.length_m > 8 and abs(((s.bearing_deg or 0) + 90) % 180 - 90) < 3]
    gaps = [s for s in to_north if s.width_m == pytest.approx(0.7, abs=0.12)]
    assert len(gaps) >= 3 * (len(xs) - 1)


@pytest.mark.parametrize("width_m", [0.3, 0.4, 0.5, 0.6])
@pytest.mark.parametrize("side", ["west", "south", "east", "north"])
def test_a_margin_is_one_piece_across(side: str, width_m: float) -> None:
    """A margin missed along any side of the site is cut along, never across, whatever its width in cells."""
    site = shapely.box(0, 0, 12, 12)
    cut = {"west": (width_m, 0, 12, 12), "south": (0, width_m, 12, 12)}
    cut |= {"east": (0, 0, 12 - width_m, 12), "north": (0, 0, 12, 12 - width_m)}
    [margin] = strips_of(site.difference(shapely.box(*cut[side])), site)
    assert margin.area_m2 == pytest.approx(12 * width_m) and margin.width_m == pytest.approx(width_m, rel=0.01)


def test_open_ground_is_where_three_swaths_fit() -> None:
    """Ground 5 m wide is open at a swath of 1.5 m and stays in one piece; ground 4 m wide is a strip and is cut."""
    [wide] = strips_of(shapely.box(10, 10, 50, 15))
    assert wide.kind == "open" and wide.area_m2 == pytest.approx(200) and wide.length_m == pytest.approx(40)
    assert wide.widest_m == pytest.approx(5.0, abs=0.11) and wide.bearing_deg == pytest.approx(90)
    narrow = strips_of(shapely.box(10, 10, 50, 14))
    assert {s.kind for s in narrow} == {"strip"} and len(narrow) >= 3 and all(s.length_m < 15.5 for s in narrow)


def test_a_strip_that_runs_into_open_ground_is_cut_there() -> None:
    """A gap that opens onto open ground is a strip of its own."""
    both = shapely.union_all([shapely.box(10, 10, 22, 22), shapely.box(22, 15, 34, 16)])
    field, strip = strips_of(both)
    assert (field.kind, strip.kind) == ("open", "strip")
    assert field.area_m2 == pytest.approx(144, abs=2.5) and strip.area_m2 == pytest.approx(12, abs=2.5)


def test_a_site_never_walked_is_one_piece_of_open_ground() -> None:
    """Nothing swept: all of the site is open ground."""
    [all_of_it] = strips_of(BOX)
    assert all_of_it.kind == "open" and all_of_it.area_m2 == pytest.approx(2400)
    assert all_of_it.widest_m == pytest.approx(40, abs=0.11)


def test_a_site_with_a_hole() -> None:
    """Ground round a pond is missed up to its rim, and the pond is not; the margin along it counts as boundary."""
    site = BOX.difference(shapely.box(20, 10, 40, 30))
    grid = grid_over(site.bounds, 0.1)
    inside = cells_of(site, grid)
    ring = cells_of(shapely.box(19, 9, 41, 31), grid) & inside
    strips = find_strips(ring, inside, grid, SWATH_M, FRAME)
    assert sum(s.area_m2 for s in strips) == pytest.approx(22 * 22 - 20 * 20)
    assert all(s.length_m <= 15.6 for s in strips)
    assert shapely.union_all([s.shape for s in strips]).intersection(shapely.box(20.1, 10.1, 39.9, 29.9)).area < 0.5


# --------------------------------------------------------------------------------------------------------- what counts


def test_too_small_or_too_narrow_vanishes() -> None:
    """Under half a square metre, or narrower than 0.3 m, is not worth a walk; just above it is."""
    assert strips_of(shapely.box(10, 10, 10.7, 10.7)) == ()
    assert len(strips_of(shapely.box(10, 10, 10.5, 11.0))) == 1
    assert strips_of(shapely.box(10, 10, 40, 10.2)) == ()
    assert len(strips_of(shapely.box(10, 10, 24, 10.3))) == 1


def test_ground_not_recorded_is_neither_swept_nor_missed() -> None:
    """A strip ends where ground that may have been swept unrecorded begins."""
    grid = grid_over(BOX.bounds, 0.1)
    missed = cells_of(shapely.box(10, 10, 22, 11), grid) & ~cells_of(shapely.box(14, 9, 18, 12), grid)
    strips = find_strips(missed, np.ones_like(missed), grid, SWATH_M, FRAME)
    assert [s.area_m2 for s in strips] == pytest.approx([4, 4])


def test_nothing_missed_gives_nothing() -> None:
    """A site swept all over has no strips."""
    assert strips_of(shapely.Point(-5, -5).buffer(1)) == ()


def test_areas_add_up_and_largest_comes_first() -> None:
    """Pieces are numbered from the largest on, and their areas add up to the missed ground that is worth a walk."""
    shapes = [
        shapely.box(5, 5, 6, 17),
        shapely.box(10, 5, 12, 15),
        shapely.box(20, 5, 28, 15),
        shapely.box(40, 5, 41, 7),
    ]  # 8, 2, 1 and 1 m wide
    strips = strips_of(shapely.union_all(shapes))
    assert [s.id for s in strips] == [1, 2, 3, 4]
    assert [s.area_m2 for s in strips] == pytest.approx([80, 20, 12, 2])


RECTANGLES = st.lists(
    st.tuples(st.integers(0, 250), st.integers(0, 150), st.integers(1, 120), st.integers(1, 60)), min_size=1, max_size=8
)


@given(RECTANGLES)
@settings(deadline=None, max_examples=30)
def test_strips_are_missed_ground_and_nothing_else(rectangles: list[tuple[int, int, int, int]]) -> None:
    """Whatever was missed: strips claim no more than that, do not overlap, and their sizes belong together."""
    grid = Grid(0.1, 0, 200, 200, 300)
    missed = np.zeros((200, 300), bool)
    for col, row, width, height in rectangles:
        missed[row : row + height, col : col + width] = True
    inside = np.ones_like(missed)
    inside[:, 290:] = False
    missed &= inside
    strips = find_strips(missed, inside, grid, SWATH_M, FRAME)
    assert sum(s.area_m2 for s in strips) <= missed.sum() * 0.01 + 1e-6
    for s in strips:
        assert s.area_m2 >= 0.5 - 1e-6 and s.length_m * s.width_m == pytest.approx(s.area_m2)
        # 15 m along; longer is only what forks, which is as long as its branches together.
        assert s.kind == "open" or s.length_m <= max(17.0, s.area_m2 / s.widest_m)
        assert s.widest_m >= 0.29 and s.width_m <= s.widest_m + 0.15
        assert (s.bearing_deg is None) == (s.length_m < 2 * s.width_m)
        assert s.shape.is_valid
    # Outlines are smoothed by less than a cell, so neighbours may overlap by a seam.
    outlines = [s.shape.buffer(-0.15) for s in strips]
    together = shapely.union_all(outlines)
    assert together.area == pytest.approx(sum(o.area for o in outlines), abs=0.05)
    assert not (cells_of(together, grid) & ~missed).any()


# -------------------------------------------------------------------------------------------------------- large sites


def some_missed() -> tuple[Mask, Mask, Grid]:
    """Missed ground of oblique lanes with gaps, on a site of odd shape."""
    grid = grid_over((0, 0, 45, 38), 0.1)
    site = shapely.Polygon([(1, 1), (44, 4), (40, 37), (8, 30)])
    path = lanes(site, 1.8, 25.0, np.random.default_rng(8), skip={4, 5, 6, 7, 12})
    inside = cells_of(site, grid)
    return inside & ~cover([Leg(*path)], 0.75, grid), inside, grid


def with_far_parts(missed: Mask, inside: Mask, grid: Grid) -> tuple[Mask, Mask, Grid]:
    """The same ground, on a site with two more parts, swept all over, 280 m from each other on either side of it."""
    large = grid_over((-130, -100, 150, 165), 0.1)
    wide, all_inside = np.zeros((2, large.rows, large.cols), bool)
    wide[grid.part_of(large)], all_inside[grid.part_of(large)] = missed, inside
    all_inside[:20, -20:] = all_inside[-20:, :20] = True
    return wide, all_inside, large


def test_parts_of_a_site_far_away_change_no_piece() -> None:
    """Missed ground has the same pieces alone and on a site 280 m across; only what is open is measured less finely.

    A site of that size is worked on in parts, and the edges of these parts run through this ground. Of open ground the
    length is then right to a tenth, and the width to two cells of 0.1 m.
    """
    alone = find_strips(*some_missed(), SWATH_M, FRAME)
    among = find_strips(*with_far_parts(*some_missed()), SWATH_M, FRAME)
    assert {s.kind for s in alone} == {"strip", "open"} and len(alone) > 30
    assert [(s.kind, s.area_m2) for s in among] == [(s.kind, pytest.approx(s.area_m2)) for s in alone]
    for one, other in zip(alone, among, strict=True):
        assert one.shape.hausdorff_distance(other.shape) <= 0.1  # corners of single cells are cut from another start
        is_open = one.kind == "open"
        assert other.length_m == pytest.approx(one.length_m, rel=0.1 if is_open else 1e-9)
        assert other.widest_m == pytest.approx(one.widest_m, abs=0.21 if is_open else 1e-9)


def _told(s: Strip) -> tuple[float, ...]:
    return s.area_m2, s.length_m, s.widest_m, s.bearing_deg or -1.0, *s.centre


def test_strips_come_out_the_same_every_time() -> None:
    """The same ground gives the same strips, byte for byte."""
    once, again = (find_strips(*some_missed(), SWATH_M, FRAME) for _ in range(2))
    assert [repr(_told(s)) + s.shape.wkt for s in once] == [repr(_told(s)) + s.shape.wkt for s in again]
