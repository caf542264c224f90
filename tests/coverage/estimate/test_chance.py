"""How likely the coil passed a place, and how sure a missed strip is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from recordings import field, fixes, item, outing, serpentine, site, swing
from site_walks import draw_site
from sites import told

from fieldcomb.coverage.actions.outputs import make_outputs
from fieldcomb.coverage.estimate.chance import REDRAWS, Chance, _gauss_markov, calibrated, drifts, redraw, redrawn
from fieldcomb.coverage.estimate.confidence import found_from_m, rated, told_unswept
from fieldcomb.coverage.gear.coils import parse_coil
from fieldcomb.coverage.gear.receivers import receiver
from fieldcomb.coverage.gear.swing import make_swing
from fieldcomb.coverage.ground.ground_results import Strip
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.survey.results import Result
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.tracks.motion.legs import SearchPath

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
    assert chance is not None and chance.placed and result.report.total.estimate.strips_placed
    known = ~np.isnan(chance.cells)
    assert 100 * chance.cells[known].mean() == pytest.approx(result.report.total.swept_pct, abs=0.1)
    wide = [strip for strip in result.report.strips if strip.width_m > 1 and strip.length_m > 4]
    assert wide and all(strip.tier == "certain" for strip in wide)


def test_the_chances_average_to_the_estimate() -> None:
    """Over the whole site the mean chance is the estimated percentage, whatever the receiver."""
    for gps in ("good", "typical", "poor"):
        result = surveyed(gps)
        chance = result.layers.chance
        assert chance is not None and result.report.total.estimate.pct is not None and not chance.placed
        assert 100 * np.nanmean(chance.cells) == pytest.approx(result.report.total.estimate.pct, abs=0.3)


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


def test_without_a_boundary_the_ground_between_the_walks_is_estimated() -> None:
    """Without a boundary there is an estimate of the ground between the walks, a chance map, and pieces with a tier."""
    lanes = fixes(serpentine(20, 39, 1.5, skip=tuple(range(8, 14))))
    result = survey(site(), [outing("2026-02-02a", item(lanes, swing()))])
    estimate, chance = result.report.total.estimate, result.layers.chance
    assert result.report.site.boundary == "from walks" and estimate.pct is not None and chance is not None
    assert 100 * np.nanmean(chance.cells) == pytest.approx(estimate.pct, abs=0.3)
    assert all(strip.confidence is not None for strip in result.report.strips)
    assert any(strip.tier for strip in result.report.strips) and "chance.tif" in make_outputs(result)


def test_ground_too_small_has_no_chance() -> None:
    """On less than 400 m2 nothing is estimated: no chances, no tiers, and the reason is told."""
    lanes = fixes(serpentine(10, 19, 1.5))
    result = survey(site(), [outing("2026-02-02a", item(lanes, swing()))])
    assert result.layers.chance is None and result.report.total.estimate.reason
    assert all(strip.tier is None and strip.confidence is None for strip in result.report.strips)
    assert "chance.tif" not in make_outputs(result)


@given(st.lists(st.floats(0, 1), min_size=2, max_size=30), st.floats(0.05, 0.95), st.floats(0.05, 0.95))
def test_calibrated_shares_keep_their_order_and_meet_the_mean(
    shares: list[float], round_it: float, mean: float
) -> None:
    """Shares shifted to a mean have that mean, stay between 0 and 1, and stay in their order."""
    share = np.array(shares)
    told = calibrated(share, np.full(share.size, round_it), np.ones(share.size), mean)
    assert told.mean() == pytest.approx(mean, abs=1e-6) and (told >= 0).all() and (told <= 1).all()
    assert (np.diff(told[np.argsort(share)]) >= -1e-9).all()


def test_chances_follow_what_was_walked_round_a_place() -> None:
    """Of two places that the draws sweep alike, the one with less walked round it has the smaller chance."""
    share, expected = np.full(4, 0.7), np.array([0.9, 0.9, 0.9, 0.3])
    told = calibrated(share, expected, np.ones(4), 0.75)
    assert told[3] < told[0] - 0.1 and told.mean() == pytest.approx(0.75)


def test_pieces_told_as_missed_have_no_high_chance() -> None:
    """Cells of a piece told as 0.6 unswept are at most 0.4 likely to be swept, and the mean is still the one wanted."""
    share, expected, told = np.full(8, 0.9), np.full(8, 0.9), np.where(np.arange(8) < 2, 0.6, 0.0)
    chances = calibrated(share, expected, np.ones(8), 0.7, told)
    assert (chances[:2] <= 0.4 + 1e-9).all() and (chances[2:] > 0.7).all()
    assert chances.mean() == pytest.approx(0.7)


def test_a_piece_told_as_missed_is_shifted_as_a_whole() -> None:
    """Along the boundary the whole share that a piece is told for is left out, most of it where the chances leave most;
    in the field it is all alike, and ground beside pieces, and pieces that are not told, stay as they are.
    """
    cells = np.full((GRID.rows, GRID.cols), 0.9, np.float32)
    x, y = np.meshgrid(*GRID.centres())
    first, second, third = (shapely.box(east, 0, east + 2, 8) for east in (-4, 0, 4))
    inside = [shapely.contains_xy(one, x, y) for one in (first, second, third)]
    cells[inside[0]] = np.where(x[inside[0]] < -3, 0.35, 0.75)
    cells[inside[1]] = 0.02
    cells[(x < -4) | ((y > 8) & (x < 2))] = np.nan
    strip = rate(2.0, "good", 0.8)
    told = [
        replace(strip, shape=first, confidence=0.6, tier="likely"),
        replace(strip, shape=second, confidence=0.9, tier="certain"),
        replace(strip, shape=third, confidence=0.4, tier=None),
    ]
    unswept = told_unswept(told, Chance(GRID, cells, False))
    assert unswept[inside[0]].mean() == pytest.approx(0.6, abs=1e-6)
    west, east = (unswept[inside[0] & (x < -3)], unswept[inside[0] & (x > -3)])
    assert west.min() > 0.65 > 0.6 > east.max() > 0.25 + 0.05
    np.testing.assert_allclose(unswept[inside[1]], 0.06 + 0.9 * 0.9)
    assert not unswept[~(inside[0] | inside[1])].any()


def test_errors_are_as_large_as_told() -> None:
    """Drawn errors have the size of the receiver's class at every moment, and a minute apart they hang together."""
    typical = receiver("typical")
    (drawn,) = drifts([np.arange(0.0, 1200.0)], typical, 6000)
    assert drawn[::100].std() == pytest.approx(typical.sigma_m, rel=0.03)
    slow = np.corrcoef(drawn[0], drawn[60])[0, 1]
    assert 0.5 < slow < 0.95


