"""How likely the coil really passed a place: the walk drawn again and again with the errors of its receiver.

A recorded line is the true one plus an error that drifts. Lines drawn with other such errors show which ground is swept
wherever the walk really was, and which only on the map. Adding errors once more sweeps too evenly, so the shares are
drawn towards what the estimate expects round each place, and shifted, all by the same amount on the logit scale, until
their mean is the estimate for the whole ground.
"""

import math
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.compiled.kernels import kernels
from fieldcomb.coverage.estimate.regularity import FAST_TAU_S
from fieldcomb.coverage.estimate.walked_ground import seed_of
from fieldcomb.coverage.gear.receivers import Receiver
from fieldcomb.coverage.lanes.lane_draws import CellsSwept
from fieldcomb.coverage.raster.blocks import Coarse, PartOf
from fieldcomb.coverage.raster.cells import Mask, Slices
from fieldcomb.coverage.raster.grid import Grid, aligned_grid
from fieldcomb.coverage.raster.passes import cover_lines
from fieldcomb.tracks.motion.legs import SearchPath
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

REDRAWS = 24
CHANCE_CELL_M = 0.5  # about: whole cells of the site's raster
MOST_CHANCE_CELLS = 2e6  # on wider ground, over half a kilometre square, cells are larger: each takes some 200 bytes
# How fast the slow error fades is not known of a receiver, and decides whether neighbouring lanes move together: the
# draws take these in turn, from one to thirty minutes. The fast error fades over half a minute.
SLOW_TAUS_S = (60.0, 120.0, 240.0, 450.0, 900.0, 1800.0)
KNOT_S, LINE_S = 4, 2  # seconds between errors drawn, joined by straight lines, and between places of a line
# How much the draws count beside the share expected at a cell: tried on 36 simulated sites, Brier scores were best, and
# nearly the same, from 0.2 to 0.35.
DRAWN_WEIGHT = 0.25
EVEN_LANES = 0.5
ALONE_LIMITS = (0.5, 1.0)  # of the draws alone, for one outing: ground beside it that nobody walked must stay bare
_LEAST_SHARE = 0.02  # of 24 draws none and all are no certainty
_LEAST_EXPECTED = 0.005
_LEAST_BY_LANES = 1e-6
_STEEP = 40.0  # logits beyond this are 0 and 1
_MOST_STEPS, _CLOSE = 100, 1e-13  # of the search for a constant, on the logit scale


@dataclass(frozen=True, slots=True, eq=False)
class Chance:
    """How likely each cell of 0.5 m was passed over: float32 (rows, cols), 0 to 1, NaN off the site.

    placed : whether single strips can be trusted, so that these are no estimates but parts of cells swept.
    """

    grid: Grid
    cells: NDArray[np.float32]
    placed: bool


@dataclass(frozen=True, slots=True, eq=False)
class Redrawn:
    """Ground swept in each draw of walks, bool (REDRAWS, rows, cols), in the part of a grid that it takes."""

    swept: Mask
    part: Slices


def redrawn(grid: Grid, walk: tuple[Sequence[SearchPath], float, Receiver]) -> Redrawn:
    """Redraw a walk, given as its ways, swath in metres and receiver, in the part of a grid that it takes."""
    part, masks = _redraw(*walk, grid)
    return _cropped(masks, part)


def together(grid: Grid, walks: Iterable[Redrawn]) -> Redrawn:
    """Ground that any of some walks swept in each draw; they are taken one at a time, as each is large."""
    whole = np.zeros((REDRAWS, grid.rows, grid.cols), bool)
    for one in walks:
        whole[:, *one.part] |= one.swept
    return _cropped(whole, (slice(0, grid.rows), slice(0, grid.cols)))


def _cropped(masks: Mask, part: Slices) -> Redrawn:
    """Draws in a part of a grid, without the rows and columns round them that none of them takes."""
    rows, cols = (_reach(np.any(masks, axis=axes)) for axes in ((0, 2), (0, 1)))
    within = (_moved(rows, part[0].start), _moved(cols, part[1].start)) if masks.any() else (rows, cols)
    return Redrawn(masks[:, rows, cols].copy(), within)


def _reach(taken: Mask) -> slice:
    """From the first to the last that is taken."""
    places = np.flatnonzero(taken)
    return slice(int(places[0]), int(places[-1]) + 1) if places.size else slice(0, 0)


