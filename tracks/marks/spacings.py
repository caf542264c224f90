"""Spacings between lanes as a walker measures and writes them: by tape (``1.4m``) or in paces (``2 paces``)."""

import math
import re

from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.units import format_length, parse_length_m
from fieldcomb.tracks.values import dataclass

PACE_M = 0.75
LEAST_SPACING_M, MOST_SPACING_M = 0.2, 10.0
PACE_WORDS = ("pace", "paces", "step", "steps")
HINT = "Write each as a length or in paces, such as 1.4m or 2 paces"
# A comma within a number is a decimal one: every spacing has its unit, so that no other reading is possible.
_ONE = re.compile(r"\d+(?:[.,]\d+)?\s*[^\W\d_]+(?=[\s,;]|\Z)")
_BETWEEN = " ,;\t\r\n"


@dataclass(frozen=True, slots=True)
class LaneSpacing:
    """How far it is from one lane to the next, in metres; ``paced`` when it was counted in steps."""

    across_m: float
    paced: bool


def parse_spacing(text: str) -> LaneSpacing:
    """Read one spacing, such as ``1.4m``, ``55 in`` or ``2 paces``; UsageError when it cannot be."""
    number, _, unit = text.partition(" ")
    paced = unit.casefold() in PACE_WORDS
    across_m = PACE_M * _paces(number, text) if paced else parse_length_m("".join(text.split()), "spacing")
    if not LEAST_SPACING_M <= across_m <= MOST_SPACING_M:
        room = f"{format_length(LEAST_SPACING_M)} to {format_length(MOST_SPACING_M)}"
        raise UsageError(f"{format_length(across_m)} between lanes is not within {room}", hint=HINT)
    return LaneSpacing(across_m, paced)


def _paces(number: str, text: str) -> float:
    try:
        count = float(number.replace(",", "."))
    except ValueError as error:
        raise UsageError(f"spacing {text!r} is not understood", hint=HINT) from error
    if not math.isfinite(count):
        raise UsageError(f"spacing {text!r} is not understood", hint=HINT)
    return count


def parse_spacings(text: str) -> tuple[LaneSpacing, ...]:
    """Read spacings with commas, semicolons or blanks between them; UsageError names the one that cannot be.

    >>> [one.across_m for one in parse_spacings("1.4m, 1,5 m; 2 paces 60in")]
    [1.4, 1.5, 1.5, 1.524]
    """
    found: list[LaneSpacing] = []
    rest = text.strip(_BETWEEN)
    while rest:
        match = _ONE.match(rest)
        one = match.group() if match else re.split(r"[,;]", rest)[0]
        found.append(parse_spacing(re.sub(r"(?<=\d)\s*(?=[^\W\d])", " ", one)))
        rest = rest[len(one) :].lstrip(_BETWEEN)
    if not found:
        raise UsageError("no spacing was named", hint=HINT)
    return tuple(found)
