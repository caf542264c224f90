"""Write several files of a site folder as one: all of them or none, wherever the machine stops.

New contents are first written to a hidden folder next to the old ones and forced to the disk. One rename of that folder
to ``.commit`` decides: before it nothing has happened, after it everything will, because whoever opens the site next
carries out what is left of a ``.commit`` and throws away what never came so far.
"""

import errno
import json
import os
import re
import threading
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from fieldcomb.tracks.errors import SiteError
from fieldcomb.tracks.hints import Hint

if TYPE_CHECKING:
    from filelock import BaseFileLock  # loaded where a lock is taken: a map of walks alone takes none

COMMIT = ".commit"
PENDING = ".pending-"
LOCK = ".lock"

_STAGE = PENDING + "new"
_DONE = PENDING + "done"
_MANIFEST = "manifest.json"
# As replace_files and new_folder make them, and as they did before they gave the number of the thread.
_PART = re.compile(r"\.(?P<name>.+?)\.(?P<pid>[1-9]\d{0,18})(?:\.\d{1,18})?\.part")
_HALF_MADE = re.compile(rf"\..+?\.(?P<pid>[1-9]\d{{0,18}})(?:\.\d{{1,18}})?{PENDING}new")
_FULL, _CLOSED = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG), (errno.EACCES, errno.EPERM, errno.EROFS)
_BINARY = getattr(os, "O_BINARY", 0)

# Folders that a site has from the beginning, and the only ones that a journal may write to.
FOLDERS = ("tracks",)
NEW_FILES = ("site.toml", "outings.toml", "areas.geojson", LOCK)  # that a site may begin with


@contextmanager
def locked(folder: Path, say: Callable[[str], None], *, reading: bool = False) -> Iterator[None]:
    """Hold a site folder for oneself, with whatever an interrupted command left there finished or thrown away.

    folder : the site folder.
    say : called when another command has to be waited for. The system frees the lock of a command that died.
    reading : true goes on without a lock where no one can write, such as on a read-only disk.

    Raises SiteError: the folder cannot be written to, or what was left there cannot be finished.
    """
    _refuse_links(folder, (LOCK, COMMIT, _STAGE, _DONE) if reading else (LOCK, COMMIT, _STAGE, _DONE, *FOLDERS))
    writable = _can_lock(folder, reading)
    if not writable:
        if (folder / COMMIT).exists():
            problem = "an interrupted change has to be finished first, but nothing can be written here"
            raise SiteError(problem, file=str(folder), hint="Make the folder writable and try again")
        yield
        return
    from filelock import FileLock

    lock = FileLock(str(folder / LOCK))
    try:
        _acquire(lock, folder, say)
    except OSError as error:
        raise _cannot_write(folder, error) from error
    try:
        recover(folder)
        yield
    finally:
        lock.release()


def refuse_link(path: Path, hint: str | Hint) -> None:
    """Raise SiteError where a link stands in the place of a file or folder of a site: nothing goes through a link."""
    if path.is_symlink():
        raise SiteError("is a link, and fieldcomb writes and deletes nothing through a link", file=str(path), hint=hint)


def _refuse_links(folder: Path, names: Iterable[str]) -> None:
    for name in names:
        refuse_link(
            folder / name, "Put the folder itself there" if name in FOLDERS else "Move the link out of the site"
        )


def held_lock(folder: Path) -> "BaseFileLock":
    """Hold the lock of any folder, without waiting; TimeoutError when another process has it."""
    from filelock import FileLock

    lock = FileLock(str(folder / LOCK))
    lock.acquire(timeout=0)
    return lock


def _acquire(lock: "BaseFileLock", folder: Path, say: Callable[[str], None]) -> None:
    try:
        lock.acquire(timeout=1)
    except TimeoutError:
        say(f"Waiting for another fieldcomb command that is working on {folder} ...")
        lock.acquire()


def _can_lock(folder: Path, reading: bool) -> bool:
    """Open the lock file once, because the lock itself would wait for ever where it may not be written."""
    try:
        os.close(os.open(folder / LOCK, os.O_RDWR | os.O_CREAT, 0o666))
    except OSError as error:
        if reading:
            return False
        raise _cannot_write(folder, error) from error
    return True


def _cannot_write(folder: Path, error: OSError) -> SiteError:
    hint = f"{room_or_rights(error)}, and try again"
    return SiteError(f"cannot be written to ({reason(error)}); nothing was changed", file=str(folder), hint=hint)


def reason(error: OSError) -> str:
    """What the system says about a failed read or write, in its plain words."""
    return (error.strerror or str(error)).lower()


def room_or_rights(error: OSError) -> str:
    """What to do first about a failed write: each where it helps, both where the system does not say."""
    if error.errno in _CLOSED:
        return "Make the folder writable"
    return "Free some disk space" + " or make the folder writable" * (error.errno not in _FULL)


