"""Finds on the map: one sign each, shown by kind, period, number, depth or outing."""

from __future__ import annotations

from dataclasses import replace

import pytest
from samples import sample_result

from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.pages.find_signs import FIND_LOOKS, FIND_ROWS, find_items, find_keys
from fieldcomb.coverage.pages.map_page import map_html
from fieldcomb.coverage.survey.results import Report, Result


@pytest.fixture(scope="module")
def result() -> Result:
    """A site with three finds, of which one has no place."""
    plain = sample_result()
    frame = plain.report.site.frame
    at = {"lat_deg": frame.lat_deg, "lon_deg": frame.lon_deg, "error_m": 3.9}
    outing = plain.report.outings[0].head.id
    finds = (
        Find(7, "keep", outing=outing, what="<b>token", number=(61, 66), depth_m=0.12, period="medieval", **at),
        Find(8, "junk", number=(12, 12), from_year=-50, period="Roman", note="a" * 5, **at),
        Find(9, "left"),
    )
    return replace(plain, report=replace(plain.report, finds=finds))


@pytest.fixture
def report(result: Result) -> Report:
    """Its report."""
    return result.report


def test_each_find_with_a_place_is_drawn_with_what_is_known_of_it(report: Report) -> None:
    """The popup has number, depth, period and how well the place is known, and nothing where nothing is known."""
    first, second = find_items(report)
    said = dict(zip(FIND_ROWS, first["said"], strict=False))
    assert first["title"] == "7 <b>token" and said["Number"] == "61-66" and said["Period"] == "medieval"
    assert said["Depth"].split() == ["12", "cm"] and said["Place"].split() == ["about", "4", "m"]
    assert second["said"][-1] == "aaaaa"


def test_finds_can_be_shown_by_five_things(report: Report) -> None:
    """Periods stand by their years, numbers and depths in order, and what is not known comes last."""
    keys = {key.name: key.values for key in find_keys(report)}
    assert list(keys) == ["kind", "period", "target number", "depth", "outing"]
    assert keys["kind"] == (("kept", 1), ("junk", 1))
    assert keys["period"] == (("Roman", 1), ("medieval", 1))
    assert keys["target number"] == (("10-19", 1), ("60-69", 1))
    assert keys["depth"] == (("10-20 cm", 1), ("depth not known", 1))
    assert [name for name, _ in keys["outing"]][-1] == "no outing"
    for item in find_items(report):
        assert all(value < len(values) for value, values in zip(item["of"], keys.values(), strict=True))


def test_no_two_values_look_alike() -> None:
    """The first 42 values of a list differ in shape or colour."""
    assert len(set(FIND_LOOKS)) == len(FIND_LOOKS) == 42


def test_the_page_has_a_tick_and_a_key_for_finds_and_texts_stay_texts(result: Result) -> None:
    """What a user wrote is never read as HTML; without finds nothing of them is on the page."""
    page = map_html(result)
    assert 'data-layer="finds"' in page and 'id="pick-finds"' in page and "<b>token" not in page
    assert 'data-layer="finds"' not in map_html(replace(result, report=replace(result.report, finds=())))
