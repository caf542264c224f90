"""The share truly swept, estimated from recordings that are metres off."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import shapely
from calibrate import FRAME, Row, estimate, outing_of, site_of
from drift_walks import KINDS, DriftWalk, draw, together_pct
from hypothesis import given
from hypothesis import strategies as st

from fieldcomb.coverage.estimate.effort import effort, path_m, plot_of
from fieldcomb.coverage.estimate.left_out import swept_share
from fieldcomb.coverage.estimate.regularity import (
    CROSSWISE,
    LANES,
    LEAST_SPACINGS,
    WANDERING,
    Pattern,
    Spacings,
    find_spacings,
    in_rings,
    make_stations,
    on_lanes,
    pattern_of,
)
from fieldcomb.coverage.estimate.swept_share import Estimate, Walked, estimates_on, winding
from fieldcomb.coverage.estimate.swept_share import draw as draw_walk
from fieldcomb.coverage.gear.receivers import receiver
from fieldcomb.coverage.raster.grid import grid_over
from fieldcomb.coverage.survey.results import OutingResult
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.tracks.motion.cleaning import clean
from fieldcomb.tracks.motion.legs import SearchPath, make_walk
from fieldcomb.tracks.recording import Floats, Track

CELL_M = 0.25
SEEDS = range(300, 304)


@cache
def walk_of(kind: str, seed: int, gps: str = "typical") -> DriftWalk:
    """A small simulated walk."""
    return draw(kind, seed, gps, hectares=(0.1, 0.12))


@cache
def told(kind: str, seed: int, gps: str = "typical", swath_told: bool = True) -> OutingResult:
    """What the whole program makes of it."""
    return estimate(walk_of(kind, seed, gps), Row(kind, gps, swath_told), CELL_M)


@cache
def walked(kind: str, seed: int, gps: str = "typical") -> tuple[SearchPath, ...]:
    """A walk second by second, as the program reads it."""
    fixes = walk_of(kind, seed, gps).fixes
    lon, lat = FRAME.to_lonlat(fixes.x_m, fixes.y_m)
    track = Track(lon, lat, fixes.t_s, np.zeros(lon.size, np.int32))
    return make_walk(clean([track], FRAME).fixes).ways


@cache
def seen(kind: str, seed: int) -> Pattern:
    """What kind of walk it looks like."""
    return pattern_of(walked(kind, seed), receiver("typical"))


@cache
def alone(kind: str, seed: int) -> Estimate:
    """The estimate without the rest of the report."""
    walk = walk_of(kind, seed)
    grid = grid_over(walk.field.bounds, CELL_M)
    inside = shapely.contains_xy(walk.field, *np.meshgrid(*grid.centres()))
    usual = receiver("typical")
    told = Walked(walked(kind, seed), walk.swath_m, True, usual)
    return estimates_on(inside, grid, [usual]).of_outing([("28cm", told)], lambda coil: inside).estimate


def known(value: float | None) -> float:
    """A number that must be there."""
    assert value is not None
    return value


# ---- how much even and uneven strips sweep ---------------------------------------------------------------------------


def test_random_strips_follow_the_law_of_random_search() -> None:
    """Uneven lanes (kappa 1) sweep 1 - 1/e at effort 1, and .3935 .6321 .7769 .8647 at .5 1 1.5 2 (exp by hand)."""
    share = swept_share(np.array([0.5, 1.0, 1.5, 2.0]), np.ones(4))
    assert share == pytest.approx([0.3935, 0.6321, 0.7769, 0.8647], abs=5e-5)
    assert share[1] == pytest.approx(1 - math.exp(-1), abs=1e-12)


@given(st.floats(0, 5))
def test_even_strips_sweep_all_that_is_walked_up_to_everything(rho: float) -> None:
    """Perfectly even lanes (kappa near 0) sweep as much as was walked, and then everything."""
    assert swept_share(np.array([rho]), np.array([1e-3]))[0] == pytest.approx(min(1.0, rho), abs=2e-3)


@pytest.mark.parametrize("a", [1, 2, 4, 9, 25])
@pytest.mark.parametrize("rho", [0.2, 0.7, 1.0, 1.6, 3.0])
def test_share_agrees_with_the_closed_form_of_the_gamma_function(a: int, rho: float) -> None:
    """For whole a the incomplete gamma function is a finite sum (DLMF 8.4.10); the share from that sum is the same."""

    def upper(n: int, x: float) -> float:
        return math.exp(-x) * sum(x**k / math.factorial(k) for k in range(n))

    by_hand = 1 - upper(a + 1, a * rho) + rho * upper(a, a * rho)
    assert swept_share(np.array([rho]), np.array([a**-0.5]))[0] == pytest.approx(by_hand, abs=1e-12)


@pytest.mark.parametrize("kappa", [0.15, 0.4, 0.9])
def test_share_is_what_strips_of_uneven_spacing_sweep(kappa: float) -> None:
    """A hundred thousand lanes laid at gamma spacings by brute force sweep the share that the formula gives."""
    spacing = np.random.default_rng(4).gamma(kappa**-2, kappa**2, 100_000)
    for rho in (0.6, 1.0, 1.4):
        swept = np.minimum(spacing, rho).sum() / spacing.sum()
        assert swept_share(np.array([rho]), np.array([kappa]))[0] == pytest.approx(swept, abs=0.005)


@given(st.floats(0.05, 4), st.floats(0.05, 1), st.floats(1.01, 2))
def test_more_effort_or_more_even_lanes_never_sweep_less(rho: float, kappa: float, by: float) -> None:
    """More walking sweeps more, up to everything; lanes that are less even sweep less."""
    base, more, uneven = swept_share(np.array([rho, rho * by, rho]), np.array([kappa, kappa, kappa * by]))
    assert 0 <= uneven <= base + 1e-12 <= more + 2e-12 <= 1 + 3e-12


# ---- receivers -------------------------------------------------------------------------------------------------------


def test_a_receiver_told_as_a_length_has_that_much_error_each_way() -> None:
    """Two thirds of fixes within 2 m each way is a standard deviation of 2 m, split as a typical receiver's is."""
    own, usual = receiver("2m"), receiver("typical")
    assert own.sigma_m == pytest.approx(2.0)
    assert own.fast_m / own.slow_m == pytest.approx(usual.fast_m / usual.slow_m)


