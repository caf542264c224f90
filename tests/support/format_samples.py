"""Small valid recordings of every format, for the tests of damage and for ``fuzz_formats.py``; invented, at sea.

To let another format take part, add an entry to ``SAMPLES`` under its name in ``FORMATS``.
"""

from __future__ import annotations

import io
import json
import zipfile
from pathlib import Path

import fit_files
import tcx_files

DATA = Path(__file__).parents[1] / "data"
TIMES = [f"2026-03-07T09:00:{second:02d}Z" for second in range(5)]
PLACES = [(round(3.2 + i * 1e-5, 7), round(55.5 + i * 2e-5, 7)) for i in range(5)]


def zipped(*members: tuple[str, bytes], packing: int = zipfile.ZIP_DEFLATED) -> bytes:
    """Pack named members into a zip archive, the same bytes each time."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", packing) as archive:
        for name, content in members:
            archive.writestr(zipfile.ZipInfo(name), content, packing)
    return out.getvalue()


def gx_track(times: list[str] = TIMES, places: list[tuple[float, float]] = PLACES, prefix: str = "gx:") -> str:
    """Write a track of KML from its times and places, as many as there are of each."""
    whens = "".join(f"<when>{time}</when>" for time in times)
    coords = "".join(f"<{prefix}coord>{lon:.7f} {lat:.7f} 1.5</{prefix}coord>" for lon, lat in places)
    return f"<{prefix}Track>{whens}\n{coords}</{prefix}Track>"


def line_string(places: list[tuple[float, float]] = PLACES) -> str:
    """Write a line of KML."""
    text = "\n".join(f"{lon:.7f},{lat:.7f},1" for lon, lat in places)
    return f"<LineString><tessellate>1</tessellate><coordinates>{text}</coordinates></LineString>"


def placemark(shape: str, name: str = "walk", beside: str = "") -> str:
    """Write a placemark of KML."""
    return f"<Placemark><name>{name}</name>{beside}{shape}</Placemark>"


def kml(*placemarks: str) -> bytes:
    """Write a KML file."""
    names = 'xmlns="http://www.opengis.net/kml/2.2" xmlns:gx="http://www.google.com/kml/ext/2.2"'
    inside = "\n".join(placemarks)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n<kml {names}><Document>{inside}</Document></kml>\n'.encode()


PEG = placemark(
    "<Point><coordinates>3.2,55.5,0</coordinates></Point>", "peg A", "<description>by the wall</description>"
)


def feature(kind: str, coordinates: object, **properties: object) -> dict[str, object]:
    """Make a feature of GeoJSON."""
    return {"type": "Feature", "properties": properties, "geometry": {"type": kind, "coordinates": coordinates}}


def geojson(*features: object, **more: object) -> bytes:
    """Write a GeoJSON file."""
    return json.dumps({"type": "FeatureCollection", "features": features, **more}).encode()


def table(*rows: str, header: str = "time,lat,lon,name", ending: str = "\n") -> bytes:
    """Write a table of values."""
    return (ending.join((header, *rows)) + ending).encode()


KML = kml(placemark(gx_track()), placemark(line_string(), "copy"), PEG)
ROWS = [
    f"{time},{lat:.7f},{lon:.7f},{'peg A' if i == 2 else ''}"
    for i, (time, (lon, lat)) in enumerate(zip(TIMES, PLACES, strict=True))
]

SAMPLES: dict[str, tuple[bytes, ...]] = {
    "GPX": ((DATA / "two-tracks.gpx").read_bytes(), (DATA / "older.gpx").read_bytes()),
    "FIT": tuple(case.data for case in fit_files.CASES.values() if case.fixes)[:6],
    "TCX": tuple(case.data for case in tcx_files.CASES.values() if case.fixes)[:6],
    "KML": (
        KML,
        kml(f"<Placemark><MultiGeometry>{line_string()}{line_string(PLACES[:2])}</MultiGeometry></Placemark>"),
    ),
    "KMZ": (zipped(("doc.kml", KML)), zipped(("icon.png", b"\x89PNG"), ("doc.kml", KML), packing=zipfile.ZIP_STORED)),
    "GeoJSON": (
        geojson(feature("LineString", PLACES, coordTimes=TIMES, name="walk"), feature("Point", PLACES[0], name="peg")),
        geojson(*(feature("Point", place, time=time) for place, time in zip(PLACES, TIMES, strict=True))),
        b"".join(
            b"\x1e" + json.dumps(feature("Point", place, time=1772874000 + i)).encode() + b"\n"
            for i, place in enumerate(PLACES)
        ),
    ),
    "CSV": (table(*ROWS), table(*ROWS).replace(b",", b";").replace(b".", b",")),
}
