"""The ground of a site: which cells belong to it, which are no-go or blocked."""

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.ground.sketch import between_walks
from fieldcomb.coverage.raster.grid import Grid, aligned_grid, bounds_of, check_cells, grid_over
from fieldcomb.coverage.raster.passes import cover
from fieldcomb.coverage.raster.vectorise import cells_inside
from fieldcomb.tracks.errors import AreaError
from fieldcomb.tracks.files.limits import MAX_CELLS
from fieldcomb.tracks.motion.legs import Leg
from fieldcomb.tracks.recording import runs_of
from fieldcomb.tracks.values import dataclass

OUT, SITE, NO_GO, BLOCKED = 0, 1, 2, 3
NEAR_SITE_M = 25.0  # sweeping beyond the boundary is counted up to here; farther away is not the site's affair
NEAR_FINE_M = 1.0  # to which its rim is true: round each tooth of a rough edge it takes ever longer
LEGS_AT_ONCE = 20


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """The site as polygons in metres and as cells.

    shape : the site with no-go and blocked ground still in it. near : everything within 25 m of it.
    kind : uint8 (rows, cols), OUT, SITE, NO_GO or BLOCKED by a cell's centre. boundary : given or
    from walks. said : bool (rows, cols), ground that people say they walked without a recording.
    """

    shape: BaseGeometry
    near: BaseGeometry
    grid: Grid
    kind: NDArray[np.uint8]
    boundary: str
    areas: tuple[AreaShape, ...]
    said: NDArray[np.bool_]

    @property
    def inside(self) -> NDArray[np.bool_]:
        """Cells that can be searched."""
        return np.asarray(self.kind == SITE)

    def m2(self, kind: int) -> float:
        """Area of one kind, counted on cells."""
        return float(np.count_nonzero(self.kind == kind)) * self.grid.cell_m2


def rasterise_site(areas: Sequence[AreaShape], swung: Sequence[tuple[Leg, float]], cell_m: float, file: str) -> Ground:
    """Lay out the ground.

    areas : the user's areas in site metres; without one of kind ``site`` the boundary is drawn from the walks.
    swung : sequence of (Leg, swath_m), every searching leg.
    cell_m : side of a cell.
    file : where the areas came from, for messages.
    """
    given = [a.shape for a in areas if a.kind == "site"]
    shape = shapely.union_all(given) if given else between_walks(swung, cell_m)
    left, bottom, right, top = shape.bounds if given else shape.buffer(2 * cell_m).bounds
    check_cells((left, bottom, right, top), cell_m, MAX_CELLS, AreaError, file if given else None)
    grid = aligned_grid((left, bottom, right, top), cell_m)
    kind = _kinds(shape, areas, grid)
    if not given:
        _take_swept(kind, shape, swung, grid)
    if not (kind == SITE).any():
        problem = "no ground is left to search once no-go and blocked ground is taken off"
        drawn = any(not area.marked_in for area in areas)
        raise AreaError(
            problem, file=file if drawn else None, hint="Check the kinds of the areas, and the marks blocked and stop"
        )
    boundary = "given" if given else "from walks"
    said = cells_inside([area.shape for area in areas if area.kind == "walked"], grid)
    outline = () if given else (AreaShape("site", "drawn from the walks", shape),)
    return Ground(
        shape, shape.simplify(NEAR_FINE_M).buffer(NEAR_SITE_M), grid, kind, boundary, (*areas, *outline), said
    )


def _kinds(shape: BaseGeometry, areas: Sequence[AreaShape], grid: Grid) -> NDArray[np.uint8]:
    from rasterio.features import rasterize

    layers = [(shape, SITE)]
    for name, value in (("blocked", BLOCKED), ("no-go", NO_GO)):
        layers += [(part, value) for a in areas if a.kind == name for part in _inside(a.shape, shape)]
    return np.asarray(rasterize(layers, (grid.rows, grid.cols), fill=OUT, transform=grid.transform, dtype="uint8"))


def _take_swept(kind: NDArray[np.uint8], shape: BaseGeometry, swung: Sequence[tuple[Leg, float]], grid: Grid) -> None:
    """Take every swept cell into a site drawn from walks: an outline alone cuts cells off along its rim."""
    rim = _kinds(shape.buffer(2 * grid.cell_m), (), grid) == SITE
    for k in range(0, len(swung), LEGS_AT_ONCE):
        legs = [leg for leg, _ in swung[k : k + LEGS_AT_ONCE]]
        reach = np.array([swath_m / 2 for _, swath_m in swung[k : k + LEGS_AT_ONCE]])
        window = grid.window(grid_over(bounds_of(legs, float(reach.max())), grid.cell_m).part_of(grid))
        part = window.part_of(grid)
        kind[part][cover(legs, reach, window) & rim[part] & (kind[part] == OUT)] = SITE


def _inside(part: BaseGeometry, shape: BaseGeometry) -> list[BaseGeometry]:
    common = part.intersection(shape)
    return [p for p in getattr(common, "geoms", [common]) if isinstance(p, Polygon) and not p.is_empty]


def clip_to_site(legs: Sequence[Leg], near: BaseGeometry) -> tuple[list[Leg], float]:
    """Keep what lies within 25 m of the site; return the legs and the share of their length that was cut off."""
    shapely.prepare(near)
    box = shapely.box(*near.bounds)
    kept: list[Leg] = []
    total = left = 0.0
    for leg in legs:
        step = np.hypot(np.diff(leg.x_m), np.diff(leg.y_m))
        total += float(step.sum())
        bounds = shapely.box(leg.x_m.min(), leg.y_m.min(), leg.x_m.max(), leg.y_m.max())
        if box.contains(bounds) and near.contains(bounds):
            kept.append(leg)
            left += float(step.sum())
            continue
        inside = shapely.contains_xy(near, leg.x_m, leg.y_m)
        edges = runs_of(inside)
        kept += [Leg(leg.x_m[a:b], leg.y_m[a:b]) for a, b in edges]
        left += float(sum(step[a : b - 1].sum() for a, b in edges))
    return kept, 1 - left / total if total else 0.0
