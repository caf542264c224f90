"""What a survey gives: frozen numbers, strips and layers. Everything that is shown or written is made from these.

Lengths in metres, areas in square metres of the site frame, times in seconds, shares in percent (0-100).
A value that needs a clock is None when the recordings have no times.
"""

from __future__ import annotations

from dataclasses import dataclass

from shapely.geometry import MultiPolygon

from fieldcomb.coverage.areas.shapes import AreaShape, NoGoEntry
from fieldcomb.coverage.estimate.chance_layer import Chance
from fieldcomb.coverage.ground.shapes import FilledResult, Strip
from fieldcomb.coverage.outings.recording import RecordingResult
from fieldcomb.coverage.raster.cells import Cells
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.todo.results import JunkResult, SearchedClass, TodoCoil
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.marks.vocabulary import Mark
from fieldcomb.tracks.recording import Floats

Line = Floats  # (n, 2) metres in the site frame


@dataclass(frozen=True, slots=True)
class OutingResult:
    """One outing: time, walking, and ground. See docs/measures.md for every definition."""

    id: str
    label: str | None
    note: str | None
    start_s: float | None
    coils: tuple[str, ...]
    recordings: tuple[RecordingResult, ...]
    walked_m: float
    elapsed_s: float | None
    searching_s: float | None
    stopped_s: float | None
    transit_s: float | None
    dropout_s: float | None
    stops: int | None
    digs: int | None
    speed_m_s: float | None
    swept_m2: float
    swept_pct: float
    new_m2: float
    again_same_coil_m2: float  # swept before with a coil of this outing
    again_other_coil_m2: float  # swept before, but only with other coils
    crosswise_m2: float  # swept now, and crosswise to itself or to an earlier outing
    twice_pct: float
    outside_m2: float
    no_go_entered_m2: float
    not_recorded_m2: float
    minutes_per_100_m2: float | None
    total_pct: float  # swept share of the site after this outing, all outings so far together
    total_hours: float | None  # hours of searching, all outings so far together
    recorded: int = 1  # people of whom there is a recording
    unrecorded: tuple[str, ...] = ()  # initials of people who searched without one
    marks: tuple[Mark, ...] = ()  # in order of time, those without one last
    no_go_entered: tuple[NoGoEntry, ...] = ()  # by area, for those that hold on its day
    swept_est_pct: float | None = None  # share truly swept as far as it can be told, and its 90 % interval
    swept_low: float | None = None
    swept_high: float | None = None
    strips_placed: bool | None = None  # whether single strips are where they are drawn
    est_reason: str | None = None  # why there is no estimate
    under_coil_pct: float | None = None  # share of the site that the coil itself passed over; None without a clock
    under_coil_low_pct: float | None = None  # for sweeps of 2 s and of 1 s, where the sweep time was not measured
    under_coil_high_pct: float | None = None

    @property
    def searchers(self) -> int:
        """How many people searched, recorded or not."""
        return self.recorded + len(self.unrecorded)


@dataclass(frozen=True, slots=True)
class CoilResult:
    """All outings with one coil together."""

    coil: str
    outings: int
    swept_m2: float
    swept_pct: float
    swept_est_pct: float | None = None  # share truly swept as far as it can be told, and its 90 % interval
    swept_low: float | None = None
    swept_high: float | None = None
    under_coil_pct: float | None = None  # as for an outing
    under_coil_low_pct: float | None = None
    under_coil_high_pct: float | None = None
    under_coil_left_out: int = 0  # outings without times, which are not in it
    pace_95_low_m_s: float | None = None  # slower than this, 95 % of the swath lies under the coil; the range over its
    pace_95_high_m_s: float | None = None  # recordings and sweep times; None: at any pace


@dataclass(frozen=True, slots=True)
class TotalResult:
    """All outings together. ``passes_m2`` has the keys 0, 1, 2, 3+ and sums to the site's area."""

    swept_m2: float
    swept_pct: float
    twice_pct: float
    crosswise_m2: float
    not_recorded_m2: float
    passes_m2: dict[str, float]
    said_walked_m2: float = 0.0  # people say that they walked it; neither swept by a recording nor not recorded
    swept_est_pct: float | None = None  # share truly swept as far as it can be told, and its 90 % interval
    swept_low: float | None = None
    swept_high: float | None = None
    est_reason: str | None = None
    strips_placed: bool | None = None  # whether single strips are where they are drawn, in all outings
    found_from_m: float | None = None  # how wide a missed strip must be to be mostly found; None: none is, or not told
    under_coil_pct: float | None = None  # as for an outing
    under_coil_low_pct: float | None = None
    under_coil_high_pct: float | None = None
    under_coil_left_out: int = 0


@dataclass(frozen=True, slots=True)
class SiteResult:
    """The site: its area is net of no-go and blocked ground."""

    name: str
    area_m2: float
    boundary: str  # given | from walks
    no_go_m2: float
    blocked_m2: float
    cell_m: float
    frame: SiteFrame
    zone: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two outings beside each other: square metres swept in both, in one only, and in neither."""

    first: str
    second: str
    both_m2: float
    first_only_m2: float
    second_only_m2: float
    neither_m2: float


@dataclass(frozen=True, slots=True)
class Report:
    """Every number of a survey. ``notes`` are sentences about the whole site, shown on top."""

    site: SiteResult
    outings: tuple[OutingResult, ...]
    coils: tuple[CoilResult, ...]
    total: TotalResult
    strips: tuple[Strip, ...]
    between: Comparison | None
    notes: tuple[str, ...]
    searched_for: tuple[SearchedClass, ...] = ()
    junk: JunkResult | None = None
    todo: tuple[TodoCoil, ...] = ()
    depth_m: float | None = None  # below the soil, of the shares under the coil; None: at the coil itself
    filled: tuple[FilledResult, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class StopMark:
    """A place where the walker stood still."""

    x_m: float
    y_m: float
    seconds: float
    kind: str  # dig | pause | break


@dataclass(frozen=True, slots=True, eq=False)
class OutingLayer:
    """One outing as drawn: its passes in a window of its own (None for all but the twelve latest), outline and walk."""

    id: str
    grid: Grid | None
    passes: Cells | None  # 0 not swept, 1..254 passes, 255 not part of the site
    outline: MultiPolygon | None
    lines: tuple[Line, ...]  # searching
    transits: tuple[Line, ...]
    stops: tuple[StopMark, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Layers:
    """Everything that is drawn. Rasters have row 0 in the north; values as in OutingLayer.passes.

    difference: only with ``--between``: 0 neither, 1 first only, 2 second only, 3 both, 255 not part of the site.
    """

    grid: Grid
    passes: Cells
    by_coil: dict[str, Cells]
    outings: tuple[OutingLayer, ...]
    not_recorded: MultiPolygon
    areas: tuple[AreaShape, ...]
    difference: Cells | None
    chance: Chance | None = None
    heard: MultiPolygon | None = None  # ground where something was heard and left
    pace: Cells | None = None  # 0 not swept, PACE_SHARES from slow to fast, no times; 255 not part of the site
    searched: Cells | None = None  # what was dug by class of target, packed as in ``searched``; None: nobody said


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """A whole survey."""

    report: Report
    layers: Layers
