"""Texts that are safe to show and to store: names from files made harmless, JSON that any reader takes."""

from __future__ import annotations

import json
import re
import unicodedata
from typing import Any

# C0 and C1 controls (a terminal takes orders by them), line and paragraph separators, and the marks that turn the
# direction of writing, so that a name could show as another one.
_ORDERS = "\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff"
_HARMFUL = re.compile(f"[{_ORDERS}]+")
# Half characters, as in file names that are not UTF-8, and two numbers that are no characters and break XML.
_HALVES = re.compile("[\ud800-\udfff\ufffe\uffff]")
_RAW_IN_JSON = re.compile("[\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff]")


def harmless(text: str) -> str:
    """Make a text of one line that cannot do anything: orders to a terminal become one space, half characters a mark.

    >>> harmless("west" + chr(27) + "[2Jfield" + chr(10))
    'west [2Jfield'
    """
    return _HALVES.sub("\ufffd", _HARMFUL.sub(" ", text)).strip()


def to_json(value: Any, indent: int | None = None) -> str:
    """JSON with sorted keys and letters as they are; raises ValueError for a number that JSON does not have.

    Orders to a terminal are written as escapes, which every reader turns back into what they were.
    """
    separators = (",", ": ") if indent is not None else (", ", ": ")
    text = json.dumps(value, sort_keys=True, indent=indent, separators=separators, ensure_ascii=False, allow_nan=False)
    text = _RAW_IN_JSON.sub(lambda match: f"\\u{ord(match.group()):04x}", text)
    return _HALVES.sub("\ufffd", text)


def feature_collection(features: list[dict[str, Any]]) -> str:
    """GeoJSON text with one feature a line, so that two versions can be compared by eye."""
    lines = ",\n".join(to_json(feature) for feature in features)
    return '{"type": "FeatureCollection", "features": [\n' + lines + ("\n]}\n" if features else "]}\n")


def columns(text: str) -> int:
    """How many columns of a terminal a text takes: none for marks above letters, two for wide letters."""
    return len(text) if text.isascii() else sum(_letter_columns(letter) for letter in text)


def _letter_columns(letter: str) -> int:
    if unicodedata.category(letter) in ("Mn", "Me", "Cf"):
        return 0
    return 2 if unicodedata.east_asian_width(letter) in ("W", "F") else 1


def wrapped(text: str, width: int, first: str = "", later: str = "") -> list[str]:
    """Break a text into lines of at most ``width`` columns, between words where it can be.

    ``first`` stands in front of the first line and ``later`` in front of the others.
    """
    lines, line, bare = [], first, True
    for word in text.split():
        while word:
            gap = "" if bare else " "
            if columns(line) + len(gap) + columns(word) <= width:
                line, bare, word = line + gap + word, False, ""
            elif not bare:
                lines.append(line)
                line, bare = later, True
            else:
                part = _fitting(word, width - columns(line))
                lines.append(line + part)
                line, word = later, word[len(part) :]
    return [*lines, line] if not bare or not lines else lines


def _fitting(word: str, width: int) -> str:
    used = 0
    for at, letter in enumerate(word):
        used += _letter_columns(letter)
        if used > width and at:
            return word[:at]
    return word
