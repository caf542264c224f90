"""A second search with another coil: ground swept with one and not yet with the other, and the junk ground done.

Swept means that a pass is more likely than not, by the chances where strips cannot be placed.
"""

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations

import numpy as np

from fieldcomb.coverage.gear.coils import Coil
from fieldcomb.coverage.raster.blocks import Coarse
from fieldcomb.coverage.raster.cells import OUTSIDE, Mask, Slices
from fieldcomb.coverage.raster.vectorise import vectorise
from fieldcomb.coverage.todo.junk import NOT_MEASURED, Junk
from fieldcomb.coverage.todo.losses import JUNK_GAIN
from fieldcomb.coverage.todo.masking import alone, footprint_m2
from fieldcomb.coverage.todo.results import CoilPair, JunkProgress
from fieldcomb.tracks.recording import Floats

SWEPT_FROM = 0.5  # chance of a pass
DONE, NOT_YET, NOT_YET_IN_JUNK = range(3)  # values of a cell as drawn


class CoilPasses:
    """For each coil the chance that any of its passes was over a place of each coarse cell."""

    def __init__(self, coarse: Coarse, then: Junk, coils: Sequence[Coil]) -> None:
        self.coarse, self.then = coarse, then
        # The larger first: what it swept is worth another search with the smaller one.
        self.coils = sorted(coils, key=lambda coil: (-_foot(coil), coil.name))
        self.chance: dict[str, Floats] = {}

    def add(self, name: str, where: Slices, reached: Floats) -> None:
        """Take in one outing's passes with a coil: ``reached`` is the chance of any on each cell of ``where``."""
        if name not in self.chance:
            self.chance[name] = np.zeros(self.coarse.cells.shape)
        self.chance[name][where] = 1 - (1 - self.chance[name][where]) * (1 - reached)

    def progress(self, before: Mapping[str, float], names: Sequence[str]) -> Iterator[JunkProgress]:
        """Yield how much of the junk ground each coil has done; ``before`` says how much it was, in percent."""
        for coil in self.coils[1:]:
            if coil.name in names:
                weight = np.where(self.junk_ground(coil, self.coils[0]), self.coarse.cells, 0.0)
                whole = float(weight.sum())
                if whole:
                    pct = 100 * float((weight * self._of(coil)).sum()) / whole
                    ground_m2 = whole * self.coarse.fine.cell_m2
                    yield JunkProgress(coil.name, ground_m2, pct, pct - before.get(coil.name, 0.0))

    def junk_ground(self, smaller: Coil, larger: Coil) -> Mask:
        """Cells where junk hid from the larger coil what the smaller one hears, before anything was dug."""
        per_m2 = self.then.per_m2
        gain = alone(per_m2, _foot(smaller)) - alone(per_m2, _foot(larger))
        known = (self.then.source != NOT_MEASURED) & (self.coarse.cells > 0)
        return np.asarray(known & (gain >= JUNK_GAIN))

    def pairs(self) -> tuple[CoilPair, ...]:
        """Return every two coils of which the larger one swept anything: what the smaller has not swept yet."""
        found = (self._pair(*two) for two in combinations(self.coils, 2) if two[0].name in self.chance)
        return tuple(sorted(found, key=lambda pair: (-pair.junk_m2, -pair.area_m2)))

    def _pair(self, larger: Coil, smaller: Coil) -> CoilPair:
        site = self.coarse.cells > 0
        left = site & (self._of(larger) >= SWEPT_FROM) & (self._of(smaller) < SWEPT_FROM)
        junk = left & self.junk_ground(smaller, larger)
        cells = np.select([~site, junk, left], [OUTSIDE, NOT_YET_IN_JUNK, NOT_YET], DONE).astype(np.uint8)
        area_m2, junk_m2 = (float(self.coarse.cells[mask].sum()) * self.coarse.fine.cell_m2 for mask in (left, junk))
        grid = self.coarse.grid
        west, _, _, north = grid.bounds_m
        rest, in_junk = (vectorise(mask, west, north, grid.cell_m) for mask in (left & ~junk, junk))
        return CoilPair(larger.name, smaller.name, area_m2, junk_m2, rest, in_junk, grid, cells)

    def _of(self, coil: Coil) -> Floats:
        return self.chance.get(coil.name, np.zeros(self.coarse.cells.shape))


def _foot(coil: Coil) -> float:
    return footprint_m2(coil.width_m, coil.length_m)
