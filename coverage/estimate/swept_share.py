"""What share was truly swept, and between which two numbers it lies, when the receiver is metres off.

Receiver error moves lanes about, so that the recorded map shows gaps where there are none and hides others. What it
leaves nearly alone is how much was walked round a place, and how even the lanes are; the share follows from these.
"""

import math
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import field, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.estimate.effort import Plot, effort, off_plot, on_plot, path_m, plot_of
from fieldcomb.coverage.estimate.interval_ends import MEASURED_LANES, kinds_of, summed_up
from fieldcomb.coverage.estimate.lane_share import ShareWithLanes, left_by_lanes, share_with_lanes
from fieldcomb.coverage.estimate.left_out import Missed, left_out, recorded_missed
from fieldcomb.coverage.estimate.measured_spacings import MeasuredSpacing, with_mean
from fieldcomb.coverage.estimate.next_evidence import NextEvidence, next_evidence
from fieldcomb.coverage.estimate.receiver_seen import seen
from fieldcomb.coverage.estimate.regularity import CROSSWISE, WANDERING, Pattern, in_rings, pattern_of
from fieldcomb.coverage.estimate.regularity import LANES as IN_LANES
from fieldcomb.coverage.estimate.walked_ground import (
    EDGE_SD_SIGMAS,
    EVENLY,
    Drawn,
    LaidOut,
    drawn_by,
    ground_sd,
    grounds_m2,
    lay_out,
    seed_of,
)
from fieldcomb.coverage.gear.receivers import Receiver
from fieldcomb.coverage.lanes.lane_draws import CellsSwept
from fieldcomb.coverage.pool.workers import ALONE, Workers
from fieldcomb.coverage.raster.cells import Mask
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.tracks.motion.legs import SearchPath
from fieldcomb.tracks.motion.pace import smooth
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

LANES, POSITION, EFFORT = "lanes", "position", "effort"
ALL_OF_IT = 0.99
LEAST_ESTIMATED_M2 = 400.0
NO_TIMES = "a recording has no times"
LEAST_LEGS = 5
DRAW_S = 1e-5  # of a core for each second searched, about: whether several processes are worth it
DRAWN_AT_FIRST = 8  # walks by each process beside, while the command sweeps the ground of all
SweptBy = Callable[[str | None], Mask]
PLACED = 0.10  # receiver error over the narrower of spacing and swath, below which single strips can be trusted
REFLECT_SIGMAS = 2.0

# How far path length and swath can be off, as shares; measured on simulated walks, see docs/measures.md.
LENGTH_BIAS = 0.0003  # times (sigma / pace)^2: drift across the course makes a path longer
LENGTH_SD = 0.012
LENGTH_SD_PER_M2 = 0.005
MOST_TURN_SD = 0.08
TURN_SD_M = 0.6  # of each leg: turns are cut short, which counts where legs are short
WORSE_SD = 0.05  # for each time that a receiver is worse than told: its errors are of no known kind
SWATH_SD = {True: 0.03, False: 0.10}  # measured, and not
# Turns cut short are missing from lengths by the usual pace only where legs are short; along longer ones what seems to
# be missing is noise of the receiver.
MOST_TURNING, SHORT_LEGS_M = 1.2, (10.0, 14.0)
LESS_SMOOTHING = 30.0  # leaves bends in, and a noise whose velocity on each axis is so many times sigma, a second
NOISE_PER_SIGMA = 0.0416
_EDGES = np.linspace(-2, 2, 9)  # where the edge of walked ground may lie, in standard deviations