def _moved(part: slice, by: int) -> slice:
    return slice(part.start + by, part.stop + by)


def _within(whole: Slices, part: Slices) -> Slices:
    """Return where a part lies within another that holds it."""
    rows, cols = (slice(p.start - w.start, p.stop - w.start) for p, w in zip(part, whole, strict=True))
    return rows, cols


def redraw(ways: Sequence[SearchPath], swath_m: float, receiver: Receiver, grid: Grid) -> Mask:
    """Sweep a walk 24 times, each time with another error of its receiver.

    ways : searching, in order of time. The same ways give the same draws.
    swath_m : full width swept.
    receiver : its errors on each axis.
    grid : cells of about 0.5 m.

    Returns the ground swept in each draw, bool (REDRAWS, rows, cols).
    """
    whole = np.zeros((REDRAWS, grid.rows, grid.cols), bool)
    part, masks = _redraw(ways, swath_m, receiver, grid)
    whole[:, *part] = masks
    return whole


def _redraw(ways: Sequence[SearchPath], swath_m: float, receiver: Receiver, grid: Grid) -> tuple[Slices, Mask]:
    """Sweep a walk as ``redraw``, in the part of the grid that its lines come near: on wide ground that is little."""
    lines = [way for way in ways if way.t_s.size > 1]
    if not (lines and grid.rows and grid.cols):
        return (slice(0, 0), slice(0, 0)), np.zeros((REDRAWS, 0, 0), bool)
    at = [_every(way.t_s.size, LINE_S) for way in lines]
    knots = [_every(way.t_s.size, KNOT_S) for way in lines]
    times = [way.t_s[k] for way, k in zip(lines, knots, strict=True)]
    drawn = drifts(times, receiver, 2 * REDRAWS, seed_of(lines))
    errors = [_between(k, error, here) for k, error, here in zip(knots, drawn, at, strict=True)]
    error = np.concatenate(errors).T
    x, y = (
        np.add(np.concatenate([getattr(way, name)[here] for way, here in zip(lines, at, strict=True)]), own, order="C")
        for name, own in (("line_x_m", error[:REDRAWS]), ("line_y_m", error[REDRAWS:]))
    )
    margin_m = swath_m / 2 + grid.cell_m
    bounds_m = (
        float(x.min()) - margin_m,
        float(y.min()) - margin_m,
        float(x.max()) + margin_m,
        float(y.max()) + margin_m,
    )
    part = aligned_grid(bounds_m, grid.cell_m).part_of(grid)
    starts = np.cumsum([0, *(here.size for here in at)])
    return part, cover_lines(x, y, starts, swath_m / 2, grid.window(part))


def _every(count: int, step: int) -> NDArray[np.int64]:
    """Every so many of ``count`` places, and the last one."""
    places = np.arange(0, count, step)
    return places if places[-1] == count - 1 else np.append(places, count - 1)


def _between(knots: NDArray[np.int64], values: Floats, at: NDArray[np.int64]) -> Floats:
    """Draw straight lines through the columns of ``values`` at ``knots``, and read them at other places."""
    k = np.clip(np.searchsorted(knots, at, side="right") - 1, 0, knots.size - 2)
    share = ((at - knots[k]) / (knots[k + 1] - knots[k]))[:, None]
    before, after = values[k], values[k + 1]
    before *= 1 - share
    after *= share
    before += after
    return before


def drifts(times: Sequence[Floats], receiver: Receiver, many: int, seed: int = 0) -> list[Floats]:
    """Errors of a receiver: a slow and a fast part that fade exponentially (Gauss-Markov), and white noise.

    ``times`` are the seconds of unbroken pieces, rising through all of them. Gives float64 (n, many) for each piece;
    how fast the slow part fades differs from column to column.
    """
    rng = np.random.default_rng(seed)
    faded = (receiver.slow_m, np.array(SLOW_TAUS_S)), (receiver.fast_m, np.array([FAST_TAU_S]))
    state: list[Floats | None] = [None, None]
    out, last_s = [], 0.0
    for t in times:
        error = rng.standard_normal((t.size, many))
        error *= receiver.white_m
        kick = np.empty_like(error)
        for k, (sigma, taus_s) in enumerate(faded):
            walk = _gauss_markov(t, taus_s, rng.standard_normal(out=kick), state[k], last_s)
            state[k] = walk[-1].copy()
            walk *= sigma
            error += walk
        out.append(error)
        last_s = float(t[-1])
    return out


