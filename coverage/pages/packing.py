"""Lines and polygons packed for the page: whole numbers, each the step from the point before.

A packed line is ``[lat0, lon0, dlat, dlon, ...]`` in 1e-8 degree (about 1 mm) counted from the frame's origin, which
takes a third of the bytes of plain degrees. Longitudes are counted on past 180 degrees, never wrapped inside a line.
"""

import json
import re
from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from fieldcomb.coverage.survey.outing_layers import DRAWN_STEPS, DRAWN_WITHIN_M, drawn_walk
from fieldcomb.coverage.survey.results import DrawnWalk, OutingLayer
from fieldcomb.tracks.frame import SiteFrame, wrap_lon
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

UNIT_DEG = 1e-8
MOST_PAGE_POINTS = 60_000  # of all walks on the page together

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
    return _packed(frame, line, np.array([len(line)]))[0]


def _packed(frame: SiteFrame, points: Floats, sizes: NDArray[np.int64]) -> list[Packed]:
    """Pack lines of so many of the points each, one after another, all at once: each call into PROJ takes its time."""
    lon, lat = frame.to_lonlat(points[:, 0], points[:, 1])
    east = wrap_lon(lon - frame.lon_deg)
    units = np.rint(np.column_stack([lat - frame.lat_deg, east]) / UNIT_DEG).astype(np.int64)
    steps = np.diff(units, axis=0, prepend=np.zeros((1, 2), np.int64))
    ends = np.cumsum(sizes)
    begins = (ends - sizes)[sizes > 0]
    steps[begins] = units[begins]
    flat = steps.ravel().tolist()
    return [flat[2 * begin : 2 * end] for begin, end in zip((ends - sizes).tolist(), ends.tolist(), strict=True)]


def pack_area(frame: SiteFrame, shape: Polygon | MultiPolygon, tolerance_m: float = 0.0) -> list[list[Packed]]:
    """Pack a polygon as a list of polygons, each a list of rings, the outer one first."""
    if tolerance_m > 0:
        simpler = shapely.simplify(shape, tolerance_m, preserve_topology=True)
        shape = simpler if isinstance(simpler, Polygon | MultiPolygon) and not simpler.is_empty else shape
    parts = [part for part in shapely.get_parts(shape) if not part.is_empty]
    rings, of_part = shapely.get_rings(parts, return_index=True)
    points, of_ring = shapely.get_coordinates(rings, return_index=True)
    last = np.append(of_ring[1:] != of_ring[:-1], True)[: of_ring.size]  # the first again
    packed = _packed(frame, points[~last], np.bincount(of_ring[~last], minlength=len(rings)))
    polygons: list[list[Packed]] = [[] for _ in parts]
    for number, ring in zip(of_part.tolist(), packed, strict=True):
        polygons[number].append(ring)
    return polygons


def pack_walks(frame: SiteFrame, outings: Sequence[OutingLayer], most: int = MOST_PAGE_POINTS) -> PackedWalks:
    """Draw all walks alike, so that at most ``most`` points are left, and pack them."""
    drawn = [layer.drawn or tuple(drawn_walk(walk) for walk in layer.walks) for layer in outings]
    ranks = np.concatenate([np.zeros(0, np.uint8), *(walk.ranks for walks in drawn for walk in walks)])
    left = np.cumsum(np.bincount(ranks, minlength=DRAWN_STEPS)[::-1])[::-1]  # points at each tolerance
    step = next((step for step, points in enumerate(left.tolist()) if points <= most), DRAWN_STEPS - 1)
    packed = tuple(tuple(_pack_walk(frame, walk, step) for walk in walks) for walks in drawn)
    return PackedWalks(packed, round(DRAWN_WITHIN_M * 2**step, 3))


def _pack_walk(frame: SiteFrame, walk: DrawnWalk, step: int) -> PackedWalk:
    some = walk.ranks >= step
    of = np.repeat(np.arange(walk.sizes.size), walk.sizes)
    packed = tuple(_packed(frame, walk.points[some], np.bincount(of[some], minlength=walk.sizes.size)))
    return PackedWalk(packed[: walk.searching], packed[walk.searching :])


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
