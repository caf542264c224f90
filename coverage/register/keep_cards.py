"""Changes to finds as a phone sends them: each kept once, however often it is sent, and none over what others wrote."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import field, replace
from datetime import date
from pathlib import Path

from fieldcomb.coverage.finds.cells import RowContext
from fieldcomb.coverage.finds.find import FIND_KINDS, KEEP, Find
from fieldcomb.coverage.finds.reading import FindsRead
from fieldcomb.coverage.finds.writing import changed_cells, with_finds
from fieldcomb.coverage.register.find_record import find_record, keep_record, next_find_no
from fieldcomb.coverage.site.folder import Say, Site, opened
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.files.tables import unguarded
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.values import dataclass

MOST_CHANGES = 1000  # in one message
MOST_CARD_LETTERS = 2000  # of one cell
CARD_COLUMNS = (
    *("kind", "what", "number", "depth_cm", "period", "from_year", "to_year", "material", "count", "weight_g"),
    *("condition", "layer", "in_situ", "hole", "finder", "coil", "kept_at", "note"),
)
_ID = re.compile(r"[0-9a-f]{8,64}\Z")


@dataclass(frozen=True, slots=True)
class CardChange:
    """What was typed into one field of one card: the text before, as the phone knew it, and the new one."""

    id: str
    find_no: int
    column: str
    was: str
    text: str


@dataclass(frozen=True, slots=True)
class KeptCards:
    """What became of changes, and the cards after it: all, or those that were changed.

    kept : ids of changes that are on the disk. refused : by id, why others will never be.
    """

    kept: tuple[str, ...]
    refused: dict[str, str]
    cards: tuple[dict[str, str], ...]
    notes: tuple[str, ...] = ()


@dataclass(slots=True)
class _Kept:
    """What is gathered while changes are looked at."""

    kept: list[str] = field(default_factory=list)
    refused: dict[str, str] = field(default_factory=dict)
    cells: dict[int, dict[str, str]] = field(default_factory=dict)


def find_cards(folder: Path, *, say: Say) -> KeptCards:
    """Return a card for each find, by its number: the cells of its row as they stand there."""
    with opened(folder, say, reading=True) as site:
        read = find_record(site)
        return KeptCards((), {}, _cards(read), read.notes)


def keep_changes(folder: Path, sent: Sequence[object], *, say: Say) -> KeptCards:
    """Write changes of cards into finds.csv; when this returns, those that are kept are on the disk.

    sent : as the page sent them, in the order in which they were made.

    A change that is there already is kept once more without writing, so that whoever lost the answer may send it again.
    One to a cell that somebody else changed meanwhile is refused: their text stays, and the page says both.

    Raises SiteError: the record cannot be read or written; nothing was changed then, and nothing is confirmed.
    """
    changes = [change for one in sent[:MOST_CHANGES] if (change := change_of(one)) is not None]
    by_cell: dict[tuple[int, str], list[CardChange]] = {}
    for change in changes:
        by_cell.setdefault((change.find_no, change.column), []).append(change)
    with opened(folder, say) as site:
        read = find_record(site)
        finds, rows, done = {find.find_no: find for find in read.finds}, _rows(read), _Kept()
        for (find_no, column), chain in by_cell.items():
            find = finds.get(find_no)
            if find is None:
                done.refused |= {one.id: f"There is no find {find_no} any more." for one in chain}
            else:
                now = done.cells.get(find_no, {}).get(column, rows[find.row].get(column, ""))
                _look_at(read, find, now, chain, site, done)
        if done.cells:
            table = read.table
            for find_no, cells in done.cells.items():
                table = table.with_values(finds[find_no].row, cells)
            keep_record(site, read, table, set(done.cells))
            read = find_record(site)
        sent_finds = {change.find_no for change in changes}
        return KeptCards(tuple(done.kept), done.refused, _cards(read, sent_finds), read.notes)


def change_of(value: object) -> CardChange | None:
    """Return a change as it was sent, checked; None for what is none, which is not kept and not confirmed."""
    if not isinstance(value, dict):
        return None
    name, find_no, column, was, text = (value.get(key) for key in ("id", "find", "column", "was", "text"))
    if not (isinstance(name, str) and _ID.match(name) and type(find_no) is int and column in CARD_COLUMNS):
        return None
    if not (isinstance(was, str) and isinstance(text, str) and len(text) <= MOST_CARD_LETTERS):
        return None
    return CardChange(name, find_no, str(column), was, harmless(" ".join(text.split())))


def _look_at(read: FindsRead, find: Find, now: str, chain: Sequence[CardChange], site: Site, done: _Kept) -> None:
    """Take the changes of one cell together: from what it was on the phone first to what was typed last.

    now : the cell as it is.
    """
    column = chain[0].column
    context = RowContext(site.settings.zone, _day(find.outing))
    written: list[tuple[CardChange, str]] = []
    for change in chain:
        try:
            cells = changed_cells(read, find, {column: change.text}, context)
            written.append((change, unguarded(cells[column])))
        except UsageError as error:
            done.refused[change.id] = f"Find {find.find_no}: {error.problem}."
    if not written:
        return
    known = {chain[0].was, *(text for _, text in written)}
    if now not in known:
        words = f"Find {find.find_no}: {column} is {now!r} by now, not {chain[0].was!r} as on this phone. Yours was"
        done.refused |= {change.id: f"{words} {change.text!r}: type it again if it is right." for change, _ in written}
        return
    done.kept += [change.id for change, _ in written]
    if written[-1][1] != now:
        done.cells.setdefault(find.find_no, {})[column] = written[-1][1]


def new_card(folder: Path, card_id: str, kind: str, outing: str, *, say: Say) -> int:
    """Add a find with the next number, and return that; one that comes again under its id is added once.

    card_id : made where it was asked for. outing : id of the outing it belongs to, or blank.

    Raises UsageError: no such kind or outing. SiteError: the record cannot be read or written.
    """
    if kind not in FIND_KINDS or not _ID.match(card_id):
        raise UsageError(f"{kind!r} is no kind of find", hint=f"Use {KEEP} or another of {', '.join(FIND_KINDS)}")
    with opened(folder, say) as site:
        if outing and outing not in {one.id for one in site.outings}:
            raise UsageError(f"there is no outing {outing!r}", hint="Open the page of the finds again")
        read = find_record(site)
        mark = f"page {card_id}"
        rows = _rows(read)
        for find in read.finds:
            if rows[find.row].get("mark") == mark:
                return find.find_no
        number = next_find_no(site, read)
        fresh = replace(Find(number, kind, outing=outing), mark=mark)
        keep_record(site, read, with_finds(read.table, [fresh], site.settings.zone))
    return number


def _cards(read: FindsRead, only: Collection[int] | None = None) -> tuple[dict[str, str], ...]:
    shown = ("find_no", "outing", "time", "photo", *CARD_COLUMNS)
    rows = _rows(read)
    finds = sorted(read.finds, key=lambda find: (not find.outing, find.outing, find.find_no))  # of no outing last
    wanted = [find for find in finds if only is None or find.find_no in only]
    return tuple({column: rows[find.row].get(column, "") for column in shown} for find in wanted)


def _rows(read: FindsRead) -> dict[int, dict[str, str]]:
    """Return the cells of all rows by their number."""
    return {row.number: read.table.values(row) for row in read.table.rows}


def _day(outing: str) -> date | None:
    try:
        return date.fromisoformat(outing[:10])
    except ValueError:
        return None
