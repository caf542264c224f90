"""The answer in three lines, the same everywhere: how much is searched, where to go next, and what nobody knows."""

from importlib.metadata import version

from fieldcomb.coverage.estimate.confidence import LEAST_FOUND_M
from fieldcomb.coverage.estimate.swept_share import LANES, Estimate
from fieldcomb.coverage.finds.find import KEEP
from fieldcomb.coverage.lanes.lane_words import (
    format_lanes_done,
    format_lanes_left,
    format_walked_lanes,
    numbers_in_words,
)
from fieldcomb.coverage.report.outing_lines import format_days
from fieldcomb.coverage.report.place_lines import format_search_place
from fieldcomb.coverage.report.rounding import format_share
from fieldcomb.coverage.report.words import format_interval
from fieldcomb.coverage.survey.results import Report
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import format_area, format_count, format_length, format_number
from fieldcomb.tracks.values import dataclass

SEARCHED, BY_LANES, FINDS, GO_NEXT, NOT_KNOWN = "Searched", "By lanes", "Finds", "Go next", "Not known"
METHOD = "the recorded walks, the error of the receiver and how even the lanes are"
LANES_METHOD = "the numbered lanes that were walked"
NOWHERE = "no place stands out as worth another pass"


@dataclass(frozen=True, slots=True)
class Answer:
    """What people ask first. An empty text is a line that is left out."""

    searched: str
    go_next: str
    not_known: str
    by_lanes: str = ""  # of plans of which it was said what was walked
    finds: str = ""  # how many were kept, and which lie closer together than chance

    @property
    def lines(self) -> tuple[tuple[str, str], ...]:
        """Return the lines that there are, each with its word."""
        searched = ((SEARCHED, self.searched), (BY_LANES, self.by_lanes), (FINDS, self.finds))
        lines = (*searched, (GO_NEXT, self.go_next), (NOT_KNOWN, self.not_known))
        return tuple((word, text) for word, text in lines if text)


def answer(report: Report) -> Answer:
    """Return the answer of a report; nothing to go to where two outings are compared."""
    known = len(report.lanes) == 1 and report.total.estimate.all_by_lanes  # then the line above has the share
    by_lanes = "; ".join(format_lanes_done(plan) if known else format_walked_lanes(plan) for plan in report.lanes)
    return Answer(format_searched(report), _go_next(report), _not_known(report), by_lanes, format_found(report))


def format_found(report: Report) -> str:
    """Return how many finds were kept, and which lie closer together than chance; empty where there are no finds."""
    if not report.finds:
        return ""
    kept = sum(find.kind == KEEP for find in report.finds)
    spots = () if report.season is None else report.season.spots.spots
    close = sorted({number for spot in spots for number in spot.members})
    together = f"; closer together than chance: bags {numbers_in_words(close)}" if close else ""
    return f"{kept} kept of {format_number(len(report.finds))}{together}"


def share_of(report: Report) -> str:
    """Return what shares are of: the site, or the ground between walks where nobody drew its edge."""
    return share_of_words(report.site.boundary)


def share_of_words(boundary: str) -> str:
    """Return the same by what the edge of the site is made of, as report.json has it: ``given`` or ``from walks``."""
    return "of the site" if boundary == "given" else "of the ground between your walks"


def format_searched(report: Report) -> str:
    """Return the estimate where there is one: ``about 81 % (71-89) of the site``; else the share as recorded."""
    total = report.total
    estimate = total.estimate
    if estimate.pct is None:
        share = format_share(total.swept_pct, total.swept_m2, report.site.area_m2)
        return f"{share} {share_of(report)}, as recorded"
    share = f"{format_interval(estimate)} {share_of(report)}"
    return (
        f"{share}, {'' if estimate.all_by_lanes else 'mostly '}by lanes" if estimate.by == LANES else f"about {share}"
    )


