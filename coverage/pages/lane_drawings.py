"""Lanes on paper and on the map.

The sheet is one file to print, with a plan of the lanes, how to set them out, and boxes to tick. On the map each lane
has words for when it is tapped.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterator, Sequence
from itertools import combinations

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.lanes.declared import LaneGround
from fieldcomb.coverage.lanes.lane_files import CLOSED_WORDS
from fieldcomb.coverage.lanes.lane_plan import Lane
from fieldcomb.coverage.lanes.lane_words import lanes_in_words
from fieldcomb.coverage.lanes.named_plan import NamedPlan
from fieldcomb.coverage.lanes.setting_out import (
    SQUARE_SHARE,
    TAPE_ERROR_M,
    BesideLane,
    LaneMark,
    LaneMarks,
    LanePeg,
    SetOut,
)
from fieldcomb.coverage.lanes.sheet import NO, PART, YES
from fieldcomb.coverage.pages.outing_data import Json
from fieldcomb.coverage.pages.templating import fill
from fieldcomb.coverage.pages.typeset import typeset
from fieldcomb.coverage.places.whereabouts import Landmarks, landmarks, whereabouts
from fieldcomb.coverage.survey.results import Report
from fieldcomb.tracks.frame import wrap_lon
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import format_length
from fieldcomb.tracks.values import dataclass

SHEET_FILE = "lanes.html"
PLAN_WIDTH = 1000.0  # of the drawing, in its own units; its height follows
MARGIN = 60.0
LONGEST_TAPE_M = 200.0  # common practice, no source: a tape is 30 to 50 m long, and longer ways are added up
LETTER = 14.0  # how wide a letter is on the drawing, and half as high as a line with some air
NUMBER_AT = (0.0, 1.0, 0.12, 0.88, 0.25, 0.75, 0.5)  # shares of a lane at which its number may stand, in this order
_OPEN_BOX, _CLOSED_BOX = '<span class="box"></span>', f"<b>{CLOSED_WORDS}</b>"
_OPEN_LANE, _CLOSED_LANE = ' class="lane">', ' class="lane closed">'  # on the drawing
_CLOSED_LINE = re.compile(r'<p class="stop" data-closed="">[^<]*</p>')
CLOSER = 1.7  # times as large, from which on the lanes are drawn alone, with a small drawing of the site beside them
NEAR_SHARE, LEAST_NEAR_M = 0.15, 3.0  # how much ground is drawn about them
BAR_LENGTHS_M = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One lane of the table: its number, whether the number is to be marked, and its two marks as a tape shows them."""

    number: int
    label: bool
    team: int
    first: str
    second: str
    length: str
    minutes: str


@dataclass(frozen=True, slots=True)
class SheetGroup:
    """Lanes that are set out together: sentences on how, and their rows."""

    title: str
    steps: tuple[str, ...]
    rows: tuple[SheetRow, ...]


@dataclass(frozen=True, slots=True)
class DrawnLane:
    """A lane on the drawing: its pieces as (x1, y1, x2, y2), and its number where there is room for one."""

    lane: int
    pieces: tuple[tuple[float, float, float, float], ...]
    number: str
    at: tuple[float, float]


def lane_sheet_html(named: NamedPlan, ground: BaseGeometry, site: BaseGeometry) -> str:
    """Return the sheet as one page of HTML that fetches nothing and needs no script.

    ground : what may be searched; site : the whole site; both in site metres. Pure: the same plan gives the same text.
    """
    plan, lanes = named.plan, named.plan.lanes
    near = _near(named, site)
    place, marks = _Paper(site if near is None else near), landmarks(site, given=True)
    pegs = _pegs(named, place)
    corner = (PLAN_WIDTH - 45.0, 0.0, PLAN_WIDTH, 90.0)  # of the arrow to the north
    bar = (0.0, place.height - 40.0, PLAN_WIDTH / 4 + 90.0, place.height)
    room = _Room([corner, bar, *((x - 7, y - 7, x + 7, y + 7) for _, x, y in pegs)])
    return fill(
        "pages/templates/lane_sheet.html",
        site=harmless(named.site),
        name=harmless(named.name),
        coil=harmless(named.coil),
        lanes=len(lanes),
        spacing=format_length(plan.spacing_m),
        planned=round(plan.planned_m),
        minutes=round(named.pace.minutes(lanes)),
        digging=round(named.pace.minutes_with_digging(lanes)) if named.pace.standing else None,
        of_site=round(named.of_site_pct),
        sampled=plan.spacing_m > plan.swath_m,
        short=len(plan.too_short_m),
        label_every=named.label_every,
        teams=max(named.teams, default=1),
        groups=[_group(named, group, number, marks) for number, group in enumerate(named.groups, 1)],
        tape_error=format_length(TAPE_ERROR_M),
        height=place.height,
        width=PLAN_WIDTH,
        outline=place.path(site),
        open_ground=place.path(ground),
        pegs=pegs,
        peg_names=_peg_names(pegs, room),
        drawn=_drawn(lanes, place, room),
        bar=_scale_bar(place),
        whole=None if near is None else _whole(site, near),
    )


