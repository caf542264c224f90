"""What finds say, as lines for people and as fields of report.json: the same words on the terminal and on the map."""

import math
from collections.abc import Iterator, Sequence
from typing import Any

from fieldcomb.coverage.report.rounding import DEGREE_PLACES, as_fields, rounded, share
from fieldcomb.coverage.season.counts import BAND, wider_bands
from fieldcomb.coverage.season.hot_spots import HotSpot, HotSpots
from fieldcomb.coverage.season.season_results import (
    NO_SIGN,
    Companions,
    Density,
    LeftInGround,
    NumberBand,
    Season,
    Share,
    WorthDigging,
)
from fieldcomb.coverage.season.since_events import EventResult, SinceResult
from fieldcomb.coverage.survey.results import Report
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.units import format_count, format_length, format_percent

METHODS = {
    "leslie": "Leslie",
    "ricker": "Leslie in Ricker's form",
    "delury": "DeLury",
    "carle-strub": "Carle and Strub",
    "two-pass": "two passes",
}
CLOSE_ADVICE = (
    "Leave what is still in place, cover it, tell nobody where it is. Call the owner and the archaeological service; "
    "for ordnance or human bones, the police"
)
NO_DEPOSIT = "In ploughed soil a hot spot is no deposit: the plough moves things by metres"
MOST_NAMED = 8  # bags of one group

# -------------------------------------------------------------------------------------------------------- report.json


def found_fields(season: Season | None, frame: SiteFrame) -> dict[str, Any] | None:
    """Return what finds say; null on a site without finds."""
    if season is None:
        return None
    return {
        "by_number": [
            {"coil": band.coil or None, "from": band.first, "to": band.last} | _share_fields(band.share)
            for band in season.by_number
        ],
        "by_depth": [
            {"from_m": band.top_m, "to_m": band.bottom_m} | _share_fields(band.share) for band in season.by_depth
        ],
        "ground_m2": rounded(season.ground_m2, 2),
        "hours": rounded(season.hours, 3),
        "per_100_m2": {one.of: _rate_fields(one.per_100_m2) for one in season.densities if one.by != "period"},
        "per_hour": {one.of: _rate_fields(one.per_hour) for one in season.densities if one.by != "period"},
        "by_period": {
            one.of: {"kept": one.kept, "per_100_m2": _rate_fields(one.per_100_m2)}
            for one in season.densities
            if one.by == "period"
        },
        "hot_spots": [
            {
                "finds": list(spot.members),
                "centre": _lonlat(frame, spot.x_m, spot.y_m),
                "radius_m": rounded(spot.radius_m, 2),
                "p": rounded(spot.p, 4),
                "scale_m": spot.scale_m,
            }
            for spot in season.spots.spots
        ],
        "hot_spot_scales_m": list(season.spots.scales_m),
        "scales_too_wide_m": list(season.spots.too_close_m),
        "left": [_left_fields(line) for line in season.left],
        "together": [_companion_fields(group, frame) for group in season.companions],
        "without": dict(season.without),
    }


def _share_fields(share: Share) -> dict[str, Any]:
    low, high = share.limits_pct
    known = {"kept_pct": share.kept_pct, "low": low, "high": high} if share.dug else {}
    return {"kept": share.kept, "junk": share.junk, "left": share.left} | {
        name: rounded(known.get(name), 2) for name in ("kept_pct", "low", "high")
    }


def _rate_fields(rate: tuple[float, float, float] | None) -> dict[str, float | None] | None:
    names = ("value", "low", "high")
    return None if rate is None else {name: rounded(one, 4) for name, one in zip(names, rate, strict=True)}


def _left_fields(line: LeftInGround) -> dict[str, Any]:
    places = {"estimate": 1, "low": 1, "high": 1, "stock": 1}
    rest = as_fields(line, places, without=("of_class", "coil", "at", "rate", "catchability", "band"))
    points = [[rounded(at, 1), rounded(rate, 4)] for at, rate in zip(line.at, line.rate, strict=True)]
    named = {"class": line.of_class or None, "coil": line.coil or None, "points": points}
    return rest | named | {"not_in_it": list(line.not_in_it), "why": line.why or None}


