"""The compiled loops beside numpy: the same numbers to the last bit, on any walk, and no way to make them crash."""

from __future__ import annotations

import hashlib
import itertools
import os
import shutil
import sys
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from both_ways import both_ways
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from fieldcomb.coverage.compiled.kernels import kernels
from fieldcomb.coverage.ground import added_cells, under_coil
from fieldcomb.coverage.ground.crosswise import bearing_tables
from fieldcomb.coverage.ground.under_coil import CoilPieces
from fieldcomb.coverage.raster import passes, simplified
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.tracks.compiled.track_kernels import track_kernels
from fieldcomb.tracks.motion.legs import Leg

ROOT = Path(__file__).resolve().parents[3]
needs_kernels = pytest.mark.skipif(kernels is None, reason="the kernels were not compiled here")

coordinates = st.floats(-12, 12, allow_nan=False).map(lambda x: round(x, 3))
places = st.lists(st.tuples(coordinates, coordinates), min_size=1, max_size=30)
walks = st.lists(places, min_size=0, max_size=5)
grids = st.builds(
    Grid,
    st.sampled_from([0.1, 0.25, 1.0]),
    st.sampled_from([-5.0, -1.5]),
    st.sampled_from([5.0, 0.7]),
    st.integers(1, 60),
    st.integers(1, 60),
)
# Wider than the 64 columns that loops over a row take at once.
wide_grids = st.builds(replace, grids, cols=st.integers(1, 200))


def legs_of(walk: list[list[tuple[float, float]]]) -> list[Leg]:
    """Legs through the places of a walk."""
    return [Leg(*np.array(line, float).T) for line in walk]


def test_there_are_kernels_wherever_a_compiler_is() -> None:
    """Where a compiler can be called, installing compiled the kernels."""
    if kernels is None and track_kernels is None and shutil.which("cc") is None and not os.environ.get("CI"):
        pytest.skip("no compiler on this machine")
    assert kernels is not None and track_kernels is not None


@needs_kernels
def test_the_kernels_are_of_these_sources() -> None:
    """The kernels were compiled from the sources that lie beside them; if not, install the package again."""
    rooms = (ROOT / "tracks/compiled", ROOT / "coverage/compiled")
    sources = [path for room in rooms for path in sorted(room.glob("*.[ch]"))]
    assert len(sources) > 5
    digest = hashlib.sha256(b"".join(path.read_bytes() for path in sources)).hexdigest()
    assert digest[: len(kernels.SOURCES)] == kernels.SOURCES == track_kernels.SOURCES


@needs_kernels
@given(walks, st.sampled_from([0.0, 0.3, 1.5, 4.0]), grids)
@settings(max_examples=150, deadline=None)
def test_passes_are_the_same_with_and_without_kernels(
    walk: list[list[tuple[float, float]]], swath_m: float, grid: Grid
) -> None:
    """Passes, covered cells, bits and means of any walk are the same, on any grid that it meets or misses."""
    legs = legs_of(walk)
    radius_m = np.linspace(0.0, swath_m, len(legs))
    values = np.linspace(0.0, 900.0, 2 * len(legs)).reshape(2, -1)
    bits, kept = np.arange(len(legs)) % 16, np.random.default_rng(1).integers(0, 256, 1 << 16, np.uint8)

    def layers() -> list[NDArray[Any]]:
        means = passes.mean_over(passes.spans_near(legs, radius_m, grid), values, grid.rows, grid.cols)
        covered = passes.cover(legs, radius_m, grid), passes.bits_over(legs, radius_m, bits, kept, grid)
        return [passes.count_passes(legs, swath_m, grid), *covered, *means]

    for compiled, plain in zip(*both_ways(layers, passes), strict=True):
        assert compiled.dtype == plain.dtype
        np.testing.assert_array_equal(compiled, plain)


