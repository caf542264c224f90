"""The map page in a real browser, with the network off."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from browsers import DESK, PHONE, errors, screen, told, wait
from edge_walks import past_the_start, recording
from samples import sample_result, with_difference, with_evil_names
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select

from fieldcomb.coverage.areas.edge_walk import edge_of_walk
from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.pages.card import card_html
from fieldcomb.coverage.pages.edge_page import edge_html
from fieldcomb.coverage.pages.map_page import map_html
from fieldcomb.coverage.site.settings_file import read_settings

pytestmark = pytest.mark.browser

Opener = Callable[..., Any]


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Write the pages once: as it is, with two outings compared, and with names that are attacks."""
    folder = tmp_path_factory.mktemp("pages")
    plain = sample_result()
    made = {"plain": plain, "compared": with_difference(plain), "evil": with_evil_names(plain)}
    for name, result in made.items():
        (folder / f"{name}.html").write_text(map_html(result), "utf-8")
    return {name: folder / f"{name}.html" for name in made}


@pytest.fixture
def show(driver: Any, pages: dict[str, Path]) -> Opener:
    """Give a function that opens a page at a screen size, with the network off and the logs emptied."""

    def opened(name: str = "plain", size: tuple[int, int] = DESK) -> Any:
        driver.execute_cdp_cmd("Network.enable", {})
        gone = {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}
        driver.execute_cdp_cmd("Network.emulateNetworkConditions", gone)
        screen(driver, size)
        for kind in ("browser", "performance"):
            driver.get_log(kind)
        driver.get(pages[name].as_uri())
        wait(driver, "return document.documentElement.getAttribute('data-drawn') === 'yes'")
        return driver

    return opened


def drawn(driver: Any) -> tuple[int, int]:
    """How many pictures and how many drawn paths the map holds."""
    script = "var m = document.querySelector('.leaflet-map-pane'); return [%s]"
    counts = ", ".join(f"m.querySelectorAll('{what}').length" for what in ("img", "path"))
    pictures, paths = driver.execute_script(script % counts)
    return pictures, paths


