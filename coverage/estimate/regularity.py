"""How even the lanes of a walk are, as far as a receiver that is metres off lets it be told.

A walk is put on stations 2 m apart. Where it comes past a station the next time, on a parallel course, is a spacing.
Spacings spread because the walker is uneven and because the receiver drifts between the two visits; only the sum is
seen, so evenness comes out as probabilities of kappa, the spread of true spacings over their mean.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import fields, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from fieldcomb.coverage.compiled.kernels import kernels
from fieldcomb.coverage.estimate.measured_spacings import MeasuredSpacing, with_spacings
from fieldcomb.coverage.estimate.swerving import HIDES_FROM_M, is_straight, wavering, with_wavering
from fieldcomb.coverage.gear.receivers import Receiver
from fieldcomb.tracks.motion.legs import SearchPath
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

Ints = NDArray[np.int64]

LANES, CROSSWISE, WANDERING = "lanes", "crosswise", "wandering"

STATION_M = 2.0
# Found on simulated walks of 0.06 to 0.6 ha: in tiles of 9 m lanes and spirals have R2 of 0.60 and more, wandering 0.57
# and less; crosswise lanes have R4 of 0.57 and more, wandering 0.40 and less.
ALIKE_TILE_M = 9.0
LANES_R2 = 0.585
CROSSWISE_R4 = 0.48
# Away from turns, on 20 simulated blocks with lanes of a few metres R2 was 0.77 and more (one in twenty below 0.91), on
# 20 walks that wander 0.82 and less (one in twenty above 0.73, which have an R2 of lanes in any case).
STRAIGHT_DEG, SHORT_LANES_R2 = 60.0, 0.78
# Lanes lead over the ground once, so that places tell how far the walk has come; who wanders comes back. Of 5 among 240
# small blocks whose lanes a watch bends, places told 0.92 and more of the way, of 120 walks that wander 0.76 at most.
ONWARD_R2 = 0.85
TILE_M = 12.0
REACH_M = 8.0  # a visit farther off than this is another lane's
PARALLEL = 0.8  # cosine of the angle between two visits
TURN_DEG = 90.0
# A turn runs from one lane into the next: a spacing there says how somebody turns, and nothing of the lanes. The rings
# of a spiral do not turn so far in so few stations, and stay.
NEAR_TURN = 2  # stations to each side
NEAR_TURN_DEG = 120.0
LEAST_SPACINGS = 12
LEAST_LANE_STATIONS = 4
# Rings bend away from turns as well, and go every way: on 148 spirals 28 % of stations and more lay on pieces that
# bend, on 449 walks in lanes 13 % and less; headings were alike (R2) by 0.27 at most, in lanes by 0.57 at least.
BENT_SHARE, EVERY_WAY_R2 = 0.2, 0.4

# Very straight lanes are near 0.1 and ragged ones near 0.5.
KAPPA = np.linspace(0.02, 0.68, 13)
# Random search would be 1. Who wanders keeps off ground just walked, and sweeps a little more.
KAPPA_WANDERING = np.linspace(0.62, 1.02, 9)

# What is averaged over: the share of unevenness that is from lane to lane, and the receiver's drift.
LANE_SHARES = (0.15, 0.45, 0.75)
TAUS_S = (40.0, 85.0, 180.0, 390.0, 840.0, 1800.0)
DRIFTS = np.array([0.6, 0.8, 1.1, 1.5])
DRIFT_SPREAD = 0.35
USUAL_TAU_S = 900.0
FAST_TAU_S = 25.0
SWERVE_M = 5.0
SLIP_M = 25.0
SPACING_SD_M = 0.5
BLOCK_LEGS = 12
BLOCK_SPACINGS = 80
MOST_BLOCKS = 6
# Power of the likelihood. Spacings tell little of kappa, and what they tell hangs on a model of the receiver that is
# not the whole truth; found on simulated walks of many generators.
EVIDENCE = 0.42
# Before the spacings are seen kappa is log-normal, as far as KAPPA reaches.
USUAL_KAPPA, KAPPA_SPREAD = 0.25, 1.1
_PRIOR = np.exp(-0.5 * (np.log(KAPPA / USUAL_KAPPA) / KAPPA_SPREAD) ** 2) / KAPPA
PRIOR = _PRIOR / _PRIOR.sum()
# So many measured spacings say more than the recording, which takes a receiver worse than told for uneven lanes.
ENOUGH_MEASURED = 5
ROOM = 1e6


@dataclass(frozen=True, slots=True, eq=False)
class Stations:
    """Places every 2 m along a walk: time, site metres, heading (radians from east), number of its way; (n,) each."""

    t_s: Floats
    x_m: Floats
    y_m: Floats
    heading: Floats
    way: Ints


@dataclass(frozen=True, slots=True, eq=False)
class Spacings:
    """From stations to the next visit abeam of them on a parallel course; arrays (n,).

    first : number of the station. across_m : how far to the left. from_s, to_s, from_m, to_m : time and path of both.
    onward : direction in which across_m is positive, radians from east.
    """

    first: Ints
    across_m: Floats
    from_s: Floats
    to_s: Floats
    from_m: Floats
    to_m: Floats
    onward: Floats

    def take(self, index: Ints) -> Spacings:
        """Some of them."""
        return Spacings(*(getattr(self, f.name)[index] for f in fields(self)))


@dataclass(frozen=True, slots=True, eq=False)
class Pattern:
    """What kind of walk this is, and how probable each kappa.

    kappa, chance : (n,) values and their probabilities. axis : per station 0 or 1, the lane direction it belongs to.
    spacing_m : usual spacing, and noise_m : standard deviation that the receiver gives it; None where there are none.
    """

    kind: str
    legs: int
    stations: Stations
    axis: Ints
    kappa: Floats
    chance: Floats
    spacing_m: float | None
    noise_m: float | None


def pattern_of(ways: Sequence[SearchPath], receiver: Receiver, measured: Sequence[MeasuredSpacing] = ()) -> Pattern:
    """Tell lanes from crosswise lanes from wandering, and how even the lanes are, by spacings ``measured`` too."""
    stations = make_stations(ways)
    small, tile = _tiles(stations, ALIKE_TILE_M), _tiles(stations, TILE_M)
    kind = _kind(stations, small)
    axis = _axes(stations, tile) if kind == CROSSWISE else np.zeros(tile.size, np.int64)
    found = forward(on_lanes(find_spacings(stations), stations), tile, axis)
    legs = count_legs(stations)
    flat = np.full(KAPPA_WANDERING.size, 1 / KAPPA_WANDERING.size)
    if kind == WANDERING:
        return Pattern(kind, legs, stations, axis, KAPPA_WANDERING, flat, None, None)
    if found.first.size < LEAST_SPACINGS:
        return Pattern(kind, legs, stations, axis, *with_spacings(KAPPA, PRIOR, measured), None, None)
    usual_m = float(np.median(found.across_m))
    enough = len(measured) >= ENOUGH_MEASURED
    told = PRIOR if enough else kappa_chance(found, legs, receiver)
    if receiver.sigma_m >= HIDES_FROM_M and not enough:
        told = with_wavering(KAPPA, told, wavering(ways, lanes_of(stations)), usual_m)
    kappa, chance = with_spacings(KAPPA, told, measured)
    noise = math.sqrt(drift_m2(np.median(found.to_s - found.from_s, keepdims=True), receiver)[0])
    return Pattern(kind, legs, stations, axis, kappa, chance, usual_m, noise)


def _kind(stations: Stations, tile: Ints) -> str:
    """Tell lanes from crosswise lanes and wandering; lanes of a few metres are half turns, which are left out then."""
    r2, r4 = (_alike(stations.heading, tile, order) for order in (2, 4))
    straight = ~near_turns(stations, STRAIGHT_DEG)
    if r2 >= LANES_R2 or _alike(stations.heading[straight], tile[straight], 2) >= SHORT_LANES_R2:
        return LANES
    if _onward(stations) >= ONWARD_R2:
        return LANES
    return CROSSWISE if r4 >= CROSSWISE_R4 else WANDERING


def _onward(stations: Stations) -> float:
    """Share of the variance of how far a walk has come that its place tells, by a plane: 1 for lanes, 0 for rounds."""
    if stations.x_m.size < 4:
        return 0.0
    way = np.arange(stations.x_m.size) - (stations.x_m.size - 1) / 2
    places = np.column_stack([stations.x_m - stations.x_m.mean(), stations.y_m - stations.y_m.mean()])
    told = places @ np.linalg.lstsq(places, way)[0]
    return float(told @ told / (way @ way))


def make_stations(ways: Sequence[SearchPath]) -> Stations:
    """Means over each 2 m of path."""
    parts = [_stations(way, number) for number, way in enumerate(ways)]
    t, x, y, heading, number = (np.concatenate(p) for p in zip(*parts, strict=True)) if parts else [np.zeros(0)] * 5
    return Stations(t, x, y, heading, number.astype(np.int64))


def _stations(way: SearchPath, number: int) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    bins = ((np.cumsum(way.step_m) - way.step_m) // STATION_M).astype(np.int64)
    count = np.bincount(bins)
    some = count > 0

    def mean(v: Floats) -> Floats:
        return np.asarray(np.bincount(bins, weights=v)[some] / count[some])

    east, north = mean(way.line_x_m), mean(way.line_y_m)
    if east.size < 3:
        return (np.zeros(0),) * 5
    heading = np.arctan2(np.gradient(north), np.gradient(east))
    return mean(way.t_s - way.t_s[0]) + way.t_s[0], mean(way.x_m), mean(way.y_m), heading, np.full(east.size, number)


def _tiles(stations: Stations, tile_m: float) -> Ints:
    """Number of the square that each station lies in."""
    if stations.x_m.size == 0:
        return np.zeros(0, np.int64)
    col, row = (np.floor((v - v.min()) / tile_m).astype(np.int64) for v in (stations.x_m, stations.y_m))
    return np.asarray(np.unique(row * (col.max() + 1) + col, return_inverse=True)[1].ravel())


def _alike(heading: Floats, tile: Ints, order: int) -> float:
    """Length of the mean of exp(i order heading) in each tile, averaged: 1 when headings agree up to 360/order."""
    if heading.size == 0:
        return 0.0
    east, north = (np.bincount(tile, weights=f(order * heading)) for f in (np.cos, np.sin))
    return float(np.hypot(east, north).sum() / heading.size)


def _axes(stations: Stations, tile: Ints) -> Ints:
    """Part the stations of crosswise lanes into the two directions of their tile; 0 is the more westerly-easterly."""
    east, north = (np.bincount(tile, weights=f(4 * stations.heading)) for f in (np.cos, np.sin))
    main = np.arctan2(north, east) / 4  # within 45 degrees of east, up to 90
    return np.asarray(np.abs(np.cos(stations.heading - main[tile])) < math.sqrt(0.5), np.int64)


def find_spacings(stations: Stations) -> Spacings:
    """For each station the next time that the walk comes past abeam of it on a parallel course."""
    x, y, t = stations.x_m, stations.y_m, stations.t_s
    if x.size < 4:
        return Spacings(np.zeros(0, np.int64), *(np.zeros(0),) * 6)
    i, j = _pairs(stations)
    ahead_x, ahead_y = np.cos(stations.heading[i]), np.sin(stations.heading[i])
    before = (x[j] - x[i]) * ahead_x + (y[j] - y[i]) * ahead_y
    behind = (x[j + 1] - x[i]) * ahead_x + (y[j + 1] - y[i]) * ahead_y
    keep = (before * behind <= 0) & (before != behind) & (stations.way[j] == stations.way[j + 1])
    keep &= np.abs(np.cos(stations.heading[j] - stations.heading[i])) > PARALLEL
    i, j, share = i[keep], j[keep], before[keep] / (before[keep] - behind[keep])
    order = np.lexsort((j, i))
    order = order[np.concatenate([[True], np.diff(i[order]) > 0])] if order.size else order
    i, j, share = i[order], j[order], share[order]
    dx, dy, dt = (v[j] + share * (v[j + 1] - v[j]) - v[i] for v in (x, y, t))
    across = dy * np.cos(stations.heading[i]) - dx * np.sin(stations.heading[i])
    onward = stations.heading[i] + math.pi / 2
    return Spacings(i, across, t[i], t[i] + dt, STATION_M * i.astype(float), STATION_M * (j + share), onward)


def _pairs(stations: Stations) -> tuple[Ints, Ints]:
    """Stations, and later ones near them; the kernel leaves out such as are not abeam."""
    x, y, heading = stations.x_m, stations.y_m, stations.heading
    if kernels is not None:
        found = kernels.abeam(x, y, np.cos(heading), np.sin(heading), stations.way, np.argsort(x), REACH_M)
        i, j = np.frombuffer(found, np.int64).reshape(-1, 2).T
        return i, j
    around = shapely.box(x - REACH_M, y - REACH_M, x + REACH_M, y + REACH_M)
    i, j = shapely.STRtree(shapely.points(x, y)).query(around)
    near = (x[j] - x[i]) ** 2 + (y[j] - y[i]) ** 2 <= REACH_M**2
    keep = near & (j - i > 1) & (j + 1 < x.size)
    return i[keep], j[keep]


def on_lanes(found: Spacings, stations: Stations) -> Spacings:
    """Leave out spacings that begin or end near a turn; all stay where too few would be left, as on short lanes."""
    near = near_turns(stations, NEAR_TURN_DEG)
    last = (found.to_m / STATION_M).astype(np.int64)
    kept = np.flatnonzero(~near[found.first] & ~near[last])
    return found.take(kept) if kept.size >= LEAST_SPACINGS else found


def near_turns(stations: Stations, turn_deg: float) -> NDArray[np.bool_]:
    """Stations at which the heading changes by more than this within two stations to each side, or a way ends."""
    many = stations.heading.size
    before, after = np.maximum(np.arange(many) - NEAR_TURN, 0), np.minimum(np.arange(many) + NEAR_TURN, many - 1)
    turned = np.cos(stations.heading[after] - stations.heading[before]) < math.cos(math.radians(turn_deg))
    return np.asarray(turned | (stations.way[before] != stations.way[after]))


def lanes_of(stations: Stations) -> list[tuple[int, Floats, Floats]]:
    """Pieces of lanes away from turns: the way of each, times and headings of its stations."""
    bent = near_turns(stations, STRAIGHT_DEG)
    ends = np.flatnonzero((np.diff(stations.way) != 0) | (bent[1:] != bent[:-1])) + 1
    return [
        (int(stations.way[one[0]]), stations.t_s[one], stations.heading[one])
        for one in np.split(np.arange(bent.size), ends)
        if one.size >= LEAST_LANE_STATIONS and not bent[one[0]]
    ]


def in_rings(stations: Stations) -> bool:
    """Whether a walk goes round and round rather than to and fro."""
    if _alike(stations.heading, np.zeros(stations.heading.size, np.int64), 2) >= EVERY_WAY_R2:
        return False
    bent = sum(heading.size for _, _, heading in lanes_of(stations) if not is_straight(heading))
    return bent > BENT_SHARE * stations.heading.size


def forward(found: Spacings, tile: Ints, axis: Ints) -> Spacings:
    """Count spacings in the direction that lanes move on within a tile: a lane recorded too far back is negative."""
    group = 2 * tile[found.first] + axis[found.first]
    east, north = (np.bincount(group, weights=f(found.onward) * found.across_m)[group] for f in (np.cos, np.sin))
    back = np.cos(found.onward) * east + np.sin(found.onward) * north < 0
    onward = found.onward + np.where(back, math.pi, 0.0)
    return replace(found, across_m=np.where(back, -found.across_m, found.across_m), onward=onward)


def count_legs(stations: Stations) -> int:
    """Number of legs: a turn of 90 degrees from how it began ends a leg."""
    legs, start, way = 0, 0.0, -1
    limit = math.cos(math.radians(TURN_DEG))
    for heading, number in zip(stations.heading.tolist(), stations.way.tolist(), strict=True):
        if number != way or math.cos(heading - start) < limit:
            legs, start, way = legs + 1, heading, number
    return legs


def drift_m2(after_s: Floats, receiver: Receiver) -> Floats:
    """Variance of the difference of two positions so many seconds apart, each the mean over some seconds."""
    return np.asarray(2 * receiver.slow_m**2 * (1 - np.exp(-after_s / USUAL_TAU_S)) + 1.4 * receiver.fast_m**2)


def kappa_chance(found: Spacings, legs: int, receiver: Receiver) -> Floats:
    """Probability of each value of KAPPA, given PRIOR and the spacings.

    Spacings are taken as jointly normal: the usual spacing, and between the two visits the walker's deviation from
    even lanes and the receiver's error. The deviation changes with the path walked (a part within metres, a part from
    lane to lane), the error with time; that is what tells them apart. How fast and how much the receiver drifts is not
    known and is averaged over. Blocks of a dozen legs count as independent, and less than fully: the model is not the
    whole truth.
    """
    usual = float(np.median(found.across_m))
    spread = float(np.median(np.abs(found.across_m - usual)))
    good = np.flatnonzero(np.abs(found.across_m - usual) <= 6 * spread)
    count = max(1, min(MOST_BLOCKS, round(legs / BLOCK_LEGS)))
    log = np.zeros((KAPPA.size, len(LANE_SHARES), len(TAUS_S), len(DRIFTS)))
    for block in np.array_split(good, count):
        if block.size:
            some = found.take(block[:: math.ceil(block.size / BLOCK_SPACINGS)])
            log += EVIDENCE * _log_likelihood(some, usual, receiver)
    log -= 0.5 * (np.log(DRIFTS) / DRIFT_SPREAD) ** 2
    chance = PRIOR * np.exp(log - log.max()).sum(axis=(1, 2, 3))
    return np.asarray(chance / chance.sum())


def _log_likelihood(found: Spacings, usual_m: float, receiver: Receiver) -> Floats:
    """Log likelihood of some spacings for each kappa, share of lanes in it, time constant and size of the drift."""
    lane_m = min(float(np.median(found.to_m - found.from_m)) / 2, SLIP_M)  # a slip is mostly gone on the next lane
    own, share = (KAPPA * usual_m)[:, None, None] ** 2 / 2, np.array(LANE_SHARES)[:, None]
    drifts = [(DRIFTS * size_m) ** 2 for size_m in (receiver.slow_m, receiver.fast_m)]
    settings = np.array(np.broadcast_arrays(own * share, own * (1 - share), *drifts))
    each, alone_m2 = settings.reshape(len(settings), -1), 0.5 * receiver.white_m**2 + 0.01
    scales = np.array([(lane_m, SWERVE_M, tau_s, FAST_TAU_S) for tau_s in TAUS_S])
    log = [_densities(found, usual_m, of_each, each, alone_m2) for of_each in scales]
    return np.stack([one.reshape(settings.shape[1:]) for one in log], axis=2)


def _densities(found: Spacings, usual_m: float, scales: Floats, variance: Floats, alone_m2: float) -> Floats:
    """Log density of spacings, up to a constant, in many settings, (many,); LinAlgError where a covariance is none.

    Four processes change between the visits of a spacing, each correlated as exp(-apart / scale): two by metres of the
    path and two by seconds. variance : in m2 of each in each setting, (4, many). alone_m2 : of each spacing alone.
    """
    path, time = np.concatenate([found.from_m, found.to_m]), np.concatenate([found.from_s, found.to_s])
    visits = np.lexsort((time, path))
    on_m, on_s = (np.diff(at[visits], prepend=at[visits[0]]) for at in (path, time))
    spacings, pivots = found.across_m - usual_m, np.empty((found.across_m.size + 1, variance.shape[1]))
    if kernels is None or (on_s < 0).any():  # as where ways are not in order of time
        good = _pivots(found, spacings, scales, variance, alone_m2, pivots)
    else:
        fades = np.exp(-np.column_stack([on_m, on_m, on_s, on_s]) / scales)
        seen = spacings, np.cos(found.onward), np.sin(found.onward), visits
        good = kernels.innovations(*seen, fades, variance, pivots, SPACING_SD_M**2, alone_m2)
    if not good:
        raise np.linalg.LinAlgError("a covariance is not positive definite")
    return np.asarray(-(np.log(pivots[:-1]).sum(axis=0) + pivots[-1]) / 2)


def _pivots(found: Spacings, value: Floats, scales: Floats, variance: Floats, alone_m2: float, into: Floats) -> bool:
    """Do as the kernel, by Cholesky factors of whole covariances; densities agree to 1e-10.

    Spacings become one more row, whose sum of squares is asked for; ROOM lets it pass for a row of a covariance.
    """
    from scipy.linalg.lapack import dpotrf

    n = value.size
    visits = [(found.from_m, found.to_m)] * 2 + [(found.from_s, found.to_s)] * 2
    turned = np.cos(found.onward[:, None] - found.onward[None, :])
    each = [(turned * _between(*visit, scale)).ravel() for visit, scale in zip(visits, scales, strict=True)]
    own, alone, wide = np.array(each), SPACING_SD_M**2 + alone_m2 * np.eye(n), np.empty((n + 1, n + 1))
    for k in range(variance.shape[1]):
        np.add((variance[:, k] @ own).reshape(n, n), alone, out=wide[:n, :n])
        wide[:n, n], wide[n, n] = value, ROOM  # symmetric: only one half is read
        if dpotrf(wide.T, lower=1, clean=0, overwrite_a=1)[1]:
            return False
        into[:n, k], into[n, k] = wide.diagonal()[:n] ** 2, np.square(wide[:n, n]).sum()
    return True


def _between(begin: Floats, end: Floats, scale: float) -> Floats:
    """Covariance of what changes between begin and end, for a process correlated as exp(-apart / scale); (n, n)."""
    ends = (end, begin)
    both, after, before, none = (np.exp(-np.abs(a[:, None] - b) / scale) for a in ends for b in ends)
    return np.asarray(both - after - before + none)
