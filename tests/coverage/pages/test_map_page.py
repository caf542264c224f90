"""The map page as text: what it says, what it never asks for, and where its pictures lie."""

from __future__ import annotations

import base64
import json
import math
import re
import tracemalloc
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rasterio.io import MemoryFile
from samples import EVIL, FRAME, MARKS, sample_result, with_difference, with_evil_names, without_clock
from scipy import ndimage
from shapely.geometry import LineString, MultiPolygon, Polygon, box

from fieldcomb.coverage.estimate.swept_share import Estimate
from fieldcomb.coverage.ground.unswept import Unswept
from fieldcomb.coverage.pages import chart, overlay
from fieldcomb.coverage.pages import colours_patterns as legend
from fieldcomb.coverage.pages import packing as shapes
from fieldcomb.coverage.pages import panel as page
from fieldcomb.coverage.pages.leaflet import leaflet_css, leaflet_js
from fieldcomb.coverage.pages.map_page import map_html
from fieldcomb.coverage.pages.templating import page_file
from fieldcomb.coverage.pages.typeset import NARROW, typeset
from fieldcomb.coverage.raster.cells import OUTSIDE
from fieldcomb.coverage.raster.grid import Grid, grid_over
from fieldcomb.coverage.report import words as wording
from fieldcomb.coverage.report.answer import answer
from fieldcomb.coverage.report.mark_words import TITLES
from fieldcomb.coverage.report.table import table
from fieldcomb.coverage.survey.results import OutingLayer, Result, WalkLines
from fieldcomb.coverage.todo.dug_classes import LEFT, UNSAID, class_cells
from fieldcomb.coverage.todo.results import CoilPair, SearchedClass
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.marks.vocabulary import MARK_KINDS, NOTE, PRESS
from fieldcomb.tracks.units import format_area

VOID = {"meta", "link", "input", "br", "img", "path", "rect", "circle"}