def test_only_the_file_itself_is_asked_for(show: Opener, pages: dict[str, Path]) -> None:
    """With the network off the map comes up whole; the only request is for the file itself."""
    driver = show()
    events = [json.loads(entry["message"])["message"] for entry in driver.get_log("performance")]
    asked = [e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"]
    assert pages["plain"].as_uri() in asked
    assert [url for url in asked if url != pages["plain"].as_uri() and not url.startswith("data:")] == []
    assert drawn(driver)[0] == 1
    assert errors(driver) == []


def test_a_map_without_a_size_draws_itself_once_it_gets_one(
    show: Opener, pages: dict[str, Path], tmp_path: Path
) -> None:
    """In a frame that is folded away at first, the map has no error, and shows the whole site when it is unfolded."""
    driver = show()
    frame = f'<iframe style="width:0;height:0;border:0" src="{pages["plain"].as_uri()}"></iframe>'
    (tmp_path / "frame.html").write_text(frame, "utf-8")
    driver.get((tmp_path / "frame.html").as_uri())
    driver.switch_to.frame(0)
    wait(driver, "return document.documentElement.getAttribute('data-drawn') === 'yes'")
    driver.switch_to.default_content()
    driver.execute_script("document.querySelector('iframe').style.cssText = 'width:1000px;height:700px'")
    driver.switch_to.frame(0)
    across = (
        "var r = document.querySelector('path[data-piece]').parentNode.getBoundingClientRect(); return r.width > 300"
    )
    wait(driver, "return document.querySelector('.ground').clientWidth > 300")
    wait(driver, across)
    driver.switch_to.default_content()
    assert errors(driver) == []


def test_every_layer_goes_and_comes(show: Opener) -> None:
    """Every tick and every choice of the key changes what is drawn, and taking it back brings it back."""
    driver = show("compared")
    for box in driver.find_elements(By.CSS_SELECTOR, "[data-layer]"):
        before, was_shown = drawn(driver), box.is_selected()
        box.click()
        after = drawn(driver)[1]
        assert after < before[1] if was_shown else after > before[1], box.get_attribute("data-layer")
        box.click()
        assert drawn(driver) == before
    ground = Select(driver.find_element(By.ID, "pick-ground"))
    seen = set()
    for n in range(len(ground.options)):
        if ground.options[n].get_attribute("value") in ("grow", "wipe"):
            continue  # see test_ground_in_browser.py
        ground.select_by_index(n)
        sources = driver.execute_script(
            "return [].map.call(document.querySelectorAll('.leaflet-map-pane img'), function (i) { return i.src; })"
        )
        assert len(sources) == (1 if ground.options[n].get_attribute("value") else 0)
        seen.add(str(sources))
    assert len(seen) >= len(ground.options) - 3  # a coil that was used once looks like its only outing
    walks = Select(driver.find_element(By.ID, "pick-walks"))
    nothing = drawn(driver)[1]
    for n in range(1, len(walks.options)):
        walks.select_by_index(n)
        assert drawn(driver)[1] > nothing
    walks.select_by_index(0)
    assert drawn(driver)[1] == nothing
    assert errors(driver) == []


def test_a_place_opens_by_tap_and_by_keyboard(show: Opener) -> None:
    """A place to go to tells its size when tapped, and the same with Tab and Enter; Escape goes back to it."""
    driver = show()
    path = driver.find_element(By.CSS_SELECTOR, "path[data-piece='place-A']")
    assert path.get_attribute("role") == "button" and path.get_attribute("tabindex") == "0"
    assert "m²" in path.get_attribute("aria-label")
    path.click()
    said = told(driver)
    for word in ("Why", "Area", "Where", "With 28cm", "Lat, lon"):
        assert word in said
    show()
    driver.execute_script("document.querySelector(\"path[data-piece='place-A']\").focus()")
    driver.switch_to.active_element.send_keys(Keys.ENTER)
    wait(driver, "return document.activeElement.className === 'said'")
    driver.switch_to.active_element.send_keys(Keys.ESCAPE)
    wait(driver, "return document.activeElement.getAttribute('data-piece') === 'place-A'")
    assert errors(driver) == []


def test_a_mark_opens_by_tap_and_by_keyboard(show: Opener) -> None:
    """A mark tells what was written when tapped, and the same with Tab and Enter; Escape goes back to it."""
    driver = show()
    sign = driver.find_element(By.CSS_SELECTOR, "path[data-piece='mark-1']")
    assert sign.get_attribute("role") == "button" and sign.get_attribute("tabindex") == "0"
    assert sign.get_attribute("aria-label") == "Find that was kept, keep silver coin"
    sign.click()
    said = told(driver)
    assert "keep silver coin" in said and "7 Mar 2026" in said
    show()
    driver.execute_script("document.querySelector(\"path[data-piece='mark-3']\").focus()")
    driver.switch_to.active_element.send_keys(Keys.ENTER)
    wait(driver, "return document.activeElement.className === 'said'")
    driver.switch_to.active_element.send_keys(Keys.ESCAPE)
    wait(driver, "return document.activeElement.getAttribute('data-piece') === 'mark-3'")
    assert errors(driver) == []


def test_who_asks_for_less_motion_has_a_map_that_is_at_its_end_at_once(show: Opener) -> None:
    """Zoom, move, popup and its end come at once for them, and by and by for all others; both end with the same."""
    driver = show()
    now = (
        "var box = document.querySelector('.leaflet-map-pane img').getBoundingClientRect();"
        "return JSON.stringify([box.width, box.x, [].map.call(document.querySelectorAll('.leaflet-popup'),"
        " function (popup) { return getComputedStyle(popup).opacity; })])"
    )
    key = "document.querySelector('{}').dispatchEvent(new KeyboardEvent('keydown', {{bubbles: true, {}}}));"
    acts = (
        "document.querySelector('[data-tool=in]').click();",
        "document.querySelector('.folium-map').focus();" + key.format(".folium-map", "keyCode: 37"),
        key.format("path[data-piece=place-A]", "key: 'Enter'"),
        "document.querySelector('.leaflet-popup-close-button').click();",
    )
    at_once: dict[str, list[str]] = {}
    try:
        for motion in ("reduce", "no-preference"):
            asked = {"media": "", "features": [{"name": "prefers-reduced-motion", "value": motion}]}
            driver.execute_cdp_cmd("Emulation.setEmulatedMedia", asked)
            show()
            at_once[motion] = []
            for n, act in enumerate(acts):
                at_once[motion].append(driver.execute_script(act + now))
                wait(driver, f"return (function () {{ {now} }})() === arguments[0]", at_once["reduce"][n])
    finally:
        driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})
    assert all(end != still for end, still in zip(at_once["reduce"], at_once["no-preference"], strict=True))
    assert errors(driver) == []