def _companion_fields(group: Companions, frame: SiteFrame) -> dict[str, Any]:
    here = None if group.x_m is None or group.y_m is None else _lonlat(frame, group.x_m, group.y_m)
    rest = {"finds": list(group.finds), "radius_m": rounded(group.radius_m, 2), "outing": group.outing or None}
    return {"how": group.how, "centre": here} | rest


def _lonlat(frame: SiteFrame, x_m: float, y_m: float) -> list[float]:
    lon, lat = frame.to_lonlat([x_m], [y_m])
    return [round(float(lon[0]), DEGREE_PLACES) + 0.0, round(float(lat[0]), DEGREE_PLACES) + 0.0]


def event_fields(one: EventResult) -> dict[str, Any]:
    """Return one change of the ground as report.json has it; shares are null where no outings lie on both sides."""
    event = one.event
    return {
        "date": str(event.day),
        "event": event.kind,
        "area": event.area or None,
        "depth_m": rounded(event.depth_m, 3),
        "note": event.note or None,
        "outings_before": one.outings_before,
        "outings_since": one.outings_since,
        "area_m2": rounded(one.area_m2, 2),
        "since_pct": _part_pct(one.since_m2, one.area_m2),
        "ever_pct": _part_pct(one.ever_m2, one.area_m2),
    }


def since_fields(since: SinceResult | None) -> dict[str, Any] | None:
    """Return what a report that begins on a day counts; null for a report of all outings."""
    if since is None:
        return None
    return {
        "date": str(since.day),
        "event": None if since.event is None else since.event.kind,
        "swept_pct": rounded(since.swept_pct, 2),
        "ever_pct": rounded(since.ever_pct, 2),
    }


def _part_pct(part_m2: float | None, whole_m2: float | None) -> float | None:
    if part_m2 is None or not whole_m2:
        return None
    return share(100 * part_m2 / whole_m2, round(part_m2, 2), round(whole_m2, 2), 2)


def worth_fields(worth: WorthDigging | None) -> dict[str, Any] | None:
    """Return what came of signals dug with a coil; null where it dug none."""
    return None if worth is None else {"class": worth.of_class or None} | _share_fields(worth.share)


# -------------------------------------------------------------------------------------------------------------- words


def worth_lines(report: Report) -> Iterator[str]:
    """How often a signal was worth digging with each coil that has ground to do, beside the ranking of that ground."""
    worth = report.season.worth if report.season else ()
    for coil in report.todo:
        known = [one for one in worth if one.coil == coil.coil]
        if coil.pieces and known:
            said = [f"{one.of_class + ' targets, ' if one.of_class else ''}{format_kept(one.share)}" for one in known]
            yield f"Signals dug with {coil.coil}: {'; '.join(said)}"


def since_lines(report: Report) -> Iterator[str]:
    """How much was walked over since the ground changed, beside how much ever was; the latest change first."""
    if report.since is not None:
        event = report.since.event
        words = f"since {report.since.day.day} {report.since.day:%b %Y}" if event is None else event.since
        yield _since(words, report.since.swept_pct, report.since.ever_pct, "")
        return
    for one in reversed(report.events):
        if one.between and one.area_m2 and one.since_m2 is not None and one.ever_m2 is not None:
            since_pct, ever_pct = (100 * m2 / one.area_m2 for m2 in (one.since_m2, one.ever_m2))
            yield _since(one.event.since, since_pct, ever_pct, one.event.area)


