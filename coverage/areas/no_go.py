"""Which areas hold on a day, and how far a walk reached into ground that must not be searched.

No clock is read: days are those of the outings, in the site's zone.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from zoneinfo import ZoneInfo

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.areas.area_shapes import AreaShape, NoGoEntered, NoGoEntry
from fieldcomb.coverage.gear.receivers import receiver
from fieldcomb.coverage.raster.grid import Grid, bounds_of, grid_over
from fieldcomb.coverage.raster.passes import cover
from fieldcomb.coverage.raster.polygons import Shape
from fieldcomb.coverage.raster.vectorise import cells_inside
from fieldcomb.tracks.motion.legs import Leg
from fieldcomb.tracks.recording import runs_of
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import local_date
from fieldcomb.tracks.values import dataclass

ENDED = "ended"  # kind of an area that was no-go or blocked, where it is drawn
DEPTH_STEPS = 24  # halvings: a depth is known to less than a millimetre
DEPTH_M = 1e-4
SLACK_M = 1e-6

Days = tuple[date, date] | None  # first and last day of an outing; None without a clock


def days_of(start_s: float | None, end_s: float | None, zone: ZoneInfo) -> Days:
    """Return the first and last day of an outing."""
    first, last = local_date(start_s, zone), local_date(end_s, zone)
    return None if first is None or last is None else (first, last)


def holds(area: AreaShape, days: Days) -> bool:
    """Whether an area holds on any day of an outing; without a clock it may, so it does."""
    if days is None:
        return True
    return not ((area.until is not None and area.until < days[0]) or (area.since is not None and area.since > days[1]))


def without_ended(areas: Sequence[AreaShape], latest: date | None) -> tuple[tuple[AreaShape, ...], tuple[str, ...]]:
    """Turn no-go and blocked areas that were over by the day of the latest outing into ended ones, with notes.

    An area that has not begun yet stays as it is.
    """
    out, notes = [], []
    for area in areas:
        if area.reopened:
            notes.append(f"{harmless(area.reason)[:80]}: opened again on {area.until}, and part of the site as before")
            out.append(replace(area, kind=ENDED, reason=f"{area.reason}, opened again on {area.until}"))
        elif area.kind in ("no-go", "blocked") and latest and area.until and area.until < latest:
            name = f" {harmless(area.reason)[:60]!r}" if area.reason else ""
            notes.append(
                f"The {area.kind} area{name} ended on {area.until}, before the latest outing of {latest}: it is no "
                "longer taken off the site"
            )
            out.append(replace(area, kind=ENDED, reason=f"{area.kind}: {area.reason}" if area.reason else area.kind))
        else:
            out.append(area)
    return tuple(out), tuple(notes)


# --------------------------------------------------------------------------------------------------------- entering


@dataclass(frozen=True, slots=True)
class Swath:
    """What one recording's coil passed over: its legs, the swing width, and how well the receiver places it."""

    legs: Sequence[Leg]
    swath_m: float
    gps: str


def no_go_entered(areas: Sequence[AreaShape], days: Days, swaths: Sequence[Swath], cell_m: float) -> NoGoEntered:
    """Measure how far an outing reached into each no-go area that holds on its day.

    areas : all areas in site metres, also those across and outside the site's edge.
    days : (first, last), of the outing.
    cell_m : side of a cell; cells are those of the site.

    Returns entries in the order of the areas.
    """
    found: list[NoGoEntry] = []
    entered: dict[int, Shape] = {}
    total = 0
    held = [area for area in areas if area.kind == "no-go" and holds(area, days)]
    tree = shapely.STRtree([area.shape for area in held])
    for number, area in enumerate(held):
        near = [swath for one in swaths if (swath := _near(area.shape, one)).legs]
        grid = _window(area.shape, near, cell_m)
        if grid is None:
            continue
        inside = cells_inside([area.shape], grid)
        masks = [cover(swath.legs, swath.swath_m / 2, grid) & inside for swath in near]
        into = [swath for swath, mask in zip(near, masks, strict=True) if mask.any()]
        if not into:
            continue
        touched = np.logical_or.reduce(masks)
        deep = [entry_depth_m(area.shape, swath) for swath in into]
        could = all(depth <= receiver(swath.gps).r95_m + SLACK_M for depth, swath in zip(deep, into, strict=True))
        touched_m2 = float(np.count_nonzero(touched)) * cell_m * cell_m
        found.append(NoGoEntry(area.reason or None, touched_m2, max(deep), could))
        beside = sorted(tree.query(area.shape).tolist())
        touched &= ~cells_inside([entered[other] for other in beside if other in entered], grid)
        entered[number] = area.shape
        total += int(np.count_nonzero(touched))
    return NoGoEntered(tuple(found), total * cell_m * cell_m)