def write_all(folder: Path, files: Mapping[str, bytes]) -> None:
    """Replace or add files of a locked site folder, all of them or none.

    folder : the site folder; ``recover`` has been called on it.
    files : new contents by name within the folder (``site.toml``, ``tracks/...``), put in place in this order.

    Raises SiteError: the disk is full, or refuses; the message says whether nothing has happened or the rest will
    follow.
    """
    stage, commit = folder / _STAGE, folder / COMMIT
    try:
        _stage(folder, stage, files)
        stage.rename(commit)
    except BaseException as error:
        _clear(stage)
        if isinstance(error, OSError):
            raise _cannot_write(folder, error) from error
        raise
    try:
        _sync_folder(folder)
        _roll_forward(folder)
    except OSError as error:
        if _take_back(commit, stage, len(files)):
            raise _cannot_write(folder, error) from error
        problem = f"the change is kept, but could not be put in place yet ({reason(error)})"
        hint = f"{room_or_rights(error)}; the next command on this site finishes it"
        raise SiteError(problem, file=str(folder), hint=hint) from error


def _stage(folder: Path, stage: Path, files: Mapping[str, bytes]) -> None:
    for name in FOLDERS:
        if any(file.startswith(name + "/") for file in files):
            if not (folder / name).is_dir():
                (folder / name).mkdir()
            _check_writable(folder / name)
    stage.mkdir()
    write_new(stage / _MANIFEST, json.dumps(list(files)).encode())  # first: it lists what is ours to clear
    for number, data in enumerate(files.values()):
        write_new(stage / str(number), data)
    _sync_folder(stage)


def _check_writable(folder: Path) -> None:
    """Raise PermissionError where nothing can be put into a folder: what is decided must be possible to carry out."""
    if not os.access(folder, os.W_OK | os.X_OK, effective_ids=os.access in os.supports_effective_ids):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(folder))


def _take_back(commit: Path, stage: Path, count: int) -> bool:
    """Undo a decision of which nothing has been carried out yet."""
    if not all((commit / str(number)).exists() for number in range(count)):
        return False
    try:
        commit.rename(stage)
    except OSError:
        return False
    _clear(stage)
    return True


def recover(folder: Path) -> None:
    """Finish what was decided and throw away what was not; the folder is locked."""
    for stage in (folder / _STAGE, folder / _DONE):
        _clear(stage)
        if stage.exists():
            hint = f"Look at what is in {stage.name}, then move it out of the site folder"
            raise SiteError("holds files that fieldcomb did not put there", file=str(stage), hint=hint)
    if (folder / COMMIT).exists():
        try:
            _roll_forward(folder)
        except OSError as error:
            problem = f"an interrupted change cannot be finished ({reason(error)})"
            raise SiteError(problem, file=str(folder), hint=f"{room_or_rights(error)}; nothing is lost") from error


def staged(folder: Path) -> set[Path]:
    """Return what an unfinished change may have put into a site folder, by its own list; ValueError if that is odd."""
    found: set[Path] = set()
    for stage in (folder / _STAGE, folder / COMMIT, folder / _DONE):
        with suppress(FileNotFoundError):
            names = json.loads((stage / _MANIFEST).read_bytes())
            if not isinstance(names, list) or not all(isinstance(name, str) and _is_ours(name) for name in names):
                raise ValueError(f"{stage} is not something that fieldcomb left there")
            found |= {stage, stage / _MANIFEST, *(stage / str(number) for number in range(len(names)))}
            found |= {folder / name for name in names}
    return found


def _roll_forward(folder: Path) -> None:
    commit, done = folder / COMMIT, folder / _DONE
    names = _manifest(folder)
    _refuse_links(folder, FOLDERS)
    for number, name in enumerate(names):
        staged = commit / str(number)
        if staged.is_symlink() or staged.is_dir():
            raise _odd_commit(folder)
        if staged.exists():  # else it is in place already
            staged.replace(folder / name)
    for place in sorted({(folder / name).parent for name in names}):
        _sync_folder(place)
    _clear(done)
    commit.rename(done)
    _clear(done)


def _manifest(folder: Path) -> list[str]:
    """Names of the files to put in place; a folder from a stranger may name none outside itself."""
    file = folder / COMMIT / _MANIFEST
    try:
        names = json.loads(file.read_bytes())
    except (ValueError, OSError) as error:
        raise _odd_commit(folder) from error
    if not isinstance(names, list) or not names or not all(isinstance(name, str) and _is_ours(name) for name in names):
        raise _odd_commit(folder)
    return names


