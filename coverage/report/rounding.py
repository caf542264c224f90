"""Rounding that does not contradict itself: parts still sum to their whole, and 100 % means that nothing is missing."""

import math
from collections.abc import Collection, Mapping
from dataclasses import fields
from typing import Any

from fieldcomb.tracks.units import format_percent

DEGREE_PLACES = 8  # decimals of a degree, about 1 mm


def rounded(value: float | None, places: int) -> float | None:
    """Round a number; None for none, and for what is no number.

    >>> rounded(1.2345, 2), rounded(float("nan"), 2), rounded(-0.001, 2)
    (1.23, None, 0.0)
    """
    return None if value is None or not math.isfinite(value) else round(float(value), places) + 0.0


def as_fields(value: Any, places: Mapping[str, int], without: Collection[str] = ()) -> dict[str, Any]:
    """Return the fields of a dataclass by their own names, each number rounded to the decimals in ``places``."""
    kept = ((field.name, getattr(value, field.name)) for field in fields(value) if field.name not in without)
    return {name: rounded(found, places[name]) if name in places else found for name, found in kept}


def share(pct: float | None, part_m2: float, whole_m2: float, places: int) -> float | None:
    """Round a share of ground so that it agrees with its areas.

    It is 100 only when nothing is missing and 0 only when there is nothing.

    >>> share(99.999, 8999.91, 9000.0, 2), share(100.0, 9000.0, 9000.0, 2), share(0.001, 0.09, 9000.0, 2)
    (99.99, 100.0, 0.01)
    """
    value, step = rounded(pct, places), 10.0**-places
    if value is None:
        return None
    if part_m2 > 0:
        value = max(value, step)
    if part_m2 < whole_m2:
        value = min(value, 100 - step)
    return round(value, places)


def format_share(pct: float | None, part_m2: float, whole_m2: float) -> str:
    """A share of ground in percent, to a tenth, that agrees with its areas as they are written.

    >>> format_share(99.999, 8999.91, 9000.0), format_share(100.0, 9000.0, 9000.0), format_share(None, 0.0, 0.0)
    ('99.9 %', '100.0 %', '-')
    """
    return format_percent(share(pct, round(part_m2, 2), round(whole_m2, 2), 1))


def parts(whole: float, pieces: Mapping[str, float], places: int = 2) -> dict[str, float]:
    """Round pieces so that they sum to the rounded whole, if they summed to it before; the largest takes the rest.

    >>> parts(1.0, {"a": 0.335, "b": 0.335, "c": 0.33})
    {'a': 0.33, 'b': 0.34, 'c': 0.33}
    """
    out = {key: rounded(value, places) or 0.0 for key, value in pieces.items()}
    total = rounded(whole, places)
    step = 10.0**-places
    if not out or total is None or abs(sum(pieces.values()) - whole) > step / 2:
        return out
    largest = max(out, key=lambda key: out[key])
    out[largest] = round(out[largest] + total - sum(out.values()), places) + 0.0
    return out
