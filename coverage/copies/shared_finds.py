"""What a copy says of finds: a list or counts, without those that lay on closed ground."""

from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from datetime import date, tzinfo

import shapely
from shapely.geometry import Point
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.copies.audience import Audience
from fieldcomb.coverage.copies.plain_words import plain_words
from fieldcomb.coverage.copies.shared_copy import CopyFind, CopyFinds
from fieldcomb.coverage.finds.find import JUNK, KEEP, LEFT, Find
from fieldcomb.coverage.report.words import MONTHS
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.units import local_date

NO_PERIOD = "period not known"
NO_WHAT = "not named"
Names = Mapping[str, str]


def day_in_words(day: date | None) -> str:
    """Return a day as ``11 April 2026``; without one that there is none."""
    return "no date" if day is None else f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def open_finds(finds: Sequence[Find], closed: BaseGeometry, frame: SiteFrame) -> tuple[Find, ...]:
    """Return the finds that do not lie on closed ground, as far as their places are known.

    One whose place is not known is left out where any ground is closed: it may have come from there.
    """
    if closed.is_empty:
        return tuple(finds)
    shapely.prepare(closed)
    return tuple(find for find in finds if _is_open(find, closed, frame))


def _is_open(find: Find, closed: BaseGeometry, frame: SiteFrame) -> bool:
    if find.lon_deg is None or find.lat_deg is None:
        return False
    x, y = frame.to_metres([find.lon_deg], [find.lat_deg])
    return not shapely.dwithin(closed, Point(x[0], y[0]), find.error_m or 0.0)


def unplaced_on(days: Collection[date | None], finds: Sequence[Find], zone: tzinfo) -> tuple[Find, ...]:
    """Return finds without the places of those of some days."""
    return tuple(replace(one, lon_deg=None, lat_deg=None) if _day(one, zone) in days else one for one in finds)


def copy_finds(
    finds: Sequence[Find], audience: Audience, names: Names, zone: tzinfo, square_of: Callable[[float, float], str]
) -> CopyFinds:
    """Return what a copy says of finds; ``square_of`` names the square of a longitude and a latitude."""
    kept = [find for find in finds if find.kind == KEEP]
    by_period = Counter(plain_words(find.period, names) or NO_PERIOD for find in kept)
    counts = tuple(sorted(by_period.items(), key=lambda one: (one[0] == NO_PERIOD, -one[1], one[0])))
    if audience is Audience.PUBLIC:
        return CopyFinds((), counts)
    rows = [_row(find, audience, names, zone, square_of) for find in kept]
    listed = tuple(row for _, row in sorted(rows, key=lambda one: (*one[0], one[1].period, one[1].what)))
    if audience is Audience.CLUB:
        return CopyFinds(listed, counts)
    dug = [find for find in finds if find.kind in (KEEP, JUNK)]
    holes = len({(find.outing, find.hole) if find.hole else find.find_no for find in dug})
    junk = sum(find.count or 1 for find in dug if find.kind == JUNK)
    return CopyFinds(listed, counts, holes, junk, sum(find.kind == LEFT for find in finds))


def _row(
    find: Find, audience: Audience, names: Names, zone: tzinfo, square_of: Callable[[float, float], str]
) -> tuple[tuple[str, ...], CopyFind]:
    what, period = plain_words(find.what, names) or NO_WHAT, plain_words(find.period, names)
    if audience is Audience.CLUB:
        return ("",), CopyFind(what, period)
    day = _day(find, zone)
    placed = find.lon_deg is not None and find.lat_deg is not None
    square = square_of(find.lon_deg or 0.0, find.lat_deg or 0.0) if placed else ""
    kept_at = plain_words(find.kept_at, names)
    return ("" if day is None else str(day),), CopyFind(what, period, day_in_words(day), square, kept_at)


def _day(find: Find, zone: tzinfo) -> date | None:
    """Return the day of a find, or of its outing."""
    day = local_date(find.time_s, zone)
    if day is None:
        try:
            day = date.fromisoformat(find.outing[:10])
        except ValueError:
            day = None
    return day
