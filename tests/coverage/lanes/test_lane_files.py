"""The files of a plan, read by others: a table, routes, lines."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import gpxpy
import numpy as np
import pyogrio
import pytest
import shapely
from fastkml import kml
from fastkml.utils import find_all
from recordings import FRAME
from shapely.geometry import box

from fieldcomb.coverage.lanes.lane_files import CSV_FILE, GEOJSON_FILE, GPX_FILE, KML_FILE, LANE_COLUMNS, lane_files
from fieldcomb.coverage.lanes.lane_plan import plan_lanes
from fieldcomb.coverage.lanes.named_plan import NamedPlan, Pace
from fieldcomb.coverage.lanes.setting_out import set_out
from fieldcomb.tracks.motion.peg_drift import Peg

PLAN = plan_lanes(box(-20, -30, 20, 30) - box(-2, -2, 2, 2), 1.5, 1.5, bearing_deg=0)
PEGS = [Peg("=cmd", -21, -29), Peg("B", 21, -28), Peg("C", -21, 29), Peg("D", 21, 27)]
NAMED = NamedPlan("first", "Sea field", "28cm", PLAN, set_out(PLAN, PEGS), FRAME, Pace(), 99.0)
FILES = lane_files(NAMED)


def off_m(lon: float, lat: float, place: tuple[float, float]) -> float:
    """Metres between a place in degrees and one in the site's metres."""
    x, y = FRAME.to_metres([lon], [lat])
    return float(np.hypot(x[0] - place[0], y[0] - place[1]))


def test_every_lane_is_a_route_that_another_reader_finds() -> None:
    """Gpxpy reads one route a lane, with a name of at most 15 characters, its ends within a centimetre of the plan."""
    routes = gpxpy.parse(FILES[GPX_FILE].decode()).routes
    assert [route.name for route in routes] == [f"L{n}" for n in range(1, len(PLAN.lanes) + 1)]
    for route, lane in zip(routes, PLAN.lanes, strict=True):
        start, end = route.points
        assert off_m(start.longitude, start.latitude, lane.start_m) < 0.01
        assert off_m(end.longitude, end.latitude, lane.end_m) < 0.01


def test_the_routes_are_those_of_a_second_reader(tmp_path: Path) -> None:
    """GDAL, through pyogrio, finds the same routes by name, each with its two ends within a centimetre of the plan."""
    (tmp_path / "lanes.gpx").write_bytes(FILES[GPX_FILE])
    read = pyogrio.raw.read(tmp_path / "lanes.gpx", layer="routes", columns=["name"])
    names, lines = read[3][0], shapely.from_wkb(read[2])
    assert list(names) == [f"L{n}" for n in range(1, len(PLAN.lanes) + 1)] and max(map(len, names)) <= 15
    for line, lane in zip(lines, PLAN.lanes, strict=True):
        (lon, lat, *_), (lon2, lat2, *_) = line.coords
        assert off_m(lon, lat, lane.start_m) < 0.01 and off_m(lon2, lat2, lane.end_m) < 0.01


def test_the_kml_holds_the_same_lines() -> None:
    """fastkml, another reader, finds a line for each lane with the same ends."""
    document = kml.KML.from_string(FILES[KML_FILE])
    lines = [mark for mark in find_all(document, of_type=kml.Placemark) if mark.name.startswith("L")]
    assert len(lines) == len(PLAN.lanes)
    for mark, lane in zip(lines, PLAN.lanes, strict=True):
        (lon, lat, *_), (lon2, lat2, *_) = mark.geometry.coords
        assert off_m(lon, lat, lane.start_m) < 0.01 and off_m(lon2, lat2, lane.end_m) < 0.01


def test_the_geojson_leaves_out_what_stands_in_the_way() -> None:
    """A lane with something in its way has two lines, and all lines together are as long as the plan says."""
    features = json.loads(FILES[GEOJSON_FILE])["features"]
    assert [len(f["geometry"]["coordinates"]) for f in features].count(2) > 0
    assert sum(f["properties"]["length_m"] for f in features) == pytest.approx(PLAN.planned_m, abs=0.01 * len(features))


def test_the_table_is_one_that_a_spreadsheet_reads() -> None:
    """The table begins with a byte order mark, has a row for each lane, and no cell that a spreadsheet would run."""
    raw = FILES[CSV_FILE]
    assert raw.startswith(b"\xef\xbb\xbf")
    rows = list(csv.DictReader(io.StringIO(raw.decode("utf-8-sig"))))
    assert tuple(rows[0]) == LANE_COLUMNS and [int(row["lane"]) for row in rows] == list(range(1, len(PLAN.lanes) + 1))
    assert {row["peg_from"] for row in rows} | {row["peg_to"] for row in rows} == {"'=cmd", "C"}
    assert all(row["done"] == row["searcher"] == "" for row in rows)
    assert [row["lane"] for row in rows if row["label"] == "y"][:3] == ["1", "5", "10"]


def test_the_same_plan_gives_the_same_bytes() -> None:
    """Writing a plan twice gives the same files."""
    assert lane_files(NAMED) == FILES
