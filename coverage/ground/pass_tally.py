"""Add up outings one after another: passes, new ground, ground swept before, ground swept crosswise.

One raster a site and one a coil; an outing is counted in a window of its own and never kept, so that memory does not
grow with the number of outings.
"""

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldcomb.coverage.ground.added_cells import ROWS_AT_ONCE, SiteLayers, add_passes, add_to_site
from fieldcomb.coverage.ground.crosswise import Bearings, SwathLeg, bearing_tables, crosswise, runs_by_sector
from fieldcomb.coverage.ground.site_cells import SITE, Ground
from fieldcomb.coverage.raster.cells import OUTSIDE, Cells, Mask, Slices
from fieldcomb.coverage.raster.grid import Grid, bounds_of, grid_over
from fieldcomb.coverage.raster.passes import Counts, bits_over, count_passes, cover
from fieldcomb.tracks.motion.legs import DropOut, Leg
from fieldcomb.tracks.values import dataclass


@dataclass(frozen=True, slots=True)
class Swinging:
    """The legs of one walk, cut to within 25 m of the site, and how they were swept.

    coil : its name. searcher : who walked; None where nobody said. swath_m : full width swept along ``legs``.
    coil_legs, coil_m : the coil's own way and width, where the recorder was on the shaft; ground between two sweeps was
    not swept then.
    """

    coil: str
    swath_m: float
    legs: Sequence[Leg]
    coil_legs: Sequence[Leg] = ()
    coil_m: float = 0.0
    searcher: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class OutingPasses:
    """One outing on the ground.

    passes, by_coil : int16 in ``grid``. here, there : the part that both grids share, in the site's and in this one.
    by_person : square metres of the site that each swept, "" where nobody was named.
    bearings : (rows, cols) of ``here``, of the straight runs there. gaps : lines across drop-outs.
    """

    grid: Grid
    passes: Counts
    by_coil: dict[str, Counts]
    here: Slices
    there: Slices
    bearings: Bearings
    gaps: list[SwathLeg]
    by_person: dict[str, float] = field(default_factory=dict)

    @property
    def on_site(self) -> bool:
        """Whether both grids share any cell."""
        return self.bearings.size > 0

    def __getstate__(self) -> dict[str, Any]:
        """Return what another process is sent: passes in a byte where they fit, those of the only coil not twice."""
        by_coil = {name: None if one is self.passes else _in_bytes(one) for name, one in self.by_coil.items()}
        rest = {one.name: getattr(self, one.name) for one in fields(self)}
        return rest | {"passes": _in_bytes(self.passes), "by_coil": by_coil}

    def __setstate__(self, state: dict[str, Any]) -> None:
        passes = state["passes"].astype(np.int16)
        sent = state["by_coil"].items()
        by_coil = {name: passes if one is None else one.astype(np.int16) for name, one in sent}
        for name, value in (state | {"passes": passes, "by_coil": by_coil}).items():
            object.__setattr__(self, name, value)


def _in_bytes(counts: Counts) -> Counts | Cells:
    """Counts in a byte each where they fit, as nearly always."""
    most = counts.view(np.uint16).max(initial=0)  # taken as unsigned, one below 0 is far above
    return counts.astype(np.uint8) if most <= np.iinfo(np.uint8).max else counts


@dataclass(frozen=True, slots=True)
class OutingGround:
    """Square metres of one outing; see docs/measures.md.

    again_same_coil_m2, again_other_coil_m2 : swept before with a coil of this outing, and only with others.
    crosswise_m2 : swept now, and crosswise to itself or to an earlier outing. total_m2 : swept by all outings so far.
    """

    swept_m2: float
    new_m2: float
    again_same_coil_m2: float
    again_other_coil_m2: float
    crosswise_m2: float
    twice_m2: float
    outside_m2: float
    not_recorded_m2: float
    total_m2: float
    site_m2: float

    @property
    def swept_pct(self) -> float:
        """Share of the site that this outing swept."""
        return 100 * self.swept_m2 / self.site_m2

    @property
    def twice_pct(self) -> float:
        """Share of the ground swept that was swept twice or more."""
        return 100 * self.twice_m2 / self.swept_m2 if self.swept_m2 else 0.0

    @property
    def total_pct(self) -> float:
        """Share of the site that all outings so far swept."""
        return 100 * self.total_m2 / self.site_m2