class Reader(HTMLParser):
    """Reads a page strictly enough for these tests: elements, attributes, text by element, and balance."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.unbalanced: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep an element and its attributes."""
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep an element that closes itself."""
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        """Close an element, or note that it was not the last one opened."""
        if tag in VOID:
            return
        if not self.open or self.open.pop() != tag:
            self.unbalanced.append(tag)

    def handle_data(self, data: str) -> None:
        """Keep text that a reader sees."""
        if not self.open or self.open[-1] not in ("script", "style"):
            self.text.append(data)

    @property
    def words(self) -> str:
        """All visible text in one line, with plain spaces."""
        return re.sub(r"\s+", " ", " ".join(self.text)).replace(NARROW, " ")


def data_of(text: str) -> dict[str, object]:
    """Give the block of data that the page draws from."""
    match = re.search(r'<script type="application/json" id="fieldcomb-data">(.*?)</script>', text, re.S)
    assert match
    found = json.loads(match.group(1))
    assert isinstance(found, dict)
    return found


@pytest.fixture(scope="module")
def text() -> str:
    """Give the page of the made-up survey."""
    return map_html(sample_result())


def test_same_survey_same_bytes(text: str) -> None:
    """Making the map again from the same survey gives the same file, byte for byte."""
    assert map_html(sample_result()) == text


def test_page_frame(text: str) -> None:
    """The page says its language, its character set, its name, and fits a phone that may still be zoomed."""
    tags = Reader(text).tags
    assert text.startswith("<!DOCTYPE html>")
    assert ("html", {"lang": "en"}) in tags
    assert ("meta", {"charset": "utf-8"}) in tags
    assert re.search(r"<title>Gull Bank east: walked over, as recorded</title>", text)
    viewport = next(a["content"] for t, a in tags if t == "meta" and a.get("name") == "viewport")
    assert viewport == "width=device-width, initial-scale=1"


def test_elements_are_closed(text: str) -> None:
    """Every element that is opened on the page is closed in its turn."""
    reader = Reader(text)
    assert reader.unbalanced == [] and reader.open == []


def test_ids_are_unique_and_known(text: str) -> None:
    """No two elements share an id, and every label, part and pattern that is referred to is there."""
    tags = Reader(text).tags
    ids = [attrs["id"] for _, attrs in tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    wanted = [attrs.get(key) for _, attrs in tags for key in ("for", "aria-controls", "aria-labelledby")]
    assert {one for many in wanted if many for one in many.split()} <= set(ids)
    assert set(re.findall(r"url\(#([\w-]+)\)", text)) <= set(ids)


def test_nothing_is_fetched(text: str) -> None:
    """Nothing on the page would make a browser ask anybody for anything."""
    for tag, attrs in Reader(text).tags:
        for key in ("src", "href", "srcset", "data", "action", "poster", "background"):
            value = attrs.get(key)
            assert not value or value.startswith(("data:", "#")), (tag, key, value)
        assert tag not in ("iframe", "object", "embed", "base", "form")
    for css in (leaflet_css(), page_file("pages/templates/sheet.css")):
        assert "@import" not in css and re.findall(r"url\((?!data:|#)", css) == []
    assert "sourceMappingURL" not in text
    policy = next(a["content"] for t, a in Reader(text).tags if a.get("http-equiv") == "Content-Security-Policy")
    assert policy and "default-src 'none'" in policy and "http" not in policy
    for name in ("jquery", "bootstrap", "fontawesome", "glyphicon", "cdn", "unpkg", "openstreetmap"):
        assert name not in re.sub(r"base64,[\w+/=]+", "", text).replace(leaflet_js(), "").lower()


def test_names_from_files_stay_text() -> None:
    """A name that is an attack, in any field that a file or a user fills, is shown as it is and does nothing."""
    text = map_html(with_evil_names(sample_result()))
    reader = Reader(text)
    assert reader.unbalanced == []
    assert not any("onerror" in attrs or tag == "img" for tag, attrs in reader.tags)
    assert sum(tag == "script" for tag, _ in reader.tags) == 7
    assert "{{7*7}}" in text and "49" not in re.findall(r"<title>(.*?)</title>", text)[0]
    # Once in the title, heading, lists of ground and walks; the words come back whole.
    assert EVIL in "".join(reader.text)
    assert "<img src=x" not in text


@settings(max_examples=25, deadline=None)
@given(st.text(max_size=40), st.text(max_size=40))
def test_any_name_comes_back(name: str, reason: str) -> None:
    """Whatever a site or a reason is called, the page stays whole and shows it letter for letter."""
    result = sample_result(0.5)
    areas = tuple(replace(area, reason=reason) for area in result.layers.areas)
    site = replace(result.report.site, name=name)
    text = map_html(Result(replace(result.report, site=site), replace(result.layers, areas=areas)))
    assert Reader(text).unbalanced == []
    rows = [item["rows"] for item in data_of(text)["groups"]["area-blocked"]]  # type: ignore[index]
    assert rows[0][0] == ["Reason", reason or "none given"]


def test_every_layer_can_be_chosen() -> None:
    """Every layer that is drawn stands on the board under its own name, and every entry of the board is drawn."""
    text = map_html(with_difference(sample_result()))
    drawn = set(re.findall(r'"([\w-]+)": (?:image_overlay|feature_group)_\d+', text))
    tags = Reader(text).tags
    options = {attrs["value"] for tag, attrs in tags if tag == "option" and attrs["value"]}
    options -= {"grow", "wipe", "outing", "coil", "person"}  # drawn by the page from the layers of the outings
    ticked = {attrs["data-layer"] for _, attrs in tags if "data-layer" in attrs}
    assert drawn == (options - {"walks"}) | ticked
    assert {"passes", "difference", "coil-0", "coil-1", "outing-3", "strip", "open", "places"} <= drawn
    assert {"not-recorded", "rules"} <= drawn
    assert {"area-site", "area-no-go", "area-blocked", "area-filled", "area-junk", "walk-0", "walk-3"} <= drawn
    words = Reader(text).words
    for name in ("Passes with small", "Passes of 2026-03-07a west half", "Walk of 2026-03-10a second look"):
        assert name in words


def test_an_outing_without_raster_is_outlined() -> None:
    """An outing too many for a raster of its own is still there, as an outline that says so."""
    result = sample_result()
    last = result.layers.outings[-1]
    bare = OutingLayer(last.id, None, None, last.outline, last.walks, last.stops)
    layers = replace(result.layers, outings=(*result.layers.outings[:-1], bare))
    text = map_html(Result(result.report, layers))
    assert "Outline of 2026-03-10a second look" in Reader(text).words
    assert '"outing-3": feature_group' in text


def test_key_tells_every_colour_pattern_and_sign() -> None:
    """Every colour, pattern and sign that the map can draw is in the key, with words beside it."""
    result = with_difference(sample_result())
    text = map_html(result)
    key = text[text.index('id="key"') : text.index('id="report"')]
    for colour in legend.PASS_COLOURS + legend.DIFFERENCE_COLOURS:
        assert f'fill="{colour}"' in key
    for sign in legend.STOP_SIGNS.values():
        assert f'd="{sign}"' in key
    groups = data_of(text)["groups"]
    assert isinstance(groups, dict)
    kinds = {
        item["kind"]
        for key, group in groups.items()
        if not key.startswith(("walk", "rules", "marks"))
        for item in group
    }
    areas = {"site", "no-go", "blocked", "filled", "junk", "walked", "ended"}
    assert kinds == {"strip", "open", "not-recorded", "heard", "place", "missed-place", *areas}
    for kind in kinds - {"site", "missed-place"}:  # its look is that of the missed ground, with the line of a place
        assert f"url(#fc-{kind})" in key
    marked = {item["sign"] for item in groups["marks"]}
    assert marked == {"keep", "count", "stop", "note"}
    for kind in marked:
        assert f'd="{legend.MARK_SIGNS[kind]}"' in key and TITLES[kind] in Reader(key).words
    for n, name in enumerate(legend.SEARCHED_NAMES):
        assert f"{legend.searched_swatch(n)} {name}" in key
    for name in (*legend.PASS_NAMES, *legend.STOP_NAMES.values(), *legend.AREA_NAMES.values(), "searching"):
        assert name in Reader(key).words


def test_marks_are_listed_and_drawn(text: str) -> None:
    """Marks stand in the panel with their words and what could not be taken, and each has a sign and a popup."""
    words = Reader(text).words
    assert "Ground to leave alone was marked: stop metal case (2026-03-07a;" in words
    assert "1 kept, 1 count square (14), 1 to leave alone, 1 note" in words
    assert "lane x ('x' is not a number that a lane can have)" in words
    items = data_of(text)["groups"]["marks"]  # type: ignore[index]
    assert [item["brief"] for item in items] == ["keep silver coin", "count 14", "stop metal case", "lane x"]
    assert [item["id"] for item in items] == [f"mark-{n}" for n in range(1, 5)]
    for item, mark in zip(items, MARKS, strict=True):
        assert ["As written", mark.text] in item["rows"]
        [[x, y]] = unpack(item["at"], FRAME)
        assert [mark.lon_deg, mark.lat_deg] == pytest.approx([float(v) for v in FRAME.to_lonlat(x, y)], abs=1e-7)


def test_every_kind_of_mark_has_a_shape_of_its_own() -> None:
    """No two kinds share a sign, so that nothing hangs on colour, and none is missing."""
    assert set(legend.MARK_SIGNS) == set(TITLES) == {*MARK_KINDS, NOTE, PRESS}
    assert len(set(legend.MARK_SIGNS.values())) == len(TITLES)
    assert [kind for kind in TITLES if legend.mark_colour(kind) == legend.MISSED] == ["stop"]


def test_colours_part_in_grey() -> None:
    """More passes are darker by a clear step, so the map reads on grey paper and by eyes that see no hue."""

    def lightness(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    _, whole, part, _, unsaid, _ = legend.SEARCHED_COLOURS
    for colours in (legend.PASS_COLOURS, ("#ffffff", unsaid, part, whole)):
        for lighter, darker in pairwise([lightness(colour) for colour in colours]):
            assert (lighter + 0.05) / (darker + 0.05) > 1.6
    # WCAG 2: text and the outline of what was missed against white.
    assert 1.05 / (lightness(legend.INK) + 0.05) > 7
    assert 1.05 / (lightness(legend.MISSED) + 0.05) > 4.5


def test_headline_says_share_and_of_what() -> None:
    """The headline says how much was walked over, of what, and that this is as recorded."""
    report = sample_result().report
    site = replace(report.site, area_m2=1740.0)
    report = replace(report, site=site, total=replace(report.total, swept_m2=1234.0, swept_pct=70.9))
    assert page.headline(report).replace(NARROW, " ") == (
        "Walked over 70.9 % of the site as recorded (1 234 m² of 1 740 m²)"
    )
    between = replace(report, site=replace(site, boundary="from walks"))
    assert "70.9 % of the ground between your walks" in page.headline(between).replace(NARROW, " ")
    words = Reader(map_html(Result(between, sample_result().layers))).words
    assert "No boundary was given." in words and "Of the ground between your walks" in words
    assert "give its file: to fieldcomb map with --boundary , to a site as its areas.geojson" in words


def test_nearly_all_is_not_all_on_the_page() -> None:
    """A share is 100 % only where nothing is missing, on the page as in the table."""
    report = sample_result().report
    total = replace(report.total, swept_m2=8999.91, swept_pct=99.999)
    report = replace(report, site=replace(report.site, area_m2=9000.0), total=total)
    assert "99.9\u202f% of the site" in page.headline(report)
    assert "99.9 % of the site" in table(report)


def test_panel_hides_nothing(text: str) -> None:
    """Dropped fixes, notes, advice, guesses, entered no-go ground and cautions are all on the page."""
    words = Reader(text).words
    for said in (
        "12 spike",
        "3 no position",
        "Turn auto-pause off: the recording fell silent at 9 stops.",
        "Times have no zone and were read as UTC.",
        "swing width 1.48 m is a guess",
        "Lay a tape across your path",
        "No-go, 2026-03-07a west half: 12.0 m² inside nesting birds until August, up to 4.25 m deep: position error",
        "0.4 m² inside no-go ground (no reason given), up to 31 cm deep: position error could explain it",
        "7.3 m² is ground that people say they walked without a recording: neither swept nor missed",
        "A. Tern",
        "rain from noon",
        "7 Mar 2026, 09:12",
        "Get the landowner's permission",
        "Suspected ordnance, bones or a hoard: stop, leave it, call",
        "A receiver may be several metres off",
    ):
        assert said in words, said


def test_every_place_is_listed_once_best_first(text: str) -> None:
    """Every place to go to has a button with its letter, in the order of the letters, and is drawn."""
    listed = [attrs["data-place"] for _, attrs in Reader(text).tags if "data-place" in attrs]
    places = sample_result().report.places
    assert listed == [place.letter for place in places] and len(listed) > 5
    drawn = data_of(text)["groups"]["places"]  # type: ignore[index]
    assert [item["id"] for item in drawn] == [f"place-{letter}" for letter in listed]
    assert [item["letter"] for item in drawn] == listed


def test_the_answer_comes_first(text: str) -> None:
    """Above all else stand the same three lines as in the terminal: what is searched, where to go next, what is not
    known.
    """
    head = text[text.index('<header class="head">') : text.index("</header>")]
    words = Reader(head).words.replace(NARROW, " ").replace("\xa0", " ").replace("m²", "m2")
    for word, said in answer(sample_result().report).lines:
        assert word in words and said in words


def test_ground_that_nobody_has_reached_is_no_alarm(text: str) -> None:
    """Open ground is drawn pale, not in the red of what was missed between passes."""
    assert legend.MISSED not in legend.PATTERNS["open"].tile + legend.PATTERNS["open"].colour
    assert "not reached yet (" in text and "missed between passes (" in text


def test_kinds_of_unswept_ground_are_drawn_and_listed_with_their_areas() -> None:
    """Ground of other outings has a look and a key of its own, and every kind stands with its area in the panel."""
    result = sample_result()
    left = Unswept(120.0, 340.0, 56.0, 7.0, 8.0, 90.0, 4, 621.0)
    report = replace(result.report, total=replace(result.report.total, unswept=left))
    text = map_html(Result(report, replace(result.layers, other_outings=MultiPolygon([box(0, 0, 8, 7)]))))
    [item] = data_of(text)["groups"]["other-outings"]  # type: ignore[index]
    assert item["kind"] == "other-outings" and item["title"] == "Other outings"
    looks = [legend.PATTERNS[kind].tile for kind in ("likely", "open", "other-outings", "not-recorded", "walked")]
    assert len(set(looks)) == 5 and not any(legend.MISSED in look for look in looks[1:])
    words = Reader(text).words
    for said in ("Missed between passes 120 m²", "Not reached yet 340 m²", "not counted here 56.0 m²"):
        assert said in words
    assert "Cannot be told 90.0 m², in 4 pieces and smaller ones" in words


def test_ground_that_changed_since_is_a_layer_with_a_key() -> None:
    """White lines over what was passed over before can be switched off, and taps go through them to its history."""
    result = sample_result()
    text = map_html(replace(result, layers=replace(result.layers, stale=MultiPolygon([box(0, 0, 4, 4)]))))
    (item,) = data_of(text)["groups"]["stale"]  # type: ignore[index]
    assert "title" not in item and item["pane"] == "stale"
    assert 'data-layer="stale"' in text and legend.swatch("stale") in text
    assert 'data-layer="stale"' not in map_html(result)


def test_ground_for_the_smaller_coil_can_be_shown() -> None:
    """For two coils the map shows what was swept with the larger one and not yet with the smaller."""
    result = sample_result()
    grid = result.layers.grid
    cells = np.where(result.layers.passes == OUTSIDE, OUTSIDE, 1).astype(np.uint8)
    none = MultiPolygon()
    pair = CoilPair("28cm", "small", 500.0, 0.0, none, none, grid, cells)
    text = map_html(Result(replace(result.report, coil_pairs=(pair,)), result.layers))
    words = Reader(text).words
    assert '"pair-0": image_overlay' in text and "Swept with 28cm, not yet with small" in words
    key = text[text.index('data-key="pair"') : text.index('id="report"')]
    for colour, name in zip(legend.PAIR_COLOURS, legend.PAIR_NAMES, strict=True):
        assert f'fill="{colour}"' in key and name in key


def test_chart_shows_the_numbers(text: str) -> None:
    """The charts carry the swept share after every outing, against hours and against outings."""
    report = sample_result().report
    charts = re.findall(r'<svg class="chart".*?</svg>', text, re.S)
    assert len(charts) == 2
    for drawn in charts:
        titles = [t.replace(NARROW, " ") for t in re.findall(r"<circle[^>]*><title>(.*?)</title>", drawn)]
        assert sorted(titles) == sorted(f"{page.outing_name(o)}: {o.ground.total_pct:.1f} %" for o in report.outings)
        assert "<desc>" in drawn
    assert "hours of searching" in charts[0] and "outings" in charts[1]


def test_chart_points_lie_where_the_axis_says() -> None:
    """A share of 50 % stands half-way up, twice the hours stand twice as far along."""
    drawn = chart.growth([chart.Point(2, 50, "a"), chart.Point(4, 100, "b")], "hours", False, "the site")
    at = {float(x): float(y) for x, y in re.findall(r'<circle cx="([\d.]+)" cy="([\d.]+)"', drawn)}
    rows = {int(n): float(y) for y, n in re.findall(r'<text x="41" y="([\d.]+)" text-anchor="end">(\d+)<', drawn)}
    (x1, y1), (x2, y2) = sorted(at.items())
    assert y1 == pytest.approx(rows[50] - 4.5, abs=0.1) and y2 == pytest.approx(rows[100] - 4.5, abs=0.1)
    zero = float(re.findall(r'points="([\d.]+),', drawn)[0])
    assert x2 - zero == pytest.approx(2 * (x1 - zero), abs=0.2)


def test_growth_is_of_the_estimate_with_its_band() -> None:
    """Where there is an estimate, the charts show it after each outing with its range, and say that it is one."""
    result = sample_result()
    shares = (
        Estimate(31, 27, 35, None, None),
        None,
        Estimate(60, 55, 64, None, None),
        Estimate(72, 66, 77, False, None),
    )
    outings = tuple(replace(o, so_far=share) for o, share in zip(result.report.outings, shares, strict=True))
    total = replace(result.report.total, estimate=shares[-1])
    text = map_html(Result(replace(result.report, outings=outings, total=total), result.layers))
    for drawn in re.findall(r'<svg class="chart".*?</svg>', text, re.S):
        titles = [t.replace(NARROW, " ") for t in re.findall(r"<circle[^>]*><title>(.*?)</title>", drawn)]
        assert {t.rpartition(": ")[2] for t in titles} == {"31 % (27-35)", "60 % (55-64)", "72 % (66-77)"}
        rows = {int(n): float(y) for y, n in re.findall(r'<text x="41" y="([\d.]+)" text-anchor="end">(\d+)<', drawn)}
        lows, highs = zip(*re.findall(r'<path d="M[\d.]+ ([\d.]+)V([\d.]+)M', drawn), strict=True)
        per_pct = (rows[0] - rows[100]) / 100
        assert [(rows[0] - 4.5 - float(y)) / per_pct for y in lows] == pytest.approx([27, 55, 66], abs=0.1)
        assert [(rows[0] - 4.5 - float(y)) / per_pct for y in highs] == pytest.approx([35, 64, 77], abs=0.1)
        assert "estimated, and the range that holds the truth nine times in ten" in drawn


def test_no_times_no_hours() -> None:
    """Recordings without times give no chart against hours, and the page says why."""
    result = sample_result()
    words = Reader(map_html(Result(without_clock(result.report), result.layers))).words
    assert "No hours: the recordings have no times." in words
    assert "no time in the file" in words and "None" not in words


@given(st.lists(st.floats(0, 100), min_size=4, max_size=4))
def test_comb_has_fifty_teeth(shares: list[float]) -> None:
    """Whatever the shares, the comb has fifty teeth, none of them more than one off its share."""
    total = sum(shares)
    teeth = chart._deal(shares)
    assert sum(teeth) == (50 if total > 0 else sum(teeth)) and min(teeth) >= 0
    for share, many in zip(shares, teeth, strict=True):
        assert total == 0 or abs(many - share / total * 50) <= 1 + 1e-6


def codes_of(url: str) -> tuple[np.ndarray, dict[int, tuple[int, ...]]]:
    """Read a picture back: its codes and the colour of each."""
    image = base64.b64decode(url.split(",")[1])
    with MemoryFile(image) as memory, pytest.warns(match="no geotransform"), memory.open() as png:
        return png.read(1), png.colormap(1)


def test_picture_holds_the_raster() -> None:
    """The picture is the raster cell for cell: 0 to 3 or more in their colours, the rest seen through."""
    cells = np.array([[0, 1, 2], [3, 4, 254], [OUTSIDE, 1, OUTSIDE]], np.uint8)
    picture = overlay.raster_picture(Grid(0.1, -1, 1, 3, 3), cells, legend.PASS_COLOURS, FRAME)
    codes, colours = codes_of(picture.url)
    assert codes.tolist() == [[0, 1, 2], [3, 3, 3], [4, 1, 4]]
    assert colours[4][3] == 0
    for n, colour in enumerate(legend.PASS_COLOURS):
        assert colours[n] == (int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16), 255)


def mercator(lat_deg: float, lon_deg: float) -> tuple[float, float]:
    """Spherical Mercator as every web map has it (EPSG guidance note 7-2, method 1024), on a unit sphere."""
    return math.radians(lon_deg), math.log(math.tan(math.pi / 4 + math.radians(lat_deg) / 2))


def off_m(picture: overlay.Picture, shape: tuple[int, int], row: float, col: float, x_m: float, y_m: float) -> float:
    """How far from its true place the browser draws a point of the picture, in metres on the ground."""
    west, south = mercator(*picture.bounds[0])
    east, north = mercator(*picture.bounds[1])
    drawn = (west + (east - west) * col / shape[1], north - (north - south) * row / shape[0])
    lon, lat = FRAME.to_lonlat(x_m, y_m)
    true = mercator(float(lat), float(lon))
    return math.hypot(drawn[0] - true[0], drawn[1] - true[1]) * 6_378_137 * math.cos(math.radians(float(lat)))


@pytest.mark.parametrize("half_m", [60, 250, 500])
def test_pictures_lie_where_the_ground_is(half_m: float) -> None:
    """On sites up to 1 km a picture placed by its box alone lies within 10 cm of the ground everywhere."""
    grid = grid_over((-half_m, -half_m, half_m, half_m), 1.0)
    picture = overlay.raster_picture(grid, np.ones((grid.rows, grid.cols), np.uint8), legend.PASS_COLOURS, FRAME)
    assert not picture.warped
    for row in (0, grid.rows // 2, grid.rows):
        for col in (0, grid.cols // 2, grid.cols):
            x, y = (grid.west + col) * 1.0, (grid.north - row) * 1.0
            assert off_m(picture, (grid.rows, grid.cols), row, col, x, y) < 0.1


@pytest.mark.parametrize(
    ("middle", "cell_m", "most_m"),
    [
        # Cells of 20 cm, 2 km from the middle of the site: 10 cm, as everywhere.
        ((2000.0, 1500.0), 0.2, 0.1),
        # A whole site of 2 km in cells of 1 m: pixels are half a cell, so each way a cell is up to a quarter cell off.
        ((0.0, 0.0), 1.0, 0.25 * math.sqrt(2) + 0.05),
    ],
)
def test_large_sites_are_warped_into_place(middle: tuple[float, float], cell_m: float, most_m: float) -> None:
    """Far from the middle of a large site the picture is warped, and cells lie where the ground is."""
    (x0, y0), half_m = middle, 1000 * cell_m
    grid = grid_over((x0 - half_m, y0 - half_m, x0 + half_m, y0 + half_m), cell_m)
    # Discs, because their middles can be told to much less than a pixel; the straight edges of a square cannot.
    spots = ((100, 120), (120, 1880), (1000, 1000), (1870, 90), (1900, 1900))
    row, col = np.mgrid[0 : grid.rows, 0 : grid.cols]
    cells = np.zeros((grid.rows, grid.cols), np.uint8)
    for n, (r, c) in enumerate(spots):
        cells[np.hypot(row + 0.5 - r, col + 0.5 - c) < 50] = 1 + n % 3
    picture = overlay.raster_picture(grid, cells, legend.PASS_COLOURS, FRAME)
    assert picture.warped and picture.drawn_m == cell_m
    codes, _ = codes_of(picture.url)
    assert codes[0, 0] == 4 or codes[-1, 0] == 4  # beside the warped raster the page is seen through
    found, many = ndimage.label((codes > 0) & (codes < 4))
    assert many == len(spots)
    at = ndimage.center_of_mass(found > 0, found, range(1, many + 1))
    for r, c in spots:
        x, y = (grid.west + c) * cell_m, (grid.north - r) * cell_m
        assert min(off_m(picture, codes.shape, i + 0.5, j + 0.5, x, y) for i, j in at) < most_m


def test_large_rasters_are_drawn_coarser_and_say_so() -> None:
    """A raster of more cells than a phone can show is drawn coarser by a whole factor, and the page tells."""
    grid = grid_over((-150, -150, 150, 150), 0.1)
    cells = np.ones((grid.rows, grid.cols), np.uint8)
    picture = overlay.raster_picture(grid, cells, legend.PASS_COLOURS, FRAME)
    codes, _ = codes_of(picture.url)
    assert picture.drawn_m == pytest.approx(0.2) and codes.shape == (1500, 1500)
    result = sample_result()
    layers = replace(result.layers, grid=grid, passes=cells, by_coil={}, searched=None)
    words = Reader(map_html(Result(result.report, layers))).words
    assert "Passes are drawn at 20 cm, measured at 10 cm." in words


def test_drawing_stays_within_memory() -> None:
    """Drawing 25 million cells takes less than 300 MB beside the raster itself."""
    grid = grid_over((-2500, -2500, 2500, 2500), 1.0)
    cells = np.ones((grid.rows, grid.cols), np.uint8)
    tracemalloc.start()
    picture = overlay.raster_picture(grid, cells, legend.PASS_COLOURS, FRAME)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert picture.warped and peak < 300e6


def unpack(packed: list[int], frame: SiteFrame) -> np.ndarray:
    """Turn a packed line back into site metres, as the page's script does into degrees."""
    steps = np.array(packed, float).reshape(-1, 2).cumsum(axis=0) * shapes.UNIT_DEG
    return np.column_stack(frame.to_metres(steps[:, 1] + frame.lon_deg, steps[:, 0] + frame.lat_deg))


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(-900, 900), st.floats(-900, 900)), min_size=1, max_size=30))
def test_packed_lines_come_back(points: list[tuple[float, float]]) -> None:
    """A line packed for the page comes back to within two millimetres, also across 180 degrees."""
    line = np.array(points, float)
    for frame in (FRAME, SiteFrame(179.9999, 10.0)):
        assert np.abs(unpack(shapes.pack_line(frame, line), frame) - line).max() < 0.002


