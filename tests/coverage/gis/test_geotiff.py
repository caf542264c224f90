"""Rasters for a GIS: they lie where they should, in the site's frame and in others, with names, colours and values."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import rasterio
from geographiclib.geodesic import Geodesic
from pyproj import Transformer
from rasterio.enums import ColorInterp
from samples import sample_result, with_evil_names

from fieldcomb.coverage.gis.coordinates import GisFrame
from fieldcomb.coverage.gis.geotiff import coils_tif, coverage_tif
from fieldcomb.coverage.raster.cells import OUTSIDE
from fieldcomb.coverage.survey.results import Result

RESULT = sample_result()
REPORT = RESULT.report
CODES = (32629, 25829, 3035)  # UTM on WGS 84, UTM on ETRS89, and equal areas with northing before easting


def write(result: Result, folder: Path, name: str = "coverage.tif", epsg: int | None = None) -> Path:
    """Write the raster of all passes and give its path."""
    coverage_tif(result, folder / name, GisFrame(result.report.site.frame, epsg))
    return folder / name


def write_coils(result: Result, folder: Path) -> Path:
    """Write the raster by coil and give its path."""
    coils_tif(result, folder / "coils.tif", GisFrame(result.report.site.frame))
    return folder / "coils.tif"


@pytest.mark.parametrize("code", CODES)
def test_in_another_system_cells_lie_where_they_do(tmp_path: Path, code: int) -> None:
    """Places go through pyproj from degrees to the named system: there lies the value of the place's own cell, but on
    the rims of passes, where one cell of 10 cm makes the difference; and the site has as much ground.
    """
    grid, passes = RESULT.layers.grid, RESULT.layers.passes
    there = Transformer.from_crs("EPSG:4326", f"EPSG:{code}", always_xy=True)
    rng = np.random.default_rng(code)
    rows, cols = rng.integers(0, grid.rows, 2000), rng.integers(0, grid.cols, 2000)
    x, y = grid.centres()
    with rasterio.open(write(RESULT, tmp_path, epsg=code)) as file:
        assert file.crs.to_epsg() == code
        band = file.read(1)
        found = [
            file.index(*at) for at in zip(*there.transform(*REPORT.site.frame.to_lonlat(x[cols], y[rows])), strict=True)
        ]
        inside = [0 <= r < file.height and 0 <= c < file.width for r, c in found]
        values = [band[at] if on else OUTSIDE for at, on in zip(found, inside, strict=True)]
        cell_m2 = abs(file.transform.a * file.transform.e)
    assert np.mean(np.array(values) == passes[rows, cols]) > 0.93
    assert (band != OUTSIDE).sum() * cell_m2 == pytest.approx(REPORT.site.area_m2, rel=0.02)


def test_a_known_cell_lies_where_it_should(tmp_path: Path) -> None:
    """Going from longitude and latitude with another program's projection hits the cell with the same value."""
    grid, passes = RESULT.layers.grid, RESULT.layers.passes
    with rasterio.open(write(RESULT, tmp_path)) as file:
        there = Transformer.from_crs("EPSG:4326", file.crs.to_wkt(), always_xy=True)
        band = file.read(1)
        rng = np.random.default_rng(3)
        for row, col in rng.integers(0, (grid.rows, grid.cols), (200, 2)):
            x, y = (grid.west + col + 0.5) * grid.cell_m, (grid.north - row - 0.5) * grid.cell_m
            # Not the frame's own method, but the geodesic to the cell from the origin: azimuth and length.
            azimuth, away = np.degrees(np.arctan2(x, y)), np.hypot(x, y)
            origin = REPORT.site.frame
            point = Geodesic.WGS84.Direct(origin.lat_deg, origin.lon_deg, azimuth, away)
            found = file.index(*there.transform(point["lon2"], point["lat2"]))
            assert found == (row, col)
            assert band[found] == passes[row, col]


