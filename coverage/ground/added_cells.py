"""How many cells one outing adds to a site, and to what: in one go over all layers, or a few rows at a time."""

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.compiled.kernels import kernels
from fieldcomb.coverage.ground.crosswise import CROSSWISE, Bearings, bearing_tables, crosswise, with_more
from fieldcomb.coverage.raster.cells import MOST_PASSES, Cells, Mask
from fieldcomb.coverage.raster.passes import Counts
from fieldcomb.tracks.values import dataclass

ROWS_AT_ONCE = 256


@dataclass(frozen=True, slots=True)
class AddedCells:
    """Cells that one outing swept of the site.

    new : of them not swept before. again_same, again_other : swept before, with a coil of the outing and only with
    others. twice : in this outing. crosswise : now, and crosswise to itself or to an earlier outing. on_grid : swept,
    and on the site or at its edge.
    """

    swept: int
    new: int
    again_same: int
    again_other: int
    twice: int
    crosswise: int
    on_grid: int


@dataclass(frozen=True, slots=True, eq=False)
class SiteLayers:
    """The part of a site where an outing was, (rows, cols); passes and bearings grow by it.

    inside : what counts. kind : 0 beyond the site. same : not 0 where a coil of the outing was before; it may be
    ``passes`` itself.
    """

    inside: Mask
    kind: Cells
    same: Cells
    passes: Cells
    bearings: Bearings

    def part(self, rows: slice) -> "SiteLayers":
        """Some rows of it."""
        return SiteLayers(self.inside[rows], self.kind[rows], self.same[rows], self.passes[rows], self.bearings[rows])


def add_to_site(site: SiteLayers, counts: Counts, bearings: Bearings) -> AddedCells:
    """Add what an outing passed over, and the bearings of its runs, to the layers of a site."""
    if kernels is not None:
        grown = site.inside, site.kind, site.same, site.passes, site.bearings
        return AddedCells(*kernels.add_outing(counts, *grown, bearings, *bearing_tables(), CROSSWISE, MOST_PASSES))
    found = np.zeros(7, np.int64)
    for row in range(0, counts.shape[0], ROWS_AT_ONCE):
        rows = slice(row, row + ROWS_AT_ONCE)
        found += _add_rows(site.part(rows), counts[rows], bearings[rows])
    return AddedCells(*found.tolist())


def _add_rows(site: SiteLayers, counts: Counts, bearings: Bearings) -> NDArray[np.int64]:
    swept, before, same = (counts > 0) & site.inside, site.passes > 0, site.same > 0
    again_other = swept & before & ~same
    add_passes(site.passes, counts, site.inside)
    np.copyto(site.bearings, with_more(site.bearings, bearings), where=site.passes > 0)
    masks = (
        swept,
        swept & ~before,
        swept & same,
        again_other,
        (counts > 1) & site.inside,
        crosswise(site.bearings) & swept,
        (counts > 0) & (site.kind > 0),
    )
    return np.array([np.count_nonzero(mask) for mask in masks])


def add_passes(layer: Cells, counts: Counts, inside: Mask) -> None:
    """Add passes inside the site to a layer, up to 254; a few rows at a time, as sums take six times as much room."""
    if kernels is not None:
        kernels.add_passes(counts, inside, layer, MOST_PASSES)
        return
    for row in range(0, layer.shape[0], ROWS_AT_ONCE):
        part = slice(row, row + ROWS_AT_ONCE)
        total = layer[part].astype(np.int16) + np.where(inside[part], counts[part], 0)
        layer[part] = np.minimum(total, MOST_PASSES).astype(np.uint8)
