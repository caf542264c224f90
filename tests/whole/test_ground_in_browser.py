"""What a piece of ground tells in a real browser: its history, the site as it grew, two outings side by side."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from browsers import DESK, LOOK_S, PATIENCE_S, axe, errors, screen, told, wait
from samples import sample_result, with_evil_names
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait

from fieldcomb.coverage.pages import colours_patterns as legend
from fieldcomb.coverage.pages.map_page import map_html
from fieldcomb.coverage.raster.cells import OUTSIDE, Cells
from fieldcomb.coverage.survey.results import Result

pytestmark = pytest.mark.browser

PIXEL = (
    "var e = document.querySelector('.leaflet-map-pane canvas'); if (!e) { return null; }"
    "var c = document.createElement('canvas'); c.width = c.height = 1; var p = c.getContext('2d');"
    "p.drawImage(e, arguments[0], arguments[1], 1, 1, 0, 0, 1, 1);"
    "return [].slice.call(p.getImageData(0, 0, 1, 1).data)"
)


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Write the page of the sample, and one with names that are attacks and its oldest outing as an outline alone."""
    folder = tmp_path_factory.mktemp("pages")
    plain, evil = sample_result(), with_evil_names(sample_result())
    first = replace(plain.layers.outings[0], grid=None, passes=None)
    outlined = Result(plain.report, replace(plain.layers, outings=(first, *plain.layers.outings[1:])))
    for name, result in (("plain", plain), ("evil", evil), ("outlined", outlined)):
        (folder / f"{name}.html").write_text(map_html(result), "utf-8")
    return {name: folder / f"{name}.html" for name in ("plain", "evil", "outlined")}


@pytest.fixture
def show(driver: Any, pages: dict[str, Path]) -> Iterator[Callable[[str], Any]]:
    """Give a function that opens a page with nothing drawn over the ground."""

    def opened(name: str) -> Any:
        screen(driver, DESK)
        driver.get_log("browser")
        driver.get(pages[name].as_uri())
        wait(driver, "return document.documentElement.getAttribute('data-drawn') === 'yes'")
        for box in driver.find_elements(By.CSS_SELECTOR, "[data-layer]"):
            if box.is_selected():
                box.click()
        return driver

    yield opened
    assert errors(driver) == []


def whole(n: int) -> Cells:
    """Return the passes of an outing of the sample on the whole site."""
    layers = sample_result().layers
    outing = layers.outings[n]
    cells = np.zeros_like(layers.passes)
    assert outing.grid is not None and outing.passes is not None
    cells[outing.grid.part_of(layers.grid)] = outing.passes[layers.grid.part_of(outing.grid)]
    return cells


