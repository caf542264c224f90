"""Writing what was typed for one find into its row, and reading all of them as a list."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path
from zoneinfo import ZoneInfo

from fieldcomb.coverage.finds.cells import RowContext
from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.finds.reading import FindsRead
from fieldcomb.coverage.finds.writing import changed_cells
from fieldcomb.coverage.intake.initials import initials_in, initials_of
from fieldcomb.coverage.register.find_record import find_record, keep_record
from fieldcomb.coverage.site.folder import Say, Site, opened
from fieldcomb.tracks.errors import SiteError, UsageError
from fieldcomb.tracks.values import dataclass


@dataclass(frozen=True, slots=True)
class ListedFinds:
    """The finds of a site with initials for their finders, sentences on faults, and rows that are no finds."""

    site_name: str
    zone: ZoneInfo
    finds: tuple[Find, ...]
    notes: tuple[str, ...]
    unused: tuple[int, ...]


def set_find(folder: Path, find_no: int, typed: Mapping[str, str], *, say: Say) -> tuple[str, ...]:
    """Write what was typed for a find into its row; all other rows stay byte for byte.

    typed : by column, as ``changed_cells`` takes it. Returns a line for each cell that changed.

    Raises UsageError: no such find, or a text that cannot be read. SiteError: the record cannot be changed. Nothing was
    changed then.
    """
    with opened(folder, say) as site:
        read = find_record(site)
        find = _find(read, find_no)
        context = RowContext(site.settings.zone, _day(find.outing))
        cells = changed_cells(read, find, typed, context)
        old = read.table.values(next(row for row in read.table.rows if row.number == find.row))
        cells = {column: text for column, text in cells.items() if old.get(column, "") != text}
        if not cells:
            return ()
        keep_record(site, read, read.table.with_values(find.row, cells), {find_no})
    return tuple(f"{column}: {old.get(column) or 'nothing'} -> {text or 'nothing'}" for column, text in cells.items())


def list_finds(folder: Path, *, say: Say) -> ListedFinds:
    """Return the finds of a site in the order of their numbers; none where nobody wrote any down."""
    with opened(folder, say, reading=True) as site:
        read = find_record(site)
        finds = sorted(with_initials(site, read.finds), key=lambda find: find.find_no)
        return ListedFinds(site.settings.name, site.settings.zone, tuple(finds), read.notes, read.unused)


def with_initials(site: Site, finds: tuple[Find, ...]) -> tuple[Find, ...]:
    """Return finds with initials for those who found them, so that a list that is passed on names no one."""
    short = initials_in(site)
    short |= initials_of([*short, *(find.finder for find in finds if find.finder)])
    return tuple(replace(find, finder=short[find.finder]) if find.finder else find for find in finds)


def _find(read: FindsRead, find_no: int) -> Find:
    for find in read.finds:
        if find.find_no == find_no:
            return find
    if find_no in read.taken:
        raise SiteError(
            f"the row of find {find_no} cannot be used", file=read.table.file, hint=" ".join(read.notes[:1])
        )
    known = [find.find_no for find in read.finds]
    hint = f"Numbers here: {min(known)} to {max(known)}" if known else "There are no finds yet"
    raise UsageError(f"there is no find {find_no}", hint=hint)


def _day(outing: str) -> date | None:
    try:
        return date.fromisoformat(outing[:10])
    except ValueError:
        return None
