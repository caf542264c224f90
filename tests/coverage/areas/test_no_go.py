"""Areas with dates, ground that nobody may search, and ground that people say they walked."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from recordings import DAY_S, FRAME, START_S, area, field, fixes, item, outing, part, serpentine, site
from scipy.stats import rayleigh
from shapely.geometry import Polygon, box
from small_walks import square, walk

from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.areas.areas import Area, areas_geojson, place_areas, read_areas
from fieldcomb.coverage.areas.no_go import Swath, days_of, entry_depth_m, holds, no_go_entered, without_ended
from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.gear.coils import parse_coil
from fieldcomb.coverage.gear.receivers import R95_SIGMAS, receiver
from fieldcomb.coverage.gear.swing import make_swing
from fieldcomb.coverage.pages.map_page import map_html
from fieldcomb.coverage.pages.typeset import NARROW
from fieldcomb.coverage.raster.polygons import to_metres
from fieldcomb.coverage.report.report_json import report_json
from fieldcomb.coverage.report.table import table
from fieldcomb.coverage.report.vectors import places_geojson, strips_geojson
from fieldcomb.coverage.survey.results import Report
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.tracks.errors import AreaError
from fieldcomb.tracks.motion.legs import Leg
from fieldcomb.tracks.units import parse_zone

UTC = parse_zone("UTC")
DAY = date(2026, 2, 2)  # of START_S, in UTC
EVIL = "\x1b[2J<img src=x onerror=alert(1)>"


def typed(shape: Polygon, kind: str, reason: str = "", since: date | None = None, until: date | None = None) -> Area:
    """An area with reason and days."""
    return replace(area(shape, kind), reason=reason, since=since, until=until)


def leg(*places: tuple[float, float]) -> Leg:
    """A leg through places."""
    x, y = np.asarray(places, float).T
    return Leg(x, y)


def lane(x_m: float, day: int = 0, y0: float = 0.0, y1: float = 30.0) -> Any:
    """One lane to the north, on a day."""
    return fixes([(x_m, y0), (x_m, y1)], start_s=START_S + day * DAY_S)


def by_gps(gps: str, swath_m: float = 1.5) -> Any:
    """A swing with a receiver class."""
    return make_swing(parse_coil("28cm", {}), swath_m, None, gps)


def one(*areas: Area, x_m: float = 3.0, gps: str = "typical") -> Report:
    """A survey of one lane at x on a field of 30 x 30 m."""
    return survey(site(field(30, 30), *areas), [outing("a", item(lane(x_m), by_gps(gps)))]).report


# ---------------------------------------------------------------------------------------------------- position error


def test_r95_is_that_of_the_circular_normal() -> None:
    """95 % of the fixes of a circular normal lie within 2.44775 sigma: the Rayleigh distribution of scipy agrees."""
    assert pytest.approx(2.44775, abs=5e-6) == R95_SIGMAS
    assert pytest.approx(float(rayleigh.ppf(0.95)), rel=1e-12) == R95_SIGMAS


@pytest.mark.parametrize(
    ("gps", "sigma", "radius"),
    [
        ("good", 1.0488, 2.567),
        ("typical", 1.5882, 3.887),
        ("poor", 3.1721, 7.765),
        ("2m", 2.0, 4.896),
        ("50cm", 0.5, 1.224),
    ],
)
def test_classes_and_lengths(gps: str, sigma: float, radius: float) -> None:
    """Slow, fast and white parts add up by their squares; a typed length is one sigma each way."""
    told = receiver(gps)
    assert told.sigma_m == pytest.approx(sigma, abs=1e-3) and told.r95_m == pytest.approx(radius, abs=1e-3)


def test_two_thirds_of_fixes_are_within_one_sigma_each_way() -> None:
    """The share of a normal within one sigma is 68 %, which people call two thirds."""
    assert math.erf(1 / math.sqrt(2)) == pytest.approx(2 / 3, abs=0.02)


# ------------------------------------------------------------------------------------------------------ depth and area


def test_a_lane_3_m_inside_has_a_known_area_and_depth() -> None:
    """A lane along a no-go strip, 3 m in from its edge: 30 x 1.5 m2 inside, and 3.75 m deep."""
    report = one(typed(box(-10, -5, 20, 40), "no-go", "nests"), x_m=17.0)
    (entry,) = report.outings[0].no_go.entries
    assert entry.area == "nests"
    assert entry.area_m2 == pytest.approx(30 * 1.5 + math.pi * 0.75**2, abs=0.1)  # and its two round ends
    assert entry.depth_m == pytest.approx(3.75, abs=0.002)
    assert entry.position_error_could_explain  # 3.89 m for a typical receiver
    assert report.outings[0].no_go.area_m2 == pytest.approx(entry.area_m2)
    (deeper,) = one(typed(box(-10, -5, 20, 40), "no-go"), x_m=16.8).outings[0].no_go.entries
    assert deeper.depth_m == pytest.approx(3.95, abs=0.002) and not deeper.position_error_could_explain


def test_depth_is_never_more_than_the_middle_of_the_area() -> None:
    """A lane straight through a grave of 2 x 1 m is half a metre deep, however wide the swing."""
    (entry,) = one(typed(box(2, 10, 4, 11), "no-go")).outings[0].no_go.entries
    assert entry.depth_m == pytest.approx(0.5, abs=0.002)
    assert entry.area_m2 == pytest.approx(1.5 * 1, abs=1e-9)


def test_an_area_outside_or_across_the_boundary_is_told_too() -> None:
    """Ground beside the site, and ground that begins in it, are both told; on the site only a part is taken off."""
    lanes_out = fixes([(15, 0), (15, 44)])
    beside = typed(box(10, 35, 20, 41), "no-go", "beside")
    across = typed(box(10, 28, 20, 32), "no-go", "across")
    report = survey(site(field(30, 30), beside, across), [outing("a", item(lanes_out))]).report
    assert [(e.area, round(e.area_m2, 6)) for e in report.outings[0].no_go.entries] == [
        ("beside", 9.0),
        ("across", 6.0),
    ]
    assert report.site.no_go_m2 == pytest.approx(20)
    assert report.outings[0].no_go.area_m2 == pytest.approx(15)


def test_ground_in_two_areas_counts_once_in_the_sum() -> None:
    """Two no-go areas on one another are each told whole; the outing's sum has their ground once."""
    nests, grave = typed(box(0, 10, 9, 16), "no-go", "nests"), typed(box(0, 13, 9, 20), "no-go", "grave")
    told = one(nests, grave).outings[0]
    assert [round(e.area_m2, 6) for e in told.no_go.entries] == [9.0, 10.5]
    assert told.no_go.area_m2 == pytest.approx(15)