def _near(named: NamedPlan, site: BaseGeometry) -> BaseGeometry | None:
    """Return the ground about the lanes where they would be hard to read on a drawing of the whole site, else None."""
    lines = [line for group in named.groups for line in group.baselines]
    ends = [end for lane in named.plan.lanes for end in (lane.start_m, lane.end_m)]
    ends += [(peg.x_m, peg.y_m) for line in lines for peg in (line.start, line.end)]
    if not ends:
        return None
    left, bottom, right, top = shapely.MultiPoint(ends).bounds
    side_m = max(right - left, top - bottom)
    near = shapely.box(left, bottom, right, top).buffer(max(NEAR_SHARE * side_m, LEAST_NEAR_M), join_style="mitre")
    return near if _Paper(near).scale > CLOSER * _Paper(site).scale else None


def _whole(site: BaseGeometry, near: BaseGeometry) -> dict[str, object]:
    """Return the small drawing of the whole site, with the ground about the lanes in it."""
    paper = _Paper(site)
    return {"height": paper.height, "outline": paper.path(site), "near": paper.path(near)}


def sheet_with_closed(sheet: str, closed: Collection[int]) -> str:
    """Return a sheet that was written, with the rows of lanes closed since marked so, and all others as planned.

    Raises ValueError: it has no row of such a lane as it was written.
    """
    sheet = _CLOSED_LINE.sub("", sheet).replace(_CLOSED_BOX, _OPEN_BOX).replace(_CLOSED_LANE, _OPEN_LANE)
    for number in closed:
        row = f'</td><th scope="row">{number}</th>'
        if _OPEN_BOX + row not in sheet:
            raise ValueError(f"no row of lane {number}")
        sheet = sheet.replace(_OPEN_BOX + row, _CLOSED_BOX + row)
        drawn = f'data-lane="{number}"'
        sheet = sheet.replace(f"<g {drawn}{_OPEN_LANE}", f"<g {drawn}{_CLOSED_LANE}")
    if not closed:
        return sheet
    which = lanes_in_words(sorted(closed)).capitalize()
    told = f"{which}: {CLOSED_WORDS}. Ground to leave alone is there since this was planned. Plan lanes again"
    return sheet.replace("</header>", f'<p class="stop" data-closed="">{told}.</p></header>', 1)


def _group(named: NamedPlan, group: SetOut, number: int, marks: Landmarks) -> SheetGroup:
    lanes = group.lanes
    which = f"Lanes {lanes[0].number} to {lanes[-1].number}" if len(lanes) > 1 else f"Lane {lanes[0].number}"
    rows = tuple(_row(named, lane, marks) for lane, marks in zip(lanes, group.marks, strict=True))
    return SheetGroup(
        f"{number}. {which}" if len(named.groups) > 1 else which, tuple(_steps(named, group, marks)), rows
    )


def _row(named: NamedPlan, lane: Lane, marks: LaneMarks) -> SheetRow:
    if isinstance(marks, BesideLane):
        first, second = f"{marks.away_m:.2f} m beside lane {marks.lane}", "the same"
    else:
        first, second = (_tape(mark) for mark in marks)
    length, minutes = f"{lane.length_m:.0f} m", f"{named.pace.minutes([lane]):.0f}"
    return SheetRow(lane.number, named.is_label(lane), named.team_of(lane), first, second, length, minutes)


def _tape(mark: LaneMark) -> str:
    line = mark.baseline
    start, end = harmless(line.start.name), harmless(line.end.name)
    if mark.at_m < 0:
        return f"{-mark.at_m:.2f} m before {start}, coming from {end}"
    if mark.at_m > line.length_m:
        return f"{mark.at_m - line.length_m:.2f} m beyond {end}, coming from {start}"
    return f"{mark.at_m:.2f} m from {start} to {end}"