def test_keyboard_reaches_everything(show: Opener) -> None:
    """Tab goes through the skip link, every place to go to, the tools, the key and the report."""
    driver = show()
    body = driver.find_element(By.TAG_NAME, "body")
    script = (
        "var e = document.activeElement, d = e.dataset; return e.className === 'skip' ? 'skip' :"
        " d.piece || d.tool || d.layer || d.pick || d.place || e.tagName"
    )
    reached = []
    for _ in range(90):
        (driver.switch_to.active_element or body).send_keys(Keys.TAB)
        reached.append(driver.execute_script(script))
    assert reached[0] == "skip"
    pieces = driver.execute_script(
        "return [].map.call(document.querySelectorAll('[data-piece]'), function (p) { return p.dataset.piece; })"
    )
    ticks = [tick.get_attribute("data-layer") for tick in driver.find_elements(By.CSS_SELECTOR, "[data-layer]")]
    assert {*pieces, *ticks, "in", "out", "all", "ground", "walks", "SUMMARY"} <= set(reached)


def test_choosing_a_place_zooms_to_it(show: Opener) -> None:
    """A button of the list brings its place to the middle of the map, lights it up, and opens what there is to say,
    also where its layer is off.
    """
    for size in (DESK, PHONE):
        driver = show(size=size)
        if size == PHONE:
            driver.find_element(By.CSS_SELECTOR, "[data-part='report']").click()
        button = driver.find_elements(By.CSS_SELECTOR, "[data-place]")[1]
        driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", button)
        piece = f"place-{button.get_attribute('data-place')}"
        button.click()
        told(driver)
        wait(driver, "return document.querySelector('.ground').clientHeight > 300")
        script = (
            "return [\"path[data-piece='%s']\", '.ground'].map(function (s) {"
            " return document.querySelector(s).getBoundingClientRect().toJSON(); })"
        )
        place, ground = driver.execute_script(script % piece)
        assert ground["left"] <= place["left"] and place["right"] <= ground["right"]
        assert max(place["width"], place["height"]) > 100
        lit = "return document.querySelector('path.lit').getAttribute('data-piece')"
        assert driver.execute_script(lit) == piece
        assert errors(driver) == []


@pytest.mark.parametrize("name", ["plain", "evil"])
@pytest.mark.parametrize("size", [DESK, PHONE])
def test_nothing_overlaps_and_nothing_sticks_out(show: Opener, size: tuple[int, int], name: str) -> None:
    """At both sizes, however long the names, nothing scrolls sideways, controls keep apart and a finger hits them."""
    driver = show(name, size)
    for part in ("", "key", "report") if size == PHONE else ("",):
        if part:
            driver.find_element(By.CSS_SELECTOR, f"[data-part='{part}']").click()
        width, screen = driver.execute_script("return [document.documentElement.scrollWidth, window.innerWidth]")
        assert width <= screen == size[0]
        inner = "var e = document.querySelector('.%s'); return e.scrollWidth - e.clientWidth"
        assert [driver.execute_script(inner % part) for part in ("side", "parts")] == [0, 0]
        script = (
            "return ['.tools', '.north', '.leaflet-control-scale', '.head', '.bar', '.parts'].map(function (s) {"
            " var e = document.querySelector(s); return e && e.offsetParent !== null || s === '.north' ?"
            " [s, e.getBoundingClientRect().toJSON()] : null; }).filter(Boolean)"
        )
        boxes = [(name, box) for name, box in driver.execute_script(script) if box["width"] and box["height"]]
        for n, (one, a) in enumerate(boxes):
            for other, b in boxes[n + 1 :]:
                apart = (
                    a["right"] <= b["left"] + 1
                    or b["right"] <= a["left"] + 1
                    or a["bottom"] <= b["top"] + 1
                    or b["bottom"] <= a["top"] + 1
                )
                assert apart, (one, other)
        small = driver.execute_script(
            "return [].filter.call(document.querySelectorAll('button, select, summary, .ticks label'), function (e) {"
            " var r = e.getBoundingClientRect(); return r.width && (r.height < 43.5 || r.width < 43.5); })"
            ".map(function (e) { return e.outerHTML; })"
        )
        assert small == []


