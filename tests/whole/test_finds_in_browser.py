"""Finds on the map in a real browser: chosen by keyboard, hidden and shown, and read by anybody."""

from __future__ import annotations

from base64 import b64encode
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from browsers import DESK, PHONE, axe, errors, screen, told, wait
from PIL import Image
from samples import sample_result
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select
from shapely.geometry import MultiPolygon, box

from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.pages.map_page import map_html
from fieldcomb.coverage.season.hot_spots import HotSpot, HotSpots
from fieldcomb.coverage.season.season_results import Season

pytestmark = pytest.mark.browser
SHOWN = "return document.getElementById('finds-shown').textContent"


def photograph(wide: int, high: int) -> tuple[int, int, str]:
    """A picture as the page takes it."""
    out = BytesIO()
    Image.new("RGB", (wide, high), (200, 150, 40)).save(out, "JPEG")
    return wide, high, b64encode(out.getvalue()).decode()


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A map with three finds in one hot spot, one of them with an attack for its name."""
    plain = sample_result()
    frame = plain.report.site.frame
    lon, lat = frame.to_lonlat([0.0, 6.0, 9.0], [0.0, 4.0, -5.0])
    words = ("<img src=x onerror=alert(1)>", "nail", "")
    kinds, periods = ("keep", "junk", "left"), ("medieval", "", "")
    finds = tuple(
        Find(
            n + 1, kinds[n], lat_deg=float(lat[n]), lon_deg=float(lon[n]), error_m=3.9, what=words[n], period=periods[n]
        )
        for n in range(3)
    )
    season = Season(spots=HotSpots((HotSpot((1, 2, 3), 5.0, 0.0, 6.4, 0.015, 10.0),), (10.0,)))
    layers = replace(plain.layers, stale=MultiPolygon([box(0, 0, 10, 5)]))
    file = tmp_path_factory.mktemp("finds") / "map.html"
    whole = replace(plain, report=replace(plain.report, finds=finds, season=season), layers=layers)
    pictures = {1: [photograph(160, 120), photograph(90, 160)], 2: [photograph(160, 107)]}
    file.write_text(map_html(whole, pictures), "utf-8")
    return Path(file).as_uri()


@pytest.fixture(params=[DESK, PHONE], ids=["desk", "phone"])
def driven(driver: Any, page: str, request: pytest.FixtureRequest) -> Any:
    """The page at the size of a desk and of a phone, with the key open."""
    screen(driver, request.param)
    driver.get_log("browser")
    driver.get(page)
    wait(driver, "return document.documentElement.getAttribute('data-drawn') === 'yes'")
    if request.param == PHONE:
        driver.find_element(By.CSS_SELECTOR, '.bar [data-part="key"]').click()
    return driver


def paths(driver: Any) -> list[Any]:
    """The signs of finds that are drawn."""
    found: list[Any] = driver.find_elements(By.CSS_SELECTOR, 'path[data-piece^="find-"]')
    return found


def test_a_value_that_is_unticked_hides_its_finds(driven: Any) -> None:
    """Unticked with the space bar, junk is gone from the map and the count says so; ticked again it is back."""
    assert len(paths(driven)) == 3 and driven.execute_script(SHOWN) == "Shown: 3 of 3."
    box = driven.find_elements(By.CSS_SELECTOR, '[data-finds="kind"] input')[1]
    box.send_keys(Keys.SPACE)
    assert len(paths(driven)) == 2 and driven.execute_script(SHOWN) == "Shown: 2 of 3."
    Select(driven.find_element(By.ID, "pick-finds")).select_by_value("period")
    assert len(paths(driven)) == 2  # what is hidden by kind stays hidden
    assert driven.find_element(By.CSS_SELECTOR, '[data-finds="period"]').is_displayed()
    assert not box.is_displayed()
    Select(driven.find_element(By.ID, "pick-finds")).select_by_value("kind")
    box.send_keys(Keys.SPACE)
    assert len(paths(driven)) == 3
    assert errors(driven) == []


def test_the_look_of_a_find_is_that_of_its_value(driven: Any) -> None:
    """By kind all three differ; by period the two without one look alike, and the key has the signs of the map."""
    looks = [(path.get_attribute("fill"), path.get_attribute("data-piece")) for path in paths(driven)]
    assert len({fill for fill, _ in looks}) == 3
    Select(driven.find_element(By.ID, "pick-finds")).select_by_value("period")
    fills = {path.get_attribute("data-piece"): path.get_attribute("fill") for path in paths(driven)}
    assert fills["find-2"] == fills["find-3"] != fills["find-1"]
    swatch = driven.find_element(By.CSS_SELECTOR, '[data-finds="period"] li:first-child svg path')
    assert swatch.get_attribute("fill") == fills["find-1"]


def test_a_find_opens_with_enter_and_its_words_stay_words(driven: Any) -> None:
    """The keyboard reaches each find; what was typed into a cell is shown as it was typed, and runs nothing."""
    path = driven.find_element(By.CSS_SELECTOR, 'path[data-piece="find-1"]')
    driven.execute_script("arguments[0].focus()", path)
    path.send_keys(Keys.ENTER)
    said = told(driven)
    assert said.startswith("1 <img src=x onerror=alert(1)>") and "about 4" in said and "medieval" in said
    assert errors(driven) == []


def test_a_hot_spot_opens_with_enter_and_goes_with_its_tick(driven: Any) -> None:
    """The keyboard reaches its circle, which says its bags and how seldom chance does so; its box hides it."""
    path = driven.find_element(By.CSS_SELECTOR, 'path[data-piece="spot-1"]')
    driven.execute_script("arguments[0].focus()", path)
    path.send_keys(Keys.ENTER)
    said = told(driven)
    assert said.startswith("Hot spot") and "1-3" in said and "15 of 1,000 sites" in said
    path.send_keys(Keys.ESCAPE)
    tick = driven.find_element(By.CSS_SELECTOR, '[data-layer="spots"]')
    tick.send_keys(Keys.SPACE)
    assert driven.find_elements(By.CSS_SELECTOR, 'path[data-piece="spot-1"]') == []
    tick.send_keys(Keys.SPACE)
    assert driven.find_elements(By.CSS_SELECTOR, 'path[data-piece="spot-1"]') != []
    assert errors(driven) == []


def test_ground_that_changed_is_pale_only_under_passes(driven: Any) -> None:
    """White lines lie over passes of all days; over one outing and all else they would only hide its colours."""
    shown = "return getComputedStyle(document.querySelector('.leaflet-stale-pane')).display"
    assert driven.execute_script(shown) == "block"
    choice = Select(driven.find_element(By.ID, "pick-ground"))
    for value, display in (
        ("grow", "none"),
        ("outing-0", "none"),
        ("coil-0", "block"),
        ("", "none"),
        ("passes", "block"),
    ):
        choice.select_by_value(value)
        assert driven.execute_script(shown) == display, value


def test_photographs_of_a_find_stand_under_its_words(driven: Any) -> None:
    """Each is loaded, whole within the popup, in its own shape, and has words for those who do not see it."""
    for number, sizes in ((1, [(160, 120), (90, 160)]), (2, [(160, 107)])):
        path = driven.find_element(By.CSS_SELECTOR, f'path[data-piece="find-{number}"]')
        driven.execute_script("arguments[0].focus()", path)
        path.send_keys(Keys.ENTER)
        told(driven)
        wait(driven, "return Array.from(document.querySelectorAll('.said img')).every(one => one.complete)")
        shown = driven.execute_script(
            "const box = document.querySelector('.leaflet-popup-content-wrapper').getBoundingClientRect();"
            "return Array.from(document.querySelectorAll('.said img')).map(one => {"
            "const at = one.getBoundingClientRect(); return [one.naturalWidth, one.naturalHeight, at.width, at.height,"
            "at.left >= box.left && at.right <= box.right && at.top >= box.top && at.bottom <= box.bottom, one.alt]})"
        )
        assert [(wide, high) for wide, high, *_ in shown] == sizes
        for n, (wide, high, across, down, inside, words) in enumerate(shown, 1):
            assert inside and across > 80 and across / down == pytest.approx(wide / high, abs=0.02)
            assert words.startswith(f"Photograph {n} of find {number}")
        assert axe(driven) == []
        path.send_keys(Keys.ESCAPE)
        wait(driven, "return !document.querySelector('.said')")
    assert errors(driven) == []


def test_nobody_is_shut_out_of_the_finds(driven: Any) -> None:
    """Nothing on the page breaks the rules for accessibility."""
    assert axe(driven) == []