def test_every_recording_is_judged_by_its_own_receiver() -> None:
    """A poor receiver could have been 4 m off and a good one not: together they could only if each could."""
    area_in = typed(box(-10, -5, 20, 40), "no-go")
    poor, good = (item(lane(16.75), by_gps(gps), f"{gps}.gpx", searcher=gps) for gps in ("poor", "good"))
    outside = item(lane(25.0), by_gps("good"), "far.gpx", searcher="far")

    def could(*items: Any) -> bool:
        (entry,) = survey(site(field(30, 30), area_in), [outing("a", *items)]).report.outings[0].no_go.entries
        return entry.position_error_could_explain

    assert could(poor) and could(poor, outside)
    assert not could(good) and not could(poor, good)


@settings(max_examples=40, deadline=None)
@given(st.floats(-3, 12), st.floats(0.5, 3), st.floats(2, 20))
def test_depth_of_any_lane_along_a_rectangle(x_m: float, swath_m: float, width_m: float) -> None:
    """A lane along a rectangle reaches in as far as its rim, and never farther than half of the rectangle."""
    shape = box(0, -50, width_m, 150)
    swath = Swath((leg((x_m, 0), (x_m, 100)),), swath_m, "good")
    first, last = max(x_m - swath_m / 2, 0), min(x_m + swath_m / 2, width_m)
    if last - first < 0.01:
        return
    middle = width_m / 2
    truth = middle if first <= middle <= last else min(last, width_m - first)
    assert entry_depth_m(shape, swath) == pytest.approx(truth, abs=0.001)