def _is_ours(name: str) -> bool:
    parts = name.split("/")
    if "\\" in name or parts[-1] in ("", ".", ".."):
        return False
    return len(parts) == 1 or (len(parts) == 2 and parts[0] in FOLDERS)


def _odd_commit(folder: Path) -> SiteError:
    problem = f"{COMMIT} is not something that fieldcomb left there"
    return SiteError(problem, file=str(folder), hint=f"Look at what is in {COMMIT}, then move it out of the folder")


def new_folder(folder: Path, files: Mapping[str, bytes]) -> None:
    """Make a folder with these files (and the folders of a site), complete or not at all.

    ``folder`` is absent or empty, and the folder that it lies in is there.
    """
    stage = folder.parent / f".{folder.name}.{_who()}{PENDING}new"
    _remove(stage)
    try:
        stage.mkdir()
        for name in FOLDERS:
            (stage / name).mkdir()
        for name, data in files.items():
            write_new(stage / name, data)
        _sync_folder(stage)
        if os.name == "nt" and folder.exists():
            folder.rmdir()
        stage.replace(folder)
    except BaseException:
        _remove(stage)
        raise
    with suppress(OSError):
        _sync_folder(folder.parent)


def remove_half_made(parent: Path) -> None:
    """Remove folders that ``new_folder`` was making here when it was killed; any that holds something else is kept."""
    with suppress(OSError):
        for stage in parent.glob(f".*{PENDING}new"):
            match = _HALF_MADE.fullmatch(stage.name)
            if match is None or stage.is_symlink() or not stage.is_dir() or _runs(int(match["pid"])):
                continue
            inside = list(stage.iterdir())
            if all(not any(path.iterdir()) if path.is_dir() else path.name in NEW_FILES for path in inside):
                _remove(stage)


def write_new(path: Path, data: bytes) -> None:
    """Write a file that is not there yet and force it to the disk."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, 0o666)
    try:
        view = memoryview(data)
        while view:
            view = view[os.write(handle, view) :]
        os.fsync(handle)
    finally:
        os.close(handle)


def replace_files(folder: Path, files: Mapping[str, bytes], known: Collection[str] = ()) -> None:
    """Write files into any folder, each whole or not at all; nothing else there is touched.

    All are first written next to their place, so that a full disk leaves what was there before. Unfinished ones of
    these names, and of those ``known``, that a killed command left are removed.
    """
    _remove_unfinished(folder, {*files, *known})
    parts = {name: folder / f".{name}.{_who()}.part" for name in files}
    try:
        for part in parts.values():
            _remove(part)
        with ThreadPoolExecutor(len(files) or 1) as pool:  # a disk forces ten files together in a third of the time
            list(pool.map(write_new, parts.values(), files.values()))
        for name, part in parts.items():
            part.replace(folder / name)
        _sync_folder(folder)
    except BaseException:
        for part in parts.values():
            _remove(part)
        raise


def _remove_unfinished(folder: Path, names: Collection[str]) -> None:
    for path in folder.glob(".*.part"):
        match = _PART.fullmatch(path.name)
        if match is None or match["name"] not in names or path.is_symlink() or not path.is_file():
            continue
        with suppress(OSError):
            if not _runs(int(match["pid"])):
                path.unlink()


def _who() -> str:
    """Return the numbers of this process and thread, so that of several that write the same thing each has its own."""
    return f"{os.getpid()}.{threading.get_native_id()}"


def _runs(pid: int) -> bool:
    """Whether a process of this machine has this number; assumed where the system cannot be asked without harm."""
    if os.name == "nt":  # there the same call ends the process
        return True
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except OSError:
        return True
    return True


def _sync_folder(folder: Path) -> None:
    if os.name == "nt":  # folders cannot be opened there, and need no such call
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _clear(stage: Path) -> None:
    """Remove a stage, and of what is in it only what its list names; what cannot be removed is left."""
    with suppress(OSError):
        if stage.is_symlink() or not (stage / _MANIFEST).is_file():
            stage.rmdir()  # killed before there was a list
            return
        try:
            names = json.loads((stage / _MANIFEST).read_bytes())
        except ValueError:
            names = []  # killed while it was written
        for number in range(len(names) if isinstance(names, list) else 0):
            _remove_file(stage / str(number))
        _remove_file(stage / _MANIFEST)
        stage.rmdir()


def _remove_file(path: Path) -> None:
    """Remove a plain file, if it is there; never a folder, nor a link."""
    if path.is_file() and not path.is_symlink():
        path.unlink()


def _remove(path: Path) -> None:
    """Remove a file or folder of our own making; what cannot be removed is left for the next time."""
    with suppress(OSError):
        if path.is_dir() and not path.is_symlink():
            for inner in list(path.iterdir()):
                _remove(inner)
            path.rmdir()
        elif path.exists() or path.is_symlink():
            path.unlink()