def _steps(named: NamedPlan, group: SetOut, marks: Landmarks) -> list[str]:
    (a, b), (c, d) = ((line.start, line.end) for line in group.baselines)
    near, far = (line.length_m for line in group.baselines)
    if group.diagonals_m is None:
        return [
            f"Stretch a tape from peg {harmless(a.name)} to peg {harmless(b.name)} ({near:.2f} m), and another from "
            f"peg {harmless(c.name)} to peg {harmless(d.name)} ({far:.2f} m). If a tape shows something else, a peg "
            "has moved.",
            "Put a flag at each length in the table, on both tapes. A lane runs from its first flag to its second.",
        ]
    depth_m = float(np.hypot(c.x_m - a.x_m, c.y_m - a.y_m))
    across, along = group.diagonals_m
    off_m = max(0.05, SQUARE_SHARE * across)
    return [
        f"Set peg {a.name} {_found(named, group, marks)} Set peg {b.name} {near:.2f} m from it, towards "
        f"{_bearing_deg(a, b):.0f} degrees.",
        f"Make a right angle at {a.name}: 3 m along the line to {b.name}, 4 m to the side, 5 m between the two. "
        f"Set {c.name} {depth_m:.2f} m that way, and {d.name} likewise from {b.name}.",
        f"Check: {a.name} to {d.name} must be {across:.2f} m, {b.name} to {c.name} {along:.2f} m, {c.name} to {d.name} "
        f"{far:.2f} m, each to {off_m:.2f} m.",
        "Stretch a tape along each of the two lines, and put a flag at each length in the table. A lane runs from its "
        "first flag to its second.",
    ]


def _found(named: NamedPlan, group: SetOut, marks: Landmarks) -> str:
    """Where the first peg of a group goes: as a person and a watch find it, or by two tapes from pegs that stand."""
    peg = group.baselines[0].start
    where = whereabouts(shapely.Point(peg.x_m, peg.y_m), marks)
    known = [one for other in named.groups[: named.groups.index(group)] for one in _pegs_of(other)]
    if len(known) > 1:
        one, other = max(combinations(known, 2), key=lambda pair: _spread(peg, *pair))
        tapes = [f"{_apart(peg, known_peg):.2f} m from {known_peg.name}" for known_peg in (one, other)]
        return f"by two tapes, {' and '.join(tapes)}, {where}."
    lon, lat = named.frame.to_lonlat([peg.x_m], [peg.y_m])
    place = f"{float(lat[0]):.5f}, {float(wrap_lon(lon)[0]):.5f}"
    return f"{where} ({place}). It may be some metres off: what counts is that all else is measured from it."


def _pegs_of(group: SetOut) -> list[LanePeg]:
    return [peg for line in group.baselines for peg in (line.start, line.end)]


def _apart(one: LanePeg, other: LanePeg) -> float:
    return math.hypot(one.x_m - other.x_m, one.y_m - other.y_m)


def _spread(peg: LanePeg, one: LanePeg, other: LanePeg) -> float:
    """How squarely two tapes meet at a peg: the sine of the angle between them, with shorter tapes before longer."""
    across = (one.x_m - peg.x_m) * (other.y_m - peg.y_m) - (one.y_m - peg.y_m) * (other.x_m - peg.x_m)
    tapes = _apart(peg, one) * _apart(peg, other)
    return abs(across) / tapes - max(_apart(peg, one), _apart(peg, other)) / LONGEST_TAPE_M if tapes > 0 else -math.inf


def _bearing_deg(start: LanePeg, end: LanePeg) -> float:
    return float(np.degrees(np.arctan2(end.x_m - start.x_m, end.y_m - start.y_m)) % 360)


class _Paper:
    """Where places of the site lie on the drawing, north up."""

    def __init__(self, site: BaseGeometry) -> None:
        left, bottom, right, top = site.bounds
        self.scale = (PLAN_WIDTH - 2 * MARGIN) / max(right - left, (top - bottom) / 1.2, 1.0)
        self.left = (left + right) / 2 - PLAN_WIDTH / 2 / self.scale
        self.top = top + MARGIN / self.scale
        self.height = round((top - bottom) * self.scale + 2 * MARGIN, 1)

    def at(self, x_m: float, y_m: float) -> tuple[float, float]:
        return round((x_m - self.left) * self.scale, 1), round((self.top - y_m) * self.scale, 1)

    def path(self, shape: BaseGeometry) -> str:
        """An outline with its holes as the path of an SVG."""
        parts = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
        rings = [ring for part in parts for ring in (part.exterior, *part.interiors)]
        return " ".join(self._ring(np.asarray(ring.coords)) for ring in rings)

    def _ring(self, xy: Floats) -> str:
        corners = " L".join(f"{x:g},{y:g}" for x, y in (self.at(*place) for place in xy.tolist()))
        return f"M{corners} Z"


