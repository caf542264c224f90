"""finds.csv of a site, opened to be changed: read, changed in memory, and put in place whole or not at all."""

from __future__ import annotations

from collections.abc import Collection

from fieldcomb.coverage.finds.find import FIND_COLUMNS, FINDS_FILE
from fieldcomb.coverage.finds.reading import FindsRead, read_finds
from fieldcomb.coverage.site.folder import Site, finds_in, shown
from fieldcomb.coverage.site.journal import refuse_link, write_all
from fieldcomb.coverage.site.settings import SITE_FILE
from fieldcomb.coverage.site.settings_file import read_settings
from fieldcomb.coverage.site.toml_text import set_values
from fieldcomb.tracks.errors import SiteError
from fieldcomb.tracks.files.kept_table import KeptTable, new_table

OPEN_IN_OFFICE = f".~lock.{FINDS_FILE}#"  # some office programs keep this beside a file while it is open


def find_record(site: Site) -> FindsRead:
    """Read the finds of a site to change them; an empty record where there is none yet."""
    refuse_link(site.folder / FINDS_FILE, "Put the file itself there")
    read = finds_in(site)
    return FindsRead(new_table(FINDS_FILE, FIND_COLUMNS), (), ()) if read is None else read


def next_find_no(site: Site, read: FindsRead) -> int:
    """Return the first number that no bag of the site ever had, also when its row is gone."""
    return max([0, *read.taken, site.settings.last_find_no]) + 1


def keep_record(site: Site, before: FindsRead, table: KeptTable, changed: Collection[int] = ()) -> None:
    """Write a changed record, with the highest number ever given; the site is locked.

    before : the record as it was read. changed : find_no of finds that are meant to change; others are new or the same.

    Raises SiteError: it cannot be written, or would read otherwise than is meant; nothing was changed then.
    """
    busy = site.folder / OPEN_IN_OFFICE
    if busy.exists():
        problem = "is open in a spreadsheet, which would overwrite what is written now; nothing was changed"
        hint = f"Close it there and try again. If it is not open, delete {shown(busy)}"
        raise SiteError(problem, file=FINDS_FILE, hint=hint)
    raw = table.as_bytes()
    after = read_finds(raw, FINDS_FILE, site.settings.zone)
    kept = {find.find_no for find in before.finds} - set(changed)
    same = ([find for find in read.finds if find.find_no in kept] for read in (before, after))
    if next(same) != next(same):
        raise SiteError("its layout is too unusual to change", file=FINDS_FILE, hint="Change it in a spreadsheet")
    files = {FINDS_FILE: raw}
    last = next_find_no(site, after) - 1
    if last > site.settings.last_find_no:
        text = set_values(site.settings.file.text, (), {"last_find_no": last})
        read_settings(text.encode(), site.settings.file.name)
        files[SITE_FILE] = text.encode()
    write_all(site.folder, files)