def test_bands_names_and_values(tmp_path: Path) -> None:
    """One file counts all outings, another has a band for each coil; 255 is no data; north is up."""
    with rasterio.open(write(RESULT, tmp_path)) as file:
        assert file.descriptions == ("passes",) and file.dtypes == ("uint8",) and file.nodatavals == (OUTSIDE,)
        assert file.transform.almost_equals(RESULT.layers.grid.transform) and file.transform.e < 0
        assert file.block_shapes == [(256, 256)] and file.compression.name == "deflate"
        assert np.array_equal(file.read(1), RESULT.layers.passes)
        assert file.read(1, masked=True).count() * 0.01 == pytest.approx(REPORT.site.area_m2, abs=1e-6)
    with rasterio.open(write_coils(RESULT, tmp_path)) as file:
        assert file.descriptions == ("passes 28cm", "passes small") and file.nodatavals == (OUTSIDE,) * 2
        assert "rgb" not in str(file.photometric).lower()
        wanted = RESULT.layers.by_coil.values()
        assert all(np.array_equal(file.read(n), cells) for n, cells in enumerate(wanted, 1))


def test_passes_have_colours(tmp_path: Path) -> None:
    """In a GIS ground is the darker, the more often it was passed, and what is not the site is clear."""
    with rasterio.open(write(RESULT, tmp_path)) as file:
        assert file.colorinterp[0] == ColorInterp.palette
        table = file.colormap(1)
    assert table[OUTSIDE][3] == 0 and table[0] == (255, 255, 255, 255)
    light = [sum(table[value][:3]) for value in (0, 1, 2, 3, 4)]
    assert light == sorted(light, reverse=True) and len(set(light)) == 5 and table[254] == table[4]


def test_the_frame_stands_in_the_tags(tmp_path: Path) -> None:
    """The origin and the projection can be read from the tags, to the last digit."""
    with rasterio.open(write(RESULT, tmp_path)) as file:
        tags = file.tags()
        parameters = file.crs.to_dict()
    assert float(tags["FIELDCOMB_FRAME_LON_DEG"]) == REPORT.site.frame.lon_deg
    assert float(tags["FIELDCOMB_FRAME_LAT_DEG"]) == REPORT.site.frame.lat_deg
    assert tags["FIELDCOMB_FRAME_PROJ"] == REPORT.site.frame.proj4
    assert float(tags["FIELDCOMB_CELL_M"]) == 0.1
    assert tags["FIELDCOMB_SCHEMA"] == "2"
    assert (parameters["proj"], parameters["k"]) == ("tmerc", 1)
    assert parameters["lon_0"] == pytest.approx(REPORT.site.frame.lon_deg, abs=1e-9)
    assert parameters["lat_0"] == pytest.approx(REPORT.site.frame.lat_deg, abs=1e-9)


def test_the_same_survey_gives_the_same_bytes(tmp_path: Path) -> None:
    """A file written twice, even over another one, is the same byte for byte."""
    first = write(RESULT, tmp_path).read_bytes()
    (tmp_path / "b.tif").write_bytes(b"something else")
    assert write(RESULT, tmp_path, "b.tif").read_bytes() == first


@pytest.mark.parametrize("coils", [1, 2, 3, 12])
def test_any_number_of_coils(tmp_path: Path, coils: int) -> None:
    """No number of bands is taken for a colour picture, and each band is its own."""
    cells = RESULT.layers.passes
    by_coil = {f"coil {n}": np.where(cells == OUTSIDE, OUTSIDE, n).astype(np.uint8) for n in range(coils)}
    with rasterio.open(write_coils(replace(RESULT, layers=replace(RESULT.layers, by_coil=by_coil)), tmp_path)) as file:
        assert file.count == coils
        assert {colour.name for colour in file.colorinterp[1:]} <= {"undefined"}
        for n in range(coils):
            assert file.read(n + 1).min() == n


def test_hostile_coil_names_leave_the_raster_readable(tmp_path: Path) -> None:
    """Markup and control characters in a coil's name spoil neither the names nor the cells."""
    evil = with_evil_names(RESULT)
    names = ['<a>&"', "x\x1b[2J\x00y\nz", "small"]
    layers = replace(evil.layers, by_coil=dict.fromkeys(names, RESULT.layers.passes))
    with rasterio.open(write_coils(replace(evil, layers=layers), tmp_path)) as file:
        assert file.descriptions == ('passes <a>&"', "passes x [2J y z", "passes small")
        assert np.array_equal(file.read(3), RESULT.layers.passes)
    assert write(evil, tmp_path).exists()
