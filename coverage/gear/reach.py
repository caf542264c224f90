"""What a swing reaches in the soil: the coil's reach less its lift, and the footprint that is left at a depth."""

from __future__ import annotations

from fieldcomb.coverage.gear.coils import Swing
from fieldcomb.coverage.gear.footprint import footprint_m, usual_reach_m


def reach_m(swing: Swing) -> float:
    """How deep below the coil the target that matters is just heard, in metres; one coil diameter if not typed."""
    return usual_reach_m(swing.coil.width_m, swing.coil.length_m) if swing.reach_m is None else swing.reach_m


def into_soil_m(swing: Swing) -> float:
    """How deep that is below the soil; below 0 when the coil was carried too high."""
    return reach_m(swing) - swing.lift_m


def print_m(swing: Swing, depth_m: float | None) -> tuple[float, float]:
    """Width and length in metres of the ground heard at a depth below the soil; without a depth those of the coil."""
    coil = swing.coil
    if depth_m is None:
        return coil.width_m, coil.length_m
    return footprint_m(coil.width_m, coil.length_m, coil.winding, depth_m + swing.lift_m, reach_m(swing))