def test_phone_parts_open_and_close(show: Opener) -> None:
    """On a phone the map fills the screen; key and report open below it, one at a time, and say so."""
    driver = show(size=PHONE)
    assert driver.execute_script("return document.querySelector('.ground').clientHeight") > 0.7 * PHONE[1]
    key, report = (driver.find_element(By.CSS_SELECTOR, f"[data-part='{part}']") for part in ("key", "report"))
    key.click()
    assert key.get_attribute("aria-expanded") == "true" and driver.find_element(By.ID, "key").is_displayed()
    report.click()
    assert key.get_attribute("aria-expanded") == "false" and not driver.find_element(By.ID, "key").is_displayed()
    assert driver.find_element(By.ID, "report").is_displayed() and driver.find_element(By.ID, "lead").is_displayed()
    report.click()
    assert not driver.find_element(By.ID, "report").is_displayed()


def test_names_run_nothing(show: Opener) -> None:
    """Names that are attacks are shown as text everywhere: in the panel, in lists, and in every popup."""
    driver = show("evil")
    for path in driver.find_elements(By.CSS_SELECTOR, "path[data-piece]"):
        driver.execute_script("arguments[0].focus()", path)
        driver.switch_to.active_element.send_keys(Keys.ENTER)
        wait(driver, "return document.activeElement.className === 'said'")
        driver.switch_to.active_element.send_keys(Keys.ESCAPE)
    driver.execute_script("document.querySelectorAll('details').forEach(function (d) { d.open = true; })")
    assert driver.execute_script("return window.hacked === undefined")
    assert driver.execute_script("return document.querySelectorAll('.side img').length") == 0
    assert driver.find_element(By.TAG_NAME, "h1").text.startswith("<img src=x onerror=")
    assert "{{7*7}}" in driver.title
    assert errors(driver) == []


def test_cells_can_be_seen_singly(show: Opener) -> None:
    """Zoomed in as far as it goes, a cell of 5 cm is several pixels wide, and the map still draws."""
    driver = show()
    button = driver.find_element(By.CSS_SELECTOR, "[data-tool='in']")
    scale = "return document.querySelector('.leaflet-control-scale-line').textContent"
    last = ""
    for _ in range(12):
        last = driver.execute_script(scale)
        button.click()
    assert last in ("1 m", "0.5 m", "50 cm") or last.endswith(" cm") or last == "0 m"
    wide = driver.execute_script("return document.querySelector('.leaflet-map-pane img').getBoundingClientRect().width")
    cells = sample_result().layers.grid.cols
    assert wide / cells > 8  # pixels for a cell of 10 cm
    assert errors(driver) == []


def test_paper_has_map_panel_and_no_controls(show: Opener) -> None:
    """Printed, the map stands above answer, list and key; what is folded or can only be pressed is left out."""
    driver = show()
    driver.execute_script("window.dispatchEvent(new Event('beforeprint'))")
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        script = "return document.querySelector('%s').getBoundingClientRect().toJSON()"
        ground, side = (driver.execute_script(script % name) for name in (".ground", ".side"))
        assert side["top"] >= ground["bottom"] - 1
        listed = driver.find_elements(By.CSS_SELECTOR, "[data-place]")
        assert len(listed) > 5 and all(button.is_displayed() for button in listed)
        for name in (".tools", ".bar", ".skip"):
            assert not driver.find_element(By.CSS_SELECTOR, name).is_displayed()
        shown = driver.execute_script(
            "return [].some.call(document.querySelectorAll('.fold'), function (f) { return f.offsetParent; })"
        )
        assert not shown
        picture = driver.execute_script(script % ".leaflet-map-pane img")
        assert picture["left"] >= ground["left"] - 1 and picture["bottom"] <= ground["bottom"] + 1
    finally:
        driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
        driver.execute_script("window.dispatchEvent(new Event('afterprint'))")
    assert driver.execute_script("return document.querySelectorAll('details[open]').length") == 0


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_what_was_not_shown_at_first_is_whole_when_it_is_asked_for(show: Opener, size: tuple[int, int]) -> None:
    """Walks are off at first; asked for, each has its lines and its stops, of one outing or of all, and so on paper."""
    driver = show(size=size)
    walks = (
        "return ['path[fill=none]', 'g g path'].map(function (what) {"
        " return document.querySelectorAll('.leaflet-walks-pane ' + what).length; })"
    )
    if size == PHONE:
        driver.find_element(By.CSS_SELECTOR, "[data-part='key']").click()
    chooser = Select(driver.find_element(By.ID, "pick-walks"))
    outings = sample_result().layers.outings
    alone = []
    assert driver.execute_script(walks) == [0, 0]
    for n, outing in enumerate(outings):
        chooser.select_by_value(f"walk-{n}")
        lines, stops = driver.execute_script(walks)
        assert lines >= 2 * len(outing.walks) and stops == len(outing.stops)
        alone.append((lines, stops))
    chooser.select_by_value("walks")
    together = [sum(numbers) for numbers in zip(*alone, strict=True)]
    assert driver.execute_script(walks) == together
    driver.execute_script("window.dispatchEvent(new Event('beforeprint'))")
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        assert driver.execute_script(walks) == together
        assert driver.find_element(By.CSS_SELECTOR, ".leaflet-walks-pane g path").is_displayed()
    finally:
        driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
        driver.execute_script("window.dispatchEvent(new Event('afterprint'))")
    chooser.select_by_index(0)
    assert driver.execute_script(walks) == [0, 0]
    assert errors(driver) == []


