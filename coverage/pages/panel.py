"""The words next to the map: headline, key, tables, charts, cautions. Everything is escaped by the template engine."""

from collections.abc import Sequence
from dataclasses import astuple

from markupsafe import Markup

from fieldcomb.coverage.estimate.confidence import has_certain
from fieldcomb.coverage.finds.find import KEEP, LEFT
from fieldcomb.coverage.ground.pass_tally import OutingGround
from fieldcomb.coverage.lanes.lane_words import next_lanes
from fieldcomb.coverage.outings.recording import RecordingResult
from fieldcomb.coverage.pages import colours_patterns as legend
from fieldcomb.coverage.pages.chart import Point, comb, depletion_line, depth_dots, growth, number_bars, year_spans
from fieldcomb.coverage.pages.colours_patterns import Board
from fieldcomb.coverage.pages.find_signs import FIND_LOOKS, find_keys, find_swatch
from fieldcomb.coverage.pages.outing_data import WalkNames, outing_name
from fieldcomb.coverage.pages.templating import fill
from fieldcomb.coverage.pages.typeset import typeset
from fieldcomb.coverage.places.places import SearchPlace
from fieldcomb.coverage.report import words as wording
from fieldcomb.coverage.report.answer import Answer, answer, citation
from fieldcomb.coverage.report.mark_words import TITLES, format_marks, mark_lines, warning
from fieldcomb.coverage.report.outing_lines import format_junk_done
from fieldcomb.coverage.report.place_lines import format_place_size
from fieldcomb.coverage.report.rounding import format_share
from fieldcomb.coverage.report.season_words import season_lines, since_lines, worth_lines
from fieldcomb.coverage.report.todo_words import (
    format_pair,
    junk_lines,
    planted_in_short,
    planted_lines,
    searched_lines,
)
from fieldcomb.coverage.survey.results import CoilResult, OutingResult, Report, TotalResult
from fieldcomb.tracks.units import format_area, format_count, format_duration, format_length

MOST_PLANS_AHEAD = 2  # that are named on top, those with the last names
MOST_LISTED = 5  # places that are listed unfolded, so that they and the key fit one screen

Shares = list[tuple[str, float, float]]


def of_what(report: Report) -> str:
    """What the percentages are shares of."""
    return "the site" if report.site.boundary == "given" else "the ground between your walks"


def headline(report: Report) -> str:
    """One sentence that says how much was walked over, of what, and that it is as recorded."""
    swept, whole = typeset(format_area(report.total.swept_m2)), typeset(format_area(report.site.area_m2))
    return f"Walked over {_share(report.total, report)} of {of_what(report)} as recorded ({swept} of {whole})"


def place_rows(place: SearchPlace) -> list[tuple[str, str]]:
    """What the popup of a place to go to says, as pairs of words."""
    rows = [("Why", place.reason), ("Area", typeset(format_area(place.area_m2)))]
    if place.length_m is not None:
        rows.append(("Length", typeset(format_length(place.length_m))))
    for worth in place.worths:
        time = "" if worth.minutes is None else f"{typeset(format_duration(worth.minutes * 60))}, "
        why = "" if worth.reason == place.reason else f"{worth.reason}, "
        found = f"would find {100 * worth.gain_per_100_m2:.0f} in 100 targets, by the model"
        rows.append((f"With {worth.coil}", f"{time}{why}{found}"))
    return [*rows, ("Where", typeset(place.where)), ("Lat, lon", wording.format_lat_lon(place.centre))]


