"""Lanes in a whole report: they take the place of the walk along them, and add up with every other walk."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
import shapely
from lane_walks import recorded_lanes, walked_way
from recordings import DAY_S, FRAME, START_S, area, fixes, item, outing, serpentine, site
from shapely.geometry import Polygon, box

from fieldcomb.coverage.gear.coils import Coil
from fieldcomb.coverage.gear.swing import Swing
from fieldcomb.coverage.lanes.declared import DeclaredPlan
from fieldcomb.coverage.lanes.lane_plan import Lane, plan_lanes
from fieldcomb.coverage.lanes.sheet import NO, PART, YES, LaneTimes
from fieldcomb.coverage.outings.inputs import OutingInput
from fieldcomb.coverage.raster.blocks import cells_at
from fieldcomb.coverage.report.answer import answer, citation
from fieldcomb.coverage.report.report_json import report_json
from fieldcomb.coverage.survey.results import Result
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.tracks.marks.vocabulary import Mark
from fieldcomb.tracks.recording import Track

FIELD = box(0, 0, 36, 40)
SWATH_M, SPACING_M = 1.5, 1.2


def plan(ground: Polygon = FIELD, said: dict[int, str] | None = None, name: str = "1") -> DeclaredPlan:
    """A plan all of whose lanes were walked but those named."""
    lanes = plan_lanes(ground, SWATH_M, SPACING_M, 0.0)
    states = {lane.number: (said or {}).get(lane.number, YES) for lane in lanes.lanes}
    return DeclaredPlan(name, "small", lanes.lanes, SPACING_M, SWATH_M, 0.0, states)


def swung(coil: str, swath_m: float = SWATH_M, gps: str = "typical") -> Swing:
    """A coil as it is swung."""
    return Swing(Coil(coil, 0.28, 0.28), swath_m, 1.0, gps, True, False)


def on_lanes(
    lanes: list[Lane], day: int, seed: int = 5, gps: str = "typical", errors: str = "", marked: tuple[int, ...] = ()
) -> OutingInput:
    """An outing along lanes, with the errors of a receiver; the numbers of some lanes are marked in their middle."""
    rng = np.random.default_rng(seed)
    walk = recorded_lanes([walked_way(lane, rng) for lane in lanes], errors or gps, rng)
    lon, lat = FRAME.to_lonlat(walk.x_m, walk.y_m)
    time_s = walk.t_s + START_S + day * DAY_S
    track = Track(lon, lat, time_s, np.zeros(lon.size, np.int32))
    marks = []
    for lane in lanes:
        if lane.number in marked:
            x_m, y_m = lane.at(lane.span_m / 2)
            at_s = float(time_s[np.argmin(np.hypot(walk.x_m - x_m, walk.y_m - y_m))])
            marks.append(Mark("lane", "", lane.number, None, f"lane {lane.number}", at_s, None, None, "waypoint"))
    return outing(f"day {day}", item(track, swung("small", gps=gps), f"{day}.gpx", marks=tuple(marks)))


def walked(of: DeclaredPlan) -> list[Lane]:
    """The lanes of a plan that were walked."""
    return [lane for lane in of.lanes if of.states.get(lane.number) == YES]


def across(day: int, ground: Polygon = FIELD, coil: str = "large", swath_m: float = 2.4) -> OutingInput:
    """An outing with another coil, walked without a plan over all of some ground with even lanes a swath apart."""
    left, low, right, high = ground.bounds
    count = round((right - left) / swath_m)
    places = serpentine(count, high - low, swath_m, x0_m=left + swath_m / 2, y0_m=low)
    track = fixes(places, start_s=START_S + day * DAY_S)
    return outing(f"day {day}", item(track, swung(coil, swath_m), f"{day}.gpx"))


def told(*outings: OutingInput, lanes: tuple[DeclaredPlan, ...] = (), ground: Polygon = FIELD) -> Result:
    """The report of a site."""
    return survey(replace(site(area(ground)), lanes=lanes), list(outings))


def mean_chance(result: Result, ground: Polygon) -> float:
    """Mean of the chance map over some ground, in percent."""
    assert result.layers.chance is not None
    left, low, right, high = ground.bounds
    x, y = (part.ravel() for part in np.meshgrid(np.arange(left + 0.05, right, 0.1), np.arange(low + 0.05, high, 0.1)))
    return 100 * float(np.mean(result.layers.chance.cells[cells_at(result.layers.chance.grid, x, y)]))


@pytest.fixture(scope="module")
def all_lanes() -> tuple[DeclaredPlan, Result]:
    """A field that is one plan, walked with a typical watch but for lanes 7 and 20, and a sheet that says so."""
    known = plan(said={7: NO, 20: NO})
    return known, told(on_lanes(walked(known), 1), lanes=(known,))


def test_lanes_left_out_on_the_sheet_are_the_missed_strips(all_lanes: tuple[DeclaredPlan, Result]) -> None:
    """From a watch that is metres off: lanes 7 and 20 are the strips, certain, each where it was set out."""
    known, result = all_lanes
    strips = {strip.lanes: strip for strip in result.report.strips}
    assert set(strips) == {"lane 7 of plan 1", "lane 20 of plan 1"}
    for number in (7, 20):
        strip, lane = strips[f"lane {number} of plan 1"], known.lanes[number - 1]
        assert strip.tier == "certain" and strip.ground == "missed between passes"
        assert strip.shape.centroid.x == pytest.approx(lane.start_m[0], abs=0.01)
        assert strip.width_m == pytest.approx(2 * SPACING_M - SWATH_M, abs=0.01)


def test_the_share_of_a_field_of_lanes_is_known_by_lanes(all_lanes: tuple[DeclaredPlan, Result]) -> None:
    """The interval is 6 points or less, outing, growth and total agree, and the answer says that it is by lanes."""
    _, result = all_lanes
    report = result.report
    total, [one] = report.total.estimate, report.outings
    assert total.pct is not None and total.low is not None and total.high is not None
    assert total.high - total.low <= 6 and total.by == "lanes" and total.all_by_lanes
    assert one.so_far == replace(total, strips_placed=None) and one.estimate == total
    assert total.pct == pytest.approx(report.lanes[0].of_site_pct, abs=0.2)
    assert answer(report).searched.endswith("of the site, by lanes") and "numbered lanes" in citation(report)
    assert answer(report).go_next.startswith("lanes 7 and 20 of plan 1")


def test_the_chance_map_has_the_share_as_its_mean(all_lanes: tuple[DeclaredPlan, Result]) -> None:
    """Its mean over the field is the estimate, and it is low on the lanes left out alone."""
    known, result = all_lanes
    assert result.report.total.estimate.pct == pytest.approx(mean_chance(result, FIELD), abs=0.05)
    middle = SPACING_M - SWATH_M / 2
    gap, swept = (
        mean_chance(result, box(lane.start_m[0] - middle / 2, 2, lane.start_m[0] + middle / 2, 38))
        for lane in (known.lanes[6], known.lanes[11])
    )
    assert gap < 35 and swept > 95


def test_no_lanes_change_nothing() -> None:
    """A plan of which nothing is known gives the same report as no plan at all, but for its name among those ahead."""
    walk = across(1)
    silent = replace(plan(), states={})
    with_plan, without = told(walk, lanes=(silent,)), told(walk)
    assert [plan.name for plan in with_plan.report.plans_ahead] == [silent.name]
    assert report_json(replace(with_plan.report, plans_ahead=())) == report_json(without.report)
    assert with_plan.report.total.estimate.by == "effort"
    maps = [one.layers.chance.cells for one in (with_plan, without) if one.layers.chance is not None]
    assert len(maps) == 2 and np.array_equal(*maps, equal_nan=True)


def test_a_second_coil_along_lanes_makes_no_ground_missed_that_was_swept_before() -> None:
    """Lanes over ground that another coil swept only add to the share, however many of them were left out."""
    before = told(across(1)).report.total.estimate.pct
    known = plan(said=dict.fromkeys(range(5, 15), NO))
    after = told(across(1), on_lanes(walked(known), 2), lanes=(known,))
    assert before is not None and after.report.total.estimate.pct is not None
    assert after.report.total.estimate.pct >= before
    assert [one.estimate.by for one in after.report.outings] == ["effort", "lanes"]
    told_m2 = sum(strip.area_m2 for strip in after.report.strips if strip.lanes)
    assert told_m2 < 0.05 * 10 * SPACING_M * 40


def test_a_mixed_site_adds_up() -> None:
    """Half of a site by lanes and half by effort: the share is the mean of both halves, between their intervals."""
    west, east = box(0, 0, 18, 40), box(18, 0, 36, 40)
    known = plan(west, said={4: NO})
    lanes, walk = on_lanes(walked(known), 1), across(2, box(20, 1, 34, 39), swath_m=2.0)
    both = told(walk, lanes, lanes=(known,)).report.total.estimate
    by_lanes = told(lanes, lanes=(known,), ground=west).report.total.estimate
    by_effort = told(walk, ground=east).report.total.estimate
    assert both.pct == pytest.approx((by_lanes.pct + by_effort.pct) / 2, abs=1.5)  # type: ignore[operator]
    widths = [one.high - one.low for one in (by_lanes, by_effort, both)]  # type: ignore[operator]
    assert widths[2] < (widths[0] + widths[1]) / 2
    assert both.by_lanes_pct == pytest.approx(by_lanes.pct / 2, abs=1)  # type: ignore[operator]
    assert both.by == "lanes" and not both.all_by_lanes


def test_a_plan_walked_on_two_days_grows_day_by_day() -> None:
    """Each day has the lanes that it walked: about half the field after the first, all of it after the second."""
    known = plan()
    half = len(known.lanes) // 2
    days = [on_lanes(list(known.lanes[:half]), 1, 5), on_lanes(list(known.lanes[half:]), 2, 6)]
    first, second = told(*days, lanes=(known,)).report.outings
    assert first.estimate.by == second.estimate.by == "lanes"
    assert first.so_far is not None and first.so_far.pct == pytest.approx(50, abs=6)
    assert second.so_far is not None and second.so_far.pct is not None and second.so_far.pct > 92


def test_an_earlier_walk_along_the_lanes_counts_as_it_was_recorded() -> None:
    """Of two walks in the same direction, the later one was that on the plan; the earlier one adds to the share."""
    known = plan(said=dict.fromkeys(range(1, 16), NO))
    earlier, later = on_lanes(list(known.lanes[:15]), 1, 7), on_lanes(walked(known), 2, 8)
    first, second = told(earlier, later, lanes=(known,)).report.outings
    assert (first.estimate.by, second.estimate.by) == ("effort", "lanes")


def test_times_on_the_sheet_say_whose_walk_it_was() -> None:
    """Of two walks along the lanes with the same coil, that at the times of the sheet is the walk on the plan."""
    known = plan(said={7: NO})
    both = on_lanes(walked(known), 1, 7), on_lanes(walked(known), 2, 8)
    for day, by in ((1, ["lanes", "effort"]), (2, ["effort", "lanes"])):
        begun = datetime.fromtimestamp(START_S + day * DAY_S + 600, UTC).strftime("%Y-%m-%dT%H:%M")
        dated = replace(known, times={3: LaneTimes(begun)})
        assert [one.estimate.by for one in told(*both, lanes=(dated,)).report.outings] == by


def test_a_receiver_good_to_centimetres_counts_before_lanes() -> None:
    """Where the recording places lanes, it is the recording that counts, and its strips are those of the map."""
    known = plan(said={7: NO})
    report = told(on_lanes(walked(known), 1, gps="2cm"), lanes=(known,)).report
    assert report.total.estimate.by == "position" and not any(strip.lanes for strip in report.strips)
    assert report.strips and all(strip.tier == "certain" for strip in report.strips[:1])


def test_a_sheet_counts_without_any_recording_of_its_lanes() -> None:
    """Lanes that were ticked, but recorded by nobody, are swept ground all the same."""
    west = box(0, 0, 18, 40)
    walk = across(1, box(18, 0, 36, 40))
    without, with_sheet = told(walk), told(walk, lanes=(plan(west),))
    shares = [one.report.total.estimate.pct or 0.0 for one in (without, with_sheet)]
    assert shares[1] > shares[0] + 35
    assert mean_chance(with_sheet, west) > 90 and mean_chance(without, west) < 10


def test_a_lane_in_part_is_likely_missed_and_blanks_between_ticks_were_not_walked() -> None:
    """`part` is told as likely, a blank between ticks as certain, and of a block of blanks nothing is told."""
    known = plan(said={8: PART})
    states = {number: said for number, said in known.states.items() if number != 14 and number < 22}
    known = replace(known, states=states)
    lanes = [lane for lane in known.lanes if states.get(lane.number) == YES]
    report = told(on_lanes(lanes, 1), lanes=(known,)).report
    tiers = {strip.lanes: strip.tier for strip in report.strips if strip.lanes}
    assert tiers == {"lane 8 of plan 1": "likely", "lane 14 of plan 1": "certain"}


def test_unswept_ground_still_adds_up(all_lanes: tuple[DeclaredPlan, Result]) -> None:
    """Missed, not reached and what cannot be told are together all that lanes and recordings left."""
    _, result = all_lanes
    left = result.report.total.unswept
    assert left is not None
    parts = (left.missed_m2, left.not_reached_m2, left.other_outings_m2, left.not_recorded_m2, left.said_walked_m2)
    assert sum(parts) + left.cannot_tell_m2 == pytest.approx(left.whole)
    gaps = shapely.union_all([strip.shape for strip in result.report.strips if strip.lanes]).area
    assert left.missed_m2 == pytest.approx(gaps, rel=0.01)


def test_a_lane_that_no_recording_comes_near_is_told_and_still_counts() -> None:
    """The sheet says that all lanes were walked, the recording ends 15 lanes before the last: those are named."""
    known = plan()
    report = told(on_lanes(list(known.lanes[:-15]), 1), lanes=(known,)).report
    [note] = [note for note in report.notes if "no recording was near" in note]
    assert note.startswith("Plan 1: lanes ") and f"-{len(known.lanes)} count" in note
    assert report.total.estimate.pct is not None and report.total.estimate.pct > 90


def test_a_plan_walked_with_another_coil_is_told() -> None:
    """A plan for another coil takes the place of a walk that marked its numbers, and the report says so.

    Without any mark such a walk is one more search of the ground.
    """
    known = replace(plan(), coil="large")
    outings = [on_lanes(walked(known), 1, errors="2cm", marked=marked) for marked in ((5, 10, 15, 20, 25), ())]
    with_marks, without = (told(one, lanes=(known,)).report for one in outings)
    assert any("walked it with small" in note for note in with_marks.notes)
    assert (with_marks.outings[0].estimate.by, without.outings[0].estimate.by) == ("lanes", "effort")


def test_marks_alone_tell_of_lanes_by_their_chance() -> None:
    """Without a sheet each lane counts by the chance that the walk shows: lanes left out are low, the share is near."""
    known = replace(plan(), states={})
    lanes = [lane for lane in known.lanes if lane.number not in (7, 20)]
    numbers = tuple(range(1, len(known.lanes) + 1, 2))
    report = told(on_lanes(lanes, 1, errors="2cm", marked=numbers), lanes=(known,)).report
    estimate = report.total.estimate
    assert estimate.by == "lanes" and estimate.pct == pytest.approx(100 - 2 * 100 * 0.9 / 36, abs=4)
    assert {strip.lanes for strip in report.strips if strip.lanes} <= {f"lane {n} of plan 1" for n in (6, 7, 8, 20, 21)}