def _go_next(report: Report) -> str:
    if report.between is not None:
        return ""
    lanes = lanes_left(report)
    if report.places:
        return (
            f"{lanes}; then {format_search_place(report.places[0])}" if lanes else format_search_place(report.places[0])
        )
    if lanes:
        return lanes
    others = places_for_others(report)
    with_coil = "" if report.coil_in_hand is None else f" with {report.coil_in_hand}"
    return f"{NOWHERE}{with_coil}{f'; {others}' if others else ''}"


def lanes_left(report: Report) -> str:
    """Return which lanes are still to walk, of plans of which it was said what was walked; empty for none."""
    return "; ".join(left for plan in report.lanes if (left := format_lanes_left(plan)))


def citation(report: Report) -> str:
    """Return one sentence to cite: the share with its interval, of what, when, with what, and by what method."""
    estimate, recordings = report.total.estimate, [one for outing in report.outings for one in outing.recordings]
    coils = dict.fromkeys((one.coil, one.swath_m, one.swath_measured) for one in recordings)
    swung = [
        f"{harmless(coil)} (swing {format_length(swath_m)}{'' if measured else ', not measured'})"
        for coil, swath_m, measured in coils
    ]
    receivers = ", ".join(dict.fromkeys(harmless(one.gps) for one in recordings))
    when = f", {days}" if (days := format_days(report)) else ""
    count = format_count(len(report.outings), "outing")
    known = "" if report.site.boundary == "given" else " between walks, without a boundary,"
    ground = f"{format_area(report.site.area_m2)}{known}"
    with_what = f"in {count}{when}, with {', '.join(swung)}, receiver {receivers}"
    by = f"fieldcomb {version('fieldcomb')}"
    if estimate.pct is None:
        share = format_share(report.total.swept_pct, report.total.swept_m2, report.site.area_m2)
        return f"{share} of {ground} was swept at least once, as recorded, {with_what}; computed by {by}."
    share = f"About {format_interval(estimate, '(90 % interval {} to {} %)')}"
    return f"{share} of {ground} was swept at least once {with_what}; estimated by {by} from {_method(estimate)}."


def _method(estimate: Estimate) -> str:
    """What an estimate was made from; lanes where there are any, recordings elsewhere."""
    if not estimate.by_lanes_pct:
        return METHOD
    return LANES_METHOD if estimate.all_by_lanes else f"{LANES_METHOD}, and elsewhere from {METHOD}"


def places_for_others(report: Report) -> str:
    """Return how many places only other coils than the one in hand have anything to do at; empty for none."""
    count = report.places_for_others
    return f"{format_count(count, 'place')} for other coils" if count else ""


def _not_known(report: Report) -> str:
    total = report.total
    parts = []
    unrecorded = {name for outing in report.outings for name in outing.head.unrecorded}
    if unrecorded:
        who = unrecorded.pop() if len(unrecorded) == 1 else format_count(len(unrecorded), "person", "people")
        parts.append(f"where {who} searched without a recording")
    if total.estimate.pct is not None and not total.estimate.strips_placed:
        width_m = total.found_from_m
        parts.append(
            "where single strips were missed, with a receiver this poor"
            if width_m is None
            else f"gaps narrower than {format_length(width_m)}"
        )
        parts[-1] += " where no lanes were walked" if total.estimate.by_lanes_pct else ""
    if total.estimate.pct is None and total.estimate.reason and report.strips and total.found_from_m != LEAST_FOUND_M:
        narrow = "" if total.found_from_m is None else f" narrower than {format_length(total.found_from_m)}"
        parts.append(f"which gaps{narrow} are real: {total.estimate.reason}")
    if total.not_recorded_m2 > 0:
        parts.append(f"{format_area(total.not_recorded_m2)} not recorded")
    if total.said_walked_m2 > 0:
        parts.append(f"{format_area(total.said_walked_m2)} walked without a recording")
    return "; ".join(parts)
