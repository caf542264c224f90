"""Lines and polygons packed for the page: whole numbers, each the step from the point before.

A packed line is ``[lat0, lon0, dlat, dlon, ...]`` in 1e-8 degree (about 1 mm) counted from the frame's origin, which
takes a third of the bytes of plain degrees. Longitudes are counted on past 180 degrees, never wrapped inside a line.
"""

import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon

from fieldcomb.coverage.survey.results import OutingLayer
from fieldcomb.tracks.frame import SiteFrame, wrap_lon
from fieldcomb.tracks.recording import Floats

UNIT_DEG = 1e-8
MOST_PAGE_POINTS = 60_000  # of all walks on the page together
_FINEST_M = 0.05  # half a cell, and far less than any receiver is off

Packed = list[int]
_DATA = re.compile(r'<script type="application/json" id="fieldcomb-data">(.*?)</script>', re.DOTALL)


@dataclass(frozen=True, slots=True)
class PackedWalk:
    """One walk: the lines of searching, and those of walking without searching."""

    lines: tuple[Packed, ...]
    transits: tuple[Packed, ...]


@dataclass(frozen=True, slots=True)
class PackedWalks:
    """The walks of every outing after simplifying: none lies more than ``tolerance_m`` from what was recorded."""

    outings: tuple[tuple[PackedWalk, ...], ...]
    tolerance_m: float


def pack_line(frame: SiteFrame, line: Floats) -> Packed:
    """Pack one line of (n, 2) site metres."""
    lon, lat = frame.to_lonlat(line[:, 0], line[:, 1])
    east = wrap_lon(lon - frame.lon_deg)
    units = np.rint(np.column_stack([lat - frame.lat_deg, east]) / UNIT_DEG).astype(np.int64)
    return [int(step) for step in np.diff(units, axis=0, prepend=np.zeros((1, 2), np.int64)).ravel()]


def pack_area(frame: SiteFrame, shape: Polygon | MultiPolygon, tolerance_m: float = 0.0) -> list[list[Packed]]:
    """Pack a polygon as a list of polygons, each a list of rings, the outer one first."""
    if tolerance_m > 0:
        simpler = shapely.simplify(shape, tolerance_m, preserve_topology=True)
        shape = simpler if isinstance(simpler, Polygon | MultiPolygon) and not simpler.is_empty else shape
    parts = [shape] if isinstance(shape, Polygon) else list(shape.geoms)
    rings = [[part.exterior, *part.interiors] for part in parts if not part.is_empty]
    return [[pack_line(frame, np.asarray(ring.coords)[:-1, :2]) for ring in part] for part in rings]


def pack_walks(frame: SiteFrame, outings: Sequence[OutingLayer], most: int = MOST_PAGE_POINTS) -> PackedWalks:
    """Simplify all walks alike, so that at most ``most`` points are left, and pack them (Douglas-Peucker in GEOS)."""
    drawn = [[(_strings(walk.lines), _strings(walk.transits)) for walk in layer.walks] for layer in outings]
    tolerance_m = _FINEST_M
    while True:
        # What a finer tolerance left out a coarser one leaves out too, so each goes on from the one before.
        drawn = [[(_simpler(one, tolerance_m), _simpler(two, tolerance_m)) for one, two in walks] for walks in drawn]
        points = sum(int(shapely.get_num_coordinates(part).sum()) for walks in drawn for walk in walks for part in walk)
        if points <= most or tolerance_m > 10:
            break
        tolerance_m *= 2
    packed = tuple(
        tuple(PackedWalk(*(_pack_strings(frame, part) for part in walk)) for walk in walks) for walks in drawn
    )
    return PackedWalks(packed, round(tolerance_m, 3))


def _simpler(strings: Any, tolerance_m: float) -> Any:
    return shapely.simplify(strings, tolerance_m, preserve_topology=False)


def _strings(lines: Iterable[Floats]) -> Any:
    # A leg of a single fix is drawn as a dot: the same place twice under a round pen.
    whole = [np.repeat(line, 2, axis=0) if len(line) == 1 else line for line in lines if len(line)]
    return np.array([shapely.LineString(line) for line in whole], dtype=object)


def _pack_strings(frame: SiteFrame, strings: Iterable[shapely.LineString]) -> tuple[Packed, ...]:
    return tuple(pack_line(frame, np.asarray(string.coords)) for string in strings)


def walks_in(page: str) -> dict[str, Any] | None:
    """Return origin, unit, bounds and the packed lines of searching of all walks on a map page; None where it has none.

    A page of another version, or of somebody else, may hold anything: what is not as expected is passed over.
    """
    match = _DATA.search(page)
    if match is None:
        return None
    try:
        data = json.loads(match[1])
        groups = [group for key, group in data["groups"].items() if key.startswith("walk-")]
        lines = [line for group in groups for walk in group["walks"] for line in walk["lines"]]
        return {"origin": data["origin"], "unit": data["unit"], "bounds": data["bounds"], "lines": lines}
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None
