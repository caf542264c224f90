"""Recordings at sea made of places in site metres, without going through a file."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import ArrayLike
from shapely.geometry import Polygon

from fieldcomb.coverage.areas.areas import Area
from fieldcomb.coverage.gear.coils import parse_coil
from fieldcomb.coverage.gear.swing import Swing, make_swing
from fieldcomb.coverage.outings.inputs import OutingInput, RecordingInput
from fieldcomb.coverage.raster.polygons import to_degrees
from fieldcomb.coverage.survey.inputs import SiteInput
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.recording import Recording, Track

FRAME = SiteFrame(-30.0, 40.0)  # at sea
START_S = 1_770_000_000.0
DAY_S = 86_400.0


def swing(swath_m: float = 1.5, coil: str = "28cm") -> Swing:
    """Give a measured swing."""
    return make_swing(parse_coil(coil, {}), swath_m, None, None)


def serpentine(
    count: int, length_m: float, spacing_m: float, *, x0_m: float = 0.0, y0_m: float = 0.0, skip: Sequence[int] = ()
) -> list[tuple[float, float]]:
    """Corners of lanes to the north and back, from the west on; lanes in ``skip`` are left out."""
    corners: list[tuple[float, float]] = []
    for number in (n for n in range(count) if n not in skip):
        x = x0_m + number * spacing_m
        ends = [(x, y0_m), (x, y0_m + length_m)]
        corners += ends if len(corners) % 4 == 0 else ends[::-1]
    return corners


def fixes(
    corners: ArrayLike, *, pace_m_s: float = 0.4, interval_s: float = 1.0, start_s: float | None = START_S
) -> Track:
    """Walk from corner to corner at an even pace; ``start_s`` None leaves the times out."""
    x, y = np.asarray(corners, float).T
    s = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    at = np.arange(0.0, s[-1] + 1e-9, pace_m_s * interval_s)
    lon, lat = FRAME.to_lonlat(np.interp(at, s, x), np.interp(at, s, y))
    t = np.full(at.size, np.nan) if start_s is None else start_s + interval_s * np.arange(at.size)
    return Track(lon, lat, t, np.zeros(at.size, np.int32))


def part(track: Track, keep: ArrayLike) -> Track:
    """Some of a track's fixes."""
    index = np.asarray(keep)
    return Track(track.lon_deg[index], track.lat_deg[index], track.time_s[index], track.segment[index])


def item(track: Track, how: Swing | None = None, file: str = "walk.gpx", **typed: object) -> RecordingInput:
    """Give a recording with what was typed for it."""
    return RecordingInput(file, Recording(file, track), how or swing(), **typed)  # type: ignore[arg-type]


def outing(name: str, *items: RecordingInput) -> OutingInput:
    """Give an outing of recordings."""
    return OutingInput(name, None, None, (lambda: items,))


def area(shape: Polygon, kind: str = "site") -> Area:
    """An area given in site metres."""
    return Area(kind, "", None, None, to_degrees(shape, FRAME), ())


def site(*areas: Area, cell_m: float = 0.1) -> SiteInput:
    """Give a site; without areas its boundary comes from the walks."""
    return SiteInput("Test Bank", "UTC", cell_m, FRAME, areas)


def field(width_m: float, height_m: float) -> Area:
    """A rectangle with its south-west corner at the origin."""
    return area(shapely.box(0, 0, width_m, height_m))