Box = tuple[float, float, float, float]  # left, top, right, bottom, on the drawing


class _Room:
    """What is taken of the drawing by signs and words, so that none is written over another."""

    def __init__(self, taken: Sequence[Box]) -> None:
        self.taken = list(taken)

    def first_free(self, text: str, places: Sequence[tuple[float, float]]) -> tuple[float, float] | None:
        """Take the first of these places, each the middle of a text, where it touches nothing; None for none."""
        for x, y in places:
            box = _text_box(text, x, y)
            if not any(_touch(box, other) for other in self.taken):
                self.taken.append(box)
                return x, y
        return None


def _text_box(text: str, x: float, y: float) -> Box:
    wide = LETTER * len(text) / 2 + 2
    return x - wide, y - LETTER, x + wide, y + LETTER


def _touch(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _drawn(lanes: Sequence[Lane], place: _Paper, room: _Room) -> list[DrawnLane]:
    """Lanes with their numbers, at their starts where there is room, else farther on, as many as can be read."""
    drawn: list[DrawnLane] = []
    for lane in lanes:
        pieces = tuple((*place.at(*lane.at(a)), *place.at(*lane.at(b))) for a, b in lane.pieces_m)
        along = [place.at(*lane.at(share * lane.span_m)) for share in NUMBER_AT]
        at = room.first_free(str(lane.number), along)
        drawn.append(DrawnLane(lane.number, pieces, "" if at is None else str(lane.number), at or along[0]))
    return drawn


def _pegs(named: NamedPlan, place: _Paper) -> list[tuple[str, float, float]]:
    lines = [line for group in named.groups for line in group.baselines]
    pegs = {peg.name: peg for line in lines for peg in (line.start, line.end)}
    return [(harmless(name), *place.at(peg.x_m, peg.y_m)) for name, peg in sorted(pegs.items())]


def _peg_names(pegs: Sequence[tuple[str, float, float]], room: _Room) -> list[tuple[str, float, float]]:
    """Where the names of pegs stand: beside their signs, or where no side is free above them all the same."""
    names = []
    for name, x, y in pegs:
        wide = LETTER * len(name) / 2 + 14
        around = [
            (x + wide, y - 14),
            (x - wide, y - 14),
            (x + wide, y + 14),
            (x - wide, y + 14),
            (x, y - 24),
            (x, y + 24),
        ]
        names.append((name, *(room.first_free(name, around) or around[0])))
    return names


def _scale_bar(place: _Paper) -> tuple[str, float]:
    """A round length that takes at most a quarter of the width, and how long it is on the drawing."""
    fitting = [step for step in BAR_LENGTHS_M if step * place.scale <= PLAN_WIDTH / 4]
    length_m = max(fitting, default=BAR_LENGTHS_M[0])
    return format_length(length_m), round(length_m * place.scale, 1)


# ------------------------------------------------------------------------------------------------------ on the map


@dataclass(frozen=True, slots=True)
class LaneLayer:
    """Lanes that are drawn together: as which kind of area, under which name, at first or not, with numbers or not."""

    kind: str
    key: str
    name: str
    shown: bool
    numbered: bool


LEFT, WALKED, AHEAD = "lanes", "lanes-done", "lanes-ahead"
LANE_LAYERS = (
    LaneLayer("lane", LEFT, "lanes still to walk", shown=True, numbered=True),
    LaneLayer("lane-done", WALKED, "lanes that were walked", shown=False, numbered=False),
    LaneLayer("lane", AHEAD, "lanes of plans not begun", shown=False, numbered=True),
)
_STATES = {YES: "walked", PART: "walked in part", NO: "not walked, or to be walked again", "": "not known"}


def lane_items(report: Report, layer: LaneLayer) -> Iterator[tuple[LaneGround, Json]]:
    """Return the lanes of a layer, with the words for the map."""
    begun = len(report.lanes)
    for number, plan in enumerate((*report.lanes, *report.plans_ahead), 1):
        for ground in plan.grounds:
            of = AHEAD if number > begun else WALKED if ground.state == YES else LEFT
            if of == layer.key and not (of != WALKED and ground.number in plan.closed):  # nobody is sent there
                state, length = _STATES[ground.state], typeset(f"{ground.length_m:.0f} m")
                rows = [("Plan", plan.name), ("State", state), ("Length", length), ("Coil", plan.coil)]
                words = {"id": f"lane-{number}-{ground.number}", "title": f"Lane {ground.number}", "rows": rows}
                yield ground, {**words, "brief": f"{state}, {length}", "letter": str(ground.number)}
