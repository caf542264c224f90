"""Rasters for other programs: passes, second search, and the chance that the coil passed, as GeoTIFF."""

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
import shapely
from numpy.typing import NDArray
from rasterio.crs import CRS
from rasterio.enums import ColorInterp, Resampling
from rasterio.transform import Affine
from rasterio.warp import reproject
from rasterio.windows import Window

from fieldcomb.coverage.estimate.chance import Chance
from fieldcomb.coverage.gis.coordinates import GisFrame
from fieldcomb.coverage.raster.cells import OUTSIDE
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.survey.results import Result
from fieldcomb.coverage.todo.results import CoilPair
from fieldcomb.tracks.text import harmless

TIF_SCHEMA = 2
TIF_TILE = 256  # cells

# Measured on four bands of 24 million cells: level 1 gives 6.0 MB in 0.27 s, level 4 3.9 MB in 0.30 s, level 6
# 3.2 MB in 0.64 s; a predictor saves a tenth at level 1 and costs a tenth at level 6.
_COMPRESSION = {"compress": "deflate", "zlevel": 4, "predictor": 1}
Colours = Mapping[int, tuple[int, int, int, int]]
_DARKEST = (8, 48, 107, 255)
# Light to dark, so that they stay apart without colours too; what was not passed is white, the rest is clear.
_PASS_COLOURS = {
    **dict.fromkeys(range(4, 255), _DARKEST),
    **{0: (255, 255, 255, 255), 1: (158, 202, 225, 255), 2: (66, 146, 198, 255), 3: (8, 81, 156, 255)},
    OUTSIDE: (0, 0, 0, 0),
}
_SECOND_COLOURS = {0: (255, 255, 255, 255), 1: (253, 208, 162, 255), 2: (166, 54, 3, 255), OUTSIDE: (0, 0, 0, 0)}
_Bands = Sequence[tuple[str, NDArray[Any]]]


def coverage_tif(result: Result, path: Path | str, to: GisFrame) -> None:
    """Write the passes of all outings to a file: uint8 with colours, tiled, compressed, row 0 in the north.

    254 = 254 or more, 255 = not part of the site. The same result gives the same bytes. Bands are written a row of
    tiles at a time, so next to nothing is needed on top of the rasters.
    """
    values = f"passes; 254 = 254 or more; {OUTSIDE} = not part of the site"
    _write(path, [("passes", result.layers.passes)], result.layers.grid, to, values, OUTSIDE, _PASS_COLOURS)


def coils_tif(result: Result, path: Path | str, to: GisFrame) -> None:
    """Write passes by coil as in ``coverage_tif``, without colours: a band for each coil, named ``passes COIL``."""
    bands = [(f"passes {harmless(name)}", cells) for name, cells in result.layers.by_coil.items()]
    values = f"passes; 254 = 254 or more; {OUTSIDE} = not part of the site"
    _write(path, bands, result.layers.grid, to, values, OUTSIDE)


def second_search_tif(pairs: Sequence[CoilPair], path: Path | str, to: GisFrame) -> None:
    """Write for every two coils what is swept with the larger and not yet with the smaller: a band each, 1 m cells."""
    bands = [
        (f"swept with {harmless(pair.larger)}, not yet with {harmless(pair.smaller)}", pair.cells) for pair in pairs
    ]
    values = f"0 = done or not swept; 1 = not yet; 2 = not yet, in junk ground; {OUTSIDE} = not part of the site"
    colours = _SECOND_COLOURS if len(bands) == 1 else None
    _write(path, bands, pairs[0].grid, to, values, OUTSIDE, colours)


def chance_tif(chance: Chance, path: Path | str, to: GisFrame) -> None:
    """Write how likely each cell was passed over: float32, 0 to 1, NaN off the site, cells of 0.5 m, row 0 north."""
    values = "chance that the coil passed, 0 to 1; NaN = not part of the site"
    _write(path, [("chance", chance.cells.astype(np.float32))], chance.grid, to, values, float("nan"))


def _write(
    path: Path | str,
    bands: _Bands,
    grid: Grid,
    to: GisFrame,
    values: str,
    nodata: float,
    colours: Colours | None = None,
) -> None:
    crs = CRS.from_wkt(to.wkt)
    transform, cols, rows = _target(grid, to, crs)
    profile = {
        **{"driver": "GTiff", "dtype": bands[0][1].dtype.name, "count": len(bands), "nodata": nodata},
        **{"height": rows, "width": cols, "crs": crs, "transform": transform, "interleave": "band"},
        **{"tiled": True, "blockxsize": TIF_TILE, "blockysize": TIF_TILE},
        **_COMPRESSION,
        # Three bands of bytes would otherwise be taken for red, green and blue, and a last one for transparency.
        **({} if colours else {"photometric": "minisblack", "alpha": "no"}),
    }
    with rasterio.open(path, "w", **profile) as file:
        if colours:
            file.write_colormap(1, dict(colours))
        elif len(bands) > 1:
            file.colorinterp = [ColorInterp.gray] + [ColorInterp.undefined] * (len(bands) - 1)
        file.update_tags(**_tags(to, grid.cell_m, values))
        for number, (name, cells) in enumerate(bands, 1):
            file.set_band_description(number, name)
            placed = cells
            if to.epsg is not None:
                placed = np.full((rows, cols), nodata, cells.dtype)
                source = {"src_transform": grid.transform, "src_crs": CRS.from_wkt(to.site.wkt), "src_nodata": nodata}
                target = {"dst_transform": transform, "dst_crs": crs, "dst_nodata": nodata}
                reproject(np.ascontiguousarray(cells), placed, **source, **target, resampling=Resampling.nearest)
            _write_band(file, number, placed)


def _target(grid: Grid, to: GisFrame, crs: CRS) -> tuple[Any, int, int]:
    """Return the transform and size of a raster in a system: cells of the same size, in degrees about so large."""
    if to.epsg is None:
        return grid.transform, grid.cols, grid.rows
    left, bottom, right, top = grid.bounds_m
    outline = shapely.segmentize(shapely.box(left, bottom, right, top), max(right - left, top - bottom) / 50)
    west, south, east, north = to.from_site(outline).bounds
    if crs.is_geographic:
        wide, high = (east - west) / grid.cols, (north - south) / grid.rows
    else:
        wide = high = grid.cell_m / crs.linear_units_factor[1]
    transform = Affine(wide, 0, west, 0, -high, north)
    return transform, math.ceil((east - west) / wide - 1e-6), math.ceil((north - south) / high - 1e-6)


def _tags(to: GisFrame, cell_m: float, values: str) -> dict[str, str]:
    frame = to.site
    return {
        "FIELDCOMB_SCHEMA": str(TIF_SCHEMA),
        "FIELDCOMB_FRAME_LON_DEG": repr(frame.lon_deg),
        "FIELDCOMB_FRAME_LAT_DEG": repr(frame.lat_deg),
        "FIELDCOMB_FRAME_PROJ": frame.proj4,
        "FIELDCOMB_CELL_M": repr(cell_m),
        "FIELDCOMB_VALUES": values,
    }


def _write_band(file: rasterio.io.DatasetWriter, band: int, cells: NDArray[Any]) -> None:
    rows, cols = cells.shape
    for top in range(0, rows, TIF_TILE):
        height = min(TIF_TILE, rows - top)
        file.write(np.ascontiguousarray(cells[top : top + height]), band, window=Window(0, top, cols, height))
