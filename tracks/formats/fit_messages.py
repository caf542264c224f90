"""FIT files taken apart into their messages, of which only the few fields that a walk needs are decoded.

A file in this format is a header, messages, and a checksum; several such files may follow one another. A definition
message says how the data messages of a number are laid out. Fields that applications made up, and messages of other
purposes, are passed over by their lengths.

Source of the format: FIT protocol, revision 1.8 (headers, definition and data messages, compressed timestamps, CRC).
"""

import re
import struct
from collections.abc import Callable, Mapping

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files import limits
from fieldcomb.tracks.units import format_count
from fieldcomb.tracks.values import dataclass

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
    """Return the CRC that ends a FIT file: 16 bits, polynomial 0x8005 reflected, from 0 on.

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
    """Find the parts of a FIT file, and say what stands after them.

    Raises TrackError: more than :data:`limits.MAX_PARTS` parts, or parts that claim the same bytes over and over.
    """
    if len(data) > limits.MAX_FIT_BYTES:
        raise limits.too_large(file, len(data), limits.MAX_FIT_BYTES, "FIT")
    parts: list[Part] = []
    at = claimed = 0
    while _is_header(data, at):
        claimed += _claimed(data, at)
        if len(parts) == limits.MAX_PARTS or claimed > _MAX_ROUNDS * len(data):
            problem = "holds far too many FIT files one after another or inside each other, which is refused"
            raise TrackError(problem, file=file, hint="Use one file for each recording")
        parts.append(_part(data, at))
        at = parts[-1].after
    left = len(data) - at if _SOMETHING.search(data, at) else 0
    return parts, [f"{left} bytes after the end of the recording were not read"] if left else []


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
        stored = int.from_bytes(data[end:after], "little")
        if checksum(memoryview(data)[at:end]) == stored:
            return Part(start, end, after)
        if after == len(data) or _is_header(data, after) or not _SOMETHING.search(data, after):
            return Part(start, end, after, (_wrong_crc(stored),))
    # The length in the header leads to nowhere: the file breaks off, or it was never closed, or it is damaged.
    limit = _next_header(data, min(start, len(data)))
    return _part_without_end(at, start, end, limit)


def _wrong_crc(stored: int) -> str:
    if stored == 0:
        return "The checksum of the file is 0, as if it was never computed: damage would not be noticed"
    return "The checksum of the file does not match: part of it is damaged, and positions and times may be wrong"


def _part_without_end(at: int, start: int, end: int, limit: int) -> Part:
    start = min(start, limit)
    if end - start in _NO_BODY:
        note = "The header does not say how long the file is, as when a battery dies: it was read to its end"
        return Part(start, limit, limit, (note,))
    if end <= limit < end + _CRC_BYTES:
        return Part(start, end, limit, ("The file stops before its checksum: damage would not be noticed",))
    if end > limit:
        have = f"{limit - at} of {end + _CRC_BYTES - at} bytes are there"
        note = f"The file stops in the middle, as happens when a battery dies: {have}. Everything before that was read"
        return Part(start, limit, limit, (note,))
    note = (
        f"The header announces {end - start} bytes of messages, but there are {limit - start}, and the checksum "
        "does not match: all were read, and positions and times may be wrong"
    )
    return Part(start, limit, limit, (note,))


# ------------------------------------------------------------------------------------------------ messages

# Whole numbers by base type: how they are unpacked, and the value that means nothing (FIT protocol, base types).
_NUMBERS = {
    0x00: ("B", 0xFF),  # enum
    0x01: ("b", 0x7F),
    0x02: ("B", 0xFF),
    0x0A: ("B", 0),
    0x83: ("h", 0x7FFF),
    0x84: ("H", 0xFFFF),
    0x8B: ("H", 0),
    0x85: ("i", 0x7FFFFFFF),
    0x86: ("I", 0xFFFFFFFF),
    0x8C: ("I", 0),
}

Take = Callable[[int, Mapping[int, int]], None]


@dataclass(frozen=True, slots=True)
class _Layout:
    """How the data messages of one local number lie: their size, and the numbers of them that are wanted."""

    number: int
    size: int
    numbers: struct.Struct
    fields: tuple[tuple[int, int], ...]  # its number, and the value that means nothing

    def values(self, data: bytes, at: int) -> dict[int, int]:
        """Return the wanted fields of the message at a place, without those that mean nothing."""
        found = zip(self.fields, self.numbers.unpack_from(data, at), strict=True)
        return {field: value for (field, nothing), value in found if value != nothing}


class _StoppedError(Exception):
    """The messages cannot be followed any further; the argument says why."""


def read_messages(data: bytes, part: Part, file: str, wanted: Mapping[int, frozenset[int]], take: Take) -> list[str]:
    """Call ``take`` with each message of a part: its global number, and the wanted fields and the time by number.

    Values are whole numbers as they stand; one that means nothing, or is no single whole number, is left out. Messages
    of other numbers are passed over. Returns sentences on what is wrong with the messages.

    part : where the messages lie.
    wanted : global numbers of messages, each with the numbers of the fields that are wanted.
    take : takes one message.

    Raises TrackError: more than :data:`limits.MAX_MESSAGES` messages.
    """
    notes = []
    walk = _Walk(data, part, file, wanted)
    try:
        walk.run(take)
    except _StoppedError as stopped:
        notes.append(str(stopped))
    if walk.blank_bytes >= _BLANK_BYTES:
        notes.append(
            f"{walk.blank_bytes} bytes of the file are all zero, as happens when the power fails; they hold nothing"
        )
    return notes


class _Walk:
    """Goes from message to message."""

    def __init__(self, data: bytes, part: Part, file: str, wanted: Mapping[int, frozenset[int]]) -> None:
        self.data, self.part, self.file, self.wanted = data, part, file, wanted
        self.layouts: dict[int, _Layout] = {}
        self._known: dict[bytes, _Layout] = {}  # some recorders repeat their definitions before each message
        self.blank_bytes = 0

    def run(self, take: Take) -> None:
        """Hand on the messages up to the end or the first fault."""
        data, part, layouts, wanted = self.data, self.part, self.layouts, self.wanted
        at, end, messages, last_s = part.start, part.end, 0, 0
        while at < end:
            messages += 1
            if messages > limits.MAX_MESSAGES:
                raise limits.too_many(self.file, limits.MAX_MESSAGES, "messages")
            head = data[at]
            if head & 0xC0 == 0x40:
                at = self._define(at)
                continue
            layout = layouts.get(head >> 5 & 3 if head & 0x80 else head & 0x0F)
            if layout is None:
                unread = f"{format_count(end - at, 'byte')} from there on were not read"
                raise _StoppedError(f"{self._damaged(at)}: there is a message of an unknown kind there. {unread}")
            begin, at = at + 1, at + 1 + layout.size
            if at > end:
                if part.notes:
                    return  # the file breaks off, which is noted already
                raise _StoppedError(f"{self._damaged(begin - 1)}: the last message is not complete, and was left out")
            if part.notes and not head and not any(data[begin:at]):
                at = self._after_zeros(begin - 1, layout.size + 1)
                continue
            if not layout.fields and not head & 0x80 and layout.number not in wanted:
                continue
            values = layout.values(data, begin)
            last_s = values.get(TIMESTAMP, last_s)
            if head & 0x80:  # its time is the last one, with five new bits at the end, never earlier than it
                last_s += ((head & 0x1F) - last_s) & 0x1F
                values[TIMESTAMP] = last_s
            if layout.number in wanted:
                take(layout.number, values)

    def _after_zeros(self, at: int, size: int) -> int:
        """Count the zeros from a place on, and return where the first message that is not all zeros begins."""
        found = _SOMETHING.search(self.data, at, self.part.end)
        messages = ((found.start() if found else self.part.end) - at) // size
        self.blank_bytes += messages * size
        return at + messages * size

    def _damaged(self, at: int) -> str:
        return f"The file is damaged at byte {at - self.part.start} of its messages"

    def _define(self, at: int) -> int:
        """Read one definition message, and return the place after it."""
        data, end = self.data, self.part.end
        if at + 6 > end:
            return end
        fields_at = at + 6
        after = fields_at + 3 * data[at + 5]
        more_at = after + 1
        has_more = data[at] & 0x20
        if has_more and after < end:
            after = more_at + 3 * data[after]
        if after > end:
            return end
        text = data[at:after]
        layout = self._known.get(text)
        if layout is None:
            if len(self._known) == limits.MAX_DEFINITIONS:
                hint = "No recorder does this: export the file again"
                raise limits.too_many(self.file, limits.MAX_DEFINITIONS, "kinds of message", hint)
            layout = self._known[text] = self._layout(at, more_at if has_more else after, after)
        self.layouts[data[at] & 0x0F] = layout
        return after

    def _layout(self, at: int, more_at: int, after: int) -> _Layout:
        data, big = self.data, self.data[at + 2] != 0
        number = int.from_bytes(data[at + 3 : at + 5], "big" if big else "little")
        keep = self.wanted.get(number, frozenset()) | {TIMESTAMP}
        size, form, fields = 0, ">" if big else "<", []
        for place in range(at + 6, at + 6 + 3 * data[at + 5], 3):
            field, width, base = data[place : place + 3]
            code, nothing = _NUMBERS.get(base, ("", 0))
            if field in keep and code and struct.calcsize(f"<{code}") == width:
                form += code
                fields.append((field, nothing))
            else:
                form += f"{width}x"
            size += width
        # Fields that an application made up are counted only: their sizes stand here as well.
        size += sum(data[more_at + 1 : after : 3])
        return _Layout(number, size, struct.Struct(form), tuple(fields))