def test_walks_are_simplified_within_what_is_said() -> None:
    """However long the walks, the page holds no more points than allowed, and says how near the lines are."""
    rng = np.random.default_rng(5)
    line = np.cumsum(rng.normal(0, 0.5, (40_000, 2)), axis=0)
    whole = WalkLines("28cm", 1.4, None, (line, line[:1]), (line[:500],))
    walks = shapes.pack_walks(FRAME, [OutingLayer("a", None, None, None, (whole,), ())], most=5000)
    [[walk]] = walks.outings
    packed = [*walk.lines, *walk.transits]
    assert sum(len(one) for one in packed) / 2 <= 5000
    drawn = LineString(unpack(walk.lines[0], FRAME))
    assert max(drawn.distance(LineString([p, p + 1e-9])) for p in line[::97]) <= walks.tolerance_m + 0.002
    assert len(walk.lines[1]) == 4  # a leg of one fix stays, as a dot


@settings(deadline=None, max_examples=50)
@given(st.lists(st.tuples(st.integers(-40, 40), st.integers(-40, 40)), min_size=2, max_size=60), st.integers(2, 40))
def test_walks_simplified_step_by_step_are_those_simplified_at_once(points: list[tuple[int, int]], most: int) -> None:
    """However often the page coarsens a walk, its line is the recorded one simplified once, as far as is said."""
    line = np.array(points, float) / 10
    whole = WalkLines("28cm", 1.4, None, (line,))
    walks = shapes.pack_walks(FRAME, [OutingLayer("a", None, None, None, (whole,), ())], most=most)
    at_once = LineString(line).simplify(walks.tolerance_m, preserve_topology=False)
    assert walks.outings[0][0].lines[0] == shapes.pack_line(FRAME, np.asarray(at_once.coords))


