"""How many are left of what a season's outings took finds from, for the site, each coil and each class of target."""

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from fieldcomb.coverage.finds.find import KEEP, Find
from fieldcomb.coverage.gear.target_ids import CLASSES, DigRule
from fieldcomb.coverage.season.counts import class_of
from fieldcomb.coverage.season.depletion import LEAST_OUTINGS, delury, leslie
from fieldcomb.coverage.season.removal import carle_strub, two_pass, two_pass_limits
from fieldcomb.coverage.season.season_results import NO_SIGN, OTHER_GROUND, CoilEffort, LeftInGround

EQUAL_EFFORT = 0.1  # of the mean: removal by equal efforts is asked only where none is farther from it
SAME_GROUND = (
    0.8  # of later outings' ground, passed before: equal searches of the same ground take that much; chosen here
)
MOSTLY_AGAIN = 0.5  # for a line: on new ground finds fall off, or do not, for other reasons; chosen here
BAND_STEPS = 24
LEAST_KEPT = 5  # with fewer no line says anything; chosen for this project


def how_many_left(
    finds: Sequence[Find], efforts: Sequence[CoilEffort], rules: Mapping[str, DigRule], since: str = ""
) -> tuple[LeftInGround, ...]:
    """Return how many are left by class and coil, those of all classes and coils first.

    efforts : of each outing with each coil, in order of time. rules : by coil, which numbers make which class.
    since : day of the last event between outings, ISO 8601: only outings from then on count, since an event changes
    what is there and how well it is heard.
    """
    counted = [one for one in efforts if one.day >= since and one.ground_m2 > 0]
    kept = [find for find in finds if find.kind == KEEP]
    coils = list(dict.fromkeys(one.coil for one in counted))
    out: list[LeftInGround] = []
    for coil in ("", *coils) if len(coils) > 1 else ("",):
        own = [find for find in kept if coil in ("", find.coil)]
        for name in ("", *CLASSES):
            of_it = [find for find in own if name in ("", class_of(find, rules))]
            if name and not of_it:
                continue
            lines = _left(of_it, [one for one in counted if coil in ("", one.coil)])
            others = _only_others(kept, coil, rules) if coil and not name else ()
            out += [replace(line, of_class=name, coil=coil, not_in_it=others) for line in lines]
    return tuple(out)


def _only_others(kept: Sequence[Find], coil: str, rules: Mapping[str, DigRule]) -> tuple[str, ...]:
    """Classes of which only other coils found any: they are not in this coil's line."""
    own, others = Counter[str](), Counter[str]()
    for find in kept:
        (own if find.coil == coil else others)[class_of(find, rules)] += 1
    return tuple(name for name in CLASSES if others[name] and not own[name])


def _left(kept: Sequence[Find], efforts: Sequence[CoilEffort]) -> list[LeftInGround]:
    ground: dict[str, float] = {}
    again_m2 = 0.0
    for one in efforts:
        again_m2 += one.again_m2 if ground.keys() - {one.outing} else 0.0
        ground[one.outing] = ground.get(one.outing, 0.0) + one.ground_m2
    counts = Counter(find.outing for find in kept)
    caught = [counts[outing] for outing in ground]
    effort = [m2 / 100 for m2 in ground.values()]
    whole = LeftInGround("", "", "leslie", len(caught), sum(caught))
    later_m2 = sum(list(ground.values())[1:])
    same = again_m2 / later_m2 if later_m2 else 0.0
    if len(caught) == 2 and _equal(effort) and same >= SAME_GROUND:
        return [_two(caught, whole)]
    if len(caught) < LEAST_OUTINGS:
        return [replace(whole, why=f"needs {LEAST_OUTINGS} outings with finds and ground passed")]
    if whole.kept < LEAST_KEPT or not any(caught[:-1]):
        return [replace(whole, why=f"needs {LEAST_KEPT} finds kept")]
    if same < MOSTLY_AGAIN:
        return [replace(whole, why=OTHER_GROUND)]
    return _by_lines(caught, effort, whole, _equal(effort) and same >= SAME_GROUND)


def _by_lines(caught: Sequence[int], effort: Sequence[float], whole: LeftInGround, equal: bool) -> list[LeftInGround]:
    """Leslie's line, and what the other methods say; limits are always those of a line."""
    line = leslie(caught, effort)
    whole = replace(whole, at=line.at, rate=line.rate)
    if line.low is None or line.high is None:
        return [replace(whole, why=NO_SIGN)]
    first = _told(whole, line.stock, line.low, line.high)
    steps = [line.high * k / BAND_STEPS for k in range(BAND_STEPS + 1)]
    band = tuple((at, *line.band(at)) for at in steps)
    first = replace(first, stock=line.stock, catchability=line.catchability, band=band)
    out = [first]
    half = leslie(caught, effort, ricker=True)
    if half.low is not None and half.high is not None:
        out.append(replace(_told(whole, half.stock, half.low, half.high), method="ricker"))
    others: list[tuple[str, Callable[[], float]]] = [("delury", lambda: delury(caught, effort)[0])]
    if equal:
        others.append(("carle-strub", lambda: carle_strub(caught)[0]))
    for method, stock_of in others:
        stock = stock_of()
        if math.isfinite(stock):
            out.append(replace(_told(whole, stock, line.low, line.high), method=method))
    return out


def _two(caught: Sequence[int], whole: LeftInGround) -> LeftInGround:
    whole = replace(whole, method="two-pass")
    limits = two_pass_limits(*caught) if sum(caught) >= LEAST_KEPT else None
    if limits is None:
        return replace(whole, why=NO_SIGN)
    return _told(whole, two_pass(*caught)[0], *limits)


def _told(whole: LeftInGround, stock: float, low: float, high: float) -> LeftInGround:
    """What is left of a stock after what was kept; never less than nothing."""
    rest, least, most = (max(value - whole.kept, 0.0) for value in (stock, low, high))
    return replace(whole, estimate=rest, at_least=math.floor(least + 1e-9), low=least, high=most)


def _equal(effort: Sequence[float]) -> bool:
    mean = sum(effort) / len(effort)
    return all(abs(one - mean) <= EQUAL_EFFORT * mean for one in effort)
