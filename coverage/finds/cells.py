"""What the cells of finds.csv mean: numbers, years, moments and words, as people and spreadsheets write them."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from datetime import date, datetime, tzinfo
from typing import Any

from fieldcomb.coverage.finds.find import HOW, SOIL_LAYERS
from fieldcomb.coverage.gear.target_ids import MOST_NUMBER
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.values import dataclass

USUAL_MOST_NUMBER = 99  # detectors seldom show larger ones; common practice, no source
DEEPEST_FIND_CM = 1000.0
HEAVIEST_G = 1e7
LARGEST_ERROR_M = 10_000.0
MOST_PIECES = 1_000_000
FIRST_YEAR, LAST_YEAR = -3_000_000, 2200  # the oldest worked stones are some 3 million years old
_DECIMAL = re.compile(r"[-+]?(?:\d{1,15}(?:[.,]\d{0,20})?|[.,]\d{1,20})\Z", re.ASCII)
_WHOLE = re.compile(r"[-+]?\d{1,12}(?:[.,]0{1,9})?\Z", re.ASCII)  # some programs write 14 as 14.0
_NUMBERS = re.compile(r"(\d{1,4})(?:[.,]0+)?(?:\s*(?:-|\N{EN DASH}|\N{EM DASH}|to|\.\.)\s*(\d{1,4}))?\Z", re.ASCII)
_DAY_FIRST = re.compile(r"(\d{1,2})([./])(\d{1,2})\2(\d{4})\Z", re.ASCII)
_LIKE_DATE = re.compile(r"\d[-./ ]\s?[a-z]{3}|[a-z]{3}\.?[-./ ]\s?\d|\d[-./]\d+[-./]\d", re.ASCII | re.IGNORECASE)
_CLOCK = re.compile(r"\d{1,2}:\d\d(:\d\d)?\s*([ap]m)?\Z", re.ASCII | re.IGNORECASE)
_DAY = re.compile(r"\d{4}-\d\d-\d\d\Z", re.ASCII)
_FORBIDDEN_IN_NAMES = re.compile(r"[/\\:\x00-\x1f]|^\.+")
_LEADING_NOUGHT, _AS_TEXT = re.compile(r"0\d+\Z", re.ASCII), re.compile(r"'0\d+\Z", re.ASCII)
_YES, _NO = ("y", "yes", "x", "1", "true"), ("n", "no", "0", "false")

NOT_KNOWN = "taken as not known"


class CellError(ValueError):
    """A cell that does not mean what its column needs; the text says what was expected."""


@dataclass(frozen=True, slots=True)
class RowContext:
    """What the cells of a row may depend on: the zone of times without an offset, and the day of its outing."""

    zone: tzinfo
    day: date | None


ReadCell = Callable[[str, RowContext], Any]


def decimal(text: str, expected: str, least: float, most: float) -> float:
    """Read a number with a decimal point or comma, from ``least`` to ``most``."""
    plain = text.replace("\N{MINUS SIGN}", "-")
    value = float(plain.replace(",", ".")) if _DECIMAL.match(plain) else math.nan
    if not least <= value <= most:
        raise CellError(expected)
    return value


def whole_number(text: str, expected: str, least: int, most: int) -> int:
    """Read a whole number, from ``least`` to ``most``."""
    plain = text.replace("\N{MINUS SIGN}", "-")
    value = int(re.split("[.,]", plain)[0]) if _WHOLE.match(plain) else None
    if value is None or not least <= value <= most:
        raise CellError(expected)
    return value


def _a_decimal(expected: str, least: float, most: float) -> ReadCell:
    return lambda text, _: decimal(text, expected, least, most)


def _a_whole(expected: str, least: int, most: int) -> ReadCell:
    return lambda text, _: whole_number(text, expected, least, most)


def _one_of(*words: str) -> ReadCell:
    def read(text: str, _: RowContext) -> str:
        if text.casefold() not in words:
            raise CellError(f"{', '.join(words[:-1])} or {words[-1]} was expected")
        return text.casefold()

    return read


def depth_m(text: str, _: RowContext) -> float:
    """Read a depth in centimetres, with or without its unit, in metres."""
    plain = text.casefold().removesuffix("cm").strip()
    return decimal(plain, "a number of centimetres was expected", 0, DEEPEST_FIND_CM) / 100


def shown_numbers(text: str, _: RowContext) -> tuple[int, int]:
    """Read a target number, or a range of them; both ends belong to it.

    >>> from datetime import UTC
    >>> shown_numbers("61-66", RowContext(UTC, None)), shown_numbers("47", RowContext(UTC, None))
    ((61, 66), (47, 47))
    """
    found = _NUMBERS.match(text.casefold())
    low, high = (int(found[1]), int(found[2] or found[1])) if found else (0, -1)
    if not low <= high <= MOST_NUMBER:
        expected = f"a target number from 0 to {MOST_NUMBER}, or a range such as 61-66, was expected"
        turned = "; a spreadsheet may have made a date of it: write 5 to 7 for 5-7" if _LIKE_DATE.search(text) else ""
        raise CellError(expected + turned)
    return low, high


def moment_s(text: str, context: RowContext) -> float:
    """Read a date with a time as Unix seconds; without an offset it is in the zone of the site."""
    expected = "a date and time like 2026-03-07T09:30 was expected"
    if _CLOCK.match(text):
        raise CellError(f"it has no date; {expected}")
    day, _, clock = text.replace("T", " ", 1).partition(" ")
    if not clock.strip():
        raise CellError(f"it has no time of day; {expected}")
    try:
        moment = datetime.fromisoformat(f"{_day(day, context)} {clock.strip()}")
        return moment.replace(tzinfo=moment.tzinfo or context.zone).timestamp()
    except (ValueError, OverflowError, OSError):
        raise CellError(expected) from None


def _day(text: str, context: RowContext) -> str:
    """Return a day as ISO 8601; of two ways to read one with slashes, the one that is the outing's day."""
    found = _DAY_FIRST.match(text)
    if found is None:
        return text
    ways = [(found[1], found[3])] if found[2] == "." else [(found[1], found[3]), (found[3], found[1])]
    days = {f"{found[4]}-{int(month):02}-{int(day):02}" for day, month in ways if 1 <= int(month) <= 12}
    if len(days) > 1:
        days &= {str(context.day)}
    return days.pop() if len(days) == 1 else ""


