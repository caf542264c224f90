"""Small made-up walks at sea, written as GPX by hand, and a look at a whole folder; for tests of sites and commands."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

MORNING = datetime(2026, 3, 7, 9, tzinfo=UTC)
LON, LAT = 3.2, 55.5
# Metres to degrees near there, good enough to draw lanes.
LON_PER_M, LAT_PER_M = 1 / 63_200, 1 / 111_300


def lanes(
    count: int = 4, length_m: float = 20.0, gap_m: float = 1.3, pace_m_s: float = 0.4
) -> list[tuple[float, float]]:
    """Give places in metres, one a second at 0.4 m/s, up and down parallel lanes."""
    places: list[tuple[float, float]] = []
    steps = round(length_m / 0.4)
    for lane in range(count):
        along = [length_m * k / steps for k in range(steps + 1)]
        places += [(lane * gap_m, y) for y in (along if lane % 2 == 0 else along[::-1])]
    return places


def fix(x_m: float, y_m: float, time: str | None = None) -> str:
    """One track point."""
    stamp = "" if time is None else f"<time>{time}</time>"
    return f'<trkpt lat="{LAT + y_m * LAT_PER_M:.8f}" lon="{LON + x_m * LON_PER_M:.8f}">{stamp}</trkpt>'


def stamped(places: Iterable[tuple[float, float]], start: datetime = MORNING) -> list[str]:
    """Track points a second apart."""
    moments = (start + timedelta(seconds=k) for k in range(10**9))
    return [fix(x, y, t.strftime("%Y-%m-%dT%H:%M:%SZ")) for (x, y), t in zip(places, moments, strict=False)]


def wpt(name: str, time: datetime, x_m: float = 0.0, y_m: float = 0.0) -> str:
    """A waypoint: a name, when it was set, and where."""
    place = f'lat="{LAT + y_m * LAT_PER_M:.8f}" lon="{LON + x_m * LON_PER_M:.8f}"'
    return f"<wpt {place}><time>{time:%Y-%m-%dT%H:%M:%SZ}</time><name>{name}</name></wpt>"


def gpx(points: Iterable[str], beside: str = "") -> str:
    """A GPX file of one track."""
    head = '<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">'
    return f"{head}{beside}<trk><trkseg>\n" + "\n".join(points) + "\n</trkseg></trk></gpx>\n"


def walk(start: datetime = MORNING, east_m: float = 0.0, count: int = 4) -> str:
    """A whole small walk of lanes, shifted to the east."""
    return gpx(stamped([(x + east_m, y) for x, y in lanes(count)], start))


def square(x0: float, y0: float, x1: float, y1: float, kind: str = "site") -> str:
    """A GeoJSON file of one rectangle in metres."""
    corners = [(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]
    return polygon(corners, kind)


def polygon(corners: Iterable[tuple[float, float]], kind: str = "site") -> str:
    """A GeoJSON file of one ring in metres."""
    ring = ", ".join(f"[{LON + x * LON_PER_M:.9f}, {LAT + y * LAT_PER_M:.9f}]" for x, y in corners)
    return (
        f'{{"type": "FeatureCollection", "features": [{{"type": "Feature", "properties": {{"kind": "{kind}"}}, '
        f'"geometry": {{"type": "Polygon", "coordinates": [[{ring}]]}}}}]}}'
    )


def snapshot(folder: Path) -> dict[str, bytes | None]:
    """Every file below a folder with its bytes, and every folder; the empty lock file aside."""
    paths = sorted(folder.rglob("*"))
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() if path.is_file() else None
        for path in paths
        if path.name != ".lock"
    }