def _since(words: str, since_pct: float, ever_pct: float, area: str) -> str:
    """Two shares of the same ground.

    >>> _since("since it was ploughed on 2 Oct 2026", 71.2, 93.4, "")
    'walked over 71 % since it was ploughed on 2 Oct 2026; 93 % ever'
    """
    of = f" of {area}" if area else ""
    return f"walked over {format_percent(since_pct, 0)}{of} {words}; {format_percent(ever_pct, 0)} ever"


def season_lines(report: Report) -> Iterator[str]:
    """Every line on what the finds say."""
    season = report.season
    if season is None:
        return
    yield from number_lines(season)
    for depth in season.by_depth:
        deep = f"{100 * depth.top_m:.0f}-{100 * depth.bottom_m:.0f} cm deep"
        yield f"{deep}: {format_kept(depth.share)}"
    yield from density_lines(season)
    yield from spot_lines(season)
    yield from together_lines(season)
    yield from left_lines(season)
    if season.without:
        lacking = ", ".join(f"{format_count(count, 'find')} without {name}" for name, count in season.without)
        yield f"Not in all of this: {lacking}"


def close_lines(season: Season | None) -> Iterator[str]:
    """What to do first where keeps lie close together."""
    for group in season.companions if season else ():
        if group.how == "close":
            bags = f"{format_bags(group.finds)} lie within a few steps of each other in outing {group.outing}"
            yield f"{bags}. {CLOSE_ADVICE}"


def number_lines(season: Season) -> Iterator[str]:
    """What the numbers were here, ten at a time."""
    for band in wider_bands(season.by_number, 2 * BAND):
        yield format_band(band)


def format_band(band: NumberBand) -> str:
    """What came of some target numbers.

    >>> format_band(NumberBand("small", 50, 59, Share(2, 17)))
    '50-59 with small: 2 of 19 kept (4-27 %)'
    """
    coil = f" with {band.coil}" if band.coil else ", coil not known"
    return f"{band.first}-{band.last}{coil}: {format_kept(band.share)}"


def format_kept(share: Share) -> str:
    """How many of those dug were kept, and how many were heard and left.

    >>> format_kept(Share(0, 0, 3)), format_kept(Share(1, 1, 1))
    ('3 heard and left, none dug', '1 of 2 kept (12-88 %), 1 heard and left')
    """
    if not share.dug:
        return f"{share.left} heard and left, none dug"
    low, high = share.limits_pct
    left = f", {share.left} heard and left" if share.left else ""
    return f"{share.kept} of {share.dug} kept ({low:.0f}-{format_percent(high, 0)}){left}"


def density_lines(season: Season) -> Iterator[str]:
    """Finds for the ground and the time: of all, and in one line each by class and period."""
    for by, title in (("all", "Kept"), ("class", "By class"), ("period", "By period")):
        said = [_density(one) for one in season.densities if one.by == by]
        if said:
            yield f"{title}: {'; '.join(said)}"


def _density(one: Density) -> str:
    name = "" if one.by == "all" else f"{one.of} "
    parts = [
        f"{_digits(rate[0])} {unit} ({_digits(rate[1])}-{_digits(rate[2])})"
        for rate, unit in ((one.per_100_m2, "for each 100 m² really passed"), (one.per_hour, "an hour"))
        if rate is not None and (one.by == "all" or unit != "an hour")
    ]
    return f"{name}{one.kept}" + (f", {', '.join(parts)}" if parts else "")


def _digits(value: float) -> str:
    return f"{value:.1f}" if value >= 1 else f"{value:.2f}"


def alike_spots(spots: HotSpots) -> list[tuple[HotSpot, ...]]:
    """Return hot spots of the same finds together: at several scales they are one place."""
    groups = dict.fromkeys(spot.members for spot in spots.spots)
    return [tuple(spot for spot in spots.spots if spot.members == members) for members in groups]


