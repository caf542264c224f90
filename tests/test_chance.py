"""How likely the coil passed a place, and how sure a missed strip is."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from recordings import field, fixes, item, outing, serpentine, site, swing

from fieldcomb.coverage.chance import calibrated, drifts, redraw
from fieldcomb.coverage.coils import make_swing, parse_coil
from fieldcomb.coverage.confidence import found_from_m, rated
from fieldcomb.coverage.grid import Grid
from fieldcomb.coverage.outputs import make_outputs
from fieldcomb.coverage.position import receiver
from fieldcomb.coverage.results import Result, Strip
from fieldcomb.coverage.survey import survey
from fieldcomb.tracks.legs import Way

FIELD = field(30, 40)


def surveyed(gps: str, skip: tuple[int, ...] = (8, 9, 10)) -> Result:
    """Lanes 1.5 m apart on 30 m x 40 m, some left out, without error; only what is told of the receiver differs."""
    how = make_swing(parse_coil("28cm", {}), 1.5, None, gps)
    lanes = fixes(serpentine(20, 39, 1.5, x0_m=0.75, y0_m=0.5, skip=skip), pace_m_s=0.4)
    return survey(site(FIELD), [outing("2026-02-02a", item(lanes, how))])


def test_with_an_exact_receiver_chance_is_the_map_itself() -> None:
    """With positions to 2 cm the chance of a cell is its swept part, and every missed strip is certain."""
    result = surveyed("2cm")
    chance = result.layers.chance
    assert chance is not None and chance.placed and result.report.total.strips_placed
    known = ~np.isnan(chance.cells)
    assert 100 * chance.cells[known].mean() == pytest.approx(result.report.total.swept_pct, abs=0.1)
    wide = [strip for strip in result.report.strips if strip.width_m > 1 and strip.length_m > 4]
    assert wide and all(strip.tier == "certain" for strip in wide)


def test_the_chances_average_to_the_estimate() -> None:
    """Over the whole site the mean chance is the estimated percentage, whatever the receiver."""
    for gps in ("good", "typical", "poor"):
        result = surveyed(gps)
        chance = result.layers.chance
        assert chance is not None and result.report.total.swept_est_pct is not None and not chance.placed
        assert 100 * np.nanmean(chance.cells) == pytest.approx(result.report.total.swept_est_pct, abs=0.3)


def test_a_poor_receiver_makes_nothing_certain() -> None:
    """With a poor receiver no strip is certain, and the report says that no width of strip can be told."""
    report = surveyed("poor", skip=tuple(range(6, 12))).report
    assert not any(strip.tier == "certain" for strip in report.strips) and report.total.found_from_m is None


def test_a_wide_gap_is_found_and_narrow_ones_are_not_listed() -> None:
    """With a good receiver a gap of 4.5 m is certain or likely; a single lane of 1.5 m is not certain."""
    wide = [strip for strip in surveyed("good").report.strips if strip.area_m2 > 20]
    assert wide and any(strip.tier in ("certain", "likely") for strip in wide)
    assert not any(strip.tier == "certain" for strip in surveyed("good", skip=(8,)).report.strips)


def test_same_walk_same_chances() -> None:
    """The same input gives the same files, byte for byte, chance.tif among them."""
    one, two = make_outputs(surveyed("typical")), make_outputs(surveyed("typical"))
    assert "chance.tif" in one and one == two


def test_no_boundary_no_chance() -> None:
    """Without a boundary nothing is estimated: no chances, no tiers, and the reason is told."""
    lanes = fixes(serpentine(20, 39, 1.5))
    result = survey(site(), [outing("2026-02-02a", item(lanes, swing()))])
    assert result.layers.chance is None and result.report.total.est_reason
    assert all(strip.tier is None and strip.confidence is None for strip in result.report.strips)
    assert "chance.tif" not in make_outputs(result)


@given(st.lists(st.floats(0, 1), min_size=2, max_size=30), st.floats(0.05, 0.95))
def test_calibrated_shares_keep_their_order_and_meet_the_mean(shares: list[float], mean: float) -> None:
    """Shares shifted to a mean have that mean, stay between 0 and 1, and stay in their order."""
    share = np.array(shares)
    told = calibrated(share, np.ones(share.size), mean)
    assert told.mean() == pytest.approx(mean, abs=1e-6) and (told >= 0).all() and (told <= 1).all()
    assert (np.diff(told[np.argsort(share)]) >= -1e-9).all()


def test_errors_are_as_large_as_told() -> None:
    """Drawn errors have the size of the receiver's class at every moment, and a minute apart they hang together."""
    typical = receiver("typical")
    (drawn,) = drifts([np.arange(0.0, 1200.0)], typical, 6000)
    assert drawn[::100].std() == pytest.approx(typical.sigma_m, rel=0.03)
    slow = np.corrcoef(drawn[0], drawn[60])[0, 1]
    assert 0.5 < slow < 0.95


def test_every_draw_sweeps_about_as_much() -> None:
    """A long lane drawn with other errors still sweeps its length times its swath."""
    way = Way(
        *(np.arange(0.0, 100.0) * k for k in (1, 0, 0.4)), np.zeros(100), np.arange(0.0, 100.0) * 0.4, np.ones(100)
    )
    drawn = redraw([way], 1.5, receiver("good"), Grid(0.5, -40, 140, 200, 80))
    assert drawn.sum(axis=(1, 2)).mean() * 0.25 == pytest.approx(40 * 1.5, rel=0.15)


def test_a_strip_that_every_draw_leaves_is_certain() -> None:
    """Left unswept in all draws it is certain, in most likely, in few neither."""
    shape = shapely.box(0, 0, 2, 10)
    strip = Strip(1, "strip", 20.0, 10.0, 2.0, 2.0, 0.0, (0.0, 0.0), shape)
    grid = Grid(0.5, -10, 30, 40, 40)
    union = np.zeros((24, 40, 40), bool)
    (told,) = rated([strip], union, grid, receiver("good"))
    assert told.tier == "certain" and told.confidence is not None and told.confidence > 0.9
    union[:4] = True
    assert rated([strip], union, grid, receiver("good"))[0].tier == "likely"
    union[:12] = True
    assert rated([strip], union, grid, receiver("good"))[0].tier is None
    assert rated([strip], np.zeros_like(union), grid, receiver("poor"))[0].tier == "likely"


def test_widths_that_can_be_found() -> None:
    """A better receiver finds narrower strips: 1 m at 2 cm, 4.5 m for a good one, none for a poor one."""
    assert [found_from_m(receiver(gps)) for gps in ("2cm", "good", "typical", "poor")] == [1.0, 4.5, 6.5, None]
