"""Outlines on the globe: rings in degrees made into sound polygons, and polygons written the way RFC 7946 wants them.

Longitudes of one shape run on past 180 degrees, so that a shape on the date line is one piece; they are cut at 180
only when written. Soundness is judged in metres, on a frame centred on the shape.
"""

import math
from collections.abc import Iterable, Sequence
from typing import Any, TypeAlias

import numpy as np
import shapely
from shapely.geometry import LineString, MultiPolygon, Polygon, box
from shapely.geometry.polygon import orient

from fieldcomb.tracks.frame import SiteFrame, centre_frame, wrap_lon
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

Shape: TypeAlias = Polygon | MultiPolygon
RingPoints: TypeAlias = (
    Floats  # (n, 2): longitude and latitude, or x and y in metres; the last point may repeat the first
)

MOST_MEETINGS = 20_000  # of a ring with itself; a walk of hours round an edge has some hundreds
MOST_WINDING_WORK = 200_000_000  # faces times vertices of a knot that is still taken apart


@dataclass(frozen=True, slots=True, eq=False)
class Knot:
    """What a ring that meets itself encloses.

    shape : the ground on the ring's own side. doubtful_m2 : ground that it goes round twice, or the wrong way round.
    crossing : a place (x, y) in metres where it meets itself.
    """

    shape: Shape
    doubtful_m2: float
    crossing: tuple[float, float]


# ------------------------------------------------------------------------------------------------- degrees, metres


def unwrap_ring(ring: RingPoints) -> RingPoints:
    """Let longitudes run on past 180 degrees where a ring jumps from one side of it to the other."""
    step = np.diff(ring[:, 0])
    turns = np.concatenate([[0.0], np.cumsum(np.rint(step / 360.0))])
    return np.column_stack([ring[:, 0] - 360.0 * turns, ring[:, 1]])


def shifted(ring: RingPoints, lon_deg: float) -> RingPoints:
    """Shift a ring to the east."""
    return np.column_stack([ring[:, 0] + lon_deg, ring[:, 1]])


def beside(shape: Shape, lon_deg: float) -> Shape:
    """Shift a shape by whole turns so that its middle lies within 180 degrees of a longitude."""
    left, _, right, _ = shape.bounds
    turns = round((lon_deg - (left + right) / 2) / 360.0)
    return shapely.transform(shape, lambda xy: shifted(xy, 360.0 * turns)) if turns else shape


def frame_of(shape: Shape) -> SiteFrame:
    """Return the frame centred on a shape in degrees."""
    left, bottom, right, top = shape.bounds
    middle = (left + right) / 2
    return centre_frame(np.array([left, middle, right]), np.array([bottom, bottom, top]))


def to_metres(shape: Shape, frame: SiteFrame) -> Shape:
    """Return a shape in degrees in metres of a frame."""
    return shapely.transform(shape, lambda xy: np.column_stack(frame.to_metres(xy[:, 0], xy[:, 1])))


def to_degrees(shape: Shape, frame: SiteFrame) -> Shape:
    """Return a shape in metres in degrees, with longitudes counted on from the frame's origin, past 180 if need be."""
    return all_to_degrees([shape], frame)[0]


def all_to_degrees(shapes: Sequence[Shape], frame: SiteFrame) -> list[Shape]:
    """Do what ``to_degrees`` does for many shapes at once, which takes no longer than for one of all their corners."""

    def back(xy: Floats) -> Floats:
        lon, lat = frame.to_lonlat(xy[:, 0], xy[:, 1])
        return np.column_stack([frame.lon_deg + wrap_lon(lon - frame.lon_deg), lat])

    return list(shapely.transform(np.array(shapes, object), back))


# ------------------------------------------------------------------------------------------------------- soundness


def whole(shape: Any) -> Shape:
    """Keep the polygons of whatever an operation on polygons gave; lines and points have no ground."""
    parts = list(shapely.get_parts(shape))
    while any(hasattr(part, "geoms") for part in parts):
        parts = list(shapely.get_parts(parts))
    kept = [part for part in parts if part.geom_type == "Polygon" and not part.is_empty]
    return kept[0] if len(kept) == 1 else MultiPolygon(kept)


def unite(shapes: Iterable[Shape]) -> Shape:
    """Return the ground of all shapes together."""
    return whole(shapely.union_all(list(shapes)))


def untie(ring: RingPoints, grid_m: float | None = None) -> Knot:
    """Find out what a ring in metres encloses, whatever it does on its way.

    The lines are cut where they meet, which gives faces; how often and which way the ring goes round a face is its
    winding number. A sound ring goes round all its ground once, the same way. The winding number of the largest face
    says which way that is; faces of another number, other than 0, are doubtful. With ``grid_m`` places where lines meet
    are put on whole multiples of it, so that lines that run on one another do not miss each other by roundings.

    Raises ValueError when there are no faces (a line), and when there are too many to look at.
    """
    line = LineString(ring if np.array_equal(ring[0], ring[-1]) else np.vstack([ring, ring[:1]]))
    if _meetings(line) > MOST_MEETINGS:
        raise ValueError("the ring meets itself too often")
    noded = shapely.union_all([line], grid_size=grid_m)
    faces = [face for face in shapely.get_parts(shapely.polygonize([noded])) if face.area > 0]
    if not faces:
        raise ValueError("the ring encloses nothing")
    if len(faces) * len(ring) > MOST_WINDING_WORK:
        raise ValueError("the ring meets itself too often")
    inside = [face.representative_point() for face in faces]
    xy = np.asarray(line.coords)
    winding = [_winding(xy, point.x, point.y) for point in inside]
    main = winding[max(range(len(faces)), key=lambda k: faces[k].area)]
    ours = [face for face, turns in zip(faces, winding, strict=True) if turns * main > 0]
    doubtful = sum(face.area for face, turns in zip(faces, winding, strict=True) if turns not in (0, main))
    return Knot(unite(ours), float(doubtful), _crossing(Polygon(xy)))


