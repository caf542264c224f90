"""How much of the ground round single places lay under the coil at a depth, as recorded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field

import numpy as np

from fieldcomb.coverage.ground.pass_tally import OutingPasses
from fieldcomb.coverage.ground.site_cells import Ground
from fieldcomb.coverage.ground.under_coil import CoilPieces, coil_pieces
from fieldcomb.coverage.outings.walks import SwungWalk
from fieldcomb.coverage.raster.grid import Grid, aligned_grid
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass


@dataclass(frozen=True, slots=True)
class UnderPlace:
    """A place that is asked about: (x, y) in site metres, how deep, and with which coil; None for any."""

    at_m: tuple[float, float]
    depth_m: float | None
    coil: str | None = None


@dataclass(slots=True, eq=False)
class UnderPlaces:
    """Adds up outings round places. ``radius_m`` : how far round, since a receiver may be so far off."""

    ground: Ground
    places: Sequence[UnderPlace]
    radius_m: float
    windows: list[Grid] = field(init=False)
    left: list[Floats] = field(init=False)  # -log of what passes left bare
    unknown: set[int] = field(init=False, default_factory=set)  # places that were passed without a clock

    def __post_init__(self) -> None:
        cell_m, r = self.ground.grid.cell_m, self.radius_m
        at = [place.at_m for place in self.places]
        self.windows = [aligned_grid((x - r, y - r, x + r, y + r), cell_m) for x, y in at]
        self.left = [np.zeros((window.rows, window.cols)) for window in self.windows]

    def add(self, walks: Sequence[SwungWalk], swept: OutingPasses) -> None:
        """Add one outing."""
        for coil in swept.by_coil:
            own = [walk for walk in walks if walk.swing.coil.name == coil]
            pieces: dict[float | None, CoilPieces | None] = {}
            for number, place in enumerate(self.places):
                if place.coil not in (None, coil) or not self._passed(number, coil, swept):
                    continue
                if place.depth_m not in pieces:
                    pieces[place.depth_m] = coil_pieces(own, place.depth_m)
                self._add(number, coil, swept, pieces[place.depth_m])

    def _passed(self, number: int, coil: str, swept: OutingPasses) -> bool:
        return bool((swept.by_coil[coil][self.windows[number].part_of(swept.grid)] > 0).any())

    def _add(self, number: int, coil: str, swept: OutingPasses, pieces: CoilPieces | None) -> None:
        if pieces is None or not (pieces.legs or pieces.own):
            self.unknown.add(number)
            return
        window = self.windows[number]
        passes, there = swept.by_coil[coil][window.part_of(swept.grid)], swept.grid.part_of(window)
        near = pieces.near(window)
        mean = near.mean(passes > 0, near.spans(window.window(there)), 1)[0]
        self.left[number][there] += mean * passes

    def shares(self) -> list[float | None]:
        """Return for each place the share of the site's ground round it that lay under the coil, 0 to 1.

        None where somebody passed without a clock, or where the site has no ground so near.
        """
        return [None if number in self.unknown else self._share(number) for number in range(len(self.places))]

    def _share(self, number: int) -> float | None:
        window, grid = self.windows[number], self.ground.grid
        x, y = window.centres()
        px, py = self.places[number].at_m
        near = np.hypot(x[None, :] - px, y[:, None] - py) <= self.radius_m
        inside = np.zeros(near.shape, bool)
        inside[grid.part_of(window)] = self.ground.inside[window.part_of(grid)]
        here = near & inside
        return float(-np.expm1(-self.left[number][here]).mean()) if here.any() else None