def spot_words(alike: Sequence[HotSpot]) -> tuple[str, str, str]:
    """Say of one hot spot at which scales its finds are linked, how near they lie, and how seldom chance does so.

    >>> spot_words([HotSpot((1, 2, 3), 0.0, 0.0, 1.3, 0.0025, 2.0), HotSpot((1, 2, 3), 0.0, 0.0, 1.3, 0.005, 5.0)])
    ('2 m and 5 m', 'within 1 m of their middle', 'chance lays such a group on 5 of 1,000 sites')
    """
    many = math.ceil(1000 * max(spot.p for spot in alike) - 1e-9)  # 2.5 is not said to be 2
    within = f"within {format_length(max(round(alike[0].radius_m), 1))} of their middle"
    scales = _listed([format_length(spot.scale_m) for spot in alike])
    return scales, within, f"chance lays such a group on {many} of 1,000 sites"


def spot_lines(season: Season) -> Iterator[str]:
    """Hot spots, and at which scales there is none."""
    spots = season.spots
    for alike in alike_spots(spots):
        at, within, chance = spot_words(alike)
        yield f"Hot spot, linked at {at}: {format_bags(alike[0].members)} {within}; {chance}"
    if spots.spots:
        yield NO_DEPOSIT
    none = [format_length(scale) for scale in spots.scales_m if scale not in {spot.scale_m for spot in spots.spots}]
    if none:
        yield f"No hot spot beyond chance at {_listed(none)}"
    if spots.too_close_m:
        scales = _listed([format_length(scale) for scale in spots.too_close_m])
        yield f"Not looked at {scales}: finds lie closer than that nearly everywhere"


def together_lines(season: Season) -> Iterator[str]:
    """Finds of one hole, and how far the rest of what belongs together may lie."""
    for group in season.companions:
        if group.how == "hole":
            yield f"{format_bags(group.finds)} came out of one hole"
        if group.how == "belongs":
            far = (
                ""
                if group.radius_m is None
                else f": the rest may lie within {format_length(max(round(group.radius_m), 1))}"
            )
            yield f"{format_bags(group.finds)} belong together{far}{' of their middle' if far else ''}"


def left_lines(season: Season) -> Iterator[str]:
    """How many are left, by the first method that says so; what the others say stands in report.json."""
    for line in season.left:
        if line.method in ("leslie", "two-pass"):
            yield format_left(line)
    if any(line.at_least is not None for line in season.left):
        yield "At least, since the loud and shallow ones come out first: what is left is harder to find"


def format_left(line: LeftInGround) -> str:
    """How many are left of one class with one coil.

    >>> format_left(LeftInGround("", "small", "leslie", 4, 31, 14.2, 9, 9.4, 40.1))
    'Still there, all with small: at least 9; the line of 4 outings and 31 finds says 14 (9-40)'
    """
    name = (f"{line.of_class} targets" if line.of_class else "all") + (f" with {line.coil}" if line.coil else "")
    others = f"; {_listed(line.not_in_it)} targets came only with other coils" if line.not_in_it else ""
    if line.estimate is None or line.low is None or line.high is None:
        unsure = line.why if line.why == NO_SIGN else f"not known yet, {line.why}"
        return f"Still there, {name}: {unsure}{others}"
    from_what = f"{line.outings} outings and {format_count(line.kept, 'find')}"
    how = "two passes say" if line.method == "two-pass" else f"the line of {from_what} says"
    range_ = f"{line.low:.0f}-{line.high:.0f}"
    return f"Still there, {name}: at least {line.at_least}; {how} {line.estimate:.0f} ({range_}){others}"


def format_bags(numbers: Sequence[int]) -> str:
    """Name finds by what is on their bags.

    >>> format_bags((3, 4)), format_bags(tuple(range(1, 12)))
    ('Bags 3 and 4', 'Bags 1, 2, 3, 4, 5, 6, 7, 8 and 3 more')
    """
    named = [str(number) for number in numbers[:MOST_NAMED]]
    if len(numbers) > MOST_NAMED:
        return f"Bags {', '.join(named)} and {len(numbers) - MOST_NAMED} more"
    return f"Bags {_listed(named)}"


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
