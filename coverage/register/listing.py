"""The finds of a site as a list for a terminal: what they add up to on top, then a row for each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from zoneinfo import ZoneInfo

from fieldcomb.coverage.finds.fields import how_well, numbers_text
from fieldcomb.coverage.finds.find import JUNK, KEEP, LEFT, Find
from fieldcomb.coverage.report.text import columns, cut, wrapped
from fieldcomb.tracks.units import NONE, format_count, local_date

LIST_COLUMNS = 80
_HEAD = ("no", "day", "kind", "number", "depth", "period", "what")
_RIGHT = (0, 3, 4)  # columns of numbers
_WIDEST = (9, 10, 4, 7, 6, 16, 40)


def finds_total(finds: Sequence[Find]) -> list[str]:
    """Return what finds add up to, in lines of at most 80 columns."""
    kinds = Counter(find.kind for find in finds)
    kept = [find for find in finds if find.kind == KEEP]
    counts = f"{kinds[KEEP]} kept, {kinds[JUNK]} junk, {kinds[LEFT]} heard and left"
    said = [f"{format_count(len(finds), 'find')}: {counts}"]
    periods = Counter(find.period for find in kept if find.period)
    if periods:
        words = ", ".join(f"{period} {count}" for period, count in sorted(periods.items(), key=lambda p: (-p[1], p[0])))
        said.append(f"Kept by period: {words}" + _rest(len(kept) - periods.total(), "without one"))
    if kept:
        reported = sum(bool(find.reported_to or find.report_no or find.reported_on) for find in kept)
        named = sum(bool(find.what) for find in kept)
        say, are = "says what it is" if named == 1 else "say what they are", "is" if reported == 1 else "are"
        said.append(f"Of {len(kept)} kept, {named} {say} and {reported} {are} reported")
    said.append(_places(finds))
    return [line for text in said for line in wrapped(text, LIST_COLUMNS, "", "  ")]


def _rest(count: int, words: str) -> str:
    return f", {count} {words}" if count else ""


def _places(finds: Sequence[Find]) -> str:
    placed = [find for find in finds if find.placed]
    if not placed:
        return "No place is known"
    how = Counter("as typed" if find.error_m is None else f"known to {how_well(find)}" for find in placed)
    known = ", ".join(f"{count} {words}" for words, count in how.most_common())
    return f"Places: {known}" + _rest(len(finds) - len(placed), "not known")


def finds_rows(finds: Sequence[Find], zone: ZoneInfo) -> list[str]:
    """Return a head and a line for each find, of at most 80 columns."""
    rows = [_HEAD, *(_cells(find, zone) for find in finds)]
    widths = [min(max(columns(row[n]) for row in rows), most) for n, most in enumerate(_WIDEST)]
    widths[-1] = max(LIST_COLUMNS - sum(widths[:-1]) - 2 * (len(widths) - 1), 8)
    return [_row(row, widths) for row in rows]


def _cells(find: Find, zone: ZoneInfo) -> tuple[str, ...]:
    day = local_date(find.time_s, zone)
    depth = NONE if find.depth_m is None else f"{find.depth_m * 100:.3g} cm"
    number = numbers_text(find.number) or NONE
    when = day.isoformat() if day else find.outing or NONE
    return str(find.find_no), when, find.kind, number, depth, find.period or NONE, find.what or find.note or NONE


def _row(cells: Iterable[str], widths: Sequence[int]) -> str:
    parts = []
    for number, (text, width) in enumerate(zip(cells, widths, strict=True)):
        short = cut(text, width)
        blank = " " * (width - columns(short))
        parts.append(blank + short if number in _RIGHT else short + blank)
    return "  ".join(parts).rstrip()
