"""Lines of walks as they are drawn: few points, and nothing that is made of them changes by that."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from both_ways import both_ways
from hypothesis import given, settings
from hypothesis import strategies as st
from recordings import FRAME, field, fixes, item, outing, serpentine, site

from fieldcomb.coverage.compiled.kernels import kernels
from fieldcomb.coverage.pages.packing import pack_line, pack_walks
from fieldcomb.coverage.raster import simplified
from fieldcomb.coverage.survey.outing_layers import drawn_walk
from fieldcomb.coverage.survey.results import OutingLayer, WalkLines
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.tracks.recording import Floats

WALK = item(fixes(serpentine(6, 28.0, 1.5)))


@st.composite
def wandered(draw: st.DrawFn) -> list[Floats]:
    """Up to four lines that wander by millimetres or metres, some on the spot or of a single fix."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    sizes = draw(st.lists(st.sampled_from([1, 2, 3, 50, 200]), min_size=1, max_size=4))
    steps = draw(st.sampled_from([0.0, 0.003, 0.05, 0.6]))
    return [np.cumsum(rng.normal(0.2 * (steps > 0.1), steps, (size, 2)), axis=0) for size in sizes]


@settings(max_examples=60, deadline=None)
@given(wandered())
def test_simplified_lines_give_the_same_page(lines: list[Floats]) -> None:
    """However few points the page may hold, its lines are those of all fixes simplified once; dots stay dots."""
    whole = WalkLines("28cm", 1.5, None, tuple(lines))
    drawn = drawn_walk(whole)
    assert drawn.searching == len(lines) == drawn.sizes.size
    layer = OutingLayer("a", None, None, None, (whole,), ())
    for most in (10_000, 40, 4):
        page, of_all = (pack_walks(FRAME, [one], most) for one in (replace(layer, drawn=(drawn,)), layer))
        assert page == of_all
        for packed, line in zip(page.outings[0][0].lines, lines, strict=True):
            twice = np.repeat(line, 1 + (len(line) == 1), axis=0)
            at_once = shapely.LineString(twice).simplify(page.tolerance_m, preserve_topology=False)
            assert packed == pack_line(FRAME, np.asarray(at_once.coords))


@pytest.mark.skipif(kernels is None, reason="the kernels were not compiled here")
@settings(max_examples=150, deadline=None)
@given(wandered(), wandered(), st.sampled_from([None, 1, 0]))
def test_lines_are_simplified_in_c_as_in_geos(lines: list[Floats], ways: list[Floats], decimals: int | None) -> None:
    """The same points stay for the same tolerances with and without kernels, even where many lie equally far off."""
    rounded = [[line if decimals is None else np.round(line, decimals) for line in each] for each in (lines, ways)]
    walk = WalkLines("28cm", 1.5, None, *map(tuple, rounded))
    found = both_ways(lambda: drawn_walk(walk), simplified)
    for part in ("points", "sizes", "ranks"):
        np.testing.assert_array_equal(*(getattr(one, part) for one in found), strict=True)


def test_lanes_are_drawn_by_their_ends() -> None:
    """Six straight lanes recorded every second are a few points each on the map."""
    [layer] = survey(site(field(20, 30)), [outing("a", WALK)]).layers.outings
    [walk], [whole] = layer.drawn, layer.walks
    assert 6 <= len(walk.points) < 120 < 400 < sum(map(len, whole.lines))
    assert walk.points[:, 1].max() == pytest.approx(28, abs=0.2)
