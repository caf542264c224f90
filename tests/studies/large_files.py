"""Study: the seconds and megabytes that commands take for large files, each as costly as its size allows.

Run as `python tests/studies/large_files.py [NAME ...]`: the files are made in a temporary folder and mapped one by one
(or given to another command) in a process of its own, and its CPU time, its greatest memory and its last line are
printed. `ride` names the rides, which are to be refused within 5 s. CPU time grows with the load of the machine, which
is printed beside it.
"""

from __future__ import annotations

import gzip
import io
import json
import math
import os
import random
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))
from fit_files import RECORD_FIELDS, start

SIZE = 19_000_000
LAT, LON = 0.5, -20.0  # at sea
START = datetime(2026, 3, 7, 9, tzinfo=UTC)
FIELDCOMB = str(Path(sys.executable).parent / "fieldcomb")
LIMIT_S, RIDE_S, LIMIT_MB, KILL_S = 10.0, 5.0, 1000.0, 60


def stamps() -> Iterator[str]:
    """Yield a time each second."""
    time = START
    while True:
        yield time.strftime("%Y-%m-%dT%H:%M:%SZ")
        time += timedelta(seconds=1)


def zigzag(count: int, step_m: float = 1.0, width: int = 60) -> Iterator[tuple[float, float]]:
    """Yield places of lanes 1 m apart, back and forth."""
    for i in range(count):
        lane, along = divmod(i, width)
        x = along if lane % 2 == 0 else width - 1 - along
        yield LAT + lane % 300 * 9e-6, LON + x * step_m * 9e-6


def gpx(points: Iterable[tuple[float, float]], extra: str = "") -> str:
    """Return a GPX document of one track."""
    fixes = "".join(
        f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"><time>{time}</time></trkpt>'
        for (lat, lon), time in zip(points, stamps(), strict=False)
    )
    return f'<gpx version="1.1">{extra}<trk><trkseg>{fixes}</trkseg></trk></gpx>'


def ring(
    corners: int, radius: float = 0.0005, lat: float = LAT + 0.0003, lon: float = LON + 0.0003
) -> list[list[float]]:
    """Return a closed ring of many corners with a rough edge."""
    places = []
    for i in range(corners):
        angle, r = 2 * math.pi * i / corners, radius * (1 + 0.01 * (i % 2))
        places.append([round(lon + r * math.cos(angle), 9), round(lat + r * math.sin(angle), 9)])
    return [*places, places[0]]


def holes(count: int) -> list[list[list[float]]]:
    """Return the rings of a square with many square holes."""
    side = math.isqrt(count)
    step = 0.001 / side
    square = [[LON, LAT], [LON + 0.001, LAT], [LON + 0.001, LAT + 0.001], [LON, LAT + 0.001], [LON, LAT]]
    rings = [square]
    for i in range(count):
        x, y = LON + (i % side + 0.3) * step, LAT + (i // side + 0.3) * step
        d = step * 0.3
        rings.append([[x, y], [x, y + d], [x + d, y + d], [x + d, y], [x, y]])
    return rings


def polygon(rings: list[list[list[float]]]) -> str:
    """Return a GeoJSON polygon."""
    return json.dumps({"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": rings}})


def kml_polygon(corners: int) -> str:
    """Return a KML polygon."""
    text = " ".join(f"{lon},{lat}" for lon, lat in ring(corners))
    return (
        '<kml xmlns="http://www.opengis.net/kml/2.2"><Placemark><Polygon><outerBoundaryIs><LinearRing><coordinates>'
        f"{text}</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark></kml>"
    )


def csv_fixes(count: int) -> str:
    """Return a table of fixes."""
    rows = (f"{t},{a:.6f},{o:.6f}" for (a, o), t in zip(zigzag(count), stamps(), strict=False))
    return "time,lat,lon\n" + "\n".join(rows)


def csv_fixes_of(places: Iterable[tuple[float, float]], every_s: float) -> str:
    """Return a table of fixes at these places."""
    rows = (
        f"{(START + timedelta(seconds=i * every_s)).isoformat(timespec='milliseconds')},{a:.6f},{o:.6f}"
        for i, (a, o) in enumerate(places)
    )
    return "time,lat,lon\n" + "\n".join(rows)


