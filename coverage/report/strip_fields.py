"""Missed ground as others see it: one set of names and numbers for the report, the table and the files of strips."""

from typing import Any

from fieldcomb.coverage.ground.ground_results import Strip
from fieldcomb.coverage.report.rounding import DEGREE_PLACES, as_fields


def strip_fields(strip: Strip) -> dict[str, Any]:
    """Return the fields of one strip: areas to 0.01 m2, lengths to 1 cm, the bearing to 0.1, places to 1e-8 degree."""
    bearing = None if strip.bearing_deg is None else round(strip.bearing_deg % 180, 1) % 180
    centre = [round(degrees, DEGREE_PLACES) + 0.0 for degrees in strip.centre]
    places = dict.fromkeys(("area_m2", "length_m", "width_m", "widest_m"), 2)
    return as_fields(strip, places, without=("shape",)) | {"bearing_deg": bearing, "centre": centre}


def strip_name(strip: Strip) -> str:
    """Return the short name of a strip: ``S12``, or ``O3`` for open ground."""
    return f"{'O' if strip.kind == 'open' else 'S'}{strip.id}"
