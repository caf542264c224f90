"""Make the demo site and its six outings: ``python demo/make_demo.py`` writes the same bytes every time."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from pathlib import Path as FilePath
from typing import Any

import numpy as np
import shapely
from made_finds import MEDIEVAL_AT, finds_csv
from shapely.geometry import Point, Polygon
from walk_paths import join
from walker import (
    SEARCH,
    TRANSIT,
    TRANSIT_PACE,
    TYPICAL,
    Fixes,
    Piece,
    Place,
    TrueWalk,
    Waypoint,
    add_stops,
    build,
    detour,
    go,
    lanes,
    record,
    short_lanes,
    straight,
    to_gpx,
)

from fieldcomb.coverage.lanes.lane_plan import Lane, plan_lanes
from fieldcomb.tracks.frame import SiteFrame

FRAME = SiteFrame(-28.0, 46.5)
SITE = Polygon([(-31, 0), (-28, -39), (4, -34), (28, -40), (31, 4), (27, 34), (3, 40), (-25, 35)])
MONUMENT = shapely.box(11, -20, 17, -15)
TREE = Point(-14, 12).buffer(2.5, 6)
GATE: Place = (-36.0, 42.0)
PEGS: dict[str, Place] = {"peg A": (-29.0, 2.0), "peg B": (2.0, 38.0), "peg C": (27.0, -36.0)}
TIP = shapely.box(-26, -35, -12, -23).intersection(SITE)
SMALL_SWATH_M, SMALL_WIDE_M = 0.9, 0.13
LANES_LEFT = (6, 11)  # of the plan on the tip
ROLLED = "2026-04-16,rolled,,,all of the field; stones pressed in before the grass grew"
STOP_MARK, STOP_DIG_S = "stop bones", 90.0
NOISE = TYPICAL
WOBBLE_M = 0.5  # lanes of the first two days: about as even as people walk without a rope
FOLDER = FilePath(__file__).parent


@dataclass(frozen=True, slots=True, eq=False)
class DemoOuting:
    """One outing with its truth: the walk, its swing width, the drop-outs, and what the receiver wrote."""

    file: str
    walk: TrueWalk
    swath_m: float
    dropouts: tuple[tuple[float, float], ...]
    fixes: Fixes
    waypoints: tuple[Waypoint, ...]

    def gpx(self) -> str:
        """Give the recording as GPX text."""
        name = self.file.removesuffix(".gpx").replace("-", " ")
        return to_gpx(self.fixes, FRAME, name, self.waypoints, new_segment_s=60.0)


def outings() -> list[DemoOuting]:
    """Walk all four outings."""
    return [_west(), _east(), _crosswise(), _junk()]


def _west() -> DemoOuting:
    """Day 1: large coil, lanes north and south over the west half, round the tree."""
    rng = np.random.default_rng(2026_04_12)
    half = SITE.intersection(shapely.box(-40, -50, 0, 50))
    path = detour(lanes(half, 1.5, 0.0, rng, wobble_m=WOBBLE_M), (-14.0, 12.0), 3.3)
    piece = add_stops(Piece(path, (0.28, 0.42)), rng, digs=7, pauses=3)
    walk = _visit(piece, ["peg A", "peg B"], 1_775_898_000.0, rng)  # 2026-04-11 09:00 UTC
    return _outing(
        "outing-1-west-large.gpx", walk, 1.6, 1.0, ["keep button", "junk nail", "keep coin", "keep buckle"], rng
    )


def _east() -> DemoOuting:
    """Day 2: the same coil over the east half, round the monument; five lanes left out, 3 min not recorded."""
    rng = np.random.default_rng(2026_04_13)
    half = SITE.intersection(shapely.box(0, -50, 40, 50))
    path = detour(lanes(half, 1.5, 0.0, rng, skip=range(12, 17), wobble_m=WOBBLE_M), (14.0, -17.5), 4.9)
    piece = add_stops(Piece(path, (0.28, 0.42)), rng, digs=7, pauses=3)
    walk = _visit(piece, ["peg B", "peg C"], 1_775_984_400.0 + 1500, rng, ((24.0, -5.0),))  # 2026-04-12 09:25 UTC
    dropout = _first_walking(walk, 0.55, 180.0)
    return _outing(
        "outing-2-east-large.gpx", walk, 1.6, 1.0, ["junk lead scrap", "keep coin", "keep hook"], rng, (dropout,)
    )


def _crosswise() -> DemoOuting:
    """Day 3: a second person with a medium coil, east and west over the middle; a phone recorded at its own pace."""
    rng = np.random.default_rng(2026_04_20)
    path = lanes(shapely.box(-18, -12, 18, 17), 1.4, 90.0, rng)
    piece = add_stops(Piece(detour(path, (-14.0, 12.0), 3.3)), rng, digs=5, pauses=3, breaks=1)
    walk = _visit(piece, ["peg B"], 1_776_589_200.0 + 3300, rng)  # 2026-04-19 09:55 UTC
    return _outing("outing-3-middle-medium.gpx", walk, 1.5, (3.0, 5.0), ["keep thimble", "keep coin"], rng)


def _junk() -> DemoOuting:
    """Day 4: a small coil in the west half of the old tip in the south-west corner, in short slow lanes."""
    rng = np.random.default_rng(2026_05_04)
    path = short_lanes(shapely.box(-26, -35, -19, -23), 3.5, 0.75, rng)
    piece = add_stops(Piece(path, (0.15, 0.2)), rng, digs=6, pauses=2, apart_m=1.5)
    walk = _visit(piece, ["peg A"], 1_777_798_800.0 + 600, rng)  # 2026-05-03 09:10 UTC
    return _outing("outing-4-junk-small.gpx", walk, 0.9, 1.0, ["keep pin", "junk nail", "junk nail", "keep clasp"], rng)


def lane_outing() -> DemoOuting:
    """Day 5: along planned lanes on the old tip with the small coil; every fifth number marked, two lanes left out."""
    rng = np.random.default_rng(2026_05_11)
    plan = plan_lanes(TIP, SMALL_SWATH_M, SMALL_SWATH_M - SMALL_WIDE_M)
    walked = [lane for lane in plan.lanes if lane.number not in LANES_LEFT]
    ends = [
        (lane.start_m, lane.end_m) if place % 2 == 0 else (lane.end_m, lane.start_m) for place, lane in _turns(walked)
    ]
    piece = Piece(join(*(straight(*pair) for pair in ends)), (0.15, 0.2))
    walk = _visit(add_stops(piece, rng, digs=3, pauses=2, apart_m=1.5), ["peg A"], 1_778_404_200.0, rng)  # 2026-05-10
    outing = _outing("outing-5-lanes-small.gpx", walk, SMALL_SWATH_M, 1.0, ["keep ring"], rng)
    labels = [_label(outing, lane) for lane in walked if lane.number == 1 or lane.number % 5 == 0]
    return _with_marks(outing, labels)


def stop_outing() -> DemoOuting:
    """Day 6: a short second look with the small coil where the purse lay, until a hole shows bones."""
    rng = np.random.default_rng(2026_05_18)
    x_m, y_m = MEDIEVAL_AT
    path = lanes(shapely.box(x_m - 4, y_m - 3, x_m + 4, y_m + 3), 0.8, 90.0, rng, wobble_m=0.08, inset_m=0.25)
    piece = Piece(path, (0.15, 0.2), stops=((math.inf, STOP_DIG_S, "dig"),))
    walk = _visit(piece, ["peg B"], 1_779_008_400.0 + 600, rng)  # 2026-05-17 09:10 UTC
    outing = _outing("outing-6-stop-small.gpx", walk, SMALL_SWATH_M, 1.0, [], rng)
    (hole,) = (stop for stop in walk.stops if stop.kind == "dig")
    return _with_marks(outing, [_mark(outing, hole.end_s - 10.0, STOP_MARK)])


def _turns(walked: list[Lane]) -> list[tuple[int, Lane]]:
    """Each lane with an even number where it is walked as planned: to and fro goes on behind a lane left out."""
    return [(place + lane.number - 1, lane) for place, lane in enumerate(walked)]


def _label(outing: DemoOuting, lane: Lane) -> Waypoint:
    """The mark of a lane's number, set in the middle of the lane where the receiver thought that was."""
    x_m, y_m = lane.at(lane.span_m / 2)
    at = int(np.argmin(np.hypot(outing.walk.x_m - x_m, outing.walk.y_m - y_m)))
    return _mark(outing, round(float(outing.walk.t_s[at])), f"lane {lane.number}")


