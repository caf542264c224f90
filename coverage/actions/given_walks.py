"""Walks as they are given to be added, one by one or by the roster of a team."""

from collections.abc import Sequence
from dataclasses import field, replace
from enum import Enum, auto
from pathlib import Path

from fieldcomb.coverage.site.folder import Say, read_file, shown
from fieldcomb.coverage.site.naming import name_like
from fieldcomb.coverage.site.roster import RosterRow, read_roster
from fieldcomb.coverage.site.settings import Typed
from fieldcomb.tracks.errors import SiteError, UsageError
from fieldcomb.tracks.values import dataclass


class Split(Enum):
    """What becomes an outing of its own: all files together, each file, or each recording, also those in an archive."""

    TOGETHER = auto()
    FILES = auto()
    RECORDINGS = auto()


@dataclass(frozen=True, slots=True)
class WalkToAdd:
    """One file to add, as typed, and what was typed for it alone; ``place`` is its file and line in a roster.

    held : where the file lies, when ``path`` is only the name that it is known by, as that of an upload is.
    """

    path: str
    start: str | None = None
    end: str | None = None
    typed: Typed = field(default_factory=Typed)
    searcher: str | None = None
    place: tuple[str, int] | None = None
    held: str | None = None

    def content(self) -> bytes:
        """Return its bytes; an error has the name that it is known by."""
        return read_file(self.held or self.path, name=self.path)


@dataclass(frozen=True, slots=True)
class WalksToAdd:
    """Files to add at once, ordered by time only when they are added.

    typed : what was typed for all of them; a coil may be named for good (``small=13x20cm``).
    label, note : kept with each outing.
    unrecorded : people of the team who searched without a recording.
    stored : whether the files are kept; else what is in them is let go as soon as they are read.
    """

    walks: Sequence[WalkToAdd]
    typed: Typed = field(default_factory=Typed)
    label: str | None = None
    note: str | None = None
    split: Split = Split.TOGETHER
    unrecorded: tuple[str, ...] = ()
    stored: bool = True


def with_roster(given: WalksToAdd, roster: WalkToAdd, say: Say) -> WalksToAdd:
    """Return walks with what the roster of a team has on each of them, and with the people who did not record.

    roster : its file; its times hold for each row without times.
    """
    file = shown(roster.path)
    rows, notes = read_roster(read_file(roster.held or roster.path, SiteError, name=roster.path), file)
    for note in notes:
        say(f"note: {note}")
    rows = tuple(replace(row, start=row.start or roster.start, end=row.end or roster.end) for row in rows)
    walks = walks_of_roster(rows, roster.path, given.walks)
    recorded = {walk.searcher for walk in walks}
    people = dict.fromkeys(row.searcher for row in rows if row.file is None and row.searcher)
    return replace(given, walks=walks, unrecorded=tuple(name for name in people if name not in recorded))


def walks_of_roster(rows: Sequence[RosterRow], roster: str, given: Sequence[WalkToAdd]) -> tuple[WalkToAdd, ...]:
    """Match the rows of a roster with the files given; without any they lie in the folder of the roster."""
    file = shown(roster)
    given = tuple(dict.fromkeys(given))
    if len({walk.path for walk in given}) < len(given):
        hint = "Rename them, so that the roster can tell them apart"
        raise UsageError("two of the recordings have the same name", hint=hint)
    walks, gone = [], []
    for row in rows:
        if row.file is None:
            continue
        found = [walk for walk in given if row.file in (walk.path, shown(Path(walk.path).name))]
        if not given:
            found = [WalkToAdd(str(Path(roster).parent / row.file))]
            if not Path(found[0].path).exists():
                like = name_like(Path(found[0].path))
                gone.append(f"{row.file} (line {row.line}{f', or is it {like}?' if like else ''})")
                continue
        if len(found) != 1:
            several = "could be any of " + ", ".join(shown(walk.path) for walk in found)
            problem = f"{row.file} {several if found else 'is not among the files given'}"
            hint = "Name every file of the roster, or none if they are in its folder"
            raise SiteError(problem, file=file, where=f"line {row.line}", hint=hint)
        own = WalkToAdd(found[0].path, row.start, row.end, row.typed, row.searcher, (file, row.line), found[0].held)
        walks.append(own)
    if gone:
        names = ", ".join(gone)
        hint = "Put them in the roster's folder, or leave the file empty in rows of people who did not record"
        raise SiteError(f"some of its files are missing: {names}", file=file, hint=hint)
    left = [shown(walk.path) for walk in given if walk.path not in {used.path for used in walks}]
    if left:
        raise SiteError(f"has no row for {', '.join(left)}", file=file, hint="Add a row, or leave the file out")
    return tuple(walks)
