"""Connected ground numbered run by run: of cells beside each other in a row only the ends are looked at."""

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.ground.strip_lengths import Labels, labelled_runs, row_blocks
from fieldcomb.coverage.raster.cells import Indices
from fieldcomb.coverage.raster.stretches import ranges


def connected_parts(kind: NDArray[np.uint8]) -> tuple[Labels, list[int]]:
    """Number the parts of each kind that hang together along sides of cells; kind 0 is no part.

    Numbers rise from 1 with the kind, and within one in order of the first cell of a part, row by row. That of all
    cells takes no more room than the numbers themselves, and less time than to visit each cell.

    Returns the numbers, int32 (rows, cols), and how many parts there are of the kinds 1, 2, ...
    """
    value, row, first, last = (np.concatenate(every) for every in zip(*_runs(kind), strict=True))
    part = _joined(value, row, first, last, kind.shape[1] + 1)
    begin = np.unique(part, return_index=True)[1]  # the first run of each
    order = np.lexsort((begin, value[begin]))
    number = np.empty(order.size, np.int32)
    number[order] = np.arange(1, order.size + 1)
    labels = np.zeros(kind.shape, np.int32)
    of_row = np.searchsorted(row, np.arange(kind.shape[0] + 1))
    for block in row_blocks(kind.shape):
        mine = slice(of_row[block.start], of_row[min(block.stop, kind.shape[0])])
        many = last[mine] - first[mine] + 1
        at = ranges((row[mine] - block.start) * kind.shape[1] + first[mine], many)
        labels[block].reshape(-1)[at] = np.repeat(number[part[mine]], many)
    return labels, np.bincount(value[begin], minlength=2)[1:].tolist()


def _runs(kind: NDArray[np.uint8]) -> list[tuple[Indices, ...]]:
    """Kind, row, first and last column of every run of one kind in a row, in order; those of kind 0 left out."""
    found: list[tuple[Indices, ...]] = []
    for value, row, first, last, _ in labelled_runs(kind):
        some = value > 0
        found.append((value[some], row[some], first[some], last[some]))
    return found


def _joined(value: Indices, row: Indices, first: Indices, last: Indices, width: int) -> Indices:
    """Which part each run belongs to, by any numbers from 0 on: runs of one kind that touch from row to row."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    begin, end = row * width + first, row * width + last
    low = np.searchsorted(end, begin + width)  # runs of the next row that do not end before this one begins
    high = np.searchsorted(begin, end + width, side="right")  # nor begin after it ends
    many = np.maximum(high - low, 0)
    above, below = np.repeat(np.arange(row.size), many), ranges(low, many)
    same = value[above] == value[below]
    one, other = above[same], below[same]
    graph = coo_array((np.ones(one.size, bool), (one, other)), shape=(row.size, row.size))
    return np.asarray(connected_components(graph.tocsr(), directed=False)[1], np.int64)
