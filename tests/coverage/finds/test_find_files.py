"""Finds in other programs: at the right places, and never more exactly than they are known."""

from __future__ import annotations

import json
from pathlib import Path

import gpxpy
import pyogrio
import pytest

from fieldcomb.coverage.finds.fields import degree_decimals, find_fields, how_well
from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.finds.find_files import finds_geojson, finds_gpx

FINDS = (
    Find(
        14, "keep", lat_deg=46.50001804, lon_deg=-28.00037781, error_m=3.9, what="lead <token> & more", number=(61, 66)
    ),
    Find(15, "junk"),
    Find(16, "left", lat_deg=-46.5, lon_deg=180.0),
)


def test_a_gis_opens_the_finds_at_their_places(tmp_path: Path) -> None:
    """A GIS reads two points, for the two finds whose places are known, with their fields."""
    (tmp_path / "finds.geojson").write_text(finds_geojson(FINDS), encoding="utf-8")
    meta, _, shapes, _ = pyogrio.raw.read(tmp_path / "finds.geojson")
    names = list(meta["fields"])
    assert len(shapes) == 2 and {"find_no", "kind", "what", "error_m"} <= set(names)
    features = json.loads(finds_geojson(FINDS))["features"]
    assert [f["geometry"]["coordinates"] for f in features] == [[-28.00038, 46.50002], [180.0, -46.5]]


def test_a_device_opens_the_finds_as_waypoints() -> None:
    """A reader of GPX gets a waypoint for each place, and the longitude 180 as GPX needs it."""
    points = gpxpy.parse(finds_gpx(FINDS, "North field")).waypoints
    assert [(p.latitude, p.longitude, p.name) for p in points] == [
        (46.50002, -28.00038, "14 lead <token>"),
        (-46.5, -180.0, "16 left"),
    ]
    assert points[0].description == "keep, lead <token> & more, number 61-66, about 4 m"


@pytest.mark.parametrize("error_m", [0.004, 0.02, 0.5, 1.2, 3.9, 9.0, 40.0])
def test_decimals_are_as_few_as_keep_the_place_within_its_error(error_m: float) -> None:
    """The step of the last decimal is smaller than the error, and one decimal less would be larger."""
    step_m = 111_320 * 10.0 ** -degree_decimals(error_m)
    assert step_m <= error_m < 10 * step_m


def test_a_watch_says_about_how_many_metres() -> None:
    """A place known to 3.9 m is shown as about 4 m, and one measured to centimetres is not called about."""
    assert how_well(Find(1, "keep", lat_deg=0, lon_deg=0, error_m=3.89)) == "about 4 m"
    assert how_well(Find(1, "keep", lat_deg=0, lon_deg=0, error_m=0.05)) == "5 cm"


def test_what_is_not_known_is_null() -> None:
    """A find of which nothing but number and kind is known has null in all other fields, and empty lists."""
    fields = find_fields(Find(15, "junk"))
    assert {key for key, value in fields.items() if value not in (None, [])} == {"find_no", "kind"}
    assert find_fields(FINDS[0])["number"] == [61, 66] and find_fields(FINDS[0])["lat"] == 46.50002