def waypoints(count: int) -> str:
    """Return many named waypoints at places of the walk."""
    return "".join(
        f'<wpt lat="{lat:.6f}" lon="{lon:.6f}"><name>find {i}</name></wpt>'
        for i, (lat, lon) in enumerate(zigzag(count))
    )


def track_names(count: int) -> str:
    """Return many named tracks of two fixes."""
    times = stamps()
    tracks = (
        f"<trk><name>walk {i}</name><trkseg>"
        f'<trkpt lat="{a:.6f}" lon="{o:.6f}"><time>{next(times)}</time></trkpt></trkseg></trk>'
        for i, (a, o) in enumerate(zigzag(count))
    )
    return f'<gpx version="1.1">{"".join(tracks)}</gpx>'


def kml_line(count: int) -> str:
    """Return one line of many places."""
    line = "-2,0 " * count
    return f"<kml><Placemark><LineString><coordinates>{line}</coordinates></LineString></Placemark></kml>"


def fix_json(count: int) -> str:
    """Return a GeoJSON line."""
    line = [[round(lon, 6), round(lat, 6)] for lat, lon in zigzag(count)]
    return json.dumps({"type": "Feature", "properties": {}, "geometry": {"type": "LineString", "coordinates": line}})


def wander(count: int, step_m: float, seed: int = 1) -> Iterator[tuple[float, float]]:
    """Yield places of a walk to and fro over a field of 250 m, which no line is simpler than."""
    rng, heading, x, y = random.Random(seed), 0.0, 125.0, 125.0
    for _ in range(count):
        heading += rng.gauss(0, 0.5)
        x += step_m * math.cos(heading)
        y += step_m * math.sin(heading)
        yield LAT + abs(y % 500 - 250) * 9e-6, LON + abs(x % 500 - 250) * 9e-6


def ride(km: float, every_s: int, pace_m_s: float, wide_km: float = 40.0) -> str:
    """Return a table of a ride over hill and dale, which turns back at the ends of its country."""
    rng, heading, x, y = random.Random(km), 0.0, 0.0, 0.0
    rows, times = ["time,lat,lon"], START
    for _ in range(int(km * 1000 / pace_m_s / every_s)):
        heading += rng.gauss(0, 0.1 * math.sqrt(every_s))
        step = pace_m_s * every_s * rng.uniform(0.6, 1.4)
        x += step * math.cos(heading)
        y += step * math.sin(heading)
        lat, lon = (abs(v / 1000 % (2 * wide_km) - wide_km) * 0.009 for v in (y, x))
        rows.append(f"{times:%Y-%m-%dT%H:%M:%SZ},{LAT + lat:.6f},{LON + lon:.6f}")
        times += timedelta(seconds=every_s)
    return "\n".join(rows)


def tcx(count: int) -> str:
    """Return a TCX activity of one lap."""
    points = "".join(
        f"<Trackpoint><Time>{time}</Time><Position><LatitudeDegrees>{lat:.7f}</LatitudeDegrees>"
        f"<LongitudeDegrees>{lon:.7f}</LongitudeDegrees></Position></Trackpoint>"
        for (lat, lon), time in zip(wander(count, 0.8), stamps(), strict=False)
    )
    return (
        "<TrainingCenterDatabase><Activities><Activity Sport='Other'><Id>2026-03-07T09:00:00Z</Id><Lap>"
        f"<Track>{points}</Track></Lap></Activity></Activities></TrainingCenterDatabase>"
    )


def laps(count: int) -> str:
    """Return a TCX activity of many laps."""
    times = stamps()
    lap = "<Lap StartTime='{0}'><Notes>lap</Notes><Track><Trackpoint><Time>{0}</Time></Trackpoint></Track></Lap>"
    text = "".join(lap.format(next(times)) for _ in range(count))
    return f"<TrainingCenterDatabase><Activities><Activity>{text}</Activity></Activities></TrainingCenterDatabase>"


def fit(count: int, defined: int = 1) -> bytes:
    """Return a FIT file of records, defined again after so many."""
    made = start()
    for i, (lat, lon) in enumerate(wander(count, 0.8)):
        if i % defined == 0:
            made.define(1, 20, RECORD_FIELDS)
        semicircles = (round(degrees * 2**31 / 180) for degrees in (lat, lon))
        made.put(1, 1_141_722_000 + i, *semicircles, 2500, 80)
    return made.done(end_crc=0)  # wrong, which is told; the right one would take minutes