def panel_html(report: Report, board: Board, names: WalkNames) -> str:
    """Return the whole panel as HTML.

    names : what walks are told apart by.
    """
    told, total = answer(report), report.total
    return fill(
        "pages/templates/panel.html",
        report=report,
        board=board,
        walk_colours=names.by,
        headline=headline(report),
        since_lines=[typeset(line[0].upper() + line[1:]) for line in since_lines(report)],
        of_what=of_what(report),
        share=lambda swept: _share(swept, report),
        shares=_shares(report),
        comb=comb([share for _, _, share in _shares(report)]),
        answer=Answer(*(typeset(text) for text in astuple(told))),
        place_size=lambda place: typeset(format_place_size(place)),
        most_listed=MOST_LISTED,
        estimate=wording.format_estimate(total.estimate, _share(total, report), has_certain(report.strips)),
        strip_caution=wording.format_strip_caution(total.estimate),
        under=wording.format_total_under_coil(report.total.swept_pct, report.total.under, report.depth_m),
        next_evidence=wording.format_next_evidence(report.total.next_evidence, report.total.estimate),
        found_from=wording.format_least_width(report.total.found_from_m, report.total.estimate),
        charts=_charts(report),
        citation=typeset(citation(report)),
        assumed=_assumed(report.outings),
        entered=[(o, _entered(o, ENTERED_M2)) for o in report.outings if _entered(o, ENTERED_M2)],
        all_entered=[(o, _entered(o)) for o in report.outings if o.no_go.entries],
        moment=lambda outing: wording.format_moment(outing.head.start_s, report.site.zone),
        name=outing_name,
        warning=warning(report),
        mark_kinds=_mark_kinds(report),
        format_marks=format_marks,
        searched_lines=list(searched_lines(report)),
        season_lines=[typeset(line) for line in season_lines(report)],
        worth_lines=[typeset(line) for line in worth_lines(report)],
        season_charts=_season_charts(report),
        junk_lines=[*junk_lines(report.junk), *_second_search(report)],
        next_lanes=[one for one in _next_lanes(report) if one[1]],
        find_keys=find_keys(report),
        find_swatch=find_swatch,
        planted=typeset(planted_in_short(report.planted)),
        planted_lines=[typeset(line) for line in planted_lines(report.planted)],
        mark_lines=lambda outing: mark_lines(outing.marks, report.site.zone),
    )


def _next_lanes(report: Report) -> list[tuple[str, list[tuple[str, int]], str]]:
    """Of each plan its name, the lanes to walk next with their ids on the map, and how many are left."""
    out = []
    for place, plan in enumerate((*report.lanes, *report.plans_ahead), 1):
        left = plan.to_walk
        lanes = [(f"lane-{place}-{number}", number) for number in next_lanes(left)]
        many = format_count(plan.lanes, "lane")
        begun = place <= len(report.lanes)
        out.append((plan.name, lanes, f"{len(left)} of {many} left" if begun else f"{many}, not begun"))
    out = [*out[: len(report.lanes)], *out[len(report.lanes) :][-MOST_PLANS_AHEAD:]]
    return out


def _second_search(report: Report) -> list[str]:
    """Sentences on what smaller coils have done of the junk ground, and on what is left for them."""
    done = [f"{one.coil}: {format_junk_done(one, report)}" for one in report.junk_done if one.done_pct > 0]
    return [typeset(line) for line in (*done, *(format_pair(pair) for pair in report.coil_pairs))]


def _share(swept: TotalResult | OutingGround | CoilResult, report: Report) -> str:
    return typeset(format_share(swept.swept_pct, swept.swept_m2, report.site.area_m2))


def _shares(report: Report) -> Shares:
    """Square metres and percent of the site by passes: 0, 1, 2, 3+."""
    passes_m2 = report.total.passes_m2
    whole_m2 = sum(passes_m2.values()) or 1.0
    keys = ("0", "1", "2", "3+")
    return [(key, passes_m2.get(key, 0.0), 100 * passes_m2.get(key, 0.0) / whole_m2) for key in keys]


def _charts(report: Report) -> list[Markup]:
    """Draw growth against hours and against outings: of the estimate with its band, as recorded where there is none."""
    numbered = list(enumerate(report.outings, 1))
    if not numbered:
        return []
    estimated = [(n, o, o.so_far) for n, o in numbered if o.so_far is not None and o.so_far.pct is not None]
    shares = [(n, o, (one.pct, one.low, one.high)) for n, o, one in estimated]
    if report.total.estimate.pct is None or not shares:
        shares = [(n, o, (o.ground.total_pct, None, None)) for n, o in numbered]
    by_hours = [
        Point(o.times.total_hours, pct, outing_name(o), low, high)
        for _, o, (pct, low, high) in shares
        if o.times.total_hours is not None and pct is not None
    ]
    by_outing = [Point(n, pct, outing_name(o), low, high) for n, o, (pct, low, high) in shares if pct is not None]
    charts = [growth(by_hours, "hours of searching", whole_steps=False, of_what=of_what(report))] if by_hours else []
    return [*charts, growth(by_outing, "outings", whole_steps=True, of_what=of_what(report))]