@settings(max_examples=25, deadline=None)
@given(st.floats(-5, 25), st.floats(-5, 25), st.floats(0, 3.2), st.floats(1, 5))
def test_area_inside_is_what_exact_geometry_says(x_m: float, y_m: float, turn: float, size_m: float) -> None:
    """Cells of the swath inside an area agree with shapely's exact shapes, to the cells along their rims."""
    shape = shapely.affinity.rotate(box(x_m, y_m, x_m + 2 * size_m, y_m + size_m), turn, use_radians=True)
    legs = (leg((0, 0), (8, 20), (20, 3)), leg((2.0, 2.0), (2.0, 2.0)))
    into = no_go_entered([AreaShape("no-go", "", shape)], None, [Swath(legs, 1.4, "good")], 0.1)
    swept = shapely.union_all([shapely.LineString(np.column_stack([one.x_m, one.y_m])).buffer(0.7) for one in legs])
    exact = swept.intersection(shape)
    assert into.area_m2 == pytest.approx(exact.area, abs=0.05 * exact.length + 0.02)
    assert into.area_m2 == sum(entry.area_m2 for entry in into.entries)


def test_nothing_entered_is_nothing_told() -> None:
    """A lane beside a no-go area tells of no entry, and one on the way through without searching neither."""
    nests = typed(box(10, 10, 16, 16), "no-go")
    assert one(nests).outings[0].no_go.entries == () and one(nests).outings[0].no_go.area_m2 == 0
    quick = item(fixes([(13, 0), (13, 30)], pace_m_s=1.4), top_pace_m_s=0.9)
    report = survey(site(field(30, 30), nests), [outing("a", item(lane(3))), outing("b", quick)]).report
    assert all(told.no_go.entries == () for told in report.outings)


def test_entries_are_told_in_plain_words_everywhere() -> None:
    """Table, page and report.json tell area, depth, and whether position error could explain it; never more."""
    result = survey(site(field(30, 30), typed(box(-10, -5, 20, 40), "no-go", "nests")), [outing("a", item(lane(10.0)))])
    entry = json.loads(report_json(result.report))["outings"][0]["no_go_entered"][0]
    assert entry.pop("area_m2") == pytest.approx(30 * 1.5 + math.pi * 0.75**2, abs=0.1)
    assert entry == {"area": "nests", "depth_m": 10.75, "position_error_could_explain": False}
    words = "inside nests, up to 10.8 m deep: position error could not explain it"
    assert words in " ".join(table(result.report).split())
    page = map_html(result).replace(NARROW, " ")
    assert words in page and "allowed" not in page.lower().replace("disallowed", "")


def test_names_of_areas_do_nothing() -> None:
    """A reason that is an attack on the terminal or the page is shown as text."""
    result = survey(site(field(30, 30), typed(box(0, 0, 9, 9), "no-go", EVIL)), [outing("a", item(lane(3.0)))])
    assert result.report.outings[0].no_go.entries[0].area == EVIL
    assert "\x1b" not in table(result.report)
    assert "<img src=x" not in map_html(result)


# --------------------------------------------------------------------------------------------------------------- dates


def test_days_in_the_sites_zone() -> None:
    """Half past eleven at night in UTC is the next day in Oslo, and an area that begins then holds."""
    late = 1772926200.0  # 2026-03-07T23:30Z
    assert days_of(late, late + 60, UTC) == (date(2026, 3, 7), date(2026, 3, 7))
    assert days_of(late, late + 3600, UTC) == (date(2026, 3, 7), date(2026, 3, 8))
    assert days_of(late, late, parse_zone("Europe/Oslo")) == (date(2026, 3, 8), date(2026, 3, 8))
    assert days_of(None, None, UTC) is None


