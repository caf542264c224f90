"""site.gpkg: other programs open it, with every layer in its place, and names and numbers of report.json."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info
from samples import sample_result, with_evil_names

from fieldcomb.coverage.gis.coordinates import GisFrame, gis_frame, suggested_epsg
from fieldcomb.coverage.gis.geopackage import site_gpkg
from fieldcomb.coverage.report.report_json import report_json
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.frame import SiteFrame, wrap_lon

RESULT = sample_result()
FRAME = RESULT.report.site.frame
CODES = (32629, 25829, 3035)


def read(path: Path, layer: str) -> tuple[list[Any], dict[str, Any], CRS]:
    """A layer as another program reads it: outlines, columns, coordinate system."""
    about, _, outlines, columns = pyogrio.raw.read(path, layer=layer)
    return (
        list(shapely.from_wkb(outlines)),
        dict(zip(about["fields"].tolist(), columns, strict=True)),
        CRS.from_user_input(about["crs"]),
    )


def written(folder: Path, epsg: int | None = None) -> Path:
    """Write the sample's file and give its path."""
    path = folder / "site.gpkg"
    path.write_bytes(site_gpkg(RESULT, GisFrame(FRAME, epsg)))
    return path


def test_every_kind_of_thing_has_a_layer(tmp_path: Path) -> None:
    """Outline, areas, walks, stops, marks, strips and not recorded ground of the sample are all there."""
    layers = dict(pyogrio.list_layers(written(tmp_path)))
    assert {"outline", "areas", "walks", "stops", "marks", "strips", "not_recorded"} <= set(layers)
    assert layers["walks"] == "MultiLineString" and layers["stops"] == "Point" and layers["outline"] == "MultiPolygon"


@pytest.mark.parametrize("code", CODES)
def test_layers_lie_where_pyproj_puts_them(tmp_path: Path, code: int) -> None:
    """In each of three systems outlines are the site's own after pyproj has taken them there, to a millimetre."""
    path = written(tmp_path, code)
    outlines, _, system = read(path, "strips")
    assert system.to_epsg() == code
    there = Transformer.from_crs("EPSG:4326", f"EPSG:{code}", always_xy=True)
    for outline, strip in zip(outlines, RESULT.report.strips, strict=True):
        at = np.column_stack(there.transform(*FRAME.to_lonlat(*shapely.get_coordinates(strip.shape).T)))
        assert np.abs(shapely.get_coordinates(outline) - at).max() < 1e-3


def test_without_a_number_it_is_in_the_sites_frame(tmp_path: Path) -> None:
    """The frame is the raster's: metres from the site's origin, as another program understands it."""
    outlines, _, system = read(written(tmp_path), "outline")
    back = Transformer.from_crs(system, "EPSG:4326", always_xy=True)
    lon, lat = back.transform(0.0, 0.0)
    assert (lon, lat) == pytest.approx((FRAME.lon_deg, FRAME.lat_deg), abs=1e-9)
    assert outlines[0].area == pytest.approx(next(a.shape.area for a in RESULT.layers.areas if a.kind == "site"))


def test_columns_are_those_of_report_json(tmp_path: Path) -> None:
    """Strips have the names and numbers of report.json, and so have site and marks."""
    told = json.loads(report_json(RESULT.report))
    path = written(tmp_path)
    _, strips, _ = read(path, "strips")
    for name in ("id", "kind", "ground", "area_m2", "length_m", "width_m"):
        assert strips[name].tolist() == [strip[name] for strip in told["strips"]]
    _, outline, _ = read(path, "outline")
    assert {name: values[0] for name, values in outline.items()} == {
        name: round(told["site"][name], 2) if isinstance(told["site"][name], float) else told["site"][name]
        for name in outline
    }
    _, marks, _ = read(path, "marks")
    assert set(marks["kind"]) <= {mark["kind"] for outing in told["outings"] for mark in outing["marks"]}
    _, walks, _ = read(path, "walks")
    assert set(walks["outing"]) == {outing["id"] for outing in told["outings"]}