def _season_charts(report: Report) -> list[tuple[str, Markup]]:
    """Draw what numbers were with each coil, the years of finds, and the line of how many are left."""
    season = report.season
    if season is None:
        return []
    charts: list[tuple[str, Markup]] = []
    for coil in dict.fromkeys(band.coil for band in season.by_number):
        bands = [(b.first, b.last, b.share.kept, b.share.junk) for b in season.by_number if b.coil == coil]
        charts.append(("What the numbers were here", number_bars(coil, bands)))
    colours = _period_colours(report)
    dated = [(find, find.from_year, find.to_year) for find in report.finds if find.kind == KEEP]
    spans = [
        (
            ", ".join(filter(None, (f"bag {find.find_no}", find.what, find.period))),
            first,
            last,
            colours.get(find.period, legend.INK),
        )
        for find, begin, end in dated
        for first in [end if begin is None else begin]
        for last in [first if end is None else end]
        if first is not None and last is not None
    ]
    if spans:
        charts.append(("Periods", year_spans(spans)))
    surfaces_m = sorted({one.depth_m for one in report.filled})
    for columns in (_depths(report, "coil"), _depths(report, "period")):
        if columns:
            charts.append(("Depth", depth_dots(columns, surfaces_m)))
    whole = next((line for line in season.left if line.stock is not None), None)
    if whole is not None and whole.stock is not None and whole.catchability is not None:
        points = list(zip(whole.at, whole.rate, strict=True))
        drawn = depletion_line(points, whole.band, whole.stock, whole.catchability)
        charts.append(("How many are left", drawn))
    return charts


MOST_COLUMNS = 8  # of depths: more cannot be read
MOST_DOTS = 150  # of a column: of more every second, third ... by depth is drawn


def _depths(report: Report, by: str) -> list[tuple[str, list[tuple[float, bool]]]]:
    """Depths of finds that were dug, by a word of theirs, the commonest words; none where nobody wrote depths down."""
    columns: dict[str, list[tuple[float, bool]]] = {}
    for find in report.finds:
        if find.depth_m is not None and find.kind != LEFT and getattr(find, by):
            columns.setdefault(getattr(find, by), []).append((find.depth_m, find.kind == KEEP))
    most = sorted(columns.items(), key=lambda column: (-len(column[1]), column[0]))[:MOST_COLUMNS]
    return sorted((name, sorted(finds)[:: -(-len(finds) // MOST_DOTS)]) for name, finds in most)


def _period_colours(report: Report) -> dict[str, str]:
    """Return the colour that the map shows finds of each period in; none where no find has a place."""
    values = [value for key in find_keys(report) if key.name == "period" for value, _ in key.values]
    return {value: FIND_LOOKS[n % len(FIND_LOOKS)][1] for n, value in enumerate(values)}


def _mark_kinds(report: Report) -> list[tuple[str, str]]:
    """Kinds of marks that were set, with words for the key."""
    there = {mark.kind for outing in report.outings for mark in outing.marks}
    return [(kind, TITLES[kind]) for kind in legend.MARK_SIGNS if kind in there]


ENTERED_M2 = 1.0  # less no-go ground than this is the receiver's wobble along the edge as easily as a step over it


def _entered(outing: OutingResult, least_m2: float = 0.0) -> list[str]:
    """Sentences on the no-go areas that an outing reached into."""
    return [
        typeset(wording.format_no_go_entry(e.area_m2, e.area, e.depth_m, e.position_error_could_explain))
        for e in outing.no_go.entries
        if e.area_m2 >= least_m2
    ]


def _assumed(outings: Sequence[OutingResult]) -> list[tuple[OutingResult, RecordingResult]]:
    """Recordings whose swing width was not measured."""
    return [(o, r) for o in outings for r in o.recordings if not r.swath_measured]