def test_on_a_phone_finds_stand_in_the_report_so_that_the_map_has_the_room(driver: Any, tmp_path: Path) -> None:
    """Lines of the answer that nobody needs in the field are the first of the report there, and beside the map else."""
    result = sample_result()
    found = replace(result, report=replace(result.report, finds=(Find(1, "keep"), Find(2, "junk"))))
    (tmp_path / "found.html").write_text(map_html(found), "utf-8")
    seen = "[...document.querySelectorAll('.answer dd')].filter(e => e.offsetParent && e.innerText === '1 kept of 2')"
    for size, where in ((DESK, "answer"), (PHONE, "answer rest")):
        screen(driver, size)
        driver.get((tmp_path / "found.html").as_uri())
        wait(driver, "return document.documentElement.getAttribute('data-drawn') === 'yes'")
        driver.execute_script(
            "var b = document.querySelector('[data-part=report]'); if (b.offsetParent) { b.click(); }"
        )
        assert driver.execute_script(f"return {seen}.map(e => e.parentNode.className)") == [where]


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_the_whole_site_fills_the_map_on_paper_whatever_the_screen(show: Opener, size: tuple[int, int]) -> None:
    """Printed from a wide screen or a phone, a site that is seen whole is as large as the paper lets it be."""
    driver = show(size=size)
    driver.execute_script("window.dispatchEvent(new Event('beforeprint'))")
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        box = "var r = document.querySelector('%s').getBoundingClientRect(); return [r.width, r.height]"
        map_size, site_size = (driver.execute_script(box % name) for name in (".ground", ".leaflet-map-pane img"))
        shares = [one / all_of_it for one, all_of_it in zip(site_size, map_size, strict=True)]
        assert 0.8 < max(shares) < 1
    finally:
        driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
        driver.execute_script("window.dispatchEvent(new Event('afterprint'))")


def test_map_answer_and_letters_stand_on_the_first_page_of_paper(show: Opener) -> None:
    """Printed on A4 or Letter, the map, the answer and every letter with its place come before the first page ends."""
    driver = show()
    wide, high = 688, 973  # CSS pixels of 182 mm, and of Letter less margins of 11 mm, which is the lower of the two
    driver.execute_script("window.dispatchEvent(new Event('beforeprint'))")
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        screen(driver, (wide, high), opened=True)
        bottom = "return Math.max.apply(null, [].map.call(document.querySelectorAll('%s'), function (e) {"
        bottom += " return e.getBoundingClientRect().bottom + scrollY; }))"
        for part in (".ground", ".answer", "[data-place]"):
            assert 0 < driver.execute_script(bottom % part) < high
    finally:
        driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
        driver.execute_script("window.dispatchEvent(new Event('afterprint'))")


LONG_SITE = """
name = "A site with a rather long name along the eastern bank, second part"
zone = "UTC"
cell = "10cm"
[marks]
%s
%s
"""