def calendar_day(text: str, context: RowContext) -> date:
    """Read a calendar date such as ``2026-03-07``."""
    day = _day(text, context)
    try:
        return date.fromisoformat(day if _DAY.match(day) else "")
    except ValueError:
        raise CellError("a date like 2026-03-07 was expected") from None


def in_place(text: str, _: RowContext) -> bool:
    """Read y or n."""
    if text.casefold() not in (*_YES, *_NO):
        raise CellError("y or n was expected")
    return text.casefold() in _YES


def photo_names(text: str, _: RowContext) -> tuple[str, ...]:
    """Read names of files with semicolons between; a name that leads out of the folder of photos is none."""
    names = tuple(filter(None, (harmless(name) for name in text.split(";"))))
    if any(_FORBIDDEN_IN_NAMES.search(name) for name in names):
        raise CellError("names of files in the folder photos, with ; between, were expected")
    return names


def other_finds(text: str, _: RowContext) -> tuple[int, ...]:
    """Read the find_no of others, with semicolons, commas or blanks between."""
    expected = "the find_no of another find was expected"
    return tuple(whole_number(part, expected, 1, 10**9) for part in re.split(r"[;,\s]+", text) if part)


def one_line(text: str, _: RowContext) -> str:
    """Return a text made harmless, on one line; without the apostrophe that ``kept_as_text`` put before it."""
    plain = harmless(" ".join(text.split()))
    return plain[1:] if _AS_TEXT.match(plain) else plain


def kept_as_text(text: str) -> str:
    """Return a cell of text from which no spreadsheet takes the noughts in front, such as those of a report's number.

    >>> kept_as_text("0012"), kept_as_text("M-12")
    ("'0012", 'M-12')
    """
    return f"'{text}" if _LEADING_NOUGHT.match(text) else text


# Each column, the field of a Find that it fills, and how it is read; find_no and kind are read by themselves.
CELLS: dict[str, tuple[str, ReadCell]] = {
    **{
        name: (name, one_line)
        for name in (
            *("outing", "finder", "coil", "hole", "what", "material", "period", "condition"),
            *("reported_to", "report_no", "kept_at", "note", "mark"),
        )
    },
    "time": ("time_s", moment_s),
    "lat": ("lat_deg", _a_decimal("degrees from -90 to 90 were expected", -90, 90)),
    "lon": ("lon_deg", _a_decimal("degrees from -180 to 180 were expected", -180, 180)),
    "how": ("how", _one_of(*HOW)),
    "error_m": ("error_m", _a_decimal("a number of metres was expected", 0, LARGEST_ERROR_M)),
    "number": ("number", shown_numbers),
    "depth_cm": ("depth_m", depth_m),
    "from_year": ("from_year", _a_whole("a whole year, negative for BCE, was expected", FIRST_YEAR, LAST_YEAR)),
    "to_year": ("to_year", _a_whole("a whole year, negative for BCE, was expected", FIRST_YEAR, LAST_YEAR)),
    "count": ("count", _a_whole("a whole number of pieces was expected", 1, MOST_PIECES)),
    "weight_g": ("weight_g", _a_decimal("a number of grams was expected", 0, HEAVIEST_G)),
    "layer": ("layer", _one_of(*SOIL_LAYERS)),
    "in_situ": ("in_situ", in_place),
    "photo": ("photos", photo_names),
    "belongs_with": ("belongs_with", other_finds),
    "reported_on": ("reported_on", calendar_day),
}
