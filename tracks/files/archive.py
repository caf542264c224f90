"""Packed files: gzip, and zip archives with their members one at a time, with limits on all that they can promise.

Names of members are words for messages and never paths. An archive inside an archive is not opened, but for KMZ, which
is an archive with one KML file as its main part.
"""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections.abc import Iterator

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files import limits
from fieldcomb.tracks.values import dataclass

HEAD_BYTES = 8192
ZIP = b"PK\x03\x04"
GZIP = b"\x1f\x8b"

_PIECE_BYTES = 65_536
_ENTRY = b"PK\x01\x02"
# What the library raises for damaged archives; some of it is not meant for its callers.
_FAULTS = (
    *(zipfile.BadZipFile, zlib.error, struct.error, EOFError, NotImplementedError, RuntimeError, ValueError, OSError),
    *(OverflowError, LookupError),
)


def limit_of(packed_bytes: int, most: int = limits.MAX_UNPACKED_BYTES) -> int:
    """Say to how many bytes a packed file may unpack."""
    return min(most, max(limits.SMALL_BYTES, limits.MAX_RATIO * packed_bytes))


def too_big(file: str, limit: int) -> TrackError:
    """The error for a file that unpacks to more."""
    problem = f"unpacks to more than {limit / 1e6:.0f} MB, far more than a recording of its size, and is refused"
    return TrackError(problem, file=file, hint="Unpack it yourself and look at what is in it")


class Archive:
    """An open zip archive. ``file`` is its name for messages; a broken archive raises TrackError."""

    def __init__(
        self, data: bytes, file: str, *, most: int = limits.MAX_UNPACKED_BYTES, total: int = limits.MAX_TOTAL_BYTES
    ) -> None:
        self.file, self.most, self.left = file, most, total
        # Each entry begins so, and the whole list of them is built in memory: count before opening.
        if data.count(_ENTRY) > limits.MAX_MEMBERS:
            problem = f"is a zip archive with more than {limits.MAX_MEMBERS:,} files in it, which is refused"
            raise TrackError(problem, file=file, hint="Unpack it, and use only the files of this site")
        try:
            self._zip = zipfile.ZipFile(io.BytesIO(data))
        except _FAULTS as error:
            hint = "Unpack it yourself, or copy it again"
            raise TrackError(
                f"is a zip archive that cannot be unpacked ({_fault(error)})", file=file, hint=hint
            ) from error

    def members(self) -> Iterator[Member]:
        """Return the files in it, in order of the archive."""
        for info in self._zip.infolist():
            if not info.filename.endswith("/"):  # a folder; the library's own question fails for an empty name
                yield Member(self, info)


@dataclass(frozen=True, slots=True)
class Member:
    """One file of an archive; nothing of it is unpacked before it is asked for."""

    archive: Archive
    info: zipfile.ZipInfo

    @property
    def name(self) -> str:
        """Its name in the archive, with folders; nothing to open a file by."""
        return self.info.filename

    def head(self) -> bytes:
        """Unpack its first bytes; TrackError when it cannot be unpacked."""
        return self._read(HEAD_BYTES)

    def content(self) -> bytes:
        """Unpack all of it; TrackError when it cannot be unpacked, or is too much."""
        limit = min(limit_of(self.info.compress_size, self.archive.most), self.archive.left)
        content = self._read(limit + 1)
        if len(content) > self.archive.left:
            problem = "is a zip archive that unpacks to more than a few gigabytes; the rest of it was not read"
            raise TrackError(problem, file=self.archive.file, hint="Unpack it, and use only the files of this site")
        if len(content) > limit:
            raise too_big(self.archive.file, limit)
        self.archive.left -= len(content)
        return content

    def _read(self, most: int) -> bytes:
        try:
            if self.info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                raise NotImplementedError("an unusual way of packing")
            with self.archive._zip.open(self.info) as stream:
                return stream.read(most)
        except _FAULTS as error:
            hint = "Unpack the archive yourself, or copy it again"
            raise TrackError(f"cannot be unpacked ({_fault(error)})", file=self.archive.file, hint=hint) from error


