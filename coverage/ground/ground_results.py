"""Result types of the ground."""

from shapely.geometry import MultiPolygon, Polygon

from fieldcomb.tracks.values import dataclass

MISSED, NOT_REACHED = "missed between passes", "not reached yet"
PACE_SHARES = (0.95, 0.8, 0.6, 0.4, 0.0)  # lower ends of the classes of ground by the share under the coil in a pass


@dataclass(frozen=True, slots=True)
class FilledResult:
    """Filled ground of a known depth, and the coils used so far that could hear down to the old surface."""

    area: str | None
    depth_m: float
    coils: tuple[str, ...]


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
    tier: str | None = None  # certain | likely; None: may only be receiver error, or was not estimated
    ground: str = MISSED  # or NOT_REACHED: beyond the edge of walked ground
    lanes: str = ""  # which lanes of which plan it is, where they were left out
