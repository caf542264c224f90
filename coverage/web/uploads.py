"""Uploads on their way into a site: under random names in a folder of their own, which nobody else may read."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import gettempdir, mkdtemp
from typing import IO, Protocol

from fieldcomb.coverage.site.journal import held_lock
from fieldcomb.coverage.web.access import new_secret
from fieldcomb.coverage.web.job_protocol import HeldFile
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.text import harmless

PREFIX = "fieldcomb-uploads-"
MOST_REQUEST_BYTES = 256 * 1024 * 1024  # of one request, all its files together
MOST_FILES = 200
MOST_HELD_BYTES = 2 * 1024 * 1024 * 1024  # of everything that waits
MOST_NAME_LETTERS = 150
COPY_BYTES = 1 << 20


class Uploaded(Protocol):
    """A file of a form, as the web library gives it."""

    filename: str | None
    stream: IO[bytes]


def shown_name(given: str | None) -> str:
    """Give the name of an upload as it is shown and kept: the last part of a path, without anything that gives orders.

    >>> shown_name("../../etc/passwd")
    'passwd'
    """
    name = harmless((given or "").replace("\\", "/").rpartition("/")[2]).strip()
    if len(name) > MOST_NAME_LETTERS:
        name = name[: MOST_NAME_LETTERS - 20] + "…" + name[-19:]  # the ending is part of what its owner knows
    return "recording" if not name.strip(". ") else name


class Uploads:
    """The folder that uploads wait in; it goes when the server does."""

    def __init__(self, parent: str | None = None) -> None:
        self._parent = Path(parent or gettempdir())
        _sweep(self._parent)
        self.folder = Path(mkdtemp(prefix=PREFIX, dir=self._parent))
        self._lock = held_lock(self.folder)

    @contextmanager
    def taking(self) -> Iterator[list[HeldFile]]:
        """Give a list for what is being taken; unless all goes well, its files are removed again."""
        held: list[HeldFile] = []
        try:
            yield held
        except BaseException:
            self.drop(held)
            raise

    def take(self, upload: Uploaded) -> HeldFile:
        """Store one upload; UsageError when too much waits already."""
        path = self.folder / new_secret()
        room = MOST_HELD_BYTES - sum(file.stat().st_size for file in self.folder.iterdir())
        try:
            with path.open("xb") as file:
                while chunk := upload.stream.read(COPY_BYTES):
                    room -= len(chunk)
                    if room < 0:
                        raise UsageError("too many uploads are waiting", hint="Wait a minute, and send it again")
                    file.write(chunk)
        except BaseException:
            path.unlink(missing_ok=True)
            raise
        return HeldFile(shown_name(upload.filename), str(path))

    def take_text(self, name: str, text: str) -> HeldFile:
        """Store what was typed as if it were a file."""
        path = self.folder / new_secret()
        path.write_text(text, "utf-8")
        return HeldFile(name, str(path))

    def drop(self, held: Sequence[HeldFile]) -> None:
        """Remove uploads that are not needed any more."""
        for one in held:
            with suppress(OSError):
                Path(one.path).unlink()

    def close(self) -> None:
        """Remove the folder with all that is in it."""
        self._lock.release()
        shutil.rmtree(self.folder, ignore_errors=True)


def _sweep(parent: Path) -> None:
    """Remove what servers left behind that were killed: their locks are free."""
    for folder in parent.glob(PREFIX + "*"):
        with suppress(OSError, TimeoutError):
            if folder.is_symlink() or not folder.is_dir():
                continue
            held_lock(folder).release()
            shutil.rmtree(folder, ignore_errors=True)
