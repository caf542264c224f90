"""Which cells a walk passed over, and how often, against measuring every cell and walking every path by brute force."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from pictures import drawn, picture
from scipy.spatial import cKDTree
from walker import Path, densify, lanes, short_lanes, spiral, wander

from fieldcomb.coverage.raster.grid import Grid, grid_over
from fieldcomb.coverage.raster.passes import bits_over, count_passes, cover, cover_discs
from fieldcomb.tracks.motion.legs import Leg

Floats = NDArray[np.float64]


def leg(*places: tuple[float, float]) -> Leg:
    """A leg from place to place."""
    return Leg(*np.array(places, float).T)


def walked(*places: tuple[float, float]) -> Leg:
    """A leg with a fix every 25 cm."""
    return Leg(*densify(tuple(np.array(places, float).T), 0.25))


def distance_to(line: Leg, grid: Grid) -> Floats:
    """Distance of every cell's centre from a line, each segment for itself."""
    gx, gy = np.meshgrid(*grid.centres())
    away = np.hypot(gx - line.x_m[0], gy - line.y_m[0])
    for (x0, y0), (x1, y1) in itertools.pairwise(zip(line.x_m, line.y_m, strict=True)):
        length2 = (x1 - x0) ** 2 + (y1 - y0) ** 2
        share = np.clip(((gx - x0) * (x1 - x0) + (gy - y0) * (y1 - y0)) / (length2 or 1.0), 0, 1)
        away = np.minimum(away, np.hypot(gx - x0 - share * (x1 - x0), gy - y0 - share * (y1 - y0)))
    return away


# --------------------------------------------------------------------------------------------------------- pictures


def test_one_place_is_a_disc() -> None:
    """Standing at one place sweeps the cells whose centres lie within half the swath of it."""
    counts = count_passes([leg((3.5, 3.5))], 4.2, Grid(1.0, 0, 7, 7, 7))
    assert picture(counts) == drawn("""
        .......
        ...1...
        ..111..
        .11111.
        ..111..
        ...1...
        .......
    """)


def test_a_lane_has_rounded_ends() -> None:
    """A lane is as wide as the swath, and reaches half a swath beyond its ends, where it is rounded."""
    counts = count_passes([leg((2.5, 2.5), (5.5, 2.5))], 2.4, Grid(1.0, 0, 5, 5, 8))
    assert picture(counts) == drawn("""
        ........
        ..1111..
        .111111.
        ..1111..
        ........
    """)


def test_a_slanting_lane() -> None:
    """A lane across the cells takes those within half a swath of it, measured across the lane."""
    counts = count_passes([leg((1.5, 1.5), (5.5, 5.5))], 1.6, Grid(1.0, 0, 7, 7, 7))
    assert picture(counts) == drawn("""
        .......
        ....11.
        ...111.
        ..111..
        .111...
        .11....
        .......
    """)


def test_two_lanes_crossing() -> None:
    """Where two lanes cross there are two passes, and one on the rest of both."""
    counts = count_passes([leg((0.5, 2.5), (6.5, 2.5)), leg((3.5, 0.5), (3.5, 4.5))], 1.2, Grid(1.0, 0, 5, 5, 7))
    assert picture(counts) == drawn("""
        ...1...
        ...1...
        1112111
        ...1...
        ...1...
    """)


def test_there_and_back_on_one_lane() -> None:
    """A lane walked there and back is two passes, but for the ground near the turn, touched again within 3 m of path.

    The swath reaches 0.6 m ahead and behind. 1.5 m before the turn there are 2 x 1.5 - 1.2 = 1.8 m of path between the
    two touches: one pass. 2.5 m before it there are 3.8 m: two.
    """
    counts = count_passes([walked((0.5, 1.5), (10.0, 1.5), (0.5, 1.5))], 1.2, Grid(1.0, 0, 3, 3, 12))
    assert picture(counts) == drawn("""
        ............
        22222222111.
        ............
    """)


