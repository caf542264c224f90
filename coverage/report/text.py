"""Texts that are safe to show and to store: names from files made harmless, JSON that any reader takes."""

import unicodedata

# C0 and C1 controls (a terminal takes orders by them), line and paragraph separators, and the marks that turn the
# direction of writing, so that a name could show as another one.
# Half characters, as in file names that are not UTF-8, and two numbers that are no characters and break XML.


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


def cut(text: str, width: int) -> str:
    """Return a text that fits, with three dots where its end is cut off.

    >>> cut("a long row of words", 14), cut("short", 14)
    ('a long row...', 'short')
    """
    if columns(text) <= width:
        return text
    return _fitting(text, width - 3).rstrip() + "..."


def _fitting(word: str, width: int) -> str:
    used = 0
    for at, letter in enumerate(word):
        used += _letter_columns(letter)
        if used > width and at:
            return word[:at]
    return word
