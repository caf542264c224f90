"""Shares under the coil put into results."""

from __future__ import annotations

from dataclasses import replace
from typing import TypeVar

from fieldcomb.coverage.ground.under_coil import Under, UnderCoil
from fieldcomb.coverage.survey.results import CoilResult, OutingResult, TotalResult

Told = TypeVar("Told", OutingResult, CoilResult, TotalResult)


def with_under(result: Told, under: Under) -> Told:
    """Put the share under the coil into a result; rounding must not lift it above the share swept."""
    pct, low, high = (None if one is None else min(one, result.swept_pct) for one in (under.pct, under.low, under.high))
    told = replace(result, under_coil_pct=pct, under_coil_low_pct=low, under_coil_high_pct=high)
    return told if isinstance(told, OutingResult) else replace(told, under_coil_left_out=under.left_out)


def coil_with_under(coil: CoilResult, under: UnderCoil) -> CoilResult:
    """Put a coil's share, and the paces that keep 95 % of its swath under it, into its result."""
    low, high = under.paces_for_95(coil.coil)
    return replace(with_under(coil, under.of_coil(coil.coil)), pace_95_low_m_s=low, pace_95_high_m_s=high)
