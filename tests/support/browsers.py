"""A headless Chromium with what it complained about, for every test that looks at a page."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
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


def errors(driver: Any) -> list[str]:
    """Give what the browser complained about since the page was opened."""
    return [entry["message"] for entry in driver.get_log("browser") if entry["level"] in ("SEVERE", "WARNING")]
