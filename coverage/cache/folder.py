"""The folder in which a site keeps results that took long; it may be deleted at any time."""

import hashlib
import os
import re
import sys
from collections.abc import Sequence
from contextlib import suppress
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

OUT = "out"  # in the folder of a site: what is made of it
KEPT = "kept"
SPARE = 2.0  # what no report used lately stays while all together is no more than twice what the last one used
LIST = "list.txt"  # names of all files that were put here
STAGE = ".new-"
_NAME = re.compile("[0-9a-f]{64}")
_LEFT = re.compile(re.escape(STAGE) + r"\d+-([0-9a-f]{64})")
_BINARY = getattr(os, "O_BINARY", 0)
_NO_LINK = getattr(os, "O_NOFOLLOW", 0)
# All that what is kept is computed or drawn with; the last two need not be there.
_LIBRARIES = (
    *("numpy", "scipy", "shapely", "pyproj", "rasterio", "jinja2", "markupsafe", "django-js-lib-leaflet", "tomlkit"),
    *("pillow", "tzdata"),
)


class Shelf:
    """Bytes by name in a folder. What cannot be read or written is as if it were not there.

    closed : nothing is changed there; so it is, too, where a link leads there, and nothing is read either.
    """

    def __init__(self, folder: Path, *, closed: bool = False) -> None:
        self.is_linked = folder.is_symlink() or folder.parent.is_symlink()
        self.folder, self.closed = folder, closed or self.is_linked
        self.used: set[str] = set()

    def get(self, name: str) -> bytes | None:
        """Return what was put under a name by this very program; None when there is nothing."""
        path = self._path(name)
        try:
            if self.is_linked or path.is_symlink():
                return None
            data = path.read_bytes()
        except OSError:
            return None
        with suppress(OSError):
            if not self.closed:
                os.utime(path)
        return data

    def has(self, name: str) -> bool:
        """Tell whether there is anything under a name."""
        path = self._path(name)
        return not self.is_linked and path.is_file() and not path.is_symlink()

    def put(self, name: str, data: bytes) -> None:
        """Keep bytes under a name, whole or not at all."""
        path = self._path(name)
        if self.closed:
            return
        with suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True)
            self._list([path.name])
            stage = self.folder / f"{STAGE}{os.getpid()}-{path.name}"
            handle = os.open(stage, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, 0o666)
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(data)
                stage.replace(path)
            except BaseException:
                with suppress(OSError):
                    stage.unlink()
                raise

    def clear_unfinished(self) -> None:
        """Throw away what a command that was killed left half written, or one at work that can do without it."""
        if self.closed:
            return
        with suppress(OSError):
            ours = self._listed()
            for path in self.folder.iterdir():
                left = _LEFT.fullmatch(path.name)
                if left and left.group(1) in ours and path.is_file() and not path.is_symlink():
                    path.unlink(missing_ok=True)

    def tidy(self) -> None:
        """Throw away what was not used, the oldest first, until all is no more than twice what was used.

        Only what the list names is counted and deleted: files that someone else put there stay.
        """
        if self.closed:
            return
        with suppress(OSError):
            ours = self._listed() | self.used
            plain = [path for path in self.folder.iterdir() if path.is_file() and not path.is_symlink()]
            kept = [(path, path.stat()) for path in plain if path.name in ours]
            room = SPARE * sum(stat.st_size for path, stat in kept if path.name in self.used)
            for path, stat in sorted(kept, key=lambda one: (one[0].name in self.used, one[1].st_mtime), reverse=True):
                room -= stat.st_size
                if room < 0 and path.name not in self.used:
                    with suppress(OSError):
                        path.unlink()

    def _listed(self) -> set[str]:
        """Names of the files that were ever put here; only such names as are made here."""
        try:
            lines = (self.folder / LIST).read_text("ascii", "replace").splitlines()
        except OSError:
            return set()
        return {line for line in lines if _NAME.fullmatch(line)}

    def _list(self, names: Sequence[str]) -> None:
        """Note names before files of these names are written; each once, however often it is written."""
        listed = self._listed()
        names = [name for name in names if name not in listed]
        handle = os.open(self.folder / LIST, os.O_WRONLY | os.O_CREAT | os.O_APPEND | _NO_LINK, 0o666)
        with os.fdopen(handle, "w", encoding="ascii") as file:
            file.write("".join(name + "\n" for name in names))

    def _path(self, name: str) -> Path:
        whole = hashlib.sha256(f"{edition()} {name}".encode()).hexdigest()
        self.used.add(whole)
        return self.folder / whole


@cache
def edition() -> str:
    """Tell this program from any other state of it: what another one computed may be another number."""
    found = hashlib.sha256(f"{sys.version} {' '.join(map(_version, _LIBRARIES))}".encode())
    for room in ("tracks", "coverage"):
        for path in sorted((Path(__file__).parents[2] / room).rglob("*.*")):
            if path.parent.name != "__pycache__" and path.is_file():
                found.update(path.read_bytes())
    return found.hexdigest()


def _version(library: str) -> str:
    try:
        return f"{library} {version(library)}"
    except PackageNotFoundError:
        return f"no {library}"
