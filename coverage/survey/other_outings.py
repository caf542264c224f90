"""Outings that are not counted in a report: the ground that they swept is not missed, only swept by others."""

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from fieldcomb.coverage.ground.site_cells import Ground, clip_to_site
from fieldcomb.coverage.outings.inputs import OutingInput
from fieldcomb.coverage.outings.walks import WalkedOuting
from fieldcomb.coverage.raster.cells import Mask
from fieldcomb.coverage.raster.grid import bounds_of, grid_over
from fieldcomb.coverage.raster.passes import cover
from fieldcomb.coverage.survey.walking_in_order import NamedWalk
from fieldcomb.tracks.errors import FieldcombError


def swept_by_others(
    others: Sequence[OutingInput], walk: Callable[[Sequence[OutingInput]], Iterator[NamedWalk]], ground: Ground
) -> tuple[Mask | None, tuple[str, ...]]:
    """Return the cells of the site that outings swept which are not counted, and notes on those that cannot be read.

    Returns None for the cells where there are no such outings.
    """
    if not others:
        return None, ()
    swept, notes = np.zeros(ground.kind.shape, bool), []
    for outing, found in zip(others, walk(others), strict=True):
        try:
            _add(found.usable, ground, swept)
        except FieldcombError as error:
            notes.append(f"Outing {outing.id} is not counted, and where it swept is not known: {error.fault}")
    return swept, tuple(notes)


def _add(outing: WalkedOuting, ground: Ground, swept: Mask) -> None:
    """Add what an outing swept; with a recorder on the shaft, where the coil itself was."""
    for w in outing.walks:
        coil_legs, width_m = w.walk.coil_legs, w.swing.coil.width_m
        legs, _ = clip_to_site(coil_legs or w.walk.legs, ground.near)
        if not legs:
            continue
        reach_m = (width_m if coil_legs else w.swing.swath_m) / 2
        part = grid_over(bounds_of(legs, reach_m), ground.grid.cell_m).part_of(ground.grid)
        window = ground.grid.window(part)
        swept[part] |= cover(legs, np.full(len(legs), reach_m), window)
