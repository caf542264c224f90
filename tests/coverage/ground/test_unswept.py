"""Ground that was not swept: every square metre is of one kind, and what nobody reached is not called missed."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from recordings import START_S, area, field, fixes, item, outing, serpentine, site, swing
from shapely.geometry import box

from fieldcomb.coverage.ground.ground_results import MISSED, NOT_REACHED
from fieldcomb.coverage.outings.inputs import OutingInput
from fieldcomb.coverage.report.report_json import report_json
from fieldcomb.coverage.survey.results import Report
from fieldcomb.coverage.survey.survey import survey

EXACT = replace(swing(), gps="2cm")
DAY_S = 86_400.0


def lanes(name: str, width_m: int, *, x0_m: float = 0.75, skip: tuple[int, ...] = (), day: int = 0) -> OutingInput:
    """Lanes 30 m long and a swath apart, walked with an exact receiver; 20 of them are 30 m wide."""
    count = round(width_m / 1.5)
    walk = fixes(serpentine(count, 30, 1.5, x0_m=x0_m, skip=skip), start_s=START_S + day * DAY_S)
    return outing(name, item(walk, EXACT))


def adds_up(report: Report) -> None:
    """The kinds add up to all ground without a pass, in metres and in report.json to the last digit."""
    unswept = report.total.unswept
    assert unswept is not None
    kinds = ("missed_m2", "not_reached_m2", "other_outings_m2", "not_recorded_m2", "said_walked_m2", "cannot_tell_m2")
    parts = [getattr(unswept, kind) for kind in kinds]
    assert min(parts) >= 0
    assert sum(parts) == pytest.approx(report.total.passes_m2["0"], abs=0.02)
    told = json.loads(report_json(report))["total"]
    assert sum(told["unswept"][kind] for kind in kinds) == pytest.approx(told["passes_m2"]["0"], abs=1e-6)


def test_a_forgotten_lane_is_missed_and_the_rest_of_the_field_not_reached() -> None:
    """Lanes over the west half with one left out: that lane was missed; the east half nobody has reached yet."""
    report = survey(site(field(60, 30)), [lanes("a", 30, skip=(8,))]).report
    unswept = report.total.unswept
    assert unswept is not None
    assert unswept.missed_m2 == pytest.approx(45, abs=3)
    assert unswept.not_reached_m2 == pytest.approx(900, abs=10)
    assert {strip.ground for strip in report.strips if strip.kind == "open"} == {NOT_REACHED}
    assert {place.reason for place in report.places} == {"missed lane", NOT_REACHED}
    adds_up(report)


def test_a_wide_gap_between_two_days_was_missed() -> None:
    """Ground of 6 m between two blocks lies between passes, though it is wide enough for open ground."""
    days = [lanes("a", 24), lanes("b", 24, x0_m=30.75, day=1)]
    report = survey(site(field(54, 30)), days).report
    (gap,) = report.strips
    assert (gap.kind, gap.ground) == ("open", MISSED)
    adds_up(report)


def test_without_an_edge_nothing_is_not_reached() -> None:
    """A site drawn from the walks ends where they end, so what is left in it lies between passes."""
    report = survey(site(), [lanes("a", 30, skip=(8, 9, 10, 11))]).report
    assert report.strips and {strip.ground for strip in report.strips} == {MISSED}
    adds_up(report)


def test_what_an_outing_swept_that_is_not_counted_is_not_missed() -> None:
    """With the east half swept by an outing that is left out, that half is a kind of its own and on no list."""
    whole = replace(site(field(60, 30)), others=(lanes("b", 30, x0_m=30.75, day=1),))
    result = survey(whole, [lanes("a", 30)])
    unswept = result.report.total.unswept
    assert unswept is not None
    assert unswept.other_outings_m2 == pytest.approx(900, abs=10)
    assert result.layers.other_outings.area == pytest.approx(unswept.other_outings_m2, rel=0.01)
    assert result.report.strips == () == result.report.places
    adds_up(result.report)


@pytest.mark.parametrize(("gps", "told"), [("2cm", True), ("typical", False)])
def test_a_lane_left_out_by_an_outing_that_is_not_counted_is_told_if_it_can_be(gps: str, told: bool) -> None:
    """An exact receiver shows that nobody swept the lane; a watch does not, so it is the others' ground."""
    walk = fixes(serpentine(20, 30, 1.5, x0_m=30.75, skip=(8,)), start_s=START_S + DAY_S)
    other = outing("b", item(walk, replace(swing(), gps=gps)))
    report = survey(replace(site(field(60, 30)), others=(other,)), [lanes("a", 30)]).report
    assert bool(report.strips) == told
    assert report.total.unswept is not None
    assert report.total.unswept.other_outings_m2 == pytest.approx(855 if told else 900, abs=10)
    adds_up(report)


def test_an_outing_that_is_not_counted_and_cannot_be_walked_is_told() -> None:
    """Where nobody can say what an outing that is not counted swept, a note says so."""
    walk = fixes(serpentine(5, 30, 1.5))
    lost = replace(walk, lon_deg=np.full_like(walk.lon_deg, np.nan))
    whole = replace(site(field(60, 30)), others=(outing("b", item(lost, EXACT)),))
    notes = survey(whole, [lanes("a", 30)]).report.notes
    assert any("Outing b is not counted, and where it swept is not known" in note for note in notes)


def test_two_outings_compared_tell_nothing_as_missed() -> None:
    """With two of three compared, no strip is missed, and what only the third swept is told as that."""
    days = [lanes("a", 15), lanes("b", 15, x0_m=15.75, day=1), lanes("c", 15, x0_m=30.75, day=2)]
    result = survey(site(field(60, 30)), days, between=("a", "b"))
    unswept = result.report.total.unswept
    assert unswept is not None and result.report.strips == ()
    assert unswept.missed_m2 == 0 == unswept.not_reached_m2
    assert unswept.other_outings_m2 == pytest.approx(450, abs=10)
    assert not any("missed" in note for note in result.report.notes)
    adds_up(result.report)


@settings(max_examples=6, deadline=None)
@given(st.integers(4, 19), st.integers(0, 19), st.booleans(), st.booleans())
def test_every_square_metre_is_of_one_kind(count: int, skip: int, said: bool, exact: bool) -> None:
    """However much was walked, with whatever receiver, and whatever people say of the rest, the kinds add up."""
    how = EXACT if exact else swing()
    walk = fixes(serpentine(count, 30, 1.5, x0_m=0.75, skip=(skip,)))
    ground = (field(40, 30), area(box(20, 5, 38, 25), "walked")) if said else (field(40, 30),)
    report = survey(site(*ground), [outing("a", item(walk, how))]).report
    adds_up(report)
    unswept = report.total.unswept
    assert unswept is not None
    assert unswept.said_walked_m2 == pytest.approx(report.total.said_walked_m2)
    assert unswept.not_recorded_m2 == pytest.approx(report.total.not_recorded_m2)