@needs_kernels
@given(st.integers(0, 2**32 - 1), st.sampled_from([0.2, 0.5, 1.5]), st.sampled_from([0.05, 0.1, 0.3]))
@settings(max_examples=60, deadline=None)
def test_passes_of_a_winding_walk_are_the_same_with_and_without_kernels(
    seed: int, swath_m: float, cell_m: float
) -> None:
    """Passes of walks that wind about, so that rows are left and met again by one stretch, are the same."""
    rng = np.random.default_rng(seed)
    heading = np.cumsum(rng.normal(0, rng.choice([0.2, 0.6, 1.5]), 150))
    step_m = rng.choice([0.05, 0.3, 0.3, 0.8], heading.size)
    leg = Leg(np.cumsum(step_m * np.cos(heading)), np.cumsum(step_m * np.sin(heading)))
    grid = Grid(cell_m, -round(2 / cell_m), round(3 / cell_m), round(6 / cell_m), round(7 / cell_m))
    np.testing.assert_array_equal(*both_ways(lambda: passes.count_passes([leg], swath_m, grid), passes))


lines = st.lists(st.lists(st.tuples(coordinates, coordinates), min_size=2, max_size=50), min_size=0, max_size=4)


@needs_kernels
@given(lines, st.sampled_from([0.0, 0.3, 0.75, 4.0]), grids, st.integers(1, 3))
@settings(max_examples=100, deadline=None)
def test_lines_drawn_again_cover_the_same_with_and_without_kernels(
    many: list[list[tuple[float, float]]], radius_m: float, grid: Grid, draws: int
) -> None:
    """Each draw of some lines covers the cells that each alone covers, in C and in numpy."""
    off = np.random.default_rng(1).normal(0, 1, (2, draws, sum(len(one) for one in many)))
    x, y = np.array([place for one in many for place in one], float).reshape(-1, 2).T[:, None, :] + off
    starts = np.cumsum([0, *(len(one) for one in many)])
    found = both_ways(lambda: passes.cover_lines(x, y, starts, radius_m, grid), passes)
    np.testing.assert_array_equal(*found)
    for k in range(draws):
        legs = [Leg(x[k, a:b], y[k, a:b]) for a, b in itertools.pairwise(starts.tolist())]
        np.testing.assert_array_equal(found[0][k], passes.cover(legs, radius_m, grid))


@needs_kernels
@pytest.mark.parametrize("far", [np.nan, np.inf, -np.inf, 1e300, -1e300])
def test_lines_from_nowhere_cover_no_other_cells(far: float) -> None:
    """A place that is no number, or beyond all grids, never makes a kernel write outside its cells."""
    laid = np.array([0.0, 5.0, 1.0, 1.0, 0.0, 0.0])
    for x, y in ((far, 2.0), (2.0, far), (far, far)):
        cells = np.zeros((3, 5, 5), bool)
        kernels.cover_lines(np.array([[1.0, x]]), np.array([[1.0, y]]), np.array([0, 2]), laid, cells[1:2])
        assert not cells[0].any() and not cells[2].any()


@needs_kernels
def test_lines_that_do_not_fit_are_refused() -> None:
    """Lines of one place, that overlap or leave the places, and draws of another number are refused."""
    x, starts, laid, cells = np.zeros((2, 4)), np.array([0, 2, 4]), np.ones(6), np.zeros((2, 5, 5), bool)
    for wrong in ([0, 2], [1, 4], [0, 2, 5], [0, 5, 4], [0, -1, 4], [0, 0, 4], [0, 4, 4], [], [4]):
        with pytest.raises(ValueError, match="do not fit"):
            kernels.cover_lines(x, x, np.array(wrong, np.int64), laid, cells)
    for y, lay, into in ((x[:1], laid, cells), (x, laid[:5], cells), (x, laid, cells[0]), (x, laid, cells[:0])):
        with pytest.raises(ValueError, match="do not fit"):
            kernels.cover_lines(x, y, starts, lay, into)
    with pytest.raises(ValueError, match="do not fit"):
        kernels.cover_lines(np.zeros(7), np.zeros(7), starts, laid, cells)
    with pytest.raises(TypeError):
        kernels.cover_lines(x, x, starts, laid)  # type: ignore[call-arg]
    assert not cells.any()


