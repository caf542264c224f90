"""What is drawn of each outing: its passes in a window, its outline, its walk and its stops."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from shapely.geometry import MultiPolygon

from fieldcomb.coverage.cache.memo import Memo
from fieldcomb.coverage.ground.pass_tally import OutingPasses
from fieldcomb.coverage.ground.site_cells import SITE, Ground
from fieldcomb.coverage.outings.walks import WalkedOuting
from fieldcomb.coverage.raster.cells import MOST_PASSES, OUTSIDE, Cells
from fieldcomb.coverage.raster.grid import Grid, block_sums
from fieldcomb.coverage.raster.simplified import steps_kept
from fieldcomb.coverage.raster.vectorise import vectorise
from fieldcomb.coverage.survey.outing_alone import recall_or
from fieldcomb.coverage.survey.results import DrawnWalk, Layers, OutingLayer, StopMark, WalkLines
from fieldcomb.tracks.motion.legs import Leg
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

MOST_RASTERS = 12  # outings drawn as rasters; older ones as outlines
OUTLINE_CELL_M = 0.5
DRAWN_WITHIN_M = 0.05  # half a cell, and far less than any receiver is off
DRAWN_STEPS = 9  # each twice as coarse as the one before, to 13 m


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
    drawn = recall_or(memory, "lines", name, lambda: tuple(drawn_walk(walk) for walk in walks))
    stops = tuple(StopMark(s.x_m, s.y_m, s.seconds, s.kind) for w in outing.walks for s in w.walk.stops)
    if number + MOST_RASTERS >= count:
        raster = recall_or(memory, "raster", name, lambda: raster_of(swept(), ground))
        if raster.passes.size:
            return OutingLayer(outing.id, raster.grid, raster.passes, None, walks, stops, drawn)
    outline = recall_or(memory, "outline", name, lambda: outline_of(swept(), ground))
    return OutingLayer(outing.id, None, None, outline, walks, stops, drawn)


def _lines(legs: Sequence[Leg]) -> tuple[Floats, ...]:
    return tuple(np.column_stack([leg.x_m, leg.y_m]) for leg in legs)


def drawn_walk(walk: WalkLines) -> DrawnWalk:
    """Simplify the lines of a walk from ``DRAWN_WITHIN_M`` on (Douglas-Peucker, as in GEOS).

    What a finer tolerance leaves out a coarser one leaves out too. A leg of a single fix is drawn as a dot: the same
    place twice under a round pen.
    """
    lines, transits = (
        [np.repeat(line, 2, axis=0) if len(line) == 1 else line for line in each if len(line)]
        for each in (walk.lines, walk.transits)
    )
    points = np.concatenate([np.zeros((0, 2)), *lines, *transits])
    sizes = [len(line) for line in (*lines, *transits)]
    steps = steps_kept(points, sizes, [DRAWN_WITHIN_M * 2**step for step in range(DRAWN_STEPS)])
    some, of = steps > 0, np.repeat(np.arange(len(sizes)), sizes)
    drawn = np.bincount(of[some], minlength=len(sizes))
    return DrawnWalk(points[some], drawn, steps[some] - np.uint8(1), len(lines))


def as_drawn(layers: Layers) -> Layers:
    """Return layers without the lines of walks that are not drawn, which is most of them."""
    bare = {
        one.id: tuple(replace(walk, lines=(), transits=()) if one.drawn else walk for walk in one.walks)
        for one in layers.outings
    }
    return replace(layers, outings=tuple(replace(one, walks=bare[one.id]) for one in layers.outings))


def raster_of(swept: OutingPasses, ground: Ground) -> OutingRaster:
    """Passes of an outing as they are drawn, where it came to the site."""
    cells = np.minimum(swept.passes[swept.there], MOST_PASSES).astype(np.uint8)
    cells[ground.kind[swept.here] != SITE] = OUTSIDE
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