def test_polygons_keep_holes_and_parts() -> None:
    """Parts and holes of missed ground reach the page, and slack never makes a piece vanish."""
    shape = MultiPolygon([box(0, 0, 10, 10).difference(box(4, 4, 6, 6)), box(20, 0, 20.04, 0.04)])
    packed = shapes.pack_area(FRAME, shape, 0.05)
    assert [len(rings) for rings in packed] == [2, 1]
    assert Polygon(unpack(packed[0][0], FRAME)).area == pytest.approx(100, abs=0.1)


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0, "0 m²"),
        (0.54, "0.5 m²"),
        (99.94, "99.9 m²"),
        (1234.4, "1 234 m²"),
        (12_345, "1.23 ha"),
        (250_000, "25.0 ha"),
    ],
)
def test_areas_in_words(value: float, said: str) -> None:
    """Areas are told as people tell them: decimals only where they matter, hectares when large."""
    assert typeset(format_area(value)).replace(NARROW, " ") == said


@pytest.mark.parametrize(
    ("degrees", "said"),
    [(0, "north to south"), (44, "north-east to south-west"), (90, "east to west"), (136, "south-east to north-west")],
)
def test_bearings_in_words(degrees: float, said: str) -> None:
    """A strip's direction is told in words; almost 180 degrees is north to south again."""
    assert wording.format_bearing(degrees).startswith(said + " (")
    assert wording.format_bearing(179).startswith("north to south (179°")


