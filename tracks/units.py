"""Quantities as people write and read them; metres, square metres, seconds and UTC inside.

Parsed once here, so that no other module ever sees a centimetre or an inch, and formatted once here, so that one number
looks the same in the table, on the map, in the files for devices and in every message. A dash stands for none.
"""

import math
import re
from datetime import UTC, date, datetime, tzinfo
from zoneinfo import ZoneInfo

from fieldcomb.tracks.errors import UsageError

# Exact by definition: the international inch is 25.4 mm (1959 agreement), the foot twelve of them.
METRES_PER = {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "in": 0.0254}
AS_WRITTEN = {
    '"': "in", "″": "in", "”": "in", "''": "in", "inch": "in", "inches": "in", "foot": "ft", "feet": "ft",
    "metre": "m", "metres": "m", "meter": "m", "meters": "m",
}  # fmt: skip
METRES_PER_SECOND_PER = {"m/s": 1.0, "km/h": 1 / 3.6, "mph": 1609.344 / 3600, "ft/s": 0.3048}

DAY_MINUTES = 24 * 60

NONE = "-"  # what is not known, or is no number

_NUMBER = r"\d+(?:[.,]\d+)?|[.,]\d+"
_QUANTITY = re.compile(rf"\s*({_NUMBER})\s*([A-Za-z/]*|[\"″”]|'')\s*\Z")

_CLOCK_TIME = re.compile(r"\s*\d{1,2}:\d\d(?::\d\d)?\s*\Z")
_ONE_DIGIT_HOUR = re.compile(r"^(\d{4}-\d\d-\d\d[T ])(\d:)")


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
    unit = AS_WRITTEN.get(unit, unit)
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
    """Read an ISO 8601 date and time as Unix seconds; without an offset it is in ``zone``.

    The hour may have one digit, as spreadsheets write it: ``2026-03-07 9:30``.
    """
    try:
        moment = datetime.fromisoformat(_ONE_DIGIT_HOUR.sub(r"\g<1>0\2", text.strip()))
    except ValueError as error:
        hint = "Write it like 2026-03-07T09:30 (the site's zone) or 2026-03-07T09:30Z"
        problem = "has no date" if _CLOCK_TIME.match(text) else "is not a date and time"
        raise UsageError(f"{what} {text!r} {problem}", hint=hint) from error
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


def format_number(value: float | None, places: int = 0) -> str:
    """A number with its thousands apart.

    >>> format_number(1234567.89, 1), format_number(-0.01), format_number(None)
    ('1 234 567.9', '0', '-')
    """
    if value is None or not math.isfinite(value):
        return NONE
    return f"{round(value, places) + 0.0:,.{places}f}".replace(",", " ")  # adding zero turns -0 into 0


def format_length(length_m: float) -> str:
    """A length: centimetres below one metre, kilometres from ten on.

    >>> format_length(0.28), format_length(1.48), format_length(1240), format_length(12_345)
    ('28 cm', '1.48 m', '1 240 m', '12 km')
    """
    if length_m < 1:
        return f"{length_m * 100:.3g} cm"
    if length_m < 999.5:
        return f"{length_m:.3g} m"
    return f"{format_number(length_m)} m" if length_m < 9_999.5 else f"{format_number(length_m / 1000)} km"


def format_square_metres(area_m2: float | None) -> str:
    """An area for a column that says m2 at its head: to a tenth below 100; what is there never shows as nothing.

    >>> format_square_metres(31.24), format_square_metres(2410.2), format_square_metres(0.01), format_square_metres(0)
    ('31.2', '2 410', '<0.1', '0')
    """
    if area_m2 is not None and 0 < area_m2 < 0.05:
        return "<0.1"
    return format_number(area_m2, 1 if area_m2 is not None and 0 < area_m2 < 99.95 else 0)


def format_area(area_m2: float | None) -> str:
    """An area with its unit: square metres, and hectares from one hectare on.

    >>> format_area(31.24), format_area(2410.2), format_area(12_345), format_area(250_000)
    ('31.2 m2', '2 410 m2', '1.23 ha', '25.0 ha')
    """
    if area_m2 is None or not math.isfinite(area_m2):
        return NONE
    if area_m2 < 9_999.5:
        return f"{format_square_metres(area_m2)} m2"
    return f"{format_number(area_m2 / 10_000, 2 if area_m2 < 99_950 else 1 if area_m2 < 999_500 else 0)} ha"


def format_percent(pct: float | None, places: int = 1) -> str:
    """A share in percent.

    >>> format_percent(71.04), format_percent(71.04, 0), format_percent(None)
    ('71.0 %', '71 %', '-')
    """
    text = format_number(pct, places)
    return text if text == NONE else f"{text} %"


def format_duration(seconds: float | None) -> str:
    """A span of time; from a day on in whole hours.

    >>> format_duration(42), format_duration(600), format_duration(7500), format_duration(464_600)
    ('42 s', '10 min', '2 h 05 min', '129 h')
    """
    if seconds is None or not math.isfinite(seconds):
        return NONE
    if seconds < 59.5:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes >= DAY_MINUTES:
        return f"{format_number(seconds / 3600)} h"
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def format_count(count: int, noun: str, plural: str = "") -> str:
    """A count with its noun; ``plural`` where English does not make it by its usual rule.

    >>> format_count(1, "fix"), format_count(1234, "fix"), format_count(2, "press"), format_count(0, "lap")
    ('1 fix', '1 234 fixes', '2 presses', '0 laps')
    >>> format_count(2, "piece of open ground", "pieces of open ground")
    '2 pieces of open ground'
    """
    if count == 1:
        return f"1 {noun}"
    return f"{format_number(count)} {plural or noun + ('es' if noun.endswith(('s', 'x', 'ch', 'sh')) else 's')}"