def test_ninety_five_percent_of_fixes_lie_within_the_radius_that_is_told() -> None:
    """Of 100,000 drawn fixes of a poor receiver, 95 % lie within its R95."""
    off = receiver("poor").sigma_m * np.random.default_rng(2).standard_normal((2, 100_000))
    assert np.mean(np.hypot(*off) <= receiver("poor").r95_m) == pytest.approx(0.95, abs=0.003)


# ---- effort and pattern ----------------------------------------------------------------------------------------------


def boustrophedon(length_m: float, count: int) -> tuple[SearchPath, ...]:
    """Lanes of a few metres, 1.5 m apart, walked at 0.4 m/s with square turns and no error."""
    corners = np.array([(1.5 * k, y) for k in range(count) for y in ((0, length_m) if k % 2 else (length_m, 0))])
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    at = np.arange(0.0, way[-1], 0.4)
    x, y = (np.interp(at, way, corner) for corner in corners.T)
    lon, lat = FRAME.to_lonlat(x, y)
    track = Track(lon, lat, np.arange(at.size, dtype=float), np.zeros(at.size, np.int32))
    return make_walk(clean([track], FRAME).fixes).ways


def test_lanes_of_a_few_metres_are_lanes() -> None:
    """Lanes of 7 m, half of which is turns when they are smoothed, do not pass for wandering."""
    assert pattern_of(boustrophedon(7.0, 14), receiver("typical")).kind == LANES


def test_short_lanes_that_a_watch_bends_are_lanes() -> None:
    """Lanes that smoothing has left as waves lead over their block once, and are lanes; the same waves there and back
    over the same ground are none.
    """
    turn = np.linspace(0, 2 * math.pi, 600)
    across, on = 1.8 * np.sin(10 * turn), 30 * turn / (2 * math.pi)
    way, back = by_hand(on, across), by_hand(on[-1] - on, -across)
    assert pattern_of([way], receiver("typical")).kind == LANES
    assert pattern_of([way, back], receiver("typical")).kind != LANES