def test_a_place_says_why_how_long_and_where(text: str) -> None:
    """The popup of a place has its reason, size, minutes with each coil, and whereabouts; the key promises nothing."""
    groups = data_of(text)["groups"]
    assert isinstance(groups, dict)
    (junk,) = [item for item in groups["places"] if dict(item["rows"])["Why"] == "too much junk"]
    rows = {key: value.replace(NARROW, " ").replace("\xa0", " ") for key, value in junk["rows"]}
    assert rows["With small"].startswith("7 min, too much junk for 28cm, would find 30 in 100 targets")
    assert rows["Where"] and rows["Area"].endswith(" m²")
    assert "promises nothing" in text[text.index('id="key"') : text.index('id="report"')]


def test_ground_by_class_is_striped_where_it_was_heard_and_left() -> None:
    """Each class of which anything was said has a picture, not shown at first: dug ground in plain colours, and ground
    where the class was heard and left in stripes of two. A class of which nobody said anything is told in words.
    """
    result = sample_result()
    silent = SearchedClass("high", 0.0, 0.0, 0.0, 75.0)
    report = replace(result.report, searched_for=(*result.report.searched_for, silent))
    text = map_html(Result(report, result.layers))
    drawn = [
        attrs["value"] for tag, attrs in Reader(text).tags if tag == "option" and "class-" in (attrs["value"] or "")
    ]
    assert drawn == ["class-iron", "class-low"] and "so not drawn: high targets." in Reader(text).words
    packed, passes = result.layers.searched, result.layers.passes
    assert packed is not None
    cells = class_cells(packed, passes, "iron")
    codes, colours = codes_of(overlay_of(text, "class-iron"))
    left = codes[cells == LEFT]
    stripe, gap = legend.STRIPED, len(legend.SEARCHED_COLOURS) - 1
    assert set(left.tolist()) == {stripe, gap} and 0.4 < np.mean(left == stripe) < 0.6
    assert (codes[cells == UNSAID] == UNSAID).all() and not np.isin([stripe, gap], codes[cells != LEFT]).any()
    assert colours[stripe] != colours[gap]


def overlay_of(text: str, key: str) -> str:
    """The picture of one ground, as its data URI."""
    name = re.search(rf'"{key}": (image_overlay_\d+)', text)
    assert name is not None
    return re.findall(r'"(data:image/png;base64,[^"]+)"', text[text.index(f"var {name[1]} ") :])[0]
