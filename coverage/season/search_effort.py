"""What each outing really passed with each coil, and how often walks were recorded over each place.

How much ground was passed is by its chance. Where finds are to be expected is by the walks as recorded: a find and the
walk that it was made on are off by the same error, so that finds lie on walks as recorded, wherever these truly were.
"""

import math
from collections.abc import Mapping, Sequence

import numpy as np

from fieldcomb.coverage.ground.pass_tally import OutingPasses
from fieldcomb.coverage.outings.walks import WalkedOuting
from fieldcomb.coverage.raster.blocks import Coarse, PartOf
from fieldcomb.coverage.raster.grid import Grid, block_sums
from fieldcomb.coverage.season.season_results import CoilEffort
from fieldcomb.tracks.recording import Floats

MOST_LAID_CELLS = 65_000  # on which finds are laid out at random: more only take time, and a hot spot is metres wide


class SearchEffort:
    """Adds up outings on the cells of chances.

    any : chance that a place was passed at all. passes : how often walks were recorded there.
    """

    def __init__(self, chances: Coarse) -> None:
        self.chances = chances
        self.passes, self.any = (np.zeros(chances.cells.shape, np.float32) for _ in range(2))
        self.rows: list[CoilEffort] = []

    def add(
        self, outing: WalkedOuting, day: str, swept: OutingPasses, passed_by: Mapping[str, PartOf], far_share: float
    ) -> None:
        """Add one outing.

        day : of its begin, ISO 8601, "" where it is not known. passed_by : by coil, the chance that it passed each
        cell, where that is not as recorded. far_share : of its searching, how much lay far from the site.
        """
        cells, cell_m2 = self.chances.cells, self.chances.fine.cell_m2
        before = self.any.copy()
        for coil in dict.fromkeys((*swept.by_coil, *passed_by)):
            told = passed_by.get(coil)
            chance = None if told is None else told.whole(*cells.shape)
            if chance is not None:
                here, share = (slice(None), slice(None)), chance
            else:
                here, share = self.chances.share(swept.by_coil[coil][swept.there] > 0, swept.here)
            self.any[here] = 1 - (1 - self.any[here]) * (1 - np.minimum(share, 1).astype(np.float32))
            self._add_passes(swept, coil, chance)
            passed = share * cells[here]
            ground_m2, again_m2 = (float(part.sum()) * cell_m2 for part in (passed, passed * before[here]))
            hours = _hours(outing, coil, far_share)
            self.rows.append(CoilEffort(outing.id, day, coil, ground_m2, hours, again_m2))

    def _add_passes(self, swept: OutingPasses, coil: str, chance: Floats | None) -> None:
        """Add how often walks were recorded over each cell; lanes that no recording shows by their chance."""
        if coil not in swept.by_coil:
            self.passes += 0 if chance is None else chance.astype(np.float32)
            return
        where, total = self.chances.sums(swept.by_coil[coil][swept.there] * self.chances.inside[swept.here], swept.here)
        self.passes[where] += (total / np.maximum(self.chances.cells[where], 1)).astype(np.float32)

    def expected_passes(self) -> tuple[Floats, Grid]:
        """Return passes over each cell of the site, 0 off it, on cells that are few enough to lay finds out on."""
        fine, own = self.chances.fine, self.chances.grid
        weight = self.passes * (self.chances.cells * fine.cell_m2 / own.cell_m2)
        k = max(1, math.ceil(math.sqrt(weight.size / MOST_LAID_CELLS)))
        west, north = own.west // k, -(-own.north // k)
        total = block_sums(weight, k, north * k - own.north, own.west - west * k) / k**2
        return total, Grid(own.cell_m * k, west, north, *total.shape)


def hours_of(rows: Sequence[CoilEffort]) -> float | None:
    """Return hours of searching, None where some are not known."""
    known = [row.hours for row in rows if row.hours is not None]
    return sum(known) if rows and len(known) == len(rows) else None


def _hours(outing: WalkedOuting, coil: str, far_share: float) -> float | None:
    times = [w.walk.times for w in outing.walks if w.swing.coil.name == coil]
    known = [one.searching_s for one in times if one is not None]
    return sum(known) * (1 - far_share) / 3600 if len(known) == len(times) else None