def _near(shape: Shape, swath: Swath) -> Swath:
    """Keep what can reach an area: the runs of legs whose pieces come within half a swath of the box round it."""
    half = swath.swath_m / 2
    west, south, east, north = shape.bounds
    kept = []
    for leg in swath.legs:
        x, y = (np.repeat(v, 2) if v.size == 1 else v for v in (leg.x_m, leg.y_m))
        low_x, high_x = np.minimum(x[:-1], x[1:]), np.maximum(x[:-1], x[1:])
        low_y, high_y = np.minimum(y[:-1], y[1:]), np.maximum(y[:-1], y[1:])
        hit = (high_x >= west - half) & (low_x <= east + half) & (high_y >= south - half) & (low_y <= north + half)
        kept += [Leg(x[a : b + 1], y[a : b + 1]) for a, b in runs_of(hit).tolist()]
    return replace(swath, legs=kept)


def _window(shape: Shape, near: Sequence[Swath], cell_m: float) -> Grid | None:
    """The cells that an area and swaths share at most; None when they lie apart."""
    if not near:
        return None
    boxes = np.array([bounds_of(swath.legs, swath.swath_m / 2) for swath in near])
    west, south, east, north = shape.bounds
    left, bottom = max(float(boxes[:, 0].min()), west), max(float(boxes[:, 1].min()), south)
    right, top = min(float(boxes[:, 2].max()), east), min(float(boxes[:, 3].max()), north)
    return grid_over((left, bottom, right, top), cell_m) if left < right and bottom < top else None


def entry_depth_m(shape: Shape, swath: Swath) -> float:
    """How far a swath reached in from an area's edge.

    It is the most by which the area can be shrunk from its edge on all sides and still be met by the swath, so never
    more than the radius of the largest disc inside the area. Found by halving, to a tenth of a millimetre.
    """
    half = swath.swath_m / 2
    lines = _lines(shape, swath)
    low, high = (
        0.0,
        half + float(shapely.distance(shape.boundary, shapely.points(shapely.get_coordinates(lines))).max()),
    )
    # A place between two vertices lies deeper than they by at most half of the way between them.
    high += float(max((line.length for line in shapely.get_parts(lines)), default=0.0)) / 2
    for _ in range(DEPTH_STEPS):
        if high - low < DEPTH_M:
            break
        middle = (low + high) / 2
        shrunk = shape.buffer(-middle, quad_segs=32)
        if not shrunk.is_empty and shapely.distance(shrunk, lines) <= half + SLACK_M:
            low = middle
        else:
            high = middle
    return low


def _lines(shape: Shape, swath: Swath) -> BaseGeometry:
    """The pieces of all legs within reach of an area."""
    ends = []
    for leg in swath.legs:
        xy = np.column_stack([leg.x_m, leg.y_m])
        xy = np.repeat(xy, 2, axis=0) if len(xy) == 1 else xy
        ends.append(np.stack([xy[:-1], xy[1:]], axis=1))
    pieces = shapely.linestrings(np.concatenate(ends))
    return shapely.multilinestrings(pieces[shapely.dwithin(pieces, shape, swath.swath_m / 2 + SLACK_M)])
