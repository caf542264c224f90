"""What finds say, as frozen numbers: by number and depth, by ground and hour, by place, and how many are left."""

from fieldcomb.coverage.season.hot_spots import HotSpots
from fieldcomb.coverage.todo.counted_limits import wilson_limits
from fieldcomb.tracks.values import dataclass

NO_SIGN = "no sign yet that it is getting less"
OTHER_GROUND = "the outings were on different ground"


@dataclass(frozen=True, slots=True)
class Share:
    """How many finds were kept, were junk, or were heard and left; limits of the share kept among those dug."""

    kept: int
    junk: int
    left: int = 0

    @property
    def dug(self) -> int:
        """Finds that came out of the ground."""
        return self.kept + self.junk

    @property
    def kept_pct(self) -> float | None:
        """Share kept of those dug; None where nothing was."""
        return 100 * self.kept / self.dug if self.dug else None

    @property
    def limits_pct(self) -> tuple[float, float]:
        """Limits of that share, which hold the truth nine times in ten."""
        low, high = wilson_limits(self.kept, self.dug)
        return 100 * low, 100 * high


@dataclass(frozen=True, slots=True)
class NumberBand:
    """What came of target numbers from ``first`` to ``last``, both with it, with one coil; "" where none is named."""

    coil: str
    first: int
    last: int
    share: Share


@dataclass(frozen=True, slots=True)
class DepthBand:
    """What came from a depth, metres; the upper edge belongs to the band, the lower one only where it is 0."""

    top_m: float
    bottom_m: float
    share: Share


@dataclass(frozen=True, slots=True)
class Density:
    """Finds kept for each 100 m2 of ground really passed, and for each hour of searching; limits nine times in ten.

    of : all, or what class or period. by : "all", "class" or "period". per_hour : None without a clock.
    """

    of: str
    by: str
    kept: int
    per_100_m2: tuple[float, float, float] | None  # value, low, high
    per_hour: tuple[float, float, float] | None


@dataclass(frozen=True, slots=True)
class CoilEffort:
    """What one outing did with one coil. day : ISO 8601, "" when not known. hours : of searching, None without a clock.

    ground_m2 : really passed, by the chance of each place; as recorded where the receiver places strips. again_m2 : of
    that, passed before by any outing.
    """

    outing: str
    day: str
    coil: str
    ground_m2: float
    hours: float | None
    again_m2: float = 0.0


@dataclass(frozen=True, slots=True)
class LeftInGround:
    """How many are left of what outings took finds from.

    of_class : class of target, "" for all. coil : "" for all coils together. method : leslie, ricker, delury,
    carle-strub or two-pass. outings : counted, since the last event. kept : in them. estimate, at_least, low, high :
    left after the last of them; None with a ``why``. at, rate : points of the picture, finds before and finds per 100
    m2. stock, catchability : of the line in it. band : (finds before, low, high) of the line, nine times in ten.
    not_in_it : classes that only other coils found.
    """

    of_class: str
    coil: str
    method: str
    outings: int
    kept: int
    estimate: float | None = None
    at_least: int | None = None
    low: float | None = None
    high: float | None = None
    why: str = ""
    at: tuple[float, ...] = ()
    rate: tuple[float, ...] = ()
    stock: float | None = None
    catchability: float | None = None
    not_in_it: tuple[str, ...] = ()
    band: tuple[tuple[float, float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class WorthDigging:
    """What came of signals that were dug with one coil, of one class of target, "" for all of them."""

    coil: str
    of_class: str
    share: Share


@dataclass(frozen=True, slots=True)
class Companions:
    """Finds that belong together: those of one hole, what people say belongs together, or keeps close in one outing.

    how : hole, belongs, or close. finds : by find_no. x_m, y_m : their middle in site metres. radius_m : within which
    the rest may lie; None where no place is known. outing : of a close group.
    """

    how: str
    finds: tuple[int, ...]
    x_m: float | None = None
    y_m: float | None = None
    radius_m: float | None = None
    outing: str = ""


@dataclass(frozen=True, slots=True)
class Season:
    """All that the finds of a site say. spots : members are find_no.

    without : finds that could not be used, by what they lack.
    """

    by_number: tuple[NumberBand, ...] = ()
    by_depth: tuple[DepthBand, ...] = ()
    densities: tuple[Density, ...] = ()
    spots: HotSpots = HotSpots()
    left: tuple[LeftInGround, ...] = ()
    companions: tuple[Companions, ...] = ()
    without: tuple[tuple[str, int], ...] = ()
    ground_m2: float = 0.0
    hours: float | None = None
    worth: tuple[WorthDigging, ...] = ()
