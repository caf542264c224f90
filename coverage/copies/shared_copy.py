"""What a copy says: plain values, already as coarse as the one who gets it may see them."""

from fieldcomb.coverage.copies.audience import Audience
from fieldcomb.coverage.copies.own_frame import Ring
from fieldcomb.coverage.copies.squares import CoarseSquares
from fieldcomb.tracks.values import dataclass


@dataclass(frozen=True, slots=True)
class CopyShares:
    """Whole percents of the ground.

    estimate, low, high : walked over, with its 90 % interval; None where there is no estimate. recorded : as recorded.
    passes : by none, one, two, and three passes or more; they add up to 100.
    """

    estimate: int | None
    low: int | None
    high: int | None
    recorded: int
    passes: tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class CopyOuting:
    """One outing: its day, initials of those who searched, what share of the ground in whole percent, and its squares.

    dug_stops : stops that were as long as a dig, None without a clock. seen, filled : as typed.
    """

    day: str
    people: str
    share_pct: int
    dug_stops: int | None
    squares: CoarseSquares | None
    seen: str = ""
    filled: str = ""


@dataclass(frozen=True, slots=True)
class CopyArea:
    """One named part of the ground: how much there is to do, in whole percent and tens of square metres."""

    name: str
    searched_pct: int
    left_m2: int
    places: int
    places_m2: int


@dataclass(frozen=True, slots=True)
class CopyFind:
    """One find: what it is and its period; for the owner also the day, where it is kept, and in which square it lay."""

    what: str
    period: str
    day: str = ""
    square: str = ""
    kept_at: str = ""


@dataclass(frozen=True, slots=True)
class CopyFinds:
    """What was found. ``kept`` is a list or empty; ``by_period`` counts what is kept.

    holes, junk, left : holes dug, pieces of junk, signals heard and left; None where they are not told.
    """

    kept: tuple[CopyFind, ...]
    by_period: tuple[tuple[str, int], ...]
    holes: int | None = None
    junk: int | None = None
    left: int | None = None


@dataclass(frozen=True, slots=True)
class SharedCopy:
    """One copy. Lists that are not for its reader are empty, and texts blank.

    title : what stands on top. years : of the outings. place : the square on the globe that the ground lies in.
    ground : all outings in squares. outline : edges of the ground in whole metres from its corner, of which ``high_m``
    is the height. closed : days on which ground was closed. next_squares : where the owner is asked for more.
    """

    audience: Audience
    title: str
    years: str
    days: str
    place: str
    shares: CopyShares
    ground: CoarseSquares | None
    outline: tuple[Ring, ...]
    outings: tuple[CopyOuting, ...]
    more_outings: int
    areas: tuple[CopyArea, ...]
    finds: CopyFinds | None
    closed: tuple[str, ...]
    next_squares: tuple[str, ...]
    left_out: tuple[str, ...]
