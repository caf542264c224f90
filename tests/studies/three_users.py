"""Three people's sites, made up, to look at what they see: a phone without an edge, eight outings, a team of six.

    PYTHONPATH=.dev python tests/studies/three_users.py FOLDER [--only phone,coils,team]

Writes recordings, sites and maps into FOLDER, and prints what the commands print. Receivers are as usual in the open
(``walker.TYPICAL``), and told as such. What the walkers left out is in the docstrings.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path as FilePath

import numpy as np
import shapely
from shapely.geometry import Polygon

ROOT = FilePath(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "demo")]

from walker import (  # noqa: E402
    POOR,
    TYPICAL,
    Fixes,
    Noise,
    Path,
    Piece,
    add_stops,
    build,
    go,
    lanes,
    record,
    short_lanes,
    to_gpx,
)

from fieldcomb.coverage.commands.cli import main as fieldcomb  # noqa: E402
from fieldcomb.tracks.frame import SiteFrame  # noqa: E402

FRAME = SiteFrame(-28.0, 46.5)
DAY_S = 86_400.0
SATURDAY_S = 1_780_731_000.0  # 2026-06-06 07:30 UTC
FIELD = Polygon([(-30, -38), (32, -36), (30, 36), (-28, 34)])
JUNK = shapely.box(-26, -34, -12, -22)
WIDE = Polygon([(-45, -30), (44, -32), (46, 30), (-44, 32)])
USERS = ("phone", "coils", "team")


def phone(folder: FilePath) -> None:
    """One phone, a fix every 3 to 5 s, no edge: lanes 1.5 m apart, of which three side by side are left out."""
    rng = np.random.default_rng(61)
    path = lanes(shapely.box(-18, -22, 18, 22), 1.5, 0.0, rng, skip={8, 9, 10})
    _write(folder / "saturday.gpx", path, rng, SATURDAY_S, interval_s=(3.0, 5.0), digs=4)
    _run("map", f"{folder}/saturday.gpx", "--coil", "28cm", "-o", f"{folder}/map")


def coils(folder: FilePath) -> None:
    """Eight outings with three coils: large over all but the east end, medium across the middle, small in junk.

    Days 1 to 4 are the large coil in four blocks, two lanes of the second left out. Day 5 is the medium coil east and
    west. Days 6 to 8 are the small coil in the junk of the south-west corner, drawn as 9 pieces per m2.
    """
    rng = np.random.default_rng(62)
    west, south, east, north = FIELD.bounds
    edges = np.linspace(west, east - 9, 5)
    _areas(folder / "field.geojson", [(FIELD, {"kind": "site"}), (JUNK, {"kind": "junk", "per_m2": 9})])
    _run("new", f"{folder}/site", "--boundary", f"{folder}/field.geojson", "--zone", "UTC")
    for day in range(4):
        block = FIELD.intersection(shapely.box(edges[day], south, edges[day + 1], north))
        path = lanes(block, 1.5, 0.0, rng, skip={4, 5} if day == 1 else ())
        _write(folder / f"day-{day + 1}.gpx", path, rng, SATURDAY_S + day * DAY_S, digs=5)
        _run("add", f"{folder}/site", f"{folder}/day-{day + 1}.gpx", "--coil", "large=33cm", "--swath", "1.6m")
    path = lanes(FIELD.intersection(shapely.box(-20, -12, 16, 12)), 1.4, 90.0, rng)
    _write(folder / "day-5.gpx", path, rng, SATURDAY_S + 7 * DAY_S, digs=5)
    _run("add", f"{folder}/site", f"{folder}/day-5.gpx", "--coil", "medium=28cm", "--swath", "1.5m")
    low, high = JUNK.bounds[1], JUNK.bounds[3]
    for day, (from_x, to_x) in enumerate(((-26, -23), (-23, -19), (-19, -16))):
        path = short_lanes(shapely.box(from_x, low, to_x, high), to_x - from_x, 0.8, rng)
        name = f"day-{day + 6}.gpx"
        _write(folder / name, path, rng, SATURDAY_S + (14 + day) * DAY_S, digs=4, pace=(0.15, 0.2))
        _run("add", f"{folder}/site", f"{folder}/{name}", "--coil", "small=13x20cm", "--swath", "0.9m")
    _run("report", f"{folder}/site")


def team(folder: FilePath) -> None:
    """Six people side by side on one day, the sixth without a recording; one phone is poor, one coil is small."""
    rng = np.random.default_rng(63)
    west, south, east, north = WIDE.bounds
    edges = np.linspace(west, east, 7)
    rows = ["file,searcher,coil,swath,gps,carried"]
    people = ("Ada North", "Bo Reed", "Cy Dahl", "Di Ferry", "Ed Marsh", "Flo Strand")
    for number, name in enumerate(people[:-1]):
        block = WIDE.intersection(shapely.box(edges[number], south, edges[number + 1], north))
        path = lanes(block, 1.5, 0.0, rng, skip={5} if number == 2 else ())
        file, poor = f"person-{number + 1}.gpx", number == 3
        _write(folder / file, path, rng, SATURDAY_S + 60 * number, digs=5, noise=POOR if poor else TYPICAL)
        coil = "33cm,1.6m" if number != 4 else "13x20cm,0.9m"
        rows.append(f"{file},{name},{coil},{'poor,pocket' if poor else 'typical,arm'}")
    rows.append(f",{people[-1]},,,,")
    (folder / "team.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    _areas(folder / "field.geojson", [(WIDE, {"kind": "site"})])
    _run("new", f"{folder}/site", "--boundary", f"{folder}/field.geojson", "--zone", "UTC")
    _run("add", f"{folder}/site", "--roster", f"{folder}/team.csv")
    _run("report", f"{folder}/site")


def _write(
    file: FilePath,
    path: Path,
    rng: np.random.Generator,
    start_s: float,
    *,
    interval_s: float | tuple[float, float] = 1.0,
    digs: int = 0,
    noise: Noise = TYPICAL,
    pace: tuple[float, float] = (0.28, 0.42),
) -> None:
    """Walk a path from 12 m outside and back there, and record it."""
    piece = add_stops(Piece(path, pace), rng, digs=digs, pauses=2, apart_m=1.5)
    first, last = (path[0][0], path[1][0]), (path[0][-1], path[1][-1])
    gate = first[0] - 12.0, first[1]
    walk = build([go(gate, first), piece, go(last, gate)], rng, start_s=start_s, sway_m=0.15)
    fixes: Fixes = record(walk, interval_s, phase=0.4, noise=noise, decimals=None, rng=rng)
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(to_gpx(fixes, FRAME, file.stem), encoding="utf-8", newline="\n")


def _areas(file: FilePath, areas: Sequence[tuple[Polygon, dict[str, str | int]]]) -> None:
    def ring(area: Polygon) -> list[list[float]]:
        lon, lat = FRAME.to_lonlat(*np.array(area.exterior.coords).T)
        return [[round(a, 7), round(b, 7)] for a, b in zip(lon.tolist(), lat.tolist(), strict=True)]

    features = [
        {"type": "Feature", "properties": given, "geometry": {"type": "Polygon", "coordinates": [ring(area)]}}
        for area, given in areas
    ]
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(json.dumps({"type": "FeatureCollection", "features": features}) + "\n", encoding="utf-8")


def _run(*arguments: str) -> None:
    print(f"$ fieldcomb {' '.join(arguments)}", flush=True)
    if code := fieldcomb(list(arguments)):
        raise SystemExit(code)


def main() -> None:
    """Make what was asked for."""
    asked = argparse.ArgumentParser()
    asked.add_argument("folder", type=FilePath)
    asked.add_argument("--only", default=",".join(USERS))
    options = asked.parse_args()
    makers = {"phone": phone, "coils": coils, "team": team}
    for name in options.only.split(","):
        makers[name](options.folder / name)


if __name__ == "__main__":
    main()
