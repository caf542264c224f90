"""Single values as typed into site.toml and outings.toml: each is checked and read, or refused in plain words."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from fieldcomb.coverage.gear.target_ids import CLASSES, parse_numbers
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.marks.timeline import LAP_MEANINGS
from fieldcomb.tracks.units import parse_length_m, parse_time_s

MIN_CELL_M, MAX_CELL_M = 0.01, 2.0


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


def number(value: Any) -> float:
    """Check that a value is a number."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise UsageError(f"a number without quotes was expected, not {value!r}", hint="Write it like 1.2")
    return float(value)


def sweep_s(value: Any) -> float:
    """Check how long one sweep takes, in seconds."""
    if not 0.2 <= number(value) <= 10:
        raise UsageError(f"a sweep of {value} s is not possible", hint="One side to the other takes 0.2 to 10 s")
    return float(value)


def yes_or_no(value: Any) -> bool:
    """Check that a value is true or false."""
    if not isinstance(value, bool):
        raise UsageError(f"true or false was expected, not {value!r}", hint="Write true or false without quotes")
    return value


def names(value: Any) -> tuple[str, ...]:
    """Check a list of names."""
    if not isinstance(value, list) or not all(isinstance(name, str) and name.strip() for name in value):
        raise UsageError("a list of names was expected", hint='Write it like ["Ann Berg", "Bo"]')
    return tuple(value)


def length_m(value: Any) -> float:
    """Read a length."""
    return parse_length_m(text(value))


def cell_m(value: Any) -> float:
    """Read the side of a cell."""
    length = parse_length_m(text(value), "cell")
    if not MIN_CELL_M <= length <= MAX_CELL_M:
        raise UsageError(f"cell {value!r} is not between 1 cm and 2 m", hint="Write it like 10cm")
    return length


def typed_time(value: Any) -> str:
    """Check a time as typed, with or without an offset, and give it as text."""
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


def degrees(most: float) -> Callable[[Any], float]:
    """Give what checks a number of degrees either side of zero."""

    def check(value: Any) -> float:
        if not -most <= number(value) <= most:
            raise UsageError(f"{value} is not between -{most:g} and {most:g} degrees")
        return float(value)

    return check


def laps_meaning(value: Any) -> str:
    """Check what presses of the lap button meant; that a coil is known is looked at where the site's coils are."""
    meaning, colon, name = text(value).partition(":")
    if meaning not in LAP_MEANINGS or (colon and (meaning != "coil" or not name.strip())):
        hint = "Write off, lanes, finds, or coil with the other coil's name, such as coil:small"
        raise UsageError(f"laps {value!r} is not known", hint=hint)
    return str(value)


def mark_words(value: Any) -> tuple[str, ...]:
    """Check one word, or a list of words."""
    found = tuple(some_text(one).strip() for one in (value if isinstance(value, list) else [value]))
    for word in found:
        if len(word.split()) != 1 or not any(letter.isalpha() for letter in word):
            raise UsageError(f"{word!r} is not one word", hint='Write it like "pause" or ["pause", "aus"]')
    return found


def numbers(value: Any) -> Any:
    """Read target numbers, such as 40-99."""
    return parse_numbers(some_text(value), "numbers")


def between(low: float, high: float) -> Callable[[Any], float]:
    """Give what checks a number within limits."""

    def check(value: Any) -> float:
        if not low <= number(value) <= high:
            raise UsageError(f"{value} is not between {low:g} and {high:g}")
        return float(value)

    return check


def length_between(low_m: float, high_m: float) -> Callable[[Any], float]:
    """Give what reads a length within limits, in metres."""

    def check(value: Any) -> float:
        if not low_m <= length_m(value) <= high_m:
            raise UsageError(f"{value!r} is not between {low_m:g} m and {high_m:g} m")
        return length_m(value)

    return check


def target(value: Any) -> str:
    """Check a class of targets."""
    if text(value) not in CLASSES:
        raise UsageError(f"target {value!r} is not known", hint=f"Use one of {', '.join(CLASSES)}")
    return str(value)
