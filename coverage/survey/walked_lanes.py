"""What was walked by lanes: sheets, numbers that were marked, and the walks along a plan."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from fieldcomb.coverage.estimate.swept_share import SWATH_SD
from fieldcomb.coverage.ground.site_cells import Ground
from fieldcomb.coverage.lanes.declared import LanesResult, by_lanes
from fieldcomb.coverage.lanes.legs_along import LaneLabel, TimedWay
from fieldcomb.coverage.lanes.seen_lanes import seen_lanes
from fieldcomb.coverage.outings.walks import SwungWalk, WalkedOuting
from fieldcomb.coverage.survey.inputs import SiteInput


def walked_lanes(site: SiteInput, outings: Sequence[WalkedOuting], ground: Ground) -> tuple[LanesResult, ...]:
    """Return what each plan of a site comes to, of the ground that can be searched; none of which nothing is known."""
    if not site.lanes:
        return ()
    walks = [marked for outing in outings for marked in _marked_ways(outing)]
    closed = shapely.union_all([area.shape for area in ground.areas if area.kind in ("no-go", "blocked")])
    net = ground.shape.difference(closed)
    results = []
    for plan in site.lanes:
        seen = seen_lanes(plan.lanes, plan.bearing_deg, walks)
        if plan.states or seen is not None:
            results.append(by_lanes(plan, seen, net, SWATH_SD))
    return tuple(results)


def _marked_ways(outing: WalkedOuting) -> list[tuple[TimedWay, list[LaneLabel]]]:
    """Walks on which numbers of lanes were marked, each with those within its time.

    Where several people walked at once nobody can tell whose number it was, unless only one of them was under way.
    """
    marks = [mark for mark in outing.marks if mark.kind == "lane" and mark.number is not None]
    timed = [(mark.number or 0, mark.time_s) for mark in marks if mark.time_s is not None]
    if not timed:
        return []
    ways = [_way(swung) for swung in outing.walks if swung.walk.ways]
    out: list[tuple[TimedWay, list[LaneLabel]]] = []
    for way in ways:
        labels = [LaneLabel(n, at) for n, at in timed if _holds(way, at) and sum(_holds(one, at) for one in ways) == 1]
        if labels:
            out.append((way, labels))
    return out


def _way(swung: SwungWalk) -> TimedWay:
    parts = [(way.t_s, way.x_m, way.y_m) for way in swung.walk.ways]
    return TimedWay(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def _holds(way: TimedWay, time_s: float) -> bool:
    return bool(way.t_s[0] <= time_s <= way.t_s[-1])
