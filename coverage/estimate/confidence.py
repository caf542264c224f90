"""How sure a piece of missed ground is: whether it stays unswept wherever the walk really was.

A receiver that is metres off draws a gap of a lane's width in the wrong place, or where none is. Three things speak for
a piece: how many of the 24 draws of every walk (``chance``) leave it mostly unswept, how wide it is beside the
receiver's error, and how much the estimate expects to be left out round it. Together they give the chance that it is
there; what is there with a chance of 0.85 is certain, of one half likely, and of the rest nothing can be told.
"""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.gear.receivers import Receiver
from fieldcomb.coverage.ground.ground_results import Strip
from fieldcomb.coverage.raster.cells import Mask
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.tracks.recording import Floats

CERTAIN, LIKELY = "certain", "likely"
# Smaller pieces than these cannot be told with any watch, however the draws fall; what a receiver that is better than
# EXACT_SIGMA_M can tell is smaller in proportion.
LEAST_WIDTH_M = 0.6
LEAST_LENGTH_M = 4.0
LEAST_RATED_M2 = 3.0
EXACT_SIGMA_M = 0.15
SURE_SIGMA_M = 2.0  # with a receiver worse than this on each axis nothing is certain
CERTAIN_FROM, LIKELY_FROM = 0.85, 0.5
# Log odds that at least half of a piece is unswept at its place: a constant, and times the log odds of the draws that
# leave it mostly unswept, its width in sigma, and the log odds of what is left out round it. Fitted to 14,600 pieces of
# 288 simulated walks of all kinds, with and without gaps and with receivers from 0.5 m to poor.
LOG_ODDS = (-1.6, 0.27, 1.08, 0.9)
MOST_LOG_ODDS = 4.6  # nothing is surer than 0.99
# Above these log odds only so much of the rest counts: of pieces on rims and seams, which those walks did not have,
# fewer were right than told. Measured on 1,480 pieces of other sites.
SURE_LOG_ODDS, SURE_SHARE = 1.0, 0.55
LEAST_LEFT_OUT = 0.005
# Of pieces that were told, so much of the ground was unswept there for each 1 of confidence; measured on 525 pieces of
# other walks.
UNSWEPT = 0.9
WIDTH_SIGMAS = 4.2  # a gap narrower than so many sigma of the slow error is mostly not found; measured in the same way
LEAST_FOUND_M = 1.0


def rated(strips: Sequence[Strip], swept: Mask, left_out: Floats, grid: Grid, worst: Receiver) -> tuple[Strip, ...]:
    """Give strips with ``confidence`` and ``tier``.

    strips : pieces of missed ground, as recorded.
    swept : ground swept by any walk, in each draw, bool (draws, rows, cols).
    left_out : share of the ground round each cell that the estimate expects to be left out, float (rows, cols).
    grid : its cells, of 0.5 m.
    worst : the worst of the receivers.
    """
    odds = _log_odds(strips, swept, left_out, grid, worst.sigma_m)
    return tuple(
        _rated(strip, 1 / (1 + math.exp(-one)), worst.sigma_m) for strip, one in zip(strips, odds, strict=True)
    )


def _rated(strip: Strip, confidence: float, sigma_m: float) -> Strip:
    by = min(1.0, sigma_m / EXACT_SIGMA_M)
    sizes = (strip.width_m, LEAST_WIDTH_M), (strip.length_m, LEAST_LENGTH_M), (strip.area_m2, LEAST_RATED_M2)
    if any(size < by * least for size, least in sizes):
        return replace(strip, confidence=round(min(confidence, LIKELY_FROM - 0.01), 2), tier=None)
    confidence = round(min(confidence, 1.0 if sigma_m <= SURE_SIGMA_M else CERTAIN_FROM - 0.01), 2)
    tier = CERTAIN if confidence >= CERTAIN_FROM else LIKELY if confidence >= LIKELY_FROM else None
    return replace(strip, confidence=confidence, tier=tier)


def _log_odds(strips: Sequence[Strip], swept: Mask, left_out: Floats, grid: Grid, sigma_m: float) -> Floats:
    """Log odds that each piece is there: what speaks for it, added up."""
    labels = _labels(strips, grid)
    inside = labels > 0
    of = labels[inside]
    count = len(strips) + 1
    cells = np.bincount(of, minlength=count)[1:]
    mostly = np.zeros(len(strips))
    for mask in swept:
        unswept = np.bincount(of[~mask[inside]], minlength=count)[1:]
        mostly += (unswept >= cells / 2) & (cells > 0)
    expected = np.bincount(of, weights=left_out[inside], minlength=count)[1:] / np.maximum(cells, 1)
    expected = np.clip(expected, LEAST_LEFT_OUT, 1 - LEAST_LEFT_OUT)
    width = np.array([strip.width_m for strip in strips]) / sigma_m
    constant, drawn, wide, round_it = LOG_ODDS
    odds = constant + drawn * np.log((mostly + 0.5) / (len(swept) - mostly + 0.5))
    odds += wide * width + round_it * np.log(expected / (1 - expected))
    odds = np.where(odds > SURE_LOG_ODDS, SURE_LOG_ODDS + SURE_SHARE * (odds - SURE_LOG_ODDS), odds)
    return np.asarray(np.clip(odds, -MOST_LOG_ODDS, MOST_LOG_ODDS))


def _labels(strips: Sequence[Strip], grid: Grid) -> NDArray[np.int32]:
    from rasterio.features import rasterize

    shapes = [(strip.shape, number) for number, strip in enumerate(strips, 1) if not strip.shape.is_empty]
    if not shapes:
        return np.zeros((grid.rows, grid.cols), np.int32)
    labels = rasterize(shapes, (grid.rows, grid.cols), fill=0, transform=grid.transform, dtype="int32")
    return np.asarray(labels, np.int32)


def has_certain(strips: Sequence[Strip]) -> bool:
    """Whether any piece is called certain."""
    return any(strip.tier == CERTAIN for strip in strips)


def reportable(strips: Sequence[Strip]) -> list[Strip]:
    """Pieces that one can look for: certain and likely ones, or all where nothing was estimated.

    Most pieces that a watch draws and that cannot be told are none, so they are not listed one by one.
    """
    estimated = any(strip.confidence is not None for strip in strips)
    return [strip for strip in strips if strip.tier is not None or not estimated]


def told_unswept(strips: Sequence[Strip], grid: Grid) -> Floats:
    """Share that is unswept, to be expected, of the certain or likely piece that each cell lies in; 0 elsewhere.

    Gives float64 (rows, cols).
    """
    from rasterio.features import rasterize

    told = [
        (strip.shape, UNSWEPT * (strip.confidence or 0)) for strip in strips if strip.tier and not strip.shape.is_empty
    ]
    if not told:
        return np.zeros((grid.rows, grid.cols))
    return np.asarray(rasterize(told, (grid.rows, grid.cols), transform=grid.transform, dtype="float64"))


def found_from_m(worst: Receiver) -> float | None:
    """How wide a missed strip must be to be mostly found with a receiver, to half a metre up; None when none is.

    >>> found_from_m(Receiver(1.0, 0.3, 0.1)), found_from_m(Receiver(0.02, 0.006, 0.002))
    (4.5, 1.0)
    """
    if worst.sigma_m > SURE_SIGMA_M:
        return None
    return math.ceil(2 * max(LEAST_FOUND_M, WIDTH_SIGMAS * worst.slow_m)) / 2