@given(st.integers(0, 9), st.integers(0, 3), st.none() | st.integers(-3, 12), st.none() | st.integers(-3, 12))
def test_an_area_holds_on_its_days(first: int, more: int, since: int | None, until: int | None) -> None:
    """An area holds for an outing when any of the outing's days is one of its own; both ends count."""
    day = [DAY + timedelta(days=k) for k in range(-5, 20)]

    def at(k: int | None) -> date | None:
        return None if k is None else day[k + 5]

    shape = AreaShape("no-go", "", box(0, 0, 1, 1), at(since), at(until))
    days = range(first, first + more + 1)
    truth = any((since is None or k >= since) and (until is None or k <= until) for k in days)
    if since is None or until is None or since <= until:
        assert holds(shape, (day[first + 5], day[first + more + 5])) == truth
    assert holds(shape, None)


def test_ended_ground_is_part_of_the_site_again_and_told() -> None:
    """No-go and blocked ground that was over by the latest outing is not taken off; a note tells which."""
    nests = typed(box(0, 20, 10, 30), "no-go", "nests", until=DAY + timedelta(days=1))
    crop = typed(box(20, 0, 30, 10), "blocked", "crop", until=DAY + timedelta(days=2))
    given_site = site(field(30, 30), nests, crop)
    early = survey(given_site, [outing("a", item(lane(5)))])
    assert early.report.site.area_m2 == pytest.approx(700) and early.report.notes == ()
    late = survey(given_site, [outing("a", item(lane(5))), outing("b", item(lane(8, day=3)))])
    assert late.report.site.area_m2 == pytest.approx(900)
    assert late.report.site.no_go_m2 == late.report.site.blocked_m2 == 0
    first, second = late.report.notes
    assert "no-go area 'nests' ended on 2026-02-03, before the latest outing of 2026-02-05" in first
    assert "blocked area 'crop' ended on 2026-02-04" in second
    assert [shape.kind for shape in late.layers.areas] == ["site", "ended", "ended"]
    # The first lane was in it while it held, the second was not.
    assert [len(told.no_go.entries) for told in late.report.outings] == [1, 0]
    assert late.report.outings[0].no_go.area_m2 == pytest.approx(10 * 1.5, abs=1.1)
    last = survey(given_site, [outing("b", item(lane(8, day=1)))])
    assert last.report.site.no_go_m2 == pytest.approx(100)  # its last day is still its


def test_ground_that_has_not_begun_is_taken_off_and_not_entered_yet() -> None:
    """An area from next year is off the site now, whatever the day; an outing before it did not enter it."""
    soon = typed(box(0, 20, 10, 30), "no-go", since=DAY + timedelta(days=300))
    report = one(soon)
    assert report.site.no_go_m2 == pytest.approx(100)
    assert report.outings[0].no_go.entries == () and report.outings[0].no_go.area_m2 == 0


def test_without_a_clock_every_area_holds() -> None:
    """Recordings without times can neither end an area nor be outside of its days."""
    nests = typed(box(0, 20, 10, 30), "no-go", until=date(1990, 1, 1))
    untimed = item(fixes([(5, 0), (5, 30)], start_s=None))
    report = survey(site(field(30, 30), nests), [outing("a", untimed)]).report
    assert report.site.no_go_m2 == pytest.approx(100) and len(report.outings[0].no_go.entries) == 1


def test_only_no_go_and_blocked_ground_ends() -> None:
    """The site, filled, junk and walked ground stay what they are, whatever their days."""
    shapes = [
        AreaShape(kind, "", box(0, 0, 9, 9), None, date(2000, 1, 1)) for kind in ("site", "filled", "junk", "walked")
    ]
    assert without_ended(shapes, DAY) == (tuple(shapes), ())


def test_dates_of_a_site_are_kept_and_told_as_not_used() -> None:
    """A boundary with dates is a boundary at all times; the note says so."""
    dated = replace(field(30, 30), since=date(2030, 1, 1))
    placed, notes = place_areas([dated], FRAME, "areas.geojson")
    assert placed[0].since == date(2030, 1, 1)
    assert notes == ("area 1 of 1, site: has dates, which are kept but not used: the boundary holds at all times",)


