"""Copies of walks that an earlier ``map`` left in the folder for temporary files when it was killed.

``map`` once made a whole site in ``fieldcomb-XXXXXXXX`` there; today it makes none. Such a folder is removed only when
it is surely one: by its name, its owner, who may read it, its age, and every single thing in it.
"""

import os
import re
import stat
import time
import tomllib
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from tempfile import gettempdir

from fieldcomb.coverage.site.journal import NEW_FILES, remove_half_made, staged
from fieldcomb.coverage.site.settings import OUTINGS_FILE, SITE_FILE, TRACKS

OLD_S = 86_400.0  # no map takes a day, so nobody is at work in it any more
_NAME = re.compile(r"fieldcomb-[a-z0-9_]{8}")  # as the system's maker of temporary folders fills it up
_SITE = "site"
_PRIVATE = 0o700


def clear_old_copies(parent: Path | None = None) -> None:
    """Remove them from a folder, by default the system's for temporary files; whatever is in doubt stays."""
    if not hasattr(os, "getuid"):
        return
    with suppress(OSError):
        for folder in (parent or Path(gettempdir())).glob("fieldcomb-*"):
            with suppress(OSError, ValueError, KeyError, TypeError, RecursionError):
                if _NAME.fullmatch(folder.name) and _is_private_folder(folder) and _is_old(folder):
                    remove_half_made(folder)
                    if _is_map_site(folder):
                        _remove_all(folder)


def _is_private_folder(folder: Path) -> bool:
    status = folder.lstat()
    return stat.S_ISDIR(status.st_mode) and stat.S_IMODE(status.st_mode) == _PRIVATE and status.st_uid == os.getuid()


def _inside(folder: Path) -> Iterator[Path]:
    """Return everything below a folder, what is in a folder before that itself; no link is followed."""
    for path in sorted(folder.iterdir()):
        if _is_folder(path):
            yield from _inside(path)
        yield path


def _is_folder(path: Path) -> bool:
    return stat.S_ISDIR(path.lstat().st_mode)


def _is_old(folder: Path) -> bool:
    return max(path.lstat().st_mtime for path in (folder, *_inside(folder))) < time.time() - OLD_S


def _is_map_site(folder: Path) -> bool:
    """Whether it holds one site and no more, the recordings that it lists and what a change had staged; or nothing."""
    site, found = folder / _SITE, list(_inside(folder))
    if not found:
        return True
    if not (site / SITE_FILE).is_file():
        return False
    ours = {site, site / TRACKS, *(site / name for name in NEW_FILES), *staged(site)}
    with suppress(FileNotFoundError):
        outings = tomllib.loads((site / OUTINGS_FILE).read_text("utf-8")).get("outing", [])
        ours |= {site / TRACKS / recording["file"] for outing in outings for recording in outing["recording"]}
    return all(path in ours and (_is_folder(path) or stat.S_ISREG(path.lstat().st_mode)) for path in found)


def _remove_all(folder: Path) -> None:
    for path in _inside(folder):
        if _is_folder(path):
            path.rmdir()
        else:
            path.unlink()
    folder.rmdir()