@needs_kernels
def test_a_kernel_refuses_what_does_not_fit() -> None:
    """Arrays of another kind or size, and spans that leave the grid, are refused and never written."""
    one, far = np.zeros(1, np.int64), np.full(1, 9)
    sums, weight = np.zeros((2, 3), np.int32), np.ones(1, np.int32)
    for spans in ((one, one, far), (far, one, one), (one, -far, one), (one - 1, one, one), (one, one + 1, one)):
        with pytest.raises(ValueError, match="leaves the grid"):
            kernels.add_spans(*spans, one, weight, sums)
    with pytest.raises(ValueError, match="order of rows"):
        kernels.add_spans(np.array([1, 0]), *(np.zeros(2, np.int64),) * 3, weight, sums)
    with pytest.raises(ValueError, match="out of range"):
        kernels.add_spans(one, one, one, far, weight, sums)
    with pytest.raises(ValueError, match="elements"):
        kernels.add_spans(one, one, np.zeros(2, np.int64), one, weight, sums)
    for wrong in (np.zeros((2, 3)), sums.T, sums.astype(np.int8)):
        with pytest.raises((TypeError, ValueError, BufferError)):
            kernels.add_spans(one, one, one, one, weight, wrong)
    with pytest.raises(TypeError):
        kernels.add_spans(one)  # type: ignore[call-arg]
    assert not sums.any()
    fields, counts, cells = (np.zeros(1),) * 7, np.zeros((2, 3), np.int16), np.zeros((2, 3), np.uint8)
    for bit, kept in ((one - 1, 4), (one + 2, 4), (one + 2, 7), (one + 16, 1 << 17), (one, 1), (one, 0)):
        with pytest.raises(ValueError, match=r"out of range|of use"):
            kernels.cover_bits(*fields, one, one + 1, bit, np.ones(kept, np.uint8), cells)
    assert not cells.any()
    with pytest.raises(ValueError, match="leaves the rows"):
        kernels.cover(*fields, one, far, np.zeros((2, 2), bool))
    for low, count in ((one - 1, one), (np.full(1, np.iinfo(np.int64).min), one - 1), (one, one - 1)):
        with pytest.raises(ValueError, match="leaves the rows"):
            kernels.count_spans(*fields, low, count, one, one[:0], one[:0], 1, 8, counts)
    with pytest.raises(ValueError, match="too large"):
        kernels.intervals(*fields, one, one, one, 2**30, 2)
    with pytest.raises(ValueError, match="out of range"):
        kernels.intervals(*fields, one, one, one - 1, 2, 2)
    for group, near, slices, near_group in (
        (one, far, 8, one + 1),
        (far, one, 8, one + 1),
        (one, one, 0, one + 1),
        (one, one, 8, one),
    ):
        with pytest.raises(ValueError, match=r"out of range|of no use"):
            kernels.count_spans(*fields, one, one, group, near, near_group, 1, slices, counts)
    with pytest.raises(ValueError, match="out of order"):
        kernels.count_spans(*fields, one, one, one, np.zeros(2, np.int64), np.array([20, 1]), 1, 8, counts)
    assert not counts.any()


