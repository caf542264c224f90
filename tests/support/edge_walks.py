"""Walks round an edge as people make them, with known ground: overlaps, stops, stubs, gaps, and a receiver's error."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import LineString, Polygon

from fieldcomb.tracks.formats.gpx import read_gpx
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.recording import Recording

FRAME = SiteFrame(-21.5, 44.25)  # at sea
FIELD = [(0.0, 0.0), (120.0, 5.0), (115.0, 95.0), (60.0, 60.0), (-10.0, 90.0), (0.0, 0.0)]
FIELD_M2 = float(Polygon(FIELD).area)
PACE_M_S = 1.1
START = datetime(2026, 3, 7, 9, tzinfo=UTC)

# Standard deviation on each axis: slow (15 min), fast (25 s), white, as in docs/measures.md.
NOISE = {"none": (0.0, 0.0, 0.0), "good": (1.0, 0.3, 0.10), "typical": (1.5, 0.5, 0.15), "poor": (3.0, 1.0, 0.25)}

Place = tuple[float, float]
Stop = tuple[float, float]  # metres along the walk, seconds
Places = NDArray[np.float64]


def past_the_start(overlap_m: float, ring: Sequence[Place] = FIELD) -> list[Place]:
    """Once round, and on along the first side."""
    line = LineString(ring)
    more = [line.interpolate(float(d)).coords[0] for d in np.linspace(0, overlap_m, 5)[1:]]
    return [*ring, *((float(x), float(y)) for x, y in more)]


def _drift(count: int, lasting_s: float, sigma_m: float, rng: np.random.Generator) -> Places:
    """An error that forgets itself over a time, on one axis, a value a second (Gauss and Markov)."""
    keep = np.exp(-1 / lasting_s)
    step = rng.normal(0, sigma_m * np.sqrt(1 - keep * keep), count)
    out = np.empty(count)
    out[0] = rng.normal(0, sigma_m)
    for k in range(1, count):
        out[k] = keep * out[k - 1] + step[k]
    return out


def along(corners: Sequence[Place], stops: Sequence[Stop] = (), noise: str = "none", seed: int = 0) -> Places:
    """Places once a second along straight lines at 1.1 m/s, standing at the stops, as a receiver sees them."""
    xy = np.asarray(corners, float)
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    at = np.arange(0, way[-1] + 1e-9, PACE_M_S)
    for where_m, seconds in stops:
        k = int(np.searchsorted(at, where_m))
        at = np.concatenate([at[:k], np.full(int(seconds), where_m), at[k:]])
    places = np.column_stack([np.interp(at, way, xy[:, k]) for k in (0, 1)])
    slow, fast, white = NOISE[noise]
    rng = np.random.default_rng(seed)
    if slow:
        for k in (0, 1):
            count = len(places)
            places[:, k] += _drift(count, 900, slow, rng) + _drift(count, 25, fast, rng) + rng.normal(0, white, count)
    return places


def gpx(places: Places, frame: SiteFrame = FRAME, lost: Sequence[tuple[int, int]] = (), timed: bool = True) -> bytes:
    """Write places as GPX, one a second; the seconds from ``lost`` are not in it."""
    lon, lat = frame.to_lonlat(places[:, 0], places[:, 1])
    points = []
    for k, (x, y) in enumerate(zip(lon.tolist(), lat.tolist(), strict=True)):
        if not any(a <= k < b for a, b in lost):
            time = f"<time>{(START + timedelta(seconds=k)).isoformat()}</time>" if timed else ""
            points.append(f'<trkpt lat="{y:.9f}" lon="{x:.9f}">{time}</trkpt>')
    body = f"<trk><trkseg>{''.join(points)}</trkseg></trk>"
    return f'<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">{body}</gpx>'.encode()


def recording(
    corners: Sequence[Place],
    stops: Sequence[Stop] = (),
    noise: str = "none",
    seed: int = 0,
    lost: Sequence[tuple[int, int]] = (),
    frame: SiteFrame = FRAME,
    timed: bool = True,
) -> Recording:
    """Record a walk along corners."""
    return read_gpx(gpx(along(corners, stops, noise, seed), frame, lost, timed), "walk.gpx")
