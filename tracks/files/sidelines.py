"""What a file holds besides a walk: copies of it, plans, and marks; and how to know them from the walk."""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fieldcomb.tracks.files import limits
from fieldcomb.tracks.files.collector import ALSO_HOLDS, Asides, Gather, lap_notes
from fieldcomb.tracks.files.xml import Ending, break_notes
from fieldcomb.tracks.recording import Floats, Lap, Route, Waypoint
from fieldcomb.tracks.units import format_count
from fieldcomb.tracks.values import dataclass

# Chosen for this project: a copy may be thinned out or rounded to five decimals (about a metre), but not be elsewhere.
_COPY_STEP_DEG = 1e-5
_COPY_SHARE = 0.9


@dataclass(frozen=True, slots=True, eq=False)
class TimedLine:
    """One line of a file: degrees, and Unix seconds or NaN; float64 (n,) each."""

    name: str
    lon_deg: Floats
    lat_deg: Floats
    time_s: Floats

    @property
    def timed(self) -> bool:
        """Whether any fix has a time."""
        return bool(np.isfinite(self.time_s).any())


def take_lines(fixes: Gather, lines: Sequence[TimedLine]) -> tuple[tuple[Route, ...], tuple[str, ...], list[str]]:
    """Put the lines that are the walk into ``fixes``, each as a run; returns plans, names of the runs, and notes.

    Where some lines have times, those are the walk. Another line, without times, is a copy of it or a plan.
    """
    lines = [line for line in lines if line.lon_deg.size]
    if len(lines) > limits.MAX_LINES:
        raise limits.too_many(fixes.file, limits.MAX_LINES, "lines")
    timed = [line for line in lines if line.timed]
    copies, plans = 0, []
    if timed and len(timed) < len(lines):
        known = _cells(np.concatenate([t.lon_deg for t in timed]), np.concatenate([t.lat_deg for t in timed]))
        for line in lines:
            if not line.timed and _is_copy(line, known):
                copies += 1
            elif not line.timed:
                plans.append(_plan(line))
    for line in timed or lines:
        fixes.new_run()
        for fix in zip(line.lon_deg.tolist(), line.lat_deg.tolist(), line.time_s.tolist(), strict=True):
            fixes.add(*fix)
    notes = []
    if copies:
        copied = format_count(copies, "line")
        notes.append(f"{ALSO_HOLDS} {copied} without times: a copy of the track, so the timed one was used")
    if plans:
        points = sum(plan.lon_deg.size for plan in plans)
        planned, places = format_count(len(plans), "line"), format_count(points, "point")
        notes.append(
            f"{ALSO_HOLDS} {planned} without times, with {places}: taken for a plan, not a walk, and not counted"
        )
    return tuple(plans), tuple(line.name for line in timed or lines if line.name), notes


def _plan(line: TimedLine) -> Route:
    readable = np.isfinite(line.lon_deg) & np.isfinite(line.lat_deg)
    return Route(line.name, line.lon_deg[readable], line.lat_deg[readable])


def _cells(lon_deg: Floats, lat_deg: Floats) -> NDArray[np.int64]:
    """Number the squares of a metre or so that places lie in; those that are no places are left out."""
    good = (np.abs(lon_deg) <= 360) & (np.abs(lat_deg) <= 90)  # false for NaN
    lon, lat = (np.round(v[good] / _COPY_STEP_DEG).astype(np.int64) for v in (lon_deg, lat_deg))
    return lon * 2**32 + lat


def _is_copy(line: TimedLine, known: NDArray[np.int64]) -> bool:
    cells = _cells(line.lon_deg, line.lat_deg)
    near = np.zeros(cells.size, dtype=bool)
    for step in (east * 2**32 + north for east in (-1, 0, 1) for north in (-1, 0, 1)):
        near |= np.isin(cells + step, known)
    return cells.size > 0 and float(near.mean()) >= _COPY_SHARE


class FixWords:
    """Takes the words written with single fixes, and separates marks from a name that the whole walk has.

    Words that stay the same from one fix to the next are one mark, at the first.
    """

    def __init__(self) -> None:
        self._first: list[tuple[int, str, str]] = []
        self._rows = self._named = 0
        self._last = ("", "")

    def add(self, name: str, note: str) -> None:
        """Take the words of the next fix; empty if it has none."""
        words = (name.strip(), note.strip())
        if any(words):
            self._named += 1
            if words != self._last:
                self._first.append((self._rows, *words))
        self._last = words
        self._rows += 1

    def is_list(self) -> bool:
        """Whether more than half of the fixes have words of their own: marked places, and no walk."""
        return 2 * len(self._first) > self._rows

    def is_name(self) -> bool:
        """Whether words stand at most fixes, but few different ones: the names of the walk and its parts."""
        return 2 * self._named > self._rows and not self.is_list()

    def names(self) -> tuple[str, ...]:
        """Return the names of the walk's parts, if that is what the words are."""
        words = (name or note for _, name, note in self._first)
        return tuple(dict.fromkeys(words)) if self.is_name() else ()

    def waypoints(self, fixes: Gather) -> tuple[list[Waypoint], int]:
        """Return the marks, at their fixes, and how many stand at a fix without a readable position."""
        out: list[Waypoint] = []
        lost = 0
        for row, name, note in [] if self.is_name() else self._first:
            lon, lat, time = fixes.lon[row], fixes.lat[row], fixes.time[row]
            limits.check_marks(fixes.file, len(out) + 1)
            if math.isnan(lon + lat):
                lost += 1
            else:
                out.append(Waypoint(lon, lat, None if math.isnan(time) else time, name, note))
        return out, lost


def reading_notes(
    fixes: Gather, asides: Asides, ending: Ending, plan: str, marks: str, laps: Sequence[Lap]
) -> list[str]:
    """Say what a reader of XML met; ``plan`` is what a plan is called, ``marks`` what is aside."""
    notes = [*ending.notes, *break_notes(ending)]
    if fixes.points > len(fixes) + len(asides.marks) + asides.left_out + asides.points:
        notes.append("The last point is unfinished and was left out")
    notes += fixes.comma_notes() + fixes.place_notes()
    if asides.left_out:
        notes.append(f"{format_count(asides.left_out, 'point')} of {marks} without a readable position, left out")
    notes += fixes.clock.notes() + lap_notes(laps)
    if len(fixes) and asides.routes:
        notes.append(f"{ALSO_HOLDS} {format_count(len(asides.routes), plan)}: a plan, not a walk, and not counted")
    return notes + (mark_notes(len(asides.marks), 0) if len(fixes) else [])


def mark_notes(waypoints: int, lost: int) -> list[str]:
    """Say how many marks there are, and how many had no place."""
    notes = [f"{ALSO_HOLDS} {format_count(waypoints, 'waypoint')}"] if waypoints else []
    if lost:
        notes.append(f"{format_count(lost, 'waypoint')} without a readable position, left out")
    return notes