@pytest.fixture(scope="module")
def cards(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Write a card without a site, and one for a site with many coils and words of its own."""
    kinds = ("off", "on", "coil", "lane", "peg", "keep", "junk", "left", "count", "blocked", "stop")
    own = "\n".join(f'{kind} = ["{kind}x", "{kind}-in-another-language", "{kind}y", "{kind}z"]' for kind in kinds)
    coils = "\n".join(f'[coils."coil number {n} with a long name"]\nsize = "13x20cm"' for n in range(9))
    crowded = read_settings((LONG_SITE % (own, coils)).encode(), "site.toml")
    folder = tmp_path_factory.mktemp("cards")
    for name, settings in (("bare", None), ("crowded", crowded)):
        (folder / f"{name}.html").write_text(card_html(settings), "utf-8")
    return {name: folder / f"{name}.html" for name in ("bare", "crowded")}


@pytest.mark.parametrize("name", ["bare", "crowded"])
def test_the_card_is_one_page_and_asks_for_nothing(driver: Any, cards: dict[str, Path], name: str) -> None:
    """On A4 and on Letter the card prints on one page, black on white; only the file itself is asked for."""
    driver.execute_cdp_cmd("Network.enable", {})
    for kind in ("browser", "performance"):
        driver.get_log(kind)
    driver.get(cards[name].as_uri())
    for width_in, height_in in ((8.27, 11.69), (8.5, 11.0)):
        paper = {"paperWidth": width_in, "paperHeight": height_in, "preferCSSPageSize": False}
        pdf = base64.b64decode(driver.execute_cdp_cmd("Page.printToPDF", paper)["data"])
        assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1
    colours = driver.execute_script(
        "return [].map.call(document.querySelectorAll('body, body *'), function (e) { var s = getComputedStyle(e);"
        " return s.color + s.backgroundColor; })"
    )
    assert set(colours) == {"rgb(0, 0, 0)rgb(255, 255, 255)", "rgb(0, 0, 0)rgba(0, 0, 0, 0)"}
    asked = [json.loads(entry["message"])["message"] for entry in driver.get_log("performance")]
    urls = {e["params"]["request"]["url"] for e in asked if e["method"] == "Network.requestWillBeSent"}
    assert {url for url in urls if not url.startswith("data:")} == {cards[name].as_uri()}
    assert errors(driver) == []


@pytest.mark.parametrize("name", ["bare", "crowded"])
def test_the_card_fits_a_phone(driver: Any, cards: dict[str, Path], name: str) -> None:
    """On a phone nothing of the card sticks out sideways."""
    screen(driver, (360, 740))
    driver.get(cards[name].as_uri())
    assert driver.execute_script("return [document.documentElement.scrollWidth, window.innerWidth]") == [360, 360]


# -- the picture of a walked edge


@pytest.fixture(scope="module")
def edge_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the page of a walk with a stop, an overlap, a gap and a way from the car."""
    corners = [(-40.0, -30.0), *past_the_start(45)]
    walked = edge_of_walk(recording(corners, ((90.0, 150),), "typical", 1, lost=[(420, 460)]))
    file = tmp_path_factory.mktemp("edge") / "edge.html"
    file.write_text(edge_html(walked, "Gull Bank" * 6), "utf-8")
    return file


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_picture_of_the_edge_fits_the_screen_and_asks_for_nothing(
    driver: Any, edge_page: Path, size: tuple[int, int]
) -> None:
    """On a desk and on a phone the picture is there, nothing scrolls sideways, and no request is made."""
    screen(driver, size)
    driver.execute_cdp_cmd("Network.enable", {})
    for kind in ("browser", "performance"):
        driver.get_log(kind)
    driver.get(edge_page.as_uri())
    wait(driver, "return document.querySelectorAll('svg.plan path').length > 8")
    assert driver.execute_script("return document.documentElement.scrollWidth <= window.innerWidth")
    box = driver.find_element(By.CSS_SELECTOR, "svg.plan").rect
    assert box["width"] > 0.55 * min(size[0], 736) and box["x"] >= 0
    sent = [json.loads(entry["message"])["message"] for entry in driver.get_log("performance")]
    asked = {one["params"]["request"]["url"] for one in sent if one["method"] == "Network.requestWillBeSent"}
    assert {url for url in asked if not url.startswith(("file:", "data:"))} == set()
    assert driver.get_log("browser") == []
