"""The walk as it stands in a file: fixes, waypoints, and what the reader had to say about them."""

import math
from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from fieldcomb.tracks.values import dataclass

Floats = NDArray[np.float64]
Int32s = NDArray[np.int32]
Flags = NDArray[np.bool_]
Span = tuple[float, float]  # begin and end in seconds, half open
EVER: Span = (-math.inf, math.inf)  # an open end is infinite


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """Every fix of one file, in file order, nothing removed.

    lon_deg, lat_deg : float64 (n,), degrees on WGS 84; NaN where the file has no readable value. Not range-checked.
    time_s : float64 (n,), Unix seconds UTC; NaN where the file has no readable time.
    segment : int32 (n,), number of the unbroken run of points in the file (GPX: trkseg), rising from 0.
    """

    lon_deg: Floats
    lat_deg: Floats
    time_s: Floats
    segment: Int32s

    def __post_init__(self) -> None:
        n = self.lon_deg.shape
        if len(n) != 1 or not (self.lat_deg.shape == self.time_s.shape == self.segment.shape == n):
            raise ValueError(f"a Track needs four arrays of one length, got {n}, {self.lat_deg.shape}, ...")

    def __len__(self) -> int:
        return int(self.lon_deg.size)


@dataclass(frozen=True, slots=True)
class Waypoint:
    """A marked place: a peg touched, a find, a count."""

    lon_deg: float
    lat_deg: float
    time_s: float | None
    name: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Lap:
    """One lap of a recording, as the recorder kept it; a press of its button ends one lap and begins the next.

    start_s, end_s : Unix seconds UTC; NaN where the file has no readable time.
    by_hand : True when the button was pressed to end it; False when the recorder did so itself (distance, time, the end
    of the recording); None when the file does not say.
    name : words kept with the lap, where the format has room for them.
    """

    start_s: float
    end_s: float
    by_hand: bool | None
    name: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Route:
    """A planned line: it was drawn, not walked, so it never counts as searched; closed, it can be a boundary."""

    name: str
    lon_deg: Floats
    lat_deg: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """One file as read.

    ``names`` are the names of its tracks. ``notes`` are plain sentences on what the reader met and how it took it
    (times without a zone read as UTC, a truncated end, decimal commas); they are shown to the user, never dropped.
    """

    file: str
    track: Track
    waypoints: tuple[Waypoint, ...] = ()
    routes: tuple[Route, ...] = ()
    names: tuple[str, ...] = ()
    laps: tuple[Lap, ...] = ()
    notes: tuple[str, ...] = field(default=())


def runs_of(flags: Flags) -> NDArray[np.int64]:
    """Return the first index of each unbroken run of True, and the index after its last, (runs, 2).

    >>> runs_of(np.array([True, True, False, True])).tolist()
    [[0, 2], [3, 4]]
    """
    return np.asarray(np.flatnonzero(np.diff(flags, prepend=False, append=False)).reshape(-1, 2), np.int64)
