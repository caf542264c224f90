"""The boundary drawn from walks: the ground between them as polygons, from cells finer than the swath.

Wide ground is sketched tile by tile, and only where a leg comes near, so that neither the way between two fields nor a
long walk makes the cells coarse; the tiles are joined as polygons.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import STRtree
from shapely.geometry import MultiPolygon
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.ground.distances import squared_distances
from fieldcomb.coverage.raster.grid import Grid, aligned_grid, bounds_of
from fieldcomb.coverage.raster.passes import cover
from fieldcomb.coverage.raster.vectorise import outlines_of
from fieldcomb.tracks.errors import AreaError
from fieldcomb.tracks.hints import HintKind
from fieldcomb.tracks.motion.legs import Leg
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

CLOSING_M = 5.0  # gaps between walks up to twice this wide belong to the ground between them
LEAST_PART = 0.01  # of the largest part
SKETCH_CELLS = 2e6  # a sketch with more is drawn in tiles
TILE_CELLS = 250_000
CELLS_A_SWATH = 8  # at least: coarser ones would cut a lone lane off along its rim
PIECE = 50  # steps of a leg looked up together


def between_walks(swung: Sequence[tuple[Leg, float]], cell_m: float) -> MultiPolygon:
    """Return the ground between the walks: legs widened by half a swath, closed by 5 m.

    Parts under 1 % of the largest are left out.

    swung : sequence of (Leg, swath_m), every searching leg. Raises AreaError when there is none.
    cell_m : side of the site's cells; those of the sketch have half of it, and on wide ground up to an eighth of the
    narrowest swath.
    """
    if not swung:
        raise AreaError(
            "there is no searching in these recordings to draw a boundary from", hint=HintKind.NO_BOUNDARY()
        )
    lines = _Lines.of(swung)
    bounds = bounds_of([leg for leg, _ in swung], float(lines.reach_m.max()) + CLOSING_M + 1)
    area_m2 = (bounds[2] - bounds[0]) * (bounds[3] - bounds[1])
    coarsest_m = 2 * float(lines.reach_m.min()) / CELLS_A_SWATH
    sketch_m = min(max(cell_m / 2, math.sqrt(area_m2 / SKETCH_CELLS)), coarsest_m)
    grid = aligned_grid(bounds, sketch_m)
    drawn = [piece for tile in _tiles(grid, lines) for piece in _outlines(tile, lines)]
    # Distances run to the centre of the next cell, half a cell beyond the rim on average; and an outline runs along the
    # cells' sides, half a cell beyond their centres: both are taken off, or a lone lane would not be swept to its rim.
    half_m = sketch_m / 2
    corner = np.array([grid.west, grid.north])
    whole = shapely.transform(shapely.union_all(drawn), lambda cells: (cells - corner) * sketch_m + corner * sketch_m)
    parts = shapely.get_parts(whole.buffer(-half_m, join_style="mitre"))
    least_m2 = LEAST_PART * max((part.area for part in parts), default=0.0)
    return MultiPolygon([part.simplify(half_m) for part in parts if part.area >= least_m2])


@dataclass(frozen=True, slots=True, eq=False)
class _Lines:
    """Short pieces of legs, how far each reaches, and the tree that finds those near a place."""

    legs: list[Leg]
    reach_m: Floats
    tree: STRtree

    @staticmethod
    def of(swung: Sequence[tuple[Leg, float]]) -> _Lines:
        legs, reach = [], []
        for leg, swath_m in swung:
            for k in range(0, max(leg.x_m.size - 1, 1), PIECE):
                legs.append(Leg(leg.x_m[k : k + PIECE + 1], leg.y_m[k : k + PIECE + 1]))
                reach.append(swath_m / 2)
        boxes = [(leg.x_m.min(), leg.y_m.min(), leg.x_m.max(), leg.y_m.max()) for leg in legs]
        return _Lines(legs, np.array(reach), STRtree(shapely.box(*np.array(boxes).T)))

    def near(self, grid: Grid) -> NDArray[np.int64]:
        """Which of them may widen into a grid."""
        around = shapely.box(*grid.bounds_m).buffer(float(self.reach_m.max()) + CLOSING_M, join_style="mitre")
        return np.asarray(np.sort(self.tree.query(around)))


def _tiles(grid: Grid, lines: _Lines) -> list[Grid]:
    """The grid itself, or where it is large the small parts of it that a leg comes near to."""
    if grid.rows * grid.cols <= 1.1 * SKETCH_CELLS:
        return [grid]
    tiles, parts = [], [grid]
    while parts:
        part = parts.pop()
        if not lines.near(part).size:
            continue
        if part.rows * part.cols <= TILE_CELLS:
            tiles.append(part)
            continue
        rows, cols = slice(0, part.rows), slice(0, part.cols)
        if part.rows > part.cols:
            halves = [(slice(0, part.rows // 2), cols), (slice(part.rows // 2, part.rows), cols)]
        else:
            halves = [(rows, slice(0, part.cols // 2)), (rows, slice(part.cols // 2, part.cols))]
        parts += [part.window(half) for half in halves]
    return tiles


def _outlines(tile: Grid, lines: _Lines) -> list[BaseGeometry]:
    """Polygons, in whole cells from the frame's origin, so that they join exactly, of the ground between the walks."""
    from rasterio.transform import Affine

    rim = math.ceil(CLOSING_M / tile.cell_m) + 2  # what is swept beyond two of it changes nothing within
    around = Grid(tile.cell_m, tile.west - 2 * rim, tile.north + 2 * rim, tile.rows + 4 * rim, tile.cols + 4 * rim)
    near = lines.near(around)
    swept = cover([lines.legs[k] for k in near], lines.reach_m[near], around)
    # From centre to centre, of which one is half a cell inside the rim on average, or half a cell outside of it.
    closing = (CLOSING_M / tile.cell_m + 0.5) ** 2
    wide = squared_distances(~swept, rim)[rim:-rim, rim:-rim] <= closing
    closed = swept[2 * rim : -2 * rim, 2 * rim : -2 * rim]
    closed |= squared_distances(wide, rim)[rim:-rim, rim:-rim] > closing
    polygons, _ = outlines_of(closed.astype(np.uint8), closed, Affine(1, 0, tile.west, 0, -1, tile.north))
    return list(polygons)
