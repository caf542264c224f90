"""How long a browser takes to open the map of a large site; figures only.

    python tests/benchmarks/bench_open_map.py [PAGE ...] [--loads 7] [--slower 4] [--phone] [--gps good] [--keep FOLDER]

Without pages it makes a site of 25 ha first: twelve days of four people who walk lanes of 1.5 m with the error of a
usual receiver, and 5,000 finds; some minutes. By a good receiver there are some 160 places to go to as well. With
--keep the site stays in a folder, and is taken from there the next time. Several pages are opened in turn, so that what
else the machine does slows all of them.

Headless Chromium without a network, started anew with an empty profile for each load; the file itself may be in the
system's memory. Printed are medians of milliseconds from the beginning of the navigation:

- drawn: the page's script says that it is done (data-drawn);
- shown: the first frame after that, and after all pictures shown are decoded. This is when the map is open;
- settled: the last task longer than 50 ms that the page began by itself within three seconds after;
- script, layout, tasks: of the processor, by the page's own thread, until it is open; on tasks after that for three
  seconds;
- a tap: from a click in the middle of the map, after that, until its popup is there.

--slower divides the speed of the processor, as the developer tools of Chromium do it for a phone.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "demo"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))
from bench_day import FRAME, START_S, run
from browsers import DESK, FLAGS, PHONE
from recordings import serpentine
from walker import GOOD, TYPICAL, Fixes, to_gpx

SIDE_M, DAYS, PEOPLE, FINDS = 499.0, 12, 4, 5_000  # a metre more would need cells larger than 10 cm
BLOCKS = 8, 6  # across and up: as many as walks
SPACING_M, PACE_M_S, STEP_S = 1.5, 0.35, 2.0
ERRORS = {"good": GOOD, "typical": TYPICAL}
SORTS = (  # invented: kind, what, material, period, years, target numbers
    ("keep", "copper coin", "copper", "18th century", (1710, 1790), (52, 60)),
    ("keep", "flat button", "copper alloy", "19th century", (1800, 1880), (48, 62)),
    ("keep", "bronze coin", "copper alloy", "Roman", (270, 360), (38, 50)),
    ("junk", "nail", "iron", "", None, (8, 22)),
    ("junk", "foil", "aluminium", "", None, (30, 42)),
    ("left", "", "", "", None, (10, 24)),
)
SETTLES_S = 3.0
WATCH = """
(function () {
  var at = window.benchMap = { long: 0 };
  new PerformanceObserver(function (list) {
    list.getEntries().forEach(function (one) { at.long = Math.max(at.long, one.startTime + one.duration); });
  }).observe({ type: "longtask", buffered: true });
  new PerformanceObserver(function (list) {
    list.getEntries().forEach(function (one) { at[one.name] = one.startTime; });
  }).observe({ type: "paint", buffered: true });
  function drawn() {
    at.drawn = performance.now();
    var pictures = [].slice.call(document.querySelectorAll(".leaflet-map-pane img"));
    Promise.all(pictures.map(function (one) { return one.decode(); })).then(function () {
      requestAnimationFrame(function () { setTimeout(function () { at.shown = performance.now(); }, 0); });
    });
  }
  new MutationObserver(function (_, self) {
    if (document.documentElement && document.documentElement.getAttribute("data-drawn") === "yes") {
      self.disconnect();
      drawn();
    }
  }).observe(document, { attributes: true, attributeFilter: ["data-drawn"], subtree: true });
})();
"""
TAP = """
var done = arguments[0], box = document.querySelector(".folium-map").getBoundingClientRect();
var x = box.left + box.width / 2 + 31, y = box.top + box.height / 2 + 17, from = performance.now();
var hit = document.elementFromPoint(x, y);
["mousedown", "mouseup", "click"].forEach(function (kind) {
  hit.dispatchEvent(new MouseEvent(kind, { clientX: x, clientY: y, bubbles: true, view: window }));
});
(function look() {
  if (document.querySelector(".leaflet-popup .said")) { done(performance.now() - from); } else { setTimeout(look, 1); }
})();
"""
SHOWN = ("drawn", "shown", "settled", "script", "layout", "tasks", "tasks after", "a tap")


def make_site(folder: Path, gps: str) -> None:
    """Write the field, its walks and its finds, and report them."""
    corners = [(0.0, 0.0), (SIDE_M, 0.0), (SIDE_M, SIDE_M), (0.0, SIDE_M), (0.0, 0.0)]
    ring = [[float(degrees) for degrees in FRAME.to_lonlat(x, y)] for x, y in corners]
    (folder / "field.geojson").write_text(json.dumps({"type": "Polygon", "coordinates": [ring]}), encoding="utf-8")
    run(folder, "new", "site", "--boundary", "field.geojson", "--zone", "UTC")
    rng = np.random.default_rng(1)
    for day in range(DAYS):
        names = [write_walk(folder, day, person, gps, rng) for person in range(PEOPLE)]
        coil = "28cm" if day % 3 else "small=15cm"
        run(folder, "add", "site", *names, "--coil", coil, "--swath", f"{SPACING_M}m", "--gps", gps)
    write_finds(folder / "site" / "finds.csv", rng)
    run(folder, "report", "site")


def write_walk(folder: Path, day: int, person: int, gps: str, rng: np.random.Generator) -> str:
    """Write the lanes of one block, as a receiver has them; return the name of the file."""
    column, row = divmod(day * PEOPLE + person, BLOCKS[1])
    wide, high = SIDE_M / BLOCKS[0], SIDE_M / BLOCKS[1]
    first = (column * wide + SPACING_M / 2, row * high)
    path = np.array(serpentine(int(wide / SPACING_M), high, SPACING_M, x0_m=first[0], y0_m=first[1]))
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    times = np.arange(0.0, along[-1] / PACE_M_S, STEP_S)
    x, y = (np.interp(times * PACE_M_S, along, axis) + ERRORS[gps].draw(times, rng) for axis in path.T)
    fixes = Fixes(times + START_S + 86_400 * day, x, y, np.zeros(times.size, bool))
    name = f"day-{day + 1:02d}-searcher-{person + 1}.gpx"
    (folder / name).write_text(to_gpx(fixes, FRAME, name), encoding="utf-8")
    return name


def write_finds(file: Path, rng: np.random.Generator) -> None:
    """Write finds all over the field, with most columns filled in."""
    lines = ["find_no,outing,lat,lon,how,error_m,coil,number,depth_cm,kind,what,material,period,from_year,to_year,note"]
    for number in range(1, FINDS + 1):
        kind, what, material, period, years, shown = SORTS[int(rng.integers(len(SORTS)))]
        lon, lat = FRAME.to_lonlat(*rng.uniform(1.0, SIDE_M - 1.0, 2))
        day = time.strftime("%Y-%m-%d", time.gmtime(START_S + 86_400 * int(rng.integers(DAYS))))
        depth = "" if kind == "left" else int(rng.integers(4, 30))
        first, last = years or ("", "")
        note = "by the hedge" if number % 7 == 0 else ""
        lines.append(
            f"{number},{day}a,{float(lat):.7f},{float(lon):.7f},fix,3.9,28cm,{int(rng.integers(*shown))},"
            f"{depth},{kind},{what},{material},{period},{first},{last},{note}"
        )
    file.write_text("\n".join([*lines, ""]), encoding="utf-8")


def load(page: Path, profile: str, slower: float, size: tuple[int, int]) -> dict[str, float]:
    """Open a page once in a browser of its own."""
    browser, helper = (shutil.which(name) for name in ("chromium", "chromedriver"))
    if browser is None or helper is None:
        sys.exit("chromium and chromedriver are needed and were not found")
    options = webdriver.ChromeOptions()
    options.binary_location = browser
    for flag in FLAGS.split():
        options.add_argument(flag)
    options.add_argument(f"--user-data-dir={profile}")
    driver = webdriver.Chrome(options=options, service=Service(helper))
    try:
        for command, values in (
            ("Network.enable", {}),
            (
                "Network.emulateNetworkConditions",
                {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0},
            ),
            (
                "Emulation.setDeviceMetricsOverride",
                {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": size == PHONE},
            ),
            ("Emulation.setCPUThrottlingRate", {"rate": slower}),
            ("Page.addScriptToEvaluateOnNewDocument", {"source": WATCH}),
            ("Performance.enable", {"timeDomain": "threadTicks"}),
        ):
            driver.execute_cdp_cmd(command, values)
        driver.get(page.as_uri())
        while not driver.execute_script("return !!(window.benchMap && benchMap.shown)"):
            time.sleep(0.02)
        opened = metrics(driver)
        time.sleep(SETTLES_S)
        at, later = driver.execute_script("return benchMap"), metrics(driver)
        driver.set_script_timeout(60)
        tapped = driver.execute_async_script(TAP)
    finally:
        driver.quit()
    return {
        "drawn": at["drawn"],
        "shown": at["shown"],
        "settled": max(at["long"], at["shown"]),
        "script": 1000 * opened["ScriptDuration"],
        "layout": 1000 * (opened["LayoutDuration"] + opened["RecalcStyleDuration"]),
        "tasks": 1000 * opened["TaskDuration"],
        "tasks after": 1000 * (later["TaskDuration"] - opened["TaskDuration"]),
        "a tap": tapped,
    }


def metrics(driver: Any) -> dict[str, float]:
    """What the page has cost the browser so far, in seconds."""
    return {one["name"]: one["value"] for one in driver.execute_cdp_cmd("Performance.getMetrics", {})["metrics"]}


def main() -> None:
    """Make the site unless pages are given, and open each so many times."""
    parser = argparse.ArgumentParser(description="How long a browser takes to open the map of a large site.")
    parser.add_argument("pages", nargs="*", type=Path)
    parser.add_argument("--loads", type=int, default=7)
    parser.add_argument("--slower", type=float, default=1.0)
    parser.add_argument("--phone", action="store_true")
    parser.add_argument("--gps", choices=ERRORS, default="typical")
    parser.add_argument("--keep", type=Path, help="a folder for the site")
    typed = parser.parse_args()
    with TemporaryDirectory() as temp:
        pages: list[Path] = typed.pages
        if not pages:
            folder = typed.keep or Path(temp)
            folder.mkdir(parents=True, exist_ok=True)
            pages = [folder / "site" / "out" / "map.html"]
            if not pages[0].exists():
                make_site(folder, typed.gps)
        taken: dict[Path, list[dict[str, float]]] = {page: [] for page in pages}
        for n in range(typed.loads):
            for page in pages:
                profile = str(Path(temp) / f"profile-{n}-{pages.index(page)}")
                taken[page].append(load(page.resolve(), profile, typed.slower, PHONE if typed.phone else DESK))
    print(f"{typed.loads} loads each, {typed.slower:g} times slower, load of the machine {os.getloadavg()[0]:.1f}; ms")
    print(f"{'':40}" + "".join(f"{word:>12}" for word in SHOWN))
    for page, times in taken.items():
        middle = "".join(f"{statistics.median(one[word] for one in times):12.0f}" for word in SHOWN)
        print(f"{str(page)[-32:]:32}{page.stat().st_size / 1e6:5.1f} MB{middle}")


if __name__ == "__main__":
    main()
