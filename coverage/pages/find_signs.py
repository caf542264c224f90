"""Finds and planted targets on the map: their signs, what is said of each, and what finds can be shown by."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from markupsafe import Markup
from shapely.geometry import Point

from fieldcomb.coverage.finds.fields import how_well, numbers_text
from fieldcomb.coverage.finds.find import FIND_KINDS, JUNK, KEEP, LEFT, Find
from fieldcomb.coverage.lanes.lane_words import numbers_in_words
from fieldcomb.coverage.pages import colours_patterns as legend
from fieldcomb.coverage.pages.outing_data import Json, outing_name
from fieldcomb.coverage.pages.packing import pack_area, pack_line
from fieldcomb.coverage.pages.typeset import typeset
from fieldcomb.coverage.report.season_words import NO_DEPOSIT, alike_spots, spot_words
from fieldcomb.coverage.season.season_results import Season
from fieldcomb.coverage.survey.results import Report
from fieldcomb.coverage.todo.planted import PlantedTarget
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.units import format_count, format_length, format_number, local_date, parse_zone
from fieldcomb.tracks.values import dataclass

# Shapes around 0, 0 in pixels: the first three are those of what was kept, junk and what was left, in that order.
FIND_SIGNS = {
    "find-0": "M0 -8L7 0L0 8L-7 0z",
    "find-1": "M-6 -6L6 -6L6 6L-6 6zM-2 -2L2 -2L2 2L-2 2z",
    "find-2": "M-7 -6L7 -6L0 7z",
    "find-3": "M-8 -4L8 -4L8 4L-8 4z",
    "find-4": "M0 -8L7 6L-7 6z",
    "find-5": "M-4 -8L4 -8L4 8L-4 8z",
    "find-6": "M-4 -7L4 -7L7 0L4 7L-4 7L-7 0z",
}
# A value has its number's shape and colour; the counts of both have no common factor, so that 42 values differ.
_LOOKS = 42
FIND_LOOKS = [
    (f"find-{number % len(FIND_SIGNS)}", legend.LINE_COLOURS[number % len(legend.LINE_COLOURS)])
    for number in range(_LOOKS)
]
FIND_ROWS = ("Kind", "Number", "Depth", "Period", "Material", "Found", "Place", "Hole", "With", "Reported", "Note")
KIND_NAMES = {KEEP: "kept", JUNK: "junk", LEFT: "heard and left"}
LEAST_CIRCLE_M = 1.0  # of a hot spot: as the words say, and large enough for a thumb
# By number of find: for each photograph pixels across and down, and a JPEG in base64.
Pictures = Mapping[int, Sequence[tuple[int, int, str]]]
NO_PICTURES: Pictures = {}
_YEARLESS = 1e9  # periods without years stand after those with
_NUMBERS, _DEPTH_CM = 10, 10  # widths of the groups of target numbers and depths


@dataclass(frozen=True, slots=True)
class FindKey:
    """One thing that finds can be shown by: its name, and each value with how many drawn finds have it."""

    name: str
    values: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class SignGroup:
    """One layer: its key, how it is drawn, its name on the board, what is drawn, and the pattern of its sample."""

    key: str
    how: str
    label: str
    drawn: object
    pattern: str = ""


def _kind(find: Find, _: Report) -> tuple[int, str]:
    return FIND_KINDS.index(find.kind), KIND_NAMES[find.kind]


def _period(find: Find, _: Report) -> tuple[float, str]:
    if not find.period:
        return np.inf, "no period"
    return _YEARLESS if find.from_year is None else find.from_year, find.period


def _number(find: Find, _: Report) -> tuple[float, str]:
    if find.number is None:
        return np.inf, "no number"
    low = find.number[0] // _NUMBERS * _NUMBERS
    return low, f"{low}-{low + _NUMBERS - 1}"


def _depth(find: Find, _: Report) -> tuple[float, str]:
    if find.depth_m is None:
        return np.inf, "depth not known"
    low = int(round(find.depth_m * 100, 6) // _DEPTH_CM * _DEPTH_CM)
    return low, f"{low}-{low + _DEPTH_CM} cm"


def _outing(find: Find, report: Report) -> tuple[float, str]:
    ids = [outing.head.id for outing in report.outings]
    if find.outing not in ids:
        return np.inf, find.outing or "no outing"
    return ids.index(find.outing), outing_name(report.outings[ids.index(find.outing)])


_BY: dict[str, Callable[[Find, Report], tuple[float, str]]] = {
    "kind": _kind,
    "period": _period,
    "target number": _number,
    "depth": _depth,
    "outing": _outing,
}


def _placed(report: Report) -> list[Find]:
    return [find for find in report.finds if find.placed]


def find_keys(report: Report) -> list[FindKey]:
    """Return what the finds on the map can be shown by; none where no find has a place."""
    finds = _placed(report)
    keys = []
    for name, value_of in _BY.items() if finds else ():
        ranks: dict[str, float] = {}
        counts: dict[str, int] = {}
        for find in finds:
            rank, value = value_of(find, report)
            ranks[value] = min(rank, ranks.get(value, rank))
            counts[value] = counts.get(value, 0) + 1
        values = sorted(ranks, key=lambda value: (ranks[value], value))
        keys.append(FindKey(name, tuple((value, counts[value]) for value in values)))
    return keys


def find_items(report: Report, pictures: Pictures = NO_PICTURES) -> list[Json]:
    """Return the finds as the page draws them; ``of`` is the number of a find's value for each key."""
    finds = _placed(report)
    if not finds:
        return []
    places = [{value: n for n, (value, _) in enumerate(key.values)} for key in find_keys(report)]
    lon, lat = np.array([(find.lon_deg, find.lat_deg) for find in finds], float).T
    x, y = report.site.frame.to_metres(lon, lat)
    zone = report.site.zone
    return [
        {
            "id": f"find-{find.find_no}",
            "at": pack_line(report.site.frame, np.array([[x[n], y[n]]])),
            "title": typeset(f"{find.find_no} {find.what or KIND_NAMES[find.kind]}"),
            "said": _said(find, zone),
            "of": [of[value_of(find, report)[1]] for of, value_of in zip(places, _BY.values(), strict=True)],
        }
        | ({"pictures": pictures[find.find_no]} if find.find_no in pictures else {})
        for n, find in enumerate(finds)
    ]


