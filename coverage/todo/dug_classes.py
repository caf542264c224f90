"""What was searched for: the ground on which each class of target would have been dug, as far as it was stated."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.gear.target_ids import CLASSES, NOT_STATED, PART, WHOLE, DigRule
from fieldcomb.coverage.raster.cells import OUTSIDE, Cells, Mask, Slices
from fieldcomb.coverage.todo.results import SearchedClass

NOT_SWEPT, ALL_DUG, PART_DUG, LEFT, UNSAID = range(5)  # values of a cell as drawn
# By rank: nothing of the class was dug, not stated, part, all of it.
_DRAWN = np.array([LEFT, UNSAID, PART_DUG, ALL_DUG], np.uint8)

# The most that any outing did on a cell counts; not stated goes before not dug.
_RANK = {NOT_STATED: 1, PART: 2, WHOLE: 3}


class SearchedTally:
    """One byte a cell holds two bits for each of the four classes; without any rule nothing is kept at all."""

    def __init__(self, shape: tuple[int, int], rules: Sequence[DigRule]) -> None:
        self.stated = any(rule.dug is not None and rule.classes for rule in rules)
        self.best: NDArray[np.uint8] = np.zeros(shape if self.stated else (0, 0), np.uint8)

    def add(self, here: Slices, swept: Mask, rule: DigRule) -> None:
        """Take in ground that was swept under a rule."""
        if not self.stated:
            return
        cells = self.best[here]
        for k, name in enumerate(CLASSES):
            rank = _RANK.get(rule.how(name), 0)
            lower = swept & ((cells >> (2 * k)) & 3 < rank)
            cells[lower] = (cells[lower] & (0xFF ^ (3 << (2 * k)))) | (rank << (2 * k))

    def results(self, swept: Mask, site_cells: int) -> tuple[SearchedClass, ...]:
        """Return shares of the site in percent; ``swept`` are its cells that any outing swept."""
        whole = max(site_cells, 1)
        count = int(np.count_nonzero(swept))
        if not self.stated:
            return tuple(SearchedClass(name, 0.0, 0.0, 0.0, 100 * count / whole) for name in CLASSES)
        classes = []
        for k, name in enumerate(CLASSES):
            ranks = np.bincount((self.best[swept] >> (2 * k)) & 3, minlength=4)
            none, unsaid, part, all_of_it = (100 * float(n) / whole for n in ranks)
            classes.append(SearchedClass(name, all_of_it, part, none, unsaid))
        return tuple(classes)

    @property
    def packed(self) -> Cells | None:
        """The best of each cell, two bits a class; None where it was not said what was dug."""
        return self.best if self.stated else None


def class_cells(packed: Cells, passes: Cells, name: str) -> Cells:
    """Ground by how much of a class was dug, as it is drawn: NOT_SWEPT to UNSAID, 255 not part of the site."""
    ranks = (packed >> (2 * CLASSES.index(name))) & 3
    return np.where(passes == OUTSIDE, np.uint8(OUTSIDE), np.where(passes > 0, _DRAWN[ranks], np.uint8(NOT_SWEPT)))
