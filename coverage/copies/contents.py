"""What one copy says, made from a whole result: nothing finer goes in than its reader may see."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import field
from datetime import date

import shapely

from fieldcomb.coverage.copies.audience import ALLOWED, Audience
from fieldcomb.coverage.copies.drawn_ground import DrawnGround, closed_areas, closed_ground
from fieldcomb.coverage.copies.globe_square import globe_square
from fieldcomb.coverage.copies.plain_words import plain_words
from fieldcomb.coverage.copies.shared_copy import CopyArea, CopyOuting, CopyShares, SharedCopy
from fieldcomb.coverage.copies.shared_finds import copy_finds, day_in_words, open_finds, unplaced_on
from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.survey.results import OutingResult, Report, Result
from fieldcomb.tracks.units import local_date, parse_zone
from fieldcomb.tracks.values import dataclass

NO_TITLE = "Searched ground"
MOST_DAYS_DRAWN = 12  # outings drawn one by one, the latest
MOST_NEXT = 40  # squares that the owner is asked for
LEAST_NEXT_M2 = 3.0  # of a square's ground, to ask for it
AREA_STEP_M2 = 10
WHOLE = "all of the ground"
_NAMED = ("site", "junk", "filled", "walked")


@dataclass(frozen=True, slots=True)
class CopyInputs:
    """What goes into a copy beside the result.

    title : in place of the site's name, as typed for this copy. names : of people, with their initials.
    seen, filled : by id of an outing, what was seen on the ground, and which holes were filled.
    """

    title: str | None = None
    names: Mapping[str, str] = field(default_factory=dict)
    finds: tuple[Find, ...] = ()
    seen: Mapping[str, str] = field(default_factory=dict)
    filled: Mapping[str, str] = field(default_factory=dict)


def make_copy(result: Result, audience: Audience, given: CopyInputs) -> SharedCopy:
    """Return what a copy says; pure, so the same site gives the same copy."""
    allowed, report = ALLOWED[audience], result.report
    zone, frame = parse_zone(report.site.zone), report.site.frame
    closing = _closing_days(result)
    of_closing = (one.head.id for one in report.outings if local_date(one.head.start_s, zone) in closing)
    drawn = DrawnGround(result, allowed, frozenset(of_closing))
    days = sorted(filter(None, (local_date(outing.head.start_s, zone) for outing in report.outings)))
    finds = open_finds(given.finds, closed_ground(result), frame)
    unplaced = unplaced_on(closing, finds, zone)
    outings = report.outings[-MOST_DAYS_DRAWN:] if allowed.days else ()
    owner, club = audience is Audience.OWNER, audience is Audience.CLUB
    return SharedCopy(
        audience=audience,
        title=given.title or (plain_words(report.site.name, given.names) if allowed.named else "") or NO_TITLE,
        years=_span([str(day.year) for day in days]),
        days=_span([day_in_words(day) for day in days]) if allowed.days else "",
        place=globe_square(drawn.shape, frame) if audience is Audience.PUBLIC else "",
        shares=_shares(report),
        ground=drawn.all_squares(),
        outline=drawn.outline(),
        outings=tuple(_outing(outing, drawn, given, closing) for outing in outings),
        more_outings=len(report.outings) - len(outings) if allowed.days else 0,
        areas=_areas(drawn, given) if club else (),
        finds=copy_finds(unplaced, audience, given.names, zone, drawn.square_of(frame)) if finds else None,
        closed=_closed_on(result) if owner else (),
        next_squares=_next(drawn) if owner else (),
        left_out=allowed.left_out,
    )


def _span(texts: Sequence[str]) -> str:
    """Return the first and the last of some texts in order, once where they are the same; blank for none."""
    ends = list(dict.fromkeys((texts[0], texts[-1]))) if texts else []
    return " to ".join(ends)


def _shares(report: Report) -> CopyShares:
    total, whole_m2 = report.total, report.site.area_m2
    estimate = total.estimate
    parts = [total.passes_m2[key] for key in ("0", "1", "2", "3+")]
    exact = [100 * part / whole_m2 if whole_m2 else 0.0 for part in parts]
    whole = [int(value) for value in exact]
    for n in sorted(range(4), key=lambda n: (whole[n] - exact[n], n))[: 100 - sum(whole)]:
        whole[n] += 1
    pct, low, high = (None if value is None else round(value) for value in (estimate.pct, estimate.low, estimate.high))
    return CopyShares(pct, low, high, round(total.swept_pct), (whole[0], whole[1], whole[2], whole[3]))


def _outing(
    outing: OutingResult, drawn: DrawnGround, given: CopyInputs, closing: Collection[date | None]
) -> CopyOuting:
    head = outing.head
    report, layers = drawn.result.report, drawn.result.layers
    people = [one.searcher for one in outing.recordings if one.searcher]
    layer = next(layer for layer in layers.outings if layer.id == head.id)
    day = local_date(head.start_s, parse_zone(report.site.zone))
    return CopyOuting(
        day=day_in_words(day),
        people=", ".join(dict.fromkeys([*people, *head.unrecorded])),
        share_pct=round(outing.ground.swept_pct),
        dug_stops=outing.times.digs,
        squares=None if day in closing else drawn.squares_of(layer),
        seen=plain_words(given.seen.get(head.id, ""), given.names),
        filled=plain_words(given.filled.get(head.id, ""), given.names),
    )


def _areas(drawn: DrawnGround, given: CopyInputs) -> tuple[CopyArea, ...]:
    """Return what is still to do in each part of the ground that has a name, and in all of it."""
    shapes = [
        (plain_words(area.reason, given.names), area.shape)
        for area in drawn.result.layers.areas
        if area.kind in _NAMED and area.reason and not area.marked_in
    ]
    return tuple(_area(name, shape, drawn) for name, shape in [*shapes, (WHOLE, drawn.shape)])


def _area(name: str, shape: shapely.Geometry, drawn: DrawnGround) -> CopyArea:
    shapely.prepare(shape)
    site = drawn.site
    inside = shapely.contains_xy(shape, site.x_m, site.y_m)
    open_m2, swept_m2 = float(site.open_m2[inside].sum()), float(site.swept_m2[inside].sum())
    places = [place for place in drawn.result.report.places if shape.contains(place.shape.representative_point())]
    return CopyArea(
        name=name,
        searched_pct=round(100 * swept_m2 / open_m2) if open_m2 else 0,
        left_m2=_in_steps(open_m2 - swept_m2),
        places=len(places),
        places_m2=_in_steps(sum(place.area_m2 for place in places)),
    )


def _in_steps(area_m2: float) -> int:
    return AREA_STEP_M2 * round(area_m2 / AREA_STEP_M2)


def _closed_on(result: Result) -> tuple[str, ...]:
    """Return the days on which ground was closed, one for each place."""
    return tuple(day_in_words(day) for day in sorted((area.since for area in closed_areas(result)), key=str))


def _closing_days(result: Result) -> frozenset[date | None]:
    """Return the days of which no place is told: a short walk that ended where it closed ground would show where."""
    closed, zone = closed_areas(result), parse_zone(result.report.site.zone)
    ids = {area.marked_in for area in closed}
    begun = (local_date(one.head.start_s, zone) for one in result.report.outings if one.head.id in ids)
    return frozenset((*begun, *(area.since for area in closed)))


def _next(drawn: DrawnGround) -> tuple[str, ...]:
    """Return the squares with ground that is worth going to, of the best places, by column and row."""
    squares = [name for place in drawn.result.report.places for name in drawn.squares_in(place.shape, LEAST_NEXT_M2)]
    best = list(dict.fromkeys(squares))[:MOST_NEXT]
    return tuple(
        sorted(best, key=lambda name: (len(name.rstrip("0123456789")), name.rstrip("0123456789"), len(name), name))
    )
