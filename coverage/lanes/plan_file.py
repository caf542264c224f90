"""Reading a plan back from the GeoJSON that was written for it."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np

from fieldcomb.coverage.lanes.declared import DeclaredPlan
from fieldcomb.coverage.lanes.lane_files import CLOSED_KEY, PlannedEnds
from fieldcomb.coverage.lanes.lane_plan import Lane
from fieldcomb.tracks.errors import SiteError
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.recording import Floats


def read_plan(raw: bytes, file: str, frame: SiteFrame) -> DeclaredPlan:
    """Read a plan, of which nothing is said yet; raises SiteError where the file is not as it was written."""
    try:
        features = json.loads(raw)["features"]
        first = features[0]["properties"]
        read = [_lane(feature, frame) for feature in features]
        spacing_m, swath_m, bearing_deg = (float(first[key]) for key in ("spacing_m", "swath_m", "bearing_deg"))
        name, coil = str(first["plan"]), str(first["coil_planned"])
        numbers = [lane.number for lane, _ in read]
        closed = tuple(int(one["properties"]["lane"]) for one in features if CLOSED_KEY in one["properties"])
        pegs = {str(peg): (float(lon), float(lat)) for peg, (lon, lat) in first.get("own_pegs", {}).items()}
    except (KeyError, IndexError, TypeError, AttributeError, ValueError, RecursionError) as error:
        problem = "is not a plan as fieldcomb wrote it"
        raise SiteError(problem, file=file, hint="Put the file back, or move its folder out of the site") from error
    if numbers != list(range(1, len(numbers) + 1)) or not all(map(math.isfinite, (spacing_m, swath_m, bearing_deg))):
        problem = f"is not a plan as fieldcomb wrote it: its lanes are not numbered from 1 to {len(numbers)}"
        raise SiteError(problem, file=file, hint="Put the file back, or move its folder out of the site")
    lanes, ends = tuple(lane for lane, _ in read), tuple(ends for _, ends in read)
    return DeclaredPlan(name, coil, lanes, spacing_m, swath_m, bearing_deg, ends=ends, pegs=pegs, closed=closed)


def _lane(feature: dict[str, Any], frame: SiteFrame) -> tuple[Lane, PlannedEnds]:
    said = feature["properties"]
    degrees = [np.array(line, float)[:, :2] for line in feature["geometry"]["coordinates"]]
    metres = [np.column_stack(frame.to_metres(*line.T)) for line in degrees]
    if not all(np.isfinite(line).all() for line in metres):
        raise ValueError("a place is not on the globe")
    start, end = metres[0][0], metres[-1][-1]
    span_m = float(np.hypot(*(end - start)))
    along = (end - start) / span_m if span_m > 0 else np.zeros(2)
    pieces = tuple((float((line[0] - start) @ along), float((line[-1] - start) @ along)) for line in metres)
    if span_m <= 0:
        raise ValueError("a lane has no length")
    lane = Lane(int(said["lane"]), int(said["block"]), _pair(start), _pair(end), pieces)
    return lane, PlannedEnds(lane.number, _pair(degrees[0][0]), _pair(degrees[-1][-1]))


def _pair(place: Floats) -> tuple[float, float]:
    return float(place[0]), float(place[1])
