"""Finds on the map: one sign each, shown by kind, period, number, depth or outing; and circles round hot spots."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from samples import sample_result

from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.pages import colours_patterns as legend
from fieldcomb.coverage.pages.find_signs import FIND_LOOKS, FIND_ROWS, find_items, find_keys, spot_items
from fieldcomb.coverage.pages.map_page import map_html
from fieldcomb.coverage.pages.packing import UNIT_DEG
from fieldcomb.coverage.season.hot_spots import HotSpot, HotSpots
from fieldcomb.coverage.season.season_results import Season
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


SPOTS = HotSpots(
    (
        HotSpot((9, 7, 8), 1.0, 2.0, 1.6, 0.0025, 2.0),
        HotSpot((9, 7, 8), 1.0, 2.0, 1.6, 0.01, 5.0),
        HotSpot((7, 8, 9, 12), 2.0, 2.0, 4.0, 0.02, 10.0),
    ),
    (2.0, 5.0, 10.0, 20.0),
)


def test_a_hot_spot_is_a_circle_round_its_bags_with_its_p(report: Report) -> None:
    """Each is drawn once, whatever scales it has, as a circle of its own radius; a small one lies above a large one."""
    frame = report.site.frame
    wide, small = spot_items(Season(spots=SPOTS), frame)
    said = dict(small["rows"])
    assert said["Bags"] == "7-9" and dict(wide["rows"])["Bags"] == "7-9, 12"
    assert said["p"].replace("\xa0", " ").startswith("0.01: chance lays such a group on 10 of 1,000 sites")
    assert said["Linked at"].replace("\u202f", " ").replace("\xa0", " ") == "2 m and 5 m"
    steps = np.array(small["shape"][0][0]).reshape(-1, 2).cumsum(axis=0) * UNIT_DEG
    x, y = frame.to_metres(steps[:, 1] + frame.lon_deg, steps[:, 0] + frame.lat_deg)
    assert np.hypot(x - 1.0, y - 2.0) == pytest.approx(np.full(x.size, 1.6), abs=0.01)


def test_hot_spots_are_on_the_board_and_in_the_key_only_where_there_are_any(result: Result) -> None:
    """A site without one says nothing of them; one with some has a layer of its own, with a sample of its line."""
    page = map_html(replace(result, report=replace(result.report, season=Season(spots=SPOTS))))
    assert 'data-layer="spots"' in page and legend.swatch("hot-spot") in page
    assert "hot spots: finds closer together than chance (2)" in page
    for season in (None, Season()):
        assert 'data-layer="spots"' not in map_html(replace(result, report=replace(result.report, season=season)))
