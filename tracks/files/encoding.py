"""The letters of a text file: which character set it is in, by its bytes, and the same text as UTF-8."""

import codecs
import re
from collections.abc import Iterator

from fieldcomb.tracks.values import dataclass

PIECE_BYTES = 65_536

_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_DECLARED = re.compile(rb"\s*<\?xml[^>]{0,200}?encoding\s{0,9}=\s{0,9}[\"']([A-Za-z0-9._:-]{1,40})[\"']")
# Every second byte is zero: letters of two bytes without a mark of their order.
_WIDE_LE, _WIDE_BE = re.compile(rb"<\0|(?:[\t\r\n -~]\0){2}"), re.compile(rb"\0<|(?:\0[\t\r\n -~]){2}")
# Real character sets only: Python knows codecs (unicode_escape, idna) that no document should choose for us.
_CHARSETS = ("cp", "iso8859", "koi8", "mac-", "shift_jis", "euc_", "gb", "big5", "tis-620")

WRONG_UTF8 = (
    "The text in the file is not UTF-8 as it should be, and was read as windows-1252: names may look wrong; "
    "positions and times are not affected"
)


@dataclass(frozen=True, slots=True)
class Coding:
    """A character set, the byte at which the text begins, and what to tell the user about it."""

    codec: str
    start: int
    note: str = ""


def coding_of(data: bytes) -> Coding:
    """Find the character set: byte order mark, then zero bytes, then the declaration, then the bytes themselves."""
    for bom, codec in _BOMS:
        if data.startswith(bom):
            if codec == "utf-8" and not is_utf8(data):
                return Coding("cp1252", len(bom), WRONG_UTF8)
            return Coding(codec, len(bom))
    if _WIDE_LE.match(data):
        return Coding("utf-16-le", 0)
    if _WIDE_BE.match(data):
        return Coding("utf-16-be", 0)
    match = _DECLARED.match(data[:1024])
    declared = match.group(1).decode("ascii") if match else "utf-8"
    try:
        codec = codecs.lookup(declared).name
    except LookupError:
        codec = ""
    if codec in ("iso8859-1", "cp1252"):
        # As browsers do: the codes in which the two differ are control characters in one, and letters in the other.
        return Coding("cp1252", 0)
    if codec.startswith(_CHARSETS):
        return Coding(codec, 0)
    note = ""
    if not codec.startswith(("utf", "ascii")):
        note = f"The file names an unknown character set, {declared!r}. "
    if is_utf8(data):
        return Coding("utf-8", 0, note + "It was read as UTF-8" if note else "")
    return Coding("cp1252", 0, note + WRONG_UTF8)


def is_utf8(data: bytes) -> bool:
    """Whether the bytes are UTF-8; a character cut in two by the end of the file is no objection."""
    if data.isascii():
        return True
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        for at in range(0, len(data), PIECE_BYTES):
            decoder.decode(data[at : at + PIECE_BYTES])
    except UnicodeDecodeError:
        return False
    return True


def trailing_zeros(data: bytes, coding: Coding) -> int:
    """Count the zero bytes at the end that are padding and not half of a wide character."""
    if not data.endswith(b"\0"):
        return 0
    zeros = len(data) - len(data.rstrip(b"\0"))
    width = {"utf-16": 2, "utf-32": 4}.get(coding.codec[:6], 1)
    return zeros // width * width


def zeros_note(zeros: int) -> str:
    """Tell of zero bytes at the end."""
    return f"The last {zeros} bytes of the file are all zero, as happens when the power fails; they hold nothing"


def decode_text(data: bytes) -> tuple[str, list[str]]:
    """Return a whole file as text, without padding at its end, and notes on its letters."""
    coding = coding_of(data)
    notes = [coding.note] if coding.note else []
    zeros = trailing_zeros(data, coding)
    if zeros:
        notes.append(zeros_note(zeros))
    return data[coding.start : len(data) - zeros].decode(coding.codec, errors="replace"), notes


def as_utf8(data: bytes, coding: Coding, start: int, end: int) -> Iterator[bytes]:
    """Return the bytes from ``start`` to ``end`` as UTF-8, a piece at a time; what is no letter becomes a mark."""
    decoder = None if coding.codec == "utf-8" else codecs.getincrementaldecoder(coding.codec)(errors="replace")
    for at in range(start, end, PIECE_BYTES):
        raw = data[at : min(at + PIECE_BYTES, end)]
        yield raw if decoder is None else decoder.decode(raw).encode()
