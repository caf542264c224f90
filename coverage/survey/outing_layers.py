"""What is drawn of each outing: its passes in a window, its outline, its walk and its stops."""

import numpy as np
from shapely.geometry import MultiPolygon

from fieldcomb.coverage.ground.pass_tally import OutingPasses
from fieldcomb.coverage.ground.site_cells import SITE, Ground
from fieldcomb.coverage.outings.walks import WalkedOuting
from fieldcomb.coverage.raster.cells import MOST_PASSES, OUTSIDE, Mask
from fieldcomb.coverage.raster.grid import Grid, block_sums
from fieldcomb.coverage.raster.vectorise import vectorise
from fieldcomb.coverage.survey.results import OutingLayer, StopMark

MOST_RASTERS = 12  # outings drawn as rasters; older ones as outlines
OUTLINE_CELL_M = 0.5


def draw_outing(outing: WalkedOuting, swept: OutingPasses, ground: Ground, raster: bool) -> OutingLayer:
    """Everything that the map shows of one outing; a raster, or an outline when there are too many."""
    inside = ground.kind[swept.here] == SITE
    counts = swept.passes[swept.there]
    rows, cols = swept.here
    grid = ground.grid.window((rows, cols))
    raster &= inside.size > 0  # an outing off the site has no cells to draw
    cells = np.where(inside, np.minimum(counts, MOST_PASSES), OUTSIDE).astype(np.uint8) if raster else None
    return OutingLayer(
        id=outing.id,
        grid=grid if raster else None,
        passes=cells,
        outline=None if raster else outline((counts > 0) & inside, grid),
        lines=tuple(np.column_stack([leg.x_m, leg.y_m]) for w in outing.walks for leg in w.walk.legs),
        transits=tuple(np.column_stack([leg.x_m, leg.y_m]) for w in outing.walks for leg in w.walk.transits),
        stops=tuple(StopMark(s.x_m, s.y_m, s.seconds, s.kind) for w in outing.walks for s in w.walk.stops),
    )


def outline(mask: Mask, grid: Grid) -> MultiPolygon:
    """Outline of a mask, drawn on cells of about half a metre: a cell counts when any of it does."""
    if not mask.any():
        return MultiPolygon()
    k = max(1, round(OUTLINE_CELL_M / grid.cell_m))
    left, _, _, top = grid.bounds_m
    return vectorise(block_sums(mask, k) > 0, left, top, k * grid.cell_m)
