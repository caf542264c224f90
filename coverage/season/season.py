"""All that the finds of a site say, put together from the finds and what was searched."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from fieldcomb.coverage.finds.find import KEEP, Find
from fieldcomb.coverage.gear.receivers import R95_SIGMAS
from fieldcomb.coverage.gear.target_ids import DigRule
from fieldcomb.coverage.season.companions import companions_of
from fieldcomb.coverage.season.counts import by_depth, by_number, densities
from fieldcomb.coverage.season.hot_spots import HotSpots, hot_spots
from fieldcomb.coverage.season.links import FindPlaces
from fieldcomb.coverage.season.search_effort import SearchEffort, hours_of
from fieldcomb.coverage.season.season_results import Season
from fieldcomb.coverage.season.still_left import how_many_left
from fieldcomb.coverage.season.worth_digging import worth_digging
from fieldcomb.tracks.frame import SiteFrame


def season_of(
    finds: Sequence[Find],
    effort: SearchEffort,
    frame: SiteFrame,
    rules: Mapping[str, DigRule],
    sigma_m: float,
    since: str = "",
) -> Season:
    """Return what finds say.

    rules : by coil, which numbers make which class. sigma_m : error on each axis of a find that does not say its own.
    since : day of the last event between outings, ISO 8601; how many are left is counted from then on.
    """
    finds = with_coils(finds, effort)
    ground_m2 = sum(row.ground_m2 for row in effort.rows)
    hours = hours_of(effort.rows)
    places = places_of(finds, frame)
    spots = _spots(finds, places, effort, sigma_m)
    return Season(
        by_number(finds),
        by_depth(finds),
        densities(finds, ground_m2, hours, rules),
        spots,
        how_many_left(finds, effort.rows, rules, since),
        companions_of(finds, places),
        _without(finds, effort, spots.outside),
        ground_m2,
        hours,
        worth_digging(finds, rules),
    )


def with_coils(finds: Sequence[Find], effort: SearchEffort) -> tuple[Find, ...]:
    """Return finds with a coil: that of their outing where it had only one."""
    coils: dict[str, set[str]] = {}
    for row in effort.rows:
        coils.setdefault(row.outing, set()).add(row.coil)
    only = {outing: min(names) for outing, names in coils.items() if len(names) == 1}
    return tuple(find if find.coil else replace(find, coil=only.get(find.outing, "")) for find in finds)


def places_of(finds: Sequence[Find], frame: SiteFrame) -> dict[int, tuple[float, float]]:
    """Return where finds lie in site metres, by find_no, those whose place is known."""
    placed = [find for find in finds if find.placed]
    x, y = frame.to_metres([find.lon_deg or 0.0 for find in placed], [find.lat_deg or 0.0 for find in placed])
    return {find.find_no: (float(e), float(n)) for find, e, n in zip(placed, x, y, strict=True)}


def _spots(
    finds: Sequence[Find], places: Mapping[int, tuple[float, float]], effort: SearchEffort, sigma_m: float
) -> HotSpots:
    kept = [find for find in finds if find.kind == KEEP and find.find_no in places]
    if not kept:
        return HotSpots()
    x, y = np.array([places[find.find_no] for find in kept]).T
    walks = {key: k for k, key in enumerate(dict.fromkeys((f.outing, f.finder, f.coil) for f in kept))}
    of = np.array([walks[find.outing, find.finder, find.coil] for find in kept], np.int64)
    sigma = np.array([sigma_m if find.error_m is None else find.error_m / R95_SIGMAS for find in kept])
    found = hot_spots(FindPlaces(x, y, of, sigma), *effort.expected_passes())
    named = (replace(spot, members=tuple(kept[k].find_no for k in spot.members)) for spot in found.spots)
    return replace(found, spots=tuple(named))


def _without(finds: Sequence[Find], effort: SearchEffort, outside: int) -> tuple[tuple[str, int], ...]:
    """Finds that some of this leaves out, by what they lack."""
    outings = {row.outing for row in effort.rows}
    counts = {
        "target number": sum(find.number is None for find in finds),
        "depth": sum(find.depth_m is None for find in finds),
        "place": sum(not find.placed for find in finds),
        "a walk near them": outside,
        "outing that is counted": sum(find.outing not in outings for find in finds),
    }
    return tuple((name, count) for name, count in counts.items() if count)
