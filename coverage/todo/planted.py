"""planted.csv: targets that were buried on purpose, and which of them were found.

The only figure for what was found of what was there: everything else is about ground that a coil passed over.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace

import shapely
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.lanes.declared import DeclaredPlan
from fieldcomb.coverage.todo.counted_limits import wilson_limits
from fieldcomb.tracks.files.tables import read_typed_table
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import format_count, format_length
from fieldcomb.tracks.values import dataclass

PLANTED_COLUMNS = ("name", "lat", "lon", "plan", "lane", "m", "class", "depth_cm", "coil", "found")
EXAMPLE = "name,lat,lon,class,depth_cm,found / c1,46.5000180,-28.0003778,coin,15,y"
DEEPEST_CM = 300.0  # a row that says more is in another unit
OUTSIDE_M = 10.0  # farther outside the edge of the site than its place may be wrong
SAME_PLACE_M = 5.0  # a place in degrees and one on a lane, both given, may lie so far apart
MOST_FAULTS = 20  # told one by one
_FOUND = {
    **dict.fromkeys(("y", "yes", "x", "1", "found"), True),
    **dict.fromkeys(("n", "no", "0", "-", "missed"), False),
}
_NUMBER = re.compile(r"[-+]?\d{1,9}(?:[.,]\d{1,15})?\Z", re.ASCII)


@dataclass(frozen=True, slots=True)
class PlantedTarget:
    """A target that was buried on purpose, and whether a coil found it.

    at_m : (x, y) in site metres. target_class : as typed, empty where nobody said. depth_m : below the soil; None where
    nobody said. coil : the one that looked for it; None for whichever was there.
    """

    name: str
    at_m: tuple[float, float]
    target_class: str
    depth_m: float | None
    coil: str | None
    found: bool


@dataclass(frozen=True, slots=True)
class PlantedResult:
    """Targets of one class at one depth: how many there were, how many were found, and the share in percent.

    low, high : its 90 % interval. model_pct : how much of the ground round them lay under the coil at that depth, as
    recorded; None where a walk has no times.
    """

    target_class: str
    depth_m: float | None
    n: int
    found: int
    pct: float
    low: float
    high: float
    model_pct: float | None = None


@dataclass(frozen=True, slots=True)
class PlantedRow:
    """A row of the table as it was typed; ``line`` is its row in the file, as a spreadsheet counts."""

    line: int
    values: Mapping[str, str]

    def fault(self, file: str, column: str, problem: str) -> RowFaultError:
        """Say what is wrong with one of its values."""
        return RowFaultError(f"{file}, row {self.line}, column {column}: {problem}")


class RowFaultError(Exception):
    """What is wrong with a row, as a sentence; the row is then left out and the sentence told."""


def read_planted(raw: bytes, file: str) -> tuple[tuple[PlantedRow, ...], tuple[str, ...]]:
    """Read the rows of the table, and notes on columns that are not used.

    Columns are ``name``, ``class``, ``depth_cm`` and ``found``, with ``lat`` and ``lon`` or ``lane`` and ``m``; where
    they are needed also ``coil``, and ``plan`` for lanes.

    Raises SiteError: not such a table.
    """
    table = read_typed_table(raw, file, PLANTED_COLUMNS, ("name", "found"), EXAMPLE)
    return tuple(PlantedRow(line, values) for line, values in table.rows), table.notes


@dataclass(frozen=True, slots=True, eq=False)
class PlantedOn:
    """Where targets are planted: the site's frame, its edge in site metres (None without one), its plans and coils."""

    frame: SiteFrame
    edge: BaseGeometry | None
    plans: Sequence[DeclaredPlan]
    coils: Collection[str]


def place_planted(rows: Sequence[PlantedRow], on: PlantedOn, file: str) -> tuple[list[PlantedTarget], list[str]]:
    """Return the targets of all rows that can be used, and a sentence on each that cannot."""
    targets: list[PlantedTarget] = []
    faults: list[str] = []
    first: dict[tuple[str, str | None], int] = {}
    for row in rows:
        try:
            target = _target(row, on, file)
            before = first.setdefault((target.name.casefold(), target.coil), row.line)
            if before != row.line:
                problem = f"{target.name!r} is there twice, first in row {before}; name the coil in each, or delete one"
                raise row.fault(file, "name", problem)
        except RowFaultError as fault:
            faults.append(str(fault))
        else:
            targets.append(target)
    return targets, list(_told(faults, len(rows), file))


def _told(faults: Sequence[str], rows: int, file: str) -> Iterator[str]:
    yield from faults[:MOST_FAULTS]
    if more := len(faults) - MOST_FAULTS:
        yield from [f"{file}: {more} more rows like these"] if more > 0 else []
    if faults:
        yield f"{file}: {len(faults)} of {format_count(rows, 'row')} left out of what was found of planted targets"


