"""Targets buried on purpose: what was found of them, and what is told of a table with faults."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from recordings import FRAME
from scipy.stats import binomtest
from shapely import box
from small_walks import LAT, LAT_PER_M, LON, LON_PER_M, square, walk

from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.lanes.declared import DeclaredPlan
from fieldcomb.coverage.lanes.lane_plan import plan_lanes
from fieldcomb.coverage.todo.counted_limits import wilson_limits
from fieldcomb.coverage.todo.planted import (
    PlantedOn,
    PlantedTarget,
    all_planted,
    place_planted,
    planted_results,
    read_planted,
)
from fieldcomb.tracks.errors import SiteError

PLAN = plan_lanes(box(0, 0, 40, 6), swath_m=1.5, spacing_m=1.5)
LANES = DeclaredPlan("tip", "28cm", PLAN.lanes, 1.5, 1.5, PLAN.bearing_deg, {})
ON = PlantedOn(FRAME, box(-50, -50, 50, 50), (LANES,), {"small", "large"})


@given(st.integers(1, 400).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of))))
def test_the_interval_is_that_of_another_library(pair: tuple[int, int]) -> None:
    """Any share has the interval that scipy gives it, at 90 %."""
    found, of = pair
    other = binomtest(found, of).proportion_ci(0.9, method="wilson")
    assert wilson_limits(found, of) == pytest.approx((other.low, other.high), abs=1e-9)


def rows_of(text: str) -> tuple[list[PlantedTarget], list[str]]:
    """Targets and faults of a table."""
    rows, _ = read_planted(text.encode(), "planted.csv")
    return place_planted(rows, ON, "planted.csv")


def test_fourteen_of_twenty_are_seventy_percent() -> None:
    """14 of 20 at one depth: 70 % (52-84); five of another class stand by themselves, and all together first."""
    targets = [PlantedTarget(f"c{n}", (0.0, 0.0), "coin", 0.15, None, n < 14) for n in range(20)]
    targets += [PlantedTarget(f"n{n}", (0.0, 0.0), "Nail", 0.1, None, n < 1) for n in range(5)]
    coins, nails = planted_results(targets, [0.8] * 20 + [0.3] * 5)
    assert (coins.n, coins.found, round(coins.pct), round(coins.low), round(coins.high)) == (20, 14, 70, 52, 84)
    assert (nails.target_class, nails.n, nails.found, nails.model_pct) == ("Nail", 5, 1, pytest.approx(30))
    whole = all_planted((coins, nails))
    assert whole is not None and (whole.n, whole.found, whole.model_pct) == (25, 15, pytest.approx(70))


def test_a_place_is_given_by_degrees_or_by_lane() -> None:
    """Lane 2 of the plan at 3 m is 3 m from where lane 2 begins; degrees give the same place to a centimetre."""
    lane = PLAN.lanes[1]
    lon, lat = FRAME.to_lonlat(*np.array(lane.at(3.0)))
    head, place = "name;lat;lon;lane;m;class;depth_cm;found", f"{float(lat):.7f};{float(lon):.7f}"
    (a, b), faults = rows_of(f"{head}\na;;;2;3;coin;12,5;y\nb;{place};;;coin;;n\n")
    assert not faults and a.at_m == pytest.approx(lane.at(3.0)) and b.at_m == pytest.approx(lane.at(3.0), abs=0.02)
    assert (a.depth_m, a.found, b.depth_m, b.found) == (0.125, True, None, False)


@pytest.mark.parametrize(
    ("row", "told"),
    [
        (",0,0,,,coin,10,,y", "column name: is blank"),
        ("a,91,0,,,coin,10,,y", "column lat: '91' is no number from -90 to 90"),
        ("a,46.5,,,,coin,10,,y", "column lon: '' is no number from -180 to 180"),
        ("a,-28,46.5,,,coin,10,,y", "column lat: the place lies"),
        ("a,,,,,coin,10,,y", "column lat: is blank, and so is lane"),
        ("a,,,99,3,coin,10,,y", "column lane: '99' is no number from 1 to 4"),
        ("a,,,1.5,3,coin,10,,y", "column lane: '1.5' is no whole number"),
        ("a,,,1,41,coin,10,,y", "column m: '41' is no number from 0 to 40"),
        ("a,,,1,3,coin,6 in,,y", "column depth_cm: '6 in' is no number from 0 to 300"),
        ("a,,,1,3,coin,10,huge,y", "column coil: 'huge' is no coil of this site; coils here: large, small"),
        ("a,,,1,3,coin,10,,", "column found: '' is neither y nor n"),
        ("a,,,1,3,coin,10,,part", "column found: 'part' is neither y nor n"),
        ("ok,,,2,3,coin,10,,y", "column name: 'ok' is there twice, first in row 2"),
    ],
)
def test_a_row_with_a_fault_is_told_and_left_out(row: str, told: str) -> None:
    """Each fault names its row and column, the other rows count, and it is said how many were left out."""
    head = "name,lat,lon,lane,m,class,depth_cm,coil,found\nok,,,1,3,coin,10,,y\n"
    targets, faults = rows_of(f"{head}{row}\n")
    assert [target.name for target in targets] == ["ok"]
    assert faults[0].startswith("planted.csv, row 3, ") and told in faults[0]
    assert faults[1] == "planted.csv: 1 of 2 rows left out of what was found of planted targets"


def test_one_target_may_be_looked_for_with_two_coils() -> None:
    """The same name with two coils is two trials of one target, and counts twice."""
    targets, faults = rows_of("name,lane,m,coil,found\na,1,3,small,y\na,1,3,large,n\n")
    assert not faults and [target.coil for target in targets] == ["small", "large"]


def test_of_several_plans_a_lane_needs_its_plan() -> None:
    """With two plans a lane alone is not enough; the message names both."""
    on = PlantedOn(FRAME, None, (LANES, DeclaredPlan("east", "28cm", PLAN.lanes, 1.5, 1.5, 0.0, {})), set())
    rows, _ = read_planted(b"name,plan,lane,m,found\na,,1,3,y\nb,east,1,3,y\nc,west,1,3,y\n", "planted.csv")
    targets, faults = place_planted(rows, on, "planted.csv")
    assert [target.name for target in targets] == ["b"] and "plans: tip, east" in faults[0]
    assert "row 4, column plan: 'west' is no plan of this site" in faults[1]


@pytest.mark.parametrize("raw", [b"name,lat,lon\na,1,2\n", b"\x00\x01\x02", b'name,found\n"a,y\n'])
def test_what_is_no_such_table_is_refused(raw: bytes) -> None:
    """A table without the column found, bytes that are no text, and open quotes are refused with a reason."""
    with pytest.raises(SiteError):
        read_planted(raw, "planted.csv")


# -------------------------------------------------------------------------------------------------------- the report


@pytest.fixture
def field(tmp_path: Path) -> Path:
    """A site with one walk of four lanes on its west side."""
    (tmp_path / "edge.geojson").write_text(square(-1, -1, 20, 21))
    (tmp_path / "walk.gpx").write_text(walk())
    folder = tmp_path / "field"
    assert main(["new", str(folder), "--boundary", str(tmp_path / "edge.geojson")]) == 0
    given = [str(tmp_path / "walk.gpx"), "--coil", "small=28cm", "--swath", "1.5m", "--gps", "5cm"]
    assert main(["add", str(folder), *given]) == 0
    return folder


def reported(folder: Path) -> dict[str, Any]:
    """The report of a site."""
    assert main(["report", str(folder)]) == 0
    return dict(json.loads((folder / "out/report.json").read_text()))


def at(x_m: float, y_m: float) -> str:
    """Latitude and longitude of a place in metres."""
    return f"{LAT + y_m * LAT_PER_M:.7f},{LON + x_m * LON_PER_M:.7f}"


def test_the_report_tells_what_was_found_beside_the_model(field: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Targets in walked ground and in ground nobody walked: the model says most for the first, nothing for the others.

    They are in report.json, in the table, in the panel and on the map.
    """
    walked = [f"w{n},{at(2, 4 + n)},coin,10,y" for n in range(10)]
    bare = [f"b{n},{at(15, 4 + n)},bead,10,n" for n in range(10)]
    (field / "planted.csv").write_text("\n".join(["name,lat,lon,class,depth_cm,found", *walked, *bare, "x,0,0,,,y"]))
    report = reported(field)
    bead, coin = report["planted"]
    assert (coin["class"], coin["depth_m"], coin["n"], coin["found"], coin["pct"]) == ("coin", 0.1, 10, 10, 100)
    assert (bead["found"], bead["pct"], bead["low"], bead["model_pct"]) == (0, 0, 0, 0)
    assert coin["model_pct"] > 50 and coin["low"] == pytest.approx(100 * wilson_limits(10, 10)[0], abs=0.01)
    assert any(note.startswith("planted.csv, row 22, column lat: ") for note in report["notes"])
    capsys.readouterr()
    assert main(["report", str(field), "--full"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "coin, 10 cm deep: 10 of 10 found, 100 % (79-100)" in told
    page = (field / "out/map.html").read_text(encoding="utf-8")
    data = json.loads(re.search(r'id="fieldcomb-data"[^>]*>(.*?)</script>', page, re.DOTALL).group(1))  # type: ignore[union-attr]
    signs = [item["sign"] for item in data["groups"]["planted"]]
    assert signs == ["planted-found"] * 10 + ["planted-missed"] * 10
    assert "Planted targets: 10 of 20 found" in page.replace("\N{NO-BREAK SPACE}", " ")


def test_the_model_at_a_place_is_what_the_whole_site_says(field: Path) -> None:
    """Round a target in the middle, as wide as the site, lies the share under the coil that --depth gives the site."""
    (field / "planted.csv").write_text(f"name,lat,lon,depth_cm,found\na,{at(2, 10)},10,y\n")
    (planted,) = reported(field)["planted"]
    assert main(["report", str(field), "--depth", "10cm"]) == 0
    total = json.loads((field / "out/report.json").read_text())["total"]
    # The walk covers about 5.4 m of 21 m, all of it within a metre of the target.
    assert planted["model_pct"] == pytest.approx(total["under_coil_pct"] / total["swept_pct"] * 100, rel=0.15)


def test_what_is_typed_into_the_table_runs_nowhere(field: Path) -> None:
    """A name and a class written as an attack are text on the map, and the file itself stays byte for byte."""
    evil = "<img src=x onerror=alert(1)>"
    raw = f"name,lat,lon,class,found\n{evil},{at(2, 5)},{evil},y\n=1+1,{at(2, 6)},,n\n".encode()
    (field / "planted.csv").write_bytes(raw)
    (one, _) = sorted(reported(field)["planted"], key=lambda one: one["class"] or "~")
    assert one["class"] == evil and (field / "planted.csv").read_bytes() == raw
    assert "<img src=x" not in (field / "out/map.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("raw", [b"", b"\x00\x01x", b"name;lat\na;1\n"])
def test_a_spoiled_table_is_told_and_the_report_is_made(field: Path, raw: bytes) -> None:
    """An empty file says nothing; a spoiled one is named in the notes; the report has all its other numbers."""
    (field / "planted.csv").write_bytes(raw)
    report = reported(field)
    assert report["planted"] == [] and report["total"]["swept_pct"] > 0
    assert any(note.startswith("Planted targets are not counted: planted.csv") for note in report["notes"]) == bool(raw)