def _gauss_markov(t_s: Floats, taus_s: Floats, kick: Floats, before: Floats | None, before_s: float) -> Floats:
    """Turn kicks (n, many) into normal values whose correlation falls as exp(-dt / tau), at any times.

    Each value is the one before, faded, and its kick; ``taus_s`` take turns from column to column.
    """
    gap_s = np.maximum(np.diff(t_s, prepend=before_s), 0)
    keep = np.exp(-gap_s[:, None] / taus_s)
    value = np.zeros((t_s.size + 1, kick.shape[1]))
    if before is None:
        keep[0] = 0
    else:
        value[0] = before
    fade(kick, keep, np.sqrt(1 - keep**2), value)
    return value[1:]


def fade(kick: Floats, keep: Floats, fresh: Floats, value: Floats) -> None:
    """Write each row of ``value`` but the first: so much of the row before as is kept, and so much of a kick.

    kick (n, many), keep and fresh (n, taus), which take turns from column to column, value (n + 1, many).
    """
    if kernels is not None:
        kernels.fade(kick, keep, fresh, value)
        return
    turn = np.arange(kick.shape[1]) % keep.shape[1]
    for row, one in enumerate(kick):
        value[row + 1] = keep[row, turn] * value[row] + fresh[row, turn] * one


def calibrated(share: Floats, expected: Floats, weight: Floats, mean: float, told: Floats | None = None) -> Floats:
    """Chances from what the draws sweep of each cell and what is expected at it, with a given weighted mean.

    share : of the draws that sweep each cell, 0 to 1.
    expected : chance by the estimate that each cell was swept, 0 to 1; of the same shape.
    weight : what each cell counts in the mean.
    mean : the mean wanted, 0 to 1.
    told : of cells in pieces that are told as missed, the share that is unswept, 0 elsewhere: no chance there is above
        what that leaves, as far as the mean allows.

    Both are mixed on the logit scale, and shifted by one constant.
    """
    if not (weight > 0).any():
        return share
    mixed = DRAWN_WEIGHT * _logit(share) + (1 - DRAWN_WEIGHT) * _logit(expected, _LEAST_EXPECTED)
    most = np.full(mixed.shape, _STEEP)
    if told is not None and float((weight * (1 - told)).sum()) > mean * float(weight.sum()):
        most[told > 0] = -_logit(told[told > 0])
    return _shifted(mixed, weight, mean, most)


def _apart(share: Floats, weight: Floats, mean: float) -> float:
    """How far the mean wanted is above that of the draws, on the logit scale."""
    wanted, drawn = _logit(np.array([mean, np.average(share, weights=weight)]))
    return float(wanted - drawn)


def _shifted(logit: Floats, weight: Floats, mean: float, most: Floats | None = None) -> Floats:
    """Shift by one constant, but no cell above ``most``, so that the weighted mean of the chances is the one wanted.

    By Newton's steps, halved where one leads out of what is known to hold the constant: the mean rises with it.
    """
    most = np.full(logit.shape, _STEEP) if most is None else most
    counted = weight > 0
    some, limit, of = logit[counted], most[counted], weight[counted] / weight[counted].sum()
    low, high = -_STEEP - float(some.max()), _STEEP - float(some.min())
    aim, constant = float(np.clip(mean, 1e-9, 1 - 1e-9)), 0.0
    for _ in range(_MOST_STEPS):
        share = _from_logit(np.minimum(some + constant, limit))
        beyond = float(share @ of) - aim
        low, high = (low, constant) if beyond > 0 else (constant, high)
        slope = float((share * (1 - share) * (some + constant < limit)) @ of)
        step = beyond / slope if slope > 0 else math.inf
        if abs(step) < _CLOSE:
            break
        constant = constant - step if low < constant - step < high else (low + high) / 2
    return _from_logit(np.minimum(logit + constant, most))


def _logit(share: Floats, least: float = _LEAST_SHARE) -> Floats:
    share = np.clip(share, least, 1 - least)
    return np.asarray(np.log(share / (1 - share)))


def _from_logit(logit: Floats) -> Floats:
    return np.asarray(1 / (1 + np.exp(-np.clip(logit, -_STEEP, _STEEP))))


