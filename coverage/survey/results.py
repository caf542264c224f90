"""What a survey gives: frozen numbers, strips and layers. Everything that is shown or written is made from these.

Lengths in metres, areas in square metres of the site frame, times in seconds, shares in percent (0-100).
A value that needs a clock is None when the recordings have no times.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.marks.vocabulary import Mark
from fieldcomb.tracks.motion.peg_drift import PegResidual
from fieldcomb.tracks.recording import Floats

Cells = NDArray[np.uint8]
Line = Floats  # (n, 2) metres in the site frame

OUTSIDE = 255  # value of a cell that is not part of the site
MOST_PASSES = 254  # this many, or more
PACE_SHARES = (0.95, 0.8, 0.6, 0.4, 0.0)  # lower ends of the classes of ground by the share under the coil in a pass


@dataclass(frozen=True, slots=True)
class RecordingResult:
    """One recording: what was typed for it, what was left out of it and why, and how good it is."""

    file: str
    searcher: str | None
    coil: str
    swath_m: float
    swath_measured: bool
    sweep_s: float
    sweep_measured: bool
    gps: str
    fixes: int
    dropped: dict[str, int]
    interval_s: float | None
    verdict: str  # good | usable | poor
    advice: tuple[str, ...]
    notes: tuple[str, ...]
    carried: str = "body"  # where the recorder was; on the shaft it went with the coil
    twin_of: str | None = None  # the recording of the same person that counts in place of this one
    pegs: tuple[PegResidual, ...] = ()  # touches by which drift was taken off the walk
    reach_m: float = 0.0  # how deep below the coil the target that matters is just heard
    lift_m: float = 0.05  # how high the coil was carried above the soil
    lift_measured: bool = False
    ground: str = ""  # a note on the ground

    @property
    def pegs_off_m(self) -> tuple[float, float]:
        """How far off the touches of pegs were, rms, before and after; after is told from the other touches alone."""
        off = [(peg.east_m**2 + peg.north_m**2, peg.left_east_m**2 + peg.left_north_m**2) for peg in self.pegs]
        before, after = (math.sqrt(sum(one) / len(one)) for one in zip(*off, strict=True)) if off else (0.0, 0.0)
        return before, after


@dataclass(frozen=True, slots=True)
class NoGoEntry:
    """One no-go area that an outing's swath reached into; ``depth_m`` is how far in from the area's edge.

    position_error_could_explain : whether each recording that entered came no deeper than its receiver's 95 % radius.
    """

    area: str | None
    area_m2: float
    depth_m: float
    position_error_could_explain: bool


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
class FilledResult:
    """Filled ground of a known depth, and the coils used so far that could hear down to the old surface."""

    area: str | None
    depth_m: float
    coils: tuple[str, ...]


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


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """One piece of missed ground; ``shape`` is its outline in site metres."""

    id: int
    kind: str  # strip | open
    area_m2: float
    length_m: float
    width_m: float
    widest_m: float
    bearing_deg: float | None
    centre: tuple[float, float]  # lon, lat in degrees
    shape: Polygon | MultiPolygon
    confidence: float | None = None  # chance that at least half of it is unswept at that place; None: not estimated
    tier: str | None = None  # certain | likely; None: cannot be told, or was not estimated


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
class SearchedClass:
    """One class of target: shares of the site swept by outings that dug all of it, part, none, or did not say."""

    name: str  # iron | low | middle | high
    whole_pct: float
    part_pct: float
    none_pct: float
    not_stated_pct: float


@dataclass(frozen=True, slots=True)
class JunkResult:
    """What is known of the junk in the ground; shares of the site in percent.

    error_pct : how well the density is known from all that was counted and dug (95 %), None without any.
    """

    squares: int
    signals: int  # in all squares
    dug: int  # pieces of junk that were dug
    counted_pct: float  # of the site, near a count square
    dug_pct: float  # where only digs tell, a lower bound
    drawn_pct: float  # where only a drawn area tells
    assumed_pct: float  # where only a setting tells
    not_measured_pct: float
    then_per_m2: float | None  # mean over measured ground, before anything was dug
    now_per_m2: float | None
    error_pct: float | None
    heard_not_dug: int = 0  # marks left
    heard_m2: float = 0.0  # ground round them


@dataclass(frozen=True, slots=True, eq=False)
class TodoPiece:
    """Ground where one more pass with a coil would find much; gains are shares of good targets, to rank ground by.

    gain_per_100_m2, gain_per_hour : targets to be expected if one lay in every 100 m2. reason : why much is left.
    junk_per_m2, junk_error : junk there now and two sigma of it, None where it was not measured. unswept_pct : of the
    ground, by the chances where strips cannot be placed.
    """

    id: str
    coil: str
    rank: int
    reason: str
    area_m2: float
    minutes: float | None
    gain_per_100_m2: float
    gain_per_hour: float | None
    junk_per_m2: float | None
    junk_error_per_m2: float | None
    heard_not_dug: int
    centre: tuple[float, float]  # lon, lat in degrees
    shape: Polygon | MultiPolygon
    unswept_pct: float = 100.0


@dataclass(frozen=True, slots=True, eq=False)
class TodoCoil:
    """What is still to do with one coil, the best ground first."""

    coil: str
    m2_per_minute: float | None
    own_pace: bool  # from outings with this very coil
    area_m2: float
    minutes: float | None
    mostly: str  # the reason of most of the ground; empty when there is none
    pieces: tuple[TodoPiece, ...]


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
class AreaShape:
    """One of the user's areas in site metres; kind is site, no-go, blocked, filled, junk or walked.

    since, until : the first and last day that it holds, in the site's zone, or None. depth_cm : of filled ground.
    per_m2 : of junk, how many pieces lie on a square metre, as somebody says.
    marked_in : id of the outing in which a mark made it; empty for an area that the user drew.
    A no-go or blocked area that is over by the latest outing has the kind ``ended`` where it is drawn.
    """

    kind: str
    reason: str
    shape: Polygon | MultiPolygon
    since: date | None = None
    until: date | None = None
    depth_cm: float | None = None
    marked_in: str = ""
    per_m2: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Chance:
    """How likely each cell of 0.5 m was passed over: float32 (rows, cols), 0 to 1, NaN off the site.

    placed : whether single strips can be trusted, so that these are no estimates but parts of cells swept.
    """

    grid: Grid
    cells: NDArray[np.float32]
    placed: bool


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