def test_an_error_goes_on_where_a_walk_is_broken_off() -> None:
    """Errors drawn for a walk in two pieces are those of the same walk in one: they go on from where they were."""
    seconds, kick = np.cumsum(np.arange(40.0)), np.random.default_rng(1).normal(size=(40, 12))
    taus_s = np.array([30.0, 60.0, 900.0])
    whole = _gauss_markov(seconds, taus_s, kick, None, 0.0)
    begun = _gauss_markov(seconds[:15], taus_s, kick[:15], None, 0.0)
    rest = _gauss_markov(seconds[15:], taus_s, kick[15:], begun[-1], float(seconds[14]))
    np.testing.assert_array_equal(whole, np.concatenate([begun, rest]))
    np.testing.assert_array_equal(whole[0], kick[0])
    slowly = np.exp(-(seconds[20] - seconds[19]) / 900)
    np.testing.assert_allclose(whole[20, 2::3], slowly * whole[19, 2::3] + np.sqrt(1 - slowly**2) * kick[20, 2::3])


def test_every_draw_sweeps_about_as_much() -> None:
    """A long lane drawn with other errors still sweeps its length times its swath."""
    way = SearchPath(
        *(np.arange(0.0, 100.0) * k for k in (1, 0, 0.4)), np.zeros(100), np.arange(0.0, 100.0) * 0.4, np.ones(100)
    )
    drawn = redraw([way], 1.5, receiver("good"), Grid(0.5, -40, 140, 200, 80))
    assert drawn.sum(axis=(1, 2)).mean() * 0.25 == pytest.approx(40 * 1.5, rel=0.15)


