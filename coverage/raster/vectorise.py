"""Polygons round cells."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon

from fieldcomb.coverage.raster.cells import Mask


def vectorise(mask: Mask, left_m: float, top_m: float, cell_m: float) -> MultiPolygon:
    """Polygons round the cells of a mask, with single-cell corners cut."""
    from rasterio.features import shapes
    from rasterio.transform import Affine

    found = shapes(mask.astype(np.uint8), mask=mask, transform=Affine(cell_m, 0, left_m, 0, -cell_m, top_m))
    parts = [shapely.geometry.shape(geometry).simplify(0.75 * cell_m) for geometry, _ in found]
    return MultiPolygon([p for p in parts if isinstance(p, Polygon) and not p.is_empty])