def _target(row: PlantedRow, on: PlantedOn, file: str) -> PlantedTarget:
    text = {key: " ".join(harmless(row.values.get(key, "")).split()) for key in PLANTED_COLUMNS}
    if not text["name"]:
        raise row.fault(file, "name", "is blank; give each target a name")
    if text["found"].casefold() not in _FOUND:
        raise row.fault(file, "found", f"{text['found'][:20]!r} is neither y nor n")
    depth_m = None
    if text["depth_cm"]:
        depth_m = _number(row, file, "depth_cm", 0.0, DEEPEST_CM, "centimetres below the soil") / 100
    coil = text["coil"] or None
    if coil is not None and coil not in on.coils:
        known = ", ".join(sorted(on.coils)) or "none"
        raise row.fault(file, "coil", f"{coil[:20]!r} is no coil of this site; coils here: {known}")
    at_m = _place(row, text, on, file)
    return PlantedTarget(text["name"], at_m, text["class"], depth_m, coil, _FOUND[text["found"].casefold()])


def _number(row: PlantedRow, file: str, column: str, low: float, high: float, what: str) -> float:
    text = row.values.get(column, "").replace("\N{MINUS SIGN}", "-")
    value = float(text.replace(",", ".")) if _NUMBER.match(text) else math.nan
    if not low <= value <= high:
        shown = harmless(row.values.get(column, ""))[:20]
        raise row.fault(file, column, f"{shown!r} is no number from {low:g} to {high:g} ({what})")
    return value


def _place(row: PlantedRow, text: Mapping[str, str], on: PlantedOn, file: str) -> tuple[float, float]:
    """Where a target lies, in site metres: by its degrees, else by its lane."""
    by_degrees = text["lat"] or text["lon"]
    on_lane = _on_lane(row, text, on, file) if text["lane"] or text["m"] else None
    if not by_degrees:
        if on_lane is None:
            raise row.fault(file, "lat", "is blank, and so is lane; say where the target lies")
        return on_lane
    lat = _number(row, file, "lat", -90.0, 90.0, "degrees on WGS 84")
    lon = _number(row, file, "lon", -180.0, 180.0, "degrees on WGS 84")
    x, y = on.frame.to_metres(lon, lat)
    at_m = float(x), float(y)
    away_m = math.hypot(*at_m) if on.edge is None else float(on.edge.distance(shapely.Point(at_m)))
    if not away_m <= (OUTSIDE_M if on.edge is not None else 5000.0):
        from_what = "the middle of the site" if on.edge is None else "the edge of the site, outside it"
        problem = f"the place lies {format_length(away_m)} from {from_what}; are latitude and longitude swapped?"
        raise row.fault(file, "lat", problem)
    if on_lane is not None and math.dist(at_m, on_lane) > SAME_PLACE_M:
        problem = f"the place on this lane lies {format_length(math.dist(at_m, on_lane))} from lat and lon; keep one"
        raise row.fault(file, "lane", problem)
    return at_m


def _on_lane(row: PlantedRow, text: Mapping[str, str], on: PlantedOn, file: str) -> tuple[float, float]:
    plans = {plan.name.casefold(): plan for plan in on.plans}
    names = ", ".join(plan.name for plan in on.plans) or "none"
    if not text["plan"] and len(plans) != 1:
        raise row.fault(file, "plan", f"it is not clear which plan lane {text['lane'][:20]!r} is of; plans: {names}")
    plan = next(iter(plans.values())) if not text["plan"] else plans.get(text["plan"].casefold())
    if plan is None:
        raise row.fault(file, "plan", f"{text['plan'][:20]!r} is no plan of this site; plans: {names}")
    number = _number(row, file, "lane", 1, len(plan.lanes), f"lanes of plan {plan.name}")
    lane = next((lane for lane in plan.lanes if lane.number == number), None)
    if lane is None:
        raise row.fault(file, "lane", f"{text['lane'][:20]!r} is no whole number")
    return lane.at(_number(row, file, "m", 0.0, round(lane.span_m + 0.05, 1), "metres from the start of the lane"))


def planted_results(
    targets: Sequence[PlantedTarget], under: Sequence[float | None] | None = None
) -> tuple[PlantedResult, ...]:
    """Return the share found by class and depth, by name of class, the shallow first.

    under : for each target, the share of ground round it that lay under the coil at its depth, 0 to 1; None where
    that is not known.
    """
    groups: dict[tuple[str, float], list[int]] = {}
    for place, target in enumerate(targets):
        depth_m = math.inf if target.depth_m is None else round(target.depth_m, 4)
        groups.setdefault((target.target_class.casefold(), depth_m), []).append(place)
    return tuple(_result([targets[n] for n in places], [under[n] if under else None for n in places])
                 for _, places in sorted(groups.items()))  # fmt: skip


def all_planted(results: Sequence[PlantedResult]) -> PlantedResult | None:
    """Return all classes and depths together; None where nothing was planted."""
    if not results:
        return None
    n, found = sum(one.n for one in results), sum(one.found for one in results)
    models = [one.model_pct for one in results]
    known = [pct for pct in models if pct is not None]
    model = sum(one.n * (one.model_pct or 0.0) for one in results) / n if len(known) == len(models) else None
    low, high = wilson_limits(found, n)
    return replace(PlantedResult("", None, n, found, 100 * found / n, 100 * low, 100 * high), model_pct=model)


def _result(group: Sequence[PlantedTarget], under: Sequence[float | None]) -> PlantedResult:
    n, found = len(group), sum(target.found for target in group)
    low, high = wilson_limits(found, n)
    known = [share for share in under if share is not None]
    model = 100 * sum(known) / n if len(known) == n else None
    first = group[0]
    return PlantedResult(first.target_class, first.depth_m, n, found, 100 * found / n, 100 * low, 100 * high, model)
