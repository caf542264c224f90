"""The compiled loops beside numpy: the same numbers to the last bit, on any walk, and no way to make them crash."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldcomb.coverage.compiled.kernels import kernels
from fieldcomb.coverage.raster import passes
from fieldcomb.coverage.raster.grid import Grid
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


def legs_of(walk: list[list[tuple[float, float]]]) -> list[Leg]:
    """Legs through the places of a walk."""
    return [Leg(*np.array(line, float).T) for line in walk]


def test_there_are_kernels_wherever_a_compiler_is() -> None:
    """Where a compiler can be called, installing compiled the kernels."""
    if kernels is None and shutil.which("cc") is None and not os.environ.get("CI"):
        pytest.skip("no compiler on this machine")
    assert kernels is not None


@needs_kernels
def test_the_kernels_are_of_these_sources(monkeypatch: pytest.MonkeyPatch) -> None:
    """The kernels were compiled from the sources that lie beside them; if not, install again."""
    monkeypatch.syspath_prepend(str(ROOT))
    import hatch_build

    assert hatch_build.digest(ROOT) == kernels.SOURCES
    sys.modules.pop("hatch_build")


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
    bits = np.arange(len(legs)) % 16
    found = []
    for way in (kernels, None):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(passes, "kernels", way)
            mean, met = passes.mean_over(legs, radius_m, values, grid)
            found.append(
                [
                    passes.count_passes(legs, swath_m, grid),
                    passes.cover(legs, radius_m, grid),
                    passes.bits_over(legs, radius_m, bits, grid),
                    mean,
                    met,
                ]
            )
    for compiled, plain in zip(*found, strict=True):
        assert compiled.dtype == plain.dtype
        np.testing.assert_array_equal(compiled, plain)


@needs_kernels
def test_a_kernel_refuses_what_does_not_fit() -> None:
    """Arrays of another kind or size, and spans that leave the grid, are refused and never written."""
    one, far = np.zeros(1, np.int64), np.full(1, 9)
    sums, weight = np.zeros((2, 3), np.int16), np.ones(1, np.int32)
    for spans in ((one, one, far), (far, one, one), (one, -far, one), (one - 1, one, one), (one, one + 1, one)):
        with pytest.raises(ValueError, match="leaves the grid"):
            kernels.add_spans(*spans, one, weight, sums)
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
    fields = (np.zeros(1),) * 7
    with pytest.raises(ValueError, match="leaves the rows"):
        kernels.cover(*fields, one, far, np.zeros((2, 2), bool))
    with pytest.raises(ValueError, match="out of range"):
        kernels.intervals(*fields, one, one, one, far, one, 2, 2)


def test_a_map_is_the_same_without_kernels(tmp_path: Path) -> None:
    """A map made where nothing could be compiled is the same file by file, to the last byte."""
    import subprocess

    walk, edge = ROOT / "demo/outing-1-west-large.gpx", ROOT / "demo/boundary.geojson"
    hide = "import sys; sys.modules['fieldcomb.coverage.compiled._kernels'] = None; "
    start = "from fieldcomb.coverage.commands.cli import main; import sys; sys.exit(main())"
    options = ["--coil", "33cm", "--swath", "1.6m", "--boundary", str(edge), "--jobs", "1"]
    for name, program in (("with", start), ("without", hide + start)):
        command = [sys.executable, "-c", program, "map", str(walk), *options, "-o", name]
        subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    files = sorted(path.relative_to(tmp_path / "with") for path in (tmp_path / "with").rglob("*") if path.is_file())
    assert len(files) > 3
    for file in files:
        assert (tmp_path / "with" / file).read_bytes() == (tmp_path / "without" / file).read_bytes(), file