@needs_kernels
@given(st.integers(0, 2**32 - 1), st.integers(1, 20), st.integers(1, 300), st.booleans())
@settings(max_examples=60, deadline=None)
def test_what_an_outing_adds_is_the_same_with_and_without_kernels(seed: int, rows: int, cols: int, alone: bool) -> None:
    """Cells that an outing adds, and the layers after it, are the same in a window of a site, with one coil or more."""
    rng = np.random.default_rng(seed)
    shape, kept = (rows + 5, cols + 7), bearing_tables()[0]
    whole = (
        rng.random(shape) < 0.7,
        rng.integers(0, 3, shape, dtype=np.uint8),
        rng.choice(np.array([0, 0, 1, 5], np.uint8), shape),
        rng.choice(np.array([0, 0, 1, 250, 254], np.uint8), shape),
        kept[np.bitwise_and.reduce(rng.integers(0, 1 << 15, (3, *shape), dtype=np.uint16))],
    )
    counts = rng.choice(np.array([0, 0, 1, 2, 9], np.int16), (rows, cols + 1))[:, :-1]
    bearings = kept[np.left_shift(1, rng.integers(0, 15, counts.shape))]

    def add() -> tuple[added_cells.AddedCells, list[NDArray[Any]]]:
        layers = [layer.copy() for layer in whole]
        layers[2] = layers[3] if alone else layers[2]
        views = [layer[2 : 2 + rows, 3 : 3 + cols] for layer in layers]
        added = added_cells.add_to_site(added_cells.SiteLayers(*views), counts, bearings)
        added_cells.add_passes(views[2], counts, views[0])
        return added, layers

    (added, layers), (plainly_added, plain_layers) = both_ways(add, added_cells)
    assert added == plainly_added
    for compiled, plain in zip(layers, plain_layers, strict=True):
        np.testing.assert_array_equal(compiled, plain)


