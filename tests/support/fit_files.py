"""FIT files made in code: a small encoder that shares nothing with the reader, and a list of awkward files.

All places are at sea, and invented.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from format_checks import Case

FILE_ID, SESSION, LAP, RECORD, EVENT, HEART_RATE = 0, 18, 19, 20, 21, 132
FIELD_DESCRIPTION, DEVELOPER_DATA = 206, 207
START = 1_141_722_000  # FIT seconds of 2026-03-06T09:00:00Z
LAT0, LON0 = 662_153_472, 38_177_487  # semicircles of 55.5 N, 3.2 E

TYPES = {
    "enum": (0x00, "B", 0xFF),
    "u8": (0x02, "B", 0xFF),
    "u16": (0x84, "H", 0xFFFF),
    "i32": (0x85, "i", 0x7FFFFFFF),
    "u32": (0x86, "I", 0xFFFFFFFF),
    "f64": (0x89, "d", 0.0),
    "byte": (0x0D, "B", 0xFF),
    "text8": (0x07, "8s", b""),
}
Fields = Sequence[tuple[int, str]]
RECORD_FIELDS: Fields = ((253, "u32"), (0, "i32"), (1, "i32"), (2, "u16"), (3, "u8"))
LAP_FIELDS: Fields = ((253, "u32"), (2, "u32"), (7, "u32"), (24, "enum"))
EVENT_FIELDS: Fields = ((253, "u32"), (0, "enum"), (1, "enum"))


def crc(data: bytes) -> int:
    """CRC-16 with polynomial 0x8005, bit by bit: the slow and obvious way."""
    value = 0
    for byte in data:
        for bit in range(8):
            carry = (value ^ byte >> bit) & 1
            value = value >> 1 ^ 0xA001 * carry
    return value


@dataclass
class Fit:
    """One FIT file in the making; ``local`` numbers tell which definition a message goes by."""

    big: bool = False
    body: bytearray = field(default_factory=bytearray)
    _formats: dict[int, tuple[str, list[object]]] = field(default_factory=dict)

    def define(self, local: int, number: int, fields: Fields, made_up: Sequence[tuple[int, int, int]] = ()) -> Fit:
        """Put a definition; ``made_up`` fields are (number, size, index of the developer)."""
        order = ">" if self.big else "<"
        self.body += struct.pack(
            f"{order}BBBHB", 0x40 | local | (0x20 if made_up else 0), 0, self.big, number, len(fields)
        )
        for at, kind in fields:
            self.body += bytes((at, struct.calcsize(TYPES[kind][1]), TYPES[kind][0]))
        if made_up:
            self.body += bytes((len(made_up),)) + b"".join(bytes(one) for one in made_up)
        self._formats[local] = (order + "".join(TYPES[kind][1] for _, kind in fields), [TYPES[k][2] for _, k in fields])
        return self

    def put(self, local: int, *values: object, made_up: bytes = b"", seconds: int | None = None) -> Fit:
        """Put a data message; None is the invalid value. ``seconds`` makes the header a compressed timestamp."""
        form, invalid = self._formats[local]
        filled = [bad if value is None else value for value, bad in zip(values, invalid, strict=True)]
        head = local if seconds is None else 0x80 | local << 5 | seconds & 0x1F
        self.body += bytes((head,)) + struct.pack(form, *filled) + made_up
        return self

    def done(
        self,
        *,
        header: int = 14,
        header_crc: int | None = None,
        size: int | None = None,
        end_crc: int | None = None,
    ) -> bytes:
        """Give the file; the numbers replace what would be right."""
        size = len(self.body) if size is None else size
        head = struct.pack("<BBHI4s", header, 0x20, 2100, size, b".FIT")
        if header > 12:
            head += struct.pack("<H", crc(head) if header_crc is None else header_crc).ljust(header - 12, b"\0")
        whole = head + bytes(self.body)
        return whole + struct.pack("<H", crc(whole) if end_crc is None else end_crc)


def start(kind: int | None = 4, *, big: bool = False) -> Fit:
    """Begin a file of a kind (4 is an activity, 6 a course), with records, laps and events defined."""
    fit = Fit(big=big)
    if kind is not None:
        fit.define(0, FILE_ID, ((0, "enum"), (1, "u16"))).put(0, kind, 255)
    return fit.define(1, RECORD, RECORD_FIELDS).define(2, LAP, LAP_FIELDS).define(3, EVENT, EVENT_FIELDS)


def fixes(fit: Fit, first: int, count: int) -> Fit:
    """Put records, one a second, going north-east."""
    for i in range(first, first + count):
        fit.put(1, START + i, LAT0 + 100 * i, LON0 + 70 * i, 2600, 90)
    return fit


def lap(fit: Fit, first: int, end: int, trigger: int | None) -> Fit:
    """Put a lap; trigger 0 is the button, 1 time, 2 distance, 7 the end of the session."""
    return fit.put(2, START + end, START + first, 1000 * (end - first), trigger)


def timer(fit: Fit, at: int, turn: int) -> Fit:
    """Put an event of the timer: 0 starts it, 4 stops it."""
    return fit.put(3, START + at, 0, turn)


def walk(count: int = 10) -> Fit:
    """A plain activity with one lap."""
    return lap(fixes(timer(start(), 0, 0), 0, count), 0, count, 7)


# ------------------------------------------------------------------------------------------------ awkward files


def _no_place_at_start() -> Case:
    fit = start()
    for i in range(3):
        fit.put(1, START + i, None, None, None, 90)
    return Case(fixes(fit, 3, 5).done(), 8, (), ("3 track points without a readable position",), 1, 3)


def _invalid() -> Case:
    fit = start().put(1, None, LAT0, LON0, 0, 0).put(1, START, LAT0, None, 0, 0).put(1, START, None, LON0, 0, 0)
    return Case(fixes(fit, 1, 2).done(), 5, (), ("2 track points without a readable position",), 1, 2, 1)


def _pause() -> Case:
    fit = timer(fixes(start(), 0, 4), 4, 4)
    return Case(lap(fixes(timer(fit, 60, 0), 60, 4), 0, 64, 7).done(), 8, (False,), (), 2)


def _laps() -> Case:
    fit = fixes(start(), 0, 9)
    for first, trigger in ((0, 2), (2, 0), (4, 1), (6, 0), (7, None), (8, 7)):
        lap(fit, first, first + 1, trigger)
    says = ("The file also holds 6 laps, 2 of them ended by hand",)
    return Case(fit.done(), 9, (False, True, False, True, None, False), says)


def _lap_without_trigger() -> Case:
    fit = fixes(start(), 0, 4).define(2, LAP, ((253, "u32"), (2, "u32")))
    return Case(fit.put(2, START + 4, START).done(), 4, (None,))


def _two_sessions() -> Case:
    fit = fixes(start().define(4, SESSION, ((253, "u32"), (5, "enum"))), 0, 3)
    fit.put(4, START + 3, 1)
    return Case(fixes(fit, 3, 3).put(4, START + 6, 11).done(), 6, ())


def _chained(first: bytes, second: bytes, *says: str, count: int = 8, by_hand: tuple[bool | None, ...] = ()) -> Case:
    return Case(first + second, count, by_hand, says, 2)


def _made_up_fields() -> Case:
    fit = start().define(5, DEVELOPER_DATA, ((3, "u8"), (1, "byte"))).put(5, 0, 1)
    fit.define(5, FIELD_DESCRIPTION, ((0, "u8"), (1, "u8"), (2, "u8"), (3, "text8"))).put(5, 0, 253, 0x84, b"depth")
    fit.define(1, RECORD, RECORD_FIELDS, ((253, 2, 0), (0, 4, 0)))
    for i in range(4):
        fit.put(1, START + i, LAT0, LON0, 0, 0, made_up=b"\1\2\3\4\5\6")
    return Case(fit.done(), 4, ())


def _made_up_field_without_description() -> Case:
    fit = start().define(5, FIELD_DESCRIPTION, ((0, "u8"), (1, "u8"), (2, "u8"))).put(5, 9, 1, 0x55)
    fit.define(1, RECORD, RECORD_FIELDS, ((7, 3, 9),))
    for i in range(4):
        fit.put(1, START + i, LAT0, LON0, 0, 0, made_up=b"\1\2\3")
    return Case(fit.done(), 4, ())


def _unknown_messages() -> Case:
    fit = fixes(start(), 0, 3).define(6, 0xFF17, ((253, "u32"), (0, "i32"), (9, "f64"))).put(6, START + 3, 5, 1.5)
    return Case(fixes(fit.put(6, START + 3, 5, 1.5), 3, 3).done(), 6, ())


def _odd_layouts() -> Case:
    """A position of 64-bit floats, of two numbers, and of no bytes at all: none of them is a position."""
    fit = start().define(1, RECORD, ((253, "u32"), (0, "f64"), (1, "i32"))).put(1, START, 55.5, LON0)
    fit.body += bytes((0x41, 0, 0, RECORD, 0, 3, 253, 4, 0x86, 0, 8, 0x85, 1, 4, 0x85))
    fit.body += b"\1" + struct.pack("<Iiii", START + 1, LAT0, LAT0, LON0)
    fit.body += bytes((0x41, 0, 0, RECORD, 0, 3, 253, 4, 0x86, 0, 0, 0x85, 1, 4, 0x85))
    fit.body += b"\1" + struct.pack("<Ii", START + 2, LON0)
    fit.define(1, RECORD, RECORD_FIELDS)
    return Case(fixes(fit, 3, 2).done(), 5, (), ("3 track points without a readable position",), 1, 3)


def _compressed() -> Case:
    fit = fixes(start(), 0, 1).define(1, RECORD, ((0, "i32"), (1, "i32")))
    for i in range(1, 100):
        fit.put(1, LAT0 + 100 * i, LON0 + 70 * i, seconds=START + i)
    return Case(fit.done(), 100, ())


def _heart_rates() -> Case:
    """Heart rates that refer to a time that was never told: decoders stumble over them."""
    fit = fixes(start(), 0, 2).define(6, HEART_RATE, ((10, "byte"),)).put(6, 7)
    return Case(fixes(fit, 2, 2).done(), 4, ())


def _since_power_on() -> Case:
    fit = start()
    for i in range(3):
        fit.put(1, 40 + i, LAT0 + 100 * i, LON0, 0, 0)
    return Case(fixes(fit, 3, 2).done(), 5, (), ("3 times counted from when the recorder was switched on",))


def _wrong_byte() -> Case:
    data = bytearray(walk().done())
    data[-30] ^= 0x40
    return Case(bytes(data), 10, (False,), ("The checksum of the file does not match",))


def _padded_inside() -> Case:
    """The power went: the length is that of the whole file, and its last part was never written."""
    fit = fixes(start(), 0, 5)
    fit.body += bytes(600)
    return Case(fit.done(end_crc=0)[:-2], 5, (), ("are all zero, as happens when the power fails",))


_WALK = walk().done()
_SHORT = fixes(start(), 0, 4).done()
_LATER = fixes(start(), 90, 4).done()
_COURSE = fixes(start(6), 0, 4).done()
_SETTINGS = Fit().define(0, FILE_ID, ((0, "enum"),)).put(0, 2).done()
_STOPS = "The file stops in the middle"
_CRC = "The checksum of the file does not match"

_MADE: dict[str, Callable[[], Case]] = {
    "plain": lambda: Case(_WALK, 10),
    "no position at the start": _no_place_at_start,
    "values that are invalid": _invalid,
    "pause": _pause,
    "laps of all kinds": _laps,
    "lap that does not say what ended it": _lap_without_trigger,
    "no laps": lambda: Case(_SHORT, 4, ()),
    "two sports in one file": _two_sessions,
    "no kind of file": lambda: Case(fixes(start(None), 0, 4).done(), 4, ()),
    "header of 12 bytes": lambda: Case(walk().done(header=12), 10),
    "header of 16 bytes": lambda: Case(walk().done(header=16), 10),
    "header checksum of 0": lambda: Case(walk().done(header_crc=0), 10),
    "wrong header checksum": lambda: Case(walk().done(header_crc=7, end_crc=7), 10, says=(_CRC,)),
    "wrong checksum": lambda: Case(walk().done(end_crc=7), 10, says=(_CRC,)),
    "checksum of 0": lambda: Case(walk().done(end_crc=0), 10, says=("The checksum of the file is 0",)),
    "wrong byte": _wrong_byte,
    "checksum missing": lambda: Case(_WALK[:-2], 10, says=("stops before its checksum",)),
    "half a checksum": lambda: Case(_WALK[:-1], 10, says=("stops before its checksum",)),
    "cut off in a record": lambda: Case(_SHORT[:-9], 3, (), (_STOPS,)),
    "cut off in a definition": lambda: Case(_SHORT[:40], None, (), (_STOPS, "holds no track points")),
    "cut off in the header": lambda: Case(_SHORT[:13], None, (), (_STOPS,)),
    "length of 0, as if never closed": lambda: Case(walk().done(size=0)[:-2], 10, says=("does not say how long",)),
    "length too small": lambda: Case(walk().done(size=70, end_crc=7), 10, says=("The header announces 70 bytes",)),
    "zeros behind the end": lambda: Case(_WALK + bytes(300), 10),
    "zeros in place of the end": _padded_inside,
    "words behind the end": lambda: Case(_WALK + b"hello", 10, says=("5 bytes after the end",)),
    "chained": lambda: _chained(_SHORT, _LATER, "2 FIT files one after another"),
    "chained, the first cut off": lambda: _chained(_SHORT[:-9], _LATER, _STOPS, count=7),
    "chained, the first with a wrong checksum": lambda: _chained(
        fixes(start(), 0, 4).done(end_crc=1), fixes(start(big=True), 9, 4).done(header=12), _CRC
    ),
    "chained with a course": lambda: Case(
        _COURSE + _LATER, 4, (), ("The file also holds a planned course with 4 points",)
    ),
    "chained with settings": lambda: Case(_SETTINGS + _LATER, 4, (), ("2 FIT files",)),
    "unknown messages": _unknown_messages,
    "developer fields": _made_up_fields,
    "developer field without a description": _made_up_field_without_description,
    "odd layouts": _odd_layouts,
    "big endian": lambda: Case(lap(fixes(start(big=True), 0, 4), 0, 4, 0).done(), 4, (True,)),
    "compressed timestamps": _compressed,
    "heart rates without a start": _heart_rates,
    "times since power on": _since_power_on,
    "message of a kind never told": lambda: Case(
        fixes(Fit(body=fixes(start(), 0, 3).body + b"\x0c"), 0, 0).done(), 3, (), ("a message of an unknown kind",)
    ),
    "course": lambda: Case(_COURSE, None, (), ("is a planned course with 4 points: a plan, not a walk",)),
    "settings": lambda: Case(_SETTINGS, None, (), ("it is a FIT file of settings",)),
    "workout": lambda: Case(start(5).done(), None, (), ("a planned workout",)),
    "activity without records": lambda: Case(lap(start(), 0, 9, 0).done(), None, (), ("FIT file of an activity",)),
    "nothing but a header": lambda: Case(Fit().done(), None, (), ("holds no track points",)),
}
CASES = {name: make() for name, make in _MADE.items()}
