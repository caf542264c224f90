"""FIT files taken apart into their messages, of which only the few fields that a walk needs are handed on.

A file in this format is a header, messages, and a checksum; several such files may follow one another. A definition
message tells how the data messages of a number are laid out. Only lengths are looked at here: what the bytes mean is
left to the decoder, which then meets nothing that it could stumble over (fields that applications made up, messages of
other purposes), and which has a third of the work.

Source of the format: FIT protocol, revision 1.8 (headers, definition and data messages, compressed timestamps, CRC).
"""

from __future__ import annotations

import re
import struct
from collections.abc import Mapping
from dataclasses import dataclass, field

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files.collector import MAX_POINTS
from fieldcomb.tracks.units import many

MAX_MESSAGES = 4 * MAX_POINTS
MAX_PARTS = 1000
TIMESTAMP = 253
"""Number of the field with the time of a message, the same in all of them."""

_HEADER = struct.Struct("<BBHI4s")
_MAGIC = b".FIT"
_MAGIC_AT = 8
_CRC_BYTES = 2
_NO_BODY = (0, 0xFFFFFFFF)
_SOMETHING = re.compile(rb"[^\0]")
# Sound parts are gone through once. Headers that each claim the whole rest would make that the square of the file.
_MAX_ROUNDS = 4
# Fewer zeros may be a message that means something.
_BLANK_BYTES = 16


def _crc_table() -> tuple[int, ...]:
    table = []
    for value in range(256):
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
        table.append(value)
    return tuple(table)


_CRC = _crc_table()


def checksum(data: bytes | memoryview) -> int:
    """Give the CRC that ends a FIT file: 16 bits, polynomial 0x8005 reflected, from 0 on.

    >>> hex(checksum(b"123456789"))
    '0xbb3d'
    """
    crc = 0
    for byte in data:
        crc = crc >> 8 ^ _CRC[(crc ^ byte) & 0xFF]
    return crc


# ----------------------------------------------------------------------------------------------- files in one another


@dataclass(frozen=True, slots=True)
class Part:
    """One of the files that follow one another in the bytes of a recording.

    start, end : where its messages begin and end.
    after : where the next part would begin.
    notes : sentences on what is wrong with its frame.
    """

    start: int
    end: int
    after: int
    notes: tuple[str, ...] = ()


def split(data: bytes, file: str) -> tuple[list[Part], list[str]]:
    """Find the parts of a FIT file, and say what stands behind them.

    Raises
    ------
    TrackError
        More than :data:`MAX_PARTS` parts, or parts that claim the same bytes over and over.

    """
    parts: list[Part] = []
    at = claimed = 0
    while _is_header(data, at):
        claimed += _claimed(data, at)
        if len(parts) == MAX_PARTS or claimed > _MAX_ROUNDS * len(data):
            problem = "holds far too many FIT files one after another or in one another, which is refused"
            raise TrackError(problem, file=file, hint="Give the recordings as files of their own")
        parts.append(_part(data, at))
        at = parts[-1].after
    left = len(data) - at if _SOMETHING.search(data, at) else 0
    return parts, [f"{left} bytes behind the end of the recording were not read"] if left else []


def _claimed(data: bytes, at: int) -> int:
    """How many bytes a part takes by its header; none if there are not as many."""
    header_bytes, _, _, body_bytes, _ = _HEADER.unpack_from(data, at)
    bytes_in_all = int(header_bytes + body_bytes + _CRC_BYTES)
    return bytes_in_all if at + bytes_in_all <= len(data) else 0


def _is_header(data: bytes, at: int) -> bool:
    return data[at + _MAGIC_AT : at + _MAGIC_AT + 4] == _MAGIC and data[at] >= _HEADER.size


def _next_header(data: bytes, at: int) -> int:
    """Where the next part begins, looked for byte by byte; the end of the data if there is none."""
    magic = data.find(_MAGIC, at + _MAGIC_AT)
    while magic >= 0:
        if data[magic - _MAGIC_AT] in (12, 14):
            return magic - _MAGIC_AT
        magic = data.find(_MAGIC, magic + 1)
    return len(data)


def _part(data: bytes, at: int) -> Part:
    header_bytes, _, _, body_bytes, _ = _HEADER.unpack_from(data, at)
    start = at + header_bytes
    end = start + body_bytes
    after = end + _CRC_BYTES
    if after <= len(data):
        told = int.from_bytes(data[end:after], "little")
        if checksum(memoryview(data)[at:end]) == told:
            return Part(start, end, after)
        if after == len(data) or _is_header(data, after) or not _SOMETHING.search(data, after):
            return Part(start, end, after, (_wrong_crc(told),))
    # The length in the header leads to nowhere: the file breaks off, or it was never closed, or it is damaged.
    limit = _next_header(data, min(start, len(data)))
    return _part_without_end(at, start, end, limit)


def _wrong_crc(told: int) -> str:
    if told == 0:
        return "The checksum of the file is 0, as if it was never worked out: damage would not be seen"
    return "The checksum of the file does not fit: some of it is damaged, and positions and times may be wrong"