@dataclass(frozen=True, slots=True)
class Estimate:
    """Percent of the site truly swept and its 90 % interval; None with a reason in words where it cannot be told.

    by_lanes_pct : percent of the site that is known to be swept from lanes alone.
    """

    pct: float | None
    low: float | None
    high: float | None
    strips_placed: bool | None
    reason: str | None
    by_lanes_pct: float = 0.0

    @property
    def by(self) -> str | None:
        """What most of it is known by: lanes, position, or effort where the receiver cannot place strips."""
        if self.pct is None:
            return None
        if self.by_lanes_pct > 0 and 2 * self.by_lanes_pct >= self.pct:
            return LANES
        return POSITION if self.strips_placed else EFFORT

    @property
    def all_by_lanes(self) -> bool:
        """Whether hardly anything is known otherwise than by lanes."""
        return self.by == LANES and self.by_lanes_pct > ALL_OF_IT * (self.pct or 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Walked:
    """One walk: its ways, swath in metres and whether it was measured, the receiver, and spacings between lanes."""

    ways: Sequence[SearchPath]
    swath_m: float
    swath_measured: bool
    receiver: Receiver
    spacings: tuple[MeasuredSpacing, ...] = ()


def draw(plot: Plot, walked: Walked) -> Drawn:
    """Draw for one walk kappa by its chance, and length and swath about their values."""
    found = seen(plot, walked.ways, walked.receiver)
    walked = replace(walked, receiver=found.receiver)
    pattern = pattern_of(walked.ways, walked.receiver, walked.spacings)
    reflect_m = REFLECT_SIGMAS * float(np.hypot(walked.receiver.slow_m, walked.receiver.fast_m))
    swept = [walked.swath_m * path_m(way) for way in walked.ways]
    efforts, along = [], []
    for axis in (0, 1) if pattern.kind == CROSSWISE else (0,):
        mine = [s * (a == axis) for s, a in zip(swept, _by_second(pattern, walked.ways), strict=True)]
        efforts.append(effort(plot, walked.ways, mine, reflect_m))
        twice = 2 * pattern.stations.heading[pattern.axis == axis]
        along.append((float(np.cos(twice).mean()), float(np.sin(twice).mean())) if twice.size else (0.0, 0.0))
    drawn = Drawn(
        tuple(efforts),
        _scales(walked, swept, pattern, WORSE_SD * (found.worse - 1)),
        pattern.kappa,
        drawn_by(pattern.chance),
        pattern.kind,
        walked.receiver.sigma_m,
        min((float(way.t_s[0]) for way in walked.ways), default=0.0),
        seed_of(walked.ways),
        pattern.legs,
        _placed(pattern, walked),
        tuple(along),
        walked.swath_measured,
        len(walked.spacings),
        pattern.kind == IN_LANES and in_rings(pattern.stations),
    )
    return drawn if MEASURED_LANES not in kinds_of([drawn]) else _with_mean(plot, drawn, walked, pattern.chance)


def _with_mean(plot: Plot, drawn: Drawn, walked: Walked, chance: Floats) -> Drawn:
    """Weigh what spacings tell by their mean as the walk shows it, ground over path; and its ground by theirs."""
    farther_m = EDGE_SD_SIGMAS * drawn.sigma_m * _EDGES
    length_m = drawn.efforts[0].total * plot.cell_m**2 / walked.swath_m * float(drawn.scale.mean())
    means_m = np.maximum(grounds_m2(plot, drawn, farther_m), 1e-3) / max(length_m, 1e-3)
    chance, edge = with_mean(drawn.kappa, chance, walked.spacings, means_m, np.exp(-np.square(_EDGES) / 2))
    edge_m = float(edge @ farther_m)
    share = math.sqrt(float(edge @ np.square(farther_m - edge_m))) / (EDGE_SD_SIGMAS * drawn.sigma_m)
    return replace(drawn, drawn=drawn_by(chance), edge_m=edge_m, edge_share=min(share, 1.0))


def _scales(walked: Walked, swept_m2: Sequence[Floats], pattern: Pattern, worse_sd: float) -> Floats:
    """Factors of the effort, rising: how much longer or shorter path and swath may be than they seem."""
    from scipy.special import ndtri

    seconds = sum(s.size for s in swept_m2)
    length_m = sum(float(s.sum()) for s in swept_m2) / walked.swath_m
    pace = length_m / max(seconds, 1)
    sigma = walked.receiver.sigma_m
    if pattern.kind == WANDERING:
        turns, longer = 0.0, 1 / winding(walked.ways, sigma)
    else:
        turns = min(TURN_SD_M * pattern.legs / max(length_m, 1.0), MOST_TURN_SD)
        smoothed = sum(float(way.step_m.sum()) for way in walked.ways)
        most = float(np.interp(length_m / max(pattern.legs, 1), SHORT_LEGS_M, (MOST_TURNING, 1.0)))
        longer = 1 / float(np.clip(winding(walked.ways, sigma) * smoothed / max(length_m, 1e-9), 1.0, most))
    longer *= 1 + LENGTH_BIAS * (sigma / max(pace, 0.1)) ** 2
    sd = math.hypot(LENGTH_SD, LENGTH_SD_PER_M2 * sigma**2, turns, SWATH_SD[walked.swath_measured], worse_sd)
    return np.asarray(np.maximum(1 + sd * ndtri(EVENLY), 0.3) / longer)


def winding(ways: Sequence[SearchPath], sigma_m: float) -> float:
    """How much longer a winding path is than its smoothed line, which cuts its bends: 1.1 to 1.2 mostly.

    A line smoothed less is longer, by its bends and by noise of the receiver that is left in it; of that noise the
    rms velocity is known, and what it adds to a steady pace is taken off.
    """
    little = smoothed = 0.0
    steps: list[Floats] = []
    for way in ways:
        next_second = np.diff(way.t_s) < 1.5
        x, y = smooth(np.column_stack([way.x_m, way.y_m]), LESS_SMOOTHING).T
        step = np.hypot(np.diff(x), np.diff(y))[next_second]
        steps.append(step)
        little += float(step.sum())
        smoothed += float(way.step_m[:-1][next_second].sum())
    if smoothed <= 0:
        return 1.0
    noise = NOISE_PER_SIGMA * sigma_m / max(float(np.median(np.concatenate(steps))), 0.05)
    return max(little / (1 + noise**2 / 2) / smoothed, 1.0)


def _by_second(pattern: Pattern, ways: Sequence[SearchPath]) -> list[NDArray[np.int64]]:
    """Axis of each second: that of the station at hand."""
    if pattern.axis.size == 0:
        return [np.zeros(way.t_s.size, np.int64) for way in ways]
    at = [np.searchsorted(pattern.stations.t_s, way.t_s) for way in ways]
    return [pattern.axis[np.minimum(k, pattern.axis.size - 1)] for k in at]


def _placed(pattern: Pattern, walked: Walked) -> bool:
    noise = np.sqrt(2) * walked.receiver.sigma_m if pattern.noise_m is None else pattern.noise_m
    width = min(abs(pattern.spacing_m or walked.swath_m), walked.swath_m)
    return bool(noise < PLACED * width)


@dataclass(frozen=True, slots=True, eq=False)
class OutingEstimate:
    """One outing whatever others did: what its walks with each coil may have swept, and its share.

    drawn : (coil, Drawn) of each walk; nothing where nothing can be told.
    """

    drawn: tuple[tuple[str, Drawn], ...]
    estimate: Estimate


@dataclass(slots=True, eq=False)
class OutingsTogether:
    """Outings together: the walks that cannot be placed, as recorded where strips can be trusted, and lanes.

    lanes : what they left out of each cell, (draws, cells).
    """

    placed: Mask | None = None
    walks: list[Drawn] = field(default_factory=list)
    rim_sd_m: float = 0.0
    lanes: Missed | None = None

    def place(self, swept: Mask, rim_sd_m: float) -> None:
        """Add what a walk swept that can be placed, and how far off its rim may be."""
        self.placed = swept if self.placed is None else np.asarray(self.placed | swept)
        self.rim_sd_m = max(self.rim_sd_m, rim_sd_m)


@dataclass(slots=True, eq=False)
class Estimates:
    """Adds up outings: what one left out another may have swept (``walked_ground``).

    Of each walk only its effort in coarse cells is kept. The order of the outings makes no difference.
    """

    plot: Plot
    reason: str | None  # why nothing on this site can be told
    sums: dict[str | None, OutingsTogether] = field(default_factory=dict)  # by coil; None is all together
    untimed: set[str | None] = field(default_factory=set)
    last: tuple[tuple[Drawn, ...], Missed] | None = None  # walks, and what they left out
    laid: LaidOut | None = None  # those that were laid out last: mostly those of the next time come after them
    jobs: int = 1  # how much is done at once; the numbers are the same

    def of_outing(
        self,
        walks: Sequence[tuple[str, Walked]],
        swept_by: SweptBy,
        workers: Workers = ALONE,
        known: Iterable[Drawn] | None = None,
    ) -> OutingEstimate:
        """Estimate one outing, whatever was added before.

        walks : its walks, each with its coil.
        swept_by : returns what one coil, or for None any, swept as recorded, bool (rows, cols) on the site's grid; it
            counts where single strips can be trusted.
        workers : draw its walks side by side.
        known : its walks, if they are drawn already, or begun to be.
        """
        if self.reason or not all(walked.ways for _, walked in walks):
            return OutingEstimate((), _untold(self.reason or NO_TIMES))
        each = self.begin_draws(walks, workers) if known is None else known
        drawn = tuple((coil, one) for (coil, _), one in zip(walks, each, strict=True))
        if walks and all(walk.strips_placed for _, walk in drawn):  # the map itself
            swept = swept_by(None)
            missed = recorded_missed(self.plot, swept, max(_rim_sd_m(walked) for _, walked in walks))
            _, low, high = summed_up(missed, self.plot.weight, ())
            pct = 100 * float(on_plot(self.plot, swept) @ self.plot.weight)
            return OutingEstimate(drawn, Estimate(pct, low, high, True, None))
        if sum(walk.legs for _, walk in drawn) < LEAST_LEGS:
            few = f"fewer than {LEAST_LEGS} legs were walked"
            return OutingEstimate(drawn, Estimate(None, None, None, False, few))
        missed = self._of_walks(tuple(walk for _, walk in drawn))
        told = summed_up(missed, self.plot.weight, kinds_of(walk for _, walk in drawn))
        return OutingEstimate(drawn, Estimate(*told, False, None))

    def begin_draws(self, walks: Sequence[tuple[str, Walked]], workers: Workers) -> Iterator[Drawn]:
        """Begin to draw the walks of an outing side by side, all of which must be asked for."""
        seconds = DRAW_S * sum(way.t_s.size for _, walked in walks for way in walked.ways)
        return workers.in_order(draw, self.plot, [walked for _, walked in walks], seconds, DRAWN_AT_FIRST)

    def add(
        self, walks: Sequence[tuple[str, Walked]], one: OutingEstimate, coils: Collection[str], swept_by: SweptBy
    ) -> None:
        """Add one outing by what ``of_outing`` found; ``coils`` are those that swept anything."""
        untimed = {coil for coil, walked in walks if not walked.ways}
        self.untimed |= untimed | ({None} if untimed else set())
        known: list[str | None] = [*coils, None]
        for coil in known:
            of = self.sums.setdefault(coil, OutingsTogether())
            mine = [number for number, (name, _) in enumerate(walks) if coil in (None, name)]
            if not one.estimate.strips_placed:
                of.walks += [one.drawn[number][1] for number in mine if one.drawn]
            elif mine:
                of.place(swept_by(coil), max(_rim_sd_m(walks[number][1]) for number in mine))

    def add_lanes(self, coil: str, swept: CellsSwept) -> None:
        """Add what lanes that were walked with a coil swept; their recordings must not be added besides."""
        for name in (coil, None):
            of = self.sums.setdefault(name, OutingsTogether())
            of.lanes = left_by_lanes(of.lanes, swept, self.plot.weight.size)

    def with_lanes(self, one: OutingEstimate, lanes: Sequence[CellsSwept]) -> Estimate:
        """Return the estimate of an outing that walked lanes; ``one`` is what its recordings show elsewhere."""
        if not lanes or self.reason:
            return one.estimate
        of = OutingsTogether(walks=[walk for _, walk in one.drawn])
        for swept in lanes:
            of.lanes = left_by_lanes(of.lanes, swept, self.plot.weight.size)
        share = self._summed(of, left_out(self.plot, of.walks))
        return Estimate(share.pct, share.low, share.high, not of.walks, None, share.by_lanes_pct)

    def left_out(self, grid: Grid) -> Floats:
        """Mean chance that walks which cannot be placed left out the cells of a grid over the site, (rows, cols)."""
        return off_plot(self.plot, self._left_out(None).mean(axis=0, dtype=float), grid)

    @property
    def wandering(self) -> bool:
        """Whether there are walks which cannot be placed, and none of them is in lanes."""
        walks = self.sums[None].walks
        return bool(walks) and all(walk.kind == WANDERING for walk in walks)

    def together(self, coil: str | None = None) -> Estimate:
        """All outings with one coil; None for all outings."""
        reason = self.reason or (NO_TIMES if coil in self.untimed else None)
        if reason:
            return _untold(reason)
        of = self.sums[coil]
        share = self._summed(of, self._left_out(coil))
        return Estimate(share.pct, share.low, share.high, None, None, share.by_lanes_pct)

    def _summed(self, of: OutingsTogether, missed: Missed) -> ShareWithLanes:
        """Sum up what is known of a site when walks that cannot be placed left out so much."""
        if of.placed is not None and of.rim_sd_m:
            missed = missed * recorded_missed(self.plot, of.placed, of.rim_sd_m)
        ends = partial(summed_up, kinds=kinds_of(of.walks))
        if of.lanes is None:
            return ShareWithLanes(*ends(missed, self.plot.weight), 0.0)
        return share_with_lanes(missed, of.lanes, self.plot.weight, ends)

    def _left_out(self, coil: str | None) -> Missed:
        """What all walks left out, or those with one coil; the same where there is only one coil."""
        return self._of_walks(tuple(self.sums[coil].walks))

    def _of_walks(self, walks: tuple[Drawn, ...]) -> Missed:
        if self.last is None or self.last[0] != walks:
            self.last = None  # its room is taken again: to ask the system for more each time takes 3 ms
            self.last = (walks, left_out(self.plot, walks, self.jobs, self._lay(walks)))
        return self.last[1]

    def _lay(self, walks: Sequence[Drawn]) -> LaidOut:
        self.laid = lay_out(self.plot, walks, self.laid)
        return self.laid

    def next_evidence(self, now: Estimate) -> NextEvidence | None:
        """What to measure next, of all outings; ``now`` is their estimate. None where there is none or little help."""
        if now.low is None or now.high is None:
            return None
        of = self.sums[None]
        interval, sds = (now.low, now.high), (SWATH_SD[True], SWATH_SD[False])
        laid = self._lay(of.walks) if len(of.walks) > 1 else None  # spacings say where the ground of one ends

        def interval_of(walks: Sequence[Drawn]) -> tuple[float, float]:
            return self._interval(of, left_out(self.plot, walks, self.jobs, laid))

        return next_evidence(of.walks, interval, interval_of, sds, ground_sd(self.plot, of.walks))

    def _interval(self, of: OutingsTogether, missed: Missed) -> tuple[float, float]:
        """Ends of the interval, in percent, when walks that cannot be placed left out so much."""
        share = self._summed(of, missed)
        return share.low, share.high


def _untold(reason: str) -> Estimate:
    return Estimate(None, None, None, None, reason)


def estimates_on(inside: Mask, grid: Grid, receivers: Sequence[Receiver]) -> Estimates:
    """Begin estimates of a site; ``receivers`` are those of all walks, which say how far outside to look."""
    reflect_m = max((REFLECT_SIGMAS * math.hypot(r.slow_m, r.fast_m) for r in receivers), default=0.0)
    area_m2 = float(np.count_nonzero(inside)) * grid.cell_m2
    reason = None
    if area_m2 < LEAST_ESTIMATED_M2:
        reason = f"the site is smaller than {LEAST_ESTIMATED_M2:g} m2"
    return Estimates(plot_of(inside, grid, reflect_m), reason)


def _rim_sd_m(walked: Walked) -> float:
    """How far off the rim of swept ground may be: half of what the swath may be off, and the receiver."""
    return float(np.hypot(SWATH_SD[walked.swath_measured] * walked.swath_m / 2, walked.receiver.sigma_m / 2))