def test_turns_of_short_lanes_are_not_cut_off_their_length() -> None:
    """Ten lanes of 10 m with their turns are 113.5 m long, and no more than a tenth of what they sweep is lost."""
    ways = boustrophedon(10.0, 10)
    grid = grid_over((-10, -10, 34, 16), CELL_M)
    everywhere = plot_of(np.ones((grid.rows, grid.cols), bool), grid, 4.0)
    drawn = draw_walk(everywhere, Walked(ways, 1.5, True, receiver("good")))
    swept_m2 = float(drawn.efforts[0].recorded.sum()) * everywhere.cell_m**2 * drawn.scale.mean()
    assert 0.9 < swept_m2 / (1.5 * 113.5) < 1.08


def test_noise_does_not_make_long_lanes_longer() -> None:
    """Lanes of 40 m recorded with quick errors, beside which less smoothing leaves more of the way, stay as long."""
    (way,) = boustrophedon(40.0, 12)
    rng = np.random.default_rng(3)
    quick = np.convolve(rng.standard_normal(way.t_s.size + 8), np.ones(9) / 3, "valid")
    bent = replace(way, x_m=way.x_m + 0.6 * quick, y_m=way.y_m + 0.6 * quick[::-1])
    assert winding([bent], receiver("typical").sigma_m) > 1.05
    grid = grid_over((-10, -10, 34, 50), CELL_M)
    everywhere = plot_of(np.ones((grid.rows, grid.cols), bool), grid, 4.0)
    calm, noisy = (draw_walk(everywhere, Walked([one], 1.5, True, receiver("typical"))) for one in (way, bent))
    assert noisy.scale.mean() == pytest.approx(calm.scale.mean(), rel=0.005)


@pytest.mark.parametrize(("gps", "each", "mean"), [("2cm", 0.04, 0.02), ("typical", None, 0.03)])
def test_path_is_as_long_as_it_was(gps: str, each: float | None, mean: float) -> None:
    """The way searched is as long as the true one: within 4 % each with 2 cm of error, 3 % on average with a watch."""
    ratio = []
    for seed in SEEDS:
        walk = walk_of("lanes", seed, gps).walk
        step = np.hypot(np.diff(walk.x_m), np.diff(walk.y_m))
        ratio.append(sum(path_m(way).sum() for way in walked("lanes", seed, gps)) / step[walk.state[1:] == 0].sum())
    assert np.mean(ratio) == pytest.approx(1.0, abs=mean)
    assert each is None or np.abs(np.array(ratio) - 1).max() <= each


def test_effort_is_kept_and_mirrored_in_at_the_edge() -> None:
    """A line just outside the site counts as just inside; one far outside counts nothing."""
    grid = grid_over((0, 0, 40, 30), 0.5)
    plot = plot_of(np.ones((grid.rows, grid.cols), bool), grid, 4.0)

    def along(y: float) -> float:
        x, one = np.linspace(1, 39, 200), np.ones(200)
        found = effort(plot, [SearchPath(x, x, y * one, x, y * one, one)], [one], 3.0)
        laid = np.zeros(plot.share.shape)
        laid[found.part] = found.mirrored
        assert found.total == pytest.approx(laid.sum())
        return float(laid[plot.inside] @ plot.weight)

    assert along(-1.4) == pytest.approx(along(1.4), rel=0.02) and along(1.4) > 0
    assert along(-3.6) == 0.0
    assert along(15.0) == pytest.approx(200 / 1200, rel=0.02)


@pytest.mark.parametrize("kind", KINDS)
def test_the_kind_of_walk_is_told(kind: str) -> None:
    """Lanes, crosswise lanes and wandering are told apart; a spiral and two fields are lanes."""
    wanted = {"crosswise": CROSSWISE, "wandering": WANDERING}.get(kind, LANES)
    assert [seen(kind, seed).kind for seed in SEEDS[:3]] == [wanted] * 3


@pytest.mark.parametrize("kind", KINDS)
def test_rings_are_told_from_lanes(kind: str) -> None:
    """Only a spiral goes round and round: no walk in lanes, over one field or two, passes for one."""
    assert [in_rings(seen(kind, seed).stations) for seed in SEEDS] == [kind == "spiral"] * len(SEEDS)


