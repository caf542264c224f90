"""How sure a piece of missed ground is: the chance that at least half of it was truly unswept at that very place.

A receiver that is metres off draws a gap of a lane's width in the wrong place, or where none is. So a piece is judged
by the chance map: by how much of its ground that map takes for unswept. Beside lanes a piece much wider than the
receiver's error counts for more, because drift cannot open it. What is there with a chance of 0.85 is certain, of one
half likely, and of the rest nothing can be told.
"""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.estimate.chance import Chance
from fieldcomb.coverage.gear.receivers import Receiver
from fieldcomb.coverage.ground.ground_results import Strip
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
# Log odds that at least half of a piece is unswept at its place: a constant, times the log odds of how much of it the
# chance map takes for unswept, and for each sigma of width from WIDE_SIGMAS on, as far as MOST_WIDE_SIGMAS. Fitted to
# 9,800 pieces of 350 sites of many kinds, simulated and with errors of real receivers. Who wanders leaves many small
# holes, so that less than half of a piece is seldom unswept where most of it is expected to be.
BESIDE_LANES, WHERE_ALL_WANDER = (-0.25, 1.35, 1.2), (0.5, 2.25, 0.0)
WIDE_SIGMAS, MOST_WIDE_SIGMAS = 2.5, 5.0
LEAST_UNSWEPT = 0.005
MOST_CONFIDENT = 0.99
# Of pieces that were told so much was unswept, and so much for each 1 of confidence; on the same sites.
UNSWEPT = 0.06, 0.9
MOST_SHIFT, HALVINGS = 20.0, 40  # of the search for what is told of a whole piece, on the logit scale
WIDTH_SIGMAS = 4.2  # a gap narrower than so many sigma of the slow error is mostly not found; measured in the same way
LEAST_FOUND_M = 1.0


def rated(strips: Sequence[Strip], chance: Chance, worst: Receiver, *, wandering: bool) -> tuple[Strip, ...]:
    """Give strips with ``confidence`` and ``tier``.

    strips : pieces of missed ground, as recorded.
    chance : the chance by place that they were swept, before any piece is told.
    worst : the worst of the receivers.
    wandering : whether nobody walked lanes.
    """
    odds = _log_odds(strips, chance, worst.sigma_m, WHERE_ALL_WANDER if wandering else BESIDE_LANES)
    return tuple(
        _rated(strip, 1 / (1 + math.exp(-one)), worst.sigma_m) for strip, one in zip(strips, odds, strict=True)
    )


def _rated(strip: Strip, confidence: float, sigma_m: float) -> Strip:
    confidence = min(confidence, MOST_CONFIDENT)
    by = min(1.0, sigma_m / EXACT_SIGMA_M)
    sizes = (strip.width_m, LEAST_WIDTH_M), (strip.length_m, LEAST_LENGTH_M), (strip.area_m2, LEAST_RATED_M2)
    if any(size < by * least for size, least in sizes):
        return replace(strip, confidence=round(min(confidence, LIKELY_FROM - 0.01), 2), tier=None)
    confidence = round(min(confidence, 1.0 if sigma_m <= SURE_SIGMA_M else CERTAIN_FROM - 0.01), 2)
    tier = CERTAIN if confidence >= CERTAIN_FROM else LIKELY if confidence >= LIKELY_FROM else None
    return replace(strip, confidence=confidence, tier=tier)


def _log_odds(strips: Sequence[Strip], chance: Chance, sigma_m: float, weights: tuple[float, float, float]) -> Floats:
    """Log odds that each piece is there: what speaks for it, added up."""
    labels = _labels(strips, chance.grid)
    inside = (labels > 0) & ~np.isnan(chance.cells)
    of, count = labels[inside], len(strips) + 1
    cells = np.bincount(of, minlength=count)[1:]
    unswept = np.bincount(of, weights=1.0 - chance.cells[inside], minlength=count)[1:] / np.maximum(cells, 1)
    unswept = np.clip(unswept, LEAST_UNSWEPT, 1 - LEAST_UNSWEPT)
    width = np.array([strip.width_m for strip in strips]) / sigma_m
    constant, by_map, by_width = weights
    wide = np.clip(width, WIDE_SIGMAS, MOST_WIDE_SIGMAS) - WIDE_SIGMAS
    return np.asarray(constant + by_map * np.log(unswept / (1 - unswept)) + by_width * wide)


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


def told_unswept(strips: Sequence[Strip], chance: Chance) -> Floats:
    """Share that is unswept, to be expected, of each cell in a certain or likely piece; 0 elsewhere.

    chance : the chance by place that they were swept, before any piece is told. Along the boundary the cells of a
    piece keep their order, as its outer part is the likeliest to be there: all are shifted by one amount on the logit
    scale, so that of the whole piece as much is left out as it is told for, and none where the chances leave more. In
    the field drift may have moved a piece either way, and all its cells are told alike.

    Gives float64 (rows, cols).
    """
    told = [strip for strip in strips if strip.tier]
    labels = _labels(told, chance.grid)
    out = np.zeros(labels.shape)
    inside = (labels > 0) & ~np.isnan(chance.cells)
    of = labels[inside] - 1
    wanted = np.array([UNSWEPT[0] + UNSWEPT[1] * (strip.confidence or 0) for strip in told])
    many = np.maximum(np.bincount(of, minlength=len(told)), 1)
    unswept = np.clip(1.0 - chance.cells[inside].astype(float), LEAST_UNSWEPT, 1 - LEAST_UNSWEPT)
    odds = np.log(unswept / (1 - unswept))
    low, high = np.zeros(len(told)), np.full(len(told), MOST_SHIFT)
    for _ in range(HALVINGS):
        shift = (low + high) / 2
        mean = np.bincount(of, weights=1 / (1 + np.exp(-(odds + shift[of]))), minlength=len(told)) / many
        low, high = np.where(mean < wanted, shift, low), np.where(mean < wanted, high, shift)
    off = np.pad(np.isnan(chance.cells), 1, constant_values=True)
    near = off[:-2, 1:-1] | off[2:, 1:-1] | off[1:-1, :-2] | off[1:-1, 2:]
    beside_m = chance.grid.cell_m * np.bincount(labels[inside & near] - 1, minlength=len(told))
    along = beside_m > np.array([strip.length_m for strip in told]) / 2
    out[inside] = np.where(along[of], 1 / (1 + np.exp(-(odds + low[of]))), wanted[of])
    return out


def found_from_m(worst: Receiver) -> float | None:
    """How wide a missed strip must be to be mostly found with a receiver, to half a metre up; None when none is.

    >>> found_from_m(Receiver(1.0, 0.3, 0.1)), found_from_m(Receiver(0.02, 0.006, 0.002))
    (4.5, 1.0)
    """
    if worst.sigma_m > SURE_SIGMA_M:
        return None
    return math.ceil(2 * max(LEAST_FOUND_M, WIDTH_SIGMAS * worst.slow_m)) / 2