@dataclass(frozen=True, slots=True, eq=False)
class LaneGroundCells:
    """Ground of which lanes say what was swept, on the site's grid, bool (rows, cols).

    told : all of it. swept : by lanes. apart : swept by recordings of others than those who walked the lanes; it is
    added to.
    """

    told: Mask
    swept: Mask
    apart: Mask


@dataclass(slots=True, eq=False)
class PassTally:
    """Everything added up so far, on the site's grid."""

    ground: Ground
    others: Mask | None = None  # cells that outings swept which are not counted
    inside: Mask = field(init=False)
    passes: Cells = field(init=False)
    by_coil: dict[str, Cells] = field(init=False)
    bearings: Bearings = field(init=False)
    not_recorded: Mask = field(init=False)
    swept_cells: int = field(init=False, default=0)
    site_cells: int = field(init=False)
    lanes: LaneGroundCells | None = None

    def __post_init__(self) -> None:
        shape = self.ground.kind.shape
        self.inside = self.ground.inside
        self.site_cells = int(np.count_nonzero(self.inside))
        self.passes = np.zeros(shape, np.uint8)
        self.by_coil = {}
        self.bearings = np.zeros(shape, np.uint8)
        self.not_recorded = np.zeros(shape, bool)

    def add(self, swept: OutingPasses, lane_coils: Collection[str] = ()) -> OutingGround:
        """Add one outing and return what it contributed; outings must come in order of time.

        lane_coils : with which it walked lanes, so that on their ground its recordings say nothing more.
        """
        here = swept.here
        inside, counts = self.inside[here], swept.passes[swept.there]
        for coil in swept.by_coil:
            self._make_layer(coil)
        layers = [self.by_coil[coil] for coil in swept.by_coil]
        alone = len(layers) == 1 and layers[0] is self.passes
        same = self.passes[here] if alone else _any_of([layer[here] for layer in layers], inside.shape)
        for layer, counted in zip(layers, swept.by_coil.values(), strict=True):
            if layer is not self.passes:
                add_passes(layer[here], counted[swept.there], inside)
        site = SiteLayers(inside, self.ground.kind[here], same, self.passes[here], self.bearings[here])
        added = add_to_site(site, counts, swept.bearings)
        if self.lanes is not None:
            self._set_apart(self.lanes, swept, lane_coils)
        gone = self._lose(swept, of_lanes=bool(lane_coils))
        touched = sum(int(np.count_nonzero(swept.passes[part] > 0)) for part in _row_parts(swept.passes))
        self.swept_cells += added.new
        m2 = self.ground.grid.cell_m2
        return OutingGround(
            swept_m2=added.swept * m2,
            new_m2=added.new * m2,
            again_same_coil_m2=added.again_same * m2,
            again_other_coil_m2=added.again_other * m2,
            crosswise_m2=added.crosswise * m2,
            twice_m2=added.twice * m2,
            outside_m2=touched * m2 - added.on_grid * m2,
            not_recorded_m2=gone * m2,
            total_m2=float(self.swept_cells) * m2,
            site_m2=float(self.site_cells) * m2,
        )

    def _set_apart(self, lanes: LaneGroundCells, swept: OutingPasses, lane_coils: Collection[str]) -> None:
        """Note what an outing swept of the ground of lanes, but with coils with which it walked them."""
        for coil, counts in swept.by_coil.items():
            if coil not in lane_coils:
                lanes.apart[swept.here] |= (counts[swept.there] > 0) & lanes.told[swept.here]

    def _make_layer(self, coil: str) -> None:
        """Make room for a coil: the only one's passes are those of all together, and are kept once."""
        if coil in self.by_coil:
            return
        if self.by_coil:
            self.by_coil = {
                name: layer.copy() if layer is self.passes else layer for name, layer in self.by_coil.items()
            }
        self.by_coil[coil] = np.zeros(self.passes.shape, np.uint8) if self.by_coil else self.passes

    def _lose(self, swept: OutingPasses, *, of_lanes: bool) -> int:
        """Mark what this outing may have swept unrecorded and did not sweep besides; return how many cells that is."""
        part, corridors = _covered(swept.gaps, self.ground.grid)
        window = self.ground.grid.window(part)
        gone = corridors & self.inside[part]
        there, here = window.part_of(swept.grid), swept.grid.part_of(window)
        gone[here] &= swept.passes[there] == 0
        self.not_recorded[part] |= gone & ~self.lanes.told[part] if self.lanes is not None and of_lanes else gone
        return int(np.count_nonzero(gone))

    def crosswise_m2(self) -> float:
        """Area swept crosswise, all outings together."""
        cells = sum(
            int(np.count_nonzero(crosswise(self.bearings[part]) & (self.passes[part] > 0)))
            for part in _row_parts(self.passes)
        )
        return cells * self.ground.grid.cell_m2

    def forget_bearings(self) -> None:
        """Free what only crosswise ground needs; no outing can be added any more."""
        self.bearings = np.zeros((0, 0), np.uint8)

    def passes_m2(self) -> dict[str, float]:
        """Area by number of passes: 0, 1, 2 and 3+; they add up to the site."""
        count = np.zeros(256)
        for part in _row_parts(self.passes):  # bincount makes 8 bytes of each cell
            count += np.bincount(self.passes[part][self.inside[part]], minlength=count.size)
        count *= self.ground.grid.cell_m2
        return {"0": float(count[0]), "1": float(count[1]), "2": float(count[2]), "3+": float(count[3:].sum())}

    def missed(self) -> Mask:
        """Cells of the site neither swept nor unrecorded, nor walked as people say, nor swept by others."""

        def told(part: slice) -> Mask:
            left = self._known_unswept(part) & ~self.ground.said[part]
            return left if self.others is None else left & ~self.others[part]

        return self._where(told)

    def lost(self) -> Mask:
        """Cells of the site that may have been swept unrecorded, and were not swept besides."""
        return self._where(lambda part: self.not_recorded[part] & self._unswept(part))

    def said_walked(self) -> Mask:
        """Cells of the site that people say they walked, neither swept by a recording nor unrecorded."""
        return self._where(lambda part: self._known_unswept(part) & self.ground.said[part])

    def swept_by_others(self) -> Mask:
        """Cells of the site that only outings swept which are not counted."""
        others = self.others
        if others is None:
            return np.zeros(self.passes.shape, bool)
        return self._where(lambda part: self._known_unswept(part) & ~self.ground.said[part] & others[part])

    def unswept(self) -> Mask:
        """Cells that no recording swept; on the ground of lanes, that neither lanes nor recordings of others swept."""
        return self._where(self._unswept)

    def unswept_inside(self) -> Mask:
        """Cells of the site that were not swept, as ``unswept`` has it."""
        return self._where(lambda part: self.inside[part] & self._unswept(part))

    def one_way(self) -> Mask:
        """Cells that were swept, and in no second direction."""
        return self._where(lambda part: (self.passes[part] > 0) & ~crosswise(self.bearings[part]))

    def _known_unswept(self, part: slice) -> Mask:
        return np.asarray(self.inside[part] & self._unswept(part) & ~self.not_recorded[part])

    def _unswept(self, part: slice) -> Mask:
        bare = self.passes[part] == 0
        if self.lanes is not None:
            covered = self.lanes.swept[part] | self.lanes.apart[part]
            np.copyto(bare, ~covered, where=self.lanes.told[part])
        return np.asarray(bare)

    def _where(self, told: Callable[[slice], Mask]) -> Mask:
        """Put together what is told of some rows at a time, so that no other mask of the whole site is made."""
        whole = np.zeros(self.passes.shape, bool)
        for part in _row_parts(whole):
            whole[part] = told(part)
        return whole

    def drawn(self, layer: Cells) -> Cells:
        """A layer with the cells that are not part of the site marked so."""
        return np.asarray(np.where(self.inside, layer, np.uint8(OUTSIDE)))


