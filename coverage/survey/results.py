"""What a survey gives: frozen numbers, strips and layers. Everything that is shown or written is made from these.

Lengths in metres, areas in square metres of the site frame, times in seconds, shares in percent (0-100).
A value that needs a clock is None when the recordings have no times.
"""

from collections.abc import Mapping
from dataclasses import field
from datetime import date

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon

from fieldcomb.coverage.areas.area_shapes import AreaShape, NoGoEntered
from fieldcomb.coverage.estimate.chance import Chance
from fieldcomb.coverage.estimate.next_evidence import NextEvidence
from fieldcomb.coverage.estimate.swept_share import Estimate
from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.ground.ground_results import FilledResult, Strip
from fieldcomb.coverage.ground.pass_tally import OutingGround
from fieldcomb.coverage.ground.under_coil import Under
from fieldcomb.coverage.ground.unswept import Unswept
from fieldcomb.coverage.lanes.declared import LanesResult
from fieldcomb.coverage.outings.recording import RecordingResult
from fieldcomb.coverage.outings.times import OutingTimes
from fieldcomb.coverage.outings.walks import OutingHead
from fieldcomb.coverage.places.places import SearchPlace
from fieldcomb.coverage.raster.cells import Cells
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.season.season_results import Season
from fieldcomb.coverage.season.since_events import EventResult, SinceResult
from fieldcomb.coverage.todo.planted import PlantedResult, PlantedTarget
from fieldcomb.coverage.todo.results import CoilPair, JunkProgress, JunkResult, SearchedClass, TodoCoil
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.hints import Hint, HintKind
from fieldcomb.tracks.marks.vocabulary import Mark
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass


@dataclass(frozen=True, slots=True)
class OutingResult:
    """One outing, each part from the stage that measured it. See docs/measures.md for every definition.

    marks : in order of time, those without one last. no_go : of the areas that hold on its day.
    so_far : what all outings up to this one swept; None where it was not asked, as after most of very many outings.
    junk_done : of its coils, what they had done of their junk ground after it.
    """

    head: OutingHead
    times: OutingTimes
    ground: OutingGround
    estimate: Estimate
    under: Under
    recordings: tuple[RecordingResult, ...]
    marks: tuple[Mark, ...]
    no_go: NoGoEntered
    so_far: Estimate | None = None
    junk_done: tuple[JunkProgress, ...] = ()

    @property
    def minutes_per_100_m2(self) -> float | None:
        """Minutes of searching for 100 m2 swept."""
        searching_s, swept_m2 = self.times.searching_s, self.ground.swept_m2
        return None if searching_s is None or not swept_m2 else searching_s / 60 / (swept_m2 / 100)


@dataclass(frozen=True, slots=True)
class CoilResult:
    """All outings with one coil together.

    pace_95_low_m_s, pace_95_high_m_s : slower than this, 95 % of the swath lies under the coil; the range over its
    recordings and sweep times; None: at any pace.
    """

    coil: str
    outings: int
    swept_m2: float
    swept_pct: float
    estimate: Estimate
    under: Under
    pace_95_low_m_s: float | None = None
    pace_95_high_m_s: float | None = None


@dataclass(frozen=True, slots=True)
class PersonResult:
    """What one person searched, in all outings; initials, None for all that nobody put a name to.

    outings : with a recording. not_recorded : outings without one. hours : of searching, None without a clock.
    swept_m2 : on the site, each outing counted by itself.
    """

    searcher: str | None
    outings: int
    not_recorded: int
    hours: float | None
    swept_m2: float