def even_cell(*wanted: int) -> tuple[int, int]:
    """Find a cell passed over so often on each outing (3 for more), and all cells round it likewise."""
    layers = sample_result().layers
    good = layers.passes != OUTSIDE
    for n, passes in enumerate(wanted):
        good &= np.minimum(whole(n), 3) == passes
    even = good.copy()
    for row in range(-3, 4):
        for col in range(-3, 4):
            even &= np.roll(good, (row, col), (0, 1))
    row, col = np.argwhere(even)[len(np.argwhere(even)) // 2]
    return int(row), int(col)


def tapped(driver: Any, cell: tuple[int, int]) -> str:
    """Tap a cell, and return what the map says."""
    grid = sample_result().layers.grid
    box = driver.find_element(By.CSS_SELECTOR, ".leaflet-map-pane img").rect
    x = box["x"] + (cell[1] + 0.5) / grid.cols * box["width"]
    y = box["y"] + (cell[0] + 0.5) / grid.rows * box["height"]
    chain = ActionChains(driver)
    chain.w3c_actions.pointer_action.move_to_location(round(x), round(y))
    chain.w3c_actions.pointer_action.click()
    chain.perform()
    return told(driver)


@pytest.mark.parametrize(
    ("wanted", "said"),
    [
        ((1, 0, 0, 0), {"7 Mar 2026, west half": "once with 28cm, not named"}),
        ((0, 1, 0, 0), {"8 Mar 2026": "once with 28cm, J. K."}),
        (
            (1, 0, 1, 0),
            {
                "7 Mar 2026, west half": "once with 28cm, not named",
                "9 Mar 2026, crosswise, south": "once with small, J. K.",
            },
        ),
        ((0, 0, 0, 0), {}),
    ],
)
def test_tapped_ground_tells_its_history(
    show: Callable[[str], Any], wanted: tuple[int, ...], said: dict[str, str]
) -> None:
    """A tap tells on which days a piece of ground was passed over, how often, with which coil, and by whom."""
    text = tapped(show("plain"), even_cell(*wanted))
    times = sum(wanted)
    assert text.startswith("Passed over" if times else "Not passed over")
    lines = text.splitlines()
    for day, words in said.items():
        assert lines[lines.index(day) + 1] == words
    assert sum("Mar 2026" in line for line in lines) == len(said)


def test_no_outing_is_missing_where_its_passes_end(show: Callable[[str], Any]) -> None:
    """Where ground that an outing passed over ends, the passes of the outings that are named add up to those in all."""
    driver = show("plain")
    outings = [whole(n) > 0 for n in range(len(sample_result().layers.outings))]
    sides = ((1, 0), (-1, 0), (0, 1), (0, -1))
    ends = [passed & ~np.all([np.roll(passed, side, (0, 1)) for side in sides], 0) for passed in outings]
    cells = np.argwhere(np.any(ends, 0) & (sample_result().layers.passes != OUTSIDE))
    for row, col in cells[:: len(cells) // 12]:  # a cell is about a pixel, so that the one beside it may be hit
        title, *lines = tapped(driver, (int(row), int(col))).splitlines()
        named = [line.partition(" with")[0] for line in lines if " with" in line]
        passes = sum(legend.PASS_NAMES.index(times) for times in named)
        whole_title = f"Passed over {legend.PASS_NAMES[min(passes, 3)]}" if passes else "Not passed over"
        assert title == f"{whole_title}, as recorded", (row, col, lines)
        driver.find_element(By.CSS_SELECTOR, "[data-tool='all']").click()
        wait(driver, "return !document.querySelector('.leaflet-popup')")


def test_an_outing_with_an_outline_alone_says_so_when_ground_is_tapped(show: Callable[[str], Any]) -> None:
    """Of an older outing only its outline is on the page: the map says that it is true to half a metre."""
    layers = sample_result().layers
    outline, grid = layers.outings[0].outline, layers.grid
    assert outline is not None
    x, y = np.meshgrid(*grid.centres())
    on_both = shapely.contains_xy(outline.buffer(-0.4), x, y) & (layers.passes != OUTSIDE)
    row, col = np.argwhere(on_both)[len(np.argwhere(on_both)) // 2]
    cell = (int(row), int(col))
    assert "here or within half a metre, with 28cm" in tapped(show("outlined"), cell)


def test_history_is_told_by_keyboard(show: Callable[[str], Any]) -> None:
    """Enter on the map tells of the ground in its middle, which a ring shows; Escape goes back to the map."""
    driver = show("plain")
    driver.find_element(By.CSS_SELECTOR, "[data-tool='all']").send_keys(Keys.TAB)
    driver.execute_script("document.querySelector('.folium-map').focus()")
    driver.switch_to.active_element.send_keys(Keys.ARROW_LEFT)
    driver.switch_to.active_element.send_keys(Keys.ENTER)
    wait(driver, "return document.activeElement.className === 'said'")
    assert "Lat, lon" in told(driver)
    driver.switch_to.active_element.send_keys(Keys.ESCAPE)
    wait(driver, "return document.activeElement.classList.contains('folium-map')")


def test_names_run_nothing_in_histories_and_choices(show: Callable[[str], Any]) -> None:
    """Names that are attacks stay text in the history of a place and in the choice of two outings."""
    driver = show("evil")
    tapped(driver, even_cell(1, 0, 0, 0))
    Select(driver.find_element(By.ID, "pick-ground")).select_by_value("wipe")
    assert driver.execute_script("return window.hacked === undefined")
    assert driver.execute_script("return document.querySelectorAll('.said img, .side img').length") == 0


def shows(colour: str, cell: tuple[int, int], driver: Any) -> bool:
    """Whether the ground that is drawn has this colour at a cell."""
    rgba = driver.execute_script(PIXEL, cell[1], cell[0])
    return rgba is not None and "#" + "".join(f"{v:02x}" for v in rgba[:3]) == colour


@pytest.mark.parametrize("name", ["plain", "outlined"])
def test_the_site_grows_outing_by_outing(show: Callable[[str], Any], name: str) -> None:
    """The slider shows the ground as it was after each outing, with its day and share, and ends with all of it."""
    driver = show(name)
    Select(driver.find_element(By.ID, "pick-ground")).select_by_value("grow")
    slider = driver.find_element(By.ID, "strip-at")
    label = driver.find_element(By.CSS_SELECTOR, ".strip label")
    assert label.text.startswith("After 4 of 4, 10 Mar 2026")
    cells = [even_cell(1, 0, 0, 0), even_cell(0, 1, 0, 0), even_cell(1, 0, 1, 0)]
    least = int(slider.get_attribute("min"))
    older = 1 if name == "outlined" else 0
    for step in range(int(slider.get_attribute("max")), least - 1, -1):
        count = step + older
        assert label.text.startswith(f"After {count} of 4" if step else "After the first 1")
        for row, col in cells:
            passes = sum(int(whole(n)[row, col]) for n in range(count))
            colour = legend.PASS_COLOURS[min(passes, 3)]
            drawn = partial(shows, colour, (row, col))
            WebDriverWait(driver, PATIENCE_S, LOOK_S).until(
                drawn, f"{count} outings, row {row}, col {col}, not {colour}"
            )
        slider.send_keys(Keys.ARROW_LEFT)


def test_two_outings_are_wiped_with_the_keyboard(show: Callable[[str], Any]) -> None:
    """A handle between two outings moves by the arrow keys; each side shows its own, and the days stand above it."""
    driver = show("plain")
    Select(driver.find_element(By.ID, "pick-ground")).select_by_value("wipe")
    line = driver.find_element(By.CSS_SELECTOR, ".wiper")
    slider = driver.find_element(By.ID, "strip-at")
    before = line.rect["x"]
    for _ in range(10):
        slider.send_keys(Keys.ARROW_LEFT)
    assert before - line.rect["x"] == pytest.approx(
        0.1 * (driver.find_element(By.CSS_SELECTOR, ".ground").rect["width"]), rel=0.15
    )
    Select(driver.find_element(By.ID, "wipe-left")).select_by_index(0)
    assert (
        driver.find_element(By.CSS_SELECTOR, ".strip label").text
        == "7 Mar 2026, west half ◀ ▶ 10 Mar 2026, second look"
    )
    clips = driver.execute_script(
        "return ['left', 'right'].map(function (s) { var p = document.querySelector('.leaflet-' + s + '-pane');"
        " return [p.querySelectorAll('img').length, p.style.clipPath.indexOf('polygon')]; })"
    )
    assert clips == [[1, 0], [1, 0]]
    Select(driver.find_element(By.ID, "pick-ground")).select_by_index(0)
    assert not line.is_displayed() and not slider.is_displayed()


def test_walks_are_coloured_by_what_is_chosen(show: Callable[[str], Any]) -> None:
    """By coil, walks have as many colours as there are coils, and the key names each; black again takes them away."""
    driver = show("plain")
    Select(driver.find_element(By.ID, "pick-walks")).select_by_value("walks")
    chooser = Select(driver.find_element(By.ID, "pick-colour"))
    script = (
        "var all = {}; document.querySelectorAll('.leaflet-walks-pane path[fill=none]').forEach(function (p) {"
        " all[p.getAttribute('stroke')] = 1; }); delete all['#fff']; return Object.keys(all).sort()"
    )
    assert driver.execute_script(script) == ["#000"]
    for by, count in (("outing", 4), ("coil", 2), ("person", 3)):
        chooser.select_by_value(by)
        colours = set(driver.execute_script(script)) - {"#000"}  # of walking without searching
        assert colours == set(legend.LINE_COLOURS[:count])
        assert len(driver.find_elements(By.CSS_SELECTOR, f"[data-by='{by}'] li")) == count
        assert driver.find_element(By.CSS_SELECTOR, f"[data-by='{by}']").is_displayed()
    chooser.select_by_index(0)
    assert driver.execute_script(script) == ["#000"]


def test_marks_shrink_when_far(show: Callable[[str], Any]) -> None:
    """Marks cover less of the screen when the map shows more ground, and never vanish."""
    driver = show("plain")
    driver.find_element(By.CSS_SELECTOR, "[data-layer='marks']").click()

    def size() -> float:
        return float(driver.find_element(By.CSS_SELECTOR, "path[data-piece='mark-1']").rect["width"])

    sizes = []
    for tool in ("in", "in", "in", "out", "out", "out", "out", "out", "out"):
        driver.find_element(By.CSS_SELECTOR, f"[data-tool='{tool}']").click()
        sizes.append(size())
    assert sizes[2] > sizes[-1] > 6


@pytest.mark.parametrize("moving", ["grow", "wipe"])
def test_moving_ground_is_for_everybody(show: Callable[[str], Any], moving: str) -> None:
    """Nothing breaks a rule of WCAG A or AA while the site grows, or two outings are wiped, with coloured walks."""
    driver = show("plain")
    Select(driver.find_element(By.ID, "pick-ground")).select_by_value(moving)
    Select(driver.find_element(By.ID, "pick-walks")).select_by_value("walks")
    Select(driver.find_element(By.ID, "pick-colour")).select_by_value("person")
    assert axe(driver) == []


@pytest.mark.parametrize("size", [(1280, 900), (400, 800)], ids=["desk", "phone"])
@pytest.mark.parametrize("name", ["plain", "evil"])
def test_every_table_fits_its_screen(show: Callable[[str], Any], size: tuple[int, int], name: str) -> None:
    """No table has to be moved sideways, neither beside the map nor on a phone, however long the names."""
    driver = show(name)
    screen(driver, size, opened=True)
    driver.execute_script("document.querySelectorAll('details').forEach(function (d) { d.open = true; })")
    if size[0] < 600:
        driver.find_element(By.CSS_SELECTOR, "[data-part='report']").click()
    wide = driver.execute_script(
        "return [].map.call(document.querySelectorAll('.parts table'), function (t) {"
        " var box = t.closest('.scroll') || t.closest('.part');"
        " return [t.innerText.slice(0, 30), t.offsetWidth, box.clientWidth, box.scrollWidth]; })"
    )
    assert len(wide) > 2 and all(row[1] > 0 for row in wide)
    assert [row for row in wide if row[3] > row[2]] == []
