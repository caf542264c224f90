"""Which target numbers were dug, and which classes of target they stand for: what a walk searched for.

Detectors show a number for a target. Which numbers mean iron, and which a good find, differs from machine to machine,
so the user states both; fieldcomb knows no machine.
"""

import re

from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.values import dataclass

CLASSES = ("iron", "low", "middle", "high")
MOST_NUMBER = 999
WHOLE, PART, NONE, NOT_STATED = "whole", "part", "none", "not stated"

Numbers = frozenset[int]

_RANGE = re.compile(r"(\d{1,4})(?:\s*[-\u2013]\s*(\d{1,4}))?")


def parse_numbers(text: str, what: str = "dug") -> Numbers:
    """Read ranges of target numbers, such as ``40-99`` or ``10-25, 40-99``; both ends belong to them.

    >>> sorted(parse_numbers("3-5, 9"))
    [3, 4, 5, 9]
    """
    numbers: set[int] = set()
    for part in text.split(","):
        match = _RANGE.fullmatch(part.strip())
        if match is None:
            hint = "Write ranges with commas between, such as 40-99 or 10-25, 40-99"
            raise UsageError(f"{what} {text!r} is not understood", hint=hint)
        low, high = int(match[1]), int(match[2] or match[1])
        if low > high or high > MOST_NUMBER:
            hint = f"Write the smaller number first; numbers go from 0 to {MOST_NUMBER}"
            raise UsageError(f"{what} {text!r} has an impossible range, {part.strip()!r}", hint=hint)
        numbers.update(range(low, high + 1))
    return frozenset(numbers)


@dataclass(frozen=True, slots=True)
class DigRule:
    """What was dug with a coil, and the numbers of each class; None and a missing class are not stated.

    dug : numbers that were dug. classes : pairs of a class (one of CLASSES) and its numbers.
    """

    dug: Numbers | None = None
    classes: tuple[tuple[str, Numbers], ...] = ()

    def how(self, name: str) -> str:
        """Return how much of a class was dug: ``whole``, ``part``, ``none``, or ``not stated``."""
        numbers = dict(self.classes).get(name)
        if self.dug is None or numbers is None:
            return NOT_STATED
        both = numbers & self.dug
        return WHOLE if both == numbers else PART if both else NONE

    def share(self, name: str | None) -> float:
        """Return the share (0 to 1) of a class's numbers that were dug; 1 where nothing was stated."""
        numbers = dict(self.classes).get(name or "")
        if self.dug is None or not numbers:
            return 1.0
        return len(numbers & self.dug) / len(numbers)


NO_RULE = DigRule()