def _meetings(line: LineString) -> int:
    """Count pairs of segments that meet, neighbours apart; stops counting soon after MOST_MEETINGS.

    A scribble of n points meets itself some n * n / 6 times, and cutting it there would take all memory.
    """
    xy = np.asarray(line.coords)
    if len(xy) < 500:
        return 0
    segments = shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1))
    tree, count = shapely.STRtree(segments), 0
    for start in range(0, len(segments), 200):
        one, other = tree.query(segments[start : start + 200], predicate="intersects")
        count += int(np.count_nonzero(np.abs(one + start - other) > 1))
        if count > 2 * MOST_MEETINGS:
            break
    return count // 2


def _winding(xy: RingPoints, x: float, y: float) -> int:
    """How often a closed line goes round a point, anticlockwise: its crossings of the ray to the east, by direction."""
    x0, y0, x1, y1 = xy[:-1, 0], xy[:-1, 1], xy[1:, 0], xy[1:, 1]
    up, down = (y0 <= y) & (y1 > y), (y0 > y) & (y1 <= y)
    left_of = (x1 - x0) * (y - y0) - (x - x0) * (y1 - y0)
    return int(np.count_nonzero(up & (left_of > 0)) - np.count_nonzero(down & (left_of < 0)))


def _crossing(polygon: Polygon) -> tuple[float, float]:
    """Return a place where a polygon's ring meets itself; GEOS says it only as text, ``Self-intersection[x y]``."""
    text = shapely.is_valid_reason(polygon)
    try:
        x, y = text[text.index("[") + 1 : text.index("]")].split()[:2]
        return float(x), float(y)
    except ValueError:
        first = polygon.exterior.coords[0]
        return float(first[0]), float(first[1])


# -------------------------------------------------------------------------------------------------------- RFC 7946


def geometry(shape: Shape, places: int) -> dict[str, Any]:
    """Return a shape in degrees as a GeoJSON geometry after RFC 7946; see ``geometries``."""
    return geometries([shape], places)[0]


def geometries(shapes: Sequence[Shape], places: int) -> list[dict[str, Any]]:
    """Return shapes in degrees as GeoJSON geometries after RFC 7946.

    Outer rings run anticlockwise and holes clockwise (section 3.1.6), longitudes lie in -180 to 180, and a shape on
    the date line is cut in two there (3.1.9). Rounding to ``places`` decimals never makes a sound shape unsound.
    """
    exact = np.array(shapes, object)
    rounded = shapely.transform(exact, lambda xy: np.round(xy, places))
    for k in np.flatnonzero(~shapely.is_valid(rounded) & shapely.is_valid(exact)):
        rounded[k] = whole(shapely.set_precision(exact[k], 10.0**-places))
    return [_geometry(shape, places) for shape in shapely.normalize(rounded)]


def _geometry(shape: Shape, places: int) -> dict[str, Any]:
    parts = [orient(part, 1.0) for part in _cut(shape)]
    rings = [[_pairs(ring, places) for ring in (part.exterior, *part.interiors)] for part in parts]
    if len(rings) == 1:
        return {"type": "Polygon", "coordinates": rings[0]}
    return {"type": "MultiPolygon", "coordinates": rings}


def _cut(shape: Shape) -> Sequence[Polygon]:
    """Cut at 180 degrees east and west, and bring each piece to where longitudes lie in -180 to 180."""
    left, _, right, _ = shape.bounds if not shape.is_empty else (0.0, 0.0, 0.0, 0.0)
    if left >= -180 and right < 180:
        return [part for part in _parts(shape) if not part.is_empty]
    out: list[Polygon] = []
    first, last = math.floor((left + 180) / 360), math.ceil((right + 180) / 360)
    for turn in range(first, max(last, first + 1)):
        west, east = 360 * turn - 180, 360 * turn + 180
        fits = west <= left and right <= east  # a ring that only touches the line keeps its first corner
        lane = shape if fits else whole(shape.intersection(box(west, -90, east, 90)))
        moved = shapely.transform(lane, lambda xy, turn=turn: shifted(xy, -360.0 * turn))
        out += [part for part in _parts(moved) if not part.is_empty]
    return out


def _parts(shape: Shape) -> Sequence[Polygon]:
    return [shape] if isinstance(shape, Polygon) else list(shape.geoms)


def _pairs(ring: Any, places: int) -> list[list[float]]:
    # Adding zero turns -0.0 into 0.0.
    corners = shapely.get_coordinates(ring).tolist()
    return [[round(x, places) + 0.0, round(y, places) + 0.0] for x, y in corners]
