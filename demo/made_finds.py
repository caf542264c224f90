"""Invented finds of the demo site: what its walkers dug, with the marks of the walks among them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

import numpy as np
import shapely
from walker import SEARCH, Place

from fieldcomb.coverage.finds.find import FIND_COLUMNS, FINDS_FILE, JUNK, KEEP, LEFT, Find
from fieldcomb.coverage.finds.writing import with_finds
from fieldcomb.coverage.gear.receivers import receiver
from fieldcomb.tracks.files.kept_table import new_table
from fieldcomb.tracks.frame import SiteFrame

if TYPE_CHECKING:
    from make_demo import DemoOuting

SEED = 2026_05_12
MEDIEVAL_AT: Place = (16.0, 12.0)  # where a purse was lost: a hot spot
IN_M = 1.0  # finds lie so far within the edge, as the receiver saw it
NEAR_M = 1.6  # its finds lie so near to its middle
IN_PLOUGHSOIL_CM = (4, 24)
REPORTED = ("museum", date(2026, 5, 20))


@dataclass(frozen=True, slots=True)
class Sort:
    """A sort of thing that is found: how often, what it is, its target numbers, and the years that it may be of."""

    times: int
    kind: str
    what: str
    material: str
    numbers: tuple[int, int]
    period: str = ""
    years: tuple[int, int] | None = None
    grams: float = 0.0


SORTS = (
    Sort(3, KEEP, "copper coin", "copper", (52, 60), "18th century", (1710, 1790), 7.5),
    Sort(3, KEEP, "flat button", "copper alloy", (48, 62), "19th century", (1800, 1880), 3.2),
    Sort(2, KEEP, "musket ball", "lead", (55, 64), "17th century", (1600, 1700), 24.0),
    Sort(2, KEEP, "buckle", "copper alloy", (44, 58), "17th century", (1580, 1680), 11.0),
    Sort(1, KEEP, "spindle whorl", "lead", (60, 66), "medieval", (1200, 1500), 31.0),
    Sort(2, KEEP, "bronze coin", "copper alloy", (38, 50), "Roman", (270, 360), 2.6),
    Sort(1, KEEP, "brooch", "copper alloy", (40, 52), "Roman", (50, 150), 9.4),
    Sort(9, JUNK, "nail", "iron", (8, 22)),
    Sort(6, JUNK, "foil", "aluminium", (30, 42)),
    Sort(5, JUNK, "lead scrap", "lead", (50, 64)),
    Sort(3, JUNK, "wire", "iron", (12, 28)),
    Sort(5, LEFT, "", "", (10, 24)),
)
OF_PURSE = ("hammered penny", "hammered penny", "cut halfpenny", "purse bar", "hammered penny", "mount", "strap end")
OF_MARKS = {  # what the words of the marks turned out to be
    "coin": ("18th century", (1700, 1800), "copper", (52, 60)),
    "button": ("19th century", (1800, 1900), "copper alloy", (48, 60)),
    "buckle": ("17th century", (1580, 1680), "copper alloy", (44, 58)),
    "thimble": ("18th century", (1700, 1800), "copper alloy", (46, 54)),
    "hook": ("medieval", (1300, 1500), "copper alloy", (40, 50)),
    "ring": ("19th century", (1800, 1900), "silver", (64, 70)),
    "nail": ("", None, "iron", (8, 22)),
    "lead scrap": ("", None, "lead", (50, 64)),
}


def finds_csv(outings: Sequence[DemoOuting], frame: SiteFrame, edge: shapely.Polygon) -> str:
    """Return finds.csv as it stands after five outings, filled in at home; ``edge`` is that of the site."""
    rng = np.random.default_rng(SEED)
    finds = [find for outing in outings for find in _marked(outing, frame, rng)]
    finds += _scattered(outings[:4], frame, edge.buffer(-IN_M), rng)
    finds += [_at(outings[1], _near(rng), frame, _medieval(what, rng)) for what in OF_PURSE]
    finds.sort(key=lambda find: find.time_s or 0.0)
    numbered = [replace(find, find_no=number) for number, find in enumerate(finds, 1)]
    return with_finds(new_table(FINDS_FILE, FIND_COLUMNS), _told_more(numbered), UTC).as_bytes().decode("utf-8")


def _marked(outing: DemoOuting, frame: SiteFrame, rng: np.random.Generator) -> Iterable[Find]:
    """The finds that were marked on the walk, where the receiver thought they were."""
    for mark in outing.waypoints:
        kind, _, what = mark.name.partition(" ")
        if kind not in (KEEP, JUNK):
            continue
        period, years, material, numbers = OF_MARKS.get(what, ("", None, "copper alloy", (44, 60)))
        sort = Sort(1, kind, what, material, numbers, period, years)
        time_s = round(mark.t_s)  # as it is written into the recording
        find = replace(_find(sort, rng), time_s=time_s, mark=f"waypoint {time_s}.000", how="fix")
        yield _placed(find, outing, (mark.x_m, mark.y_m), frame)


def _scattered(
    outings: Sequence[DemoOuting], frame: SiteFrame, inside: shapely.Polygon, rng: np.random.Generator
) -> list[Find]:
    """Finds here and there on the ground that was walked; most nails on the old tip, with the small coil."""
    finds = []
    for sort in SORTS:
        for _ in range(sort.times):
            at_tip = sort.kind == JUNK and rng.random() < 0.4
            outing = outings[3] if at_tip else outings[int(rng.integers(0, 3))]
            searching = np.flatnonzero(outing.walk.state == SEARCH)
            find, where = _find(sort, rng), (np.nan, np.nan)
            while not shapely.contains_xy(inside, *where):
                at = int(rng.choice(searching))
                placed = _at(outing, (float(outing.walk.x_m[at]), float(outing.walk.y_m[at])), frame, find)
                where = frame.to_metres(placed.lon_deg, placed.lat_deg)
            finds.append(placed)
    return finds


def _near(rng: np.random.Generator) -> Place:
    """A place within the hot spot."""
    angle, away_m = rng.uniform(0, 2 * np.pi), NEAR_M * np.sqrt(rng.random())
    return MEDIEVAL_AT[0] + float(away_m * np.cos(angle)), MEDIEVAL_AT[1] + float(away_m * np.sin(angle))


def _medieval(what: str, rng: np.random.Generator) -> Find:
    material = "silver" if "penn" in what else "copper alloy"
    return _find(Sort(1, KEEP, what, material, (58, 72), "medieval", (1280, 1400), 1.2), rng)


def _find(sort: Sort, rng: np.random.Generator) -> Find:
    low = int(rng.integers(*sort.numbers))
    number = (low, min(low + int(rng.integers(0, 4)), sort.numbers[1]))
    if sort.kind == LEFT:
        return Find(0, LEFT, number=number, note="deep, iron by its number")
    first, last = sort.years or (None, None)
    weight_g = round(sort.grams * float(rng.uniform(0.8, 1.2)), 1) if sort.grams else None
    find = Find(0, sort.kind, number=number, what=sort.what, material=sort.material, weight_g=weight_g, count=1)
    return replace(
        find,
        depth_m=int(rng.integers(*IN_PLOUGHSOIL_CM)) / 100,
        period=sort.period,
        from_year=first,
        to_year=last,
        layer="topsoil",
    )


def _at(outing: DemoOuting, place: Place, frame: SiteFrame, find: Find) -> Find:
    """A find at a true place: when the walker came nearest to it, and where the receiver thought he was then."""
    walk = outing.walk
    nearest = int(np.argmin(np.hypot(walk.x_m - place[0], walk.y_m - place[1]) + 1e3 * (walk.state != SEARCH)))
    time_s = round(float(walk.t_s[nearest]))
    fixes = outing.fixes
    seen = [float(np.interp(time_s, fixes.t_s, axis)) for axis in (fixes.x_m, fixes.y_m)]
    off = (place[0] - float(walk.x_m[nearest]), place[1] - float(walk.y_m[nearest]))
    return _placed(replace(find, time_s=time_s, how="fix"), outing, (seen[0] + off[0], seen[1] + off[1]), frame)


def _placed(find: Find, outing: DemoOuting, place: Place, frame: SiteFrame) -> Find:
    lon, lat = frame.to_lonlat(*place)
    day = datetime.fromtimestamp(find.time_s or 0.0, UTC).date()
    coil = outing.file.removesuffix(".gpx").rsplit("-", 1)[1]
    error_m = round(receiver("typical").r95_m, 1)
    return replace(find, outing=f"{day}a", coil=coil, lat_deg=float(lat), lon_deg=float(lon), error_m=error_m)


def _told_more(finds: list[Find]) -> list[Find]:
    """What was written in at home: two holes with two finds each, what belongs together, and what was reported."""
    kept = [find for find in finds if find.kind == KEEP]
    purse = [find for find in kept if find.what in OF_PURSE]
    pairs = [(purse[0], purse[1]), tuple(find for find in kept if find.what == "musket ball")[:2]]
    told = {find.find_no: find for find in finds}
    for hole, (first, second) in enumerate(pairs, 1):
        told[first.find_no] = replace(first, hole=f"h{hole}")
        same = {"outing", "time_s", "lat_deg", "lon_deg", "coil"}
        told[second.find_no] = replace(second, hole=f"h{hole}", **{name: getattr(first, name) for name in same})
    bar = next(find for find in purse if find.what == "purse bar")
    for find in purse:
        others = () if find is bar else (bar.find_no,)
        told[find.find_no] = replace(
            told[find.find_no],
            belongs_with=others,
            reported_to=REPORTED[0],
            report_no=f"26-{find.find_no:03}",
            reported_on=REPORTED[1],
            kept_at="museum",
        )
    return list(told.values())
