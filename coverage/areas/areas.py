"""The site's boundary and the other areas on it: read from a file, checked, placed.

An area comes in degrees and is judged in metres. What is plainly a slip of rounding is repaired and noted; what could
mean two things (an edge that crosses itself, a line that does not close) is refused with its place. A walk round the
edge is another matter: see ``edge``.
"""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

import shapely
from shapely.geometry import MultiPolygon, Polygon

from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.areas.checks import (
    MOST_SITE_SPAN_M,
    MOST_SPAN_M,
    AreaCheck,
    check_area,
    check_span,
    closed,
    repaired,
    sound,
)
from fieldcomb.coverage.areas.reading import DrawnArea, read_drawn
from fieldcomb.coverage.raster.polygons import Shape, beside, frame_of, geometry, shifted, to_metres, unite
from fieldcomb.tracks.errors import AreaError
from fieldcomb.tracks.files.json_text import feature_collection
from fieldcomb.tracks.frame import SiteFrame, distance_m
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.values import dataclass

AREA_KINDS = ("site", "no-go", "blocked", "filled", "junk", "walked")

MOST_DEPTH_CM = 10_000.0
MOST_PER_M2 = 1000.0
AREA_PLACES = 9  # decimals of areas.geojson: a tenth of a millimetre

_DATE = re.compile(r"\d{4}-\d\d-\d\d")


@dataclass(frozen=True, slots=True)
class Area:
    """One area as the user drew it.

    kind : one of AREA_KINDS. reason : as typed. since, until : the days it holds from and to, or None.
    shape : in degrees, x = longitude; longitudes run on past 180 where it lies on both sides of it.
    notes : what was met when it was made from a walk. depth_cm : how deep ground was filled up, or None.
    per_m2 : pieces of junk on a square metre, or None.
    """

    kind: str
    reason: str
    since: date | None
    until: date | None
    shape: Shape
    notes: tuple[str, ...] = ()
    depth_cm: float | None = None
    per_m2: float | None = None


# ------------------------------------------------------------------------------------------------------------ reading


def read_areas(data: bytes, file: str) -> tuple[tuple[Area, ...], tuple[str, ...]]:
    """Read areas from GeoJSON, GPX (closed tracks and routes) or KML, packed or not, whatever its name ends in.

    Returns the areas in file order, of which what has no kind is the site, with sound shapes; and notes for the user.

    Raises AreaError: not such a file, not in WGS 84 degrees, or a shape that is open, empty, a line, crosses itself, or
    is as large as a country; the message names the feature.
    """
    drawn, notes = read_drawn(data, file)
    areas = tuple(_area(item, file, notes) for item in drawn)
    return areas, tuple(notes)


def _area(item: DrawnArea, file: str, notes: list[str]) -> Area:
    check = AreaCheck(file, item.where, _kind(item, file), notes)
    since, until = _day(item.typed, "from", check), _day(item.typed, "to", check)
    if since and until and until < since:
        raise check.fault(f"ends on {until}, before it begins on {since}", "Change from and to")
    reason = item.typed.get("reason")
    parts: list[Shape] = []
    for rings in item.parts:
        outer, *holes = [closed(ring, item.walked, check) for ring in rings]
        part = Polygon(outer)
        holes = [shifted(hole, 360.0 * round((part.bounds[0] - hole[0, 0]) / 360.0)) for hole in holes]
        polygon = Polygon(outer, holes)
        parts.append(beside(polygon, parts[0].bounds[0]) if parts else polygon)
    check_span(MultiPolygon(parts), check)
    frame = frame_of(MultiPolygon(parts))
    whole = [sound(part, frame, check) for part in parts]
    shape = whole[0] if len(whole) == 1 else unite(whole)
    check_area(to_metres(shape, frame).area, check)
    expected = ("filled", "a number of centimetres", "40, without a unit")
    depth_cm = _amount(item.typed, "depth_cm", MOST_DEPTH_CM, expected, check)
    per_m2 = _amount(item.typed, "per_m2", MOST_PER_M2, ("junk", "a number of pieces per square metre", "8"), check)
    said = "" if reason is None else str(reason).strip()
    return Area(check.kind, said, since, until, shape, depth_cm=depth_cm, per_m2=per_m2)


def _kind(item: DrawnArea, file: str) -> str:
    typed = item.typed.get("kind")
    if typed is None or typed == "":
        return "site"
    kind = typed.strip().lower() if isinstance(typed, str) else ""
    if kind not in AREA_KINDS:
        problem = f"has a kind that is not known, {harmless(str(typed)[:60])!r}"
        raise AreaError(problem, file=file, where=item.where, hint=f"Use one of {', '.join(AREA_KINDS)}")
    return kind