def test_a_lane_along_the_cells_is_as_wide_as_its_swath() -> None:
    """Where centres lie exactly on the rim, those on one side count and those on the other do not."""
    grid = Grid(0.5, -2, 6, 12, 24)
    east = count_passes([leg((0.0, 0.25), (10.0, 0.25))], 2.0, grid)
    north = count_passes([leg((5.25, -2.0), (5.25, 2.0))], 2.0, grid)
    assert (east.sum(axis=0)[4:20] * 0.5 == 2.0).all()
    assert (north.sum(axis=1)[3:9] * 0.5 == 2.0).all()


# ------------------------------------------------------------------------------------------------ swept or not, exactly


def random_tracks(n: int, seed: int) -> Iterator[tuple[Leg, float, Grid]]:
    """Tracks of all kinds, most of them leaving the grid somewhere, some of them never on it."""
    rng = np.random.default_rng(seed)
    for k in range(n):
        kind = k % 8
        points = 1 if kind == 0 else int(rng.integers(2, 40))
        step_m = {1: 1e-7, 2: 25.0, 3: 0.02}.get(kind, 0.8)
        x, y = (np.cumsum(rng.normal(0, step_m, points)) + rng.uniform(-3, 3) for _ in "xy")
        if kind == 4:
            y[:] = y[0]
        if kind == 5:
            x[:] = x[0]
        if kind == 6:
            x, y = np.repeat(x, 3), np.repeat(y, 3)  # fixes that stand still
        if kind == 7 and k % 3 == 0:
            x += 100
        cell_m = float(rng.choice([0.05, 0.1, 0.13, 0.25, 0.5]))
        swath_m = float(rng.choice([0.3, 0.9, 1.5, 2.2]))
        yield Leg(x, y), swath_m, grid_over((-4.0, -3.0, 3.0, 4.0), cell_m)


def test_swept_cells_are_exactly_those_within_half_a_swath() -> None:
    """On 200 tracks of all kinds not one cell is called swept that is not, or the other way round.

    Cells within a millionth of a metre of the rim are left out, because rounding decides them; they are few.
    """
    wrong = cells = left_out = 0
    for line, swath_m, grid in random_tracks(200, 5):
        away = distance_to(line, grid)
        on_rim = np.abs(away - swath_m / 2) < 1e-6
        for swept in (count_passes([line], swath_m, grid) > 0, cover([line], swath_m / 2, grid)):
            wrong += int(np.count_nonzero((swept != (away <= swath_m / 2)) & ~on_rim))
        cells += away.size
        left_out += int(np.count_nonzero(on_rim))
    assert cells > 1_000_000
    assert wrong == 0
    assert left_out < 20


def test_a_track_outside_the_grid_sweeps_nothing() -> None:
    """A walk beside the grid, however long or far away, touches no cell, and a grid of no cells is no trouble."""
    grid = grid_over((0, 0, 5, 5), 0.1)
    for line in (leg((-9, -9), (-9, 20)), leg((1e4, 1e4), (2e4, 1e4)), leg((2, 9.0))):
        assert not count_passes([line], 1.5, grid).any()
    assert count_passes([leg((1, 1))], 1.5, Grid(0.1, 0, 0, 0, 5)).shape == (0, 5)
    assert not count_passes([], 1.5, grid).any() and not cover([], 1.0, grid).any()


