"""The local page in a real browser: the whole job from a new site to the map, and what can go wrong on the way."""

from __future__ import annotations

import http.server
import json
import re
import socket
import threading
from collections.abc import Iterator
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from browsers import DESK, LOOK_S, PATIENCE_S, PHONE, axe, errors, follow, says, screen, told, wait
from local_page import running
from samples import EVIL
from selenium.common.exceptions import TimeoutException, WebDriverException
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait
from small_walks import LAT, LON, MORNING, snapshot, square, walk

from fieldcomb.coverage.actions.add import add
from fieldcomb.coverage.actions.given_walks import WalksToAdd, WalkToAdd
from fieldcomb.coverage.actions.new_site import new_site
from fieldcomb.coverage.actions.plan_lanes import LaneWishes, plan_site_lanes
from fieldcomb.coverage.jobs.job_protocol import SHARE, Order
from fieldcomb.coverage.jobs.worker import carry_out
from fieldcomb.coverage.site.options_fields import FIELDS
from fieldcomb.coverage.site.settings import Typed
from fieldcomb.coverage.site.settings_file import read_settings
from fieldcomb.coverage.site.toml_text import quoted
from fieldcomb.coverage.web.routes import outing_ids_at
from fieldcomb.coverage.web.server import Service

pytestmark = pytest.mark.browser

DRAWN = "return document.documentElement.getAttribute('data-drawn') === 'yes'"


def quiet(_: str) -> None:
    """Take a note and forget it."""


