"""What the page tells of outings: colours that everybody can tell apart, and ground that came before."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from samples import sample_result

from fieldcomb.coverage.estimate.swept_share import Estimate
from fieldcomb.coverage.pages import colours_patterns as legend
from fieldcomb.coverage.pages.outing_data import UNNAMED, outing_data, walk_names
from fieldcomb.coverage.pages.overlay import earlier_passes
from fieldcomb.coverage.pages.typeset import NARROW
from fieldcomb.coverage.raster.cells import OUTSIDE

# Machado, Oliveira and Fernandes 2009, "A Physiologically-based Model for Simulation of Color Vision Deficiency",
# table 1 at severity 1.0; they act on linear RGB.
SIGHT = {
    "all": np.eye(3),
    "no red": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "no green": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "no blue": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
# sRGB (IEC 61966-2-1) to XYZ, and its white.
XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)
WHITE = np.array([0.95047, 1.0, 1.08883])
APART = 16.0  # CIE 1976 colour difference; 2.3 is just seen side by side


def seen(colour: str, by: str) -> np.ndarray:
    """Return a colour as such eyes see it, in CIE L*a*b*."""
    rgb = np.array([int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)])
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    xyz = XYZ @ np.clip(np.asarray(SIGHT[by]) @ linear, 0, 1) / WHITE
    f = np.where(xyz > 216 / 24389, np.cbrt(xyz), (24389 / 27 * xyz + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("by", SIGHT)
@pytest.mark.parametrize(
    "colours",
    [
        legend.LINE_COLOURS,
        legend.DIFFERENCE_COLOURS,
        (*legend.PASS_COLOURS, legend.MISSED),
        legend.CHANCE_COLOURS,
        legend.PAIR_COLOURS,
        legend.SEARCHED_COLOURS[:3],
    ],
    ids=["walks", "compared", "passes and missed", "chance", "two coils", "searched for"],
)
def test_colours_that_must_part_do_so_for_all_eyes(colours: tuple[str, ...], by: str) -> None:
    """Colours that stand side by side differ clearly, also for those who lack one of the three kinds of cones."""
    for one, other in combinations(colours, 2):
        assert np.linalg.norm(seen(one, by) - seen(other, by)) > APART, (one, other)


def test_the_simulation_of_colour_blind_sight_is_as_published() -> None:
    """White and black stay what they are for all eyes, and red and green of one lightness come close without red."""
    for by in SIGHT:
        assert np.allclose(seen("#ffffff", by), [100, 0, 0], atol=0.1) and np.allclose(seen("#000000", by), 0, atol=0.1)
    apart = {by: np.linalg.norm(seen("#b84a4a", by) - seen("#6a7a2a", by)) for by in SIGHT}
    assert apart["all"] > 55 and apart["no green"] < 25


def test_walks_are_told_apart_by_what_differs() -> None:
    """Walks can be coloured by outing, coil and person; by what is the same for all of them they cannot."""
    result = sample_result()
    names = walk_names(result.report, result.layers.outings)
    assert names.coil == ("28cm", "small") and names.person == (UNNAMED, "J. K.", "R. S.")
    assert list(names.by) == ["outing", "coil", "person"]
    alone = walk_names(result.report, result.layers.outings[:1])
    assert alone.by == {}


def test_an_outing_says_how_much_was_searched_after_it() -> None:
    """After each outing stands the estimate where there is one, else the share as recorded."""
    result = sample_result()
    first, *rest = result.report.outings
    report = replace(result.report, outings=(replace(first, so_far=Estimate(31.2, 27.6, 34.4, None, None)), *rest))
    told = [one["soFar"].replace(NARROW, " ") for one in outing_data(report, result.layers.outings)]
    assert told[0] == "about 31 % (28-34)"
    assert all(text.endswith(" % as recorded") for text in told[1:])


def test_ground_before_the_drawn_outings_is_what_is_left_of_all_passes() -> None:
    """All passes are those of outings that have rasters and of all before them; what is not the site stays so."""
    layers = sample_result().layers
    whole = earlier_passes(layers.passes, layers.grid, ())
    assert np.array_equal(whole, layers.passes)
    rest = earlier_passes(layers.passes, layers.grid, layers.outings[1:])
    first = layers.outings[0]
    assert first.grid is not None and first.passes is not None
    expected = np.where(layers.passes == OUTSIDE, OUTSIDE, 0).astype(np.uint8)
    expected[first.grid.part_of(layers.grid)] = first.passes[layers.grid.part_of(first.grid)]
    assert np.array_equal(rest, expected)