def _mark(outing: DemoOuting, t_s: float, name: str) -> Waypoint:
    """A mark, set where the receiver thought it was at that time."""
    x, y = (float(np.interp(t_s, outing.fixes.t_s, axis)) for axis in (outing.fixes.x_m, outing.fixes.y_m))
    return Waypoint(t_s, x, y, name)


def _with_marks(outing: DemoOuting, marks: list[Waypoint]) -> DemoOuting:
    """The outing with more marks, all in order of time."""
    return replace(outing, waypoints=tuple(sorted((*outing.waypoints, *marks), key=lambda mark: mark.t_s)))


def lane_sheet() -> str:
    """The sheet of the plan, as it was typed in after day 5."""
    lanes = plan_lanes(TIP, SMALL_SWATH_M, SMALL_SWATH_M - SMALL_WIDE_M).lanes
    rows = [f"{lane.number},{'n' if lane.number in LANES_LEFT else 'y'}" for lane in lanes]
    return "\n".join(["lane,done", *rows]) + "\n"


def ground_table() -> str:
    """What changed the ground: one day between the second outing and the third."""
    return f"date,event,area,depth_cm,note\n{ROLLED}\n"


def _visit(
    piece: Piece, pegs: list[str], start_s: float, rng: np.random.Generator, way_back: tuple[Place, ...] = ()
) -> TrueWalk:
    """From the gate by the first peg to the search, and by the last peg back to the gate."""
    x, y = piece.path
    first, last = PEGS[pegs[0]], PEGS[pegs[-1]]
    come, leave = _to_peg(GATE, first, 25.0), _to_peg((x[-1], y[-1]), last, 0.0)
    return build(
        [come, go(first, (x[0], y[0])), piece, leave, go(last, *way_back, GATE)], rng, start_s=start_s, sway_m=0.15
    )