@dataclass(frozen=True, slots=True)
class TotalResult:
    """All outings together.

    passes_m2 : by the keys 0, 1, 2, 3+; sums to the site's area. estimate : ``strips_placed`` holds for all outings.
    said_walked_m2 : people say that they walked it; neither swept by a recording nor not recorded.
    next_evidence : what to measure next, where that would shrink the interval.
    unswept : by kind, what no outing counted here swept; None until strips are found.
    found_from_m : how wide a missed strip must be to be mostly found; None: none is, or it is not known.
    """

    swept_m2: float
    swept_pct: float
    twice_pct: float
    crosswise_m2: float
    not_recorded_m2: float
    passes_m2: dict[str, float]
    estimate: Estimate
    under: Under
    said_walked_m2: float = 0.0
    found_from_m: float | None = None
    unswept: Unswept | None = None
    next_evidence: NextEvidence | None = None


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
class LeftOut:
    """An outing that is in no number because something is wrong with it.

    fault : what is wrong, and with which file. marks_read : the ground that it marked is known all the same.
    """

    outing: str
    fault: str
    hint: str | Hint | None
    marks_read: bool

    @property
    def sentence(self) -> Hint:
        """Which outing it is, what is wrong with which file, and what to do."""
        rest = "" if self.marks_read else " What was marked on it is not known either"
        hint = self.hint or "Correct the outing, or leave it out"
        on_page = hint.on_page if isinstance(hint, Hint) else hint
        return HintKind.LEFT_OUT(outing=self.outing, fault=self.fault, hint=hint, on_page=on_page, rest=rest)


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two outings compared: square metres swept in both, in one only, and in neither."""

    first: str
    second: str
    both_m2: float
    first_only_m2: float
    second_only_m2: float
    neither_m2: float


@dataclass(frozen=True, slots=True)
class Report:
    """Every number of a survey. ``notes`` are sentences about the whole site, shown on top.

    left_out : outings that are in none of the numbers because something is wrong with them; named before all else.
    places : where to go next, best first, from strips and ground to do; none where two outings are compared.
    coil_in_hand : the one that places are for; None: for whichever brings most there. places_for_others : where only
    other coils have anything to do. junk_done : by coil, after all outings. coil_pairs : most junk first. lanes : plans
    of which it was said what was walked.
    """

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
    left_out: tuple[LeftOut, ...] = ()
    places: tuple[SearchPlace, ...] = ()
    coil_in_hand: str | None = None
    places_for_others: int = 0
    junk_done: tuple[JunkProgress, ...] = ()
    coil_pairs: tuple[CoilPair, ...] = ()
    people: tuple[PersonResult, ...] = ()
    lanes: tuple[LanesResult, ...] = ()
    planted: tuple[PlantedResult, ...] = ()
    plans_ahead: tuple[LanesResult, ...] = ()
    finds: tuple[Find, ...] = ()
    season: Season | None = None
    events: tuple[EventResult, ...] = ()
    since: SinceResult | None = None
    reopened: Mapping[str, date] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class StopMark:
    """A place where the walker stood still."""

    x_m: float
    y_m: float
    seconds: float
    kind: str  # dig | pause | break


@dataclass(frozen=True, slots=True, eq=False)
class WalkLines:
    """One walk as drawn: with which coil and swath it was walked, by whom where that was stated, and its lines.

    lines : (n, 2) site metres of each piece of searching. transits : the same of walking without searching.
    """

    coil: str
    swath_m: float
    searcher: str | None
    lines: tuple[Floats, ...]
    transits: tuple[Floats, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class DrawnWalk:
    """Lines of one walk one after another, first those of searching, simplified less and less.

    points : (n, 2) site metres. sizes : (lines,) how many of them each line has. ranks : (n,) the last of the
    tolerances at which a point is there, each twice the one before. searching : how many of the lines are of searching.
    """

    points: Floats
    sizes: NDArray[np.int64]
    ranks: NDArray[np.uint8]
    searching: int


@dataclass(frozen=True, slots=True, eq=False)
class OutingLayer:
    """One outing as drawn: its passes in a window of its own (None for all but the twelve latest), outline, walks.

    drawn : the walks again, as far as anybody can see them.
    """

    id: str
    grid: Grid | None
    passes: Cells | None  # 0 not swept, 1..254 passes, 255 not part of the site
    outline: MultiPolygon | None
    walks: tuple[WalkLines, ...]
    stops: tuple[StopMark, ...]
    drawn: tuple[DrawnWalk, ...] = ()


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
    other_outings: MultiPolygon = MultiPolygon()
    chance: Chance | None = None
    heard: MultiPolygon | None = None  # ground where something was heard and left
    pace: Cells | None = None  # 0 not swept, PACE_SHARES from slow to fast, no times; 255 not part of the site
    searched: Cells | None = None  # what was dug by class of target, packed as in ``searched``; None: not stated
    planted: tuple[PlantedTarget, ...] = ()
    stale: MultiPolygon | None = None  # not swept since the ground changed, by the events between outings


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """A whole survey."""

    report: Report
    layers: Layers
