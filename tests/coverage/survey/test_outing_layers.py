"""Lines of walks as they are drawn: few points, and nothing that is made of them changes by that."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from recordings import FRAME, field, fixes, item, outing, serpentine, site

from fieldcomb.coverage.pages.packing import pack_walks
from fieldcomb.coverage.survey.outing_layers import DRAWN_WITHIN_M, simplified
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
    """Every line stays within 5 cm of what was walked; the page is that of all fixes."""
    whole = WalkLines("28cm", 1.5, None, tuple(lines))
    [one] = simplified([whole])
    assert len(one.lines) == len(lines)
    for short, line in zip(one.lines, lines, strict=True):
        assert (short[0] == line[0]).all() and (short[-1] == line[-1]).all() and len(short) <= len(line)
        if len(line) > 1:
            away = shapely.LineString(np.repeat(short, 1 + (len(short) == 1), axis=0))
            assert shapely.distance(away, shapely.points(line)).max() <= DRAWN_WITHIN_M + 1e-9
    page, of_all = (pack_walks(FRAME, [OutingLayer("a", None, None, None, (w,), ())]) for w in (one, whole))
    assert page == of_all


def test_lanes_are_drawn_by_their_ends() -> None:
    """Six straight lanes recorded every second are a few points each on the map."""
    [layer] = survey(site(field(20, 30)), [outing("a", WALK)]).layers.outings
    [walk], [whole] = layer.drawn, layer.walks
    assert 6 <= sum(map(len, walk.lines)) < 120 < 400 < sum(map(len, whole.lines))
    assert max(y for line in walk.lines for y in line[:, 1]) == pytest.approx(28, abs=0.2)