def _part_without_end(at: int, start: int, end: int, limit: int) -> Part:
    start = min(start, limit)
    if end - start in _NO_BODY:
        note = "The header does not tell how long the file is, as when a battery dies: it was read as far as it goes"
        return Part(start, limit, limit, (note,))
    if end <= limit < end + _CRC_BYTES:
        return Part(start, end, limit, ("The file stops before its checksum: damage would not be seen",))
    if end > limit:
        have = f"{limit - at} of {end + _CRC_BYTES - at} bytes are there"
        note = f"The file stops in the middle, as when a battery dies: {have}. All before that was read"
        return Part(start, limit, limit, (note,))
    note = (
        f"The header tells {end - start} bytes of messages, but {limit - start} are there, and the checksum does not "
        "fit: all were read, and positions and times may be wrong"
    )
    return Part(start, limit, limit, (note,))


# ------------------------------------------------------------------------------------------------ messages


@dataclass(slots=True)
class Sifted:
    """The messages of one part with the wanted fields only, as bytes for the decoder, and what was met on the way."""

    content: bytearray = field(default_factory=bytearray)
    counts: dict[int, int] = field(default_factory=dict)
    blank_bytes: int = 0
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Layout:
    """How the data messages of one local number lie: their size, and the pieces of them that are handed on."""

    number: int
    size: int
    pieces: tuple[slice, ...]


class _StoppedError(Exception):
    """The messages cannot be followed any further; the argument says why."""


def sift(data: bytes, part: Part, file: str, wanted: Mapping[int, frozenset[int]]) -> Sifted:
    """Hand on the messages of a part, each with the wanted fields and its time only.

    Parameters
    ----------
    data : bytes
        The whole file.
    part : Part
        Where the messages lie.
    file : str
        Name for messages to the user.
    wanted : mapping of int to frozenset of int
        Global numbers of messages, each with the numbers of the fields that are wanted.

    Raises
    ------
    TrackError
        More than :data:`MAX_MESSAGES` messages.

    """
    sifted = Sifted()
    try:
        _walk(memoryview(data), part, file, wanted, sifted)
    except _StoppedError as stopped:
        sifted.notes.append(str(stopped))
    if sifted.blank_bytes >= _BLANK_BYTES:
        sifted.notes.append(
            f"{sifted.blank_bytes} bytes of the file are all zero, as when the power went; they hold nothing"
        )
    return sifted


def _walk(data: memoryview, part: Part, file: str, wanted: Mapping[int, frozenset[int]], sifted: Sifted) -> None:
    """Go from message to message, and keep what is wanted."""
    layouts: dict[int, _Layout] = {}
    content, counts = sifted.content, sifted.counts
    at, end, messages = part.start, part.end, 0
    while at < end:
        messages += 1
        if messages > MAX_MESSAGES:
            problem = f"holds more than {MAX_MESSAGES:,} messages, which is refused"
            raise TrackError(problem, file=file, hint="Split it into several files")
        head = data[at]
        if head & 0xC0 == 0x40:
            at = _definition(data, at, end, wanted, layouts, content)
            continue
        local = head >> 5 & 3 if head & 0x80 else head & 0x0F
        layout = layouts.get(local)
        if layout is None:
            raise _StoppedError(f"{_damaged(part, at)}: a message of an unknown kind stands there. {_unread(end - at)}")
        begin, at = at + 1, at + 1 + layout.size
        if at > end:
            if part.notes:
                return  # the file breaks off, which is told already
            raise _StoppedError(f"{_damaged(part, begin - 1)}: the last message is not complete, and was left out")
        if part.notes and not head and not any(data[begin:at]):
            sifted.blank_bytes += at - begin + 1
            continue
        counts[layout.number] = counts.get(layout.number, 0) + 1
        if layout.pieces or head & 0x80 or layout.number in wanted:
            content.append(head if head & 0x80 else local)
            for piece in layout.pieces:
                content += data[begin + piece.start : begin + piece.stop]


def _damaged(part: Part, at: int) -> str:
    return f"The file is damaged at byte {at - part.start} of its messages"


def _unread(count: int) -> str:
    return f"{many(count, 'byte')} from there on were not read"


def _definition(
    data: memoryview,
    at: int,
    end: int,
    wanted: Mapping[int, frozenset[int]],
    layouts: dict[int, _Layout],
    content: bytearray,
) -> int:
    """Read one definition message, hand on what is left of it, and give the place behind it."""
    local, has_more = data[at] & 0x0F, data[at] & 0x20
    if at + 6 > end:
        return end
    big = data[at + 2] != 0
    number = int.from_bytes(data[at + 3 : at + 5], "big" if big else "little")
    fields_at = at + 6
    after = fields_at + 3 * data[at + 5]
    more_at = after + 1
    if has_more and after < end:
        after = more_at + 3 * data[after]
    if after > end:
        return end
    keep = wanted.get(number, frozenset()) | {TIMESTAMP}
    size, pieces, fields = 0, [], bytearray()
    for place in range(fields_at, fields_at + 3 * data[at + 5], 3):
        width = data[place + 1]
        if data[place] in keep and width:
            pieces.append(slice(size, size + width))
            fields += data[place : place + 3]
        size += width
    # Fields that an application made up are counted only: their sizes stand here as well.
    size += sum(data[more_at + 1 : after : 3]) if has_more else 0
    layouts[local] = _Layout(number, size, tuple(pieces))
    content += bytes((0x40 | local, 0, int(big))) + data[at + 3 : at + 5] + bytes((len(pieces),)) + fields
    return after
