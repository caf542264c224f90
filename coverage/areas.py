"""The site's boundary and the other areas on it: read from a file or from a walk round the edge, checked, placed.

An area comes in degrees and is judged in metres. What is plainly a slip of rounding is repaired and told; what could
mean two things (an edge that crosses itself, a line that does not close) is refused with its place.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon

from fieldcomb.coverage.area_checks import (
    MOST_SITE_SPAN_M,
    MOST_SPAN_M,
    Check,
    check_area,
    check_ends,
    check_span,
    closed,
    crosses,
    repaired,
    say_place,
    sound,
    untied,
)
from fieldcomb.coverage.area_files import Drawn, read_drawn
from fieldcomb.coverage.outlines import (
    Knot,
    Ring,
    Shape,
    beside,
    frame_of,
    geometry,
    shifted,
    to_degrees,
    to_metres,
    unite,
    unwrap_ring,
)
from fieldcomb.coverage.plain import feature_collection, harmless
from fieldcomb.coverage.results import AreaShape
from fieldcomb.tracks.clean import Fixes, clean
from fieldcomb.tracks.errors import AreaError
from fieldcomb.tracks.frame import SiteFrame, distance_m, middle_frame
from fieldcomb.tracks.track import Recording

KINDS = ("site", "no-go", "blocked", "filled", "junk")

REST_SHARE = 0.02  # of the ground inside a walk round the edge
PLACES = 9  # decimals of areas.geojson: a tenth of a millimetre

_DATE = re.compile(r"\d{4}-\d\d-\d\d")


@dataclass(frozen=True, slots=True)
class Area:
    """One area as the user drew it.

    kind : one of KINDS. reason : as typed. since, until : the days it holds from and to (``from``, ``to``), or None.
    shape : in degrees, x = longitude; longitudes run on past 180 where it lies on both sides of it.
    notes : what was met when it was made from a walk.
    """

    kind: str
    reason: str
    since: date | None
    until: date | None
    shape: Shape
    notes: tuple[str, ...] = ()


# ------------------------------------------------------------------------------------------------------------ reading


def read_areas(data: bytes, file: str) -> tuple[tuple[Area, ...], tuple[str, ...]]:
    """Read areas from GeoJSON, GPX (closed tracks and routes) or KML, packed or not, whatever its name ends in.

    Parameters
    ----------
    data : bytes
        The whole file.
    file : str
        Its name, for messages.

    Returns
    -------
    tuple of Area
        In file order; what has no kind is the site. Shapes are sound.
    tuple of str
        Notes for the user.

    Raises
    ------
    AreaError
        Not such a file, not in WGS 84 degrees, or a shape that is open, empty, a line, crosses itself, or is as
        large as a country; the message names the feature.

    """
    drawn, notes = read_drawn(data, file)
    areas = tuple(_area(item, file, notes) for item in drawn)
    return areas, tuple(notes)


def _area(item: Drawn, file: str, notes: list[str]) -> Area:
    check = Check(file, item.where, _kind(item, file), notes)
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
    return Area(check.kind, "" if reason is None else str(reason).strip(), since, until, shape)


def _kind(item: Drawn, file: str) -> str:
    typed = item.typed.get("kind")
    if typed is None or typed == "":
        return "site"
    kind = typed.strip().lower() if isinstance(typed, str) else ""
    if kind not in KINDS:
        problem = f"has a kind that is not known, {harmless(str(typed)[:60])!r}"
        raise AreaError(problem, file=file, where=item.where, hint=f"Use one of {', '.join(KINDS)}")
    return kind


def _day(typed: Mapping[str, Any], key: str, check: Check) -> date | None:
    value = typed.get(key)
    if value is None or value == "":
        return None
    try:
        if isinstance(value, str) and _DATE.fullmatch(value.strip()):
            return date.fromisoformat(value.strip())
    except ValueError:
        pass
    raise check.fault(f"has a {key} that is not a date, {harmless(str(value)[:40])!r}", "Write it like 2026-03-07")


# ------------------------------------------------------------------------------------------------------------ placing


def place_areas(areas: Sequence[Area], frame: SiteFrame, file: str) -> tuple[tuple[AreaShape, ...], tuple[str, ...]]:
    """Give areas in metres of the site's frame, each checked once more.

    An area that is no part of the site and lies so far off that it cannot meet it is left out with a note.

    Raises
    ------
    AreaError
        A shape that cannot be used, or a site in parts so far apart, or so large, that it is no site.

    """
    out, notes = [], list[str]()
    for number, area in enumerate(areas, 1):
        reason = f", {harmless(area.reason)[:60]!r}" if area.reason else ""
        check = Check(file, f"area {number} of {len(areas)}, {area.kind}{reason}", area.kind, notes)
        shape = _placed(area, frame, check)
        if shape is not None:
            out.append(AreaShape(area.kind, area.reason, shape))
    sites = [shape for shape in out if shape.kind == "site"]
    if sites:
        check_area(site_of(sites, file).area, Check(file, "all parts of the site together", "site", notes))
    return tuple(out), tuple(notes)


def _placed(area: Area, frame: SiteFrame, check: Check) -> Shape | None:
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
            raise check.fault(f"lies {away_m / 1000:.0f} km from the rest of the site", "Make a site of its own of it")
        check.note(f"lies {away_m / 1000:.0f} km from the site, and plays no part")
        return None
    metres = to_metres(shape, frame)
    if not metres.is_valid:
        metres = unite(repaired(part, frame, check) for part in shapely.get_parts(metres))
    check_area(metres.area, check)
    return metres


def site_of(shapes: Sequence[AreaShape], file: str | None = None) -> Shape:
    """Give the ground of all areas of kind ``site`` together; raises AreaError when there is none."""
    sites = [area.shape for area in shapes if area.kind == "site"]
    if not sites:
        found = ", ".join(sorted({area.kind for area in shapes})) or "nothing"
        problem = f"holds no boundary of the site (found: {found})"
        raise AreaError(problem, file=file, hint="Add a polygon of kind site, or one without a kind, round the ground")
    return sites[0] if len(sites) == 1 else unite(sites)


# ------------------------------------------------------------------------------------------------- walk round the edge


def edge_of_walk(recording: Recording) -> Area:
    """Make a boundary from a walk round the edge of the ground.

    Where start and end overlap a walk meets itself, and leaves small loops: the largest ring is kept when all the
    rest is under 2 % of its ground. What was left out stands in ``Area.notes``.

    Raises
    ------
    AreaError
        Fewer than three places, ends that do not meet, a walk that crosses itself, or no ground to speak of.

    """
    check = Check(recording.file, "", "site", [])
    frame, fixes = _edge_fixes(recording, check)
    ring = np.column_stack([fixes.x_m, fixes.y_m])
    ring = ring[np.append(True, np.any(np.diff(ring, axis=0) != 0, axis=1))]
    if len(np.unique(ring, axis=0)) < 3:
        raise check.fault("has fewer than three places, which enclose no ground", "Walk all the way round the ground")
    degrees = np.column_stack(frame.to_lonlat(ring[:, 0], ring[:, 1]))
    check_span(Polygon(unwrap_ring(degrees)), check)
    if not np.array_equal(ring[0], ring[-1]):
        check_ends(unwrap_ring(degrees), check)
    metres = _largest_ring(ring, frame, check)
    check_area(metres.area, check)
    return Area("site", "", None, None, to_degrees(metres, frame), tuple(check.notes))


def _edge_fixes(recording: Recording, check: Check) -> tuple[SiteFrame, Fixes]:
    track = recording.track
    usable = (np.abs(track.lon_deg) <= 180) & (np.abs(track.lat_deg) <= 90)
    if not usable.any():
        raise check.fault("has no fix with a position", "Give the recording of a walk round the ground")
    frame = middle_frame(track.lon_deg[usable], track.lat_deg[usable])
    cleaned = clean([track], frame)
    left_out = ", ".join(f"{many} {reason}" for reason, many in sorted(cleaned.dropped[0].items()) if many)
    if left_out:
        check.note(f"fixes left out of the edge: {left_out}")
    gaps = int(cleaned.fixes.piece.max(initial=0))
    if gaps:
        check.note(f"{gaps} gaps in the recording were bridged by straight lines")
    for note in cleaned.notes:
        check.note(note)
    return frame, cleaned.fixes


def _largest_ring(ring: Ring, frame: SiteFrame, check: Check) -> Polygon:
    polygon = Polygon(ring)
    if polygon.is_valid:
        return polygon
    knot = untied(polygon.exterior, check)
    largest = max(shapely.get_parts(knot.shape), key=lambda part: float(part.area))
    whole = Polygon(largest.exterior)
    rest_m2 = knot.doubtful_m2 + knot.shape.area - largest.area + whole.area - largest.area
    if rest_m2 > REST_SHARE * whole.area:
        doubt = Knot(knot.shape, rest_m2, knot.crossing)
        raise crosses(doubt, frame, check, "is a walk that crosses itself")
    share = f"{100 * rest_m2 / whole.area:.1f}".replace("0.0", "under 0.1")
    check.note(
        f"the walk meets itself near {say_place(knot.crossing, frame)}, as where start and end overlap; the largest "
        f"ring was kept, and {rest_m2:.2g} m2 ({share} % of it) are in doubt"
    )
    return whole


# ------------------------------------------------------------------------------------------------------------ writing


def areas_geojson(areas: Sequence[Area]) -> str:
    """Write areas as RFC 7946 GeoJSON, one feature a line; reading it back gives the same areas."""
    features = []
    for area in areas:
        typed: dict[str, str] = {"kind": area.kind}
        for key, value in (("reason", area.reason), ("from", area.since), ("to", area.until)):
            if value:
                typed[key] = str(value)
        features.append({"type": "Feature", "properties": typed, "geometry": geometry(area.shape, PLACES)})
    return feature_collection(features)
