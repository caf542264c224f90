"""Hot spots: finds that lie closer together than chance would lay them on the ground that was searched.

The same number of finds is laid out at random again and again, where a coil passed twice with twice the chance. A group
of linked finds is a hot spot when the densest group of nearly every layout is less out of the ordinary than it is. How
far out of the ordinary is a likelihood ratio (Kulldorff 1997), not finds over expected finds: by that ratio three finds
that chance laid in one square metre outdo a dozen in a small patch.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.raster.blocks import cells_at
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.season.links import (
    LEAST_LINKED,
    FindPlaces,
    Groups,
    Layouts,
    between_m,
    lay_side_by_side,
    link,
    widened_m2,
)
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

SCALES_M = (2.0, 5.0, 10.0, 20.0)  # common practice, no source: a hole's surroundings to what ploughing moves
LAYOUTS = 999
MOST_P = 0.05
# Drift heaps what was found lane after lane up and thins it out: of sites with finds at random up to 1.8 times as many
# had a group as dense as layouts say, with every receiver. p is told with room for that.
DRIFT_ALLOWANCE = 2.5
MOST_BEYOND = math.floor(MOST_P / DRIFT_ALLOWANCE * (LAYOUTS + 1) + 1e-9) - 1  # layouts that may outdo a hot spot
LEAST_DENSITY = 0.02  # of the usual passes: a find where there is less was made elsewhere, or placed by a slip
MOST_NEIGHBOURS = 2.5  # of a find laid at random: from 4.5 on nearly all are one group, and no group says anything
_BATCH = 20_000  # finds laid out at once: more only take memory


@dataclass(frozen=True, slots=True)
class HotSpot:
    """A group of finds that chance would seldom lay so close.

    members : numbers of the finds, as given. x_m, y_m : their middle, in site metres. radius_m : from there to the
    farthest. p : share of random layouts with a group as much out of the ordinary, at any scale, with room for drift.
    scale_m : within which they were linked.
    """

    members: tuple[int, ...]
    x_m: float
    y_m: float
    radius_m: float
    p: float
    scale_m: float


@dataclass(frozen=True, slots=True)
class HotSpots:
    """Hot spots by scale and p, scales that were looked at, and those at which finds lie too close to tell.

    outside : finds that lie where no walk was, which are in none of it.
    """

    spots: tuple[HotSpot, ...] = ()
    scales_m: tuple[float, ...] = ()
    too_close_m: tuple[float, ...] = ()
    outside: int = 0


def hot_spots(
    places: FindPlaces, passes: Floats, grid: Grid, scales_m: Sequence[float] = SCALES_M, seed: int = 0
) -> HotSpots:
    """Return groups of finds beyond chance.

    places : the finds. passes : (rows, cols) how often walks were recorded over each cell of ``grid``, 0 off the site.
    scales_m : within which finds of one recording are linked. seed : of the random layouts; the same gives the same.
    """
    ground = _Ground(passes, grid)
    if len(places) < LEAST_LINKED or ground.total <= 0:
        return HotSpots()
    usual = 1 / (ground.used.size * grid.cell_m2)
    where = cells_at(grid, places.x_m, places.y_m)
    on_it = ground.density_near(SCALES_M[0], float(places.sigma_m.max()))[where] >= LEAST_DENSITY * usual
    if not on_it.all():
        kept = np.flatnonzero(on_it)
        found = hot_spots(places.only(kept), passes, grid, scales_m, seed)
        named = (replace(spot, members=tuple(int(kept[k]) for k in spot.members)) for spot in found.spots)
        return replace(found, spots=tuple(named), outside=len(places) - kept.size)
    sigma_m = float(places.sigma_m.max())
    apart_m = sigma_m if np.ptp(places.recording) else 0.0
    reach = {scale: between_m(scale, apart_m) for scale in scales_m}
    usable = tuple(s for s in scales_m if ground.neighbours(len(places), reach[s]) <= MOST_NEIGHBOURS)
    rest = tuple(s for s in scales_m if s not in usable)
    if not usable:
        return HotSpots((), (), rest)
    near = {scale: ground.density_near(reach[scale], sigma_m) for scale in usable}
    here = lay_side_by_side(places, places.x_m[None], places.y_m[None], usable[-1])
    seen = [(scale, *_seen(here, scale, near[scale], grid)) for scale in usable]
    candidates = [(scale, groups, k, float(ratio[k])) for scale, groups, ratio in seen for k in range(ratio.size)]
    ratios = np.array([ratio for *_, ratio in candidates])
    beyond, done = _beyond(places, ratios, near, ground, seed)
    spots = [
        _spot(places, groups, k, scale, DRIFT_ALLOWANCE * (1 + int(count)) / (1 + done))
        for (scale, groups, k, _), count in zip(candidates, beyond, strict=True)
        if count <= MOST_BEYOND
    ]
    return HotSpots(tuple(sorted(spots, key=lambda spot: (spot.scale_m, spot.p, spot.members))), usable, rest)


def _beyond(
    places: FindPlaces, ratios: Floats, near: Mapping[float, Floats], ground: _Ground, seed: int
) -> tuple[NDArray[np.int64], int]:
    """Count for each group seen how many random layouts have one as much out of the ordinary, and of how many layouts.

    Layouts end where every group is outdone too often to be a hot spot.
    """
    beyond = np.zeros(ratios.size, np.int64)
    rng = np.random.default_rng(seed)
    done, batch = 0, max(1, _BATCH // len(places))
    while done < LAYOUTS and (beyond <= MOST_BEYOND).any():
        many = min(batch, LAYOUTS - done)
        laid = lay_side_by_side(places, *ground.lay_out(rng, many, len(places)), max(near))
        least = float(ratios[beyond <= MOST_BEYOND].min())
        best = np.zeros(many)
        for scale, density in near.items():
            groups, ratio = _seen(laid, scale, density, ground.grid, least)
            np.maximum.at(best, groups.layout, ratio)
        beyond += (best[:, None] >= ratios).sum(axis=0)
        done += many
    return beyond, done


class _Ground:
    """Ground by its expected passes, on which finds are laid out."""

    def __init__(self, passes: Floats, grid: Grid) -> None:
        self.passes, self.grid = passes, grid
        self.total = float(passes.sum()) * grid.cell_m2
        self.used = np.flatnonzero(passes > 0)
        self.sums = np.cumsum(passes.ravel()[self.used])
        # Where to begin to look for a cell, in equal steps: halving takes a dozen steps for each find.
        self.steps = 4 * self.used.size
        begins = np.arange(self.steps + 1) / max(self.steps, 1) * (self.sums[-1] if self.used.size else 0.0)
        self.guide = np.searchsorted(self.sums, begins, side="right")

    def neighbours(self, finds: int, reach_m: float) -> float:
        """How many others lie within reach of a find, on average, when they are laid at random."""
        share = self.passes / max(float(self.passes.sum()), 1e-300)
        return finds * float((share**2).sum()) / self.grid.cell_m2 * math.pi * reach_m**2

    def density_near(self, reach_m: float, sigma_m: float) -> Floats:
        """Share of all passes per square metre round each cell, as finds there are shown with their error."""
        from scipy.ndimage import gaussian_filter, uniform_filter

        wide = max(1, round(reach_m / self.grid.cell_m))
        shown = gaussian_filter(np.asarray(self.passes, float), sigma_m / self.grid.cell_m, mode="constant")
        near = uniform_filter(shown, wide, mode="constant")
        return np.asarray(np.maximum(near, 0.0) / self.total)

    def lay_out(self, rng: np.random.Generator, layouts: int, finds: int) -> tuple[Floats, Floats]:
        """Lay finds at random, (layouts, finds), in cells by their passes and anywhere in them."""
        share = rng.random(layouts * finds)
        at = self.guide[(share * self.steps).astype(np.int64)]
        ends = share * self.sums[-1]
        late = np.flatnonzero(self.sums[np.minimum(at, self.used.size - 1)] <= ends)
        while late.size:
            at[late] += 1
            late = late[self.sums[np.minimum(at[late], self.used.size - 1)] <= ends[late]]
            late = late[at[late] < self.used.size]
        which = self.used[np.minimum(at, self.used.size - 1)].reshape(layouts, finds)
        row, col = np.divmod(which, self.grid.cols)
        x = (self.grid.west + col + rng.random((layouts, finds))) * self.grid.cell_m
        y = (self.grid.north - row - rng.random((layouts, finds))) * self.grid.cell_m
        return x, y


def _seen(laid: Layouts, scale_m: float, near: Floats, grid: Grid, least: float = 0.0) -> tuple[Groups, Floats]:
    """Link finds in each layout, and say of each group how far out of the ordinary it is: 0 if less than ``least``."""
    groups = link(laid, scale_m, _fewest(laid, scale_m, near, least))
    ratio = np.zeros(groups.count.size)
    if not groups.count.size:
        return groups, ratio
    row, col = cells_at(grid, laid.x[groups.members], laid.y[groups.members])
    density = np.add.reduceat(near[row, col], groups.starts) / groups.count * laid.count
    smallest_m2 = math.pi * (groups.longest_m / 2) ** 2
    likely = _likelihood_ratio(groups.count, smallest_m2 * density, laid.count) >= least  # at best
    area = widened_m2(laid, groups, likely)
    ratio[likely] = _likelihood_ratio(groups.count[likely], area * density[likely], laid.count)
    return groups, ratio


def _fewest(laid: Layouts, scale_m: float, near: Floats, least: float) -> int:
    """How many finds a group must have to be ``least`` out of the ordinary, even where fewest were to be expected."""
    expected = math.pi * (scale_m / 2) ** 2 * float(near[near > 0].min()) * laid.count
    counts = np.arange(LEAST_LINKED, laid.count + 1)
    enough = _likelihood_ratio(counts, np.full(counts.size, expected), laid.count) >= least
    return int(counts[enough.argmax()]) if enough.any() else laid.count + 1


def _likelihood_ratio(count: NDArray[np.int64], expected: Floats, total: int) -> Floats:
    """Kulldorff's logarithm: n log(n/e) + (N-n) log((N-n)/(N-e)), 0 where there are no more than expected."""
    expected = np.clip(expected, 1e-9, None)
    rest, rest_expected = total - count, np.maximum(total - expected, 1e-9)
    outside = np.where(rest > 0, rest * np.log(np.maximum(rest, 1) / rest_expected), 0.0)
    return np.asarray(np.where(count > expected, count * np.log(count / expected) + outside, 0.0))


def _spot(places: FindPlaces, groups: Groups, number: int, scale_m: float, p: float) -> HotSpot:
    start = int(groups.starts[number])
    members = groups.members[start : start + int(groups.count[number])]
    x, y = places.x_m[members], places.y_m[members]
    middle = float(x.mean()), float(y.mean())
    radius = float(np.hypot(x - middle[0], y - middle[1]).max())
    return HotSpot(tuple(int(n) for n in members), *middle, radius, p, scale_m)
