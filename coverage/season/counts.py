"""Finds counted: by target number and coil, by depth, by class, and for each 100 m2 and hour that was searched."""

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from fieldcomb.coverage.finds.find import JUNK, KEEP, LEFT, Find
from fieldcomb.coverage.gear.target_ids import CLASSES, DigRule
from fieldcomb.coverage.season.season_results import Density, DepthBand, NumberBand, Share
from fieldcomb.coverage.todo.counted_limits import poisson_limits

BAND = 5  # target numbers; a machine's numbers for one thing spread over some five
DEPTH_BAND_M = 0.1


def by_number(finds: Iterable[Find], wide: int = BAND) -> tuple[NumberBand, ...]:
    """Count finds by bands of target numbers and coil; a range of numbers counts at its middle."""
    counts: dict[tuple[str, int], Counter[str]] = {}
    for find in finds:
        if find.number is not None:
            band = math.floor(sum(find.number) / 2 / wide) * wide
            counts.setdefault((find.coil, band), Counter())[find.kind] += 1
    return tuple(NumberBand(coil, first, first + wide - 1, _share(n)) for (coil, first), n in sorted(counts.items()))


def wider_bands(bands: Iterable[NumberBand], wide: int) -> tuple[NumberBand, ...]:
    """Put bands together, each of which lies within one of ``wide`` numbers."""
    counts: dict[tuple[str, int], list[Share]] = {}
    for band in bands:
        counts.setdefault((band.coil, band.first // wide * wide), []).append(band.share)
    return tuple(
        NumberBand(
            coil, first, first + wide - 1, Share(*(sum(each) for each in zip(*map(_three, shares), strict=True)))
        )
        for (coil, first), shares in sorted(counts.items())
    )


def _three(share: Share) -> tuple[int, int, int]:
    return share.kept, share.junk, share.left


def by_depth(finds: Iterable[Find], deep_m: float = DEPTH_BAND_M) -> tuple[DepthBand, ...]:
    """Count finds by depth."""
    counts: dict[int, Counter[str]] = {}
    for find in finds:
        if find.depth_m is not None:
            band = max(math.ceil(round(find.depth_m / deep_m, 6)), 1)
            counts.setdefault(band, Counter())[find.kind] += 1
    edges = ((round((n - 1) * deep_m, 6), round(n * deep_m, 6)) for n in sorted(counts))
    return tuple(
        DepthBand(top, bottom, _share(counts[n])) for n, (top, bottom) in zip(sorted(counts), edges, strict=True)
    )


def _share(counts: Counter[str]) -> Share:
    return Share(counts[KEEP], counts[JUNK], counts[LEFT])


def class_of(find: Find, rules: Mapping[str, DigRule]) -> str:
    """Return the class of target that a find's number stands for with its coil; "" where that is not stated.

    rules : by coil, which numbers make which class. A range belongs to a class that holds its middle.
    """
    rule = rules.get(find.coil)
    if find.number is None or rule is None:
        return ""
    middle = math.floor(sum(find.number) / 2)
    return next((name for name, numbers in rule.classes if middle in numbers), "")


def densities(
    finds: Sequence[Find], ground_m2: float, hours: float | None, rules: Mapping[str, DigRule]
) -> tuple[Density, ...]:
    """Return kept finds for each 100 m2 and hour: of all, of each class of target, and of each period."""
    kept = [find for find in finds if find.kind == KEEP]
    classes = Counter(class_of(find, rules) for find in kept)
    periods = Counter(find.period for find in kept)
    rows = [("all", "all", len(kept))]
    rows += [(name, "class", classes[name]) for name in CLASSES if classes[name]]
    rows += [(name, "period", count) for name, count in sorted(periods.items()) if name]
    return tuple(
        Density(of, by, count, _rate(count, ground_m2 / 100), _rate(count, hours or 0.0)) for of, by, count in rows
    )


def _rate(count: int, units: float) -> tuple[float, float, float] | None:
    if units <= 0:
        return None
    low, high = poisson_limits(count)
    return count / units, low / units, high / units
