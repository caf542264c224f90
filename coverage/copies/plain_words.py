"""Words that people typed, with what a copy may not say taken out: places, times, names, paths and addresses."""

import re
from collections.abc import Mapping

GONE = "…"
MOST_WORDS_LETTERS = 120  # of one text in a copy
# Each is wider than it must be: a copy that lacks a harmless number is better than one with a place in it.
_TELLING = re.compile(
    r"""
      \S*(?:[\\/]\S*){2,}|\S+\.\w{2,4}(?=$|[\s,;)])       # paths, addresses of pages, files
    | \S+@\S+                                             # addresses of people
    | (?:\b[NSEW]\s?)?[-+]?\d{1,3}[.,]\d{3,}\S*            # degrees with decimals
    | \d{1,3}\s*[°º]\s*[\d.,\s'’′"”″]*[NSEWnsew]?         # degrees, minutes, seconds
    | (?<!\d)\d{1,2}\s?[:h]\s?\d{2}(?!\d)(?::\d{2})?(?:\s?[ap]m)?Z? # times of day
    | \b\d{1,2}\.\d{2}\s?(?:[ap]m|h|Uhr|o'clock)\b
    | \b\d{1,2}\s?[ap]m\b
    | \b(?:\d{1,2}\s?)?[A-Z]{1,3}\s?\d{2,5}\s\d{2,5}\b    # references of a grid
    | \b(?:\d{1,2}\s?)?(?:[A-Z]{1,3}\s?|[a-z]{1,3})\d{4,10}\b
    | \b[a-z]{2}\s\d{3,5}\s\d{3,5}\b|\b0\d{3}\b
    | \d[\d\s.,]*\d\s?m\b|\b\d+\s?m\b                     # distances, and coordinates in metres
    | \d{5,}\S*                                           # long numbers
    """,
    re.VERBOSE,
)


def plain_words(text: str, names: Mapping[str, str]) -> str:
    """Return a text without what a copy may not say; each part that is taken out leaves three dots.

    names : of people, with their initials, which take their place; each part of a name counts.

    >>> plain_words("buckle, Ann at 09:30, 54.12345 N", {"Ann Berg": "AB"})
    'buckle, AB at …'
    >>> plain_words("lead token, 4 pieces, 18th century", {})
    'lead token, 4 pieces, 18th century'
    """
    for name, initials in sorted(names.items(), key=lambda one: -len(one[0])):
        parts = [name, *(part for part in re.findall(r"\w+", name) if len(part) > 1)]
        for part in parts:
            text = re.sub(rf"(?<!\w){re.escape(part)}(?!\w)", initials, text, flags=re.IGNORECASE)
    text = _TELLING.sub(GONE, text)
    text = re.sub(rf"{GONE}(?:[\s,;NSEW]*{GONE})*[\s,;]*(?:[NSEW]\b)?", f"{GONE} ", text)
    text = " ".join(text.split())
    return text if len(text) <= MOST_WORDS_LETTERS else text[: MOST_WORDS_LETTERS - 1].rstrip() + GONE