def test_lanes_of_a_few_metres_are_no_rings() -> None:
    """Lanes of 7 m, half of which is turns, do not pass for rings."""
    assert not in_rings(make_stations(boustrophedon(7.0, 14)))


def test_straight_lanes_look_more_even_than_ragged_ones() -> None:
    """Where the receiver hides nothing, very straight lanes are told from ragged ones; a watch barely can."""

    def usual(kind: str) -> float:
        patterns = [pattern_of(walked(kind, seed, "2cm"), receiver("2cm")) for seed in SEEDS]
        return float(np.mean([p.kappa @ p.chance for p in patterns]))

    assert usual("straight") < usual("ragged") - 0.3


def by_hand(x_m: Floats, y_m: Floats) -> SearchPath:
    """A walk along a line of points, one a second."""
    step = np.hypot(np.diff(x_m, append=x_m[-1]), np.diff(y_m, append=y_m[-1]))
    return SearchPath(np.arange(x_m.size, dtype=float), x_m, y_m, x_m, y_m, step)


def kept_and_all(way: SearchPath) -> tuple[Spacings, Spacings]:
    """Spacings that count, and all that there are."""
    stations = make_stations([way])
    every = find_spacings(stations)
    return on_lanes(every, stations), every


def test_spacings_in_turns_do_not_count() -> None:
    """Of lanes exactly 1.5 m apart with round turns, every spacing that counts is 1.5 m; those in turns are not."""
    bend = np.linspace(0, np.pi, 9)[1:-1]
    x, y = [], []
    for lane in range(12):
        along = np.arange(0, 30, 0.3)
        out = 0.75 * np.sin(bend)
        up = lane % 2 == 0
        y += [along if up else 30 - along, 30 + out if up else -out]
        x += [np.full(along.size, 1.5 * lane), 1.5 * lane + 0.75 * (1 - np.cos(bend))]
    kept, every = kept_and_all(by_hand(np.concatenate(x), np.concatenate(y)))
    assert np.abs(np.abs(every.across_m) - 1.5).max() > 0.08
    assert np.abs(kept.across_m) == pytest.approx(np.full(kept.first.size, 1.5), abs=0.02)
    assert kept.first.size > 0.6 * every.first.size


def test_rings_of_a_spiral_count() -> None:
    """A spiral never turns back: all its spacings count out to in, down to rings of 5 m."""
    angle = np.arange(0, 2 * np.pi * 6, 0.02)
    radius = 14 - 1.5 * angle / (2 * np.pi)
    kept, every = kept_and_all(by_hand(radius * np.cos(angle), radius * np.sin(angle)))
    assert kept.first.size == every.first.size > 100


def test_few_short_lanes_keep_all_spacings() -> None:
    """Eight lanes of 6 m are little but turns, and leave too few spacings: then all count, rather than none."""
    along = np.arange(0, 6, 0.3)
    y = np.concatenate([along if k % 2 == 0 else 6 - along for k in range(8)])
    kept, every = kept_and_all(by_hand(np.repeat(1.5 * np.arange(8), along.size), y))
    assert kept.first.size == every.first.size >= LEAST_SPACINGS


# ---- estimates -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "ragged"])
def test_the_truth_lies_in_the_interval(kind: str) -> None:
    """Of four walks of each kind the interval holds the truth of three or more, and is no wider than 26 points."""
    found = [alone(kind, seed) for seed in SEEDS]
    truth = [walk_of(kind, seed).true_pct for seed in SEEDS]
    inside = [known(r.low) <= t <= known(r.high) for r, t in zip(found, truth, strict=True)]
    assert sum(inside) >= 3
    assert max(known(r.high) - known(r.low) for r in found) <= 26
    assert not any(r.strips_placed for r in found)


def test_ragged_lanes_read_too_high() -> None:
    """Lanes that nobody kept even read too high, as the page on trust says: two of four truths lie below the interval.

    This holds a weakness in place, so that nobody takes it for mended: a watch cannot tell ragged lanes from usual
    ones. The two are missed by less than half a point.
    """
    found = [alone("ragged", seed) for seed in SEEDS]
    below = [known(r.low) - walk_of("ragged", seed).true_pct for r, seed in zip(found, SEEDS, strict=True)]
    assert max(below) < 0.5 and max(known(r.high) - known(r.low) for r in found) <= 26
    assert not any(r.strips_placed for r in found)


