"""Rasters for other programs: passes, and the chance that the coil passed, as GeoTIFF."""

from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from rasterio.crs import CRS
from rasterio.enums import ColorInterp
from rasterio.windows import Window

from fieldcomb.coverage.estimate.chance_layer import Chance
from fieldcomb.coverage.raster.cells import OUTSIDE, Cells
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.survey.results import Result
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.text import harmless

TIF_SCHEMA = 1
TIF_TILE = 256  # cells

# Measured on four bands of 24 million cells: level 1 gives 6.0 MB in 0.27 s, level 4 3.9 MB in 0.30 s, level 6
# 3.2 MB in 0.64 s; a predictor saves a tenth at level 1 and costs a tenth at level 6.
_COMPRESSION = {"compress": "deflate", "zlevel": 4, "predictor": 1}


def coverage_tif(result: Result, path: Path | str) -> None:
    """Write the pass raster to a file: uint8, tiled, compressed, row 0 in the north.

    Band 1 ``passes`` counts all outings (254 = 254 or more, 255 = not part of the site); one band a coil follows,
    named ``passes COIL``. The coordinate system is the site frame. The same result gives the same bytes.

    Bands are written a row of tiles at a time, so next to nothing is needed on top of the rasters.
    """
    layers, frame = result.layers, result.report.site.frame
    bands = [
        ("passes", layers.passes),
        *((f"passes {harmless(name)}", cells) for name, cells in layers.by_coil.items()),
    ]
    grid = layers.grid
    profile = {
        **_profile(grid, frame, "uint8", OUTSIDE),
        "count": len(bands),
        "interleave": "band",
        # Three bands of bytes would otherwise be taken for red, green and blue, and a last one for transparency.
        "photometric": "minisblack",
        "alpha": "no",
    }
    with rasterio.open(path, "w", **profile) as file:
        file.colorinterp = [ColorInterp.gray] + [ColorInterp.undefined] * (len(bands) - 1)
        file.update_tags(**_tags(frame, grid.cell_m))
        for band, (name, cells) in enumerate(bands, 1):
            file.set_band_description(band, name)
            _write_band(file, band, cells)


def _profile(grid: Grid, frame: SiteFrame, dtype: str, nodata: float) -> dict[str, Any]:
    return {
        **{"driver": "GTiff", "dtype": dtype, "count": 1, "nodata": nodata},
        **{"height": grid.rows, "width": grid.cols, "crs": CRS.from_wkt(frame.wkt), "transform": grid.transform},
        **{"tiled": True, "blockxsize": TIF_TILE, "blockysize": TIF_TILE},
        **_COMPRESSION,
    }


def _tags(frame: SiteFrame, cell_m: float) -> dict[str, str]:
    return {
        "FIELDCOMB_SCHEMA": str(TIF_SCHEMA),
        "FIELDCOMB_FRAME_LON_DEG": repr(frame.lon_deg),
        "FIELDCOMB_FRAME_LAT_DEG": repr(frame.lat_deg),
        "FIELDCOMB_FRAME_PROJ": frame.proj4,
        "FIELDCOMB_CELL_M": repr(cell_m),
        "FIELDCOMB_VALUES": f"passes; 254 = 254 or more; {OUTSIDE} = not part of the site",
    }


def _write_band(file: rasterio.io.DatasetWriter, band: int, cells: Cells) -> None:
    rows, cols = cells.shape
    for top in range(0, rows, TIF_TILE):
        height = min(TIF_TILE, rows - top)
        file.write(np.ascontiguousarray(cells[top : top + height]), band, window=Window(0, top, cols, height))


def chance_tif(chance: Chance, frame: SiteFrame, path: Path | str) -> None:
    """Write how likely each cell was passed over: float32, 0 to 1, NaN off the site, cells of 0.5 m, row 0 north."""
    grid = chance.grid
    values = "chance that the coil passed, 0 to 1; NaN = not part of the site"
    with rasterio.open(path, "w", **_profile(grid, frame, "float32", float("nan"))) as file:
        file.update_tags(**{**_tags(frame, grid.cell_m), "FIELDCOMB_VALUES": values})
        file.set_band_description(1, "chance")
        file.write(chance.cells.astype(np.float32), 1)
