"""How each coil was used so far: its pace, the ground it swept in a minute, and what it passed over on each cell."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from fieldcomb.coverage.gear.coils import OwnCoil
from fieldcomb.coverage.gear.footprint import heard_size_m
from fieldcomb.coverage.gear.swing import Swing, make_swing
from fieldcomb.coverage.ground.under_coil import half_minutes, shares
from fieldcomb.coverage.outings.walks import SwungWalk, WalkedOuting
from fieldcomb.coverage.raster.blocks import BLUR_SIGMAS, around, histogram
from fieldcomb.coverage.raster.cells import Slices
from fieldcomb.coverage.raster.grid import Grid
from fieldcomb.tracks.motion.legs import SearchPath
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

USUAL_PACE_M_S = 0.3  # common practice, no source: taken only where no recording has times
LEAST_WAY_M = 1e-3  # of walking round a cell: on less its pace is not known


@dataclass(slots=True)
class CoilUse:
    """Totals of one coil, over recordings with times."""

    search_m: float = 0.0
    searching_s: float = 0.0
    swept_m2: float = 0.0

    @property
    def pace_m_s(self) -> float | None:
        """Mean pace of searching; None without a clock."""
        return self.search_m / self.searching_s if self.searching_s > 0 and self.search_m > 0 else None

    @property
    def m2_per_minute(self) -> float | None:
        """Ground swept in a minute of searching; None without a clock."""
        return self.swept_m2 / self.searching_s * 60 if self.searching_s > 0 and self.swept_m2 > 0 else None


class CoilUses:
    """The use of every coil, filled outing by outing."""

    def __init__(self) -> None:
        self.by_name: dict[str, CoilUse] = {}

    def add(self, name: str, walks: Sequence[SwungWalk], swept_m2: float) -> None:
        """Add what one outing walked and swept with a coil; ground counts only if all of it was timed."""
        use = self.by_name.setdefault(name, CoilUse())
        timed = [(w.walk.search_m, w.walk.times) for w in walks if w.walk.times is not None]
        use.search_m += sum(search_m for search_m, _ in timed)
        use.searching_s += sum(times.searching_s for _, times in timed)
        use.swept_m2 += swept_m2 if len(timed) == len(walks) else 0.0

    @property
    def total(self) -> CoilUse:
        """The use of all coils together."""
        uses = self.by_name.values()
        return CoilUse(sum(u.search_m for u in uses), sum(u.searching_s for u in uses), sum(u.swept_m2 for u in uses))

    def share_of_next_pass(self, own: OwnCoil, depth_m: float | None, lift_m: float) -> float:
        """Share of its swath that a coil covers on one more pass at its usual pace, at a depth if one is given."""
        use = self.by_name.get(own.coil.name, CoilUse())
        pace_m_s = use.pace_m_s or self.total.pace_m_s or USUAL_PACE_M_S
        swing = make_swing(own.coil, own.swath_m, own.sweep_s, None, None, lift_m)
        swing = replace(swing, reach_m=own.reach_m)
        return float(shares(swing, np.array([pace_m_s]), depth_m)[0, 0])

    def m2_per_minute(self, own: OwnCoil, swaths_m: Mapping[str, float]) -> tuple[float | None, bool]:
        """Ground swept in a minute, and whether with this very coil.

        Otherwise it is that of all coils together, in proportion to the swing widths; ``swaths_m`` has those by name.
        """
        use = self.by_name.get(own.coil.name)
        if use is not None and use.m2_per_minute is not None:
            return use.m2_per_minute, True
        rate = self.total.m2_per_minute
        if rate is None:
            return None, False
        used_m = [swaths_m[name] for name in self.by_name]
        return rate * own.swath_m / (sum(used_m) / len(used_m)), False


def used_coils(outings: Sequence[WalkedOuting]) -> tuple[OwnCoil, ...]:
    """Return the coils that were used, each as it was swung last."""
    swings = {w.swing.coil.name: w.swing for outing in outings for w in outing.walks}
    return tuple(OwnCoil(s.coil, s.swath_m, s.sweep_s, None, s.rule) for s in swings.values())


def share_under_coil_on(grid: Grid, part: Slices, walks: Sequence[SwungWalk], depth_m: float | None) -> Floats:
    """Share under the coil on each cell of a part of ``grid``, (rows, cols), for one outing's walks with one coil.

    It follows the local pace in pieces of half a minute; between the lines it is averaged over half a swing width. A
    recorder on the shaft has measured what the coil covered.
    """
    from scipy.ndimage import gaussian_filter

    sigma = walks[0].swing.swath_m / 2 / grid.cell_m
    wide, inner = around(part, sigma, grid)
    covered, walked = np.zeros((2, wide[0].stop - wide[0].start, wide[1].stop - wide[1].start))
    for w in walks:
        for way in w.walk.ways:
            covered += histogram(grid, way.x_m, way.y_m, way.step_m * _share_along(way, w, depth_m), wide)
            walked += histogram(grid, way.x_m, way.y_m, way.step_m, wide)
    covered, walked = (
        gaussian_filter(values, sigma, mode="constant", truncate=BLUR_SIGMAS)[inner] for values in (covered, walked)
    )
    share = np.full(walked.shape, _mean_share(walks, depth_m))
    np.divide(covered, walked, out=share, where=walked > LEAST_WAY_M)
    return np.clip(share, 0, 1)


def _share_along(way: SearchPath, swung: SwungWalk, depth_m: float | None) -> Floats:
    """Share under the coil for each second of a way, by the pace of its half minute."""
    if swung.walk.coil_legs:
        return np.full_like(way.step_m, _recorded_share(swung.swing, depth_m))
    edges, pace_m_s = half_minutes(way)
    piece = np.minimum(np.searchsorted(edges, np.arange(way.t_s.size), side="right") - 1, pace_m_s.size - 1)
    return np.asarray(shares(swung.swing, pace_m_s, depth_m)[0][piece])


def _recorded_share(swing: Swing, depth_m: float | None) -> float:
    """Share of the coil's own recorded way: all of it, or at a depth the footprint's part of the coil's width."""
    return heard_size_m(swing, depth_m)[0] / swing.coil.width_m


def _mean_share(walks: Sequence[SwungWalk], depth_m: float | None) -> float:
    """Mean share under the coil on walks with one coil, by their usual pace."""
    total = weight = 0.0
    for w in walks:
        swing, times = w.swing, w.walk.times
        pace_m_s = w.walk.search_m / times.searching_s if times and times.searching_s > 0 else USUAL_PACE_M_S
        share = float(shares(swing, np.array([pace_m_s]), depth_m)[0, 0])
        total += (_recorded_share(swing, depth_m) if w.walk.coil_legs else share) * w.walk.search_m
        weight += w.walk.search_m
    return total / weight if weight else 1.0
