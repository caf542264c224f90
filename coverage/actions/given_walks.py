"""Walks as they are given to be added, one by one or by the roster of a team."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from fieldcomb.coverage.site.folder import read_file, shown
from fieldcomb.coverage.site.roster import RosterRow
from fieldcomb.coverage.site.settings import Typed
from fieldcomb.tracks.errors import SiteError
from fieldcomb.tracks.recording import Recording


@dataclass(frozen=True, slots=True)
class WalkToAdd:
    """One file to add, as typed, and what was typed for it alone; ``place`` is its line in a roster.

    data : its bytes, where it is a member of an archive and ``path`` only names it; None for a file to read.
    recording : what was read from it, where that was done already.
    held : where the file lies, when ``path`` is only the name that it is known by, as that of an upload is.
    """

    path: str
    start: str | None = None
    end: str | None = None
    typed: Typed = field(default_factory=Typed)
    searcher: str | None = None
    place: tuple[str, int] | None = None
    data: bytes | None = field(default=None, repr=False)
    recording: Recording | None = field(default=None, repr=False)
    held: str | None = None

    def content(self) -> bytes:
        """Return its bytes; an error has the name that it is known by."""
        return read_file(self.held or self.path, name=self.path) if self.data is None else self.data


def walks_of_roster(
    rows: Sequence[RosterRow], file: str, tracks: Sequence[str]
) -> tuple[tuple[WalkToAdd, ...], tuple[str, ...]]:
    """Match the rows of a roster with the files given; without any they lie in the folder of the roster.

    Returns the walks, and the people in the roster of whom there is no recording.
    """
    by_name: dict[str, list[str]] = {}
    for track in dict.fromkeys(tracks):
        for name in {track, shown(Path(track).name)}:
            by_name.setdefault(name, []).append(track)
    walks, gone = [], []
    for row in rows:
        if row.file is None:
            continue
        paths = by_name.get(row.file, []) if tracks else [str(Path(file).parent / row.file)]
        if not tracks and not Path(paths[0]).exists():
            gone.append(row)
            continue
        if len(paths) != 1:
            found = "is not among the files given" if not paths else "could be any of " + ", ".join(map(shown, paths))
            hint = "Name every file of the roster, or none if they are in its folder"
            raise SiteError(f"{row.file} {found}", file=shown(file), where=f"line {row.line}", hint=hint)
        walks.append(WalkToAdd(paths[0], row.start, row.end, row.typed, row.searcher, (shown(file), row.line)))
    if gone:
        names = ", ".join(f"{row.file} (line {row.line})" for row in gone)
        hint = "Put them in the roster's folder, or leave the file empty in rows of people who did not record"
        raise SiteError(f"these of its files are missing: {names}", file=shown(file), hint=hint)
    left = [shown(track) for track in tracks if track not in {walk.path for walk in walks}]
    if left:
        raise SiteError(f"has no row for {', '.join(left)}", file=shown(file), hint="Add a row, or leave the file out")
    recorded = {walk.searcher for walk in walks}
    people = dict.fromkeys(row.searcher for row in rows if row.file is None and row.searcher)
    return tuple(walks), tuple(name for name in people if name not in recorded)
