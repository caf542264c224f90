"""A find as it is shown: its fields for report.json and other programs, and no position finer than it is known."""

from __future__ import annotations

import math
from typing import Any

from fieldcomb.coverage.finds.find import Find
from fieldcomb.tracks.units import format_length, iso_utc

METRES_A_DEGREE_LAT = 111_320.0  # near enough to choose decimals
MOST_DECIMALS = 8  # of degrees: a millimetre
USUAL_DECIMALS = 7  # where nobody said how well a place is known: a centimetre, as it was typed
ABOUT_M = 0.5  # a place known better than this is not called about


def degree_decimals(error_m: float | None) -> int:
    """Return how many decimals of degrees a place deserves: as few as keep their step within its error.

    >>> degree_decimals(3.9), degree_decimals(0.05), degree_decimals(None)
    (5, 7, 7)
    """
    if error_m is None:
        return USUAL_DECIMALS
    return min(max(math.ceil(math.log10(METRES_A_DEGREE_LAT / max(error_m, 1e-4))), 0), MOST_DECIMALS)


def shown_place(find: Find, square_m: float | None = None) -> tuple[float | None, float | None]:
    """Return latitude and longitude with no more decimals than the error, or a square that is coarser, allows."""
    if find.lat_deg is None or find.lon_deg is None:
        return None, None
    places = place_decimals(find, square_m)
    return round(find.lat_deg, places), round(find.lon_deg, places)


def place_decimals(find: Find, square_m: float | None = None) -> int:
    """Return how many decimals of degrees the place of a find is shown with; ``square_m``: no finer than that.

    >>> place_decimals(Find(1, "keep", error_m=3.9)), place_decimals(Find(1, "keep", error_m=3.9), 100.0)
    (5, 3)
    """
    places = degree_decimals(find.error_m)
    return places if square_m is None else min(places, math.floor(math.log10(METRES_A_DEGREE_LAT / square_m)))


def how_well(find: Find) -> str:
    """Say how well the place of a find is known.

    >>> how_well(Find(1, "keep", lat_deg=0.0, lon_deg=0.0, error_m=3.9)), how_well(Find(2, "keep"))
    ('about 4 m', 'place not known')
    """
    if not find.placed:
        return "place not known"
    if find.error_m is None:
        return "place as typed"
    return f"about {format_length(rough_m(find.error_m))}" if find.error_m >= ABOUT_M else format_length(find.error_m)


def rough_m(error_m: float) -> float:
    """Return an error as it is said: whole metres from one metre on, or else one digit."""
    return float(math.ceil(error_m - 0.05)) if error_m > 1 else float(f"{error_m:.1g}")


def numbers_text(number: tuple[int, int] | None) -> str:
    """Return target numbers as they are written.

    >>> numbers_text((61, 66)), numbers_text((47, 47)), numbers_text(None)
    ('61-66', '47', '')
    """
    if number is None:
        return ""
    return str(number[0]) if number[0] == number[1] else f"{number[0]}-{number[1]}"


def find_fields(find: Find) -> dict[str, Any]:
    """Return a find as report.json has it; null is not known."""
    lat, lon = shown_place(find)
    years = None if find.from_year is None and find.to_year is None else [find.from_year, find.to_year]
    texts = ("outing", "what", "period", "material", "condition", "coil", "hole", "how", "layer")
    return {
        "find_no": find.find_no,
        "kind": find.kind,
        **{name: getattr(find, name) or None for name in texts},
        "time": None if find.time_s is None else iso_utc(find.time_s),
        "number": None if find.number is None else list(find.number),
        "depth_m": find.depth_m,
        "years": years,
        "count": find.count,
        "weight_g": find.weight_g,
        "in_situ": find.in_situ,
        "lat": lat,
        "lon": lon,
        "error_m": find.error_m,
        "belongs_with": list(find.belongs_with),
        "photos": list(find.photos),
    }