def _day(typed: Mapping[str, Any], key: str, check: AreaCheck) -> date | None:
    value = typed.get(key)
    if value is None or value == "":
        return None
    try:
        if isinstance(value, str) and _DATE.fullmatch(value.strip()):
            return date.fromisoformat(value.strip())
    except ValueError:
        pass
    raise check.fault(f"has a {key} that is not a date, {harmless(str(value)[:40])!r}", "Write it like 2026-03-07")


def _amount(
    typed: Mapping[str, Any], key: str, most: float, words: tuple[str, str, str], check: AreaCheck
) -> float | None:
    """Read a number that belongs to one kind of area; ``words``: the kind, what was expected, an example."""
    value = typed.get(key)
    if value is None or value == "":
        return None
    kind, expected, example = words
    try:
        # KML and many a GIS give numbers as text.
        amount = math.nan if isinstance(value, bool) else float(value)
    except (TypeError, ValueError, OverflowError):
        amount = math.nan
    if not 0 < amount <= most:
        problem = f"has a {key} that is not {expected}, {harmless(str(value)[:40])!r}"
        raise check.fault(problem, f"Write it like {example}")
    if check.kind != kind:
        check.note(f"has a {key}, which is kept but not used for the kind {check.kind}")
    return amount


# ------------------------------------------------------------------------------------------------------------ placing


def place_areas(areas: Sequence[Area], frame: SiteFrame, file: str) -> tuple[tuple[AreaShape, ...], tuple[str, ...]]:
    """Return areas in metres of the site's frame, each checked once more.

    An area that is no part of the site and lies so far off that it cannot meet it is left out with a note.

    Raises AreaError: a shape that cannot be used, or a site in parts so far apart, or so large, that it is no site.
    """
    out, notes = [], list[str]()
    for number, area in enumerate(areas, 1):
        reason = f", {harmless(area.reason)[:60]!r}" if area.reason else ""
        check = AreaCheck(file, f"area {number} of {len(areas)}, {area.kind}{reason}", area.kind, notes)
        shape = _placed(area, frame, check)
        if shape is not None:
            if area.kind == "site" and (area.since or area.until):
                check.note("has dates, which are kept but not used: the boundary holds at all times")
            placed = AreaShape(area.kind, area.reason, shape, area.since, area.until, area.depth_cm)
            out.append(replace(placed, per_m2=area.per_m2))
    sites = [shape for shape in out if shape.kind == "site"]
    if sites:
        check_area(site_ground(sites, file).area, AreaCheck(file, "all parts of the site together", "site", notes))
    return tuple(out), tuple(notes)


def _placed(area: Area, frame: SiteFrame, check: AreaCheck) -> Shape | None:
    shape: Any = area.shape
    if shape.is_empty:
        raise check.fault("is empty", "Draw its polygon, or delete it")
    if not isinstance(shape, Polygon | MultiPolygon):
        raise check.fault(f"is a {shape.geom_type}, not an area", "Draw it as a closed polygon")
    check_span(shape, check)
    left, bottom, right, top = shape.bounds
    away_m = distance_m((left + right) / 2, (bottom + top) / 2, frame.lon_deg, frame.lat_deg)
    if away_m > MOST_SPAN_M or (area.kind == "site" and away_m > MOST_SITE_SPAN_M):
        if area.kind == "site":
            raise check.fault(f"lies {away_m / 1000:.0f} km from the rest of the site", "Make it a site of its own")
        check.note(f"lies {away_m / 1000:.0f} km from the site, and is not used")
        return None
    metres = to_metres(shape, frame)
    if not metres.is_valid:
        metres = unite(repaired(part, frame, check) for part in shapely.get_parts(metres))
    check_area(metres.area, check)
    return metres


def site_ground(shapes: Sequence[AreaShape], file: str | None = None) -> Shape:
    """Return the ground of all areas of kind ``site`` together; raises AreaError when there is none."""
    sites = [area.shape for area in shapes if area.kind == "site"]
    if not sites:
        found = ", ".join(sorted({area.kind for area in shapes})) or "nothing"
        problem = f"holds no boundary of the site (found: {found})"
        raise AreaError(problem, file=file, hint="Add a polygon of kind site, or one without a kind, round the ground")
    return sites[0] if len(sites) == 1 else unite(sites)


# ------------------------------------------------------------------------------------------------------------ writing


def areas_geojson(areas: Sequence[Area]) -> str:
    """Write areas as RFC 7946 GeoJSON, one feature a line; reading it back gives the same areas."""
    features = []
    for area in areas:
        typed: dict[str, str | float] = {"kind": area.kind}
        for key, value in (("reason", area.reason), ("from", area.since), ("to", area.until)):
            if value:
                typed[key] = str(value)
        if area.depth_cm is not None:
            typed["depth_cm"] = area.depth_cm
        if area.per_m2 is not None:
            typed["per_m2"] = area.per_m2
        features.append({"type": "Feature", "properties": typed, "geometry": geometry(area.shape, AREA_PLACES)})
    return feature_collection(features)