def _fault(error: Exception) -> str:
    return str(error) or "it breaks off"  # where data end too soon the library says nothing


def is_kmz(head: bytes) -> bool:
    """Tell a KMZ by its first bytes: the first name in it is mostly that of its main part."""
    return head[:4] == ZIP and head[30:37].lower() == b"doc.kml"


def main_part(members: list[Member]) -> Member | None:
    """Find the main part of a KMZ, which has the name ``doc.kml`` by custom; None when it is no KMZ."""
    return next((member for member in members if member.name.lower() == "doc.kml"), None)


def only_named(archive: Archive, endings: tuple[str, ...]) -> Member:
    """Return the one member whose name ends so, or the main part of a KMZ."""
    members = list(archive.members())
    named = [member for member in members if member.name.lower().endswith(endings)]
    main = main_part(members)
    if main or len(named) == 1:
        return main or named[0]
    kinds = " or ".join(ending[1:].upper() for ending in endings)
    problem = f"is a zip archive with {len(named)} {kinds} files in it where one was expected ({member_names(named)})"
    raise TrackError(problem, file=archive.file, hint="Unpack it, and use the files one at a time")


def member_names(members: list[Member]) -> str:
    """Name a few members."""
    return ", ".join(repr(member.name[:60]) for member in members[:5]) or "none"


def unpack(data: bytes, file: str, *, most: int = limits.MAX_UNPACKED_BYTES) -> tuple[bytes, tuple[str, ...]]:
    """Unpack a gzip file, or a zip archive (KMZ too) that holds one GPX or KML file; all else is handed through.

    most : largest size in bytes that it may unpack to.

    Returns the content, and notes for the user, such as on a gzip file that breaks off.

    Raises TrackError: it unpacks to too much, cannot be unpacked, or holds no file or several that could be meant.
    """
    if data[:2] == GZIP:
        return _gunzip(data, file, most)
    if data[:4] == ZIP:
        member = only_named(Archive(data, file, most=most), (".gpx", ".kml"))
        return member.content(), (f"Read {member.name!r} from the archive",)
    return data, ()


def _gunzip(data: bytes, file: str, most: int) -> tuple[bytes, tuple[str, ...]]:
    limit, out, at = limit_of(len(data), most), io.BytesIO(), 0
    while data[at : at + 2] == GZIP:
        unpacker = zlib.decompressobj(wbits=31)
        while at < len(data) and not unpacker.eof:
            chunk = data[at : at + _PIECE_BYTES]
            before = unpacker.copy()
            try:
                out.write(unpacker.decompress(chunk, limit + 1 - out.tell()))
            except zlib.error:
                # What was good in this piece is lost with it: go through it again byte by byte.
                at += _rescue(before, chunk, out, limit)
                return _packed_part(out, file, limit, f"The packed file is damaged at byte {at} of {len(data)}")
            at += len(chunk) - len(unpacker.unused_data) - len(unpacker.unconsumed_tail)
            if out.tell() > limit:
                raise too_big(file, limit)
        if not unpacker.eof:
            return _packed_part(out, file, limit, "The packed file is cut off before its end")
    notes = (f"{len(data) - at} bytes after the packed part were not read",) if data[at:].strip(b"\0") else ()
    return out.getvalue(), notes


def _rescue(unpacker: zlib._Decompress, chunk: bytes, out: io.BytesIO, limit: int) -> int:
    """Unpack byte by byte up to the fault; returns the number of sound bytes."""
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
        raise too_big(file, limit)
    if not out.tell():
        problem = problem[0].lower() + problem[1:]
        raise TrackError(f"cannot be unpacked: {problem}", file=file, hint="Copy or export it again")
    return out.getvalue(), (f"{problem}. Everything before that was read",)
