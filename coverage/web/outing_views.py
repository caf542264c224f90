"""What the pages of outings show of the last report, read from its report.json: a line for the list, and numbers."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from fieldcomb.coverage.areas.from_marks import opened_again
from fieldcomb.coverage.pages.typeset import typeset
from fieldcomb.coverage.report.answer import share_of_words
from fieldcomb.coverage.site.settings import Settings
from fieldcomb.tracks.units import format_area, format_duration, format_number, format_percent
from fieldcomb.tracks.values import dataclass

STOP = "stop"


@dataclass(frozen=True, slots=True)
class OutingNumbers:
    """One outing of the last report: when, with what, what it brought; and its numbers, each with its name."""

    line: str
    rows: tuple[tuple[str, str], ...]


def outing_numbers(report: Mapping[str, Any] | None) -> dict[str, OutingNumbers]:
    """Return the outings of a report.json by their ids; none where it is missing, not ours, or of an older version."""
    try:
        if report is None:
            return {}
        whole = share_of_words(str(report["site"]["boundary"]))
        return {str(one["id"]): _numbers(one, whole) for one in report["outings"]}
    except (KeyError, TypeError, ValueError, AttributeError):
        return {}


@dataclass(frozen=True, slots=True)
class ClosedPlace:
    """Ground that a mark ``stop`` closed: its name, which opens it again, the outing of the mark, and its day."""

    name: str
    outing: str
    day: str


def closed_places(report: Mapping[str, Any] | None, settings: Settings) -> tuple[ClosedPlace, ...]:
    """Return what is closed by the marks of a report.json and was not opened again; none where it is not ours."""
    try:
        return () if report is None else tuple(_closed(report["outings"], settings))
    except (KeyError, TypeError, ValueError, AttributeError):
        return ()


def _closed(outings: Sequence[Mapping[str, Any]], settings: Settings) -> Iterator[ClosedPlace]:
    for one in outings:
        for mark in one["marks"]:
            if mark["kind"] != STOP:
                continue
            moment = mark["time"] or one["start"]
            day = None if moment is None else datetime.fromisoformat(moment).astimezone(settings.zone).date()
            name = str(mark["name"] or one["id"])
            if opened_again(name, day, settings.reopened) is None:
                yield ClosedPlace(name, str(one["id"]), "" if day is None else str(day))


def _numbers(one: Mapping[str, Any], whole: str) -> OutingNumbers:
    line = typeset(str(one["in_short"]))
    return OutingNumbers(line, tuple((name, typeset(text)) for name, text in _rows(one, whole)))


def _rows(one: Mapping[str, Any], whole: str) -> Iterator[tuple[str, str]]:
    yield "Swept, as recorded", f"{format_area(one['swept_m2'])}, {format_percent(one['swept_pct'])} {whole}"
    yield "Of that for the first time", format_area(one["new_m2"])
    again_m2 = float(one["again_same_coil_m2"]) + float(one["again_other_coil_m2"])
    yield "Again, after earlier outings", format_area(again_m2)
    yield "Crosswise", format_area(one["crosswise_m2"])
    if one["searching_s"] is not None:
        yield "Searching", f"{format_duration(one['searching_s'])} of {format_duration(one['elapsed_s'])}"
    if one["speed_m_s"] is not None:
        yield "Pace", f"{format_number(one['speed_m_s'], 2)} m/s"
    yield "Walked", f"{format_number(one['walked_m'])} m"
    if one["stops"] is not None:
        yield "Stops", f"{format_number(one['stops'])}, as long as a dig: {format_number(one['digs'])}"
    yield "Not recorded", format_area(one["not_recorded_m2"])
    yield "Outside the site", format_area(one["outside_m2"])
