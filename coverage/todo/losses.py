"""What is still to do with one coil: the ground where one more pass would find most, and why so much is left there.

It ranks ground and promises nothing. docs/todo.md lists what is assumed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.raster.cells import Mask
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.raster.vectorise import vectorise
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

NEVER, LOST, FAST, JUNK, DEEP, ONE_WAY, NOT_DUG = range(7)
REASONS = {
    NEVER: "never swept",
    LOST: "not recorded",
    FAST: "walked too fast",
    JUNK: "too much junk for {coil}",
    DEEP: "too deep for {coil}",
    ONE_WAY: "one direction only",
    NOT_DUG: "not dug",
}
# The same in three words, whatever the coil.
CAUSES = {**REASONS, JUNK: "too much junk", DEEP: "too deep"}
# Chosen for this project, so that what is listed is worth a walk.
MORE_LEFT = 0.1  # share of the targets above what a good pass of the same user leaves on clean ground
JUNK_GAIN = 0.15  # or the share that junk hid from the coils used so far and that this coil hears alone
LEAST_PIECE_M2 = 25.0  # about a minute of searching; less is not worth walking to
MERGE_M = 0.5  # pieces so near are one when doubled, and what is narrower than OPEN_M falls off
OPEN_M = 0.8
CORNER_M = 0.6
STAND_OFF_SEGMENTS = 16  # of a quarter of a circle round a corner of no-go ground


@dataclass(frozen=True, slots=True, eq=False)
class Losses:
    """Why targets are left that the coil would hear alone now: shares of all targets by reason, each (rows, cols).

    usual_left : what one usual pass leaves on clean ground.
    """

    by_reason: Mapping[int, Floats]
    usual_left: float

    @property
    def open_to_it(self) -> Floats:
        """Share of targets that are left and that the coil would hear alone."""
        return np.asarray(sum(self.by_reason.values()))

    def without(self, reason: int, where: Mask) -> Losses:
        """Return the same with nothing lost for one reason in some cells."""
        return replace(self, by_reason={**self.by_reason, reason: np.where(where, 0.0, self.by_reason[reason])})


def worth_it(losses: Losses) -> Mask:
    """Cells where more is left than a usual pass leaves, or where a smaller coil hears much more alone."""
    more = losses.open_to_it >= losses.usual_left + MORE_LEFT
    return np.asarray(more | (losses.by_reason[JUNK] >= JUNK_GAIN))


def main_reason(losses: Losses) -> NDArray[np.int8]:
    """Return the largest loss of each cell; of pace only what exceeds the usual counts, since every walk has that."""
    parts = dict(losses.by_reason)
    swept = 1 - parts[NEVER] - parts[LOST]
    parts[FAST] = np.maximum(parts[FAST] - losses.usual_left * swept, 0)
    keys = sorted(parts)
    largest = np.argmax(np.stack([parts[key] for key in keys]), axis=0)
    return np.asarray(np.array(keys, np.int8)[largest])


def format_reason(reason: int, coil: str) -> str:
    """Return a reason in words; ``coil`` is the one that was used there."""
    return REASONS[reason].format(coil=coil or "the coils used")


@dataclass(frozen=True, slots=True, eq=False)
class Patch:
    """One piece of ground to do, before it is put into words: reason, outline, and its cells (flat indices)."""

    reason: int
    shape: Polygon | MultiPolygon
    cells: NDArray[np.intp]


def patches(mask: Mask, reason: NDArray[np.int8], grid: Grid, allowed: BaseGeometry) -> list[Patch]:
    """Outline the ground to do, one piece for each connected patch of one reason.

    ``allowed`` is the ground that may be and can be searched; nothing outside it is in any piece.
    """
    left, _, _, top = grid.bounds_m
    pieces = []
    for kind in sorted(set(reason[mask].tolist())):
        outline = vectorise(mask & (reason == kind), left, top, grid.cell_m)
        smooth = _smoothed(outline).intersection(allowed)
        for part in shapely.get_parts(smooth):
            if isinstance(part, Polygon) and part.area >= LEAST_PIECE_M2:
                pieces.append(Patch(kind, part, cells_in(part, grid)))
    return pieces


def _smoothed(shape: BaseGeometry) -> BaseGeometry:
    """Close gaps of 1 m, drop necks of 0.8 m, round the steps of the cells; areas stay about as they are."""
    half = OPEN_M / 2
    closed = shapely.union_all(shape).buffer(MERGE_M, quad_segs=4).buffer(-MERGE_M - half, quad_segs=4)
    return shapely.simplify(closed.buffer(half, quad_segs=4), CORNER_M)


def cells_in(shape: BaseGeometry, grid: Grid) -> NDArray[np.intp]:
    """Flat indices of the cells whose centre lies in a shape; of the nearest cell when there is none."""
    left, bottom, right, top = shape.bounds
    x, y = grid.centres()
    cols = np.flatnonzero((x >= left) & (x <= right))
    rows = np.flatnonzero((y >= bottom) & (y <= top))
    if cols.size and rows.size:
        xx, yy = np.meshgrid(x[cols], y[rows])
        inside = shapely.contains_xy(shape, xx, yy)
        index = rows[:, None] * grid.cols + cols[None, :]
        if inside.any():
            return np.asarray(index[inside])
    point = shape.representative_point()
    row = int(np.argmin(np.abs(y - point.y)))
    return np.array([row * grid.cols + int(np.argmin(np.abs(x - point.x)))])


def searchable(
    site: BaseGeometry, no_go: Sequence[BaseGeometry], blocked: Sequence[BaseGeometry], stand_off_m: float
) -> BaseGeometry:
    """The site without blocked ground, and without no-go ground and all that lies within the stand-off of it."""
    # A buffer draws an arc as chords, which would come nearer than the stand-off by 6 mm in 5 m.
    reach_m = stand_off_m / math.cos(math.pi / (4 * STAND_OFF_SEGMENTS))
    off = [shape.buffer(reach_m, quad_segs=STAND_OFF_SEGMENTS) for shape in no_go]
    return site.difference(shapely.union_all([*off, *blocked]))