# ------------------------------------------------------------------------------------------------------------- walked

FORGOTTEN = serpentine(20, 30, 1.5, x0_m=0.75, skip=[4, 5, 12])
MEASURED = ("swept_m2", "swept_pct", "twice_pct", "crosswise_m2", "not_recorded_m2", "passes_m2")


def with_said(*shapes: Polygon) -> Any:
    """A survey of lanes with forgotten ones, all of which can be told, and ground that people say they walked."""
    areas = [typed(shape, "walked", "B. Gull, without a watch", DAY, DAY) for shape in shapes]
    track = fixes(FORGOTTEN)
    gap = [k for k in range(len(track)) if not 300 < k < 380]
    precise = make_swing(parse_coil("28cm", {}), 1.5, None, "2cm")

    return survey(site(field(30, 30), *areas), [outing("a", item(part(track, gap), precise))])


def test_walked_ground_enters_no_measured_number() -> None:
    """Every number and every raster is the same to the last digit with and without it; only missed ground is less."""
    plain, said = with_said(), with_said(box(5.5, -3, 9.5, 20))
    assert all(getattr(plain.report.total, key) == getattr(said.report.total, key) for key in MEASURED)
    assert plain.report.outings == said.report.outings and plain.report.coils == said.report.coils
    assert plain.report.site == said.report.site
    assert (plain.layers.passes == said.layers.passes).all()
    assert plain.layers.not_recorded.equals(said.layers.not_recorded)
    assert plain.report.total.said_walked_m2 == 0
    bare = json.loads(report_json(plain.report))["total"]
    told = json.loads(report_json(said.report))["total"]
    apart = {"said_walked_m2", "unswept"}  # by kinds of ground that was not swept, which this is one of
    assert {key: told[key] for key in bare if key not in apart} == {key: bare[key] for key in bare if key not in apart}


def test_walked_ground_is_not_missed_ground_either() -> None:
    """No strip and no open ground lies inside it, in the report, in strips.geojson and among the places to go to."""
    shape = box(5.5, -3, 9.5, 20)
    plain, said = with_said().report, with_said(shape).report
    inside = [strip.shape.intersection(shape).area for strip in plain.strips]
    assert sum(inside) > 40  # the two forgotten lanes beside each other
    assert all(strip.shape.intersection(shape).area == pytest.approx(0, abs=1e-9) for strip in said.strips)
    lost = sum(s.area_m2 for s in plain.strips) - sum(s.area_m2 for s in said.strips)
    assert said.total.said_walked_m2 == pytest.approx(lost, abs=0.5)
    for feature in [f for text in (strips_geojson(said), places_geojson(said)) for f in json.loads(text)["features"]]:
        metres = to_metres(shapely.geometry.shape(feature["geometry"]), FRAME)
        assert metres.intersection(shape.buffer(-0.001)).is_empty  # written to a millimetre


def test_walked_ground_is_counted_where_nothing_else_is() -> None:
    """What was swept, not recorded, no-go or outside is not said-walked ground as well: the rest is, exactly."""
    whole = with_said(box(-5, -5, 35, 35)).report.total
    assert whole.said_walked_m2 == pytest.approx(900 - whole.swept_m2 - whole.not_recorded_m2, abs=1e-6)
    nests = typed(box(0, 0, 30, 15), "no-go")
    said = typed(box(-5, -5, 35, 35), "walked")
    report = survey(site(field(30, 30), nests, said), [outing("a", item(lane(50.0)))]).report
    assert report.total.said_walked_m2 == pytest.approx(450) and report.strips == ()
    assert report.total.swept_m2 == 0 and report.total.passes_m2["0"] == pytest.approx(450)


