"""Polygons round cells, and cells inside polygons."""

from collections.abc import Sequence

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon

from fieldcomb.coverage.raster.cells import Mask
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.raster.polygons import Shape


def vectorise(mask: Mask, left_m: float, top_m: float, cell_m: float) -> MultiPolygon:
    """Polygons round the cells of a mask, with single-cell corners cut."""
    from rasterio.features import shapes
    from rasterio.transform import Affine

    found = shapes(mask.astype(np.uint8), mask=mask, transform=Affine(cell_m, 0, left_m, 0, -cell_m, top_m))
    parts = [shapely.geometry.shape(geometry).simplify(0.75 * cell_m) for geometry, _ in found]
    return MultiPolygon([p for p in parts if isinstance(p, Polygon) and not p.is_empty])


def cells_inside(shapes: Sequence[Shape], grid: Grid) -> Mask:
    """Cells of a grid whose centre lies inside any of some shapes, (rows, cols)."""
    from rasterio.features import rasterize

    if not shapes:  # the library refuses to draw nothing
        return np.zeros((grid.rows, grid.cols), bool)
    size = (grid.rows, grid.cols)
    return np.asarray(rasterize(shapes, size, fill=0, transform=grid.transform, dtype="uint8") > 0)
