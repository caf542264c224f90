"""No statement contradicts another: what is listed, counted and drawn is the same in all files, for four sites."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterator
from contextlib import redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Any

import gpxpy
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from rasterio.features import geometry_mask

from fieldcomb.coverage.commands.cli import main

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests" / "studies"))
import three_users  # noqa: E402

NEVER = ("missed lane", "missed between passes", "not reached yet")


@dataclass(frozen=True)
class Drawn:
    """An output folder, report.json read, the whole table, and one screen."""

    folder: Path
    told: dict[str, Any]
    table: str
    screen: str

    def features(self, name: str) -> list[dict[str, Any]]:
        """Properties of a GeoJSON file's features."""
        return [one["properties"] for one in json.loads((self.folder / name).read_text("utf-8"))["features"]]

    def layer(self, name: str) -> tuple[list[Any], dict[str, Any]]:
        """Outlines and columns of a layer of site.gpkg; nothing where there is no such layer."""
        path = self.folder / "site.gpkg"
        if name not in {found for found, _ in pyogrio.list_layers(path)}:
            return [], {}
        about, _, outlines, columns = pyogrio.raw.read(path, layer=name)
        return list(shapely.from_wkb(outlines)), dict(zip(about["fields"].tolist(), columns, strict=True))


def demo(folder: Path) -> None:
    """The site of the demo."""
    site, files = str(folder / "site"), ROOT / "demo"
    assert main(["new", site, "--boundary", str(files / "boundary.geojson"), "--zone", "UTC"]) == 0
    for name, coil, swath in (
        ("outing-1-west-large", "large=33cm", "1.6m"),
        ("outing-2-east-large", "large", "1.6m"),
        ("outing-3-middle-medium", "medium=28cm", "1.5m"),
        ("outing-4-junk-small", "small=13x20cm", "0.9m"),
    ):
        assert main(["add", site, str(files / f"{name}.gpx"), "--coil", coil, "--swath", swath]) == 0


@pytest.fixture(scope="module", params=["demo", "phone", "coils", "team"])
def drawn(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Drawn]:
    """Each of the sites, drawn once."""
    folder = tmp_path_factory.mktemp(request.param)
    maker = demo if request.param == "demo" else getattr(three_users, request.param)
    maker(folder)
    out = folder / "out"
    if request.param == "phone":
        command = ["map", str(folder / "saturday.gpx"), "--coil", "28cm", "-o", str(out)]
    else:
        command = ["report", str(folder / "site"), "-o", str(out)]
    printed = []
    for more in ([], ["--full"]):
        with redirect_stdout(StringIO()) as said:
            assert main([*command, *more]) == 0
        printed.append(said.getvalue())
    yield Drawn(out, json.loads((out / "report.json").read_text("utf-8")), printed[1], printed[0])


def test_ground_that_is_listed_as_not_swept_was_likelier_not_passed(drawn: Drawn) -> None:
    """Wherever somebody is sent because nobody swept there, chance.tif says at that place that a pass is less likely
    than none; the same holds for every strip that is listed.
    """
    path = drawn.folder / "chance.tif"
    if not path.exists():
        return
    outlines, columns = drawn.layer("places")
    listed = [one for one, reason in zip(outlines, columns["reason"], strict=True) if reason in NEVER]
    listed += drawn.layer("strips")[0]
    with rasterio.open(path) as file:
        chance = file.read(1)
        for shape in listed:
            inside = geometry_mask([shape], chance.shape, file.transform, invert=True) & ~np.isnan(chance)
            assert chance[inside].mean() < 0.5


