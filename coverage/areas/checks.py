"""What is asked of an outline: that it lies on the globe, closes, encloses ground, and does not cross itself.

What is plainly a slip of rounding is repaired and noted; what could mean two things is refused with its place.
"""

from typing import Any

import numpy as np
import shapely
from shapely.geometry import Polygon

from fieldcomb.coverage.areas.reading import EXPORT_IN_DEGREES
from fieldcomb.coverage.raster.polygons import Knot, RingPoints, Shape, to_degrees, to_metres, unite, untie, unwrap_ring
from fieldcomb.tracks.errors import AreaError
from fieldcomb.tracks.frame import MOST_LAT_DEG, WGS84, SiteFrame, distance_m
from fieldcomb.tracks.hints import Hint, HintKind
from fieldcomb.tracks.units import format_area, format_length
from fieldcomb.tracks.values import dataclass

MOST_SITE_M2 = 100e6  # 100 km2
MOST_SITE_SPAN_M = 50e3
MOST_SPAN_M = 500e3  # of any other area: a nature reserve may be larger than the site in it
LEAST_SITE_M2 = 1.0
LEAST_AREA_M2 = 0.01  # of any other area: a tree is small
SLIVER_M2 = 0.001  # 10 cm2 of doubt in an outline are a slip of rounding
ENDS_M = 10.0
ENDS_SHARE = 0.05  # of the length of a line: ends nearer than this, or than ENDS_M, are meant to meet

_DRAW_AGAIN = HintKind.CROSSES_ITSELF()
_SMALLER = "A site is the ground of one search: draw a tighter boundary, or make several sites"


@dataclass(frozen=True, slots=True)
class AreaCheck:
    """Says what is wrong with one drawn thing, and gathers what was repaired."""

    file: str
    where: str
    kind: str
    notes: list[str]

    def fault(self, problem: str, hint: str | Hint) -> AreaError:
        """Make the error, with file and place."""
        return AreaError(problem, file=self.file, where=self.where or None, hint=hint)

    def note(self, text: str) -> None:
        """Keep a note, with its place."""
        self.notes.append(f"{self.where}: {text}" if self.where else text[0].upper() + text[1:])


def closed(ring: RingPoints, walked: bool, check: AreaCheck) -> RingPoints:
    """Check the places of one ring, and close it where that is what was meant."""
    _check_range(ring, check)
    if len(ring) and np.ptp(ring[:, 0]) >= 360:
        raise check.fault("goes all the way round the globe", _SMALLER)
    ring = unwrap_ring(ring)
    many = len(set(map(tuple, ring.tolist())))
    if many < 3:
        raise check.fault(f"has only {many} different points: that is a line, not an area", "Draw it as a polygon")
    if not np.array_equal(ring[0], ring[-1]):
        if abs(ring[-1, 0] - ring[0, 0]) > 180:
            raise check.fault("goes round a pole, which is not supported", "Choose ground away from the poles")
        if walked:
            check_ends(ring, check)
        else:
            check.note("its ring did not end at its first point, and was closed")
        ring = np.vstack([ring, ring[:1]])
    return ring


def check_ends(ring: RingPoints, check: AreaCheck) -> None:
    """Refuse a line in degrees whose ends are too far apart to be meant to meet; note how far they were."""
    ends_m = distance_m(*ring[0], *ring[-1])
    length_m = float(WGS84.line_length(ring[:, 0], ring[:, 1]))
    if ends_m > max(ENDS_M, ENDS_SHARE * length_m):
        problem = (
            f"is a line of {len(ring)} points, {format_length(length_m)} long, "
            f"with {format_length(ends_m)} between its ends"
        )
        hint = "A boundary must come back to where it began: walk or draw it all the way round"
        raise check.fault(problem, hint)
    check.note(f"its ends lay {format_length(ends_m)} apart, and were joined by a straight line")


def _check_range(ring: RingPoints, check: AreaCheck) -> None:
    lon, lat = np.abs(ring).max(axis=0) if len(ring) else (0.0, 0.0)
    if lon <= 360 and lat <= 90:
        return
    at = ring[int(np.argmax((np.abs(ring[:, 0]) > 360) | (np.abs(ring[:, 1]) > 90)))]
    found = f"{at[0]:.10g}, {at[1]:.10g}"
    if lon > 1000 or lat > 1000:
        problem = f"has positions such as {found}, which look like metres on a map grid; degrees are needed"
        raise check.fault(problem, EXPORT_IN_DEGREES)
    if lon <= 90 and lat <= 360:
        problem = f"has latitudes beyond 90 degrees, such as in {found}: longitude and latitude seem to be swapped"
        raise check.fault(problem, "Longitude comes first: export it again, or swap the numbers")
    raise check.fault(f"has a position that is not on the globe, {found}", EXPORT_IN_DEGREES)


# ----------------------------------------------------------------------------------------------------------- checking


