"""Single values as typed into site.toml and outings.toml: each is checked and read, or refused in plain words."""

import re
from collections.abc import Callable
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from fieldcomb.coverage.gear.target_ids import CLASSES, parse_numbers
from fieldcomb.coverage.site.options_fields import Field
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.units import parse_date, parse_length_m, parse_time_s

LARGEST_NUMBER = 1e9  # no setting is so large


def text(value: Any) -> str:
    """Check that a value is text."""
    if not isinstance(value, str):
        raise UsageError(f"text in quotes was expected, not {_say(value)}", hint='Write it like "this"')
    return value


def _say(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return "a table" if isinstance(value, dict) else "a list" if isinstance(value, list) else str(value)


def some_text(value: Any) -> str:
    """Check that a value is text, and that there is some."""
    if not text(value).strip():
        raise UsageError("must not be empty", hint="Write something between the quotes, or delete the line")
    return str(value)


def plain_number(value: Any) -> float:
    """Check that a value is a number."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise UsageError(f"a number without quotes was expected, not {value!r}", hint="Write it like 1.2")
    if isinstance(value, int) and abs(value) > LARGEST_NUMBER:
        raise UsageError(f"a number with {len(str(abs(value)))} digits is too large", hint="Write it like 1.2")
    return float(value)


def yes_or_no(value: Any) -> bool:
    """Check that a value is true or false."""
    if not isinstance(value, bool):
        raise UsageError(f"true or false was expected, not {value!r}", hint="Write true or false without quotes")
    return value


def list_of_names(value: Any) -> tuple[str, ...]:
    """Check a list of names."""
    if not isinstance(value, list) or not all(isinstance(name, str) and name.strip() for name in value):
        raise UsageError("a list of names was expected", hint='Write it like ["Ann Berg", "Bo"]')
    return tuple(value)


def calendar_date(value: Any) -> str:
    """Check that a value is a date in quotes."""
    parse_date(text(value))
    return str(value).strip()


def length_m(value: Any) -> float:
    """Read a length."""
    return parse_length_m(text(value))


def field_value(field: Field) -> Callable[[Any], Any]:
    """Return the check of a value that can be typed: a text in quotes, or a number where it is kept as one."""

    def check(value: Any) -> Any:
        if field.is_number:
            return field.read(str(plain_number(value)))
        if field.metavar == "TIME":
            return typed_time(value)
        return field.read(text(value))

    return check


def typed_time(value: Any) -> str:
    """Check a time as typed, with or without an offset, and return it as text."""
    if isinstance(value, datetime):  # TOML has times of its own, without quotes
        return value.isoformat()
    parse_time_s(text(value), ZoneInfo("UTC"))
    return str(value)


def sha256(value: Any) -> str:
    """Check a fingerprint of a file."""
    if not re.fullmatch(r"[0-9a-f]{64}", text(value)):
        raise UsageError("64 digits 0-9 and a-f were expected", hint="Put back what fieldcomb wrote there")
    return str(value)


def stored_name(value: Any) -> str:
    """Check the name of a file in tracks/, which leads nowhere else."""
    name = some_text(value)
    if "/" in name or "\\" in name or name in (".", ".."):
        raise UsageError(f"{name!r} is not the name of a file in tracks", hint="Put back what fieldcomb wrote there")
    return name


def mark_words(value: Any) -> tuple[str, ...]:
    """Check one word, or a list of words."""
    found = tuple(some_text(one).strip() for one in (value if isinstance(value, list) else [value]))
    for word in found:
        if len(word.split()) != 1 or not any(letter.isalpha() for letter in word):
            raise UsageError(f"{word!r} is not one word", hint='Write it like "pause" or ["pause", "aus"]')
    return found


def target_numbers(value: Any) -> Any:
    """Read target numbers, such as 40-99."""
    return parse_numbers(text(value), "numbers")


def between(
    low: float, high: float, unit: str = "", read: Callable[[Any], float] = plain_number
) -> Callable[[Any], float]:
    """Return the check of a value within limits, read as a plain number by default."""

    def check(value: Any) -> float:
        if not low <= read(value) <= high:
            raise UsageError(f"{value!r} is not between {low:g} and {high:g}{unit}")
        return read(value)

    return check


def target(value: Any) -> str:
    """Check a class of targets."""
    if text(value) not in CLASSES:
        raise UsageError(f"target {value!r} is not known", hint=f"Use one of {', '.join(CLASSES)}")
    return str(value)
