"""The report on one screen of a terminal: the answer on top, where to go next at the end, at most 24 lines of 80."""

from collections.abc import Iterator, Sequence

from fieldcomb.coverage.estimate.next_evidence import SWING
from fieldcomb.coverage.lanes.lane_words import kept_off_note
from fieldcomb.coverage.report.answer import (
    BY_LANES,
    FINDS,
    GO_NEXT,
    NOT_KNOWN,
    SEARCHED,
    answer,
    lanes_left,
    places_for_others,
)
from fieldcomb.coverage.report.mark_words import warning
from fieldcomb.coverage.report.outing_lines import format_days, format_junk_done, format_outing
from fieldcomb.coverage.report.place_lines import format_search_place
from fieldcomb.coverage.report.rounding import format_share
from fieldcomb.coverage.report.season_words import since_lines
from fieldcomb.coverage.report.text import cut, wrapped
from fieldcomb.coverage.report.todo_words import format_pair
from fieldcomb.coverage.report.words import format_interval, format_next_evidence, format_total_under_coil
from fieldcomb.coverage.survey.results import Report
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import format_area, format_count, format_number, format_percent
from fieldcomb.tracks.values import dataclass

SCREEN_COLUMNS = 80
MOST_LINES = 24
MOST_WARNING_LINES = 6
MOST_ROWS = 3  # of outings, and of coils
PLACES_SHOWN = 4
MOST_PLACE_LINES = 9
MOST_NOTES = 4
MOST_LANE_LINES = 5
MOST_FIND_LINES = 2
LABEL = 11


def summary(report: Report) -> str:
    """Return what ``map`` and ``report`` print without ``--full``; a newline at the end."""
    top = [*_warnings(report), *_head(report), *_answer(report)]
    blocks = [block for block in (_between(report), _coils(report), _outings(report), _notes(report)) if block.rows]
    room = MOST_LINES - len(top) - 1 - bool(blocks)
    places = _places(report, min(MOST_PLACE_LINES, room - sum(block.least for block in blocks)))
    room -= len(places)
    middle: list[str] = []
    for number, block in enumerate(blocks):
        middle += block.lines(room - len(middle) - sum(later.least for later in blocks[number + 1 :]))
    parts = [top, middle, places]
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


@dataclass(frozen=True, slots=True)
class _Block:
    """Rows under one label, of which as many are shown as there is room for, and the others counted.

    rows : one line each, or up to ``deep`` lines. of : what they are, one of them and several. hidden : more of them
    that are not among the rows. first_whole : the first row says more than all others, and is shown before they are.
    first_always : where there is one line alone, it has as much of the first row as it can, beside the count.
    """

    label: str
    rows: Sequence[str]
    of: tuple[str, str]
    deep: int = 1
    hidden: int = 0
    first_whole: bool = False
    first_always: bool = False

    @property
    def least(self) -> int:
        """How many lines it needs."""
        more = self.hidden + len(self.rows) > 1
        return len(self._lines(self.rows[0])) + more if self.first_whole else 1

    def lines(self, most: int) -> list[str]:
        """Return at most so many lines, one or more."""
        shown = [self._lines(row) for row in self.rows]
        while self.hidden + len(self.rows) > len(shown) or sum(map(len, shown)) > most:
            more = self.hidden + len(self.rows) - len(shown)
            if shown and sum(map(len, shown)) + (more > 0) > most:
                shown.pop()
                continue
            lines = [line for row in shown for line in row]
            counted = format_count(more, *self.of)
            if not lines and self.first_always:
                return self._labelled([self._with_count(self.rows[0], more - 1)])
            return self._labelled([*lines, f"and {counted}: --full" if lines else f"{counted}: --full"])
        return self._labelled([line for row in shown for line in row])

    def _lines(self, row: str) -> list[str]:
        width = SCREEN_COLUMNS - LABEL
        lines = wrapped(harmless(row), width)
        if len(lines) <= self.deep:
            return lines
        kept = lines[: self.deep]
        return [*kept[:-1], cut(kept[-1] + " " + lines[self.deep], width)]

    def _with_count(self, row: str, more: int) -> str:
        counted = f"; {format_count(more, *self.of)}: --full" if more else ""
        return cut(harmless(row), SCREEN_COLUMNS - LABEL - len(counted)) + counted

    def _labelled(self, lines: Sequence[str]) -> list[str]:
        firsts = [f"{self.label}:", *[""] * len(lines)]
        return [(first.ljust(LABEL) + line).rstrip() for first, line in zip(firsts, lines, strict=False)]


def _labelled(label: str, text: str) -> list[str]:
    return wrapped(harmless(text), SCREEN_COLUMNS, f"{label}:".ljust(LABEL), " " * LABEL)


def _head(report: Report) -> list[str]:
    days = format_days(report)
    when = f", {days}" if days else ""
    count = format_count(len(report.outings), "outing")
    name = cut(harmless(report.site.name), SCREEN_COLUMNS)
    return wrapped(f"{name}: {format_area(report.site.area_m2)}, {count}{when}", SCREEN_COLUMNS)


