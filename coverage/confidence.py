"""How sure a piece of missed ground is: whether it stays unswept wherever the walk really was.

A receiver that is metres off draws a gap of a lane's width in the wrong place, or where none is. Each piece is held
against the 24 draws of every walk (``chance``): what stays mostly unswept in all of them is certain, in three of four
likely, and of the rest nothing can be told.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.chance import Mask
from fieldcomb.coverage.grid import Grid
from fieldcomb.coverage.position import Receiver
from fieldcomb.coverage.results import Strip
from fieldcomb.tracks.track import Floats

CERTAIN, LIKELY = "certain", "likely"
# Smaller pieces than these cannot be told with any watch, however the draws fall.
LEAST_WIDTH_M = 0.6
LEAST_LENGTH_M = 4.0
LEAST_M2 = 3.0
SURE_SIGMA_M = 2.0  # with a receiver worse than this on each axis nothing is certain
LIKELY_SHARE = 0.75
# Share of draws that leave at least half of a piece unswept -> chance that at least half of it is unswept there.
# Measured on 3115 pieces of 72 simulated walks: lanes with some left out, ragged and wandering, good and typical.
MEASURED = ((0.25, 0.09), (0.5, 0.23), (0.75, 0.33), (0.9, 0.55), (0.99, 0.81), (math.inf, 0.96))
WIDTH_SIGMAS = 4.2  # a gap narrower than so many sigma of the slow error is mostly not found; measured in the same way
LEAST_FOUND_M = 1.0


def rated(strips: Sequence[Strip], union: Mask, grid: Grid, worst: Receiver) -> tuple[Strip, ...]:
    """Give strips with ``confidence`` and ``tier``.

    Parameters
    ----------
    strips : sequence of Strip
        Pieces of missed ground, as recorded.
    union : bool (draws, rows, cols)
        Ground swept by any walk, in each draw.
    grid : Grid
        Its cells, of 0.5 m.
    worst : Receiver
        The worst of the receivers.

    """
    shares = _left_unswept(strips, union, grid)
    sure = worst.sigma_m <= SURE_SIGMA_M
    return tuple(_rated(strip, float(share), sure) for strip, share in zip(strips, shares, strict=True))


def _rated(strip: Strip, share: float, sure: bool) -> Strip:
    if strip.width_m < LEAST_WIDTH_M or strip.length_m < LEAST_LENGTH_M or strip.area_m2 < LEAST_M2:
        return replace(strip, confidence=MEASURED[0][1], tier=None)
    if not sure:
        share = min(share, 0.98)
    confidence = next(chance for below, chance in MEASURED if share < below)
    tier = CERTAIN if share >= 1 else LIKELY if share >= LIKELY_SHARE else None
    return replace(strip, confidence=confidence, tier=tier)


def _left_unswept(strips: Sequence[Strip], union: Mask, grid: Grid) -> Floats:
    """Share of the draws that leave at least half of each piece unswept; 0 for one without a cell of its own."""
    labels = _labels(strips, grid)
    inside = labels > 0
    of = labels[inside]
    cells = np.bincount(of, minlength=len(strips) + 1)[1:]
    left = np.zeros(len(strips))
    for mask in union:
        unswept = np.bincount(of[~mask[inside]], minlength=len(strips) + 1)[1:]
        left += (unswept >= cells / 2) & (cells > 0)
    return left / max(len(union), 1)


def _labels(strips: Sequence[Strip], grid: Grid) -> NDArray[np.int32]:
    from rasterio.features import rasterize

    shapes = [(strip.shape, number) for number, strip in enumerate(strips, 1) if not strip.shape.is_empty]
    if not shapes:
        return np.zeros((grid.rows, grid.cols), np.int32)
    labels = rasterize(shapes, (grid.rows, grid.cols), fill=0, transform=grid.transform, dtype="int32")
    return np.asarray(labels, np.int32)


def found_from_m(worst: Receiver) -> float | None:
    """How wide a missed strip must be to be mostly found with a receiver, to half a metre up; None when none is.

    >>> found_from_m(Receiver(1.0, 0.3, 0.1)), found_from_m(Receiver(0.02, 0.006, 0.002))
    (4.5, 1.0)
    """
    if worst.sigma_m > SURE_SIGMA_M:
        return None
    return math.ceil(2 * max(LEAST_FOUND_M, WIDTH_SIGMAS * worst.slow_m)) / 2
