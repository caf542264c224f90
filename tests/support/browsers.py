"""A headless Chromium with what it complained about, for every test that looks at a page."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.common.exceptions import WebDriverException
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.support.ui import WebDriverWait

# With less motion asked for, the map is at its end at once; what moves is looked at in test_map_in_browser.py.
# A container may have little shared memory, without which pages crash.
FLAGS = (
    "--headless=new --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync --disable-dev-shm-usage --force-prefers-reduced-motion"
)
PATIENCE_S, LOOK_S = 120, 0.1  # no claim is about time: a slow machine may take as long as it likes
DESK, PHONE = (1400, 900), (390, 844)


@pytest.fixture(scope="module")
def driver(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """Start Chromium once; skip without one, unless FIELDCOMB_NEED_BROWSER=1 says that it must be there."""
    browser, helper = shutil.which("chromium"), shutil.which("chromedriver")
    if browser is None or helper is None:
        if os.environ.get("FIELDCOMB_NEED_BROWSER") == "1":
            pytest.fail("chromium and chromedriver are needed here and were not found")
        pytest.skip("no chromium with chromedriver found")
    options = webdriver.ChromeOptions()
    options.binary_location = browser
    for flag in FLAGS.split():
        options.add_argument(flag)
    options.add_argument(f"--user-data-dir={tmp_path_factory.mktemp('profile')}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    started = webdriver.Chrome(options=options, service=Service(helper))
    started.set_script_timeout(PATIENCE_S)
    yield started
    started.quit()


def wait(driver: Any, script: str, *given: Any) -> Any:
    """Wait until a script returns what is true, and give that; between two pages there may be none to ask."""
    waiting = WebDriverWait(driver, PATIENCE_S, LOOK_S, ignored_exceptions=[WebDriverException])
    return waiting.until(lambda d: d.execute_script(script, *given), f"{script} {given or ''}")


def told(driver: Any, where: str = ".leaflet-popup .said") -> str:
    """Wait until an element says something, and give all it says.

    Read by one script, since a driver gives no text of what fades in, and the element may be another by the next call.
    """
    return str(wait(driver, f"var e = document.querySelector('{where}'); return e ? e.innerText.trim() : ''"))


def says(driver: Any, words: str, where: str = "main") -> None:
    """Wait until an element says some words among others."""
    script = "var e = document.querySelector(arguments[0]); return !!e && e.innerText.includes(arguments[1])"
    wait(driver, script, where, words)


def follow(driver: Any, link: Any) -> None:
    """Click what leads to another page, and wait until that is there: a click comes back before the page has gone."""
    driver.execute_script("window.leaving = true")
    link.click()
    wait(driver, "return !window.leaving && document.readyState === 'complete'")


def screen(driver: Any, size: tuple[int, int], *, opened: bool = False) -> None:
    """Give the screen a size, that of a phone if it is narrow; a page that is ``opened`` already is waited for."""
    values = {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": size[0] < 600}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", values)
    if opened:
        wait(driver, "return window.innerWidth === arguments[0]", size[0])


def errors(driver: Any) -> list[str]:
    """Give what the browser complained about since the page was opened."""
    return [entry["message"] for entry in driver.get_log("browser") if entry["level"] in ("SEVERE", "WARNING")]


def axe(driver: Any) -> list[str]:
    """Give the violations of level A and AA that axe-core finds on the page, with the elements at fault."""
    given = os.environ.get("FIELDCOMB_AXE")  # a newer one, by hand
    script = Path(given).read_text("utf-8") if given else (files("axe_core_python") / "axe.min.js").read_text("utf-8")
    driver.execute_script(script)
    rules = "{runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'], iframes: false}"
    found = driver.execute_async_script(f"axe.run(document, {rules}).then(arguments[0])")
    assert len(found["passes"]) > 5
    return [f"{one['id']}: {node['html'][:120]}" for one in found["violations"] for node in one["nodes"]]