def check_span(shape: Shape, check: AreaCheck) -> None:
    """Refuse what is so large that a plane is no picture of it, before anything is worked out on a plane."""
    left, bottom, right, top = shape.bounds
    if max(-bottom, top) > MOST_LAT_DEG:
        problem = f"lies at latitude {max(-bottom, top):.4g}; maps are drawn to {MOST_LAT_DEG:.0f} degrees"
        raise check.fault(f"{problem}, not to the poles", "Check its latitudes")
    # Across the poles the way round is shorter than along the parallel, so both are looked at.
    across_m = distance_m(left, (bottom + top) / 2, min(right, left + 180), (bottom + top) / 2)
    span_m = max(distance_m(left, bottom, left, top), across_m)
    if span_m <= (MOST_SITE_SPAN_M if check.kind == "site" else MOST_SPAN_M):
        return
    around = [part.exterior.coords for part in shapely.get_parts(shape)]
    area_m2 = sum(abs(WGS84.polygon_area_perimeter(*np.asarray(ring).T[:2])[0]) for ring in around)
    if area_m2 < LEAST_SITE_M2:
        problem = f"is a line of {format_length(span_m)} that goes there and back, not an area"
        raise check.fault(problem, "Draw it round the ground, or delete it")
    raise _too_large(area_m2, check, f" and stretches over {format_length(span_m)}")


def check_area(area_m2: float, check: AreaCheck) -> None:
    """Refuse practically nothing, and a site of the size of a country."""
    site = check.kind == "site"
    if site and area_m2 > MOST_SITE_M2:
        raise _too_large(area_m2, check)
    if area_m2 < (LEAST_SITE_M2 if site else LEAST_AREA_M2):
        problem = f"encloses practically nothing ({area_m2:.2g} m2)"
        raise check.fault(problem, "Draw it round the ground, or delete it")


def _too_large(area_m2: float, check: AreaCheck, more: str = "") -> AreaError:
    problem = f"is {area_m2 / 1e6:,.0f} km2 large{more}; at most {MOST_SITE_M2 / 1e6:.0f} km2 was expected for a site"
    if check.kind != "site":
        problem = f"is {area_m2 / 1e6:,.0f} km2 large{more}, too large for a plan"
        return check.fault(problem, "Cut it down to what lies on the site and near it")
    return check.fault(problem, _SMALLER)


def sound(polygon: Polygon, frame: SiteFrame, check: AreaCheck) -> Shape:
    """Repair slips of rounding in one polygon in degrees; refuse what could mean two things."""
    metres = to_metres(polygon, frame)
    if metres.is_valid and polygon.is_valid:
        return polygon
    return to_degrees(repaired(metres, frame, check), frame)


def repaired(metres: Polygon, frame: SiteFrame, check: AreaCheck) -> Shape:
    """Repair an unsound polygon in metres where its edge only touches itself, with a note; else raise AreaError."""
    knot = untied(metres.exterior, check)
    if knot.doubtful_m2 > SLIVER_M2:
        raise crosses(knot, frame, check)
    holes = []
    for ring in metres.interiors:
        hole = untie(np.asarray(ring.coords)) if Polygon(ring).area > 0 else None
        if hole is None:
            check.note("a hole of no area was left out")
        elif hole.doubtful_m2 > SLIVER_M2:
            raise crosses(hole, frame, check, "has a hole that crosses itself")
        else:
            holes.append(hole)
    cut = unite(hole.shape for hole in holes)
    astray_m2 = sum(hole.shape.area for hole in holes) - cut.area + cut.difference(knot.shape).area
    if astray_m2 > SLIVER_M2:
        problem = "has a hole that reaches out of its outer ring or into another hole"
        raise check.fault(f"{problem} (by {astray_m2:.3g} m2)", "Draw holes inside, and apart from each other")
    changed_m2 = knot.doubtful_m2 + sum(hole.doubtful_m2 for hole in holes) + astray_m2
    near = format_place(knot.crossing, frame)
    check.note(f"its edge touches itself near {near}, and was repaired; the area changed by {changed_m2:.4f} m2")
    return unite([knot.shape.difference(cut)])


def untied(ring: Any, check: AreaCheck) -> Knot:
    """Find out what a ring in metres encloses; AreaError when it is nothing."""
    try:
        return untie(np.asarray(ring.coords))
    except ValueError as error:
        hint = "Draw it round the ground, or delete it"
        raise check.fault(f"is not an area: {error}", hint) from error


def crosses(knot: Knot, frame: SiteFrame, check: AreaCheck, what: str = "has an edge that crosses itself") -> AreaError:
    """Make the error for a ring that crosses itself."""
    near = format_place(knot.crossing, frame)
    return check.fault(f"{what} near {near}, so that {format_area(knot.doubtful_m2)} of it are in doubt", _DRAW_AGAIN)


def format_place(at_m: tuple[float, float], frame: SiteFrame) -> str:
    """Return a place in metres as latitude and longitude."""
    lon, lat = frame.to_lonlat(*at_m)
    return f"latitude {float(lat):.7f}, longitude {float(lon):.7f}"