@needs_kernels
@given(walks, st.integers(0, 2**32 - 1), wide_grids, st.booleans())
@settings(max_examples=60, deadline=None)
def test_ground_under_the_coil_is_the_same_with_and_without_kernels(
    walk: list[list[tuple[float, float]]], seed: int, grid: Grid, own: bool
) -> None:
    """What passes leave of each cell, and sums over outings and coils, are the same."""
    rng = np.random.default_rng(seed)
    legs = legs_of(walk)
    pieces = CoilPieces(legs, np.full(len(legs), 0.75), rng.choice([0.0, 0.1, 3.0, 20.0], (2, len(legs))), own)
    counts = rng.choice(np.array([0, 1, 1, 2, 9], np.int16), (grid.rows, grid.cols + 1))[:, :-1]
    inside = rng.random(counts.shape) < 0.8

    def lose() -> list[NDArray[Any]]:
        lost = np.ones((2, *counts.shape), np.uint16)
        pieces.lose(counts, inside, pieces.spans(grid), lost)
        tally = under_coil.UnderCoil(inside, True)
        layers = [lost, (lost // 2).astype(np.uint16), np.full_like(lost, 65000)]
        return [lost, *(tally._sum(layers[:many]) for many in (1, 2, 3))]

    found = both_ways(lose, passes, under_coil)
    for compiled, plain in zip(*found, strict=True):
        np.testing.assert_array_equal(compiled, plain)
    assert (found[0][0] <= 65535).all() and not found[0][0][:, ~inside].any()


@needs_kernels
def test_layers_that_do_not_fit_are_refused() -> None:
    """Layers of different shapes, columns that do not lie side by side, and spans out of order are refused."""
    counts, inside, passed = np.ones((3, 4), np.int16), np.ones((3, 4), bool), np.zeros((3, 4), np.uint8)
    with pytest.raises(ValueError, match="one shape"):
        kernels.add_passes(counts, inside[:2], passed, 254)
    with pytest.raises(ValueError, match="side by side"):
        kernels.add_passes(counts[:, ::2], inside[:, ::2], passed[:, ::2], 254)
    with pytest.raises(TypeError):
        kernels.add_passes(counts, inside, counts, 254)  # type: ignore[arg-type]
    assert not passed.any()
    with pytest.raises(ValueError, match="elements"):
        kernels.count_lost(np.zeros((2, 2), np.uint16), np.zeros(7, np.int64))
    weight, lost = np.ones(1, np.int32), np.zeros((3, 4), np.uint16)
    zero, two = np.zeros(2, np.int64), np.array([1, 0])
    for spans in ((two, zero, zero, zero), (zero, zero, zero + 4, zero), (zero, two, zero, zero), (zero,) * 3 + (two,)):
        with pytest.raises(ValueError, match=r"order of rows|out of range"):
            kernels.lose_over(*spans, weight, counts, inside, lost, 0.0, 1, 1)
    assert not lost.any()
    total = np.zeros((2, 2, 2))
    for side, down, right in ((0, 0, 0), (65_536, 0, 0), (2, 2, 0), (2, 0, -1)):
        with pytest.raises(ValueError, match="of no use"):
            kernels.count_blocks(counts, inside, side, down, right, total)
    with pytest.raises(ValueError, match="elements"):
        kernels.count_blocks(counts, inside, 2, 0, 0, np.zeros(7))
    with pytest.raises(ValueError, match="told apart"):
        kernels.count_blocks(counts, inside, 4, 0, 0, np.zeros(40_000))
    assert not total.any()


@needs_kernels
def test_distances_without_room_or_beyond_their_limits_are_refused() -> None:
    """Room of another size or kind, and limits whose squares do not fit, are refused."""
    mask, room, large = np.ones((3, 4), bool), np.zeros((3, 4), np.uint16), np.zeros((3, 4), np.uint32)
    for most, along, least in ((7, room[:2], room), (7, room, room[:2]), (0, room, room), (46_001, large, large)):
        with pytest.raises(ValueError, match=r"elements|limit"):
            kernels.squared_distances(mask, most, along, least)
    for most, given_room in ((7, large), (182, room)):
        with pytest.raises(TypeError):
            kernels.squared_distances(mask, most, given_room, given_room)
    assert not room.any() and not large.any()


@needs_kernels
def test_lines_to_simplify_that_do_not_fit_are_refused() -> None:
    """Lines of one point, of more or fewer points than there are, too many limits and any below 0 are refused."""
    places, steps, limits = np.zeros((4, 2)), np.zeros(4, np.uint8), np.ones(9)
    for wrong in ([1, 3], [2, 3], [2], [], [-2, 6], [2, 2, 2]):
        with pytest.raises(ValueError, match="a line has fewer"):
            kernels.simplified(places, np.array(wrong, np.int64), limits, steps)
    with pytest.raises(ValueError, match="elements"):
        kernels.simplified(places[:3], np.array([4]), limits, steps)
    for below in (-2.0, np.nan):
        with pytest.raises(ValueError, match="below 0"):
            kernels.simplified(np.full((4, 2), np.nan), np.array([4]), np.array([below]), steps)
    with pytest.raises(ValueError, match="too many"):
        kernels.simplified(places, np.array([4]), np.ones(256), steps)
    assert not steps.any()


@needs_kernels
@given(st.lists(st.tuples(coordinates, coordinates), min_size=1, max_size=60), st.sampled_from([1.0, 0.1, 0.03]))
@settings(max_examples=150, deadline=None)
def test_lines_are_straightened_the_same_with_and_without_kernels(
    line: list[tuple[float, float]], scale: float
) -> None:
    """The same places stay of lines that wind, come back or stand still, so that straight runs are the same."""
    for places in (np.array([*line, line[-1]]) * scale, np.array([*line, *reversed(line)]) * scale):
        sizes = [len(places)]
        np.testing.assert_array_equal(*both_ways(partial(simplified.steps_kept, places, sizes, [0.5]), simplified))


def test_a_map_is_the_same_without_kernels(tmp_path: Path) -> None:
    """A map made where nothing could be compiled is the same file by file, to the last byte."""
    import subprocess

    walk, edge = ROOT / "demo/outing-1-west-large.gpx", ROOT / "demo/boundary.geojson"
    hide = "import sys; sys.modules |= {f'fieldcomb.{of}.compiled._kernels': None for of in ('tracks', 'coverage')}; "
    start = "from fieldcomb.coverage.commands.cli import main; import sys; sys.exit(main())"
    options = ["--coil", "33cm", "--swath", "1.6m", "--boundary", str(edge), "--jobs", "1"]
    for name, program in (("with", start), ("without", hide + start)):
        command = [sys.executable, "-c", program, "map", str(walk), *options, "-o", name]
        subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    files = sorted(path.relative_to(tmp_path / "with") for path in (tmp_path / "with").rglob("*") if path.is_file())
    assert len(files) > 3
    for file in files:
        assert (tmp_path / "with" / file).read_bytes() == (tmp_path / "without" / file).read_bytes(), file