@settings(max_examples=10, deadline=None)
@given(st.floats(-5, 25), st.floats(-5, 25), st.floats(1, 20), st.floats(1, 20))
def test_any_walked_ground_only_takes_from_what_is_missed(x: float, y: float, wide: float, high: float) -> None:
    """Wherever it lies, swept, not recorded, missed and said ground make up the site, and no strip reaches into it."""
    shape = box(x, y, x + wide, y + high)
    report = with_said(shape).report
    total = report.total
    assert (total.swept_m2, total.passes_m2) == (PLAIN.total.swept_m2, PLAIN.total.passes_m2)
    rest = total.passes_m2["0"] - total.not_recorded_m2 - total.said_walked_m2
    assert sum(strip.area_m2 for strip in report.strips) <= rest + 1e-6
    rim = shape.buffer(-0.071)  # cells belong by their centre, so a strip may reach half a cell's diagonal inside
    assert all(strip.shape.intersection(rim).area < 1e-9 for strip in report.strips)


PLAIN = with_said().report


def test_walked_ground_does_not_move_a_boundary_from_walks() -> None:
    """Without a boundary the ground between the walks is what it was."""
    track = item(fixes(FORGOTTEN))
    said = typed(box(5.5, 5, 50, 20), "walked")
    plain, with_area = (survey(site(*areas), [outing("a", track)]).report for areas in ((), (said,)))
    assert plain.site == with_area.site and plain.outings == with_area.outings
    assert with_area.total.said_walked_m2 == pytest.approx(3 * 1.5 * 15)  # of three forgotten lanes


def test_walked_ground_is_told_and_drawn() -> None:
    """Table and page tell how much it is, and the map has a layer of its own with who said it, and when."""
    result = with_said(box(5.5, -3, 9.5, 20))
    assert "Said walked" in table(result.report) and "people say they walked" in table(result.report)
    page = map_html(result)
    assert "said to have been walked: no recording" in page and '"area-walked"' in page
    assert '["Who","B. Gull, without a watch"]' in page and '["From","2026-02-02"]' in page


# -------------------------------------------------------------------------------------------- kinds, depth, lost file


def test_depth_of_filled_ground_is_kept_and_shown() -> None:
    """A number of centimetres beside filled ground comes back from the file, and stands in the popup."""
    text = areas_geojson([replace(area(box(2, 2, 9, 9), "filled"), depth_cm=40.0)])
    (again,), notes = read_areas(text.encode(), "areas.geojson")
    assert again.depth_cm == 40 and notes == () and areas_geojson([again]) == text
    page = map_html(survey(site(field(30, 30), again), [outing("a", item(lane(3.0)))]))
    assert '["Depth","40\\u202fcm"]' in page


@pytest.mark.parametrize("value", ["deep", -3, 0, True, [4], 1e9, "40 cm"])
def test_a_depth_that_is_no_number_is_refused(value: object) -> None:
    """What is not a number of centimetres is refused with what would be right."""
    document = json.loads(areas_geojson([area(box(2, 2, 9, 9), "filled")]))
    document["features"][0]["properties"]["depth_cm"] = value
    with pytest.raises(AreaError, match="depth_cm that is not a number of centimetres") as error:
        read_areas(json.dumps(document).encode(), "areas.geojson")
    assert "Write it like 40" in str(error.value)


def test_a_lost_file_of_areas_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    """A site that was given areas says so on top of its report when areas.geojson is gone; nothing else changes."""
    monkeypatch.chdir(tmp_path)
    Path("b.geojson").write_text(square(-2, -2, 12, 22))
    Path("w.gpx").write_text(walk())
    assert main(["new", "s", "--boundary", "b.geojson"]) == 0 and main(["add", "s", "w.gpx"]) == 0
    assert main(["report", "s"]) == 0
    assert "is gone" not in capsys.readouterr().err
    Path("s/areas.geojson").unlink()
    assert main(["report", "s", "--json"]) == 0
    said = capsys.readouterr()
    assert said.err.count("areas.geojson was here and is gone") == 1
    assert any("areas.geojson was here and is gone" in note for note in json.loads(said.out)["notes"])
    Path("s/site.toml").write_text(Path("s/site.toml").read_text().replace("areas = true", "areas = false"))
    assert main(["report", "s"]) == 0
    assert "is gone" not in capsys.readouterr().err