def into_map(browser: Any) -> None:
    """Step into the map once it is drawn.

    Its frame begins empty and is then put into a process of its own: who stepped in too early would wait in a document
    that is gone, so each look steps in anew.
    """

    def drawn(driver: Any) -> bool:
        driver.switch_to.default_content()
        driver.switch_to.frame(driver.find_element(By.CSS_SELECTOR, "iframe.map"))
        return bool(driver.execute_script(DRAWN))

    try:
        WebDriverWait(browser, PATIENCE_S, LOOK_S, ignored_exceptions=[WebDriverException]).until(drawn)
    except TimeoutException:
        look = "return [location.href, document.readyState, document.body.innerText.slice(0, 200)]"
        state = browser.execute_script(look)
        pytest.fail(f"the map is not drawn: {state}, {browser.get_log('browser')}")


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Make a folder of sites with one site, which has a coil of its own and no outing yet; walks lie beside it."""
    (tmp_path / "edge.geojson").write_text(square(0, 0, 20, 20))
    for n in range(3):
        (tmp_path / f"walk{n}.gpx").write_text(walk(MORNING.replace(day=7 + n), east_m=5.0 * n))
    (tmp_path / "sites").mkdir()
    folder = tmp_path / "sites" / "field"
    new_site(folder, boundary=str(tmp_path / "edge.geojson"), say=quiet)
    with (folder / "site.toml").open("a") as file:
        file.write('\n[coils.small]\nsize = "20cm"\nswath = "1.2m"\n')
    return tmp_path / "sites"


@pytest.fixture
def service(root: Path) -> Iterator[Service]:
    """Serve that folder."""
    with running(root) as started:
        yield started


@pytest.fixture
def browser(driver: Any, service: Service) -> Iterator[Any]:
    """Give the browser on the first page, at the size of a desk, with the logs emptied."""
    driver.execute_cdp_cmd("Network.enable", {})
    screen(driver, DESK)
    driver.get(service.addresses.here)
    wait(driver, "return !location.pathname.startsWith('/enter/') && document.readyState === 'complete'")
    for kind in ("browser", "performance"):
        driver.get_log(kind)
    yield driver
    for handle in driver.window_handles[1:]:
        driver.switch_to.window(handle)
        driver.close()
    driver.switch_to.window(driver.window_handles[0])


def base(service: Service) -> str:
    """Give the address without the key."""
    return service.addresses.here.partition("/enter/")[0] + service.gate.prefix


def choose(driver: Any, *paths: Path, field: str = "tracks") -> None:
    """Choose files in a form."""
    driver.find_element(By.ID, field).send_keys("\n".join(map(str, paths)))


def send(driver: Any) -> None:
    """Press the main button."""
    driver.find_element(By.CSS_SELECTOR, "form[data-send] button.main").click()


def finished(driver: Any) -> str:
    """Wait for the page of a piece of work to tell how it ended; gives its headline."""
    over = "location.pathname.includes('/job/') && document.readyState === 'complete'"
    over += " && !document.querySelector('[data-job]')"
    return str(wait(driver, f"return {over} && document.querySelector('h1').innerText"))


def problem(driver: Any) -> str:
    """Wait for a form to tell what is wrong; gives the words."""
    return told(driver, ".problem")


def clicked_plan(driver: Any, x: float, y: float) -> None:
    """Click on the blank plan, at a share of its width and height."""
    script = (
        "var p = document.getElementById('plan'), b = p.getBoundingClientRect();"
        "var at = {clientX: b.left + b.width * arguments[0], clientY: b.top + b.height * arguments[1], bubbles: true};"
        "p.dispatchEvent(new MouseEvent('click', at))"
    )
    driver.execute_script(script, x, y)


def dropped(driver: Any, text: str, name: str) -> None:
    """Drop a file on the page."""
    script = (
        "var t = new DataTransfer(); t.items.add(new File([arguments[0]], arguments[1]));"
        "var zone = document.querySelector('[data-drop]'), how = {dataTransfer: t, bubbles: true, cancelable: true};"
        "zone.dispatchEvent(new DragEvent('drop', how))"
    )
    driver.execute_script(script, text, name)
    says(driver, name, ".chosen")


def tapped_plan(driver: Any, *places: tuple[float, float]) -> None:
    """Tap the plan of the areas at some places, shares of its width and height, and see each become a corner."""
    plan = driver.find_element(By.ID, "plan-map")
    driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", plan)
    box = plan.size
    for count, (x, y) in enumerate(places, 1):
        across, down = round((x - 0.5) * box["width"]), round((y - 0.5) * box["height"])
        ActionChains(driver).move_to_element_with_offset(plan, across, down).click().perform()
        says(driver, f" {count} set", "#told")


def areas_ready(driver: Any) -> None:
    """Wait until the plan of the areas is drawn."""
    wait(driver, "return !!document.querySelector('#areas[data-ready]')")


def test_a_walk_comes_first_then_the_edge_and_the_name(browser: Any, service: Service, root: Path) -> None:
    """From an empty page to a site: drop a walk and see it, draw the edge over it, name the site; nothing is asked of
    anybody else.
    """
    dropped(browser, walk(), "saturday.gpx")
    browser.find_element(By.ID, "coil").send_keys("small=20cm")
    browser.find_element(By.ID, "swath").send_keys("1.2")
    send(browser)
    assert finished(browser) == "Here is your walk"
    text = browser.find_element(By.TAG_NAME, "main").text
    assert "Outing 2026-03-07a" in text and "This is the first outing" in text
    assert browser.execute_script(
        "return document.querySelector('.map').offsetTop < document.getElementById('notes').offsetTop"
    )
    into_map(browser)
    assert browser.find_elements(By.CSS_SELECTOR, ".leaflet-map-pane img")
    browser.find_element(By.CSS_SELECTOR, ".folium-map").send_keys(Keys.ENTER)
    assert "Lat, lon" in told(browser)
    browser.switch_to.default_content()
    assert outing_ids_at(str(root / "saturday")) == ("2026-03-07a",)
    assert 'swath = "1.2m"' in (root / "saturday" / "site.toml").read_text()

    follow(browser, browser.find_element(By.LINK_TEXT, "Draw the edge over the walk"))
    areas_ready(browser)
    tapped_plan(browser, (0.2, 0.1), (0.8, 0.1), (0.8, 0.9), (0.5, 0.5), (0.2, 0.9))
    browser.find_element(By.ID, "done").click()
    browser.find_element(By.ID, "save").click()
    assert finished(browser) == "Drawn"
    area = json.loads((root / "saturday" / "areas.geojson").read_text())["features"][0]
    assert area["properties"] == {"kind": "site"} and len(area["geometry"]["coordinates"][0]) == 6
    report = json.loads((root / "saturday" / "out" / "report.json").read_text())
    assert report["site"]["boundary"] == "given" and "areas = true" in (root / "saturday" / "site.toml").read_text()

    follow(browser, browser.find_element(By.CSS_SELECTOR, ".actions a:last-child"))
    name = browser.find_element(By.ID, "name")
    name.clear()
    name.send_keys("West side")
    browser.find_element(By.XPATH, "//section[@aria-labelledby='name-title']//button").click()
    assert finished(browser) == "Changed"
    assert read_settings((root / "saturday" / "site.toml").read_bytes(), "site.toml").name == "West side"

    events = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    asked = {e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"}
    assert len(asked) > 10 and {url for url in asked if not url.startswith((base(service) + "/", "data:"))} == set()
    assert errors(browser) == []


def test_a_site_can_begin_with_its_edge(browser: Any, service: Service, root: Path) -> None:
    """Without a walk the edge is drawn on a blank plan, and the site waits for its first walk."""
    browser.get(base(service) + "/new")
    browser.find_element(By.ID, "name").send_keys("West side")
    browser.find_element(By.ID, "middle").send_keys(f"{LAT + 10 / 111_300}, {LON + 3 / 63_200}")
    Select(browser.find_element(By.ID, "plan-width")).select_by_value("60")
    for x, y in ((0.2, 0.2), (0.8, 0.2), (0.8, 0.8), (0.1, 0.9)):
        clicked_plan(browser, x, y)
    browser.find_element(By.ID, "undo").click()
    clicked_plan(browser, 0.2, 0.8)
    send(browser)
    assert finished(browser) == "The site is ready"
    area = json.loads((root / "West-side" / "areas.geojson").read_text())["features"][0]
    assert len(area["geometry"]["coordinates"][0]) == 5
    follow(browser, browser.find_element(By.CSS_SELECTOR, ".actions a.button"))
    says(browser, "Add a walk")
    assert errors(browser) == []


def test_areas_are_corrected_over_the_walks_and_the_old_ones_kept(browser: Any, service: Service, root: Path) -> None:
    """A corner is moved and another removed with the keyboard, no-go ground is drawn, and what was is kept."""
    site = root / "field"
    before = (site / "areas.geojson").read_bytes()
    add(site, WalksToAdd([WalkToAdd(str(root.parent / "walk0.gpx"))], Typed(coil="28cm")), quiet)
    carry_out(Order("draw", str(site)), lambda **_: None)
    browser.get(base(service) + "/site/field/areas")
    areas_ready(browser)
    browser.find_element(By.CSS_SELECTOR, "#list button").click()
    corner = browser.find_element(By.CSS_SELECTOR, ".handle[title='Corner 1']")
    for _ in range(4):
        corner.send_keys(Keys.ARROW_LEFT)
    browser.find_element(By.CSS_SELECTOR, ".handle[title='Corner 3']").send_keys(Keys.DELETE)
    Select(browser.find_element(By.ID, "new-kind")).select_by_value("no-go")
    browser.find_element(By.ID, "begin").click()
    tapped_plan(browser, (0.45, 0.45), (0.55, 0.45), (0.55, 0.55))
    browser.find_element(By.ID, "done").click()
    browser.find_element(By.ID, "reason").send_keys(EVIL)
    browser.find_element(By.ID, "remove").send_keys(Keys.SHIFT + Keys.TAB)
    browser.find_element(By.ID, "save").click()
    assert finished(browser) == "Drawn"
    assert "kept in areas-before-1.geojson" in browser.find_element(By.TAG_NAME, "main").text
    assert (site / "areas-before-1.geojson").read_bytes() == before
    edge, no_go = json.loads((site / "areas.geojson").read_text())["features"]
    old = json.loads(before)["features"][0]["geometry"]["coordinates"][0]
    [ring] = edge["geometry"]["coordinates"]
    assert len(ring) == len(old) - 1 and ring[0] == ring[-1] and ring[1] == pytest.approx(old[1], abs=1e-8)
    assert (old[0][0] - ring[0][0]) / (1 / 63_200) == pytest.approx(2.0, abs=0.05)
    assert no_go["properties"] == {"kind": "no-go", "reason": EVIL}
    assert browser.execute_script("return window.hacked === undefined")
    assert errors(browser) == []


def test_two_outings_and_a_depth_are_compared_beside_the_map(browser: Any, service: Service, root: Path) -> None:
    """A comparison is a map of its own on its own page; the map of the site stays as it was."""
    site = root / "field"
    for n in range(2):
        add(site, WalksToAdd([WalkToAdd(str(root.parent / f"walk{n}.gpx"))], Typed(coil="28cm")), quiet)
    carry_out(Order("draw", str(site)), lambda **_: None)
    before = (site / "out" / "map.html").read_bytes()
    browser.get(base(service) + "/site/field/compare")
    browser.find_element(By.ID, "depth").send_keys("10")
    send(browser)
    assert finished(browser) == "The comparison is drawn"
    follow(browser, browser.find_element(By.LINK_TEXT, "Look at it"))
    into_map(browser)
    words = browser.execute_script("return document.querySelector('[data-key=difference]').textContent")
    assert "2026-03-07a only" in words and "2026-03-08a only" in words
    browser.switch_to.default_content()
    browser.find_element(By.CSS_SELECTOR, "[value=since]").click()
    assert errors(browser) == []
    send(browser)
    says(browser, "no day was picked", "#since-wrong")
    assert (site / "out" / "map.html").read_bytes() == before


def test_a_wrong_value_is_told_beside_its_field(browser: Any, service: Service) -> None:
    """What is wrong with a field stands beside it, the keyboard goes there, and it is gone at the next try."""
    browser.get(base(service) + "/site/field/")
    browser.execute_script("document.querySelector('#tracks').required = false")
    browser.find_element(By.CSS_SELECTOR, "details summary").click()
    browser.find_element(By.ID, "top_pace").send_keys("quick")
    send(browser)
    assert told(browser, "#top_pace-wrong").startswith("Top pace: ")
    field = browser.switch_to.active_element
    assert field.get_attribute("id") == "top_pace" and field.get_attribute("aria-invalid") == "true"
    assert "top_pace-wrong" in field.get_attribute("aria-describedby")
    field.clear()
    send(browser)
    assert "no recording was chosen" in problem(browser)
    assert browser.find_element(By.ID, "top_pace-wrong").text == ""


def test_an_outing_has_a_page_with_its_map_numbers_and_settings(browser: Any, service: Service, root: Path) -> None:
    """The list names an outing by day, coil, points and time; its page has the map of it alone, and tells of every
    setting where its value comes from.
    """
    site = root / "field"
    for n, coil in enumerate(("28cm", "small")):
        add(site, WalksToAdd([WalkToAdd(str(root.parent / f"walk{n}.gpx"))], Typed(coil=coil, gps="good")), quiet)
    carry_out(Order("draw", str(site)), lambda **_: None)
    browser.get(base(service) + "/site/field/")
    line = browser.find_element(By.CSS_SELECTOR, "section[aria-labelledby='outings-title'] .rows a")
    assert re.fullmatch(r"8 March, small, \+[\d.]+ points?, 3 min", line.text.replace("\u202f", " "))
    follow(browser, line)
    rows = {
        row.find_element(By.TAG_NAME, "th").text: [cell.text for cell in row.find_elements(By.TAG_NAME, "td")]
        for row in browser.find_elements(By.CSS_SELECTOR, "tbody tr")
    }
    assert rows["Coil"] == ["small", "typed for the outing"]
    assert rows["Swing width"] == ["1.2 m", "coil small in site.toml"]
    assert rows["Receiver accuracy"] == ["good", "typed for the outing"]
    assert rows["Recorder carried on"][1] == "as usual"
    assert "Swept, as recorded" in browser.find_element(By.CSS_SELECTOR, ".numbers").text
    into_map(browser)
    assert not browser.find_element(By.CSS_SELECTOR, ".side").is_displayed()
    assert browser.execute_script("return document.getElementById('pick-ground').value") == "outing-1"
    assert not browser.find_elements(By.CSS_SELECTOR, ".leaflet-missed-pane path, .leaflet-places-pane path")
    browser.switch_to.default_content()
    follow(browser, browser.find_element(By.CSS_SELECTOR, ".back a"))
    assert told(browser, "h1") == "field"
    assert errors(browser) == []


def test_an_outing_is_corrected_left_out_and_taken_back(browser: Any, service: Service, root: Path) -> None:
    """What was typed is corrected on the page of the outing, and the outing is left out and taken back."""
    site = root / "field"
    for n in range(2):
        add(site, WalksToAdd([WalkToAdd(str(root.parent / f"walk{n}.gpx"))], Typed(coil="28cm")), quiet)
    place = base(service) + "/site/field/outing/2026-03-08a"
    browser.get(place)
    coil = browser.find_element(By.ID, "coil")
    coil.clear()
    coil.send_keys("small")
    send(browser)
    assert finished(browser) == "Corrected"
    assert "coil: 28cm -> small" in browser.find_element(By.TAG_NAME, "main").text
    for words in ("Leave it out", "Include it again"):
        browser.get(place)
        browser.find_element(By.XPATH, f"//button[text()='{words}']").click()
        assert finished(browser) == "Corrected"
    assert (site / "outings.toml").read_text().count("left_out") == 0
    assert (site / "outings.toml").read_text().count('coil = "small"') == 1
    assert errors(browser) == []


def test_a_bad_file_and_a_large_file_are_told_in_words(browser: Any, service: Service, root: Path) -> None:
    """A file that is no walk is told with its name, one that is too large before it is sent; the site stays."""
    before = snapshot(root / "field")
    browser.get(base(service) + "/site/field/")
    with (root.parent / "large.gpx").open("wb") as file:
        file.truncate(300 * 1024 * 1024)
    (root.parent / "bad.gpx").write_text("<html>no walk</html>")
    choose(browser, root.parent / "large.gpx")
    send(browser)
    assert "256.0 MB" in problem(browser)
    browser.refresh()
    choose(browser, root.parent / "bad.gpx")
    browser.find_element(By.ID, "swath").send_keys("14 parsecs")
    send(browser)
    assert told(browser, "#swath-wrong").startswith("Swing width: ")
    browser.find_element(By.ID, "swath").clear()
    send(browser)
    assert finished(browser) == "Nothing was added"
    assert browser.find_element(By.CSS_SELECTOR, ".warn").text.startswith("bad.gpx: ")
    assert snapshot(root / "field") == before


def test_what_was_typed_is_there_again_after_a_bad_file(browser: Any, service: Service, root: Path) -> None:
    """Who goes back from a file that is none finds coil, width and label as typed, once; a form of before is empty."""
    site = base(service) + "/site/field/"
    browser.get(site)
    (root.parent / "bad.gpx").write_text("<html>no walk</html>")
    browser.execute_script("document.querySelectorAll('details').forEach(function (fold) { fold.open = true; })")
    for field, text in (("coil", "24"), ("swath", "1.35"), ("label", "by the oak")):
        browser.find_element(By.ID, field).send_keys(text)
    Select(browser.find_element(By.NAME, "coil-unit")).select_by_visible_text("in")
    choose(browser, root.parent / "bad.gpx")
    send(browser)
    assert finished(browser) == "Nothing was added"
    follow(browser, browser.find_element(By.CSS_SELECTOR, ".actions a:last-child"))
    values = [
        browser.find_element(By.NAME, name).get_attribute("value") for name in ("coil", "coil-unit", "swath", "label")
    ]
    assert values == ["24", "in", "1.35", "by the oak"] and browser.find_element(By.ID, "label").is_displayed()
    choose(browser, root.parent / "walk0.gpx")
    send(browser)
    assert finished(browser) == "Added"
    browser.get(site)
    assert browser.find_element(By.ID, "label").get_attribute("value") == ""


def test_two_uploads_at_once_are_both_added(browser: Any, service: Service, root: Path) -> None:
    """Two people who send a walk at the same moment both find it in the site, and the map has both."""
    for n in range(2):
        if n:
            browser.switch_to.new_window("tab")
        browser.get(base(service) + "/site/field/")
        choose(browser, root.parent / f"walk{n}.gpx")
    for handle in browser.window_handles:
        browser.switch_to.window(handle)
        send(browser)
    for handle in browser.window_handles:
        browser.switch_to.window(handle)
        assert finished(browser) == "Added"
    assert sorted(outing_ids_at(str(root / "field"))) == ["2026-03-07a", "2026-03-08a"]
    report = json.loads((root / "field" / "out" / "report.json").read_text())
    assert len(report["outings"]) == 2


class Line:
    """A wire between the browser and the server that can be cut in the middle of an upload."""

    def __init__(self, service: Service) -> None:
        self.target = service.addresses.here.split("/")[2].split(":")
        self.cut_after: int | None = None
        self.listening = socket.create_server(("127.0.0.1", 0))
        self.host = f"127.0.0.1:{self.listening.getsockname()[1]}"
        # The server is known by the near end of the wire.
        object.__setattr__(service.gate, "hosts", frozenset({self.host}))
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                near = self.listening.accept()[0]
                try:
                    far = socket.create_connection(self.target)
                except OSError:  # the server is gone
                    near.close()
                    continue
                for ends in ((near, far, True), (far, near, False)):
                    threading.Thread(target=self._carry, args=ends, daemon=True).start()

    def _carry(self, source: socket.socket, target: socket.socket, upwards: bool) -> None:
        carried = 0
        with suppress(OSError):
            while data := source.recv(8192):
                carried += len(data)
                if upwards and self.cut_after is not None and carried > self.cut_after:
                    break
                target.sendall(data)
        for end in (source, target):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()


def test_a_connection_lost_in_the_middle_adds_nothing_and_can_be_tried_again(
    browser: Any, service: Service, root: Path
) -> None:
    """When the network goes while a walk is sent, the page says so and nothing was added; a second try works."""
    before = snapshot(root / "field")
    (root.parent / "long.gpx").write_text(walk(count=40))
    line = Line(service)
    browser.get(f"http://{line.host}/enter/{service.gate.token}")
    wait(browser, "return !location.pathname.startsWith('/enter/') && document.readyState === 'complete'")
    browser.get(f"http://{line.host}{service.gate.prefix}/site/field/")
    choose(browser, root.parent / "long.gpx")
    line.cut_after = 60_000
    send(browser)
    assert "connection was lost" in problem(browser)
    assert snapshot(root / "field") == before
    assert [path.name for path in service.uploads.folder.iterdir()] == [".lock"]
    line.cut_after = None
    send(browser)
    assert finished(browser) == "Added"
    line.listening.close()


def test_a_page_of_another_origin_gets_nothing(browser: Any, service: Service, root: Path, tmp_path: Path) -> None:
    """A strange page in the same browser can neither send a form here, nor read, nor show this page inside its own."""
    before = snapshot(root / "field")
    here = base(service)
    strange = tmp_path / "strange"
    strange.mkdir()
    (strange / "index.html").write_text(
        f"<iframe src='{here}/'></iframe><form method=post action='{here}/site/field/draw'><button>x</button></form>"
        f"<script>fetch('{here}/', {{credentials: 'include'}}).then(a => a.text()).then(t => document.title = 'read')"
        f".catch(e => document.title = 'refused')</script>"
    )

    cookies: list[str | None] = []

    class Quiet(http.server.SimpleHTTPRequestHandler):
        def do_GET(self) -> None:
            """Note the cookies that came along."""
            cookies.append(self.headers["Cookie"])
            super().do_GET()

        def log_message(self, *_: Any) -> None:
            """Print nothing."""

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), partial(Quiet, directory=str(strange))) as other:
        threading.Thread(target=other.serve_forever, daemon=True).start()
        # Another port is the same site to a browser, another host is not.
        for host in ("127.0.0.1", "localhost"):
            browser.get(f"http://{host}:{other.server_port}/")
            wait(browser, "return document.title === 'refused'")
            browser.switch_to.frame(0)
            assert "Your sites" not in browser.find_element(By.TAG_NAME, "body").text
            browser.switch_to.default_content()
            browser.find_element(By.TAG_NAME, "button").click()
            wait(browser, "return location.pathname.endsWith('/site/field/draw') && document.readyState === 'complete'")
            assert browser.find_element(By.TAG_NAME, "body").text.startswith("Bad Request")
        other.shutdown()
    assert cookies and set(cookies) == {None}  # another program on this machine never gets the key
    assert service.jobs.working_on(str(root / "field")) is None
    assert snapshot(root / "field") == before


def test_the_map_cannot_reach_the_page_around_it(browser: Any, service: Service, root: Path) -> None:
    """A script inside the map sees neither the key nor the page, and can ask the server for nothing."""
    add(root / "field", WalksToAdd([WalkToAdd(str(root.parent / "walk0.gpx"))]), quiet)
    carry_out(Order("draw", str(root / "field")), lambda **_: None)
    reach = (
        "var done = arguments[0], found = [self.origin === 'null'];"
        "try { document.cookie; found.push(false) } catch (e) { found.push(true) }"
        "try { top.document.title; found.push(top === self) } catch (e) { found.push(true) }"
        "fetch('/').then(function () { done(found.concat(false)) }, function () { done(found.concat(true)) })"
    )
    browser.get(base(service) + "/site/field/")
    into_map(browser)
    assert browser.execute_async_script(reach) == [True, True, True, True]
    browser.switch_to.default_content()
    browser.get(base(service) + "/site/field/file/map.html")
    wait(browser, DRAWN)
    assert browser.execute_async_script(reach) == [True, True, True, True]


def test_everything_can_be_done_with_the_keyboard(browser: Any, service: Service, root: Path) -> None:
    """Tab reaches every field in the order in which they are read, each with a visible ring, and Enter sends."""
    browser.get(base(service) + "/site/field/")
    seen: list[str] = []
    for _ in range(40):
        ActionChains(browser).send_keys(Keys.TAB).perform()
        here = browser.switch_to.active_element
        ring = "return getComputedStyle(document.activeElement).outlineStyle !== 'none'"
        assert browser.execute_script(ring), here.get_attribute("outerHTML")
        seen.append(here.get_attribute("id") or here.tag_name)
        if here.get_attribute("id") == "tracks":
            here.send_keys(str(root.parent / "walk0.gpx"))
        if here.get_attribute("id") == "coil":
            here.send_keys("25cm")
        if here.get_attribute("id") == "swath":
            here.send_keys("1.3m")
        if here.get_attribute("type") == "submit":
            break
    order = [name for name in seen if name in ("tracks", "known_coil", "coil", "swath", "summary", "button")]
    assert order == ["tracks", "known_coil", "coil", "swath", "summary", "button"]
    ActionChains(browser).send_keys(Keys.ENTER).perform()
    assert finished(browser) == "Added"
    assert 'coil = "25cm"' in (root / "field" / "outings.toml").read_text()


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_every_page_is_readable_by_everybody(browser: Any, service: Service, root: Path, size: tuple[int, int]) -> None:
    """On a desk and on a phone no page breaks a rule of WCAG A or AA that can be checked, and none is too wide."""
    add(root / "field", WalksToAdd([WalkToAdd(str(root.parent / "walk0.gpx"))], Typed(), label="a" * 70), quiet)
    carry_out(Order("draw", str(root / "field")), lambda **_: None)
    plan_site_lanes(root / "field", LaneWishes("small"), say=quiet, progress=lambda *_: None)
    done = service.jobs.submit(Order("edit", str(root / "field"), outing="none"))
    screen(browser, size)
    paths = [
        "/",
        "/new",
        "/site/field/",
        "/site/field/outing/2026-03-07a",
        "/site/field/areas",
        "/site/field/compare",
        "/site/field/lanes",
        "/site/field/lanes/1",
        f"/job/{done.id}",
        "/nowhere",
        "/card",
    ]
    found: dict[str, list[str]] = {}
    for path in [*paths, "/site/field/file/map.html"]:
        browser.get(base(service) + path)
        if path.startswith("/job/"):
            assert finished(browser) == "Nothing was changed"
        if path == "/new":
            browser.find_element(By.ID, "middle").send_keys(f"{LAT}, {LON}")
            clicked_plan(browser, 0.3, 0.3)
        if path.endswith("map.html"):
            wait(browser, DRAWN)
        if path.endswith("/areas"):
            areas_ready(browser)
            browser.find_element(By.CSS_SELECTOR, "#list button").click()
        browser.execute_script("document.querySelectorAll('details').forEach(function (d) { d.open = true })")
        found[path] = axe(browser)
        wide = "return document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert browser.execute_script(wide) <= 0, path
    assert found == {path: [] for path in found}


def test_nothing_that_was_typed_runs(root: Path, browser: Any, service: Service) -> None:
    """Every text that can be typed freely, written as an attack, is shown as text on pages, map and card."""
    folder = root / "field"
    coil = "<script>window.hacked++</script>"  # a sign = would part a name from a size
    text = (folder / "site.toml").read_text().replace('name = "field"', f"name = {quoted(EVIL)}")
    (folder / "site.toml").write_text(f'{text}\n[coils.{quoted(coil)}]\nsize = "20cm"\n')
    free = {field.key for field in FIELDS if field.read is str} | {"coil"}
    # A new one takes its place here.
    assert free == {"coil", "ground", "label", "note", "searcher", "name", "seen", "filled"}
    typed = Typed(coil=coil, ground=EVIL)
    walks = WalksToAdd([WalkToAdd(str(root.parent / "walk0.gpx"))], typed, label=EVIL, note=EVIL)
    (outing,) = add(folder, walks, quiet)
    changes: dict[str, Any] = {"searcher": EVIL, "coil": coil}
    order = Order("edit", str(folder), outing=outing.id, recording="walk0.gpx", changes=changes)
    carry_out(order, lambda **values: None)
    about = {"seen": EVIL, "filled": EVIL}
    carry_out(Order("edit", str(folder), outing=outing.id, changes=about), lambda **values: None)
    cell = EVIL.replace('"', '""')
    (folder / "finds.csv").write_text(f'find_no,kind,what,note\n1,keep,"{cell}","{cell}"\n')
    carry_out(Order(SHARE, str(folder), name="owner", draw=False), lambda **values: None)
    inputs = "[...document.querySelectorAll('input')].map(i => i.value)"
    pages = ("/", "/site/field/", f"/site/field/outing/{outing.id}", "/site/field/card", "/site/field/file/map.html")
    pages += ("/site/field/finds", "/site/field/copy/owner")
    for page in pages:
        browser.get(base(service) + page)
        card = "return !!document.querySelector('[data-find] {}')"  # which the page asks for, and fills when opened
        whole = {"map.html": DRAWN, "finds": card.format("details")}
        wait(browser, whole.get(page.rpartition("/")[2], "return document.readyState === 'complete'"))
        browser.execute_script("document.querySelectorAll('details').forEach(function (d) { d.open = true; })")
        if page.endswith("/finds"):
            wait(browser, card.format("input"))
        assert browser.execute_script("return window.hacked === undefined"), page
        assert browser.execute_script("return document.querySelectorAll('img[src=x]').length") == 0, page
        shown = browser.execute_script(f"return document.body.innerText + {inputs}")
        if "/copy/" in page:  # where letters alone are kept of what was typed
            assert "For the owner of the ground" in shown
        else:
            assert "<img src=x onerror=" in shown or "<script>window" in shown, page
    assert errors(browser) == []
