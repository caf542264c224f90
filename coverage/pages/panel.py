"""The words next to the map: headline, key, tables, charts, cautions. Everything is escaped by the template engine."""

from collections.abc import Sequence

from markupsafe import Markup

from fieldcomb.coverage.estimate.confidence import reportable
from fieldcomb.coverage.ground.ground_results import Strip
from fieldcomb.coverage.ground.pass_tally import OutingGround
from fieldcomb.coverage.outings.recording import RecordingResult
from fieldcomb.coverage.pages import legend
from fieldcomb.coverage.pages.chart import Point, comb, growth
from fieldcomb.coverage.pages.legend import Board
from fieldcomb.coverage.pages.templating import fill
from fieldcomb.coverage.pages.typeset import typeset
from fieldcomb.coverage.report import words as wording
from fieldcomb.coverage.report.mark_words import TITLES, format_marks, mark_lines, warning
from fieldcomb.coverage.report.rounding import format_share
from fieldcomb.coverage.report.todo_words import PROMISE, junk_lines, piece_line, searched_lines, todo_line
from fieldcomb.coverage.survey.results import CoilResult, OutingResult, Report, TotalResult
from fieldcomb.tracks.units import format_area, format_length

MOST_LISTED = 10  # strips and open ground listed by size; the map shows all of them

Shares = list[tuple[str, float, float]]


def of_what(report: Report) -> str:
    """What the percentages are shares of."""
    return "the site" if report.site.boundary == "given" else "the ground between your walks"


def headline(report: Report) -> str:
    """One sentence that says how much was walked over, of what, and that it is as recorded."""
    swept, whole = typeset(format_area(report.total.swept_m2)), typeset(format_area(report.site.area_m2))
    return f"Walked over {_share(report.total, report)} of {of_what(report)} as recorded ({swept} of {whole})"


def outing_name(outing: OutingResult) -> str:
    """An outing as it is called in lists: its id, and its label if it has one."""
    head = outing.head
    return f"{head.id} {head.label}" if head.label else head.id


def strip_rows(strip: Strip) -> list[tuple[str, str]]:
    """What the popup of a strip or of open ground says, as pairs of words."""
    return [
        ("Area", typeset(format_area(strip.area_m2))),
        ("Length", typeset(format_length(strip.length_m))),
        ("Width", typeset(format_length(strip.width_m))),
        ("Widest", typeset(format_length(strip.widest_m))),
        ("Runs", wording.format_bearing(strip.bearing_deg)),
        ("Lat, lon", wording.format_lat_lon(strip.centre)),
        *([("How sure", f"{strip.tier}: {100 * (strip.confidence or 0):.0f} in 100")] if strip.tier else []),
    ]


def strip_title(strip: Strip) -> str:
    """What a piece of missed ground is called."""
    return f"{'Strip' if strip.kind == 'strip' else 'Open ground'} {strip.id}"


def panel_html(report: Report, board: Board) -> str:
    """Return the whole panel as HTML."""
    listed = reportable(report.strips)
    strips = [strip for strip in listed if strip.kind == "strip"]
    wide = [strip for strip in listed if strip.kind != "strip"]
    largest = sorted(listed, key=lambda strip: (-strip.area_m2, strip.id))[:MOST_LISTED]
    return fill(
        "pages/templates/panel.html",
        report=report,
        board=board,
        headline=headline(report),
        of_what=of_what(report),
        share=lambda swept: _share(swept, report),
        shares=_shares(report),
        comb=comb([share for _, _, share in _shares(report)]),
        strips=strips,
        listed=listed,
        estimate=wording.format_estimate(report.total.estimate, _share(report.total, report)),
        under=wording.format_total_under_coil(report.total.swept_pct, report.total.under, report.depth_m),
        found_from=wording.format_least_width(report.total.found_from_m, report.total.estimate.strips_placed),
        strips_m2=sum(strip.area_m2 for strip in strips),
        wide=wide,
        wide_m2=sum(strip.area_m2 for strip in wide),
        largest=[(strip, strip_title(strip)) for strip in largest],
        charts=_charts(report),
        assumed=_assumed(report.outings),
        entered=[(o, _entered(o, ENTERED_M2)) for o in report.outings if _entered(o, ENTERED_M2)],
        all_entered=[(o, _entered(o)) for o in report.outings if o.no_go.entries],
        moment=lambda outing: wording.format_moment(outing.head.start_s, report.site.zone),
        name=outing_name,
        warning=warning(report),
        mark_kinds=_mark_kinds(report),
        format_marks=format_marks,
        todo=[(coil, typeset(todo_line(coil))) for coil in report.todo],
        piece_line=lambda piece: typeset(piece_line(piece)),
        promise=PROMISE,
        searched_lines=list(searched_lines(report)),
        junk_lines=list(junk_lines(report.junk)),
        mark_lines=lambda outing: mark_lines(outing.marks, report.site.zone),
    )


def _share(swept: TotalResult | OutingGround | CoilResult, report: Report) -> str:
    return typeset(format_share(swept.swept_pct, swept.swept_m2, report.site.area_m2))


def _shares(report: Report) -> Shares:
    """Square metres and percent of the site by passes: 0, 1, 2, 3+."""
    passes_m2 = report.total.passes_m2
    whole_m2 = sum(passes_m2.values()) or 1.0
    keys = ("0", "1", "2", "3+")
    return [(key, passes_m2.get(key, 0.0), 100 * passes_m2.get(key, 0.0) / whole_m2) for key in keys]


def _charts(report: Report) -> list[Markup]:
    outings = report.outings
    if not outings:
        return []
    by_hours = [
        Point(o.times.total_hours, o.ground.total_pct, outing_name(o))
        for o in outings
        if o.times.total_hours is not None
    ]
    by_outing = [Point(n, o.ground.total_pct, outing_name(o)) for n, o in enumerate(outings, 1)]
    charts = [growth(by_hours, "hours of searching", whole_steps=False, of_what=of_what(report))] if by_hours else []
    return [*charts, growth(by_outing, "outings", whole_steps=True, of_what=of_what(report))]


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
