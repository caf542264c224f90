"""The ground of a site as it is drawn for one reader: from which corner, in which squares, without what is closed."""

from collections.abc import Callable
from functools import cached_property

import numpy as np
import shapely
from shapely.geometry import MultiPolygon
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.copies.audience import Allowed
from fieldcomb.coverage.copies.own_frame import OwnFrame, Ring, own_frame, own_rings
from fieldcomb.coverage.copies.squares import (
    CoarseSquares,
    Patches,
    ground_patches,
    in_squares,
    patches_of_outing,
    side_for,
)
from fieldcomb.coverage.places.places import letter_of
from fieldcomb.coverage.raster.cells import OUTSIDE
from fieldcomb.coverage.raster.vectorise import cells_inside
from fieldcomb.coverage.survey.results import OutingLayer, Result
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.values import dataclass


def closed_areas(result: Result) -> tuple[AreaShape, ...]:
    """Return the places that marks closed."""
    return tuple(area for area in result.layers.areas if area.kind == "no-go" and area.marked_in)


def closed_ground(result: Result) -> BaseGeometry:
    """Return the ground that marks closed, in site metres."""
    shapes = [area.shape for area in closed_areas(result)]
    return shapely.union_all(shapes) if shapes else MultiPolygon()


@dataclass(frozen=True, eq=False)
class DrawnGround:
    """Squares and outline of a site for one reader, counted in metres from its own corner.

    undrawn : ids of outings that are in no drawing, nor in that of all: compared with one another they would show them.
    """

    result: Result
    allowed: Allowed
    undrawn: frozenset[str] = frozenset()

    @cached_property
    def edge(self) -> BaseGeometry | None:
        """The boundary that the user gave, in site metres; None where there is none."""
        sites = [area.shape for area in self.result.layers.areas if area.kind == "site"]
        return shapely.union_all(sites) if sites and self.result.report.site.boundary == "given" else None

    @cached_property
    def would_be_open(self) -> BaseGeometry:
        """Closed ground that would be part of the site if it were open, so that it leaves no hole in a drawing."""
        closed = closed_ground(self.result)
        ground = closed if self.edge is None else closed & self.edge
        taken = [
            area.shape
            for area in self.result.layers.areas
            if area.kind == "blocked" or (area.kind == "no-go" and not area.marked_in)
        ]
        return ground - shapely.union_all(taken) if taken else ground

    @cached_property
    def site(self) -> Patches:
        """All ground of the site, with what all outings swept."""
        return ground_patches(self.result.layers.grid, self.result.layers.passes, self.would_be_open)

    @cached_property
    def shape(self) -> BaseGeometry:
        """The boundary, or else the outline of all ground, in site metres."""
        if self.edge is not None:
            return self.edge
        return shapely.multipoints(np.column_stack([self.site.x_m, self.site.y_m])).convex_hull

    @cached_property
    def frame(self) -> OwnFrame:
        """Metres from the corner of the ground."""
        return own_frame(self.shape, self.allowed.north_up)

    @cached_property
    def side_m(self) -> int | None:
        """Side of the squares; None where no ground is drawn."""
        return None if self.allowed.square_m is None else side_for(self.frame, self.allowed.square_m)

    def all_squares(self) -> CoarseSquares | None:
        """Return all outings that may be drawn together in squares; None where no ground is drawn."""
        return None if self.side_m is None else in_squares(self.site, self._swept(), self.frame, self.side_m)

    def _swept(self) -> Patches:
        """All ground of the site, with what those outings swept that may be drawn."""
        layers = self.result.layers
        if not any(layer.id in self.undrawn for layer in layers.outings):
            return self.site
        shown = [layer for layer in layers.outings if layer.id not in self.undrawn]
        swept = np.zeros(layers.passes.shape, bool)
        for layer in shown:
            if layer.grid is not None and layer.passes is not None:
                here, there = layers.grid.part_of(layer.grid), layer.grid.part_of(layers.grid)
                swept[there] |= (layer.passes[here] > 0) & (layer.passes[here] != OUTSIDE)
        older = [layer.outline for layer in shown if layer.passes is None and layer.outline is not None]
        swept |= cells_inside([outline for outline in older if not outline.is_empty], layers.grid)
        passes = np.where(layers.passes == OUTSIDE, OUTSIDE, swept.astype(np.uint8))
        return ground_patches(layers.grid, passes, self.would_be_open)

    def squares_of(self, layer: OutingLayer) -> CoarseSquares | None:
        """Return one outing in squares; None where no ground is drawn, or nothing of the outing is kept."""
        swept = patches_of_outing(layer, self.would_be_open) if self.allowed.by_outing else None
        return None if swept is None or self.side_m is None else in_squares(self.site, swept, self.frame, self.side_m)

    def outline(self) -> tuple[Ring, ...]:
        """Return the edges of the ground that may be shown; none without a boundary."""
        if self.edge is None or self.allowed.outline_m is None:
            return ()
        return own_rings(self.edge, self.frame, self.allowed.outline_m)

    def square_at(self, right_m: float, up_m: float) -> str:
        """Return the square at metres from the corner, as its column from the left and row from the top.

        Blank off the drawing, and where no ground is drawn.
        """
        inside = 0 <= right_m <= self.frame.wide_m and 0 <= up_m <= self.frame.high_m
        if self.side_m is None or not inside:
            return ""
        rows = max(1, -int(-self.frame.high_m // self.side_m))
        return f"{letter_of(int(right_m // self.side_m))}{max(rows - int(up_m // self.side_m), 1)}"

    def squares_in(self, shape: BaseGeometry, least_m2: float) -> tuple[str, ...]:
        """Return the squares of which some ground takes at least so much, or the largest part of it, by row."""
        if self.side_m is None:
            return ()
        side = self.side_m
        own = shapely.transform(shape, lambda xy: np.column_stack(self.frame.from_site(*xy.T)))
        left, bottom, right, top = (int(v // side) for v in own.bounds)
        boxes = [
            shapely.box(col * side, row * side, (col + 1) * side, (row + 1) * side)
            for row in range(top, bottom - 1, -1)
            for col in range(left, right + 1)
        ]
        taken_m2 = shapely.area(shapely.intersection(own, boxes))
        most_m2 = min(least_m2, float(taken_m2.max()))
        middles = (box.centroid for box, m2 in zip(boxes, taken_m2, strict=True) if m2 >= most_m2)
        return tuple(filter(None, (self.square_at(middle.x, middle.y) for middle in middles)))

    def square_of(self, frame: SiteFrame) -> Callable[[float, float], str]:
        """Return what names the square of a place in degrees, longitude first."""

        def name(lon_deg: float, lat_deg: float) -> str:
            right, up = self.frame.from_site(*frame.to_metres([lon_deg], [lat_deg]))
            return self.square_at(float(right[0]), float(up[0]))

        return name
