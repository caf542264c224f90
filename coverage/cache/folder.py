"""The folder in which a site keeps results that took long; it may be deleted at any time."""

from __future__ import annotations

import hashlib
import os
import tempfile
from contextlib import suppress
from functools import cache
from importlib.metadata import version
from pathlib import Path

KEPT = "kept"
SPARE = 2.0  # what no report used lately stays while all together is no more than twice what the last one used
_LIBRARIES = ("numpy", "scipy", "shapely", "pyproj", "rasterio")


class Shelf:
    """Bytes by name in a folder. What cannot be read or written is as if it were not there.

    closed : nothing is changed there.
    """

    def __init__(self, folder: Path, *, closed: bool = False) -> None:
        self.folder, self.closed = folder, closed
        self.used: set[str] = set()

    def get(self, name: str) -> bytes | None:
        """Give what was put under a name by this very program; None when there is nothing."""
        path = self._path(name)
        try:
            data = path.read_bytes()
        except OSError:
            return None
        with suppress(OSError):
            if not self.closed:
                os.utime(path)
        return data

    def put(self, name: str, data: bytes) -> None:
        """Keep bytes under a name, whole or not at all."""
        path = self._path(name)
        if self.closed:
            return
        with suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True)
            handle, stage = tempfile.mkstemp(dir=self.folder, prefix=".new-")
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(data)
                Path(stage).replace(path)
            except BaseException:
                with suppress(OSError):
                    Path(stage).unlink()
                raise

    def tidy(self) -> None:
        """Throw away what was not used, the oldest first, until all is no more than twice what was used."""
        if self.closed:
            return
        with suppress(OSError):
            found = [(path, path.stat()) for path in self.folder.iterdir() if path.is_file()]
            room = SPARE * sum(stat.st_size for path, stat in found if path.name in self.used)
            for path, stat in sorted(found, key=lambda one: (one[0].name in self.used, one[1].st_mtime), reverse=True):
                room -= stat.st_size
                if room < 0 and path.name not in self.used:
                    with suppress(OSError):
                        path.unlink()

    def _path(self, name: str) -> Path:
        whole = hashlib.sha256(f"{edition()} {name}".encode()).hexdigest()
        self.used.add(whole)
        return self.folder / whole


@cache
def edition() -> str:
    """Tell this program from any other state of it: what another one computed may be another number."""
    found = hashlib.sha256(" ".join(f"{one} {version(one)}" for one in _LIBRARIES).encode())
    for room in ("tracks", "coverage"):
        for path in sorted((Path(__file__).parents[2] / room).rglob("*.py")):
            found.update(path.read_bytes())
    return found.hexdigest()