def _warnings(report: Report) -> list[str]:
    said = [warning(report)] if warning(report) else []
    said += [str(one.sentence) for one in report.left_out]
    lines = [line for text in said for line in wrapped(harmless(text), SCREEN_COLUMNS)]
    if len(lines) > MOST_WARNING_LINES:
        lines = [*lines[: MOST_WARNING_LINES - 1], "... and more: --full"]
    return lines


def _answer(report: Report) -> Iterator[str]:
    told = answer(report)
    recorded = format_share(report.total.swept_pct, report.total.swept_m2, report.site.area_m2)
    as_recorded = "" if report.total.estimate.pct is None else f"; {recorded} as recorded"
    yield from _labelled(SEARCHED, told.searched + as_recorded)
    for since in list(since_lines(report))[:1]:
        yield from wrapped(since, SCREEN_COLUMNS, " " * LABEL, " " * LABEL)
    if report.depth_m is not None:
        under = format_total_under_coil(report.total.swept_pct, report.total.under, report.depth_m)
        yield from _labelled("At depth", under or "not known, as the walks have no times")
    if told.by_lanes:
        yield from _labelled(BY_LANES, told.by_lanes)[:MOST_LANE_LINES]
    if told.finds:
        yield from _labelled(FINDS, told.finds)[:MOST_FIND_LINES]
    if told.not_known:
        yield from _labelled(NOT_KNOWN, told.not_known)


def _outings(report: Report) -> _Block:
    latest = [format_outing(outing, report) for outing in report.outings[: -MOST_ROWS - 1 : -1]]
    earlier = len(report.outings) - len(latest)
    return _Block("Outings", latest, ("earlier outing", "earlier outings"), deep=2, hidden=earlier, first_always=True)


def _coils(report: Report) -> _Block:
    """Rows of junk ground done first, since a second search is more than its share of the site."""
    rows = [f"{done.coil}: {format_junk_done(done, report)}" for done in report.junk_done if done.done_pct >= 0.5]
    rows += [format_pair(pair) for pair in report.coil_pairs[:1] if pair.area_m2 > 0]
    for coil in report.coils if len(report.coils) > 1 else ():
        share = format_share(coil.swept_pct, coil.swept_m2, report.site.area_m2)
        estimate = "" if coil.estimate.pct is None else f"about {format_interval(coil.estimate)}, "
        rows.append(f"{coil.coil}: {estimate}{share} as recorded, {format_count(coil.outings, 'outing')}")
    shown = rows[: MOST_ROWS + 1]
    return _Block("By coil", shown, ("more line", "more lines"), deep=2, hidden=len(rows) - len(shown))


def _notes(report: Report) -> _Block:
    recordings = [recording for outing in report.outings for recording in outing.recordings]
    poor = ", ".join(recording.file for recording in recordings if recording.verdict == "poor")
    rows = []
    if told := format_next_evidence(report.total.next_evidence, report.total.estimate):
        rows.append(told)
    asked = report.total.next_evidence is not None and report.total.next_evidence.measure == SWING
    if not asked and not all(recording.swath_measured for recording in recordings):
        rows.append("Measure your swing width: every area is as wrong as that guess")
    if poor:
        rows.append(f"Poor recordings put all of this in doubt: {poor}")
    kept_off = [note for plan in (*report.lanes, *report.plans_ahead) if (note := kept_off_note(plan))]
    rows = [*kept_off, *rows, *(note for note in report.notes if note not in kept_off)]
    shown = rows[:MOST_NOTES]
    return _Block("Notes", shown, ("more note", "more notes"), deep=2, hidden=len(rows) - len(shown), first_whole=True)


def _between(report: Report) -> _Block:
    rows: list[str] = []
    if report.between is not None:
        pair, whole_m2 = report.between, report.site.area_m2
        grounds = (
            ("in both", pair.both_m2),
            (f"only in {pair.first}", pair.first_only_m2),
            (f"only in {pair.second}", pair.second_only_m2),
            ("in neither", pair.neither_m2),
        )
        shares = (format_percent(100 * m2 / whole_m2 if whole_m2 else None) for _, m2 in grounds)
        rows = [f"{share} {words}, {format_area(m2)}" for share, (words, m2) in zip(shares, grounds, strict=True)]
    return _Block("Recorded", rows, ("more line", "more lines"))


def _places(report: Report, most: int) -> list[str]:
    """Return where to go next in at most so many lines; the first place is always shown whole."""
    if report.between is not None:
        return []
    others = places_for_others(report)
    if not report.places:
        return _labelled(GO_NEXT, answer(report).go_next)
    lanes = lanes_left(report)
    lines = _labelled(GO_NEXT, lanes)[:MOST_LANE_LINES] if lanes else []
    for number, place in enumerate(report.places):
        label = f"{GO_NEXT}:" if not lines else ""
        more = wrapped(harmless(format_search_place(place)), SCREEN_COLUMNS, label.ljust(LABEL), " " * LABEL)
        last = number == len(report.places) - 1 and not others
        if number and (number == PLACES_SHOWN or len(lines) + len(more) + (not last) > most):
            rest = f"{format_number(len(report.places) - number)} more on the map and in places.gpx"
            return [*lines, f"{' ' * LABEL}and {rest}{f'; {others}' if others else ''}"]
        lines += more
    return [*lines, f"{' ' * LABEL}and {others}"] if others else lines
