"""What is drawn of each outing: its passes in a window, its outline, its walk and its stops."""

import numpy as np
from shapely.geometry import MultiPolygon

from fieldcomb.coverage.ground.pass_tally import OutingPasses
from fieldcomb.coverage.ground.site_cells import SITE, Ground
from fieldcomb.coverage.outings.walks import SwungWalk, WalkedOuting
from fieldcomb.coverage.raster.cells import MOST_PASSES, OUTSIDE
from fieldcomb.coverage.raster.grid import block_sums
from fieldcomb.coverage.raster.vectorise import vectorise
from fieldcomb.coverage.survey.results import OutingLayer, StopMark, WalkLines

MOST_RASTERS = 12  # outings drawn as rasters; older ones as outlines
OUTLINE_CELL_M = 0.5


def draw_outing(outing: WalkedOuting, swept: OutingPasses, ground: Ground, outline: MultiPolygon | None) -> OutingLayer:
    """Everything that the map shows of one outing; a raster where no outline is given."""
    cells = None
    if outline is None:
        cells = np.full(swept.bearings.shape, OUTSIDE, np.uint8)
        np.minimum(
            swept.passes[swept.there],
            MOST_PASSES,
            out=cells,
            where=ground.kind[swept.here] == SITE,
            casting="unsafe",
        )
    return OutingLayer(
        id=outing.id,
        grid=ground.grid.window(swept.here) if outline is None else None,
        passes=cells,
        outline=outline,
        walks=tuple(_lines_of(walked) for walked in outing.walks),
        stops=tuple(StopMark(s.x_m, s.y_m, s.seconds, s.kind) for w in outing.walks for s in w.walk.stops),
    )


def _lines_of(walked: SwungWalk) -> WalkLines:
    lines, transits = (
        tuple(np.column_stack([leg.x_m, leg.y_m]) for leg in legs) for legs in (walked.walk.legs, walked.walk.transits)
    )
    return WalkLines(walked.swing.coil.name, walked.swing.swath_m, walked.searcher, lines, transits)


def outline_of(swept: OutingPasses, ground: Ground) -> MultiPolygon:
    """Outline of what an outing swept on the site, on cells of about half a metre: one counts when any of it does."""
    mask = (swept.passes[swept.there] > 0) & (ground.kind[swept.here] == SITE)
    if not mask.any():
        return MultiPolygon()
    grid = ground.grid.window(swept.here)
    k = max(1, round(OUTLINE_CELL_M / grid.cell_m))
    left, _, _, top = grid.bounds_m
    return vectorise(block_sums(mask, k) > 0, left, top, k * grid.cell_m)
