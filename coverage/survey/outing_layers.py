"""What is drawn of each outing: its passes in a window, its outline, its walk and its stops."""

from collections.abc import Callable

import numpy as np
from shapely.geometry import MultiPolygon

from fieldcomb.coverage.cache.memo import Memo
from fieldcomb.coverage.ground.pass_tally import OutingPasses
from fieldcomb.coverage.ground.site_cells import SITE, Ground
from fieldcomb.coverage.outings.walks import SwungWalk, WalkedOuting
from fieldcomb.coverage.raster.cells import MOST_PASSES, OUTSIDE, Cells
from fieldcomb.coverage.raster.grid import Grid, block_sums
from fieldcomb.coverage.raster.vectorise import vectorise
from fieldcomb.coverage.survey.outing_alone import recall_or
from fieldcomb.coverage.survey.results import OutingLayer, StopMark, WalkLines
from fieldcomb.tracks.values import dataclass

MOST_RASTERS = 12  # outings drawn as rasters; older ones as outlines
OUTLINE_CELL_M = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class OutingRaster:
    """Passes of one outing in a window of its own, as in ``OutingLayer``."""

    grid: Grid
    passes: Cells


def draw_outing(outing: WalkedOuting, drawn: MultiPolygon | OutingRaster) -> OutingLayer:
    """Everything that the map shows of one outing, of which its outline or its passes are drawn."""
    raster = drawn if isinstance(drawn, OutingRaster) else None
    return OutingLayer(
        id=outing.id,
        grid=None if raster is None else raster.grid,
        passes=None if raster is None else raster.passes,
        outline=None if raster is not None else drawn,
        walks=tuple(_lines_of(walked) for walked in outing.walks),
        stops=tuple(StopMark(s.x_m, s.y_m, s.seconds, s.kind) for w in outing.walks for s in w.walk.stops),
    )


def drawn_of(
    ground: Ground, memory: Memo, count: int, number: int, name: str, swept: Callable[[], OutingPasses]
) -> MultiPolygon | OutingRaster:
    """Recall or make what is drawn of one of so many outings: of the latest their passes, if any, else an outline.

    number : from 0. name : stands for what it did in what is kept. swept : gives what it swept.
    """
    if number + MOST_RASTERS >= count:
        raster = recall_or(memory, "raster", name, lambda: raster_of(swept(), ground))
        if raster.passes.size:
            return raster
    return recall_or(memory, "outline", name, lambda: outline_of(swept(), ground))


def raster_of(swept: OutingPasses, ground: Ground) -> OutingRaster:
    """Passes of an outing as they are drawn, where it came to the site."""
    cells = np.full(swept.bearings.shape, OUTSIDE, np.uint8)
    here, passes = ground.kind[swept.here] == SITE, swept.passes[swept.there]
    np.minimum(passes, MOST_PASSES, out=cells, where=here, casting="unsafe")
    return OutingRaster(ground.grid.window(swept.here), cells)


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