def test_a_step_of_ten_kilometres_across_the_grid_is_one_straight_lane() -> None:
    """A single huge step over the grid is drawn as sharply as short ones."""
    grid = grid_over((0, 0, 5, 5), 0.1)
    line = leg((-6000.0, -4000.0), (6005.0, 4006.0))
    away = distance_to(line, grid)
    clear = np.abs(away - 0.75) > 1e-6
    assert ((count_passes([line], 1.5, grid) > 0) == (away <= 0.75))[clear].all()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_swept_area_is_that_of_buffered_lines(seed: int) -> None:
    """On cells of 1 cm the area is within 0.02 % of exact buffers of the same lines."""
    rng = np.random.default_rng(seed)
    line = Leg(*(part[::6] for part in wander(shapely.box(0, 0, 9, 9), 25.0, rng, start=(2.0, 2.0))))
    grid = grid_over((-2, -2, 11, 11), 0.01)
    mine = np.count_nonzero(count_passes([line], 1.5, grid)) * grid.cell_m2
    path = shapely.linestrings(np.column_stack([line.x_m, line.y_m]))
    true = shapely.buffer(path, 0.75, quad_segs=200).area
    assert abs(mine / true - 1) <= 2e-4


@pytest.mark.parametrize("bearing_deg", [0.0, 17.0, 45.0, 90.0])
@pytest.mark.parametrize("swath_m", [0.9, 1.5])
def test_a_straight_lane_covers_length_times_swath_and_its_ends(bearing_deg: float, swath_m: float) -> None:
    """A lane of 20 m covers 20 m times the swath and a disc of that width, within half a percent on cells of 5 cm."""
    t = np.radians(bearing_deg)
    line = leg((0.013, 0.021), (0.013 + 20 * np.sin(t), 0.021 + 20 * np.cos(t)))
    grid = grid_over((-22, -22, 22, 22), 0.05)
    area = np.count_nonzero(count_passes([line], swath_m, grid)) * grid.cell_m2
    # A lane along the cells, or along their diagonals, is right to half a row on either side, others far better.
    room = 20 * 0.05 if bearing_deg % 45 == 0 else 0.005 * 20 * swath_m
    assert area == pytest.approx(20 * swath_m + np.pi * swath_m**2 / 4, abs=room)


def test_discs_are_what_single_places_sweep() -> None:
    """Many discs, each of its own size, cover what the same places sweep one by one."""
    rng = np.random.default_rng(3)
    x, y, radius = rng.uniform(0, 6, 60), rng.uniform(0, 6, 60), rng.uniform(0, 0.6, 60)
    grid = grid_over((0, 0, 6, 6), 0.1)
    gx, gy = np.meshgrid(*grid.centres())
    covered = np.zeros(gx.shape, bool)
    for at in zip(x, y, radius, strict=True):
        covered |= np.hypot(gx - at[0], gy - at[1]) <= at[2]
    assert (cover_discs(x, y, radius, grid) == covered).all()


# ----------------------------------------------------------------------------------------------------------- how often


def true_passes(line: Leg, swath_m: float, grid: Grid) -> NDArray[np.int64]:
    """Walk the path in steps of 5 cm: a touch is a new pass when more path than max(3 m, 2 W) lies behind the last."""
    s = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(line.x_m), np.diff(line.y_m)))])
    at = np.linspace(0, s[-1], int(s[-1] / 0.05) + 2)
    steps = np.column_stack([np.interp(at, s, line.x_m), np.interp(at, s, line.y_m)])
    gx, gy = np.meshgrid(*grid.centres())
    near = cKDTree(steps).query_ball_point(np.column_stack([gx.ravel(), gy.ravel()]), swath_m / 2, return_sorted=True)
    gap_m = max(3.0, 2 * swath_m)
    counts = [1 + int(np.count_nonzero(np.diff(at[touch]) > gap_m)) if touch else 0 for touch in near]
    return np.array(counts).reshape(gx.shape)


def turns(line: Leg) -> Floats:
    """Places where the path turns round: 2 m of path lead less than 1.8 m away."""
    s = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(line.x_m), np.diff(line.y_m)))])
    ahead, behind = (np.stack([np.interp(s + d, s, v) for v in (line.x_m, line.y_m)]) for d in (1.0, -1.0))
    round_here = (np.hypot(*(ahead - behind)) < 1.8) & (s > 1.0) & (s < s[-1] - 1.0)
    return np.column_stack([line.x_m, line.y_m])[round_here]


