"""Outings that are not counted in a report: the ground that they swept is not missed, only swept by others."""

from collections.abc import Callable, Iterator, Sequence

import shapely
from shapely.geometry import LineString
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.estimate.confidence import found_from_m
from fieldcomb.coverage.gear.receivers import receiver
from fieldcomb.coverage.ground.site_cells import Ground, clip_to_site
from fieldcomb.coverage.ground.sketch import CLOSING_M
from fieldcomb.coverage.outings.inputs import OutingInput
from fieldcomb.coverage.outings.walks import WalkedOuting
from fieldcomb.coverage.raster.cells import Mask
from fieldcomb.coverage.raster.vectorise import cells_inside
from fieldcomb.coverage.survey.walking_in_order import NamedWalk
from fieldcomb.tracks.errors import FieldcombError
from fieldcomb.tracks.values import dataclass

_SIMPLER_M = 0.05
_QUARTER = 4  # corners of a quarter circle


@dataclass(frozen=True, slots=True, eq=False)
class OthersSwept:
    """Cells of the site that outings swept which are not counted.

    known : with gaps between their passes that are too narrow to be told with their receivers. exact : as recorded.
    """

    known: Mask
    exact: Mask


def swept_by_others(
    others: Sequence[OutingInput], walk: Callable[[Sequence[OutingInput]], Iterator[NamedWalk]], ground: Ground
) -> tuple[OthersSwept | None, tuple[str, ...]]:
    """Return the cells of the site that outings swept which are not counted, and notes on those that cannot be read.

    Returns None for the cells where there are no such outings.
    """
    if not others:
        return None, ()
    shapes, notes, closing_m = list[BaseGeometry](), list[str](), 0.0
    for outing, found in zip(others, walk(others), strict=True):
        try:
            walked = found.usable
        except FieldcombError as error:
            notes.append(f"Outing {outing.id} is not counted, and where it swept is not known: {error.fault}")
            continue
        shapes.append(_swept(walked, ground))
        closing_m = max([closing_m, *(_untold_m(w.swing.gps) / 2 for w in walked.walks)])
    swept = shapely.union_all(shapes)
    wide = swept.buffer(closing_m, quad_segs=_QUARTER)
    closed = wide.buffer(-closing_m, quad_segs=_QUARTER)
    known, exact = (cells_inside([] if one.is_empty else [one], ground.grid) for one in (closed, swept))
    return OthersSwept(known, exact), tuple(notes)


def _untold_m(gps: str) -> float:
    """How wide a gap is at most that cannot be told with a receiver."""
    width_m = found_from_m(receiver(gps))
    return 2 * CLOSING_M if width_m is None else width_m


def _swept(outing: WalkedOuting, ground: Ground) -> BaseGeometry:
    """Outline of what an outing swept; with a recorder on the shaft, of where the coil itself was."""
    shapes = []
    for w in outing.walks:
        coil_legs = w.walk.coil_legs
        legs, _ = clip_to_site(coil_legs or w.walk.legs, ground.near)
        reach_m = (w.swing.coil.width_m if coil_legs else w.swing.swath_m) / 2
        lines = [LineString(zip(leg.x_m, leg.y_m, strict=True)) for leg in legs if leg.x_m.size > 1]
        shapes += [line.simplify(_SIMPLER_M).buffer(reach_m, quad_segs=_QUARTER) for line in lines]
    return shapely.union_all(shapes)