def test_two_recordings_begun_together_have_errors_of_their_own() -> None:
    """Two people who set out at the same second for the same time are drawn astray each by themselves."""
    seconds = np.arange(0.0, 100.0)
    off = []
    for east_m in (0.0, 8.0):
        way = SearchPath(
            seconds, *(seconds * k + east_m for k in (0, 0.4)), np.full(100, east_m), seconds * 0.4, np.ones(100)
        )
        drawn = redraw([way], 1.5, receiver("typical"), Grid(0.5, int(east_m) - 20, 60, 160, 80))
        columns = np.arange(80)
        off.append([float((mask.sum(axis=0) * columns).sum() / mask.sum()) for mask in drawn])
    assert abs(np.corrcoef(*off)[0, 1]) < 0.6


GRID = Grid(0.5, -10, 30, 40, 40)


def rate(width_m: float, gps: str, unswept: float = 0.5, *, wandering: bool = False) -> Strip:
    """Rate one strip of 10 m of which the chance map takes a share for unswept."""
    strip = Strip(1, "strip", 10 * width_m, 10.0, width_m, width_m, 0.0, (0.0, 0.0), shapely.box(0, 0, width_m, 10))
    chance = Chance(GRID, np.full((GRID.rows, GRID.cols), 1 - unswept, np.float32), False)
    (told,) = rated([strip], chance, receiver(gps), wandering=wandering)
    return told


def sureness(told: Strip) -> float:
    """Confidence of a strip."""
    assert told.confidence is not None
    return told.confidence


def test_what_makes_a_strip_surer() -> None:
    """A strip is surer the more of it the chance map takes for unswept; beside lanes when it is much wider than the
    receiver's error, too.
    """
    usual = sureness(rate(3.5, "good"))
    assert sureness(rate(3.5, "good", 0.7)) > usual > sureness(rate(3.5, "good", 0.3))
    assert sureness(rate(4.5, "good")) > usual > sureness(rate(2.0, "good"))
    assert sureness(rate(3.5, "70cm")) > usual > sureness(rate(3.5, "typical"))
    assert sureness(rate(4.5, "good", wandering=True)) == sureness(rate(2.0, "good", wandering=True))


def test_tiers_go_by_the_chance_that_a_strip_is_there() -> None:
    """Certain from 0.85 on, likely from 0.5 on; never certain with a poor receiver, nor told when too small for it."""
    assert [rate(2.0, "good", unswept).tier for unswept in (0.4, 0.7, 0.9)] == [None, "likely", "certain"]
    assert rate(9.0, "poor", 0.95).tier == "likely"
    assert rate(0.5, "50cm", 0.95).tier is None and rate(0.5, "2cm", 0.95).tier == "certain"


def test_widths_that_can_be_found() -> None:
    """A better receiver finds narrower strips: 1 m at 2 cm, 4.5 m for a good one, none for a poor one."""
    assert [found_from_m(receiver(gps)) for gps in ("2cm", "good", "typical", "poor")] == [1.0, 4.5, 6.5, None]


def test_a_walk_is_drawn_alike_on_any_ground() -> None:
    """What the draws of a walk sweep does not depend on how much ground lies round it."""
    seconds = np.arange(0.0, 200.0)
    way = SearchPath(
        seconds, *(np.cos(seconds / k) * 8 for k in (20, 30)), seconds * 0.1, np.sin(seconds / 9), np.ones(200)
    )
    walk = [way], 1.2, receiver("typical")
    near, wide = Grid(0.5, -60, 60, 120, 160), Grid(0.5, -300, 200, 500, 700)
    part = near.part_of(wide)
    drawn = redrawn(wide, walk)
    whole = np.zeros((REDRAWS, wide.rows, wide.cols), bool)
    whole[:, *drawn.part] = drawn.swept
    np.testing.assert_array_equal(whole[:, *part], redraw(*walk, near))
    assert whole.sum() == whole[:, *part].sum() > 0
    edge = Grid(0.5, 20, 200, 500, 40)  # the walk goes off it on two sides
    np.testing.assert_array_equal(redraw(*walk, edge), redraw(*walk, wide)[:, *edge.part_of(wide)])


def test_the_rim_that_nobody_wandered_over_is_told_as_bare() -> None:
    """On three sites that somebody wound about, the map gives the outer metre, mostly bare, 0.1 too much at most."""
    found = [told(draw_site("winding", seed)) for seed in (61001, 61003, 61005)]
    chance, swept = (np.concatenate([getattr(one, side)[one.rim] for one in found]) for side in ("chance", "swept"))
    assert swept.mean() < 0.2
    assert chance.mean() - swept.mean() < 0.1
