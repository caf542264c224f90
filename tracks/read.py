"""Any recording: unpacked if it is packed, and read by what is in it rather than by what its name ends in."""

from __future__ import annotations

import io
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.fit import read_fit
from fieldcomb.tracks.gpx import read_gpx
from fieldcomb.tracks.looks import DAMAGED, looks_like, not_this
from fieldcomb.tracks.tcx import read_tcx
from fieldcomb.tracks.track import Recording

MAX_UNPACKED_BYTES = 512 * 1024 * 1024
# Recordings pack ten to forty times; deflate can reach a thousand, but only on purpose.
MAX_RATIO = 200
SMALL_BYTES = 32 * 1024 * 1024

_CHUNK_BYTES = 65_536


@dataclass(frozen=True, slots=True)
class Format:
    """One kind of file that can be a recording: how to know it by its bytes, and how to read it."""

    name: str
    recognise: Callable[[bytes], bool]
    read: Callable[[bytes, str], Recording]


FORMATS: tuple[Format, ...] = (
    Format("GPX", lambda data: looks_like(data) in ("GPX", DAMAGED), read_gpx),
    Format("FIT", lambda data: looks_like(data) == "FIT", read_fit),
    Format("TCX", lambda data: looks_like(data) == "TCX", read_tcx),
)
"""Asked in this order; another format is another line. GPX also takes what may be GPX, to say what is wrong in it."""


def read_recording(data: bytes, file: str) -> Recording:
    """Read one recording from the bytes of its file, packed or not.

    Parameters
    ----------
    data : bytes
        The whole file.
    file : str
        Its name, for messages and for ``Recording.file``.

    Raises
    ------
    TrackError
        Not a recording that can be read; the message says what the file looks like and what to do.

    """
    content, notes = unpack(data, file)
    for known in FORMATS:
        if known.recognise(content):
            recording = known.read(content, file)
            return replace(recording, notes=notes + recording.notes) if notes else recording
    *first, last = (known.name for known in FORMATS)
    raise not_this(content, file, f"{', '.join(first)} or {last}" if first else last)


def unpack(data: bytes, file: str, *, most: int = MAX_UNPACKED_BYTES) -> tuple[bytes, tuple[str, ...]]:
    """Unpack a gzip file, or a zip archive (KMZ too) that holds one GPX or KML file; all else is handed through.

    Parameters
    ----------
    data : bytes
        The whole file.
    file : str
        Its name, for messages.
    most : int, optional
        Largest size in bytes that it may unpack to.

    Returns
    -------
    bytes
        The content.
    tuple of str
        Notes for the user, such as on a gzip file that breaks off.

    Raises
    ------
    TrackError
        It unpacks to too much, cannot be unpacked, or holds no file or several that could be meant.

    """
    if data[:2] == b"\x1f\x8b":
        return _gunzip(data, file, most)
    if data[:4] == b"PK\x03\x04":
        return _unzip(data, file, most)
    return data, ()


def _limit(packed: int, most: int) -> int:
    return min(most, max(SMALL_BYTES, MAX_RATIO * packed))


def _too_big(file: str, limit: int) -> TrackError:
    problem = f"unpacks to more than {limit / 1e6:.0f} MB, far more than a recording of its size, and is refused"
    return TrackError(problem, file=file, hint="Unpack it yourself and look at what is in it")


def _gunzip(data: bytes, file: str, most: int) -> tuple[bytes, tuple[str, ...]]:
    limit, out, at = _limit(len(data), most), io.BytesIO(), 0
    while data[at : at + 2] == b"\x1f\x8b":
        unpacker = zlib.decompressobj(wbits=31)
        while at < len(data) and not unpacker.eof:
            chunk = data[at : at + _CHUNK_BYTES]
            before = unpacker.copy()
            try:
                out.write(unpacker.decompress(chunk, limit + 1 - out.tell()))
            except zlib.error:
                # What was good in this piece is lost with it: go through it again byte by byte.
                at += _rescue(before, chunk, out, limit)
                return _packed_part(out, file, limit, f"The packed file is damaged at byte {at} of {len(data)}")
            at += len(chunk) - len(unpacker.unused_data) - len(unpacker.unconsumed_tail)
            if out.tell() > limit:
                raise _too_big(file, limit)
        if not unpacker.eof:
            return _packed_part(out, file, limit, "The packed file is cut off before its end")
    notes = (f"{len(data) - at} bytes behind the packed part were not read",) if data[at:].strip(b"\0") else ()
    return out.getvalue(), notes


def _rescue(unpacker: zlib._Decompress, chunk: bytes, out: io.BytesIO, limit: int) -> int:
    """Unpack byte by byte up to the fault; gives the number of sound bytes."""
    for at in range(len(chunk)):
        if out.tell() > limit:
            break
        try:
            out.write(unpacker.decompress(chunk[at : at + 1]))
        except zlib.error:
            return at
    return len(chunk)


def _packed_part(out: io.BytesIO, file: str, limit: int, problem: str) -> tuple[bytes, tuple[str, ...]]:
    if out.tell() > limit:
        raise _too_big(file, limit)
    if not out.tell():
        problem = problem[0].lower() + problem[1:]
        raise TrackError(f"cannot be unpacked: {problem}", file=file, hint="Copy or export it again")
    return out.getvalue(), (f"{problem}. What came before was read",)


def _unzip(data: bytes, file: str, most: int) -> tuple[bytes, tuple[str, ...]]:
    limit = _limit(len(data), most)
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            member = _only_member(archive, file)
            if archive.getinfo(member).compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                raise NotImplementedError("an unusual way of packing")
            with archive.open(member) as stream:
                content = stream.read(limit + 1)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError, OSError) as error:
        problem = f"is a zip archive that cannot be unpacked ({error})"
        raise TrackError(problem, file=file, hint="Unpack it yourself, or copy it again") from error
    if len(content) > limit:
        raise _too_big(file, limit)
    return content, (f"Read {member!r} out of the archive",)


def _only_member(archive: zipfile.ZipFile, file: str) -> str:
    names = [name for name in archive.namelist() if name.lower().endswith((".gpx", ".kml"))]
    # A KMZ is such an archive, and its main part has this name by custom.
    main = [name for name in names if name.lower() == "doc.kml"]
    if len(main or names) == 1:
        return (main or names)[0]
    found = ", ".join(repr(name[:60]) for name in names[:5]) or "none"
    problem = f"is a zip archive with {len(names)} GPX or KML files in it where one was expected ({found})"
    raise TrackError(problem, file=file, hint="Unpack it, and give the files one by one")
