"""How much of the site the coil itself passed over: the swath less the wedges between two sweeps.

A pass at pace v leaves the share 1 - c of the ground in the swath bare (``wedges``), and what passes leave multiplies:
a cell is under the coil with the chance 1 - prod over passes (1 - c). The pace is taken over pieces of about 30 s of
searching; c of a pass over a cell is the mean of the pieces that touch it (of -log(1 - c), so that it multiplies).

What is kept for the site is -log of what is left, in 2 bytes a cell for each coil, and as much again where a sweep time
was not measured, so that memory does not grow with the number of outings.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import field, replace

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.compiled.kernels import kernels
from fieldcomb.coverage.gear.footprint import heard_size_m, reach_in_soil_m
from fieldcomb.coverage.gear.swing import SLOWEST_SWEEP_S, Swing
from fieldcomb.coverage.gear.wedges import half_swing_m, pace_for, share_under_coil
from fieldcomb.coverage.ground.added_cells import ROWS_AT_ONCE
from fieldcomb.coverage.ground.ground_results import PACE_SHARES, FilledResult
from fieldcomb.coverage.ground.pass_tally import OutingPasses
from fieldcomb.coverage.outings.walks import SwungWalk
from fieldcomb.coverage.raster.cells import OUTSIDE, Cells, Mask, Slices
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.raster.passes import VALUE_STEPS, Counts, LegSpans, in_value_steps, mean_over, spans_near
from fieldcomb.tracks.motion.legs import Leg, SearchPath
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

PIECE_S = 30  # long enough to smooth a receiver's error at walking pace, short enough to see a change of pace
LOST_STEPS = 2048  # parts of one in which -log(left) is kept
CELLS_AT_ONCE = 4_000_000  # over which it is found where pieces lie
CELLS_IN_CACHE = 1 << 17  # with what is left of them twice in two bytes
ALL = 20.0  # -log(left) from which on nothing is left: two billionths
_UNDER = 1 - np.exp(-np.arange(65536) / LOST_STEPS)  # share of a cell under the coil, by -log(left) in steps
_UNDER[int(ALL * LOST_STEPS) :] = 1.0

Lost = NDArray[np.uint16]  # (1 or 2, rows, cols): -log(left), for the sweep time used, and for the slowest usual one


@dataclass(frozen=True, slots=True)
class Under:
    """Percent of the site under the coil; None where a recording has no times.

    low, high : the same for the slowest and the fastest usual sweep, where it was not measured; else None.
    left_out : of a coil or of all, outings that have no times and are not in it.
    """

    pct: float | None
    low: float | None = None
    high: float | None = None
    left_out: int = 0

    def at_most(self, swept_pct: float) -> Under:
        """Return it no higher than the share swept, above which rounding may lift it."""
        pct, low, high = (None if pct is None else min(pct, swept_pct) for pct in (self.pct, self.low, self.high))
        return Under(pct, low, high, self.left_out)


def half_minutes(way: SearchPath) -> tuple[NDArray[np.int64], Floats]:
    """Cut a way into pieces of about 30 s: the seconds where they begin and end (n + 1,), and their usual pace in m/s.

    The median, because smoothing cuts turns short and so reads them as slow walking.
    """
    last = way.t_s.size - 1
    edges = np.linspace(0, last, max(1, round(last / PIECE_S)) + 1).round().astype(np.int64)
    return edges, _medians(way.step_m, edges[:-1], np.maximum(edges[1:], edges[:-1] + 1))


def _medians(values: Floats, start: NDArray[np.int64], end: NDArray[np.int64]) -> Floats:
    """Median of each of many pieces of about the same length, none of them empty; all of them sorted at once."""
    count = end - start
    place = np.arange(count.max())
    at = np.minimum(start[:, None] + place, values.size - 1)
    ranked = np.sort(np.where(place < count[:, None], values[at], np.inf), axis=1)
    row = np.arange(count.size)
    return np.asarray((ranked[row, (count - 1) // 2] + ranked[row, count // 2]) / 2)


def paced(ways: Sequence[SearchPath]) -> tuple[list[Leg], Floats]:
    """Cut searching into pieces of about 30 s; return each as a line, and its smoothed pace in m/s."""
    legs, paces = [], [np.zeros(0)]
    for way in ways:
        edges, pace = half_minutes(way)
        legs += [Leg(way.x_m[a : b + 1], way.y_m[a : b + 1]) for a, b in itertools.pairwise(edges.tolist())]
        paces.append(pace)
    return legs, np.concatenate(paces)


def sweeps_s(swing: Swing) -> tuple[float, float]:
    """Sweep time used, and the slowest that it may be: the same where it was measured."""
    return swing.sweep_s, swing.sweep_s if swing.sweep_measured else max(SLOWEST_SWEEP_S, swing.sweep_s)


def shares(swing: Swing, pace_m_s: Floats, depth_m: float | None = None) -> Floats:
    """Return c for each pace, (2, n): with the sweep time used, and with the slowest that it may be."""
    width_m, length_m = heard_size_m(swing, depth_m)
    half_m = half_swing_m(swing.coil.width_m, swing.swath_m)
    return np.stack(
        [
            share_under_coil(width_m, length_m, swing.swath_m, sweep_s, pace_m_s, half_m=half_m)
            for sweep_s in sweeps_s(swing)
        ]
    )


@dataclass(frozen=True, slots=True, eq=False)
class CoilPieces:
    """Lines of walks with one coil, how far each reaches to its sides, and -log(1 - c) on it (2, n).

    own : whether any is the coil's own way, from a recorder on the shaft.
    """

    legs: list[Leg]
    radius_m: Floats
    lost: Floats
    own: bool

    def spans(self, window: Grid) -> LegSpans:
        """Return which cells of a window each of them has within its radius."""
        return spans_near(self.legs, self.radius_m, window)

    def mean(self, swept: Mask, spans: LegSpans, kinds: int) -> NDArray[np.float32]:
        """Return -log(1 - c) of a pass over each cell of the rows that spans lie in, (kinds, rows, cols)."""
        mean, met = mean_over(spans, self.lost[:kinds], *swept.shape)
        rest = swept & ~met
        if rest.any():
            mean[:, rest] = self._rest(kinds)[:, None]
        return mean

    def _rest(self, kinds: int) -> NDArray[np.float32]:
        """The same of swept cells that no piece touches: a corner that the pieces cut."""
        known = bool(self.legs) and not self.own
        return (self.lost[:kinds].mean(axis=1) if known else np.zeros(kinds)).astype(np.float32)

    def lose(self, counts: Counts, inside: Mask, spans: LegSpans, lost: Lost) -> None:
        """Write into ``lost`` -log of what passes leave of each cell, in steps, (kinds, rows, cols)."""
        if kernels is None:
            passes = np.where(inside, counts, 0)
            lost[:] = np.minimum(np.rint(self.mean(passes > 0, spans, len(lost)) * passes * LOST_STEPS), 65535)
            return
        at = spans.row, spans.first, spans.last, spans.group
        weights, rests = in_value_steps(self.lost[: len(lost)]), self._rest(len(lost)).tolist()
        for layer, weight, rest in zip(lost, weights, rests, strict=True):
            kernels.lose_over(*at, weight, counts, inside, layer, rest, VALUE_STEPS, LOST_STEPS)

    def near(self, window: Grid) -> CoilPieces:
        """Return those of them that come near enough to a window to count there."""
        left, bottom, right, top = window.bounds_m
        here = [
            leg.x_m.max() >= left - r
            and leg.x_m.min() <= right + r
            and leg.y_m.max() >= bottom - r
            and leg.y_m.min() <= top + r
            for leg, r in zip(self.legs, self.radius_m, strict=True)
        ]
        kept = np.array(here, bool)
        legs = [leg for leg, one in zip(self.legs, here, strict=True) if one]
        return CoilPieces(legs, self.radius_m[kept], self.lost[:, kept], self.own)


def coil_pieces(walks: Sequence[SwungWalk], depth_m: float | None) -> CoilPieces | None:
    """Return the pieces of all walks with one coil, for what it hears at a depth; None where one has no clock."""
    legs: list[Leg] = []
    radius_m: list[float] = []
    values = [np.zeros((2, 0))]
    for w in walks:
        if w.walk.times is None:
            return None
        if w.walk.coil_legs:  # the wedges were measured, and are not swept ground at all
            lines, lost = list(w.walk.coil_legs), np.full((2, len(w.walk.coil_legs)), ALL)
            reach = heard_size_m(w.swing, depth_m)[0] / 2
            lines, lost = (lines, lost) if reach > 0 else ([], lost[:, :0])
        else:
            lines, pace = paced(w.walk.ways)
            left = 1 - shares(w.swing, pace, depth_m)
            lost, reach = -np.log(np.maximum(left, math.exp(-ALL))), w.swing.swath_m / 2
        legs += lines
        radius_m += [reach] * len(lines)
        values.append(lost)
    own = any(w.walk.coil_legs for w in walks)
    return CoilPieces(legs, np.array(radius_m), np.concatenate(values, axis=1), own)


@dataclass(frozen=True, slots=True, eq=False)
class _CoilPasses:
    """Passes of one outing with a coil over a part of the site, and the layer of that part that they add to."""

    pieces: CoilPieces
    counts: Counts
    layer: Lost

    def add(self, rows: slice, inside: Mask, spans: LegSpans) -> Lost:
        """Add what they leave of some rows, and return it."""
        lost = np.empty((len(self.layer), *inside.shape), np.uint16)
        self.pieces.lose(self.counts[rows], inside, spans, lost)
        _add_up(self.layer[:, rows], lost)
        return lost


@dataclass(slots=True, eq=False)
class UnderCoil:
    """Adds up outings. ``guessed``: whether any sweep time of the site was not measured."""

    inside: Mask
    guessed: bool
    depth_m: float | None = None
    by_coil: dict[str, Lost] = field(default_factory=dict)
    untimed: Counter[str] = field(default_factory=Counter)  # outings with ground swept without a clock, by coil
    left_out: int = 0  # outings with any such ground
    no_clock: Mask | None = None  # that ground
    swings: dict[str, set[Swing]] = field(default_factory=dict)
    counted: dict[tuple[str, ...], Floats] = field(default_factory=dict)  # since the last outing was added
    site_cells: int = field(init=False)

    def __post_init__(self) -> None:
        self.site_cells = int(np.count_nonzero(self.inside))

    def add(self, walks: Sequence[SwungWalk], swept: OutingPasses) -> Under:
        """Add what the passes of one outing leave, and return its own share; None of one with a coil without a clock.

        A coil that swept nothing of the site does not count, since it does not matter how it was swung.
        """
        self.counted.clear()
        for w in walks:
            if w.swing.coil.name in swept.by_coil:
                self.swings.setdefault(w.swing.coil.name, set()).add(w.swing)
        inside, timed, untimed = self.inside[swept.here], list[_CoilPasses](), False
        for name, everywhere in swept.by_coil.items():
            counts = everywhere[swept.there]
            if not _any_inside(counts, inside):
                continue
            pieces = coil_pieces([w for w in walks if w.swing.coil.name == name], self.depth_m)
            if pieces is None or not (pieces.legs or pieces.own):
                untimed = True
                self._leave_out(name, counts > 0, swept.here)
            else:
                timed.append(_CoilPasses(pieces, counts, self._layer(name)[:, *swept.here]))
        self.left_out += untimed
        cells = self._lose(timed, inside, swept.grid.window(swept.there)) if timed else np.zeros(1 + self.guessed)
        guessed = any(not w.swing.sweep_measured for w in walks)
        return Under(None) if untimed else self._under(cells, guessed)

    def _layer(self, name: str) -> Lost:
        """What the passes with a coil left of the site so far."""
        if name not in self.by_coil:
            self.by_coil[name] = np.zeros((1 + self.guessed, *self.inside.shape), np.uint16)
        return self.by_coil[name]

    def _lose(self, coils: Sequence[_CoilPasses], inside: Mask, window: Grid) -> Floats:
        """Add what passes leave to the layers of their coils; returns how many cells of a window lie under any coil.

        All of it is done for a few rows at a time, which stay in the processor's cache.
        """
        often = np.zeros((1 + self.guessed, _UNDER.size), np.int64)
        for band in _bands(slice(0, window.rows), window.cols, CELLS_AT_ONCE):
            part = window.window((band, slice(0, window.cols)))
            spans = [one.pieces.spans(part) for one in coils]
            for rows in _bands(band, window.cols, CELLS_IN_CACHE):
                here = [its.part(rows.start - band.start, rows.stop - band.start) for its in spans]
                together, *more = [one.add(rows, inside[rows], its) for one, its in zip(coils, here, strict=True)]
                for lost in more:
                    _add_up(together, lost)
                _count(together, often)
        return np.asarray(often @ _UNDER)

    def _leave_out(self, name: str, passed: Mask, here: Slices) -> None:
        """Remember ground that was swept without a clock: how much of it lay under the coil is not known."""
        self.untimed[name] += 1
        if self.no_clock is None:
            self.no_clock = np.zeros(self.inside.shape, bool)
        self.no_clock[here] |= passed

    def of_coil(self, name: str) -> Under:
        """All outings with one coil together that have times."""
        left_out = self.untimed[name]
        if name not in self.by_coil:
            return Under(None, left_out=left_out)
        guessed = any(not swing.sweep_measured for swing in self.swings[name])
        return replace(self._under(self._cells((name,)), guessed), left_out=left_out)

    def together(self) -> Under:
        """All outings together that have times."""
        if not self.by_coil:
            return Under(None, left_out=self.left_out)
        guessed = any(not swing.sweep_measured for name in self.by_coil for swing in self.swings[name])
        return replace(self._under(self._cells(tuple(self.by_coil)), guessed), left_out=self.left_out)

    def _cells(self, names: tuple[str, ...]) -> Floats:
        """Cells under some coils, counted once: where there is only one coil, it is asked for by name and as all."""
        if names not in self.counted:
            self.counted[names] = self._sum([self.by_coil[name] for name in names])
        return self.counted[names]

    def _sum(self, layers: Sequence[Lost]) -> Floats:
        """How many cells all layers together have under the coil, (1 or 2,); some rows at a time."""
        often = np.zeros((1 + self.guessed, _UNDER.size), np.int64)
        for row in range(0, self.inside.shape[0], ROWS_AT_ONCE):
            lost = layers[0][:, row : row + ROWS_AT_ONCE]
            for number, layer in enumerate(layers[1:]):
                lost = lost if number else lost.copy()
                _add_up(lost, layer[:, row : row + ROWS_AT_ONCE])
            _count(lost, often)
        return np.asarray(often @ _UNDER)

    def _under(self, under: Floats, guessed: bool) -> Under:
        """Make percent of the site of numbers of cells."""
        pct = 100 * under / self.site_cells
        return Under(float(pct[0]), float(pct[-1]), float(pct[0])) if guessed else Under(float(pct[0]))

    def paces_for_95(self, name: str) -> tuple[float | None, float | None]:
        """Slowest and fastest pace in m/s that keeps 95 % of the swath under a coil, over all that is known of it."""
        found = [
            pace_for(swing.coil.width_m, swing.coil.length_m, swing.swath_m, sweep_s)
            for swing in self.swings.get(name, ())
            for sweep_s in set(sweeps_s(swing))
        ]
        paces = [pace for pace in found if pace is not None]
        return (min(paces), max(paces)) if paces else (None, None)

    def filled(self, areas: Sequence[AreaShape]) -> tuple[FilledResult, ...]:
        """Tell of each filled area of known depth which coils could hear down to the old surface."""
        deepest = {
            name: max(reach_in_soil_m(swing) for swing in swings) for name, swings in self.swings.items() if swings
        }
        found = []
        for area in areas:
            if area.kind == "filled" and area.depth_cm is not None:
                depth_m = area.depth_cm / 100
                coils = tuple(name for name, deep_m in deepest.items() if deep_m >= depth_m - 1e-9)
                found.append(FilledResult(area.reason or None, depth_m, coils))
        return tuple(found)

    def pace_layer(self, passes: Cells) -> Cells | None:
        """Classes of ground by the mean c of its passes: 0 not swept, 255 not part of the site; None without times.

        Ground that was swept without a clock, in any outing, has the number after the last class.
        """
        if not self.by_coil:
            return None
        out: Cells = np.full(self.inside.shape, OUTSIDE, np.uint8)
        for rows in _bands(slice(0, self.inside.shape[0]), self.inside.shape[1], CELLS_IN_CACHE):
            count = passes[rows]
            lost = np.zeros(count.shape, np.float32)
            for layer in self.by_coil.values():
                lost += layer[0][rows]
            less = (np.expm1(-lost / LOST_STEPS / np.maximum(count, 1)) - 1e-4).astype(float)  # than all of it
            kind = np.ones(count.shape, np.uint8)
            for share in PACE_SHARES[:-1]:  # a search in the few of them is four times slower
                kind += less > -share
            if self.no_clock is not None:
                kind[self.no_clock[rows]] = len(PACE_SHARES) + 1
            kind[count == 0] = 0
            out[rows] = np.where(self.inside[rows], kind, OUTSIDE)
        return out


def _any_inside(counts: Counts, inside: Mask) -> bool:
    """Whether any of the passes are inside."""
    bands = _bands(slice(0, len(inside)), inside.shape[1], CELLS_IN_CACHE)
    return any(bool(np.any((counts[rows] > 0) & inside[rows])) for rows in bands)


def _bands(rows: slice, cols: int, cells: int) -> Iterator[slice]:
    """Cut rows into bands of about so many cells."""
    step = max(1, cells // max(cols, 1))
    for first in range(rows.start, rows.stop, step):
        yield slice(first, min(first + step, rows.stop))


def _count(lost: Lost, often: NDArray[np.int64]) -> None:
    """Add how many cells have each value."""
    for one, into in zip(lost, often, strict=True):
        if kernels is not None:
            kernels.count_lost(one, into)
        else:
            into += np.bincount(one.ravel(), minlength=_UNDER.size)


def _add_up(layer: Lost, more: Lost) -> None:
    """Add in place, up to what two bytes hold; a few rows at a time, since a sum of all takes twice as much room."""
    if kernels is not None:
        for one, other in zip(layer, more, strict=True):
            kernels.add_lost(other, one)
        return
    for row in range(0, layer.shape[1], ROWS_AT_ONCE):
        part = slice(row, row + ROWS_AT_ONCE)
        layer[:, part] = np.minimum(layer[:, part].astype(np.int32) + more[:, part], 65535)
