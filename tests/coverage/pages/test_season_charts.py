"""Pictures of what the finds say: bars as high as the counts, years in their order, a line that ends where it says."""

import re
from xml.etree import ElementTree

import pytest

from fieldcomb.coverage.pages.chart import depletion_line, depth_dots, number_bars, year_spans
from fieldcomb.coverage.season.depletion import leslie


def rects(svg: str) -> list[dict[str, str]]:
    """Every bar with its title."""
    root = ElementTree.fromstring(svg)
    return [{**box.attrib, "title": box.findtext("title") or ""} for box in root.iter("rect")]


def test_bars_stand_up_for_kept_and_hang_down_for_junk() -> None:
    """Four kept are twice as high as two junk, and both meet at the line of zero."""
    kept, junk = rects(number_bars("small", [(50, 54, 4, 2)]))
    assert float(kept["height"]) == pytest.approx(2 * float(junk["height"]), abs=0.2)
    assert float(kept["y"]) + float(kept["height"]) == pytest.approx(float(junk["y"]), abs=0.2)
    assert kept["title"] == junk["title"] == "50-54: 4 kept, 2 junk" and kept["fill"] != junk["fill"]


def test_numbers_lie_along_the_axis_and_nothing_counts_as_no_bar() -> None:
    """A later band is farther right; a band without junk has one bar."""
    first, second = rects(number_bars("", [(30, 34, 1, 0), (80, 84, 0, 3)]))
    assert float(first["x"]) < float(second["x"]) and first["width"] == second["width"]


def test_names_from_the_user_are_harmless_in_a_picture() -> None:
    """A coil or a find may be called anything."""
    assert "<b>" not in number_bars("<b>", [(30, 34, 1, 0)])
    assert "<b>" not in year_spans([("bag 1, <b>", 1200, 1300, "#000000")])


def test_years_are_drawn_oldest_first() -> None:
    """BCE stands left of CE, a longer span is wider, and a single year can still be seen."""
    spans = [("bag 2", 1200, 1400, "#000000"), ("bag 1", -50, 50, "#000000"), ("bag 3", 1900, 1900, "#000000")]
    bars = rects(year_spans(spans))
    assert [bar["title"] for bar in bars] == ["bag 1: 50 BCE to 50", "bag 2: 1200 to 1400", "bag 3: 1900"]
    assert [float(bar["y"]) for bar in bars] == sorted(float(bar["y"]) for bar in bars)
    assert float(bars[1]["width"]) == pytest.approx(2 * float(bars[0]["width"]), rel=0.05)
    assert float(bars[2]["width"]) == 3


def test_many_years_say_how_many_are_shown() -> None:
    """Of 100 finds the oldest 60 are drawn, and the title says so."""
    svg = year_spans([(f"bag {n}", n, n + 10, "#000000") for n in range(100)])
    assert len(rects(svg)) == 60 and "the oldest 60 of 100" in svg


def test_the_line_of_what_is_left_meets_zero_at_the_stock() -> None:
    """The band meets zero where the limits of the stock are; every outing is a point with its numbers."""
    line = leslie((40, 25, 17, 9, 6), (1.0, 1.1, 0.9, 1.0, 1.0))
    assert line.low is not None and line.high is not None
    assert line.band(line.low)[0] == pytest.approx(0, abs=1e-9)
    assert line.band(line.high)[1] == pytest.approx(0, abs=1e-9)
    band = [(line.high * k / 8, *line.band(line.high * k / 8)) for k in range(9)]
    svg = depletion_line(list(zip(line.at, line.rate, strict=True)), band, line.stock, line.catchability)
    assert len(re.findall("<circle", svg)) == 5 and f"meets zero at {line.stock:.0f}" in svg
    ElementTree.fromstring(svg)


def test_deeper_finds_lie_lower_and_junk_is_open() -> None:
    """A find at the old surface lies on its line; each column has its name, each dot its depth."""
    svg = depth_dots([("small", [(0.1, True), (0.3, False)]), ("large", [(0.2, True)])], [0.2])
    root = ElementTree.fromstring(svg)
    dots = {dot.findtext("title"): dot.attrib for dot in root.iter("circle")}
    assert set(dots) == {"10 cm, kept", "30 cm, junk", "20 cm, kept"}
    assert float(dots["10 cm, kept"]["cy"]) < float(dots["20 cm, kept"]["cy"]) < float(dots["30 cm, junk"]["cy"])
    (old,) = [line for line in root.iter("path") if line.get("stroke-dasharray")]
    assert f"M48 {dots['20 cm, kept']['cy']}H" in old.attrib["d"] and dots["30 cm, junk"]["fill"] == "#fff"
    assert {"small", "large"} <= {text.text for text in root.iter("text")}
