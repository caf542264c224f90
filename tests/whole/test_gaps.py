"""Ground left out between lanes: told where it is, and how the telling is measured."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import shapely
from calibrate import outing_of, site_of
from gap_walks import GapWalk, axes, draw_gaps, found, moved, recorded, true, unswept_between, unswept_in_place
from truth import swept_at

from fieldcomb.coverage.ground.ground_results import Strip
from fieldcomb.coverage.survey.survey import survey

SEEDS = range(700, 705)


@cache
def gap_walk(seed: int, gps: str, gap_m: float) -> GapWalk:
    """A walk with two gaps."""
    return draw_gaps(seed, gps, gap_m)


@cache
def told(seed: int, gps: str, gap_m: float) -> tuple[Strip, ...]:
    """Strips that the program tells as certain or likely."""
    walk = gap_walk(seed, gps, gap_m).walk
    return tuple(s for s in survey(site_of(walk, 0.1), [outing_of(walk)]).report.strips if s.tier)


# ------------------------------------------------------------------------------------------------------------ measuring


@pytest.mark.parametrize("gap_m", [1.5, 4.5])
def test_a_gap_is_as_wide_as_it_was_drawn(gap_m: float) -> None:
    """The middle of a gap was truly not swept, and it is as wide on average as was asked for."""
    widths = []
    for seed in SEEDS:
        of = gap_walk(seed, "2cm", gap_m)
        for middle in of.gaps:
            off = np.arange(-gap_m - 1, gap_m + 1, 0.05)
            places = (middle[:, None] + off[None, :, None] * axes(of.bearing_deg)[1]).reshape(-1, 2)
            swept = swept_at(of.walk.walk, of.walk.swath_m, places).reshape(len(middle), off.size)
            at = off.size // 2
            for row in swept[~swept[:, at]]:
                before, after = np.flatnonzero(row[:at]), np.flatnonzero(row[at:])
                widths.append((at + after[0] - before[-1] - 1) * 0.05)
            assert (~swept[:, at]).mean() > 0.9
    assert np.mean(widths) == pytest.approx(gap_m, abs=0.25)


def test_moved_with_its_passes_ground_lands_between_them() -> None:
    """A point halfway between two recorded passes lands halfway between the places truly walked at those moments."""
    of = gap_walk(700, "typical", 4.5)
    middle = of.gaps[0]
    there, known = moved(middle, of.bearing_deg, true(of), recorded(of), of.walk.field)
    back, _ = moved(there, of.bearing_deg, recorded(of), true(of), of.walk.field)
    assert known.mean() > 0.9
    off = np.hypot(*(back - middle)[known].T)
    assert np.hypot(*(there - middle)[known].T).mean() > 0.5 and np.median(off) < 0.25


def test_with_an_exact_receiver_both_places_are_the_same() -> None:
    """With positions to 2 cm ground is between its two passes where it is drawn."""
    of = gap_walk(701, "2cm", 1.5)
    shapes = [s.shape for s in told(701, "2cm", 1.5)]
    place = unswept_in_place(of, shapes)
    assert unswept_between(of, [(shape, None) for shape in shapes]) == pytest.approx(place, abs=0.1)
    nowhere = shapely.box(500, 500, 501, 501)
    assert found(of, [nowhere]) == [(0.0, 0.0)] * 2 and found(of, [of.walk.field]) == [(1.0, 1.0)] * 2


# ----------------------------------------------------------------------------------------------------------------- told


@pytest.mark.parametrize("gap_m", [1.0, 1.5])
def test_with_an_exact_receiver_every_gap_is_certain(gap_m: float) -> None:
    """With positions to 2 cm each gap of 1 m or more is found, and certain pieces, slivers too, are unswept."""
    for seed in SEEDS[:2]:
        of, strips = gap_walk(seed, "2cm", gap_m), told(seed, "2cm", gap_m)
        assert all(min(shares) >= 0.5 for shares in found(of, [s.shape for s in strips if s.tier == "certain"]))
        assert (unswept_in_place(of, [s.shape for s in strips]) >= 0.5).mean() >= 0.95


@pytest.mark.parametrize(("gps", "gap_m", "least"), [("good", 4.5, 9), ("typical", 6.0, 7)])
def test_wide_gaps_are_found_and_certain_ones_are_there(gps: str, gap_m: float, least: int) -> None:
    """Of ten gaps of three or four lanes most are found, and of the certain pieces most are unswept.

    That holds at the place drawn and between the same two passes.
    """
    gaps, place, between = [], [], []
    for seed in SEEDS:
        of, strips = gap_walk(seed, gps, gap_m), told(seed, gps, gap_m)
        gaps += found(of, [s.shape for s in strips])
        sure = [s for s in strips if s.tier == "certain"]
        place += list(unswept_in_place(of, [s.shape for s in sure]) >= 0.5)
        between += list(unswept_between(of, [(s.shape, s.bearing_deg) for s in sure]) >= 0.5)
    assert (np.array(gaps) >= 0.5).sum(axis=0).min() >= least
    assert len(place) >= 5 and np.mean(place) >= 0.85 and np.mean(between) >= 0.85


def test_with_a_poor_receiver_no_gap_is_certain() -> None:
    """However wide a gap is, with a poor receiver nothing is certain."""
    assert not any(s.tier == "certain" for seed in SEEDS[:3] for s in told(seed, "poor", 6.0))
