"""A report of a folder in which nothing has changed: what it was made of, what it said, and that it lies there.

A report depends on every file of its site but those that are made of it, on what was asked, on this program and its
libraries (``folder.edition``), and on what is known of the site's time zone. Whatever cannot be told for certain, such
as a link or a file that cannot be read, makes it another report.
"""

import hashlib
import json
import os
import re
import zoneinfo
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from stat import S_ISDIR, S_ISREG
from typing import Any

from fieldcomb.coverage.cache.folder import OUT, Shelf
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.values import dataclass

MADE_OF_IT = frozenset({OUT, "copies", ".lock"})  # in a site's folder: nothing is read from there
UNFINISHED = (".commit", ".pending-")  # what an interrupted change leaves, which the next command finishes
MOST_FILES, MOST_BYTES = 50_000, 1 << 30  # of more it is not told: to read it all would take longer than it saves
_PLAIN_NAME = re.compile(r"[a-z][a-z-]*\.[a-z]+")
_ZONE = re.compile(r"[A-Za-z0-9_+-]+(/[A-Za-z0-9_+-]+)*")

Told = tuple[str, tuple[str, ...]]  # what is printed, and what is said after it


@dataclass(frozen=True, slots=True)
class MadeOf:
    """What a report is made of, told from anything else by ``digest``.

    seen : every file and folder with its bytes, its last change in nanoseconds and its number, which show whether
    anything changed while the report was made.
    """

    folder: Path
    digest: str
    seen: tuple[tuple[str, int, int, int], ...]

    @property
    def unchanged(self) -> bool:
        """Whether everything is as it was."""
        return _seen(self.folder) == self.seen


@dataclass(frozen=True, slots=True)
class ToldReport:
    """What a report said.

    said : before it was printed. told : by the way of printing it. zone : of the site. wrote : SHA-256 of each file
    that it wrote.
    """

    said: tuple[str, ...]
    told: Mapping[str, Told]
    zone: str
    wrote: Mapping[str, str]


def made_of(folder: Path, asked: Sequence[object]) -> MadeOf | None:
    """Read what a report of a folder is made of; None where that cannot be told.

    asked : everything that was typed for it.
    """
    seen = _seen(folder)
    if seen is None:
        return None
    found = hashlib.sha256(repr((str(folder), *asked, [(name, size) for name, size, *_ in seen])).encode())
    try:
        for name, size, *_ in seen:
            if size >= 0:
                with (folder / name).open("rb") as file:
                    found.update(hashlib.file_digest(file, "sha256").digest())
    except OSError:
        return None
    return MadeOf(folder, found.hexdigest(), seen)


def keep_told(shelf: Shelf, made: MadeOf, report: ToldReport) -> None:
    """Keep what a report said, if nothing that it was made of has changed meanwhile."""
    texts = [*report.said, *(line for text, after in report.told.values() for line in (text, *after))]
    if made.unchanged and all(map(_is_harmless, texts)):
        entry = [list(report.said), dict(report.told), [report.zone, _zone_digest(report.zone)], dict(report.wrote)]
        shelf.put(_name(made), json.dumps(entry).encode())


def told_again(shelf: Shelf, made: MadeOf, out: Path, way: str) -> tuple[tuple[str, ...], Told] | None:
    """Return what a report of the very same said, and make its files new; None where any of them is not there as made.

    shelf : of the folder. out : where the files lie. way : of printing it.
    """
    data = None if out.is_symlink() else shelf.get(_name(made))
    if data is None:
        return None
    shelf.clear_unfinished()
    try:
        if any(out.glob(".*.part")):  # what a report that was killed left there, the next one clears
            return None
        said, told, (zone, zone_digest), wrote = json.loads(data)
        text, after = told[way]
        files = {out / str(name): str(digest) for name, digest in wrote.items() if _PLAIN_NAME.fullmatch(name)}
        same = len(files) == len(wrote) > 0 and _zone_digest(zone) == zone_digest
        same = same and all(map(_is_harmless, (text, *said, *after)))
        if not (same and all(_is_as_made(path, digest) for path, digest in files.items())):
            return None
        for path in files:
            os.utime(path)  # newer than all that they were made of, as they would be
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return None
    return tuple(said), (text, tuple(after))


def digests(files: Mapping[str, bytes]) -> dict[str, str]:
    """Return the SHA-256 of each file."""
    return {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}


def _name(made: MadeOf) -> str:
    return f"report {made.digest}"


def _is_as_made(path: Path, digest: str) -> bool:
    if path.is_symlink() or not path.is_file():
        return False
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest() == digest


def _is_harmless(text: str) -> bool:
    """Whether a text can be printed as it is, whoever put it there."""
    return all(harmless(line) == line.strip() for line in text.split("\n"))


def _seen(folder: Path) -> tuple[tuple[str, int, int, int], ...] | None:
    """Return every file that may be read, and folders as of less than nothing; None where that cannot be told."""
    found: list[tuple[str, int, int, int]] = []
    try:
        if any(path.name.startswith(UNFINISHED) for path in folder.iterdir()):
            return None
        for name, status in _below(folder, ""):
            is_file = S_ISREG(status.st_mode)
            if not (is_file or S_ISDIR(status.st_mode)):
                return None
            found.append((name, status.st_size if is_file else -1, status.st_mtime_ns if is_file else 0, status.st_ino))
            if len(found) > MOST_FILES:
                return None
    except OSError:
        return None
    return tuple(sorted(found)) if sum(max(size, 0) for _, size, *_ in found) <= MOST_BYTES else None


def _below(folder: Path, within: str) -> Iterator[tuple[str, os.stat_result]]:
    with os.scandir(folder) as entries:
        for one in entries:
            if within or one.name not in MADE_OF_IT:
                status = one.stat(follow_symlinks=False)
                yield within + one.name, status
                if S_ISDIR(status.st_mode):
                    yield from _below(Path(one.path), f"{within}{one.name}/")


def _zone_digest(zone: Any) -> str:
    """Tell what is known of a time zone from what another year's tables say; "" where it comes from a library.

    Raises ValueError: it is no name of a zone.
    """
    if not _ZONE.fullmatch(zone):
        raise ValueError(zone)
    for place in zoneinfo.TZPATH:
        with suppress(OSError):
            return hashlib.sha256((Path(place) / zone).read_bytes()).hexdigest()
    return ""