def _any_of(layers: Sequence[Cells], shape: tuple[int, ...]) -> Cells:
    """Not 0 where any of the layers is not."""
    found = np.zeros(shape, np.uint8)
    for layer in layers:
        np.maximum(found, layer, out=found)
    return found


def _row_parts(raster: NDArray[np.generic]) -> Iterator[slice]:
    """Some rows of a raster after others."""
    for row in range(0, len(raster), ROWS_AT_ONCE):
        yield slice(row, min(row + ROWS_AT_ONCE, len(raster)))


def sweep_outing(
    swinging: Sequence[Swinging], dropouts: Sequence[tuple[float, DropOut]], ground: Ground
) -> OutingPasses:
    """Count one outing.

    swinging : one for each walk.
    dropouts : sequence of (swath_m, DropOut), where a corridor of that width may have been swept unrecorded.
    ground : the site.
    """
    site = ground.grid
    lines = [leg for one in swinging for leg in (*one.legs, *one.coil_legs)]
    gaps = [(w, Leg(np.array([d.x0_m, d.x1_m]), np.array([d.y0_m, d.y1_m]))) for w, d in dropouts]
    widest = max((one.swath_m for one in swinging), default=0.0)
    bounds = bounds_of(lines, widest) if lines else site.bounds_m[:2] * 2
    grid = grid_over(bounds, site.cell_m)
    here, there = grid.part_of(site), site.part_of(grid)
    by_coil: dict[str, Counts] = {}
    by_person: dict[str, float] = {}
    for person in dict.fromkeys(one.searcher or "" for one in swinging):
        own = None
        for one in swinging:
            if (one.searcher or "") == person:
                counts = _passes(one, grid)
                own = counts if own is None else np.maximum(own, counts)
                by_coil[one.coil] = by_coil[one.coil] + counts if one.coil in by_coil else counts
        by_person[person] = 0.0 if own is None else _cells_of_site(own[there], ground.kind[here]) * site.cell_m2
    passes = _sum(list(by_coil.values()), grid)
    bearings = _bearings([(one.swath_m, one.legs) for one in swinging], site.window(here))
    return OutingPasses(grid, passes, by_coil, here, there, bearings, gaps, by_person)


