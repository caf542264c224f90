"""Invented sites with finds whose true layout is known: at random or in a patch, and stocks that outings take from."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from fieldcomb.coverage.gear.receivers import RECEIVERS, Receiver
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.season.links import FindPlaces

Floats = NDArray[np.float64]
LANE_M, PACE_M_S = 1.5, 0.5
SIDE_M = 100.0
DRIFT_S = 5.0


def uneven_passes(side_m: float = SIDE_M, cell_m: float = 1.0) -> tuple[Floats, Grid]:
    """A square site: its west third passed three times, the middle once, and the east not at all but for one block."""
    count = round(side_m / cell_m)
    passes = np.zeros((count, count))
    passes[:, : count // 3] = 3.0
    passes[:, count // 3 : 2 * count // 3] = 1.0
    passes[count // 4 : count // 2, 2 * count // 3 :] = 2.0
    return passes, Grid(cell_m, 0, count, count, count)


def even_passes(side_m: float = SIDE_M, cell_m: float = 1.0) -> tuple[Floats, Grid]:
    """A square site, all of it passed once."""
    count = round(side_m / cell_m)
    return np.ones((count, count)), Grid(cell_m, 0, count, count, count)


def at_random(rng: np.random.Generator, count: int, passes: Floats, grid: Grid) -> Floats:
    """True places (n, 2) of finds on ground that was passed, by how often."""
    cells = rng.choice(passes.size, count, p=(passes / passes.sum()).ravel())
    row, col = np.divmod(cells, grid.cols)
    x, y = col + grid.west + rng.random(count), grid.north - row - rng.random(count)
    return np.column_stack((x, y)) * grid.cell_m


def in_a_circle(rng: np.random.Generator, count: int, radius_m: float, side_m: float = SIDE_M) -> Floats:
    """True places (n, 2) of finds anywhere in one circle, that lies anywhere within the site."""
    away, angle = radius_m * np.sqrt(rng.random(count)), 2 * np.pi * rng.random(count)
    middle = rng.uniform(2 * radius_m, side_m - 2 * radius_m, 2)
    return np.asarray(middle + np.column_stack((away * np.cos(angle), away * np.sin(angle))))


def as_recorded(
    rng: np.random.Generator, true: Floats, gps: str, recordings: int, passes: Floats, grid: Grid
) -> tuple[FindPlaces, Floats]:
    """Finds and passes as a receiver places them, in one of some recordings, whose error drifts while lanes are walked.

    Every recording walked all that was passed. Returns the finds, and passes by cell as recorded.
    """
    receiver = RECEIVERS[gps]
    side_m = grid.cols * grid.cell_m
    of = rng.integers(0, recordings, len(true))
    shown = true.copy()
    recorded = np.zeros_like(passes)
    step_m = grid.cell_m / 3
    across = (np.arange(round(side_m / step_m)) + 0.5) * step_m
    ground = np.column_stack([each.ravel() for each in np.meshgrid(across, across)])
    row, col = (np.floor(each / grid.cell_m).astype(int) for each in (side_m - ground[:, 1], ground[:, 0]))
    weight = passes[row, col] / 9
    for recording in range(recordings):
        drift = _drift(rng, receiver, side_m)
        mine = of == recording
        shown[mine] += drift(true[mine]) + receiver.white_m * rng.standard_normal((int(mine.sum()), 2))
        x, y = (ground[weight > 0] + drift(ground[weight > 0])).T
        rows, cols = np.floor((side_m - y) / grid.cell_m).astype(int), np.floor(x / grid.cell_m).astype(int)
        there = (rows >= 0) & (rows < grid.rows) & (cols >= 0) & (cols < grid.cols)
        np.add.at(recorded, (rows[there], cols[there]), weight[weight > 0][there])
    return FindPlaces(*shown.T, of, np.full(len(true), receiver.sigma_m)), recorded


def _drift(rng: np.random.Generator, receiver: Receiver, side_m: float) -> Callable[[Floats], Floats]:
    """Error at a place of a walk in lanes from west to east, by when the walker was there."""
    count = round(side_m / LANE_M * side_m / PACE_M_S / DRIFT_S) + 2
    at_s = np.arange(count) * DRIFT_S
    total = np.zeros((count, 2))
    for sigma_m, tau_s in ((receiver.slow_m, 900.0), (receiver.fast_m, 25.0)):
        keep = np.exp(-DRIFT_S / tau_s)
        kick = rng.standard_normal((count, 2)) * np.sqrt(1 - keep**2)
        kick[0] /= np.sqrt(1 - keep**2)
        total += sigma_m * lfilter([1.0], [1.0, -keep], kick, axis=0)

    def drift(true: Floats) -> Floats:
        lane = np.floor(true[:, 0] / LANE_M)
        along = np.where(lane % 2 == 0, true[:, 1], side_m - true[:, 1])
        time_s = (lane * side_m + along) / PACE_M_S
        return np.column_stack([np.interp(time_s, at_s, total[:, axis]) for axis in (0, 1)])

    return drift


def searched_stock(
    rng: np.random.Generator, spread: float = 0.0, falling: float = 0.0
) -> tuple[int, list[int], list[float]]:
    """A stock of 15 to 300, and what three to eight outings of some effort each found of it.

    spread : of how easily single pieces are found, as a coefficient of variation (gamma). falling : by how much each
    outing finds it harder than the one before.

    Returns the stock, the finds and the efforts.
    """
    stock, outings = int(rng.integers(15, 300)), int(rng.integers(3, 9))
    effort = rng.uniform(0.5, 1.5, outings)
    ease = -np.log(1 - rng.uniform(0.1, 0.5)) * np.ones(stock)
    if spread:
        ease *= rng.gamma(1 / spread**2, spread**2, stock)
    there, found = np.ones(stock, bool), []
    for number, one in enumerate(effort):
        now = there & (rng.random(stock) < -np.expm1(-ease * one * (1 - falling) ** number))
        found.append(int(now.sum()))
        there &= ~now
    return stock, found, effort.tolist()
