"""Which recordings of an outing are of the same person at the same time: the better one counts, the others are kept."""

from collections.abc import Sequence

from fieldcomb.coverage.gear.receivers import receiver
from fieldcomb.tracks.motion.cleaning import Fixes
from fieldcomb.tracks.quality.duplicates import Trace, compare, spans_without, trace
from fieldcomb.tracks.recording import Span
from fieldcomb.tracks.values import dataclass

ONE_PERSON_M = 25.0  # recordings that bear one name are of one person when they usually lie nearer than this
LEAST_S = 60.0  # a shorter time that only the other one recorded is not worth a walk of its own


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """One recording, or files that run on: whose it is, if that is known, its trace, and how good it is.

    rank : greater is better; of two recordings of one person the one with the greater rank counts.
    """

    searcher: str | None
    trace: Trace | None
    rank: tuple[float, ...]


def trace_of(fixes: Fixes, gps: str) -> Trace | None:
    """Return a recording second by second, with the error of its receiver's class."""
    return trace(fixes, receiver(gps).slow_m)


def find_doubles(seen: Sequence[Seen]) -> tuple[int | None, ...]:
    """Return for each recording the number of the one that counts in its place, or None where it counts itself."""
    order = sorted(range(len(seen)), key=lambda n: seen[n].rank, reverse=True)
    instead: list[int | None] = [None] * len(seen)
    for place, number in enumerate(order):
        better = (other for other in order[:place] if instead[other] is None)
        instead[number] = next((other for other in better if one_person(seen[number], seen[other])), None)
    return tuple(instead)


def one_person(a: Seen, b: Seen) -> bool:
    """Whether two recordings are of one person at one time: by their names, or by what both did."""
    if a.trace is None or b.trace is None or (a.searcher and b.searcher and a.searcher != b.searcher):
        return False
    likeness = compare(a.trace, b.trace)
    if likeness is None:
        return False
    return likeness.twins or (a.searcher is not None and a.searcher == b.searcher and likeness.apart_m <= ONE_PERSON_M)


def lacking(fixes: Fixes, window: Span) -> list[Span]:
    """Return the times in a window that a recording lacks: before it, after it, and in its drop-outs."""
    pieces = [(float(fixes.t_s[a]), float(fixes.t_s[b - 1])) for a, b in fixes.pieces]
    return spans_without(window, pieces, LEAST_S)
