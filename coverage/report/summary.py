"""The report on one screen of a terminal: the answer on top, where to go next at the end, at most 24 lines of 80."""

from collections.abc import Iterator, Sequence

from fieldcomb.coverage.report.answer import GO_NEXT, NOT_KNOWN, NOWHERE, SEARCHED, answer
from fieldcomb.coverage.report.mark_words import warning
from fieldcomb.coverage.report.place_lines import format_search_place
from fieldcomb.coverage.report.rounding import format_share
from fieldcomb.coverage.report.text import wrapped
from fieldcomb.coverage.report.words import format_day, format_interval, format_next_evidence, format_team
from fieldcomb.coverage.survey.results import OutingResult, Report
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import format_area, format_count, format_duration, format_number, format_percent

SCREEN_COLUMNS = 80
MOST_LINES = 24
MOST_WARNING_LINES = 6
MOST_ROWS = 3  # of outings, and of coils
PLACES_SHOWN = 4
MOST_PLACE_LINES = 9
MOST_NOTES = 2
LABEL = 11


def summary(report: Report) -> str:
    """Return what ``map`` and ``report`` print without ``--full``; a newline at the end."""
    top = [*_warnings(report), *_head(report), *_answer(report)]
    least = len(_places(report, MOST_PLACE_LINES))
    middle: list[str] = []
    for block in (_between(report), _notes(report), _outings(report), _coils(report)):
        lines = list(block)
        if len(top) + len(middle) + len(lines) + least + 2 <= MOST_LINES:
            middle += lines
    blocks = [top, middle, _places(report, MOST_LINES - len(top) - len(middle) - 2)]
    return "\n\n".join("\n".join(block) for block in blocks if block) + "\n"


def _labelled(label: str, text: str) -> list[str]:
    return wrapped(harmless(text), SCREEN_COLUMNS, f"{label}:".ljust(LABEL), " " * LABEL)


def _head(report: Report) -> list[str]:
    begins = [outing.head.start_s for outing in report.outings if outing.head.start_s is not None]
    ends = (min(begins), max(begins)) if begins else ()
    days = list(dict.fromkeys(format_day(time_s, report.site.zone) for time_s in ends))
    when = f", {' to '.join(days)}" if days else ""
    count = format_count(len(report.outings), "outing")
    return wrapped(f"{harmless(report.site.name)}: {format_area(report.site.area_m2)}, {count}{when}", SCREEN_COLUMNS)[
        :2
    ]


def _warnings(report: Report) -> list[str]:
    said = [warning(report)] if warning(report) else []
    said += [str(one.sentence) for one in report.left_out]
    lines = [line for text in said for line in wrapped(harmless(text), SCREEN_COLUMNS)]
    if len(lines) > MOST_WARNING_LINES:
        lines = [*lines[: MOST_WARNING_LINES - 1], "... and more, in the whole table"]
    return lines


def _answer(report: Report) -> Iterator[str]:
    told = answer(report)
    recorded = format_share(report.total.swept_pct, report.total.swept_m2, report.site.area_m2)
    as_recorded = "" if report.total.estimate.pct is None else f"; {recorded} as recorded"
    yield from _labelled(SEARCHED, told.searched + as_recorded)
    if told.not_known:
        yield from _labelled(NOT_KNOWN, told.not_known)


def _outings(report: Report) -> Iterator[str]:
    latest = [_outing(outing, report) for outing in report.outings[: -MOST_ROWS - 1 : -1]]
    earlier = len(report.outings) - len(latest)
    yield from _rows("Outings", [*latest, *([f"and {format_count(earlier, 'earlier outing')}"] if earlier else [])])


def _rows(label: str, rows: Sequence[str]) -> Iterator[str]:
    """One line a row, cut where it does not fit."""
    for number, row in enumerate(rows):
        first = f"{label}:" if number == 0 else ""
        yield wrapped(harmless(row), SCREEN_COLUMNS, first.ljust(LABEL), " " * LABEL)[0]


def _outing(outing: OutingResult, report: Report) -> str:
    points = format_number(100 * outing.ground.new_m2 / report.site.area_m2, 1) if report.site.area_m2 else "0.0"
    day = format_day(outing.head.start_s, report.site.zone)
    time = "" if outing.times.searching_s is None else f", {format_duration(outing.times.searching_s)}"
    digs = f", {format_count(outing.times.digs, 'dig')}" if outing.times.digs else ""
    head = outing.head
    team = f", {format_team(head.recorded, head.unrecorded)}" if head.searchers > 1 else ""
    return f"{day}, {', '.join(head.coils)}{team}, +{points} points as recorded{time}{digs}"


def _coils(report: Report) -> Iterator[str]:
    if len(report.coils) < 2:
        return
    rows = []
    for coil in report.coils[:MOST_ROWS]:
        share = format_share(coil.swept_pct, coil.swept_m2, report.site.area_m2)
        estimate = "" if coil.estimate.pct is None else f"about {format_interval(coil.estimate)}, "
        rows.append(f"{coil.coil}, {estimate}{share} as recorded, {format_count(coil.outings, 'outing')}")
    more = len(report.coils) - len(rows)
    yield from _rows("By coil", [*rows, *([f"and {format_count(more, 'more coil')}"] if more else [])])


def _notes(report: Report) -> Iterator[str]:
    recordings = [recording for outing in report.outings for recording in outing.recordings]
    poor = ", ".join(recording.file for recording in recordings if recording.verdict == "poor")
    rows = []
    if told := format_next_evidence(report.total.next_evidence, report.total.estimate):
        rows.append(told)
    if not all(recording.swath_measured for recording in recordings):
        rows.append("Measure your swing width: every area is as wrong as that guess")
    if poor:
        rows.append(f"Poor recordings put all of this in doubt: {poor}")
    rows += report.notes[:MOST_NOTES]
    if len(report.notes) > MOST_NOTES:
        rows.append(f"{format_count(len(report.notes) - MOST_NOTES, 'more note')} in the whole table")
    for number, row in enumerate(rows):
        first = "Notes:" if number == 0 else ""
        yield from wrapped(harmless(row), SCREEN_COLUMNS, first.ljust(LABEL), " " * LABEL)[:2]


def _between(report: Report) -> Iterator[str]:
    if report.between is None:
        return
    pair, whole_m2 = report.between, report.site.area_m2
    grounds = (
        ("in both", pair.both_m2),
        (f"only in {pair.first}", pair.first_only_m2),
        (f"only in {pair.second}", pair.second_only_m2),
        ("in neither", pair.neither_m2),
    )
    shares = (format_percent(100 * m2 / whole_m2 if whole_m2 else None) for _, m2 in grounds)
    rows = [f"{share} {words}, {format_area(m2)}" for share, (words, m2) in zip(shares, grounds, strict=True)]
    yield from _rows("Recorded", rows)


def _places(report: Report, most: int) -> list[str]:
    if report.between is not None:
        return []
    if not report.places:
        return _labelled(GO_NEXT, NOWHERE)
    lines: list[str] = []
    for number, place in enumerate(report.places):
        label = f"{GO_NEXT}:" if number == 0 else ""
        more = wrapped(harmless(format_search_place(place)), SCREEN_COLUMNS, label.ljust(LABEL), " " * LABEL)
        last = number == len(report.places) - 1
        if number and (number == PLACES_SHOWN or len(lines) + len(more) + (not last) > most):
            rest = format_number(len(report.places) - number)
            return [*lines, f"{' ' * LABEL}and {rest} more on the map and in places.gpx"]
        lines += more
    return lines
