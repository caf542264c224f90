"""Collecting finds: a row of finds.csv for each mark of a find that has none yet."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from fieldcomb.coverage.finds.collecting import in_time, marked_finds, without_known
from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.finds.writing import with_finds
from fieldcomb.coverage.intake.initials import initials_in
from fieldcomb.coverage.intake.survey_inputs import survey_inputs
from fieldcomb.coverage.outings.found_pegs import found_before, with_pegs
from fieldcomb.coverage.outings.inputs import OutingInput
from fieldcomb.coverage.outings.walking import WALK_S_PER_BYTE
from fieldcomb.coverage.outings.walks import WalkedOuting, join_walks, walk_recordings
from fieldcomb.coverage.pool.workers import ALONE, Workers
from fieldcomb.coverage.register.find_record import find_record, keep_record, next_find_no
from fieldcomb.coverage.site.folder import Say, opened
from fieldcomb.tracks.errors import FieldcombError
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.values import dataclass


@dataclass(frozen=True, slots=True)
class CollectedFinds:
    """What was collected: the new finds with their numbers; how many finds the marks told of; and how many rows."""

    new: tuple[Find, ...]
    marked: int
    rows: int


@dataclass(frozen=True, slots=True, eq=False)
class _Marked:
    """One outing: its finds by its marks, and its walks where they found pegs that nobody measured."""

    outing: OutingInput
    finds: list[Find]
    walked: WalkedOuting | None
    fault: str = ""


def collect_finds(
    folder: Path,
    *,
    stops: bool = False,
    say: Say,
    progress: Callable[[str, int, int], None] = lambda *_: None,
    workers: Workers = ALONE,
) -> CollectedFinds:
    """Add a row for each mark keep, junk or left, and each press told as a find, that has none yet.

    folder : the site. stops : also for digs without a mark. New rows are numbered in order of time.

    Marks of outings that are left out, or cannot be read, are not collected; the latter are told. A second run adds
    nothing. The numbers of rows that somebody took out are not given again.

    Raises SiteError: no outings, or a record that cannot be read or written; nothing was changed then.
    """
    given = survey_inputs(folder, say=say)
    frame = given.site.frame
    found = _marked(given.outings, frame, stops, progress, workers)
    for one in found:
        if one.fault:
            say(f"note: finds of outing {one.outing.id} are not collected: {one.fault}")
    new = [find for one in found for find in one.finds]
    with opened(folder, say) as site:
        names = {short: name for name, short in initials_in(site).items()}
        new = in_time(replace(find, finder=names.get(find.finder, find.finder)) for find in new)
        read = find_record(site)
        marks = [read.table.values(row).get("mark", "") for row in read.table.rows]
        fresh = without_known(new, read.finds, [mark for mark in marks if mark])
        first = next_find_no(site, read)
        fresh = [replace(find, find_no=first + n) for n, find in enumerate(fresh)]
        rows = len(read.finds) + len(fresh)
        if fresh:
            keep_record(site, read, with_finds(read.table, fresh, site.settings.zone))
    return CollectedFinds(tuple(fresh), len(new), rows)


def _marked(
    outings: Sequence[OutingInput],
    frame: SiteFrame,
    stops: bool,
    progress: Callable[[str, int, int], None],
    workers: Workers,
) -> list[_Marked]:
    """Walk outings; those that touch pegs which earlier ones found are walked once more with what these found."""
    found = _walk(outings, frame, stops, progress, workers)
    order = sorted((one for one in found if one.walked), key=lambda one: _begin_s(one.walked))
    known = found_before([one.walked for one in order if one.walked])
    better = {one.outing.id: pegs for one, pegs in zip(order, known, strict=True) if pegs}
    again = _walk([with_pegs(o, better[o.id]) for o in outings if o.id in better], frame, stops, progress, workers)
    by_id = {one.outing.id: one for one in again}
    return [by_id.get(one.outing.id, one) for one in found]


def _walk(
    outings: Sequence[OutingInput],
    frame: SiteFrame,
    stops: bool,
    progress: Callable[[str, int, int], None],
    workers: Workers,
) -> list[_Marked]:
    seconds = sum(outing.size_bytes for outing in outings) * WALK_S_PER_BYTE
    walked: Iterable[_Marked] = workers.in_order(_walk_one, (frame, stops), outings, seconds)
    found = []
    for number, one in enumerate(walked):
        progress("reading", number, len(outings))
        found.append(one)
    return found


def _walk_one(known: tuple[SiteFrame, bool], outing: OutingInput) -> _Marked:
    frame, stops = known
    try:
        chains = walk_recordings(outing.load(), frame)
        finds = marked_finds(outing.id, chains, frame, stops=stops)
    except FieldcombError as error:
        return _Marked(outing, [], None, error.fault)
    pegs = any(chain.walk.peg_places for chain in chains)
    return _Marked(outing, finds, join_walks(outing, chains, frame) if pegs else None)


def _begin_s(walked: WalkedOuting | None) -> tuple[bool, float]:
    start_s = None if walked is None else walked.start_s
    return start_s is None, start_s or 0.0
