"""How much was walked over since the ground changed, beside how much ever was, as recorded."""

from collections.abc import Sequence
from datetime import date

import numpy as np
from shapely.geometry import MultiPolygon

from fieldcomb.coverage.ground.pass_tally import OutingPasses
from fieldcomb.coverage.raster.cells import Mask
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.coverage.raster.vectorise import cells_inside, vectorise
from fieldcomb.coverage.season.events import GroundEvent, PlacedEvent
from fieldcomb.tracks.values import dataclass

MOST_MASKS = 6  # events of which shares are told, the latest: each takes a byte for every cell of the site


@dataclass(frozen=True, slots=True)
class EventResult:
    """One event, and how much of its ground was walked over since then and ever.

    outings_before, outings_since : with a date, one on the day itself counts as since. Areas are None where no outings
    lie on both sides of it, and of all but the latest events.
    """

    event: GroundEvent
    outings_before: int = 0
    outings_since: int = 0
    area_m2: float | None = None
    since_m2: float | None = None
    ever_m2: float | None = None

    @property
    def between(self) -> bool:
        """Whether there are outings before and after it."""
        return self.outings_before > 0 and self.outings_since > 0


@dataclass(frozen=True, slots=True)
class SinceResult:
    """How much a report that begins on a day counts, beside how much was walked over ever; shares of the site.

    event : what changed the ground on that day; None where only a day was asked for.
    """

    day: date
    event: GroundEvent | None
    swept_pct: float
    ever_pct: float


class SweptSince:
    """Adds up outings, in any order, by whether they came before or after each event."""

    def __init__(self, events: Sequence[PlacedEvent], days: Sequence[str], inside: Mask, grid: Grid) -> None:
        self.inside, self.cell_m2, self.grid = inside, grid.cell_m2, grid
        known = [day for day in days if day]
        self.results = [
            EventResult(
                one.event,
                sum(day < str(one.event.day) for day in known),
                sum(day >= str(one.event.day) for day in known),
            )
            for one in events
        ]
        latest = [k for k, one in enumerate(self.results) if one.between][-MOST_MASKS:]
        self.since = {k: np.zeros(inside.shape, bool) for k in latest}
        self.ground = {k: _ground(events[k], inside, grid) for k in latest}

    def add(self, day: str, swept: OutingPasses) -> None:
        """Add one outing; ``day`` is ISO 8601, "" where it is not known."""
        for k, mask in self.since.items():
            if day >= str(self.results[k].event.day):
                mask[swept.here] |= swept.passes[swept.there] > 0

    def stale(self) -> MultiPolygon | None:
        """Return ground that nobody swept since it changed, by the latest events; None where there is none."""
        gone = np.zeros(self.inside.shape, bool)
        for k, ground in self.ground.items():
            gone |= ground & ~self.since[k]
        left, _, _, top = self.grid.bounds_m
        return vectorise(gone, left, top, self.grid.cell_m) if gone.any() else None

    def finished(self, ever: Mask) -> tuple[EventResult, ...]:
        """Return the events in order of date; ``ever`` are cells that any outing swept."""
        out = list(self.results)
        for k, mask in self.since.items():
            ground, one = self.ground[k], self.results[k]
            area, since, all_time = (
                float(np.count_nonzero(part)) * self.cell_m2 for part in (ground, ground & mask, ground & ever)
            )
            out[k] = EventResult(one.event, one.outings_before, one.outings_since, area, since, all_time)
        return tuple(out)


def last_between(events: Sequence[EventResult]) -> str:
    """Return the day of the last event that has outings after it, ISO 8601; "" without one."""
    return max((str(one.event.day) for one in events if one.outings_since), default="")


def _ground(one: PlacedEvent, inside: Mask, grid: Grid) -> Mask:
    if one.shapes is None:
        return inside
    return np.asarray(inside & cells_inside([area.shape for area in one.shapes], grid))
