"""Results of what is still to do: searched classes, junk, pieces of ground and coils."""

from shapely.geometry import MultiPolygon, Polygon

from fieldcomb.coverage.raster.cells import Cells
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.tracks.values import dataclass


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
    dug_pct: float  # where digs are the only evidence, a lower bound
    drawn_pct: float  # where a drawn area is the only evidence
    assumed_pct: float  # where a setting is the only evidence
    not_measured_pct: float
    then_per_m2: float | None  # mean over measured ground, before anything was dug
    now_per_m2: float | None
    error_pct: float | None
    heard_not_dug: int = 0  # marks left
    heard_m2: float = 0.0  # ground round them


@dataclass(frozen=True, slots=True)
class JunkProgress:
    """How much of its junk ground a coil has done: ground on which junk hid much from the largest coil, not from it.

    done_pct : share that is likely swept with it. gained_points : of that, by the latest outing with it.
    """

    coil: str
    ground_m2: float
    done_pct: float
    gained_points: float


@dataclass(frozen=True, slots=True, eq=False)
class CoilPair:
    """Ground that was likely swept with the larger coil, and not yet with the smaller one.

    area_m2 : all of it. junk_m2 : of that, where junk hid much from the larger coil and not from the smaller.
    rest, junk : outlines in site metres, apart. cells : uint8 on ``grid``; 0 neither, 1 rest, 2 junk, 255 not the site.
    """

    larger: str
    smaller: str
    area_m2: float
    junk_m2: float
    rest: MultiPolygon
    junk: MultiPolygon
    grid: Grid
    cells: Cells


@dataclass(frozen=True, slots=True, eq=False)
class TodoPiece:
    """Ground where one more pass with a coil would find much; gains are shares of good targets, to rank ground by.

    gain_per_100_m2, gain_per_hour : targets to be expected if one lay in every 100 m2. reason : why much is left.
    cause : the same in three words. junk_per_m2, junk_error : junk there now and two sigma of it, None where it was not
    measured. unswept_pct : of the ground, by the chances where strips cannot be placed.
    """

    id: str
    coil: str
    rank: int
    reason: str
    cause: str
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