def _to_peg(start: Place, peg: Place, wait_s: float) -> Piece:
    """Walk to a peg and stand on it for 12 s, after waiting for a good fix at the start."""
    stops: tuple[tuple[float, float, str], ...] = ((0.0, wait_s, "pause"),) if wait_s else ()
    return Piece(straight(start, peg), TRANSIT_PACE, TRANSIT, (*stops, (math.inf, 12.0, "peg")))


def _first_walking(walk: TrueWalk, share: float, seconds: float) -> tuple[float, float]:
    """Find the first time after a share of the walk from which ``seconds`` of searching lead more than 20 m away."""
    n = round(seconds * 10)
    for i in range(int(share * walk.t_s.size), walk.t_s.size - n, 50):
        apart = math.hypot(walk.x_m[i + n] - walk.x_m[i], walk.y_m[i + n] - walk.y_m[i])
        if apart > 20 and np.all(walk.state[i : i + n] == SEARCH):
            return float(walk.t_s[i]), float(walk.t_s[i + n])
    raise ValueError("no such stretch in this walk")


def _outing(
    file: str,
    walk: TrueWalk,
    swath_m: float,
    interval_s: float | tuple[float, float],
    finds: list[str],
    rng: np.random.Generator,
    dropouts: tuple[tuple[float, float], ...] = (),
) -> DemoOuting:
    """Record the walk, and mark pegs and finds where the receiver thought they were."""
    fixes = record(walk, interval_s, phase=0.4, dropout=dropouts, noise=NOISE, decimals=None, rng=rng)
    marks = [(s.end_s - 4.0, _peg_at((s.x_m, s.y_m))) for s in walk.stops if s.kind == "peg"]
    digs = [s for s in walk.stops if s.kind == "dig" and not any(a < s.end_s and b > s.start_s for a, b in dropouts)]
    marks += [(dig.end_s - 10.0, name) for dig, name in zip(digs[1:], finds, strict=False)]
    points = tuple(
        Waypoint(t, float(np.interp(t, fixes.t_s, fixes.x_m)), float(np.interp(t, fixes.t_s, fixes.y_m)), name)
        for t, name in sorted(marks)
    )
    return DemoOuting(file, walk, swath_m, dropouts, fixes, points)


def _peg_at(place: Place) -> str:
    return min(PEGS, key=lambda name: math.dist(PEGS[name], place))


def boundary_geojson() -> str:
    """Give the site, the monument, the tree and the old tip as GeoJSON, one feature a line."""
    areas: list[tuple[Polygon, dict[str, Any]]] = [
        (SITE, {"kind": "site", "name": "demo field"}),
        (MONUMENT, {"kind": "no-go", "reason": "fenced monument"}),
        (TREE, {"kind": "blocked", "reason": "tree, crown down to the ground"}),
        (TIP, {"kind": "junk", "per_m2": 8, "reason": "old tip"}),
    ]
    features = ",\n".join(json.dumps(_feature(area, properties)) for area, properties in areas)
    return f'{{"type": "FeatureCollection", "features": [\n{features}\n]}}\n'


def _feature(area: Polygon, properties: dict[str, Any]) -> dict[str, object]:
    x, y = shapely.get_coordinates(shapely.geometry.polygon.orient(area).exterior).T
    lon, lat = FRAME.to_lonlat(x, y)
    ring = [[round(a, 7), round(b, 7)] for a, b in zip(lon.tolist(), lat.tolist(), strict=True)]
    return {"type": "Feature", "properties": properties, "geometry": {"type": "Polygon", "coordinates": [ring]}}


def demo_files() -> dict[str, str]:
    """Every file of the demo by its name."""
    walked = (*outings(), lane_outing())
    drawn = {
        "boundary.geojson": boundary_geojson(),
        "sheet.csv": lane_sheet(),
        "finds.csv": finds_csv(walked, FRAME, SITE),
        "ground.csv": ground_table(),
    }
    return drawn | {outing.file: outing.gpx() for outing in (*walked, stop_outing())}


def main() -> None:
    """Write the files next to this script."""
    for name, text in demo_files().items():
        (FOLDER / name).write_text(text, encoding="utf-8", newline="\n")
        print(f"{name}: {len(text.encode()) // 1000} kB")


if __name__ == "__main__":
    main()
