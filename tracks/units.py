"""Lengths, times and speeds as people write them; metres, seconds and UTC inside.

Parsed once here and printed once at the edge, so that no other module ever sees a centimetre or an inch.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, date, datetime, tzinfo
from zoneinfo import ZoneInfo

from fieldcomb.tracks.errors import UsageError

# Exact by definition: the international inch is 25.4 mm (1959 agreement), the foot twelve of them.
METRES_PER = {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "in": 0.0254}
METRES_PER_SECOND_PER = {"m/s": 1.0, "km/h": 1 / 3.6, "mph": 1609.344 / 3600, "ft/s": 0.3048}

_NUMBER = r"\d+(?:[.,]\d+)?|[.,]\d+"
_QUANTITY = re.compile(rf"\s*({_NUMBER})\s*([A-Za-z/]*)\s*\Z")


def parse_length_m(text: str, what: str = "length") -> float:
    """Read a length such as ``28cm``, ``1.5 m`` or ``11in``, in metres.

    A bare number is refused, because 28 could mean centimetres to one person and inches to another.
    """
    return _parse(text, what, METRES_PER, "28cm, 1.5m or 11in")


def parse_speed_m_s(text: str, what: str = "speed") -> float:
    """Read a speed such as ``0.9m/s`` or ``3km/h``, in metres per second."""
    return _parse(text, what, METRES_PER_SECOND_PER, "0.9m/s or 3km/h")


def _parse(text: str, what: str, units: dict[str, float], example: str) -> float:
    match = _QUANTITY.match(text)
    unit = match.group(2).lower() if match else ""
    if match is None or unit not in units:
        named = ", ".join(units)
        problem = f"{what} {text!r} has no unit" if match and not unit else f"{what} {text!r} is not understood"
        raise UsageError(problem, hint=f"Write a number with one of {named}, for example {example}")
    value = round(float(match.group(1).replace(",", ".")) * units[unit], 12)  # 35 cm is 0.35, not 0.35000000000000003
    if not math.isfinite(value) or value <= 0:
        raise UsageError(f"{what} {text!r} must be more than zero", hint=f"Write it like {example}")
    return value


def parse_zone(name: str) -> ZoneInfo:
    """Find a time zone by its IANA name, such as ``Europe/Oslo``."""
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:
        hint = "Use a name such as Europe/Oslo, America/New_York or UTC"
        raise UsageError(f"time zone {name!r} is not known", hint=hint) from error


def parse_time_s(text: str, zone: tzinfo, what: str = "time") -> float:
    """Read an ISO 8601 date and time as Unix seconds; without an offset it is in ``zone``."""
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError as error:
        hint = "Write it like 2026-03-07T09:30 (the site's zone) or 2026-03-07T09:30Z"
        raise UsageError(f"{what} {text!r} is not a date and time", hint=hint) from error
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone)
    return moment.timestamp()


def parse_date(text: str, what: str = "date") -> date:
    """Read a calendar date such as ``2026-03-07``."""
    try:
        return date.fromisoformat(text.strip())
    except ValueError as error:
        raise UsageError(f"{what} {text!r} is not a date", hint="Write it like 2026-03-07") from error


def local_date(time_s: float | None, zone: tzinfo) -> date | None:
    """Return the calendar day of a moment in a zone; None without a time, or outside the calendar's years."""
    if time_s is None:
        return None
    try:
        return datetime.fromtimestamp(time_s, zone).date()
    except (ValueError, OverflowError, OSError):
        return None


def iso_utc(time_s: float) -> str:
    """Unix seconds as ISO 8601 in UTC, whole seconds: ``2026-03-07T09:12:00Z``."""
    return datetime.fromtimestamp(round(time_s), UTC).replace(tzinfo=None).isoformat() + "Z"


def say_length(length_m: float) -> str:
    """A length for people: centimetres below one metre, metres from there on.

    >>> say_length(0.28), say_length(1.48), say_length(1240)
    ('28 cm', '1.48 m', '1240 m')
    """
    if length_m < 1:
        return f"{length_m * 100:.3g} cm"
    return f"{length_m:.3g} m" if length_m < 999.5 else f"{length_m:.0f} m"


def say_area(area_m2: float) -> str:
    """An area for people: square metres, and hectares from one hectare on.

    >>> say_area(31.24), say_area(2410.2), say_area(250000.0)
    ('31.2 m2', '2410 m2', '25.00 ha')
    """
    if area_m2 >= 10_000:
        return f"{area_m2 / 10_000:.2f} ha"
    return f"{area_m2:.0f} m2" if area_m2 >= 100 else f"{area_m2:.1f} m2"


def say_duration(seconds: float) -> str:
    """A span of time for people.

    >>> say_duration(42), say_duration(600), say_duration(7500)
    ('42 s', '10 min', '2 h 05 min')
    """
    if seconds < 59.5:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def many(count: int, noun: str) -> str:
    """A count with its noun.

    >>> many(1, "fix"), many(3, "lap")
    ('1 fix', '3 laps')
    """
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