def _said(find: Find, zone: str) -> list[str]:
    """What the popup of a find says, one text for each of FIND_ROWS; blank ones at the end are left out."""
    day = local_date(find.time_s, parse_zone(zone))
    years = [str(year) for year in (find.from_year, find.to_year) if year is not None]
    others = ", ".join(str(number) for number in find.belongs_with)
    pieces = "" if find.count in (None, 1) else format_count(find.count or 0, "piece")
    texts = [
        KIND_NAMES[find.kind],
        numbers_text(find.number),
        "" if find.depth_m is None else f"{find.depth_m * 100:.3g} cm",
        ", ".join(part for part in (find.period, " to ".join(dict.fromkeys(years))) if part),
        ", ".join(part for part in (find.material, pieces) if part),
        ", ".join(part for part in (str(day) if day else find.outing, find.coil, find.finder) if part),
        how_well(find),
        find.hole,
        f"find {others}" if others else "",
        ", ".join(part for part in (find.reported_to, find.report_no) if part),
        find.note,
    ]
    while not texts[-1]:
        texts.pop()
    return [typeset(text) for text in texts]


def sign_groups(report: Report, planted: Sequence[PlantedTarget], pictures: Pictures = NO_PICTURES) -> list[SignGroup]:
    """Return the layers of planted targets, hot spots and finds that have anything."""
    frame = report.site.frame
    targets, spots = planted_items(planted, frame), spot_items(report.season, frame)
    finds = find_items(report, pictures)
    groups: list[SignGroup] = []
    if targets:
        groups.append(SignGroup("planted", "marks", f"planted targets ({_many(targets)})", targets))
    if spots:
        label = f"hot spots: finds closer together than chance ({_many(spots)})"
        groups.append(SignGroup("spots", "areas", label, spots, "hot-spot"))
    if finds:
        drawn = {"items": finds, "looks": FIND_LOOKS, "rows": FIND_ROWS}
        groups.append(SignGroup("finds", "finds", f"finds ({_many(finds)})", drawn))
    return groups


def _many(items: list[Json]) -> str:
    return typeset(format_number(len(items)))


def spot_items(season: Season | None, frame: SiteFrame) -> list[Json]:
    """Return hot spots as the page draws them: a circle round the middle of their finds that reaches the farthest.

    One of the same finds at several scales is drawn once. The smallest comes last: it lies above a larger one.
    """
    out = []
    groups = alike_spots(season.spots) if season else []
    for n, alike in enumerate(sorted(groups, key=lambda alike: -alike[0].radius_m), 1):
        spot = alike[0]
        scales, within, chance = spot_words(alike)
        p, bags = max(one.p for one in alike), numbers_in_words(sorted(spot.members))
        rows = [("Bags", bags), ("Place", within), ("p", f"{p:.2g}: {chance}")]
        rows += [("Linked at", scales), ("Mind", NO_DEPOSIT)]
        circle = Point(spot.x_m, spot.y_m).buffer(max(spot.radius_m, LEAST_CIRCLE_M), quad_segs=12)
        item = {"kind": "hot-spot", "pane": "places", "shape": pack_area(frame, circle)}
        item |= {"id": f"spot-{n}", "title": "Hot spot", "rows": [(word, typeset(text)) for word, text in rows]}
        out.append(item | {"brief": typeset(f"bags {bags} {within}")})
    return out


def find_swatch(number: int) -> Markup:
    """A sample of the sign of a value with this number from 0 on."""
    sign, colour = FIND_LOOKS[number % _LOOKS]
    look = f'fill="{colour}" fill-rule="evenodd"'
    return Markup(legend.swatch_with(f'<path transform="translate(17 11)" d="{FIND_SIGNS[sign]}" {look}/>'))


def planted_items(targets: Sequence[PlantedTarget], frame: SiteFrame) -> list[Json]:
    """Return targets that were buried on purpose as the page draws them."""
    return [
        planted_words(target)
        | {"id": f"planted-{n}", "at": pack_line(frame, np.array([target.at_m]))}
        | {"sign": f"planted-{'found' if target.found else 'missed'}", "colour": legend.INK}
        for n, target in enumerate(targets, 1)
    ]


def planted_words(target: PlantedTarget) -> dict[str, Any]:
    """What the popup of a planted target says: title, rows, and a short text."""
    state = "found" if target.found else "not found"
    rows = [("State", state), ("Class", target.target_class or "not stated")]
    rows += [] if target.depth_m is None else [("Depth", typeset(format_length(target.depth_m)))]
    rows += [] if target.coil is None else [("Coil", target.coil)]
    return {"title": f"Planted: {target.name}", "rows": rows, "brief": state}
