"""Places to go to and missed ground as lines and fields, for table, map, report.json, GIS and devices."""

from typing import Any

from fieldcomb.coverage.ground.ground_results import Strip
from fieldcomb.coverage.places.places import SearchPlace
from fieldcomb.coverage.report.rounding import DEGREE_PLACES, as_fields
from fieldcomb.tracks.units import format_area, format_duration, format_percent

_PLACE = {"area_m2": 2, "length_m": 2, "unswept_pct": 1}
SURE_PCT = 99.5  # more is all of it
_WORTH = {"minutes": 1, "gain_per_100_m2": 4, "gain_per_hour": 4}


def strip_fields(strip: Strip) -> dict[str, Any]:
    """Return the fields of one strip: areas to 0.01 m2, lengths to 1 cm, the bearing to 0.1, places to 1e-8 degree."""
    bearing = None if strip.bearing_deg is None else round(strip.bearing_deg % 180, 1) % 180
    centre = [round(degrees, DEGREE_PLACES) + 0.0 for degrees in strip.centre]
    places = dict.fromkeys(("area_m2", "length_m", "width_m", "widest_m"), 2)
    return as_fields(strip, places, without=("shape",)) | {"bearing_deg": bearing, "centre": centre}


def place_fields(place: SearchPlace) -> dict[str, Any]:
    """Return a place as report.json and places.geojson have it."""
    centre = [round(degrees, DEGREE_PLACES) + 0.0 for degrees in place.centre]
    worths = [as_fields(worth, _WORTH) for worth in place.worths]
    fields = as_fields(place, _PLACE, without=("shape", "worths", "strips"))
    return fields | {"centre": centre, "with": worths, "strips": list(place.strips)}


def format_search_place(place: SearchPlace) -> str:
    """Return a place in one line: ``A, 54.0 m2, 4 min with small: missed lane, 30 m along ...``."""
    return f"{place.letter}, {format_place_size(place)}: {place.reason}, {place.where}"


def format_reason_in_full(place: SearchPlace) -> str:
    """Why to go to a place; of ground never swept by chance, about how much of it that is."""
    part = place.unswept_pct is not None and place.unswept_pct < SURE_PCT
    return f"{place.reason}, about {format_percent(place.unswept_pct, 0)} of it" if part else place.reason


def format_worths(place: SearchPlace) -> str:
    """How long a place takes with each coil that is worth taking there: ``2 min with large, or 5 min with small``."""
    said = []
    for worth in place.worths:
        why = "" if worth.reason == place.reason or place.never_swept else f" ({worth.reason})"
        time = "" if worth.minutes is None else f"{format_duration(worth.minutes * 60)} "
        said.append(f"{time}with {worth.coil}{why}")
    return ", or ".join(said)


def format_place_size(place: SearchPlace) -> str:
    """How large a place is, and how long it takes with the coil that brings most there."""
    best = place.best
    time = "" if best.minutes is None else f"{format_duration(best.minutes * 60)} "
    return f"{format_area(place.area_m2)}, {time}with {best.coil}"
