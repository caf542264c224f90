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
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.support.ui import WebDriverWait

FLAGS = (
    "--headless=new --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync"
)
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
    yield started
    started.quit()


def wait(driver: Any, script: str) -> None:
    """Wait until a script returns true."""
    WebDriverWait(driver, 60).until(lambda d: d.execute_script(script), script)


def told(driver: Any, where: str = ".leaflet-popup .said") -> str:
    """Wait until an element says something, and give all it says.

    Read by one script, since a driver gives no text of what fades in, and the element may be another by the next call.
    """
    script = f"var e = document.querySelector('{where}'); return e ? e.innerText.trim() : ''"
    return str(WebDriverWait(driver, 60).until(lambda d: d.execute_script(script), f"nothing is said in {where}"))


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
