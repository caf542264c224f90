"""Polygons round cells, and cells inside polygons."""

from array import array
from collections.abc import Sequence
from itertools import chain
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from fieldcomb.coverage.raster.cells import Mask
from fieldcomb.coverage.raster.grid import Grid, aligned_grid
from fieldcomb.coverage.raster.polygons import Shape


def outlines_of(values: NDArray[Any], mask: Mask, transform: Any) -> tuple[NDArray[Any], NDArray[np.int64]]:
    """Polygons round the cells of each value where a mask is set, connected along sides; returns them and their values.

    transform : from columns and rows to metres, an ``affine.Affine``. All corners are taken over at once: one by one
    they take ten times as long.
    """
    from rasterio.features import shapes

    corners = array("d")  # of pairs of objects, those of a large site would take seven times as much room
    sizes: list[int] = []
    of_polygon: list[int] = []
    found: list[float] = []
    for geometry, value in shapes(values, mask=mask, transform=transform):
        for ring in geometry["coordinates"]:
            corners.extend(chain.from_iterable(ring))
            sizes.append(len(ring))
            of_polygon.append(len(found))
        found.append(value)
    if not sizes:
        return np.zeros(0, object), np.zeros(0, np.int64)
    rings = shapely.linearrings(np.frombuffer(corners).reshape(-1, 2), indices=np.repeat(np.arange(len(sizes)), sizes))
    polygons = shapely.polygons(rings, indices=of_polygon)
    return polygons, np.array(found, np.int64)


def vectorise(mask: Mask, left_m: float, top_m: float, cell_m: float) -> MultiPolygon:
    """Polygons round the cells of a mask, with single-cell corners cut."""
    from rasterio.transform import Affine

    polygons, _ = outlines_of(mask.view(np.uint8), mask, Affine(cell_m, 0, left_m, 0, -cell_m, top_m))
    parts = shapely.simplify(polygons, 0.75 * cell_m)
    return MultiPolygon([p for p in parts if isinstance(p, Polygon) and not p.is_empty])


def cells_inside(shapes: Sequence[Shape], grid: Grid) -> Mask:
    """Cells of a grid whose centre lies inside any of some shapes, (rows, cols)."""
    from rasterio.features import rasterize

    if not shapes:  # the library refuses to draw nothing
        return np.zeros((grid.rows, grid.cols), bool)
    size = (grid.rows, grid.cols)
    return np.asarray(rasterize(shapes, size, fill=0, transform=grid.transform, dtype="uint8")).view(bool)


def part_inside(shape: Shape, grid: Grid) -> tuple[tuple[slice, slice], Mask]:
    """Rows and columns of a grid that a shape lies in, and which cells there have their centre inside it."""
    part = aligned_grid(shape.bounds, grid.cell_m).part_of(grid)
    window = grid.window(part)
    return part, cells_inside([shape] if window.rows and window.cols else [], window)
