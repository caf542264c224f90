"""What a reader meets in one file, one thing after another: fixes, plans and marks, with what was odd counted.

Nothing is cleaned here: a fix without a readable position or time is kept with NaN in its place, so that later steps
can count it.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable, Sequence

import numpy as np

from fieldcomb.tracks.files import limits
from fieldcomb.tracks.files.plain_points import PlainRun
from fieldcomb.tracks.files.timestamps import Clock
from fieldcomb.tracks.recording import Floats, Lap, Route, Track, Waypoint
from fieldcomb.tracks.units import format_count

# Begins every note on what a file holds that is not the walk, so that readers of other things can leave it out.
ALSO_HOLDS = "The file also holds"


class Gather:
    """Takes fixes in file order and gives a track; ``clock`` reads the file's times."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.clock = Clock()
        self.lon, self.lat, self.time = array("d"), array("d"), array("d")
        self.segment = array("i")
        self.points = 0
        self._runs = self._commas = self._no_position = 0
        self._new_run = True

    def new_run(self) -> None:
        """Begin a new unbroken run with the next fix; a run without fixes leaves no hole in the numbers."""
        self._new_run = True

    def count(self, points: int = 1) -> None:
        """Count points of any kind, and refuse a file that holds far too many."""
        self.points += points
        if self.points > limits.MAX_POINTS:
            raise limits.too_many(self.file, limits.MAX_POINTS, "points")

    def degrees(self, text: str) -> float:
        """Read degrees, also with a decimal comma; NaN for what is no number."""
        try:
            value = float(text)
        except ValueError:
            if text.count(",") != 1 or "." in text:
                return math.nan
            value = self.degrees(text.replace(",", "."))
            self._commas += not math.isnan(value)
        # Python reads "inf", "nan" and "5_2" as numbers; in a position they are none.
        return value if value - value == 0.0 and "_" not in text else math.nan

    def add(self, lon_deg: float, lat_deg: float, time_s: float) -> None:
        """Take one fix; NaN for what is not known."""
        if self._new_run:
            self._begin_run()
        self.lon.append(lon_deg)
        self.lat.append(lat_deg)
        self.time.append(time_s)
        self.segment.append(self._runs - 1)
        if lon_deg != lon_deg or lat_deg != lat_deg:
            self._no_position += 1

    def add_run(self, run: PlainRun) -> None:
        """Count and take many fixes, as if they came one by one."""
        count = len(run.time_s)
        self.count(count)
        if self._new_run:
            self._begin_run()
        self.lon.frombytes(run.lon_deg.tobytes())
        self.lat.frombytes(run.lat_deg.tobytes())
        self.time.frombytes(run.time_s.tobytes())
        self.segment.extend(array("i", [self._runs - 1]) * count)
        self.clock.seconds(run.last_time)

    def _begin_run(self) -> None:
        self._new_run = False
        self._runs += 1
        if self._runs > limits.MAX_LINES:
            raise limits.too_many(self.file, limits.MAX_LINES, "pieces of track")

    def __len__(self) -> int:
        return len(self.lon)

    def track(self) -> Track:
        """Return all fixes taken so far."""
        return Track(floats(self.lon), floats(self.lat), floats(self.time), np.array(self.segment, dtype=np.int32))

    def comma_notes(self) -> list[str]:
        """Say how many coordinates were written with a comma."""
        if not self._commas:
            return []
        return [f"{format_count(self._commas, 'coordinate')} with a decimal comma, read as a decimal point"]

    def place_notes(self) -> list[str]:
        """Say how many fixes have no position."""
        return (
            [f"{format_count(self._no_position, 'track point')} without a readable position"]
            if self._no_position
            else []
        )


class Asides:
    """Takes plans (routes, courses) and marks, which come besides the fixes; those without a place are counted.

    routes, marks : what was taken so far, in file order.
    points : points of plans taken.
    left_out : points of plans, and marks, without a readable position.
    in_plan : whether a plan is open.
    words : texts of the mark that is open, by key; the first of each counts.
    """

    def __init__(self, file: str) -> None:
        self.file = file
        self.routes: list[Route] = []
        self.marks: list[Waypoint] = []
        self.points = self.left_out = 0
        self.in_plan = False
        self.words: dict[str, str] = {}
        self._name = ""
        self._lon, self._lat = array("d"), array("d")

    def keep_as(self, key: str) -> Callable[[str], None]:
        """Return what keeps a text of the open mark under a key."""

        def keep(text: str) -> None:
            if text.strip():
                self.words.setdefault(key, text.strip())

        return keep

    def begin_plan(self, _: dict[str, str]) -> None:
        """Open a plan."""
        self._lon, self._lat = array("d"), array("d")
        self._name, self.in_plan = "", True

    def name_plan(self, text: str) -> None:
        """Take the name of the open plan; the first one counts."""
        self._name = self._name or text.strip()

    def add_planned(self, lon_deg: float, lat_deg: float) -> None:
        """Take one point of the open plan; NaN for what is not known."""
        if math.isnan(lon_deg + lat_deg):
            self.left_out += 1
            return
        self.points += 1
        self._lon.append(lon_deg)
        self._lat.append(lat_deg)

    def end_plan(self) -> None:
        """Keep the plan that is open, complete or not; nothing to do if none is."""
        if self.in_plan:
            if len(self.routes) == limits.MAX_LINES:
                raise limits.too_many(self.file, limits.MAX_LINES, "plans")
            self.routes.append(Route(self._name, floats(self._lon), floats(self._lat)))
        self.in_plan = False

    def add_mark(self, lon_deg: float, lat_deg: float, time_s: float, *notes: str) -> None:
        """Take one mark, with its ``name`` and the words under the keys ``notes``; NaN for what is not known."""
        words, self.words = self.words, {}
        if math.isnan(lon_deg + lat_deg):
            self.left_out += 1
            return
        note = "; ".join(dict.fromkeys(words[key] for key in notes if key in words))
        limits.check_marks(self.file, len(self.marks) + 1)
        time = None if math.isnan(time_s) else time_s
        self.marks.append(Waypoint(lon_deg, lat_deg, time, words.get("name", ""), note))


def floats(values: array[float]) -> Floats:
    """Return numbers taken one by one as an array."""
    return np.array(values, dtype=np.float64)


def lap_notes(laps: Sequence[Lap]) -> list[str]:
    """Say how many laps a recording has, if it has more than one, and how many of them were ended by hand."""
    by_hand = sum(lap.by_hand is True for lap in laps)
    return [f"{ALSO_HOLDS} {format_count(len(laps), 'lap')}, {by_hand} of them ended by hand"] if len(laps) > 1 else []
