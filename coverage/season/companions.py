"""Finds that belong together: out of one hole, said to belong together, or close to each other in one outing."""

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from fieldcomb.coverage.finds.find import KEEP, Find
from fieldcomb.coverage.gear.receivers import R95_SIGMAS
from fieldcomb.coverage.season.links import joined
from fieldcomb.coverage.season.season_results import Companions

CLOSE_M = 2.0
CLOSE_COUNT = 5  # keeps within CLOSE_M in one outing: more than one thing was lost here; chosen for this project

Places = Mapping[int, tuple[float, float]]


def companions_of(finds: Sequence[Find], places_m: Places) -> tuple[Companions, ...]:
    """Return groups of finds that belong together; those of one hole, said to belong together, then close ones.

    places_m : by find_no, where those lie in site metres whose place is known.
    """
    by_no = {find.find_no: find for find in finds}
    groups = [("hole", group) for group in _holes(finds)]
    groups += [("belongs", group) for group in _belonging(finds)]
    made = [_group(how, [by_no[no] for no in group], places_m) for how, group in groups]
    return (*made, *_close(finds, places_m))


def spread_radius_m(points: Sequence[tuple[float, float]], error_m: float) -> float:
    """Radius round the middle of some finds within which 95 % of such finds lie, and no less than their error.

    For errors that are normal and the same each way: 2.4477 sigma, sigma² = sum of squared distances from the middle /
    2 (n - 1).
    """
    if len(points) < 2:
        return error_m
    away = np.array(points) - np.mean(points, axis=0)
    sigma_m = math.sqrt(float((away**2).sum()) / (2 * (len(points) - 1)))
    return max(R95_SIGMAS * sigma_m, error_m)


def _holes(finds: Sequence[Find]) -> Iterator[list[int]]:
    """Finds of one hole: by its name in one outing, or two keeps at one stop."""
    named, stops = defaultdict[object, list[int]](list), defaultdict[object, list[int]](list)
    for find in finds:
        if find.hole:
            named[(find.outing, find.hole.casefold())].append(find.find_no)
        elif find.kind == KEEP and find.how == "stop" and find.placed:
            stops[(find.outing, find.lat_deg, find.lon_deg)].append(find.find_no)
    for group in (*named.values(), *stops.values()):
        if len(group) > 1:
            yield sorted(group)


def _belonging(finds: Sequence[Find]) -> list[list[int]]:
    """Finds joined by belongs_with, in either direction and onwards."""
    numbers = [find.find_no for find in finds]
    index = {number: k for k, number in enumerate(numbers)}
    pairs = [
        (index[find.find_no], index[other])
        for find in finds
        for other in find.belongs_with
        if other in index and other != find.find_no
    ]
    one, two = np.array(pairs, np.int64).reshape(-1, 2).T
    return [sorted(numbers[k] for k in group) for group in joined(one, two, len(numbers), 2)]


def _close(finds: Sequence[Find], places_m: Places) -> Iterator[Companions]:
    """Five keeps or more of one outing of which one has all the others within 2 m; groups that share finds are one."""
    from scipy.spatial import cKDTree

    outings = defaultdict[str, list[Find]](list)
    for find in finds:
        if find.kind == KEEP and find.find_no in places_m:
            outings[find.outing].append(find)
    for outing, kept in sorted(outings.items()):
        if len(kept) < CLOSE_COUNT:
            continue
        tree = cKDTree([places_m[find.find_no] for find in kept])
        one, two = tree.query_pairs(CLOSE_M, output_type="ndarray").astype(np.int64).T
        near = np.bincount(np.concatenate((one, two)), minlength=len(kept)) + 1 >= CLOSE_COUNT
        linked = near[one] | near[two]
        for group in joined(one[linked], two[linked], len(kept), CLOSE_COUNT):
            yield _group("close", sorted((kept[k] for k in group), key=lambda find: find.find_no), places_m, outing)


def _group(how: str, group: Sequence[Find], places_m: Places, outing: str = "") -> Companions:
    numbers = tuple(find.find_no for find in group)
    points = [places_m[number] for number in numbers if number in places_m]
    if not points:
        return Companions(how, numbers, outing=outing)
    x, y = (float(value) for value in np.mean(points, axis=0))
    error_m = max((find.error_m or 0.0 for find in group), default=0.0)
    return Companions(how, numbers, x, y, spread_radius_m(points, error_m), outing)