class ChanceMap:
    """Adds up walks of a site: draws of those that a receiver cannot place, cells of those that it can, and lanes."""

    def __init__(self, inside: Mask, fine: Grid) -> None:
        least_m = math.sqrt(inside.size * fine.cell_m2 / MOST_CHANCE_CELLS)
        self.coarse = Coarse(inside, fine, max(CHANCE_CELL_M, least_m))
        self.union = np.zeros((REDRAWS, *self.coarse.cells.shape), bool)
        self.placed = np.zeros(inside.shape, bool)
        self.any_drawn = False
        self.left_by_lanes: Floats | None = None

    def add_lanes(self, swept: CellsSwept) -> None:
        """Add what lanes swept, by the numbers of cells of the coarse grid."""
        left = np.ones(self.coarse.cells.shape) if self.left_by_lanes is None else self.left_by_lanes
        left.ravel()[swept.mean_cells] *= 1 - swept.mean
        self.left_by_lanes = left

    def add_drawn(self, walks: Redrawn) -> None:
        """Add walks by their draws, on the coarse grid."""
        self.union[:, *walks.part] |= walks.swept
        self.any_drawn = True

    def add_placed(self, swept: Mask, part: tuple[slice, slice]) -> None:
        """Add a walk that can be placed by the cells that it swept, in a part of the site's grid."""
        self.placed[part] |= swept

    def of_outing(self, drawn: Mapping[str, Redrawn], pct: float | None) -> dict[str, PartOf]:
        """Chance of each coarse cell that each coil of one outing passed it; 0 where no draw comes near.

        drawn : by coil, its walks together.
        pct : the outing's estimate, to which the ground that any draw swept is shifted; shares of draws without one.
        """
        whole = next(iter(drawn.values())) if len(drawn) == 1 else together(self.coarse.grid, drawn.values())
        count, cells = whole.swept.sum(axis=0), self.coarse.cells[whole.part]
        share = np.arange(REDRAWS + 1) / REDRAWS  # all that draws can say, so that shifting takes no time
        ground = np.bincount(count.ravel(), weights=cells.ravel(), minlength=REDRAWS + 1).astype(float)
        ground[0] = 0  # no draw comes near it
        told = share
        if pct is not None and ground.any():
            wanted = float(np.clip(pct / 100 * self.coarse.cells.sum() / ground.sum(), 0.001, 0.999))
            trust = float(np.clip(1 - EVEN_LANES * _apart(share, ground, wanted), *ALONE_LIMITS))
            told = np.where(share > 0, _shifted(trust * _logit(share), ground, wanted), 0.0)
        factor = np.divide(told, share, out=np.zeros_like(told), where=share > 0)[count]
        chances = {}
        for coil, one in drawn.items():
            here = factor[_within(whole.part, one.part)] if one.swept.size else factor[:0, :0]
            chances[coil] = PartOf(one.part, np.minimum(one.swept.mean(axis=0) * here, 1.0))
        return chances

    def chance(self, pct: float, left_out: Floats, told: Floats | None = None) -> Floats:
        """Chance of each coarse cell to be passed, NaN off the site.

        ``pct`` is the estimate of the whole, ``left_out`` (rows, cols) what it expects walks that cannot be placed to
        have left out of each cell, and ``told`` the share unswept in pieces that are told as missed.
        """
        cells = self.coarse.cells
        placed = self.coarse.whole(self.placed)
        if self.left_by_lanes is not None:
            placed = 1 - (1 - placed) * self.left_by_lanes
        if self.left_by_lanes is not None and not self.any_drawn:  # only rounded otherwise than the estimate
            placed = _shifted(_logit(placed, _LEAST_BY_LANES), np.asarray(cells, float), pct / 100)
        if self.any_drawn:
            weight = cells * (1 - placed)
            wanted = pct / 100 * float(cells.sum()) - float((cells * placed).sum())
            rest = float(np.clip(wanted / max(float(weight.sum()), 1e-9), 0.001, 0.999))
            drawn = calibrated(self.union.mean(axis=0), 1 - left_out, weight, rest, told)
            placed = 1 - (1 - placed) * (1 - drawn)
        return np.where(cells > 0, placed, np.nan)

    def layer(self, pct: float | None, left_out: Floats, told: Floats | None = None) -> Chance | None:
        """Give the chances as they are drawn and written; None without an estimate."""
        if pct is None:
            return None
        return Chance(self.coarse.grid, self.chance(pct, left_out, told).astype(np.float32), not self.any_drawn)
