"""Kinds of ground that no outing counted here swept: missed, not reached yet, or not known."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.ground.ground_results import MISSED, NOT_REACHED, Strip
from fieldcomb.coverage.ground.pass_tally import PassTally
from fieldcomb.coverage.ground.sketch import CLOSING_M
from fieldcomb.coverage.raster.blocks import Coarse, cells_at
from fieldcomb.coverage.raster.cells import Mask
from fieldcomb.coverage.raster.vectorise import cells_inside, part_inside
from fieldcomb.tracks.values import dataclass

MOSTLY = 0.5


@dataclass(frozen=True, slots=True)
class Unswept:
    """Square metres of the site that no outing counted here swept; the kinds add up to all of it.

    missed_m2 : told as missed between passes. not_reached_m2 : told, beyond the edge of walked ground.
    other_outings_m2 : swept by outings that are not counted here. not_recorded_m2 : across drop-outs.
    said_walked_m2 : people say that they walked it without a recording. cannot_tell_m2 : the rest, in
    ``cannot_tell_pieces`` pieces of 0.5 m2 or more and in smaller ones: the receiver's error may have drawn it. Where
    two outings are compared, nothing is told as missed, and the rest is counted there. whole : square metres of all.
    """

    missed_m2: float
    not_reached_m2: float
    other_outings_m2: float
    not_recorded_m2: float
    said_walked_m2: float
    cannot_tell_m2: float
    cannot_tell_pieces: int
    whole: float


class WalkedGround:
    """Ground within the edge of what was walked, whatever is known of it; gaps of up to 10 m in it are closed.

    cells : of half a metre or so.
    """

    def __init__(self, tally: PassTally, cells: Coarse) -> None:
        self.grid = cells.grid
        self.within = _closed(tally, cells)

    def kind(self, shape: BaseGeometry) -> str:
        """Return what an unswept piece of ground is: missed between passes, or not reached yet."""
        part, inside = part_inside(shape, self.grid)
        within = self.within[part][inside]
        if not within.size:  # smaller than a cell
            place = shape.representative_point()
            within = self.within[cells_at(self.grid, np.array([place.x]), np.array([place.y]))]
        return MISSED if within.mean() >= MOSTLY else NOT_REACHED


def _closed(tally: PassTally, cells: Coarse) -> Mask:
    from scipy.ndimage import distance_transform_edt

    site = cells.cells > 0
    walked = (cells.whole(~tally.missed()) >= MOSTLY) & site
    if tally.ground.boundary != "given" or not walked.any():
        return np.asarray(site)
    reach = CLOSING_M / cells.grid.cell_m
    rim = int(np.ceil(reach)) + 2
    wide = distance_transform_edt(~np.pad(walked, rim)) <= reach
    closed = distance_transform_edt(wide) > reach
    return np.asarray(closed[rim:-rim, rim:-rim] | walked)


def told_apart(strips: Sequence[Strip], walked: WalkedGround) -> tuple[Strip, ...]:
    """Number strips, and say of each whether it lies between passes or beyond the edge of walked ground."""
    numbered = enumerate(strips, 1)
    return tuple(replace(strip, id=number, ground=walked.kind(strip.shape)) for number, strip in numbered)


def unswept(tally: PassTally, told: Sequence[Strip], more: Sequence[tuple[str, BaseGeometry]], untold: int) -> Unswept:
    """Sum up by kind the ground that was not swept.

    told : strips. more : kinds and outlines of other ground that is told as never swept. untold : how many strips are
    not told.
    """
    m2 = tally.ground.grid.cell_m2
    areas = {MISSED: 0.0, NOT_REACHED: 0.0}
    for strip in told:
        areas[strip.ground] += strip.area_m2
    left = tally.missed()
    np.putmask(left, cells_inside([strip.shape for strip in told], tally.ground.grid), False)
    for kind in areas:
        told_too = cells_inside([shape for of_kind, shape in more if of_kind == kind], tally.ground.grid)
        told_too &= left
        areas[kind] += float(np.count_nonzero(told_too)) * m2
        del told_too  # of a large site each is 25 MB
    del left
    lost, said, others, whole = (
        float(np.count_nonzero(cells())) * m2
        for cells in (tally.lost, tally.said_walked, tally.swept_by_others, tally.unswept_inside)
    )
    rest = max(whole - sum(areas.values()) - lost - said - others, 0.0)
    return Unswept(areas[MISSED], areas[NOT_REACHED], others, lost, said, rest, untold, whole)
