"""Leave out what cannot be right in a recording, count it by reason, and split where recording stopped.

Nothing here smooths: moving every fix a little makes the map worse, leaving out the impossible makes it better.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.motion.spikes import DROPOUT_M, DROPOUT_S, find_spikes
from fieldcomb.tracks.motion.stale import find_stale
from fieldcomb.tracks.recording import Flags, Floats, Int32s, Span, Track
from fieldcomb.tracks.units import format_count
from fieldcomb.tracks.values import dataclass

# Reasons, as shown to the user and counted in report.json.
NO_POSITION = "no position"
OUT_OF_RANGE = "position out of range"
TOO_FAR = "a quarter of the globe away"
DUPLICATE = "same time and place twice"
OUT_OF_ORDER = "time out of order"
SPIKE = "far from its neighbours"
STALE = "far from all other fixes"
OUTSIDE_WINDOW = "outside the chosen time window"

STILL_M = 5.0  # a silence that moved less than this is a stop, not a drop-out


@dataclass(frozen=True, slots=True, eq=False)
class Fixes:
    """Usable fixes in site metres, in order of time.

    t_s : Unix seconds, or NaN throughout when the recording has no clock. source : number of the file, from 0.
    piece : number of the unbroken piece, rising from 0; a drop-out lies between two pieces.
    """

    t_s: Floats
    x_m: Floats
    y_m: Floats
    source: Int32s
    piece: Int32s

    def __len__(self) -> int:
        return int(self.x_m.size)

    @property
    def timed(self) -> bool:
        """True when the fixes have times."""
        return self.t_s.size > 0 and bool(np.isfinite(self.t_s[0]))

    @property
    def pieces(self) -> list[tuple[int, int]]:
        """The first fix of each unbroken piece, and the one after its last; without any fix one empty piece."""
        ends = (np.flatnonzero(np.diff(self.piece)) + 1).tolist()
        return list(zip([0, *ends], [*ends, len(self)], strict=True))


@dataclass(frozen=True, slots=True, eq=False)
class Cleaned:
    """Usable fixes, what was left out (one count per file and reason), and sentences on what was met."""

    fixes: Fixes
    dropped: tuple[dict[str, int], ...]
    notes: tuple[str, ...]


@dataclass(slots=True, eq=False)
class _Work:
    """Fixes under work: arrays that shrink, and the tally of what left."""

    t: Floats
    x: Floats
    y: Floats
    source: Int32s
    dropped: list[dict[str, int]]
    notes: list[str]

    def leave_out(self, bad: Flags, reason: str) -> None:
        if not bad.any():
            return
        for number, count in zip(*np.unique(self.source[bad], return_counts=True), strict=True):
            tally = self.dropped[int(number)]
            tally[reason] = tally.get(reason, 0) + int(count)
        self.take(np.flatnonzero(~bad))

    def take(self, index: NDArray[np.int64]) -> None:
        self.t, self.x, self.y, self.source = self.t[index], self.x[index], self.y[index], self.source[index]


def clean(tracks: Sequence[Track], frame: SiteFrame, windows: Sequence[Span] | None = None) -> Cleaned:
    """Clean the files of one walk, given in order of time and treated as one.

    tracks : the files; the last fix of one and the first of the next may be joined.
    frame : where metres are counted from.
    windows : sequence of (from, to), unix seconds to keep for each file; None leaves that end open.
    """
    work = _gather(tracks, frame)
    _fill_times(work)
    _keep_windows(work, windows)
    _order(work)
    work.leave_out(_repeated(work), DUPLICATE)
    work.t = _spread(work)
    work.leave_out(find_spikes(work.t, work.x, work.y), SPIKE)
    work.leave_out(find_stale(work.t, work.x, work.y), STALE)
    fixes = Fixes(work.t, work.x, work.y, work.source, _pieces(work.t, work.x, work.y))
    return Cleaned(fixes, tuple(work.dropped), tuple(work.notes))


def _gather(tracks: Sequence[Track], frame: SiteFrame) -> _Work:
    lon = np.concatenate([t.lon_deg for t in tracks])
    lat = np.concatenate([t.lat_deg for t in tracks])
    time = np.concatenate([t.time_s for t in tracks])
    source = np.repeat(np.arange(len(tracks), dtype=np.int32), [len(t) for t in tracks])
    work = _Work(time, lon, lat, source, [{} for _ in tracks], [])
    work.leave_out(~(np.isfinite(lon) & np.isfinite(lat)), NO_POSITION)
    work.leave_out((np.abs(work.x) > 180) | (np.abs(work.y) > 90), OUT_OF_RANGE)
    work.x, work.y = frame.to_metres(work.x, work.y)
    work.leave_out(~(np.isfinite(work.x) & np.isfinite(work.y)), TOO_FAR)
    return work


def _fill_times(work: _Work) -> None:
    """Set the time of a fix without one between those of its neighbours; one time for all, or few, is no clock."""
    known = np.isfinite(work.t)
    missing = int((~known).sum())
    if known.sum() > 2 and np.ptp(work.t[known]) == 0:
        work.notes.append("All fixes have the same time, so times were not used")
        work.t = np.full(work.t.size, np.nan)
        return
    if missing == 0 or work.t.size == 0:
        return
    if known.sum() < max(2, work.t.size / 2):
        if known.any():
            work.notes.append(f"Only {int(known.sum())} of {work.t.size} fixes have a time, so times were not used")
        work.t = np.full(work.t.size, np.nan)
        return
    index = np.arange(work.t.size)
    filled = np.interp(index, index[known], work.t[known])
    step = float(np.median(np.diff(work.t[known]))) if known.sum() > 1 else 1.0
    first, last = index[known][0], index[known][-1]
    filled[:first] -= (first - index[:first]) * step
    filled[last + 1 :] += (index[last + 1 :] - last) * step
    work.t = np.where(known, work.t, filled)
    work.notes.append(f"{missing} fixes without a time were given one between their neighbours")


def _keep_windows(work: _Work, windows: Sequence[Span] | None) -> None:
    if windows is None:
        return
    low, high = np.array(windows).T
    outside = (work.t < low[work.source]) | (work.t >= high[work.source])  # half open: two halves share no fix
    work.leave_out(outside, OUTSIDE_WINDOW)


def _order(work: _Work) -> None:
    """Leave out single fixes with a wrong clock; put longer pieces that run backwards in order of time."""
    if work.t.size < 2 or not np.isfinite(work.t).all():
        return
    work.leave_out(_stray_times(work.t), OUT_OF_ORDER)
    back = np.flatnonzero(np.diff(work.t) < 0) + 1
    if back.size == 0:
        return
    starts = np.concatenate([[0], back])
    pieces = np.split(np.arange(work.t.size), back)
    order = np.concatenate([pieces[k] for k in np.argsort(work.t[starts], kind="stable")])
    work.take(order)
    work.notes.append(f"Time runs backwards in {format_count(back.size, 'place')}; the pieces were sorted by time")
    if (np.diff(work.t) < 0).any():  # pieces that overlap in time: two devices in one file
        order = np.argsort(work.t, kind="stable")
        work.take(order)
        work.notes.append("Pieces overlap in time, as if two recorders had written one file; split them if you can")


def _stray_times(t: Floats) -> Flags:
    """Single fixes whose time is ahead of or behind an otherwise rising clock."""
    stray = np.zeros(t.size, bool)
    for i in np.flatnonzero(np.diff(t) < 0).tolist():
        if i == 0 or t[i + 1] >= t[i - 1]:
            stray[i] = True
        elif i + 2 >= t.size or t[i + 2] >= t[i]:
            stray[i + 1] = True
    return stray


def _repeated(work: _Work) -> Flags:
    same = np.zeros(work.x.size, bool)
    if work.x.size > 1:
        still = (np.diff(work.x) == 0) & (np.diff(work.y) == 0)
        same[1:] = still & ((np.diff(work.t) == 0) if np.isfinite(work.t).all() else True)
    return same


def _spread(work: _Work) -> Floats:
    """Fixes that share one time are spread evenly up to the next time, at most over one second."""
    t = work.t
    if t.size < 2 or not np.isfinite(t).all() or not (np.diff(t) == 0).any():
        return t
    starts = np.flatnonzero(np.append(True, np.diff(t) > 0))
    count = np.diff(np.append(starts, t.size))
    room = np.minimum(np.diff(np.append(t[starts], t[-1] + 1.0)), 1.0)
    place = np.arange(t.size) - np.repeat(starts, count)
    work.notes.append(f"{int((count - 1).sum())} fixes share their time with another; they were spread over a second")
    spread: Floats = t + place * np.repeat(room / count, count)
    return spread


def _pieces(t_s: Floats, x_m: Floats, y_m: Floats) -> Int32s:
    """Number the unbroken pieces: a new one begins after each drop-out."""
    if x_m.size == 0:
        return np.zeros(0, np.int32)
    step_m = np.hypot(np.diff(x_m), np.diff(y_m))
    lost = step_m > DROPOUT_M
    if np.isfinite(t_s).all() and t_s.size > 1:
        step_s = np.diff(t_s)
        lost |= (step_s > max(DROPOUT_S, 4 * float(np.median(step_s)))) & (step_m > STILL_M)
    return np.concatenate([[0], np.cumsum(lost)]).astype(np.int32)
