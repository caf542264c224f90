"""A coil that the user owns."""

from __future__ import annotations

from dataclasses import dataclass

from fieldcomb.coverage.gear.coils import DEFAULT_SWEEP_S, Coil
from fieldcomb.coverage.gear.target_ids import NO_RULE, DigRule


@dataclass(frozen=True, slots=True)
class OwnCoil:
    """A coil that the user owns, and how it is swung; reach_m is the depth at which it just hears a target."""

    coil: Coil
    swath_m: float
    sweep_s: float
    reach_m: float | None = None
    rule: DigRule = NO_RULE


def own_coil(coil: Coil, swath_m: float | None, sweep_s: float | None, reach_m: float | None, rule: DigRule) -> OwnCoil:
    """Give a coil of the user's as it is to be swung; what was not measured is as usual."""
    swath = coil.default_swath_m if swath_m is None else swath_m
    return OwnCoil(coil, swath, DEFAULT_SWEEP_S if sweep_s is None else sweep_s, reach_m, rule)
