"""Figures by person: hours and ground of each, of those without a recording only that they were there; and citing."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from recordings import START_S, field, fixes, item, outing, serpentine, site

from fieldcomb.coverage.report.answer import citation
from fieldcomb.coverage.report.report_json import report_json
from fieldcomb.coverage.report.table import table
from fieldcomb.coverage.survey.results import Report
from fieldcomb.coverage.survey.survey import survey

DAY_S = 86_400.0


def lanes(searcher: str | None, x0_m: float, day: int = 0) -> object:
    """Ten lanes of 30 m, 1.5 m apart."""
    walk = fixes(serpentine(10, 30, 1.5, x0_m=x0_m + 0.75), start_s=START_S + day * DAY_S)
    return item(walk, file=f"{searcher}-{x0_m}.gpx", searcher=searcher)


def team() -> Report:
    """AB and CD beside each other on one day, EF without a recording; CD alone on another day, on half new ground."""
    first = replace(outing("a", lanes("AB", 0), lanes("CD", 15)), unrecorded=("EF",))  # type: ignore[arg-type]
    second = outing("b", lanes("CD", 22.5, 1))  # type: ignore[arg-type]
    return survey(site(field(40, 30)), [first, second]).report


def test_each_person_has_hours_and_ground() -> None:
    """Ten lanes of 30 m at 0.4 m/s take 13 min and sweep 450 m2; whoever comes twice has both days."""
    ab, cd, ef = team().people
    assert (ab.searcher, ab.outings, ab.not_recorded) == ("AB", 1, 0)
    assert ab.swept_m2 == pytest.approx(450, abs=5) and ab.hours == pytest.approx(10 * 30 / 0.4 / 3600, rel=0.06)
    assert (cd.searcher, cd.outings) == ("CD", 2)
    assert cd.swept_m2 == pytest.approx(900, abs=10) and cd.hours == pytest.approx(2 * (ab.hours or 0), rel=0.01)
    assert (ef.searcher, ef.outings, ef.not_recorded, ef.swept_m2) == ("EF", 0, 1, 0.0)


def test_hours_of_all_people_are_the_hours_of_searching() -> None:
    """What people searched adds up to what outings did."""
    report = team()
    assert sum(one.hours or 0 for one in report.people) == pytest.approx(report.outings[-1].times.total_hours)


def test_table_and_report_json_say_the_same_of_people() -> None:
    """Everybody is in report.json, and in the table in a line each."""
    report = team()
    told = json.loads(report_json(report))["people"]
    assert [one["searcher"] for one in told] == ["AB", "CD", "EF"]
    text = " ".join(table(report).split())
    assert "AB: 13 min of searching, 450 m2 as recorded, in 1 outing" in text
    assert "EF: 1 outing without a recording" in text


def test_where_nobody_is_named_there_are_no_people() -> None:
    """A single user who types no name sees no figures by person."""
    report = survey(site(field(40, 30)), [outing("a", lanes(None, 0))]).report  # type: ignore[arg-type]
    assert "By person" not in table(report)
    assert [one.searcher for one in report.people] == [None]


def test_the_sentence_to_cite_says_all_that_it_rests_on() -> None:
    """Share and interval, area, outings, days, coil, swing, receiver, program and method stand in one sentence."""
    report = team()
    said = citation(report)
    estimate = report.total.estimate
    assert estimate.pct is not None
    parts = (
        f"About {estimate.pct:.0f} % (90 % interval {estimate.low:.0f} to {estimate.high:.0f} %) of 1 200 m2",
        "in 2 outings, 2 to 3 February 2026, with 28cm (swing 1.5 m), receiver typical;",
        "estimated by fieldcomb ",
        "how even the lanes are.",
    )
    assert all(part in said for part in parts), said
    assert said == json.loads(report_json(report))["cite"]
    without = citation(replace(report, total=replace(report.total, estimate=replace(estimate, pct=None))))
    assert "as recorded" in without and "interval" not in without
