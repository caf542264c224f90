"""The map page: one self-contained HTML file that fetches nothing.

Every layer is drawn, given its data and put on the board in one step, so that none can be without the other.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import asdict
from functools import partial
from typing import Any

import numpy as np
from markupsafe import Markup
from shapely.geometry import MultiPolygon

from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.areas.from_marks import place_of
from fieldcomb.coverage.ground.ground_results import NOT_REACHED, Strip
from fieldcomb.coverage.pages import colours_patterns as legend
from fieldcomb.coverage.pages.colours_patterns import Board, Choice, Tick
from fieldcomb.coverage.pages.find_signs import FIND_SIGNS, NO_PICTURES, Pictures, sign_groups
from fieldcomb.coverage.pages.lane_drawings import LANE_LAYERS, lane_items
from fieldcomb.coverage.pages.leaflet import Plan, for_script, leaflet_css, page_scripts
from fieldcomb.coverage.pages.outing_data import Json, names_of, outing_data, outing_name, walk_names
from fieldcomb.coverage.pages.overlay import (
    SHARE_TILE_M,
    Drawing,
    Picture,
    earlier_passes,
    in_steps,
    in_tiles,
    striped,
)
from fieldcomb.coverage.pages.packing import UNIT_DEG, PackedWalk, pack_area, pack_line, pack_walks
from fieldcomb.coverage.pages.panel import of_what, panel_html, place_rows
from fieldcomb.coverage.pages.templating import fill, page_file
from fieldcomb.coverage.pages.typeset import typeset
from fieldcomb.coverage.places.places import SearchPlace
from fieldcomb.coverage.raster.cells import OUTSIDE, Cells
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.report.mark_words import format_mark, mark_rows
from fieldcomb.coverage.report.place_lines import format_place_size
from fieldcomb.coverage.report.todo_words import CLASS_NAMES, PROMISE
from fieldcomb.coverage.survey.results import OutingLayer, Result
from fieldcomb.coverage.todo.dug_classes import class_cells
from fieldcomb.tracks.frame import SiteFrame, wrap_lon
from fieldcomb.tracks.units import format_area, format_count, format_length, format_number


def map_html(result: Result, pictures: Pictures = NO_PICTURES, jobs: int = 1) -> str:
    """Return the page for a survey, with pictures of its finds. Pure: the same result gives the same text."""
    return _Composer(result, pictures, jobs).page()


class _Composer:
    """Collects layers, data and choices side by side, so that none can be without the other."""

    def __init__(self, result: Result, pictures: Pictures, jobs: int) -> None:
        self.report, self.pictures, self.layers = result.report, pictures, result.layers
        self.frame: SiteFrame = result.report.site.frame
        self.drawing = Drawing(self.frame, (self.layers.passes, *self.layers.by_coil.values()), jobs)
        self.plan = Plan(self.frame.lat_deg, self.frame.lon_deg)
        self.groups: Json = {}
        self.ground: list[Choice] = []
        self.walks: list[Choice] = []
        self.ticks: list[Tick] = []
        self.notes: list[str] = []
        self.drawn_m: set[float] = set()
        self.shown: list[Callable[[], None]] = []  # rasters and outlines, in the order in which they come
        self.lines_within_m = 0.0

    def page(self) -> str:
        """Draw everything and put the page together."""
        self._ground()
        self._missed()
        self._areas()
        self._heard()
        self._places()
        self._lanes()
        self._rules()
        self._walks()
        self._marks()
        self._found()
        self._say_how()
        board = Board(tuple(self.ground), tuple(self.walks), tuple(self.ticks), tuple(self.notes))
        values = {
            "title": f"{self.report.site.name}: walked over, as recorded",
            "data": for_script(self._data()),
            "panel": Markup(panel_html(self.report, board, walk_names(self.report, self.layers.outings))),
            "patterns": Markup(legend.pattern_defs()),
            "leaflet_css": Markup(leaflet_css()),
            "sheet_css": Markup(page_file("pages/templates/sheet.css")),
            "scripts": [Markup(script) for script in page_scripts()],
        }
        plan = self.plan
        return fill("pages/templates/sheet.html", header=plan.header, map=plan.html, script=plan.script(), **values)

    def _group(self, key: str, how: str, entry: object) -> None:
        self.groups[key] = entry
        self.plan.group(key, how)

    def _picture(self, key: str, grid: Grid, cells: Cells, colours: tuple[str, ...]) -> None:
        self.shown.append(partial(self._show, key, self.drawing.begin(grid, cells, colours)))

    def _show(self, key: str, drawn: Callable[[], Picture]) -> None:
        self.drawn_m.add(round(drawn().drawn_m, 6))
        self.plan.picture(key, drawn())

    def _layer(self, kind: str, items: list[Json], text: str) -> None:
        self._group(kind, "areas", items)
        self._tick(kind, text, kind, True)

    def _ground(self) -> None:
        """Draw the rasters, of which one is shown at a time."""
        grid, passes = self.layers.grid, legend.PASS_COLOURS
        if self.layers.difference is not None:  # what was asked for is shown first
            self._picture("difference", grid, self.layers.difference, legend.DIFFERENCE_COLOURS)
            self.ground.append(Choice("difference", "Difference between two outings", "Compared"))
        self._picture("passes", grid, self.layers.passes, passes)
        self.ground.append(Choice("passes", "Passes of all outings", "All together"))
        for n, (coil, cells) in enumerate(self.layers.by_coil.items()):
            self._picture(f"coil-{n}", grid, cells, passes)
            self.ground.append(Choice(f"coil-{n}", f"Passes with {coil}", "By coil"))
        self._chance()
        self._pairs()
        self._pace()
        self._searched()
        names = names_of(self.report, self.layers.outings)
        for n, outing in enumerate(self.layers.outings):
            self._outing(f"outing-{n}", names[outing.id], outing)
        self._before()
        for show in self.shown:
            show()

    def _chance(self) -> None:
        """Draw the chance that the coil passed: by cells, and in tiles where no single strip can be placed."""
        chance = self.layers.chance
        if chance is None:
            return
        cells, colours = chance.cells.astype(float), legend.CHANCE_COLOURS
        self._picture("chance", chance.grid, in_steps(cells, len(colours)), colours)
        self.ground.append(Choice("chance", "Chance that the coil passed", "Estimated"))
        if not chance.placed:
            self._picture("tiles", chance.grid, in_steps(in_tiles(cells, chance.grid), len(colours)), colours)
            self.ground.append(Choice("tiles", f"Expected share, in tiles of {SHARE_TILE_M:g} m", "Estimated"))

    def _pairs(self) -> None:
        """Draw for two coils what was swept with the larger and not yet with the smaller."""
        for n, pair in enumerate(self.report.coil_pairs):
            self._picture(f"pair-{n}", pair.grid, pair.cells, legend.PAIR_COLOURS)
            name = f"Swept with {pair.larger}, not yet with {pair.smaller}"
            self.ground.append(Choice(f"pair-{n}", name, "With another coil"))

    def _pace(self) -> None:
        """Draw where the walk was slow enough for the swing, and where too fast."""
        if self.layers.pace is not None:
            self._picture("pace", self.layers.grid, self.layers.pace, legend.PACE_COLOURS)
            self.ground.append(Choice("pace", "Pace: share under the coil in a pass", "Under the coil"))

    def _searched(self) -> None:
        """Draw by class of target what was searched for; a class of which nothing was said is named in a note."""
        packed = self.layers.searched
        if packed is None:
            return
        unsaid = []
        for one in self.report.searched_for:
            if one.whole_pct == one.part_pct == one.none_pct == 0:
                unsaid.append(CLASS_NAMES[one.name])
                continue
            cells = striped(class_cells(packed, self.layers.passes, one.name), self.layers.grid)
            self._picture(f"class-{one.name}", self.layers.grid, cells, legend.SEARCHED_COLOURS)
            self.ground.append(Choice(f"class-{one.name}", f"Searched for {CLASS_NAMES[one.name]}", "Searched for"))
        if unsaid:
            self.notes.append(f"Not stated whether dug, so not drawn: {', '.join(unsaid)}.")

    def _outing(self, key: str, name: str, outing: OutingLayer) -> None:
        if outing.passes is not None and outing.grid is not None:
            # On the whole site, not on the outing's own window: what it did not pass over is white, not missing.
            whole = (self.layers.passes == OUTSIDE).view(np.uint8)
            whole *= OUTSIDE
            whole[outing.grid.part_of(self.layers.grid)] = outing.passes[self.layers.grid.part_of(outing.grid)]
            self._picture(key, self.layers.grid, whole, legend.PASS_COLOURS)
            self.ground.append(Choice(key, f"Passes of {name}", "By outing"))
        elif outing.outline is not None:
            items = [self._area("outline", outing.outline, "ground-outlines")]
            self.shown.append(partial(self._group, key, "areas", items))
            self.ground.append(Choice(key, f"Outline of {name}", "By outing"))

    def _before(self) -> None:
        """Draw what older outings swept, which have no raster of their own: the site is seen to grow from there on."""
        rasters = [outing for outing in self.layers.outings if outing.passes is not None]
        if 0 < len(rasters) < len(self.layers.outings):
            cells = earlier_passes(self.layers.passes, self.layers.grid, rasters)
            self._picture("before", self.layers.grid, cells, legend.PASS_COLOURS)
        if len(rasters) > 1:
            self.ground.append(Choice("grow", "The site, growing outing by outing", "Moving"))
            self.ground.append(Choice("wipe", "Two outings, with a handle between them", "Moving"))

    def _rules(self) -> None:
        """Draw lines at round metres, since there is nothing else on the map to judge a distance by."""
        left, bottom, right, top = self.layers.grid.bounds_m
        span = max(right - left, top - bottom)
        step_m = next(step for step in (1.0, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 10_000) if span <= step * 16)
        xs = np.arange(math.floor(left / step_m), math.ceil(right / step_m) + 1) * step_m
        ys = np.arange(math.floor(bottom / step_m), math.ceil(top / step_m) + 1) * step_m
        # Bent a little on a large site: three points a line are enough for a centimetre.
        lines = [np.column_stack([np.full(5, x), np.linspace(ys[0], ys[-1], 5)]) for x in xs]
        lines += [np.column_stack([np.linspace(xs[0], xs[-1], 5), np.full(5, y)]) for y in ys]
        self._group("rules", "rules", [pack_line(self.frame, line) for line in lines])
        self._tick("rules", f"lines every {typeset(format_length(step_m))}", "", True)

    def _tick(self, key: str, text: str, kind: str, shown: bool) -> None:
        self.ticks.append(Tick(key, text, kind, shown))

    def _area(self, kind: str, shape: Any, pane: str, tolerance_m: float = 0.0) -> Json:
        return {"kind": kind, "pane": pane, "shape": pack_area(self.frame, shape, tolerance_m)}

    def _areas(self) -> None:
        """Draw the user's own areas, one layer for each kind."""
        for kind, name in legend.AREA_NAMES.items():
            shapes = [area for area in self.layers.areas if area.kind == kind]
            if shapes:
                items = [self._area_item(n, area) for n, area in enumerate(shapes, 1)]
                self._group(f"area-{kind}", "areas", items)
                self._tick(f"area-{kind}", name, kind, True)
        unknown = [area.kind for area in self.layers.areas if area.kind not in legend.AREA_NAMES]
        self.notes += [f"An area of the kind {kind!r} is not drawn: only known kinds are." for kind in unknown]

    def _area_item(self, n: int, area: AreaShape) -> Json:
        item = self._area(area.kind, area.shape, "areas")
        if area.kind == "site":
            return item  # the whole ground would be one large button
        size = typeset(format_area(float(area.shape.area)))
        title = legend.AREA_NAMES[area.kind].split(":")[0].capitalize()
        rows = [("Who" if area.kind == "walked" else "Reason", area.reason or "none given"), ("Area", size)]
        rows += [(word, day.isoformat()) for word, day in (("From", area.since), ("To", area.until)) if day]
        if area.depth_cm is not None:
            rows.append(("Depth", typeset(format_length(area.depth_cm / 100))))
        if area.per_m2 is not None:
            rows.append(("Junk, as drawn", f"{area.per_m2:g} per m2"))
        return item | {"id": f"{area.kind}-{n}", "title": title, "rows": rows, "brief": f"{area.reason} {size}".strip()}

    def _missed(self) -> None:
        """Draw what was not passed over, or not since the ground changed, and what was not recorded."""
        if self.layers.stale is not None:
            items = [self._area("stale", self.layers.stale, "stale", 2 * self.layers.grid.cell_m)]  # as fine as a line
            self._layer("stale", items, "not passed over since the ground changed")
        strips = self.report.strips
        for kind, name in legend.MISSED_NAMES.items():
            items = [self._strip(strip, kind) for strip in strips if _look(strip) == kind]
            if items:
                self._layer(kind, items, f"{name} ({typeset(format_number(len(items)))})")
        if not self.layers.not_recorded.is_empty:
            what = "the recording dropped out here, so this ground counts as neither swept nor missed"
            items = self._parts("not-recorded", "unrecorded", "Not recorded", what, self.layers.not_recorded)
            self._layer("not-recorded", items, "not recorded: neither swept nor missed")
        if not self.layers.other_outings.is_empty:
            what = "swept by outings that are not counted here"
            items = self._parts("other-outings", "others", "Other outings", what, self.layers.other_outings)
            self._layer("other-outings", items, "swept by outings not counted here")

    def _parts(self, kind: str, key: str, title: str, what: str, shape: MultiPolygon) -> list[Json]:
        """Return every part of a piece of ground as an area of its own, with what it is and its size."""
        out = []
        for n, part in enumerate(shape.geoms, 1):
            size = typeset(format_area(float(part.area)))
            rows = [("What it is", what), ("Area", size)]
            more = {"id": f"{key}-{n}", "title": title, "rows": rows, "brief": size}
            out.append(self._area(kind, part, "areas") | more)
        return out

    def _strip(self, strip: Strip, kind: str) -> Json:
        # Outlines follow the cells in steps; half a cell of slack takes the steps away.
        return self._area(kind, strip.shape, "missed", self.layers.grid.cell_m / 2)

    def _heard(self) -> None:
        """Draw ground where something was heard and left."""
        shape, junk = self.layers.heard, self.report.junk
        if shape is None or shape.is_empty or junk is None:
            return
        what = "round a mark: something was heard here and left in the ground"
        items = self._parts("heard", "heard", "Heard, not dug", what, shape)
        self._layer("heard", items, f"heard, not dug ({format_count(junk.heard_not_dug, 'mark')})")

    def _places(self) -> None:
        """Draw the places to go to, each with its letter."""
        items = [self._place(place) for place in self.report.places]
        if items:
            self._group("places", "places", items)
            self._tick("places", f"where to go next ({typeset(format_number(len(items)))})", "place", True)
            self.notes.append(f"Where to go next: {PROMISE}")

    def _place(self, place: SearchPlace) -> Json:
        kind = "missed-place" if place.strips else "place"
        item = self._area(kind, place.shape, "places", self.layers.grid.cell_m / 2)
        brief = typeset(f"{format_place_size(place)}, {place.reason}")
        more = {"id": f"place-{place.letter}", "title": f"Place {place.letter}", "letter": place.letter}
        return item | more | {"rows": place_rows(place), "brief": brief}

    def _lanes(self) -> None:
        """Draw the lanes of plans where they were set out: those still to walk with their number, the others thin."""
        for layer in LANE_LAYERS:
            items = [
                self._area(layer.kind, ground.shape, "places")
                | words
                | {"at": pack_line(self.frame, np.array([ground.label_m]))}
                for ground, words in lane_items(self.report, layer)
            ]
            if items:
                self._group(layer.key, "places" if layer.numbered else "areas", items)
                self._tick(layer.key, f"{layer.name} ({typeset(format_number(len(items)))})", layer.kind, layer.shown)

    def _walks(self) -> None:
        """Draw what was walked and where the walker stood still."""
        outings = self.layers.outings
        if not outings:
            return
        packed, names = pack_walks(self.frame, outings), names_of(self.report, outings)
        self.walks.append(Choice("walks", "All walks, with stops", ""))
        for n, (outing, walks) in enumerate(zip(outings, packed.outings, strict=True)):
            self._group(f"walk-{n}", "walk", self._walk(n, outing, walks))
            self.walks.append(Choice(f"walk-{n}", f"Walk of {names[outing.id]}", ""))
        self.lines_within_m = packed.tolerance_m
        within = typeset(format_length(packed.tolerance_m))
        self.notes.append(f"Walk lines are drawn to within {within}, passes from every fix.")

    def _walk(self, n: int, outing: OutingLayer, walks: Sequence[PackedWalk]) -> Json:
        at = np.array([[stop.x_m, stop.y_m] for stop in outing.stops], float).reshape(-1, 2)
        stops = pack_line(self.frame, at) if len(at) else []
        kinds = [stop.kind if stop.kind in legend.STOP_SIGNS else "pause" for stop in outing.stops]
        lines = [{"lines": walk.lines, "transits": walk.transits} for walk in walks]
        return {"outing": n, "walks": lines, "stops": stops, "kinds": kinds}

    def _marks(self) -> None:
        """Draw what was marked on the way; what has no place is noted."""
        items, lost = list[Json](), 0
        for outing in self.report.outings:
            for mark in outing.marks:
                at = place_of(mark, self.frame)
                lost += at is None
                if at is not None:
                    rows = mark_rows(mark, outing_name(outing), self.report.site.zone)
                    item = {"sign": mark.kind, "colour": legend.mark_colour(mark.kind), "rows": rows[1:]}
                    item |= {"title": rows[0][1], "brief": format_mark(mark), "id": f"mark-{len(items) + 1}"}
                    items.append(item | {"at": pack_line(self.frame, np.array([at]))})
        if items:
            self._group("marks", "marks", items)
            self._tick("marks", f"marks ({typeset(format_number(len(items)))})", "", True)
        if lost:
            self.notes.append(f"{format_count(lost, 'mark')} without a place near this site: listed, not drawn.")

    def _found(self) -> None:
        """Draw targets that were buried on purpose, what came out of the ground, and where that lies close together."""
        for group in sign_groups(self.report, self.layers.planted, self.pictures):
            self._group(group.key, group.how, group.drawn)
            self._tick(group.key, group.label, group.pattern, True)

    def _say_how(self) -> None:
        cell_m = self.report.site.cell_m
        measured = typeset(format_length(cell_m))
        coarser = sorted(drawn for drawn in self.drawn_m if drawn > cell_m * 1.001)
        if coarser:
            self.notes.append(f"Passes are drawn at {typeset(format_length(coarser[-1]))}, measured at {measured}.")
        else:
            self.notes.append(f"Passes are measured and drawn in cells of {measured}.")
        self.notes.append(f"Percentages are shares of {of_what(self.report)}. North is up.")

    def _data(self) -> Json:
        return {
            "origin": [self.frame.lat_deg, self.frame.lon_deg],
            "unit": UNIT_DEG,
            "bounds": self._bounds(),
            "styles": {kind: legend.style(kind) for kind in legend.PATTERNS},
            "signs": legend.STOP_SIGNS | legend.MARK_SIGNS | legend.PLANTED_SIGNS | FIND_SIGNS,
            "groups": self.groups,
            "outings": outing_data(self.report, self.layers.outings),
            "trueTo": round(self.lines_within_m + 2 * max(self.drawn_m), 3),
            "names": asdict(walk_names(self.report, self.layers.outings)),
            "passColours": legend.PASS_COLOURS,
            "passNames": legend.PASS_NAMES,
            "chanceColours": legend.CHANCE_COLOURS,
            "chanceNames": legend.CHANCE_NAMES,
            "lineColours": legend.LINE_COLOURS,
            "lineDashes": legend.LINE_DASHES,
        }

    def _bounds(self) -> list[list[float]]:
        """What is shown at first: the site, or all of the raster when there is no outline."""
        boxes = [area.shape.bounds for area in self.layers.areas if area.kind == "site" and not area.shape.is_empty]
        left, bottom, right, top = np.array(boxes or [self.layers.grid.bounds_m]).T
        x = np.array([left.min(), right.max(), left.min(), right.max()])
        y = np.array([bottom.min(), bottom.min(), top.max(), top.max()])
        lon, lat = self.frame.to_lonlat(x, y)
        east = self.frame.lon_deg + wrap_lon(lon - self.frame.lon_deg)
        return [[float(lat.min()), float(east.min())], [float(lat.max()), float(east.max())]]


def _look(strip: Strip) -> str:
    """Which look a piece of missed ground has: what nobody has got to yet is no alarm, whatever its size."""
    return "open" if strip.ground == NOT_REACHED else strip.tier or "strip"
