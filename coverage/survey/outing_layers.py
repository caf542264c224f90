"""What is drawn of each outing: its passes in a window, its outline, its walk and its stops."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry import MultiPolygon

from fieldcomb.coverage.cache.memo import Memo
from fieldcomb.coverage.ground.pass_tally import OutingPasses
from fieldcomb.coverage.ground.site_cells import SITE, Ground
from fieldcomb.coverage.outings.walks import WalkedOuting
from fieldcomb.coverage.raster.cells import MOST_PASSES, OUTSIDE, Cells
from fieldcomb.coverage.raster.grid import Grid, block_sums
from fieldcomb.coverage.raster.vectorise import vectorise
from fieldcomb.coverage.survey.outing_alone import recall_or
from fieldcomb.coverage.survey.results import Layers, OutingLayer, StopMark, WalkLines
from fieldcomb.tracks.motion.legs import Leg
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

MOST_RASTERS = 12  # outings drawn as rasters; older ones as outlines
OUTLINE_CELL_M = 0.5
DRAWN_WITHIN_M = 0.05  # half a cell, and far less than any receiver is off


@dataclass(frozen=True, slots=True, eq=False)
class OutingRaster:
    """Passes of one outing in a window of its own, as in ``OutingLayer``."""

    grid: Grid
    passes: Cells


def layer_of(
    ground: Ground,
    memory: Memo,
    count: int,
    number: int,
    outing: WalkedOuting,
    name: str,
    swept: Callable[[], OutingPasses],
) -> OutingLayer:
    """Recall or make everything that the map shows of one of so many outings, by number from 0.

    Of the latest their passes are drawn, of others, and of those that did not come to the site, an outline.

    name : stands for what it did in what is kept. swept : gives what it swept.
    """
    walks = tuple(
        WalkLines(w.swing.coil.name, w.swing.swath_m, w.searcher, _lines(w.walk.legs), _lines(w.walk.transits))
        for w in outing.walks
    )
    drawn = recall_or(memory, "lines", name, lambda: simplified(walks))
    stops = tuple(StopMark(s.x_m, s.y_m, s.seconds, s.kind) for w in outing.walks for s in w.walk.stops)
    if number + MOST_RASTERS >= count:
        raster = recall_or(memory, "raster", name, lambda: raster_of(swept(), ground))
        if raster.passes.size:
            return OutingLayer(outing.id, raster.grid, raster.passes, None, walks, stops, drawn)
    outline = recall_or(memory, "outline", name, lambda: outline_of(swept(), ground))
    return OutingLayer(outing.id, None, None, outline, walks, stops, drawn)


def _lines(legs: Sequence[Leg]) -> tuple[Floats, ...]:
    return tuple(np.column_stack([leg.x_m, leg.y_m]) for leg in legs)


def simplified(walks: Sequence[WalkLines]) -> tuple[WalkLines, ...]:
    """Return walks with lines simplified to ``DRAWN_WITHIN_M`` (Douglas-Peucker in GEOS)."""
    return tuple(replace(walk, lines=_simpler(walk.lines), transits=_simpler(walk.transits)) for walk in walks)


def _simpler(lines: Sequence[Floats]) -> tuple[Floats, ...]:
    found = list(lines)
    long = [number for number, line in enumerate(lines) if len(line) > 2]
    whole = np.array([shapely.LineString(lines[number]) for number in long], dtype=object)
    for number, line in zip(long, shapely.simplify(whole, DRAWN_WITHIN_M, preserve_topology=False), strict=True):
        found[number] = shapely.get_coordinates(line)
    return tuple(found)


def as_drawn(layers: Layers) -> Layers:
    """Return layers without what is not drawn of the lines of walks, which is most of them."""
    return replace(
        layers, outings=tuple(replace(one, walks=one.drawn or one.walks, drawn=()) for one in layers.outings)
    )


def raster_of(swept: OutingPasses, ground: Ground) -> OutingRaster:
    """Passes of an outing as they are drawn, where it came to the site."""
    cells = np.full(swept.bearings.shape, OUTSIDE, np.uint8)
    here, passes = ground.kind[swept.here] == SITE, swept.passes[swept.there]
    np.minimum(passes, MOST_PASSES, out=cells, where=here, casting="unsafe")
    return OutingRaster(ground.grid.window(swept.here), cells)


def outline_of(swept: OutingPasses, ground: Ground) -> MultiPolygon:
    """Outline of what an outing swept on the site, on cells of about half a metre: one counts when any of it does."""
    mask = (swept.passes[swept.there] > 0) & (ground.kind[swept.here] == SITE)
    if not mask.any():
        return MultiPolygon()
    grid = ground.grid.window(swept.here)
    k = max(1, round(OUTLINE_CELL_M / grid.cell_m))
    left, _, _, top = grid.bounds_m
    return vectorise(block_sums(mask, k) > 0, left, top, k * grid.cell_m)
