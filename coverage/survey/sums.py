"""What is added up over the outings of a site, one outing after another: ground, estimate, under the coil, to do."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
from shapely.geometry import MultiPolygon

from fieldcomb.coverage.areas.area_shapes import AreaShape, NoGoEntered
from fieldcomb.coverage.areas.no_go import Swath, days_of, no_go_entered
from fieldcomb.coverage.cache.memo import NOTHING, Memo, digest
from fieldcomb.coverage.estimate.chance import ChanceMap, redraw
from fieldcomb.coverage.estimate.confidence import found_from_m
from fieldcomb.coverage.estimate.measured_spacings import spacings_of
from fieldcomb.coverage.estimate.swept_share import Estimate, Walked, estimates_on
from fieldcomb.coverage.gear.receivers import receiver
from fieldcomb.coverage.ground.pass_tally import OutingPasses, PassTally, Swinging, sweep_outing
from fieldcomb.coverage.ground.site_cells import SITE, Ground, clip_to_site
from fieldcomb.coverage.ground.under_coil import UnderCoil
from fieldcomb.coverage.outings.times import outing_times
from fieldcomb.coverage.outings.walks import SwungWalk, WalkedOuting
from fieldcomb.coverage.raster.cells import Cells, Mask
from fieldcomb.coverage.raster.passes import Counts
from fieldcomb.coverage.survey.figures import coil_results, site_result, total_result
from fieldcomb.coverage.survey.inputs import SiteInput
from fieldcomb.coverage.survey.results import OutingResult, Report
from fieldcomb.coverage.todo.dug_classes import SearchedTally
from fieldcomb.coverage.todo.remaining import RemainingTargets
from fieldcomb.tracks.marks.vocabulary import Mark
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.units import parse_zone


@dataclass(slots=True, eq=False)
class SurveyGround:
    """What outings are added up on: the site and its ground, its areas as they stand, and what was asked.

    ground_key : stands for the ground in what is kept for the next time.
    """

    site: SiteInput
    ground: Ground
    areas: tuple[AreaShape, ...]
    notes: tuple[str, ...]
    depth_m: float | None
    memory: Memo = NOTHING
    ground_key: str = field(init=False, default="")

    def __post_init__(self) -> None:
        if self.memory.store is not None:
            ground = self.ground
            self.ground_key = digest((ground.grid, ground.kind, ground.shape, ground.near))

    def sweep(self, outing: WalkedOuting) -> tuple[OutingPasses, float, NoGoEntered]:
        """Count one outing; also the share of its searching that lay far from the site, and no-go ground entered."""
        given = (self.ground_key, self.areas, self.site.zone, self.site.cell_m, outing)
        return self.memory.get_or_compute("sweep", given, partial(self._sweep, outing))

    def _sweep(self, outing: WalkedOuting) -> tuple[OutingPasses, float, NoGoEntered]:
        swinging: list[Swinging] = []
        swaths: list[Swath] = []
        lengths = cut_m = 0.0
        for w in outing.walks:
            near, cut = clip_to_site(w.walk.legs, self.ground.near)
            own, _ = clip_to_site(w.walk.coil_legs, self.ground.near)
            swinging.append(Swinging(w.swing.coil.name, w.swing.swath_m, near, own, w.swing.coil.width_m))
            swaths.append(Swath(near, w.swing.swath_m, w.swing.gps))
            lengths += w.walk.search_m
            cut_m += cut * w.walk.search_m
        dropouts = [(w.swing.swath_m, d) for w in outing.walks for d in w.walk.dropouts]
        days = days_of(outing.start_s, outing.end_s, parse_zone(self.site.zone))
        # Whoever marks ground stands on it; anyone who comes later was warned.
        areas = [area for area in self.areas if area.marked_in != outing.id]
        into = no_go_entered(areas, days, swaths, self.site.cell_m)
        return sweep_outing(swinging, dropouts, self.ground), cut_m / lengths if lengths else 0.0, into


class SurveySums:
    """Everything that is added up over the outings of a site; they come in order of time."""

    def __init__(self, of: SurveyGround, walked: Sequence[WalkedOuting]) -> None:
        self.of = of
        ground, site = of.ground, of.site
        swings = [w.swing for outing in walked for w in outing.walks]
        receivers = [receiver(swing.gps) for swing in swings]
        self.worst = max(receivers, key=lambda one: one.sigma_m)
        self.tally = PassTally(ground, of.memory)
        inside = self.tally.inside  # one of them for all: on a large site each is 10 MB
        self.chances = ChanceMap(inside, ground.grid)
        self.estimates = estimates_on(inside, ground.grid, ground.boundary, receivers, of.memory)
        self.ledger = RemainingTargets(ground, site.frame, walked, site.coils, site.todo, self.chances.coarse)
        self.searched = SearchedTally(ground.kind.shape, [swing.rule for swing in swings])
        guessed = any(not swing.sweep_measured for swing in swings)
        self.under = UnderCoil(inside, guessed, of.depth_m, of.memory)
        self.results: list[OutingResult] = []

    def add(self, outing: WalkedOuting) -> OutingPasses:
        """Add one outing; returns what it swept."""
        of, tally = self.of, self.tally
        swept, far_share, no_go = of.sweep(outing)
        estimate, passed_by = self._estimate(outing, swept)
        times = outing_times([w.walk for w in outing.walks], far_share, [o.times for o in self.results])
        ground = tally.add(swept)
        under = self.under.add(outing.walks, swept).at_most(ground.swept_pct)
        self.results.append(
            OutingResult(outing.head, times, ground, estimate, under, outing.recordings, outing.marks, no_go)
        )
        self.ledger.add(outing, swept, passed_by)
        for w in outing.walks if self.searched.stated else ():
            passed = swept.by_coil[w.swing.coil.name][swept.there] > 0
            self.searched.add(swept.here, passed & tally.inside[swept.here], w.swing.rule)
        return swept

    def finished(self) -> tuple[Report, Cells | None, MultiPolygon]:
        """Return the report but for its strips; the ground by pace; and where something was heard and left."""
        of, tally, under, ledger = self.of, self.tally, self.under, self.ledger
        site_m2, inside = of.ground.m2(SITE), tally.inside
        estimate, found_m = self.estimates.together(), None
        if estimate.pct is not None:
            estimate = replace(estimate, strips_placed=not self.chances.any_drawn)
            found_m = found_from_m(self.worst)
        report = Report(
            site_result(of.site, of.ground),
            tuple(self.results),
            coil_results(tally, self.results, site_m2, self.estimates, under),
            total_result(tally, site_m2, estimate, under.together(), found_m),
            (),
            None,
            of.notes,
            depth_m=of.depth_m,
            filled=under.filled(of.areas),
            searched_for=self.searched.results(inside & (tally.passes > 0), int(np.count_nonzero(inside))),
            junk=ledger.junk(),
        )
        return report, under.pace_layer(tally.passes), ledger.heard()

    def _estimate(self, outing: WalkedOuting, swept: OutingPasses) -> tuple[Estimate, dict[str, Floats]]:
        """Estimate one outing, and add it to what all outings swept; with the chances as ``_add_chance`` gives them."""
        walks = [
            (w.swing.coil.name, _walked(w, outing.marks)) for w in outing.walks if w.walk.ways or w.walk.times is None
        ]
        by_coil = {coil: self._on_site(counts, swept) for coil, counts in swept.by_coil.items()}
        estimate = self.estimates.add(walks, self._on_site(swept.passes, swept), by_coil)
        return estimate, {} if self.estimates.reason else self._add_chance(outing, swept, estimate)

    def _on_site(self, counts: Counts, swept: OutingPasses) -> Mask:
        """Where an outing swept, on the site's grid."""
        whole = np.zeros(self.tally.inside.shape, bool)
        whole[swept.here] = counts[swept.there] > 0
        return np.asarray(whole & self.tally.inside)

    def _add_chance(self, outing: WalkedOuting, swept: OutingPasses, estimate: Estimate) -> dict[str, Floats]:
        """Add an outing to the chances: as recorded where its strips can be trusted, by its draws elsewhere.

        Returns the chance that each of its coils passed each cell, where that is not as recorded.
        """
        chances = self.chances
        if estimate.strips_placed:
            chances.add_placed(swept.passes[swept.there] > 0, swept.here)
            return {}
        drawn: dict[str, Mask] = {}
        for w in outing.walks:
            if w.walk.ways:
                given = (w.walk.ways, w.swing.swath_m, receiver(w.swing.gps), chances.coarse.grid)
                mask = self.of.memory.get_or_compute("redraw", given, partial(redraw, *given))
                chances.add_drawn(mask)
                name = w.swing.coil.name
                drawn[name] = drawn[name] | mask if name in drawn else mask
        untimed = {w.swing.coil.name for w in outing.walks if w.walk.times is None}
        told = chances.of_outing(drawn, estimate.pct) if drawn else {}
        return {name: one for name, one in told.items() if name not in untimed}


def _walked(walk: SwungWalk, marks: Sequence[Mark]) -> Walked:
    swing = walk.swing
    spacings = spacings_of(marks, walk.walk.start_s, walk.walk.end_s, walk.spacings)
    return Walked(walk.walk.ways, swing.swath_m, swing.swath_measured, receiver(swing.gps), spacings)