def test_the_file_keeps_the_rules_of_its_format(tmp_path: Path) -> None:
    """It is a sound database that calls itself a GeoPackage 1.3; contents, geometry columns and systems agree."""
    with sqlite3.connect(written(tmp_path)) as base:
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert base.execute("PRAGMA foreign_key_check").fetchall() == []
        assert base.execute("PRAGMA application_id").fetchone() == (int.from_bytes(b"GPKG", "big"),)
        assert base.execute("PRAGMA user_version").fetchone() == (10300,)
        known = {row[0] for row in base.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")}
        assert {-1, 0, 4326} < known
        rows = base.execute(
            "SELECT table_name, c.srs_id, g.srs_id FROM gpkg_contents c JOIN gpkg_geometry_columns g USING (table_name)"
        ).fetchall()
    assert len(rows) >= 7 and all(one == other and one in known for _, one, other in rows)


def test_the_same_result_gives_the_same_bytes() -> None:
    """No time of writing is in the file."""
    to = GisFrame(FRAME, 32629)
    assert site_gpkg(RESULT, to) == site_gpkg(RESULT, to)


def test_hostile_names_do_no_harm(tmp_path: Path) -> None:
    """Quotes, markup and control characters in names come out as text."""
    evil = with_evil_names(RESULT)
    path = tmp_path / "site.gpkg"
    path.write_bytes(site_gpkg(evil, GisFrame(FRAME)))
    _, outline, _ = read(path, "outline")
    assert "<" in outline["name"][0] and "\x1b" not in outline["name"][0]


def test_other_programs_open_rasters_and_outlines_in_one_system(tmp_path: Path) -> None:
    """The raster and the outline of one site cover the same ground, as two programs read them."""
    from fieldcomb.coverage.gis.geotiff import coverage_tif

    coverage_tif(RESULT, tmp_path / "coverage.tif", GisFrame(FRAME, 32629))
    outlines, _, system = read(written(tmp_path, 32629), "outline")
    with rasterio.open(tmp_path / "coverage.tif") as file:
        assert CRS.from_wkt(file.crs.to_wkt()).to_epsg() == system.to_epsg() == 32629
        assert np.allclose(shapely.total_bounds(outlines), file.bounds, atol=5.0)


@pytest.mark.parametrize(
    ("code", "words"),
    [(27700, "is for another place"), (5773, "no system of two coordinates"), (999999, "is not known")],
)
def test_a_system_that_does_not_fit_is_refused(code: int, words: str) -> None:
    """A grid of another country, a system of heights, and a number that nobody gave are refused, with one that fits."""
    with pytest.raises(UsageError, match=words) as caught:
        gis_frame(SiteFrame(-28.0, 46.5), code)
    assert "EPSG:32626" in str(caught.value.hint)


@pytest.mark.parametrize(
    ("lon", "lat", "code"),
    [(-28.0, 46.5, 32626), (13.0, -30.0, 32733), (179.9, 10.0, 32660), (-179.9, 10.0, 32601), (6.1, 60.0, 32632)],
)
def test_the_zone_that_is_suggested_is_the_sites_own(lon: float, lat: float, code: int) -> None:
    """Zones are 6 degrees wide, counted from 180 west: number 31 begins at 0; south of the equator it is 327.."""
    assert suggested_epsg(SiteFrame(lon, lat)) == code
    assert gis_frame(SiteFrame(lon, lat), code).epsg == code


LONGITUDES = st.one_of(st.integers(-30, 30).map(lambda edge: 6.0 * edge), st.integers(-180, 180).map(float))
LATITUDES = st.one_of(
    st.sampled_from([-80.0, -1e-6, 0.0, 84.0]), st.integers(-900, 900).map(lambda tenths: tenths / 10)
)


@given(LONGITUDES, LATITUDES)
@settings(max_examples=25, deadline=None)
def test_the_zone_that_is_suggested_is_the_first_that_holds_the_site(lon: float, lat: float) -> None:
    """Anywhere, and on the edges of zones, it is the lowest of the numbers that the EPSG register has for a place."""
    site = SiteFrame(lon, lat)
    here = AreaOfInterest(wrap_lon(lon), lat, wrap_lon(lon), lat)
    known = query_utm_crs_info(datum_name="WGS 84", area_of_interest=here, contains=True)
    assert suggested_epsg(site) == min((int(one.code) for one in known), default=4326)