def test_the_estimate_is_nearer_the_truth_than_the_record() -> None:
    """Over lanes and wandering the rms error is less than 0.6 of that of the share as recorded."""
    error, recorded = [], []
    for kind in ("lanes", "wandering"):
        for seed in SEEDS[:2]:
            result, truth = told(kind, seed), walk_of(kind, seed).true_pct
            error.append(known(result.estimate.pct) - truth)
            recorded.append(result.ground.swept_pct - truth)
    assert math.sqrt(np.mean(np.square(error))) <= 0.6 * math.sqrt(np.mean(np.square(recorded)))


@pytest.mark.parametrize("kind", ["lanes", "wandering"])
def test_a_survey_receiver_places_strips(kind: str) -> None:
    """With 2 cm of error strips are where they are drawn, and the estimate is the map, within 1 point of the truth."""
    result = told(kind, 300, "2cm")
    assert result.estimate.strips_placed is True
    assert known(result.estimate.pct) == pytest.approx(result.ground.swept_pct, abs=0.2)
    assert known(result.estimate.pct) == pytest.approx(walk_of(kind, 300, "2cm").true_pct, abs=1.0)
    assert known(result.estimate.low) < known(result.estimate.pct) < known(result.estimate.high)


def test_a_measured_swing_makes_the_interval_narrower() -> None:
    """Not knowing the swing costs points of width."""
    measured, default = told("spiral", 301), told("spiral", 301, "typical", False)
    width = [known(r.estimate.high) - known(r.estimate.low) for r in (measured, default)]
    assert width[0] + 1 < width[1]


def test_the_same_walks_give_the_same_digits_in_any_order() -> None:
    """Twice the same, and outings the other way round, give the same numbers to the last digit."""
    first, second = walk_of("lanes", 300), replace(walk_of("lanes", 300), fixes=walk_of("wandering", 300).fixes)
    outings = [outing_of(first, "a"), outing_of(second, "b")]
    reports = [survey(site_of(first, CELL_M), order).report for order in (outings, outings, outings[::-1])]
    for report in reports[1:]:
        assert report.total == reports[0].total
        estimates = {o.head.id: o.estimate for o in reports[0].outings}
        assert {o.head.id: o.estimate for o in report.outings} == estimates


def test_two_outings_together_sweep_more_than_each() -> None:
    """The total of two walks over one field lies above each of them, and holds the truth of both together."""
    one = walk_of("lanes", 301)
    other = draw("wandering", 302, over=one.field)
    other = replace(other, fixes=replace(other.fixes, t_s=other.fixes.t_s + 86_400))
    report = survey(site_of(one, CELL_M), [outing_of(one, "a"), outing_of(other, "b")]).report
    assert known(report.total.estimate.pct) > max(known(o.estimate.pct) for o in report.outings)
    assert known(report.total.estimate.low) <= together_pct([one, other]) <= known(report.total.estimate.high)
    assert report.coils[0].estimate.pct == report.total.estimate.pct


def test_no_estimate_without_times_or_enough_walking() -> None:
    """Where nothing can be told, there are no numbers but a reason in words."""
    one = walk_of("lanes", 300)
    untimed = replace(one, fixes=replace(one.fixes, t_s=np.full(one.fixes.t_s.size, np.nan)))
    short = replace(one, fixes=replace(one.fixes, **{k: getattr(one.fixes, k)[:200] for k in ("t_s", "x_m", "y_m")}))
    cases = {
        "no times": survey(site_of(one, CELL_M), [outing_of(untimed)]),
        "fewer than 5 legs": survey(site_of(one, CELL_M), [outing_of(short)]),
    }
    for words, result in cases.items():
        outing = result.report.outings[0]
        assert (outing.estimate.pct, outing.estimate.low, outing.estimate.high) == (None, None, None)
        assert outing.estimate.reason is not None and words in outing.estimate.reason
