"""Uploads on their way into a site: under random names in a folder of their own that no other user may read."""

import re
import shutil
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import gettempdir, mkdtemp
from typing import IO, Protocol

from fieldcomb.coverage.jobs.job_protocol import HeldFile, new_secret
from fieldcomb.coverage.site.journal import LOCK, held_lock
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.text import harmless

PREFIX = "fieldcomb-uploads-"
MOST_REQUEST_BYTES = 256 * 1024 * 1024  # of one request, all its files together
MOST_FILES = 200
MOST_HELD_BYTES = 2 * 1024 * 1024 * 1024  # of everything that waits
MOST_NAME_LETTERS = 150
COPY_BYTES = 1 << 20
MOST_STARTING_S = 60.0  # a server that has just made its folder takes the lock of it within that time
_SECRET = re.compile(r"[\w-]{43}")  # as new_secret makes them


class Uploaded(Protocol):
    """A file of a form, as the web library hands it over."""

    filename: str | None
    stream: IO[bytes]


def shown_name(given: str | None) -> str:
    """Return the name of an upload as it is shown and stored: the last part of a path, without control characters.

    >>> shown_name("../../etc/passwd")
    'passwd'
    """
    name = harmless((given or "").replace("\\", "/").rpartition("/")[2]).strip()
    if len(name) > MOST_NAME_LETTERS:
        name = name[: MOST_NAME_LETTERS - 20] + "…" + name[-19:]  # the ending is part of what its owner knows
    return "recording" if not name.strip(". ") else name


class Uploads:
    """The folder that uploads wait in; it goes when the server does.

    parent : where that folder is made; the system's folder for temporary files by default.
    most_bytes : how much may wait in it altogether.
    """

    def __init__(self, parent: str | None = None, most_bytes: int = MOST_HELD_BYTES) -> None:
        self._parent, self._most_bytes = Path(parent or gettempdir()), most_bytes
        _remove_remains(self._parent)
        self.folder = Path(mkdtemp(prefix=PREFIX, dir=self._parent))
        self._lock = held_lock(self.folder)
        # Sizes are counted here and not read from the disk, where files come and go while other requests are served.
        self._sizes: dict[str, int] = {}
        self._counting = threading.Lock()

    @contextmanager
    def taking(self) -> Iterator[list[HeldFile]]:
        """Yield a list for the files of one request; unless all goes well, they are removed again."""
        held: list[HeldFile] = []
        try:
            yield held
        except BaseException:
            self.drop(held)
            raise

    def take(self, upload: Uploaded) -> HeldFile:
        """Store one upload; UsageError when too much is waiting already."""
        held = HeldFile(shown_name(upload.filename), str(self.folder / new_secret()))
        try:
            with Path(held.path).open("xb") as file:
                while chunk := upload.stream.read(COPY_BYTES):
                    self._count(held.path, len(chunk))
                    file.write(chunk)
        except BaseException:
            self.drop([held])
            raise
        return held

    def take_text(self, name: str, text: str) -> HeldFile:
        """Store typed text as if it were a file."""
        path = self.folder / new_secret()
        path.write_text(text, "utf-8")
        return HeldFile(name, str(path))

    def drop(self, held: Sequence[HeldFile]) -> None:
        """Remove uploads that are no longer needed."""
        for file in held:
            with suppress(OSError):
                Path(file.path).unlink()
            with self._counting:
                self._sizes.pop(file.path, None)

    def close(self) -> None:
        """Remove the folder with everything in it."""
        self._lock.release()
        shutil.rmtree(self.folder, ignore_errors=True)

    def _count(self, path: str, size_bytes: int) -> None:
        with self._counting:
            if sum(self._sizes.values()) + size_bytes > self._most_bytes:
                problem = f"more than {self._most_bytes / (1 << 30):.3g} GB of uploads would be waiting"
                raise UsageError(problem, hint="Wait a minute and send it again")
            self._sizes[path] = self._sizes.get(path, 0) + size_bytes


def _remove_remains(parent: Path) -> None:
    """Remove what killed servers left: folders of our own whose lock is free. A folder with anything else is kept."""
    for folder in parent.glob(PREFIX + "*"):
        with suppress(OSError, TimeoutError):
            if folder.is_symlink() or not folder.is_dir():
                continue
            inside = list(folder.iterdir())
            if not all(path.name == LOCK or _SECRET.fullmatch(path.name) for path in inside):
                continue
            if not inside and time.time() - folder.stat().st_mtime < MOST_STARTING_S:
                continue
            held_lock(folder).release()
            for path in inside:
                path.unlink()  # a link is removed and not followed
            folder.rmdir()