def _cells_of_site(counts: Counts, kind: Cells) -> float:
    """How many cells of the site were passed over."""
    parts = _row_parts(kind)
    return float(sum(np.count_nonzero((counts[part] > 0) & (kind[part] == SITE)) for part in parts))


def _bearings(swaths: Sequence[tuple[float, Sequence[Leg]]], window: Grid) -> Bearings:
    """Bearings of the straight runs over each cell of a part of the site."""
    runs = [(sector, swath_m / 2, run) for sector, swung in runs_by_sector(swaths).items() for swath_m, run in swung]
    sectors, reach = np.array([sector for sector, _, _ in runs], np.int64), np.array([half for _, half, _ in runs])
    return bits_over([run for _, _, run in runs], reach, sectors, bearing_tables()[0], window)


def _passes(one: Swinging, grid: Grid) -> Counts:
    """Passes of one walk. Where the coil's own way is known, visits of the person count where the coil itself was."""
    counts = count_passes(one.legs, one.swath_m, grid)
    if not one.coil_legs:
        return counts
    covered = cover(one.coil_legs, np.full(len(one.coil_legs), one.coil_m / 2), grid)
    return np.where(covered, np.maximum(counts, 1), 0).astype(np.int16)


def _sum(counts: list[Counts], grid: Grid) -> Counts:
    if len(counts) == 1:
        return counts[0]
    return np.sum(counts, axis=0, dtype=np.int16) if counts else np.zeros((grid.rows, grid.cols), np.int16)


def _covered(swung: Sequence[SwathLeg], site: Grid) -> tuple[Slices, Mask]:
    """Ground within half a swath of lines, in the part of the site's grid that it takes."""
    lines, reach = [leg for _, leg in swung], np.array([swath_m / 2 for swath_m, _ in swung])
    left, bottom, right, top = bounds_of(lines, float(reach.max())) if swung else (0.0, 0.0, 0.0, 0.0)
    # Lines may lead far away from the site: only a box on it, or one at its edge, is made into a grid.
    west, south, east, north = site.bounds_m
    x0, x1 = (min(max(x, west), east) for x in (left, right))
    y0, y1 = (min(max(y, south), north) for y in (bottom, top))
    part = grid_over((x0, y0, x1, y1), site.cell_m).part_of(site)
    return part, cover(lines, reach, site.window(part))