BOX = shapely.box(0, 0, 20, 14)
PATHS = ["close lanes", "lanes", "wide lanes", "oblique lanes", "spiral", "wandering", "short lanes"]


def path_of(kind: str, swath_m: float, seed: int) -> Path:
    """A walk of a kind."""
    rng = np.random.default_rng(seed)
    match kind:
        case "close lanes":
            return lanes(BOX, 0.6 * swath_m, 0.0, rng)
        case "lanes":
            return lanes(BOX, 0.9 * swath_m, 0.0, rng)
        case "wide lanes":
            return lanes(BOX, 1.3 * swath_m, 90.0, rng)
        case "oblique lanes":
            return lanes(BOX, 0.9 * swath_m, 30.0, rng, handle=0.2)
        case "spiral":
            return spiral((10.0, 7.0), (9.0, 7.0), 0.9 * swath_m, rng)
        case "wandering":
            return wander(BOX, 200.0, rng, start=(3.0, 3.0))
    return short_lanes(shapely.box(0, 0, 10.5, 7), 3.5, 0.8 * swath_m, rng)


@pytest.mark.parametrize("swath_m", [0.9, 1.5, 2.2])
@pytest.mark.parametrize("kind", PATHS)
def test_passes_are_those_of_walking_the_path_in_order(kind: str, swath_m: float) -> None:
    """At least 98 % of touched cells have exactly the true number of passes, and hardly a pass is ever lost.

    No touched cell has none; at most 0.5 % have too few, and those lie where the path turns round, where the limit of
    3 m of path is a matter of centimetres.
    """
    x, y = path_of(kind, swath_m, 4)
    line = Leg(x[::6], y[::6])  # a fix every 30 cm
    grid = grid_over((-2, -2, 22, 16), 0.1)
    mine, true = count_passes([line], swath_m, grid), true_passes(line, swath_m, grid)
    touched = true > 0
    assert (mine == true)[touched].mean() >= 0.98
    assert (mine[touched] > 0).all()
    fewer = mine < true
    assert fewer[touched].mean() <= 0.005
    if fewer.any():
        gx, gy = np.meshgrid(*grid.centres())
        away, _ = cKDTree(turns(line)).query(np.column_stack([gx[fewer], gy[fewer]]))
        assert away.max() < max(3.0, 2 * swath_m) / 2 + swath_m / 2 + 0.5


def test_moving_about_at_one_place_is_one_pass() -> None:
    """Fixes that jitter by some centimetres about a hole for ten minutes, in a file without times, make no pass."""
    rng = np.random.default_rng(2)
    lane = np.arange(0, 20, 0.3)
    jitter = 0.05 * rng.standard_normal((2, 600))
    x = np.concatenate([lane[:30], lane[30] + jitter[0], lane[30:]])
    y = np.concatenate([np.zeros(30), jitter[1], np.zeros(lane.size - 30)])
    counts = count_passes([Leg(x, y)], 1.5, grid_over((-2, -2, 22, 2), 0.1))
    assert counts.max() == 1


def test_another_recording_or_a_drop_out_starts_a_new_pass() -> None:
    """Where one leg ends and another begins at the same place, that place was visited twice."""
    grid = grid_over((-2, -2, 12, 2), 0.1)
    one = count_passes([leg((0, 0), (10, 0))], 1.0, grid)
    two = count_passes([leg((0, 0), (5, 0)), leg((5, 0), (10, 0))], 1.0, grid)
    assert one.max() == 1
    x, _ = grid.centres()
    assert (two[20, np.abs(x - 5) < 0.4] == 2).all()
    assert (two[20, (np.abs(x - 5) > 0.6) & (x > 0) & (x < 10)] == 1).all()


# ----------------------------------------------------------------------------------------------------------- invariants

