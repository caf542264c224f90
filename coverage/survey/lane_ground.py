"""Ground of lanes on the cells of a site: what lanes swept of it, and lanes left out as pieces of missed ground."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.cache.memo import Memo
from fieldcomb.coverage.estimate.confidence import CERTAIN, CERTAIN_FROM, LIKELY, LIKELY_FROM, MOST_CONFIDENT
from fieldcomb.coverage.estimate.effort import Plot, plot_cells
from fieldcomb.coverage.estimate.swept_share import SWATH_SD
from fieldcomb.coverage.ground.ground_results import Strip
from fieldcomb.coverage.ground.missed import OPEN_SWATHS
from fieldcomb.coverage.ground.pass_tally import LaneGroundCells
from fieldcomb.coverage.ground.site_cells import Ground
from fieldcomb.coverage.ground.strips import LEAST_STRIP_M2
from fieldcomb.coverage.lanes.declared import DeclaredPlan, LanesResult, draws_of, lanes_closed, lanes_result, not_begun
from fieldcomb.coverage.lanes.lane_draws import CellsSwept, LaneCells, LaneDraws
from fieldcomb.coverage.lanes.lane_plan import Lane, swept_by
from fieldcomb.coverage.lanes.lane_words import kept_off_note, numbers_in_words
from fieldcomb.coverage.lanes.sheet import PART
from fieldcomb.coverage.raster.blocks import Coarse, PartOf, cells_at
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.raster.vectorise import cells_inside, part_inside, vectorise
from fieldcomb.coverage.survey.results import Report
from fieldcomb.coverage.survey.walked_lanes import LanesOnSite
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

WALKED_FROM = 0.5  # chance of a lane from which it is taken for walked
LEAST_PIECE_WIDTH_M = 0.3  # what is left of a lane that others swept in part


@dataclass(frozen=True, slots=True, eq=False)
class OutingLanes:
    """Lanes of one plan that an outing walked: with which coil, and what they swept."""

    coil: str
    swept: CellsSwept


def draw_on_site(
    plans: Sequence[LanesOnSite], ground: Ground, plot: Plot, chances: Coarse, memory: Memo
) -> tuple[tuple[LanesResult, ...], dict[str, tuple[OutingLanes, ...]]]:
    """Draw what lanes swept; returns what each plan comes to, and by outing its lanes, "" for those of no recording."""
    results: list[LanesResult] = []
    of_outing: dict[str, tuple[OutingLanes, ...]] = {}
    closed = [area.shape for area in ground.areas if area.kind in ("no-go", "blocked")]
    net = ground.shape.difference(shapely.union_all(closed))
    size = plot_cells(plot), chances.grid
    for plan in plans:
        names = list(plan.groups)
        given = (plan.told.plan, plan.told.settled, plan.told.chances, [sorted(plan.groups[name]) for name in names])
        draws = memory.get_or_compute("lanes", (*given, net, *size), partial(_drawn, plan, net, plot, chances))
        results.append(lanes_result(plan.told, draws, plan.groups))
        for name, swept in zip(names, draws.groups, strict=True):
            if name not in plan.by_position:
                of_outing[name] = (*of_outing.get(name, ()), OutingLanes(plan.told.plan.coil, swept))
    return tuple(results), of_outing


def _drawn(plan: LanesOnSite, net: BaseGeometry, plot: Plot, chances: Coarse) -> LaneDraws:
    numbers = plot_cells(plot)
    grid = chances.grid

    def on_plot(x_m: Floats, y_m: Floats) -> NDArray[np.int64]:
        row = np.floor((plot.top_m - y_m) / plot.cell_m).astype(np.int64)
        col = np.floor((x_m - plot.left_m) / plot.cell_m).astype(np.int64)
        row, col = (np.clip(at, 0, most - 1) for at, most in zip((row, col), numbers.shape, strict=True))
        near = plot.nearest[:, row, col]
        return np.asarray(numbers[near[0], near[1]])

    def on_chances(x_m: Floats, y_m: Floats) -> NDArray[np.int64]:
        row, col = cells_at(grid, x_m, y_m)
        return np.asarray(row * grid.cols + col)

    cells = (
        LaneCells(plot.cell_m, int(numbers.max()) + 1, on_plot),
        LaneCells(grid.cell_m, grid.rows * grid.cols, on_chances),
    )
    return draws_of(plan.told, net, SWATH_SD, list(plan.groups.values()), cells)


def plans_ahead(plans: Sequence[DeclaredPlan], begun: Sequence[LanesOnSite]) -> tuple[LanesResult, ...]:
    """Return the plans of which nothing is known yet."""
    names = {plan.told.plan.name for plan in begun}
    return tuple(not_begun(plan) for plan in plans if plan.name not in names)


def kept_off(report: Report, areas: Sequence[AreaShape], plans: Sequence[DeclaredPlan]) -> Report:
    """Send nobody along lanes that were planned before the ground there became no-go, and note it for each plan.

    Lanes planned afterwards go round such ground.
    """
    closed = {plan.name: lanes_closed(plan, areas) for plan in plans}
    begun, ahead = (
        tuple(replace(plan, closed=closed.get(plan.name, ())) for plan in some)
        for some in (report.lanes, report.plans_ahead)
    )
    notes = [note for plan in (*begun, *ahead) if (note := kept_off_note(plan))]
    return replace(report, lanes=begun, plans_ahead=ahead, notes=(*notes, *report.notes))


def lane_cells(plans: Sequence[LanesOnSite], ground: Ground) -> LaneGroundCells | None:
    """Return the cells of the site of which lanes say what was swept; None where there are none."""
    told = [plan.ground for plan in plans if plan.lanes]
    if not told:
        return None
    swept = [swept_by(_walked(plan), plan.told.plan.swath_m) for plan in plans]
    inside = ground.inside
    masks = [
        cells_inside([one for one in shapes if not one.is_empty], ground.grid) & inside for shapes in (told, swept)
    ]
    return LaneGroundCells(masks[0], masks[1] & masks[0], np.zeros(inside.shape, bool))


def _walked(plan: LanesOnSite) -> list[Lane]:
    return [lane for lane in plan.lanes if not _left_out(plan, lane)]


def _left_out(plan: LanesOnSite, lane: Lane) -> bool:
    told = plan.told
    return told.settled.get(lane.number) == PART or told.chance(lane.number) < WALKED_FROM


def lane_strips(
    plans: Sequence[LanesOnSite],
    cells: LaneGroundCells | None,
    ground: Ground,
    left_out: tuple[Floats, Grid],
    frame: SiteFrame,
) -> list[Strip]:
    """Return lanes that were left out as pieces of missed ground, each where it was set out.

    cells : with what others swept. left_out : chance that recordings left out the cells of a grid.

    Lanes left out beside each other are one piece. What recordings of others swept is taken off. How sure a piece is
    hangs on how sure it is that its lanes were not walked, and that nobody else swept there.
    """
    if cells is None:
        return []
    grid = ground.grid
    left, _, _, top = grid.bounds_m
    others = vectorise(cells.apart, left, top, grid.cell_m) if cells.apart.any() else MultiPolygon()
    site = ground.shape
    swept = shapely.union_all([swept_by(_walked(plan), plan.told.plan.swath_m) for plan in plans])
    strips = []
    for plan in plans:
        for lanes in _runs([lane for lane in plan.lanes if _left_out(plan, lane)]):
            shape = swept_by(lanes, plan.told.plan.swath_m)
            shape = shape.intersection(site).difference(shapely.union_all([swept, others]))
            shape = shape.buffer(-LEAST_PIECE_WIDTH_M / 2).buffer(LEAST_PIECE_WIDTH_M / 2, join_style="mitre")
            for part in shapely.get_parts(shape):
                if isinstance(part, Polygon) and part.area >= LEAST_STRIP_M2:
                    strips.append(_strip(plan, lanes, part, left_out, frame))
    return strips


def _runs(lanes: Sequence[Lane]) -> list[list[Lane]]:
    runs: list[list[Lane]] = []
    for lane in lanes:
        if runs and runs[-1][-1].number == lane.number - 1:
            runs[-1].append(lane)
        else:
            runs.append([lane])
    return runs


def _strip(
    plan: LanesOnSite, lanes: Sequence[Lane], shape: Polygon, left_out: tuple[Floats, Grid], frame: SiteFrame
) -> Strip:
    values, grid = left_out
    part, inside = part_inside(shape, grid)
    by_walks = values[part][inside]
    not_walked = 1 - float(np.mean([plan.told.chance(lane.number) for lane in lanes]))
    confidence = not_walked * (float(by_walks.mean()) if by_walks.size else 1.0)
    confidence = round(min(confidence, MOST_CONFIDENT), 2)
    tier = CERTAIN if confidence >= CERTAIN_FROM else LIKELY if confidence >= LIKELY_FROM else None
    bearing_deg = plan.told.plan.bearing_deg
    along = _reach_m(shape, bearing_deg)
    at = shape.representative_point()
    lon, lat = frame.to_lonlat([at.x], [at.y])
    numbers = numbers_in_words([lane.number for lane in lanes])
    width_m = shape.area / along
    return Strip(
        id=0,
        kind="open" if width_m >= OPEN_SWATHS * plan.told.plan.swath_m else "strip",
        area_m2=float(shape.area),
        length_m=along,
        width_m=width_m,
        widest_m=_reach_m(shape, bearing_deg + 90),
        bearing_deg=bearing_deg if along >= 2 * width_m else None,
        centre=(float(lon[0]), float(lat[0])),
        shape=shape,
        confidence=confidence,
        tier=tier,
        lanes=f"{'lane' if len(lanes) == 1 else 'lanes'} {numbers} of plan {plan.told.plan.name}",
    )


def _reach_m(shape: Polygon, bearing_deg: float) -> float:
    """How far a shape reaches along a bearing."""
    along = np.array([np.sin(np.radians(bearing_deg)), np.cos(np.radians(bearing_deg))])
    return float(np.ptp(shapely.get_coordinates(shape) @ along))


def outing_chances(
    passed_by: Mapping[str, PartOf], lanes: Sequence[OutingLanes], shape: tuple[int, ...]
) -> dict[str, PartOf]:
    """Return the chance that each coil of an outing passed each cell, with that of the lanes that it walked."""
    out = dict(passed_by)
    for one in lanes:
        rows, cols = shape
        left = 1 - (out[one.coil].whole(rows, cols) if one.coil in out else np.zeros(shape))
        left.ravel()[one.swept.mean_cells] *= 1 - one.swept.mean
        out[one.coil] = PartOf((slice(0, rows), slice(0, cols)), 1 - left)
    return out
