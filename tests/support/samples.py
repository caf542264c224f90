"""A made-up survey at sea for the tests of what is drawn and written: 60 x 80 m, four outings, lanes with gaps."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import lru_cache
from itertools import pairwise

import numpy as np
from rasterio.features import rasterize, shapes
from scipy import ndimage
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box, shape
from shapely.ops import unary_union

from fieldcomb.coverage.areas.area_shapes import AreaShape, NoGoEntered, NoGoEntry
from fieldcomb.coverage.estimate.swept_share import Estimate
from fieldcomb.coverage.ground.ground_results import MISSED, NOT_REACHED, Strip
from fieldcomb.coverage.ground.pass_tally import OutingGround
from fieldcomb.coverage.ground.under_coil import Under
from fieldcomb.coverage.ground.unswept import Unswept
from fieldcomb.coverage.outings.recording import RecordingResult
from fieldcomb.coverage.outings.times import OutingTimes
from fieldcomb.coverage.outings.walks import OutingHead
from fieldcomb.coverage.places.places import SearchPlace, places_to_go
from fieldcomb.coverage.places.whereabouts import landmarks
from fieldcomb.coverage.raster.cells import OUTSIDE, Cells
from fieldcomb.coverage.raster.grid import Grid, grid_over
from fieldcomb.coverage.survey.results import (
    CoilResult,
    Comparison,
    Layers,
    OutingLayer,
    OutingResult,
    Report,
    Result,
    SiteResult,
    StopMark,
    TotalResult,
    WalkLines,
)
from fieldcomb.coverage.todo.ranking import CoilGains, Ranking
from fieldcomb.coverage.todo.results import JunkResult, SearchedClass, TodoCoil, TodoPiece
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.marks.vocabulary import Mark

FRAME = SiteFrame(-11.2345678, 57.4567891)
SITE = Polygon([(-30, -38), (28, -40), (30, 22), (14, 40), (-27, 37)])
POND = Point(12, -14).buffer(4.5)
KEEP_OFF = Polygon([(-29, 30), (-18, 33), (-17, 36.8), (-26, 36.2)])
MARKS = tuple(
    Mark(kind, name, number, size_m, text, 1772874720.0 + 600 * k, -11.2345678 + k * 8e-5, 57.4567891, "waypoint", why)
    for k, (kind, name, number, size_m, text, why) in enumerate(
        (
            ("keep", "silver coin", None, None, "keep silver coin", ""),
            ("count", "", 14, None, "count 14", ""),
            ("stop", "metal case", None, None, "stop metal case", ""),
            ("note", "lane x", None, None, "lane x", "'x' is not a number that a lane can have"),
        )
    )
)
NOT_ESTIMATED = Estimate(None, None, None, None, None)
ENTERED = (
    NoGoEntry("nesting birds until August", 12.0, 4.25, False),
    NoGoEntry(None, 0.4, 0.31, True),
)
EVIL = "<img src=x onerror=window.hacked=1>{{7*7}}\"'</script><script>window.hacked=2</script>"


@lru_cache(maxsize=4)
def sample_result(cell_m: float = 0.1) -> Result:
    """Give the survey; the same objects every time, so do not write into its arrays."""
    grid = grid_over((-34, -44, 34, 44), cell_m)
    ground = SITE.difference(unary_union([POND, KEEP_OFF]))
    inside = _mask(grid, ground)
    lanes = [_lanes(n) for n in range(4)]
    raw = [_count(grid, outing, swath) for outing, swath in zip(lanes, (1.5, 1.5, 1.35, 1.5), strict=True)]
    lost = LineString([(-15.4, 24), (-15.1, 36)]).buffer(0.75, cap_style="flat")
    total = np.minimum(sum(raw), 254).astype(np.uint8)
    passes = np.where(inside, total, OUTSIDE).astype(np.uint8)
    unrecorded = _mask(grid, lost) & inside & (total == 0)
    strips = _strips(grid, inside & (total == 0) & ~unrecorded)
    not_recorded = MultiPolygon([p for p in _parts(grid, unrecorded) if p.area > 0.5])
    by_coil = {
        "28cm": np.where(inside, raw[0] + raw[1] + raw[3], OUTSIDE).astype(np.uint8),
        "small": np.where(inside, raw[2], OUTSIDE).astype(np.uint8),
    }
    layers = Layers(
        grid=grid,
        passes=passes,
        by_coil=by_coil,
        outings=tuple(
            _outing_layer(n, grid, np.where(inside, raw[n], OUTSIDE).astype(np.uint8), lanes[n]) for n in range(4)
        ),
        not_recorded=not_recorded,
        areas=(
            AreaShape("site", "", SITE),
            AreaShape("blocked", "pond", POND),
            AreaShape("no-go", "nesting birds until August", KEEP_OFF),
            AreaShape("filled", "spoil heap", Point(-20, -25).buffer(3), depth_cm=40.0),
            AreaShape("junk", "old fence line", LineString([(-25, 12), (5, 15)]).buffer(1.2)),
            AreaShape("walked", "B. Gull and two more", box(2, -38, 10, -32), date(2026, 2, 1), date(2026, 2, 3)),
            AreaShape("ended", "no-go: lambs", box(20, -36, 26, -30), None, date(2026, 3, 8)),
        ),
        difference=None,
        heard=MultiPolygon([Point(-5, 20).buffer(2.5)]),
        searched=_searched(raw),
    )
    return Result(_report(grid, inside, passes, raw, strips), layers)


def _searched(raw: list[Cells]) -> Cells:
    """By class, two bits each: iron was left in the first outing, low targets dug in part there and wholly later."""
    low = np.where(raw[1] > 0, 3, np.where(raw[0] > 0, 2, 1))
    iron = np.where((raw[0] > 0) & (raw[1] == 0), 0, 1)
    return (iron | low << 2).astype(np.uint8)


def with_difference(result: Result) -> Result:
    """The same survey with its first two outings compared."""
    grid = result.layers.grid
    cells = np.where(result.layers.passes == OUTSIDE, OUTSIDE, 0).astype(np.uint8)
    for n, layer in enumerate(result.layers.outings[:2]):
        assert layer.grid is not None and layer.passes is not None
        swept = (layer.passes > 0) & (layer.passes != OUTSIDE)
        cells[layer.grid.part_of(grid)] += (swept * (n + 1)).astype(np.uint8)
    area = [float((cells == n).sum()) * grid.cell_m2 for n in range(4)]
    names = [outing.head.id for outing in result.report.outings[:2]]
    between = Comparison(names[0], names[1], area[3], area[1], area[2], area[0])
    return Result(replace(result.report, between=between), replace(result.layers, difference=cells))


def without_clock(report: Report) -> Report:
    """The same report from recordings without times."""
    timed = ("elapsed_s", "searching_s", "stopped_s", "transit_s", "dropout_s", "stops", "digs", "speed_m_s")
    nothing = dict.fromkeys((*timed, "total_hours"))
    outings = [
        replace(o, head=replace(o.head, start_s=None), times=replace(o.times, **nothing)) for o in report.outings
    ]
    return replace(report, outings=tuple(outings))


def with_evil_names(result: Result) -> Result:
    """The same survey with every text that a user or a file can give turned into an attack."""
    report, layers = result.report, result.layers
    outings = []
    for outing in report.outings:
        texts = dict.fromkeys(("file", "searcher", "coil", "gps", "verdict"), EVIL)
        recordings = tuple(
            replace(r, **texts, dropped={EVIL: 3}, advice=(EVIL,), notes=(EVIL,)) for r in outing.recordings
        )
        marks = tuple(replace(mark, name=EVIL, text=EVIL, why=EVIL) for mark in outing.marks)
        into = tuple(replace(entry, area=EVIL) for entry in outing.no_go.entries)
        head = replace(outing.head, id=EVIL, label=EVIL, note=EVIL, coils=(EVIL,))
        no_go = NoGoEntered(into, outing.no_go.area_m2)
        outings.append(replace(outing, head=head, recordings=recordings, marks=marks, no_go=no_go))
    between = Comparison(EVIL, EVIL, 1, 2, 3, 4)
    report = replace(
        report,
        site=replace(report.site, name=EVIL),
        outings=tuple(outings),
        coils=tuple(replace(coil, coil=EVIL) for coil in report.coils),
        between=between,
        notes=(EVIL,),
        todo=tuple(
            replace(
                coil,
                coil=EVIL,
                mostly=EVIL,
                pieces=tuple(replace(piece, id=EVIL, coil=EVIL, reason=EVIL) for piece in coil.pieces),
            )
            for coil in report.todo
        ),
    )
    layers = replace(
        with_difference(result).layers,
        by_coil={EVIL: layers.by_coil["28cm"], EVIL + "2": layers.by_coil["small"]},
        outings=tuple(
            replace(outing, id=EVIL, walks=tuple(replace(walk, coil=EVIL, searcher=EVIL) for walk in outing.walks))
            for outing in layers.outings
        ),
        areas=tuple(replace(area, reason=EVIL) for area in layers.areas),
    )
    return Result(report, layers)


def _lanes(n: int) -> list[np.ndarray]:
    """Lanes of one outing in site metres: wobbling, some left out, one piece of ground each."""
    rng = np.random.default_rng(n)
    lines = []
    if n == 2:  # crosswise, in the south
        for k, y in enumerate(np.arange(-37, -8, 1.3)):
            if k % 9 != 5:
                x = np.arange(-31, 31, 0.4)
                lines.append(np.column_stack([x, y + 0.35 * np.sin(x / 9 + k) + rng.normal(0, 0.04, x.size)]))
        return lines
    x0, x1 = ((-29, 2), (-2, 30), (0, 0), (-29, -10))[n]
    y0, y1 = ((-41, 41), (-41, 14), (0, 0), (-5, 20))[n]
    for k, x in enumerate(np.arange(x0, x1, 1.38)):
        if (k * 7 + n) % 11 != 4:
            y = np.arange(y0 + rng.uniform(0, 1.5), y1, 0.4)
            lines.append(np.column_stack([x + 0.3 * np.sin(y / 11 + k * 0.7 + n) + rng.normal(0, 0.03, y.size), y]))
    return lines


def _count(grid: Grid, lines: list[np.ndarray], swath_m: float) -> Cells:
    total = np.zeros((grid.rows, grid.cols), np.uint8)
    for line in lines:
        total += _mask(grid, LineString(line).buffer(swath_m / 2)).astype(np.uint8)
    return total


def _mask(grid: Grid, area: Polygon | MultiPolygon) -> np.ndarray:
    burnt = rasterize([area], (grid.rows, grid.cols), transform=grid.transform, dtype="uint8")
    return np.asarray(burnt, bool)


def _parts(grid: Grid, mask: np.ndarray) -> list[Polygon]:
    found = shapes(mask.astype(np.uint8), mask=mask, transform=grid.transform)
    return [shape(geometry) for geometry, _ in found]


def _strips(grid: Grid, missed: np.ndarray) -> tuple[Strip, ...]:
    size = max(1, round(0.3 / grid.cell_m))
    opened = ndimage.binary_opening(missed, np.ones((size, size)))
    wide = ndimage.binary_opening(opened, np.ones((round(4.5 / grid.cell_m),) * 2))
    out = []
    for kind, mask in (("open", wide), ("strip", opened & ~wide)):
        for part in _parts(grid, mask):
            if part.area >= 0.5:
                out.append(_strip(len(out) + 1, kind, part))
    return tuple(out)


def _strip(number: int, kind: str, part: Polygon) -> Strip:
    box = part.minimum_rotated_rectangle
    a, b, c = (np.array(corner) for corner in list(box.exterior.coords)[:3])
    long, short = sorted((b - a, c - b), key=lambda side: -float(np.hypot(*side)))
    length, width = float(np.hypot(*long)), float(np.hypot(*short))
    bearing = float(np.degrees(np.arctan2(long[0], long[1])) % 180) if length > 2 * width else None
    lon, lat = FRAME.to_lonlat(part.centroid.x, part.centroid.y)
    centre, ground = (float(lon), float(lat)), NOT_REACHED if kind == "open" else MISSED
    return Strip(number, kind, part.area, length, part.area / length, width, bearing, centre, part, ground=ground)


def _outing_layer(n: int, grid: Grid, cells: Cells, lines: list[np.ndarray]) -> OutingLayer:
    rng = np.random.default_rng(n + 20)
    stops = []
    for k, line in enumerate(lines[::2]):
        x, y = line[rng.integers(len(line))]
        stops.append(StopMark(float(x), float(y), 90.0, ("dig", "dig", "pause", "break")[k % 4]))
    turns = tuple(np.array([a[-1], b[0]]) for a, b in pairwise(lines[3:6]))
    outline = MultiPolygon([LineString(line).buffer(0.75) for line in lines[:1]])
    # A window of its own, smaller than the whole where the outing was.
    rows, cols = np.nonzero((cells > 0) & (cells != OUTSIDE))
    top, left, bottom, right = rows.min(), cols.min(), rows.max() + 1, cols.max() + 1
    window = Grid(grid.cell_m, grid.west + int(left), grid.north - int(top), int(bottom - top), int(right - left))
    part = cells[top:bottom, left:right]
    coil, searcher = "small" if n == 2 else "28cm", (None, "J. K.", "J. K.", "R. S.")[n]
    walks = (WalkLines(coil, 1.4, searcher, tuple(lines), turns),)
    return OutingLayer(f"2026-03-{7 + n:02d}a", window, part, outline, walks, tuple(stops))


def _report(grid: Grid, inside: np.ndarray, passes: Cells, raw: list[Cells], strips: tuple[Strip, ...]) -> Report:
    area = float(inside.sum()) * grid.cell_m2

    def m2(mask: np.ndarray) -> float:
        return float((mask & inside).sum()) * grid.cell_m2

    outings, before, hours = [], np.zeros_like(inside), 0.0
    for n, cells in enumerate(raw):
        now = cells > 0
        both = before | now
        searching = (9200.0, 6900.0, 5400.0, 2100.0)[n]
        hours += searching / 3600
        outings.append(
            OutingResult(
                OutingHead(
                    id=f"2026-03-{7 + n:02d}a",
                    label=("west half", None, "crosswise, south", "second look")[n],
                    note="rain from noon" if n == 1 else None,
                    start_s=1772874720.0 + 86400 * n,
                    coils=("small",) if n == 2 else ("28cm",),
                ),
                OutingTimes(
                    walked_m=3100 - 400.0 * n,
                    elapsed_s=searching * 1.6,
                    searching_s=searching,
                    stopped_s=searching * 0.4,
                    transit_s=searching * 0.15,
                    dropout_s=searching * 0.05,
                    stops=24 - n,
                    digs=17 - n,
                    speed_m_s=0.31,
                    total_hours=hours,
                ),
                OutingGround(
                    swept_m2=m2(now),
                    new_m2=m2(now & ~before),
                    again_same_coil_m2=0.0 if n == 2 else m2(now & before) * 0.8,
                    again_other_coil_m2=m2(now & before) if n == 2 else m2(now & before) * 0.2,
                    crosswise_m2=m2(now & before) if n == 2 else 0.0,
                    twice_m2=m2(cells > 1),
                    outside_m2=41.0,
                    not_recorded_m2=14.0 if n == 0 else 0.0,
                    total_m2=m2(both),
                    site_m2=area,
                ),
                NOT_ESTIMATED,
                Under(None),
                recordings=(_recording(n),),
                marks=MARKS if n == 0 else (),
                no_go=NoGoEntered(ENTERED, 12.4) if n == 0 else NoGoEntered((), 0.0),
            )
        )
        before = both
    shares = [m2(passes == n) for n in range(3)]
    total = TotalResult(
        swept_m2=m2(before),
        swept_pct=100 * m2(before) / area,
        twice_pct=100 * (m2(before) - shares[1]) / m2(before),
        crosswise_m2=outings[2].ground.crosswise_m2,
        not_recorded_m2=14.0,
        said_walked_m2=7.3,
        passes_m2={"0": shares[0], "1": shares[1], "2": shares[2], "3+": area - sum(shares)},
        estimate=NOT_ESTIMATED,
        under=Under(None),
        unswept=Unswept(645.6, 10.0, 0.0, 14.0, 7.3, shares[0] - 676.9, 3, shares[0]),
    )
    with_28cm, with_small = m2((raw[0] + raw[1] + raw[3]) > 0), m2(raw[2] > 0)
    coils = (
        CoilResult("28cm", 3, with_28cm, 100 * with_28cm / area, NOT_ESTIMATED, Under(None)),
        CoilResult("small", 1, with_small, 100 * with_small / area, NOT_ESTIMATED, Under(None)),
    )
    site = SiteResult("Gull Bank east", area, "given", KEEP_OFF.area, POND.area, grid.cell_m, FRAME, "Atlantic/Faroe")
    notes = ("Two outings were walked with a guessed swing width: measure it once to narrow every number.",)
    searched = (SearchedClass("iron", 0.0, 0.0, 20.0, 55.0), SearchedClass("low", 12.5, 7.5, 0.0, 55.0))
    junk = JunkResult(1, 14, 9, 3.0, 20.0, 2.0, 0.0, 75.0, 1.5, 1.4, 52.4, heard_not_dug=1, heard_m2=19.6)
    todo = _todo()
    more = {"searched_for": searched, "junk": junk, "todo": todo, "places": _places(strips, todo, grid)}
    return Report(site, tuple(outings), coils, total, strips, None, notes, **more)


def _places(strips: tuple[Strip, ...], todo: tuple[TodoCoil, ...], grid: Grid) -> tuple[SearchPlace, ...]:
    """Where to go next, with gains that are the same everywhere."""
    whole = np.ones((grid.rows, grid.cols))
    gains = (CoilGains("28cm", 1.48, 25.0, 0.2 * whole, grid), CoilGains("small", 1.35, 12.0, 0.3 * whole, grid))
    ground = box(-1000, -1000, 1000, 1000)
    return places_to_go(strips, Ranking(todo, gains, ground), 1.48, landmarks(ground, given=True), FRAME)


def _todo() -> tuple[TodoCoil, ...]:
    """Ground to do with the small coil; nothing with the large one."""
    reasons = ("too much junk for 28cm", "never swept")
    shapes = (box(14, -4, 24, 6), box(-20, -30, -14, -20))
    pieces = tuple(
        TodoPiece(
            id=f"small {n}",
            coil="small",
            rank=n,
            reason=reasons[n - 1],
            cause=("too much junk", "never swept")[n - 1],
            area_m2=shape.area,
            minutes=shape.area / 12,
            gain_per_100_m2=0.25 / n,
            gain_per_hour=1.8 / n,
            junk_per_m2=9.5 if n == 1 else None,
            junk_error_per_m2=3.1 if n == 1 else None,
            heard_not_dug=n - 1,
            centre=(FRAME.lon_deg, FRAME.lat_deg),
            shape=shape,
        )
        for n, shape in enumerate(shapes, 1)
    )
    small = TodoCoil("small", 12.0, True, 160.0, 160 / 12, reasons[0], pieces)
    return TodoCoil("28cm", 25.0, True, 0.0, 0.0, "", ()), small


def _recording(n: int) -> RecordingResult:
    return RecordingResult(
        file=f"walk-{n + 1}.gpx",
        searcher="A. Tern" if n == 1 else None,
        coil="small" if n == 2 else "28cm",
        swath_m=1.35 if n == 2 else 1.48,
        swath_measured=n == 2,
        sweep_s=1.0,
        sweep_measured=n == 2,
        gps="typical",
        fixes=9216 - 1000 * n,
        dropped={"no position": 3, "spike": 12 * n, "same time and place": 0},
        interval_s=1.0,
        verdict=("good", "usable", "good", "poor")[n],
        advice=("Turn auto-pause off: the recording fell silent at 9 stops.",) if n == 1 else (),
        notes=("Times have no zone and were read as UTC.",) if n == 3 else (),
    )
