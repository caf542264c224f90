"""Places to go to as lines and fields, for table, map, report.json and devices; ``places`` says where each lies."""

from typing import Any

from fieldcomb.coverage.places.places import SearchPlace
from fieldcomb.coverage.report.rounding import DEGREE_PLACES, as_fields
from fieldcomb.tracks.units import format_area, format_duration

_PLACE = {"area_m2": 2, "length_m": 2}
_WORTH = {"minutes": 1, "gain_per_100_m2": 4, "gain_per_hour": 4}


def place_fields(place: SearchPlace) -> dict[str, Any]:
    """Return a place as report.json and places.geojson have it."""
    centre = [round(degrees, DEGREE_PLACES) + 0.0 for degrees in place.centre]
    worths = [as_fields(worth, _WORTH) for worth in place.worths]
    fields = as_fields(place, _PLACE, without=("shape", "worths", "strips"))
    return fields | {"centre": centre, "with": worths, "strips": list(place.strips)}


def format_search_place(place: SearchPlace) -> str:
    """Return a place in one line: ``A, 54.0 m2, 4 min with small: missed lane, 30 m along ...``."""
    return f"{place.letter}, {format_place_size(place)}: {place.reason}, {place.where}"


def format_place_size(place: SearchPlace) -> str:
    """How large a place is, and how long it takes with the coil that brings most there."""
    best = place.best
    time = "" if best.minutes is None else f"{format_duration(best.minutes * 60)} "
    return f"{format_area(place.area_m2)}, {time}with {best.coil}"
