"""Telling the files of a plan which lanes were closed after they were planned, so that nobody takes them along."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from html import unescape
from pathlib import Path

from fieldcomb.coverage.actions.tick_lanes import is_open_in_office
from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.areas.areas import place_areas
from fieldcomb.coverage.lanes.declared import DeclaredPlan, lanes_closed, not_begun
from fieldcomb.coverage.lanes.lane_files import (
    CLOSED_WORDS,
    CSV_FILE,
    GEOJSON_FILE,
    GPX_FILE,
    KML_FILE,
    closed_note,
    geojson_with_closed,
    kml_with_closed,
    routes_gpx,
)
from fieldcomb.coverage.lanes.lane_words import kept_off_note, lanes_in_words
from fieldcomb.coverage.pages.lane_drawings import SHEET_FILE, sheet_with_closed
from fieldcomb.coverage.site.folder import AREAS_FILE, Say, opened, read_file, shown
from fieldcomb.coverage.site.journal import reason, refuse_link, replace_files
from fieldcomb.coverage.site.lane_plans import LANES, cells_of, free_file, kept_plan, plan_folders, with_ticks
from fieldcomb.coverage.survey.results import Report
from fieldcomb.tracks.errors import SiteError
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.text import harmless

_GPX_TITLE = re.compile(r"<metadata>\s*<name>(.*?)</name>", re.DOTALL)


def close_lanes(folder: Path, report: Report, say: Say) -> None:
    """Have every file of a plan leave out the lanes that a report sends nobody along, or say so beside them.

    The sheet and its table say it in the row, the routes for a watch leave them out. Lanes of ground that was opened
    again come back. What was ticked or written stays as it is. A report is made even where a file cannot be changed;
    then it is said which.
    """
    wanted = {plan.name: frozenset(plan.closed) for plan in (*report.lanes, *report.plans_ahead)}
    _set_closed(folder, report.site.frame, wanted, say)


def close_drawn(folder: Path, say: Say) -> None:
    """The same for no-go ground that was drawn, on a site of which there can be no report, since nobody walked it."""
    with opened(folder, say, reading=True) as site:
        frame = site.settings.frame
        if frame is None or any(not outing.left_out for outing in site.outings):
            return
        areas, _ = place_areas(site.areas, frame, AREAS_FILE)
    wanted = {plan.name: frozenset(lanes_closed(plan, areas)) for plan in _plans(folder, frame).values()}
    _set_closed(folder, frame, wanted, say)


def _set_closed(folder: Path, frame: SiteFrame, wanted: Mapping[str, frozenset[int]], say: Say) -> None:
    found = _plans(folder, frame) if wanted else {}
    changed = {place: plan for place, plan in found.items() if plan.closed or wanted.get(plan.name)}
    try:
        if changed:
            with opened(folder, say):
                refuse_link(folder / LANES, f"Move the link {LANES} away, and run this again")
                for place, plan in changed.items():
                    if plan.name in wanted:
                        _close(place, plan, wanted[plan.name], say)
    except SiteError as error:
        which = "; ".join(f"{lanes_in_words(sorted(gone))} of plan {name}" for name, gone in wanted.items() if gone)
        say(f"note: the files of the plans could not be changed ({error.problem}). {which or 'No lane'} {CLOSED_WORDS}")


def close_more_lanes(folder: Path, areas: Sequence[AreaShape], frame: SiteFrame, say: Say) -> None:
    """Close lanes that lead over no-go ground as soon as it is known, before there is a report; none comes back.

    areas : new ones in site metres, such as marks of a walk that was added.
    """
    for place, plan in _plans(folder, frame).items() if any(area.kind == "no-go" for area in areas) else ():
        now = replace(not_begun(plan), closed=lanes_closed(plan, areas))
        if set(now.closed) <= set(plan.closed):
            continue
        say(f"note: {kept_off_note(now)}")
        try:
            with opened(folder, say):
                refuse_link(folder / LANES, f"Move the link {LANES} away, and run this again")
                _close(place, plan, frozenset((*plan.closed, *now.closed)), say)
        except SiteError as error:
            say(f"note: the files of plan {plan.name} could not be changed: {error.problem}")


def _plans(folder: Path, frame: SiteFrame) -> dict[Path, DeclaredPlan]:
    plans: dict[Path, DeclaredPlan] = {}
    for place in plan_folders(folder):
        with suppress(SiteError):  # a report tells of one that cannot be read
            plans[place] = kept_plan(place, frame)
    return plans


def _close(place: Path, plan: DeclaredPlan, closed: frozenset[int], say: Say) -> None:
    """Write those files of a plan that are to change; its own file comes last, since it says what was done."""
    files: dict[str, bytes] = {}
    for name, change in _changes(place, plan, closed).items():
        if not (place / name).is_file() or (place / name).is_symlink():
            continue  # somebody took it away, and nobody can take it along
        try:
            old = read_file(place / name, SiteError)
            new = change(old)
        except (SiteError, UnicodeDecodeError, ValueError) as error:
            told = error.problem if isinstance(error, SiteError) else "was changed after it was written"
            which = f"{lanes_in_words(sorted(closed))} {CLOSED_WORDS}" if closed else "no lane of it is closed any more"
            say(f"note: {shown(place / name)} {told}: {which}")
            continue
        files |= {} if new == old else {name: new}
    if GPX_FILE in files:
        files = {**dict(_kept_gpx(place, plan, files[GPX_FILE])), **files}
    try:
        replace_files(place, files)
    except OSError as error:
        raise SiteError(f"cannot be written: {reason(error)}", file=shown(place)) from error


def _changes(place: Path, plan: DeclaredPlan, closed: frozenset[int]) -> dict[str, Callable[[bytes], bytes]]:
    def sheet(old: bytes) -> bytes:
        return sheet_with_closed(old.decode(), closed).encode()

    def table(old: bytes) -> bytes:
        if is_open_in_office(place):
            raise SiteError("is open in a spreadsheet, and was left as it is", file=shown(place / CSV_FILE))
        return _table(old, shown(place / CSV_FILE), closed)

    def routes(old: bytes) -> bytes:
        return routes_gpx(_title(old.decode(), plan), plan.ends, closed).encode()

    def places(old: bytes) -> bytes:
        return kml_with_closed(old.decode(), closed).encode()

    def own(old: bytes) -> bytes:
        return geojson_with_closed(old.decode(), closed).encode()

    return {SHEET_FILE: sheet, CSV_FILE: table, GPX_FILE: routes, KML_FILE: places, GEOJSON_FILE: own}


def _title(gpx: str, plan: DeclaredPlan) -> str:
    found = _GPX_TITLE.search(gpx)
    return harmless(unescape(found[1])) if found else f"lanes {plan.name}"


def _kept_gpx(place: Path, plan: DeclaredPlan, new: bytes) -> Iterator[tuple[str, bytes]]:
    """Yield a copy of routes that somebody else wrote, which are about to be replaced."""
    old = read_file(place / GPX_FILE, SiteError)
    title = _title(old.decode(), plan)
    if old not in (new, routes_gpx(title, plan.ends, plan.closed).encode()):
        yield free_file(place, "lanes-before", ".gpx"), old


def _table(old: bytes, file: str, closed: frozenset[int]) -> bytes:
    """Say it in the column ``note``, before what somebody wrote there; take it out of the rows of all other lanes."""
    filled: dict[int, dict[str, str]] = {}
    for number, cells in cells_of(old, file).items():
        if "note" not in cells:
            raise SiteError("has no column note to say so in", file=file)
        note = closed_note(cells["note"], closed=number in closed)
        if note != cells["note"]:
            filled[number] = {"note": note}
    return with_ticks(old, file, filled)
