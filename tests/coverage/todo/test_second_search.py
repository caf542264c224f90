"""A second search with a smaller coil: what is still to do with it, and how much of the junk ground is done."""

from __future__ import annotations

from dataclasses import replace

import pytest
from recordings import START_S, area, field, fixes, item, outing, serpentine, site
from shapely.geometry import box

from fieldcomb.coverage.areas.areas import Area
from fieldcomb.coverage.gear.coils import coil_of_size, own_coil
from fieldcomb.coverage.gear.swing import make_swing
from fieldcomb.coverage.gear.target_ids import NO_RULE
from fieldcomb.coverage.outings.inputs import OutingInput
from fieldcomb.coverage.report.outing_lines import format_junk_done, format_outing
from fieldcomb.coverage.report.summary import summary
from fieldcomb.coverage.survey.results import Result
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.coverage.todo.second_search import NOT_YET_IN_JUNK

LARGE, SMALL = coil_of_size("large", "33cm"), coil_of_size("small", "13x20cm")
JUNK = box(0, 0, 20, 20)
DAY_S = 86_400.0


def walked(name: str, coil: str, low_x: float, high_x: float, day: int, height_m: float = 30.0) -> OutingInput:
    """Lanes to the north from one x to another, a swath apart, with an exact receiver."""
    own, swath_m = (LARGE, 1.5) if coil == "large" else (SMALL, 0.8)
    how = replace(make_swing(own, swath_m, None, None), gps="2cm")
    count = round((high_x - low_x) / swath_m)
    corners = serpentine(count, height_m, swath_m, x0_m=low_x + swath_m / 2)
    return outing(name, item(fixes(corners, start_s=START_S + day * DAY_S), how))


def searched(*outings: OutingInput, per_m2: float = 9.0, in_hand: str | None = None) -> Result:
    """A field of 42 x 30 m, with junk in a corner of 20 x 20 m."""
    junk = Area("junk", "", None, None, area(JUNK).shape, (), per_m2=per_m2)
    own = tuple(own_coil(coil, swath_m, None, None, NO_RULE) for coil, swath_m in ((LARGE, 1.5), (SMALL, 0.8)))
    hand = next((coil for coil in own if coil.coil.name == in_hand), None)
    return survey(replace(site(field(42, 30), junk), coils=own), outings, in_hand=hand)


def test_what_the_large_coil_swept_is_left_for_the_small_one() -> None:
    """All of the field with the large coil, a fifth of the junk with the small: the rest is left."""
    result = searched(walked("a", "large", 0, 42, 0), walked("b", "small", 0, 4, 1, 20.0))
    (pair,) = result.report.coil_pairs
    assert (pair.larger, pair.smaller) == ("large", "small")
    assert pair.junk_m2 == pytest.approx(16 * 20, abs=16)
    assert pair.area_m2 == pytest.approx(42 * 30 - 4 * 20, abs=45)
    assert pair.junk.area == pytest.approx(pair.junk_m2, abs=16)
    assert pair.rest.area + pair.junk.area == pytest.approx(pair.area_m2, abs=16)
    assert pair.junk.intersection(JUNK).area > 0.95 * pair.junk.area
    assert (pair.cells == NOT_YET_IN_JUNK).sum() * pair.grid.cell_m2 == pytest.approx(pair.junk_m2, abs=16)


def test_the_small_coil_makes_progress_in_junk() -> None:
    """Each day with the small coil adds the fifth of the junk ground that it swept, though nothing of it was new."""
    days = [walked(name, "small", 4 * k, 4 * k + 4, k + 1, 20.0) for k, name in enumerate("bc")]
    report = searched(walked("a", "large", 0, 42, 0), *days).report
    first, second = (outing.junk_done[0] for outing in report.outings[1:])
    assert first.done_pct == first.gained_points == pytest.approx(20, abs=2)
    assert second.done_pct == pytest.approx(40, abs=2) and second.gained_points == pytest.approx(20, abs=2)
    assert report.junk_done == (second,) and second.ground_m2 == pytest.approx(400, abs=20)
    assert report.outings[0].junk_done == ()
    line = format_outing(report.outings[2], report)
    assert "small, +" in line and " points of the junk ground, " in line
    assert format_junk_done(second, report).startswith(f"{second.done_pct:.0f} % of the junk ground done, +")
    assert f"small: {format_junk_done(second, report)}" in summary(report)


def test_without_junk_there_is_no_progress_in_it() -> None:
    """Where nothing is known of junk, no share of junk ground is told."""
    report = searched(walked("a", "large", 0, 42, 0), walked("b", "small", 0, 4, 1), per_m2=0.1).report
    assert report.junk_done == () and report.coil_pairs[0].junk_m2 == 0
    assert "junk ground" not in summary(report)


def test_the_list_is_for_the_coil_in_hand() -> None:
    """With the small coil the junk is on the list; with the large one it is not, but is counted as another coil's."""
    day = walked("a", "large", 0, 30, 0)
    small, large = (searched(day, in_hand=coil).report for coil in ("small", "large"))
    assert {place.best.coil for place in small.places} == {"small"}
    assert {place.best.coil for place in large.places} == {"large"}
    assert any(place.reason == "too much junk" for place in small.places) and small.places_for_others == 0
    assert not any(place.reason == "too much junk" for place in large.places) and large.places_for_others == 1
    assert [place.letter for place in small.places] == ["A", "B"]
    gains = [place.best.gain_per_hour for place in small.places]
    assert gains == sorted(gains, reverse=True)  # type: ignore[type-var]
    assert "and 1 place for other coils" in summary(large)


def test_a_coil_that_was_never_used_can_be_in_hand() -> None:
    """A coil that is only a size, and not the site's, gets a list as well."""
    other = own_coil(coil_of_size("40cm", "40cm"), None, None, None, NO_RULE)
    report = survey(site(field(42, 30)), [walked("a", "large", 0, 30, 0)], in_hand=other).report
    assert report.coil_in_hand == "40cm"
    assert [place.best.coil for place in report.places] == ["40cm"]
    assert {worth.coil for worth in report.places[0].worths} == {"large", "40cm"}