def placemarks(count: int) -> str:
    """Return a KML of many named points."""
    points = "".join(
        f"<Placemark><name>find {i}</name><Point><coordinates>{lon:.6f},{lat:.6f}</coordinates></Point></Placemark>"
        for i, (lat, lon) in enumerate(zigzag(count))
    )
    line = " ".join(f"{lon:.6f},{lat:.6f}" for lat, lon in zigzag(500))
    placed = f"<Placemark><LineString><coordinates>{line}</coordinates></LineString></Placemark>"
    return f"<kml xmlns='http://www.opengis.net/kml/2.2'><Document>{placed}{points}</Document></kml>"


def zipped(members: dict[str, bytes]) -> bytes:
    """Return a zip archive."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return out.getvalue()


def square(side_m: float) -> str:
    """Return a GeoJSON boundary of a square."""
    d = side_m * 9e-6
    return polygon([[[LON, LAT], [LON + d, LAT], [LON + d, LAT + d], [LON, LAT + d], [LON, LAT]]])


Made = tuple[str, Callable[[], str | bytes], str | None, Callable[[], str | bytes] | None]

SMALL = gpx(zigzag(3000))
ROW = "lat,lon," + ",".join("x" for _ in range(SIZE // 2))

RIDES: dict[str, Made] = {
    f"ride {km} km, {every} s{', boundary' if edge else ''}": (
        "walk.csv",
        lambda km=km, every=every: ride(km, every, 7.0 if km > 50 else 1.6),
        "b.geojson" if edge else None,
        (lambda: square(300)) if edge else None,
    )
    for km in (10, 100, 1000, 3000)
    for every in (1, 10)
    for edge in (False, True)
}

# name: file name, its content, the boundary's file name and content where there is one
FILES: dict[str, Made] = {
    "zigzag": ("walk.gpx", lambda: gpx(zigzag(SIZE // 79)), None, None),
    "zigzag wide": ("walk.gpx", lambda: gpx(zigzag(SIZE // 79, 20.0, 2)), None, None),
    "wander": ("walk.gpx", lambda: gpx(wander(SIZE // 79, 0.9)), None, None),
    "wander, at the limit": ("walk.gpx", lambda: gpx(wander(66_000, 0.9)), None, None),
    "ten a second": ("walk.csv", lambda: csv_fixes_of(wander(SIZE // 45, 0.05), 0.1), None, None),
    "ten a second, at the limit": ("walk.csv", lambda: csv_fixes_of(wander(240_000, 0.05), 0.1), None, None),
    "TCX": ("walk.tcx", lambda: tcx(SIZE // 165), None, None),
    "TCX laps": ("walk.tcx", lambda: laps(SIZE // 130), None, None),
    "FIT": ("walk.fit", lambda: fit(SIZE // 16), None, None),
    "FIT, defined each time": ("walk.fit", lambda: fit(SIZE // 37), None, None),
    "KML placemarks": ("walk.kml", lambda: placemarks(100_000), None, None),
    "KML placemarks, 19,000": ("walk.kml", lambda: placemarks(19_000), None, None),
    "empty tags": ("walk.gpx", lambda: "<gpx>" + "<a/>" * (SIZE // 4) + "</gpx>", None, None),
    "gzip of zeros": ("walk.gpx.gz", lambda: gzip.compress(bytes(2_000_000_000 // 100)), None, None),
    "zip of GPX": ("walk.zip", lambda: zipped({"a.gpx": gpx(zigzag(900_000)).encode()}), None, None),
    "zip of many": ("walk.zip", lambda: zipped({f"{i}.gpx": SMALL.encode() for i in range(3000)}), None, None),
    "boundary of 25 ha": ("walk.gpx", lambda: SMALL, "b.geojson", lambda: square(500)),
    "boundary of 25 ha, walked": ("walk.gpx", lambda: gpx(wander(60_000, 0.9)), "b.geojson", lambda: square(500)),
    "boundary, most cells, walked": ("walk.gpx", lambda: gpx(wander(60_000, 0.9)), "b.geojson", lambda: square(546)),
    "boundary of 200 ha": ("walk.gpx", lambda: SMALL, "b.geojson", lambda: square(1400)),
    "boundary, many corners": ("walk.gpx", lambda: SMALL, "b.geojson", lambda: polygon([ring(49_000)])),
    "boundary, many holes": ("walk.gpx", lambda: SMALL, "b.geojson", lambda: polygon(holes(4_900))),
    "zigzag csv": ("walk.csv", lambda: csv_fixes(SIZE // 41), None, None),
    "million fixes, packed GPX": ("walk.gpx.gz", lambda: gzip.compress(gpx(zigzag(1_100_000)).encode()), None, None),
    "million fixes, packed CSV": ("walk.csv.gz", lambda: gzip.compress(csv_fixes(999_000).encode()), None, None),
    "GeoJSON line": ("walk.geojson", lambda: fix_json(SIZE // 22), None, None),
    "waypoints": ("walk.gpx", lambda: gpx(zigzag(80_000), waypoints(19_900)), None, None),
    "many waypoints": ("walk.gpx", lambda: gpx(zigzag(3000), waypoints(SIZE // 60)), None, None),
    "track names": ("walk.gpx", lambda: track_names(100_000), None, None),
    "track names, 19,000": ("walk.gpx", lambda: track_names(19_000), None, None),
    "empty lists": ("walk.geojson", lambda: "[" + "[]," * (SIZE // 3) + "[]]", None, None),
    "KML line": ("walk.kml", lambda: kml_line(SIZE // 5), None, None),
    "quotes": ("walk.csv", lambda: 'time,lat,lon\n"' + '""' * (SIZE // 2), None, None),
    "quote each row": ("walk.csv", lambda: "time,lat,lon\n" + '"\n' * (SIZE // 2), None, None),
    "wide rows": ("walk.csv", lambda: ROW + "\n1,2", None, None),
    "wide table": (
        "walk.csv",
        lambda: "time,lat,lon" + ",x" * 5000 + "\n" + ("1,2,3" + "," * 5000 + "\n") * 3700,
        None,
        None,
    ),
    "outline, GeoJSON": ("walk.gpx", lambda: SMALL, "b.geojson", lambda: polygon([ring(SIZE // 32)])),
    "outline, KML": ("walk.gpx", lambda: SMALL, "b.kml", lambda: kml_polygon(SIZE // 28)),
    "outline, GPX": ("walk.gpx", lambda: SMALL, "b.gpx", lambda: gpx((b, a) for a, b in ring(SIZE // 79))),
    "outline, 10,000 holes": ("walk.gpx", lambda: SMALL, "b.geojson", lambda: polygon(holes(10_000))),
    "outline, 90,000 holes": ("walk.gpx", lambda: SMALL, "b.geojson", lambda: polygon(holes(90_000))),
}


def site(folder: Path, *typed: str, edge: str = "", walks: int = 1) -> None:
    """Make a site with a walk."""
    (folder / "edge.geojson").write_text(edge or square(60))
    (folder / "walk.gpx").write_text(SMALL)
    command(folder, "new", "site", "--boundary", "edge.geojson", *typed)
    if walks:
        command(folder, "add", "site", "walk.gpx")


def command(folder: Path, *typed: str) -> None:
    """Carry out a command that is not measured."""
    subprocess.run([FIELDCOMB, *typed], cwd=folder, capture_output=True, check=True)


def add_with_roster(folder: Path, rows: int) -> list[str]:
    """Add a walk with a roster of many people who did not record."""
    site(folder, walks=0)
    people = "".join(f",Person {i},28cm\n" for i in range(rows))
    (folder / "roster.csv").write_text(f"file,searcher,coil\nwalk.gpx,Ann,28cm\n{people}")
    return ["add", "site", "walk.gpx", "--roster", "roster.csv"]


def report_with_pegs(folder: Path, rows: int) -> list[str]:
    """Report a site with many pegs, near which a walk goes."""
    site(folder)
    pegs = (f"P{i},{lat:.7f},{lon:.7f}\n" for i, (lat, lon) in enumerate(zigzag(rows, 0.3)))
    (folder / "site" / "pegs.csv").write_text("name,lat,lon\n" + "".join(pegs))
    return ["report", "site"]


def report_with_areas(folder: Path, kind: str, count: int) -> list[str]:
    """Report a site in which there are many small areas of a kind."""
    site(folder)
    shapes = [polygon([ring]) for ring in holes(count)[1:]]
    areas = [{**json.loads(shape), "properties": {"kind": kind}} for shape in shapes]
    areas.append({**json.loads(square(110)), "properties": {"kind": "site"}})
    (folder / "site" / "areas.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": areas}))
    return ["report", "site"]


def report_of_cells(folder: Path, side_m: float) -> list[str]:
    """Report a site that grew to a square of a side."""
    site(folder)
    grown = {**json.loads(square(side_m)), "properties": {"kind": "site"}}
    (folder / "site" / "areas.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [grown]}))
    return ["report", "site"]


def new_with_outline(folder: Path, corners: int) -> list[str]:
    """Make a site with an outline of many corners."""
    (folder / "edge.geojson").write_text(polygon([ring(corners)]))
    return ["new", "site", "--boundary", "edge.geojson"]


# Whole commands on a site, each with what lies in it at its limit; the last one is promised 2 GB, not 1.
COMMANDS: dict[str, Callable[[Path], list[str]]] = {
    "add, roster of 1 MB": lambda folder: add_with_roster(folder, 40_000),
    "report, 25,000 pegs": lambda folder: report_with_pegs(folder, 25_000),
    "report, 4,900 no-go areas": lambda folder: report_with_areas(folder, "no-go", 4_900),
    "report, 4,900 blocked areas": lambda folder: report_with_areas(folder, "blocked", 4_900),
    "report, 4,900 junk areas": lambda folder: report_with_areas(folder, "junk", 4_900),
    "new, outline of 49,000": lambda folder: new_with_outline(folder, 49_000),
    "report, 98 million cells": lambda folder: report_of_cells(folder, 990),
}


def measured(arguments: list[str], folder: Path) -> tuple[float, float, str]:
    """Return the CPU seconds and the megabytes of a command, and the last line it wrote."""
    code = (
        "import resource, subprocess, sys\n"
        f"p = subprocess.run(sys.argv[1:], capture_output=True, text=True, preexec_fn=lambda: "
        f"resource.setrlimit(resource.RLIMIT_CPU, ({KILL_S}, {KILL_S})))\n"
        "u = resource.getrusage(resource.RUSAGE_CHILDREN)\n"
        "print(u.ru_utime + u.ru_stime, u.ru_maxrss / 1024)\n"
        "lines = (p.stderr or p.stdout).strip().splitlines()\n"
        "print(p.returncode, ' / '.join(lines[-3:])[:400] if lines else '')\n"
    )
    command = [sys.executable, "-c", code, *arguments]
    output = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=True).stdout
    figures, said = output.split("\n", 1)
    seconds, megabytes = map(float, figures.split())
    return seconds, megabytes, said.strip()


def main(names: list[str]) -> None:
    """Measure the files of these names, or all."""
    for name in [*FILES, *RIDES, *COMMANDS]:
        if names and not any(part in name for part in names):
            continue
        with tempfile.TemporaryDirectory() as text:
            folder = Path(text)
            typed = COMMANDS[name](folder) if name in COMMANDS else map_of({**FILES, **RIDES}[name], folder)
            seconds, megabytes, said = measured([FIELDCOMB, *typed], folder)
            mark = "OVER" if seconds > (RIDE_S if name in RIDES else LIMIT_S) or megabytes > LIMIT_MB else ""
            load = f"load {os.getloadavg()[0]:4.1f}"
            print(f"{name:28s} {seconds:6.1f} s {megabytes:6.0f} MB {load} {mark:4s} {said}", flush=True)


def map_of(made: Made, folder: Path) -> list[str]:
    """Write the files of a map; gives what is typed for it."""
    file, content, boundary, outline = made
    typed = ["map", file]
    if boundary is not None:
        typed += ["--boundary", boundary]
    for path, make in ((file, content), (boundary, outline)):
        if path is not None and make is not None:
            data = make()
            (folder / path).write_bytes(data if isinstance(data, bytes) else data.encode())
    return typed


if __name__ == "__main__":
    main(sys.argv[1:])