SIXTEENTHS = st.integers(-80, 80).map(lambda n: n / 16)
TRACKS = st.lists(st.tuples(SIXTEENTHS, SIXTEENTHS), min_size=1, max_size=25).map(lambda places: leg(*places))
SWATHS = st.sampled_from([0.7, 1.1, 1.5, 2.3])
GRID = Grid(0.125, -56, 56, 112, 112)


@given(TRACKS, SWATHS)
@settings(deadline=None)
def test_walking_it_backwards_sweeps_the_same_ground(line: Leg, swath_m: float) -> None:
    """Reversing a track changes no cell."""
    back = Leg(line.x_m[::-1], line.y_m[::-1])
    assert ((count_passes([line], swath_m, GRID) > 0) == (count_passes([back], swath_m, GRID) > 0)).all()


@given(TRACKS, SWATHS, st.integers(-5000, 5000), st.integers(-5000, 5000))
@settings(deadline=None)
def test_shifting_track_and_grid_together_changes_nothing(line: Leg, swath_m: float, east: int, north: int) -> None:
    """Moved by whole cells together, track and raster fit as before, passes and all."""
    moved = Leg(line.x_m + east * 0.125, line.y_m + north * 0.125)
    there = Grid(0.125, GRID.west + east, GRID.north + north, GRID.rows, GRID.cols)
    assert (count_passes([moved], swath_m, there) == count_passes([line], swath_m, GRID)).all()


@given(st.lists(TRACKS, max_size=4), SWATHS)
@settings(deadline=None, max_examples=60)
def test_legs_add_up(lines: list[Leg], swath_m: float) -> None:
    """Legs counted together give the sum of each counted alone, and cover what any of them covers."""
    alone = [count_passes([line], swath_m, GRID) for line in lines]
    assert (count_passes(lines, swath_m, GRID) == sum(alone, np.zeros((GRID.rows, GRID.cols), np.int16))).all()
    covered = sum((one > 0 for one in alone), np.zeros((GRID.rows, GRID.cols), bool))
    assert (cover(lines, swath_m / 2, GRID) == covered).all()


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(TRACKS, st.integers(0, 15), st.floats(0.2, 2)), max_size=5))
def test_bits_are_the_ground_that_lines_of_each_bit_cover(lines: list[tuple[Leg, int, float]]) -> None:
    """A cell has a bit exactly where a line with that bit, or several of them, covers it."""
    legs = [line for line, _, _ in lines]
    reach, bit = np.array([r for _, _, r in lines], float), np.array([b for _, b, _ in lines], np.int64)
    sets = np.arange(1 << 16)
    low, high = (bits_over(legs, reach, bit, kept.astype(np.uint8), GRID) for kept in (sets & 255, sets >> 8))
    for number in range(16):
        mine = np.flatnonzero(bit == number)
        wanted = cover([legs[k] for k in mine], reach[mine], GRID)
        assert np.array_equal((low + 256 * high.astype(int)) >> number & 1, wanted)


@given(TRACKS, SWATHS)
@settings(deadline=None, max_examples=60)
def test_a_window_of_the_grid_shows_what_the_whole_grid_shows_there(line: Leg, swath_m: float) -> None:
    """Cutting the grid cuts the raster and changes nothing else."""
    part = (slice(17, 80), slice(40, 71))
    assert (count_passes([line], swath_m, GRID.window(part)) == count_passes([line], swath_m, GRID)[part]).all()


@given(TRACKS, TRACKS, SWATHS)
@settings(deadline=None, max_examples=60)
def test_walking_on_takes_nothing_away(line: Leg, more: Leg, swath_m: float) -> None:
    """What a walk has swept stays swept when it goes on."""
    longer = Leg(np.append(line.x_m, more.x_m), np.append(line.y_m, more.y_m))
    before, after = count_passes([line], swath_m, GRID) > 0, count_passes([longer], swath_m, GRID) > 0
    assert not (before & ~after).any()