def test_places_are_the_same_in_all_files(drawn: Drawn) -> None:
    """Letters, reasons and sizes of places agree in report.json, GeoJSON, GPX, GeoPackage, table, screen and map."""
    places = drawn.told["places"]
    assert drawn.features("places.geojson") == places
    _, columns = drawn.layer("places")
    letters = [place["letter"] for place in places]
    assert list(columns.get("letter", [])) == letters
    assert list(columns.get("area_m2", [])) == [place["area_m2"] for place in places]
    tracks = gpxpy.parse((drawn.folder / "places.gpx").read_text("utf-8")).tracks
    assert [(track.name or "").split()[0] for track in tracks] == letters
    page = (drawn.folder / "map.html").read_text("utf-8")
    table, screen = (" ".join(text.split()) for text in (drawn.table, drawn.screen))
    for place, track in list(zip(places, tracks, strict=True))[:20]:
        where = f"{place['letter']} "
        assert where in table and place["where"] in table
        assert f"Place {place['letter']}" in page
        assert place["reason"] in (track.description or "")
    assert drawn.told["answer"]["go_next"] in screen


def test_strips_are_the_same_in_all_files(drawn: Drawn) -> None:
    """Every strip of report.json is in strips.geojson and in site.gpkg, none more, and places name only those."""
    strips = drawn.told["strips"]
    assert drawn.features("strips.geojson") == strips
    _, columns = drawn.layer("strips")
    assert list(columns.get("id", [])) == [strip["id"] for strip in strips]
    named = [number for place in drawn.told["places"] for number in place["strips"]]
    assert len(named) == len(set(named)) and set(named) <= {strip["id"] for strip in strips}
    if any(strip["confidence"] is not None for strip in strips):
        assert all(strip["tier"] in ("certain", "likely") for strip in strips)


def test_kinds_of_ground_add_up(drawn: Drawn) -> None:
    """Ground that was not swept is split up by kind, of which missed and not reached hold at least the listed strips;
    the table has the same kinds.
    """
    total = drawn.told["total"]
    unswept = dict(total["unswept"])
    pieces = unswept.pop("cannot_tell_pieces")
    assert sum(unswept.values()) == pytest.approx(total["passes_m2"]["0"], abs=1e-6)
    assert pieces >= 0
    for ground, key in (("missed between passes", "missed_m2"), ("not reached yet", "not_reached_m2")):
        listed = sum(strip["area_m2"] for strip in drawn.told["strips"] if strip["ground"] == ground)
        assert listed <= unswept[key] + 0.5
    rows = [line for line in drawn.table.splitlines() if re.match(r" +[\d ,.<]+ (m2|ha) +[\d.]+ %  \w", line)]
    assert len(rows) == sum(value > 0 for value in unswept.values())


def test_tiers_and_the_sentence_on_trust_agree(drawn: Drawn) -> None:
    """Where something is called certain, the table says that it can be trusted; where nothing is, that nothing is."""
    if drawn.told["total"]["swept_est_pct"] is None:
        return
    certain = any(strip["tier"] == "certain" for strip in drawn.told["strips"])
    table = " ".join(drawn.table.split())
    placed = drawn.told["total"]["strips_placed"]
    assert ("only missed ground called certain can be trusted" in table) == (certain and not placed)
    assert ("no missed ground is certain" in table) == (not certain and not placed)


def test_each_place_stands_once_in_the_whole_table(drawn: Drawn) -> None:
    """The table lists places once, at its end, with no strips or ground to do beside them, in at most 100 columns."""
    lines = drawn.table.splitlines()
    assert sum(line.startswith("Go next") for line in lines) == 1
    assert not any(line.startswith(("Missed ground", "To do")) for line in lines)
    letters = [line.split()[0] for line in lines if re.match(r"  [A-Z]{1,2}\s+[\d ,.]+ (m2|ha)", line)]
    assert letters == [place["letter"] for place in drawn.told["places"]][:20]
    assert max(map(len, lines)) <= 100


def test_one_screen_is_one_screen(drawn: Drawn) -> None:
    """24 lines of 80 columns hold the answer, and end with where to go next."""
    lines = drawn.screen.splitlines()
    assert len(lines) <= 24 and max(map(len, lines)) <= 80
    last = next(k for k in range(len(lines) - 1, -1, -1) if not lines[k].startswith("  "))
    assert lines[last].startswith("Go next:")
