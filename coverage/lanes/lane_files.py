"""The files of a plan: a table to set out from and to fill in, and routes for a watch, a phone and a GIS."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Collection, Iterator, Sequence
from typing import Any
from xml.etree import ElementTree

import numpy as np

from fieldcomb.coverage.lanes.lane_plan import Lane
from fieldcomb.coverage.lanes.named_plan import NamedPlan
from fieldcomb.coverage.lanes.setting_out import BesideLane, LaneMarks
from fieldcomb.tracks.files.json_text import feature_collection
from fieldcomb.tracks.files.tables import guarded
from fieldcomb.tracks.files.xml_text import GPX_HEAD, xml_text
from fieldcomb.tracks.frame import wrap_lon
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.values import dataclass

CSV_FILE, GPX_FILE, KML_FILE, GEOJSON_FILE = "lanes.csv", "lanes.gpx", "lanes.kml", "lanes.geojson"
DEGREE_DECIMALS = 8  # decimals of degrees: a millimetre
LANE_COLUMNS = (
    *("lane", "block", "team", "from_lat", "from_lon", "to_lat", "to_lon", "length_m", "minutes", "label"),
    *("peg_from", "towards_from", "at_m_from", "peg_to", "towards_to", "at_m_to"),
    *("done", "searcher", "coil", "start", "end", "note"),
)
CLOSED_WORDS = "closed, do not walk"  # beside a lane whose ground was closed after it was planned
CLOSED_KEY = "closed"  # of a lane in the file of its plan
_KML_LANE = re.compile(rf"<name>L([0-9]+)(?: {CLOSED_WORDS})?</name>(?=\s*<LineString>)")  # no peg of that name


@dataclass(frozen=True, slots=True)
class PlannedEnds:
    """Where a lane of the plan lies, for comparing: longitude and latitude of its start and its end."""

    lane: int
    start_deg: tuple[float, float]
    end_deg: tuple[float, float]


def lane_files(named: NamedPlan) -> dict[str, bytes]:
    """Return the files of a plan by name; the same plan gives the same bytes."""
    return {
        CSV_FILE: lanes_csv(named),
        GPX_FILE: lanes_gpx(named).encode(),
        KML_FILE: lanes_kml(named).encode(),
        GEOJSON_FILE: lanes_geojson(named).encode(),
    }


def lanes_csv(named: NamedPlan) -> bytes:
    """Return the table: where each lane lies, how to set it out, and empty columns to fill in.

    UTF-8 with a byte order mark, so that a spreadsheet reads its letters; ``label`` is y where the number of the lane
    is to be marked, ``done`` is filled in with y, n or part.
    """
    text = io.StringIO(newline="")
    table = csv.writer(text, lineterminator="\r\n")
    table.writerow(LANE_COLUMNS)
    for lane, marks in _set_out(named):
        (from_lon, from_lat), (to_lon, to_lat) = _degrees(named, [lane.start_m, lane.end_m])
        where = [from_lat, from_lon, to_lat, to_lon]
        size = [f"{lane.length_m:.1f}", f"{named.pace.minutes([lane]):.1f}", "y" if named.is_label(lane) else ""]
        tape = [cell for end in (0, 1) for cell in _tape(marks, end)]
        table.writerow([lane.number, lane.block, named.team_of(lane), *where, *size, *tape, *[""] * 6])
    return "\ufeff".encode() + text.getvalue().encode()


def _tape(marks: LaneMarks, end: int) -> tuple[str, str, str]:
    """What a tape shows at one end: from what, towards what, and how many metres."""
    if isinstance(marks, BesideLane):
        return f"lane {marks.lane}", "", f"{marks.away_m:.2f}"
    mark = marks[end]
    return guarded(mark.baseline.start.name), guarded(mark.baseline.end.name), f"{mark.at_m:.2f}"


def lanes_gpx(named: NamedPlan) -> str:
    """Return one route for each lane, from its start to its end as it is walked, named ``L12``."""
    lanes = named.plan.lanes
    return _routes(_title(named), [(lane.number, _degrees(named, [lane.start_m, lane.end_m])) for lane in lanes])


def routes_gpx(title: str, ends: Sequence[PlannedEnds], closed: Collection[int]) -> str:
    """Return the same routes from a plan that is kept, without lanes that were closed since."""
    kept = [one for one in ends if one.lane not in closed]
    return _routes(title, [(one.lane, [_fixed(one.start_deg), _fixed(one.end_deg)]) for one in kept])


def _routes(title: str, lanes: Sequence[tuple[int, list[tuple[str, str]]]]) -> str:
    gpx = ElementTree.Element("gpx", GPX_HEAD)
    ElementTree.SubElement(ElementTree.SubElement(gpx, "metadata"), "name").text = title
    for number, ends in lanes:
        route = ElementTree.SubElement(gpx, "rte")
        ElementTree.SubElement(route, "name").text = f"L{number}"
        for lon, lat in ends:
            ElementTree.SubElement(route, "rtept", {"lat": lat, "lon": lon})
    return xml_text(gpx)


def lanes_kml(named: NamedPlan) -> str:
    """Return the lanes as lines with their numbers, and the pegs that are to be set, as KML 2.2."""
    kml = ElementTree.Element("kml", {"xmlns": "http://www.opengis.net/kml/2.2"})
    document = ElementTree.SubElement(kml, "Document")
    ElementTree.SubElement(document, "name").text = _title(named)
    for lane in named.plan.lanes:
        line = _placemark(document, f"L{lane.number}", "LineString")
        line.text = " ".join(f"{lon},{lat}" for lon, lat in _degrees(named, [lane.start_m, lane.end_m]))
    for name, place in _pegs(named).items():
        ((lon, lat),) = _degrees(named, [place])
        _placemark(document, harmless(name), "Point").text = f"{lon},{lat}"
    return xml_text(kml)


def _placemark(document: ElementTree.Element, name: str, shape: str) -> ElementTree.Element:
    mark = ElementTree.SubElement(document, "Placemark")
    ElementTree.SubElement(mark, "name").text = name
    return ElementTree.SubElement(ElementTree.SubElement(mark, shape), "coordinates")


def lanes_geojson(named: NamedPlan) -> str:
    """Return what can be walked of each lane as RFC 7946 GeoJSON, with what the table says of it."""
    features: list[dict[str, Any]] = []
    plan: dict[str, Any] = {
        "plan": named.name,
        "spacing_m": round(named.plan.spacing_m, 3),
        "swath_m": round(named.plan.swath_m, 3),
        "bearing_deg": round(named.plan.bearing_deg, 4),
        "coil_planned": named.coil,
    }
    if own := _pegs(named, own=True):
        plan["own_pegs"] = {name: [float(cell) for cell in _degrees(named, [at])[0]] for name, at in own.items()}
    for lane in named.plan.lanes:
        pieces = [_degrees(named, [lane.at(a), lane.at(b)]) for a, b in lane.pieces_m]
        lines = [[[float(lon), float(lat)] for lon, lat in piece] for piece in pieces]
        said = {
            "lane": lane.number,
            "block": lane.block,
            "team": named.team_of(lane),
            "length_m": round(lane.length_m, 2),
        }
        shape = {"type": "MultiLineString", "coordinates": lines}
        features.append({"type": "Feature", "properties": {**plan, **said}, "geometry": shape})
    return feature_collection(features)


def geojson_with_closed(text: str, closed: Collection[int]) -> str:
    """Return the file of a plan with those lanes told as closed, and all others not."""
    features: list[dict[str, Any]] = json.loads(text)["features"]
    for feature in features:
        said = feature["properties"]
        said.pop(CLOSED_KEY, None)
        if said["lane"] in closed:
            said[CLOSED_KEY] = CLOSED_WORDS
    return feature_collection(features)


def closed_note(note: str, *, closed: bool) -> str:
    """Return what stands in the column ``note``: that the lane is closed before what somebody wrote, or only this.

    >>> closed_note("wet", closed=True), closed_note("closed, do not walk; wet", closed=False)
    ('closed, do not walk; wet', 'wet')
    """
    own = note.removeprefix(CLOSED_WORDS).removeprefix("; ") if note.startswith(CLOSED_WORDS) else note
    return own if not closed else f"{CLOSED_WORDS}; {own}" if own else CLOSED_WORDS


def kml_with_closed(text: str, closed: Collection[int]) -> str:
    """Return the lines for a map program with those lanes named as closed: ``L12 closed, do not walk``."""

    def named(found: re.Match[str]) -> str:
        more = f" {CLOSED_WORDS}" if int(found[1]) in closed else ""
        return f"<name>L{found[1]}{more}</name>"

    return _KML_LANE.sub(named, text)


def _set_out(named: NamedPlan) -> Iterator[tuple[Lane, LaneMarks]]:
    for group in named.groups:
        yield from zip(group.lanes, group.marks, strict=True)


def _pegs(named: NamedPlan, *, own: bool = False) -> dict[str, tuple[float, float]]:
    """Places of the pegs that are to be set, or of the site's own, by name."""
    lines = [line for group in named.groups for line in group.baselines]
    return {peg.name: (peg.x_m, peg.y_m) for line in lines for peg in (line.start, line.end) if peg.own == own}


def _degrees(named: NamedPlan, places: list[tuple[float, float]]) -> list[tuple[str, str]]:
    """Longitude and latitude of places, as text with as many decimals as a millimetre needs."""
    x, y = np.array(places).T
    lon, lat = named.frame.to_lonlat(x, y)
    lon = wrap_lon(np.round(lon, DEGREE_DECIMALS))
    return [_fixed((east, north)) for east, north in zip(lon, lat, strict=True)]


def _fixed(place_deg: tuple[float, float]) -> tuple[str, str]:
    east, north = place_deg
    return f"{east + 0.0:.{DEGREE_DECIMALS}f}", f"{north + 0.0:.{DEGREE_DECIMALS}f}"


def _title(named: NamedPlan) -> str:
    return harmless(f"{named.site}, lanes {named.name}")
