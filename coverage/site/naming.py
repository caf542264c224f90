"""Ids of outings, and the names under which their files are kept."""

import re
import unicodedata
from collections.abc import Iterable
from contextlib import suppress
from itertools import count, islice
from pathlib import Path

ID_WITHOUT_DATE = "nodate"
MOST_NAMES = 2000  # of a folder that are looked at for one that is like another
NAMES_ALIKE = 0.7  # share of letters in common, in their order, of names without their ends
_MAX_NAME_BYTES = 120


def next_id(day: str, ids: Iterable[str], files: Iterable[str] = ()) -> str:
    """Return the id of one more outing on a day: ``2026-03-07a``, then b ... z, aa, ab.

    Letters before the last one used, in an id or at the head of a file's name, are never used again.
    """
    pattern = re.compile(re.escape(day) + "-?([a-z]{1,3})(?:-|\\Z)")
    used = [match.group(1) for text in (*ids, *files) if (match := pattern.match(text))]
    number = max((_number_of(letters) for letters in used), default=0) + 1
    return f"{day}{'-' if day == ID_WITHOUT_DATE else ''}{_letters_of(number)}"


def _number_of(letters: str) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - ord("a") + 1
    return number


def _letters_of(number: int) -> str:
    letters = ""
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("a") + rest) + letters
    return letters


def safe_name(name: str) -> str:
    """Make a file name that every system can hold and a person still knows: ``a: b?.gpx`` gives ``a_ b_.gpx``."""
    name = unicodedata.normalize("NFC", name)
    name = "".join("_" if c in '<>:"/\\|?*\ufffd' or not c.isprintable() else c for c in name).strip(". ") or "walk"
    stem, dot, ending = name.rpartition(".")
    if not dot or len(ending.encode()) > 10:
        stem, dot, ending = name, "", ""
    stem = stem.encode()[:_MAX_NAME_BYTES].decode("utf-8", "ignore")
    return stem.rstrip(". ") + dot + ending


def free_name(name: str, taken: Iterable[str]) -> str:
    """Put a number before the ending when the name is taken; capitals make no difference on some systems."""
    lower = {other.casefold() for other in taken}
    stem, dot, ending = name.rpartition(".")
    if not dot:
        stem, ending = name, ""
    names = (name if n == 1 else f"{stem}-{n}{dot}{ending}" for n in count(1))
    return next(one for one in names if one.casefold() not in lower)


def name_like(path: Path) -> str:
    """Return the name in a folder that is closest to one that is not there; "" where none is close."""
    from difflib import get_close_matches  # only once something is amiss

    with suppress(OSError, ValueError):
        there = [one for one in islice(path.parent.iterdir(), MOST_NAMES) if one.name != path.name]  # as a broken link
        of_a_kind = sorted(there, key=lambda one: (one.suffix.casefold() == path.suffix.casefold(), one.name))
        names = {one.stem.casefold(): one.name for one in of_a_kind}
        close = get_close_matches(path.stem.casefold(), list(names), 1, NAMES_ALIKE)
        return names[close[0]] if close else ""
    return ""


def did_you_mean(path: Path) -> str:
    """Return the question after a name that is close to one that is not there; "" where none is close."""
    return f"Did you mean {like!r}? " if (like := name_like(path)) else ""
