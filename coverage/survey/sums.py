"""What is added up over the outings of a site, one outing after another: ground, estimate, under the coil, to do."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import field, replace
from functools import partial
from typing import TypeVar

import numpy as np
from shapely.geometry import MultiPolygon

from fieldcomb.coverage.areas.area_shapes import AreaShape
from fieldcomb.coverage.cache.memo import Memo
from fieldcomb.coverage.estimate.chance import ChanceMap
from fieldcomb.coverage.estimate.confidence import found_from_m
from fieldcomb.coverage.estimate.swept_share import Estimate, estimates_on
from fieldcomb.coverage.gear.coils import OwnCoil
from fieldcomb.coverage.gear.receivers import Receiver, receiver
from fieldcomb.coverage.ground.ground_results import Strip
from fieldcomb.coverage.ground.pass_tally import OutingPasses, PassTally
from fieldcomb.coverage.ground.site_cells import SITE, Ground
from fieldcomb.coverage.ground.under_coil import UnderCoil
from fieldcomb.coverage.outings.times import outing_times
from fieldcomb.coverage.outings.walks import WalkedOuting
from fieldcomb.coverage.raster.blocks import PartOf
from fieldcomb.coverage.raster.cells import Cells, Mask
from fieldcomb.coverage.raster.vectorise import cells_inside
from fieldcomb.coverage.season.events import GroundEvent, PlacedEvent
from fieldcomb.coverage.season.search_effort import SearchEffort
from fieldcomb.coverage.season.since_events import SinceResult, SweptSince
from fieldcomb.coverage.survey.figures import coil_results, site_result, total_result
from fieldcomb.coverage.survey.inputs import SiteInput
from fieldcomb.coverage.survey.lane_ground import OutingLanes, draw_on_site, lane_cells, outing_chances
from fieldcomb.coverage.survey.other_outings import OthersSwept
from fieldcomb.coverage.survey.outing_alone import AloneOn, OutingAlone, SweptOnSite, off_lanes, walks_for_estimate
from fieldcomb.coverage.survey.results import OutingResult, PersonResult, Report, TotalResult
from fieldcomb.coverage.survey.walked_lanes import LanesOnSite, OnPlan
from fieldcomb.coverage.todo.dug_classes import SearchedTally
from fieldcomb.coverage.todo.ranking import BareGround, bare_ground
from fieldcomb.coverage.todo.remaining import RemainingTargets
from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.units import local_date, parse_zone
from fieldcomb.tracks.values import dataclass


@dataclass(frozen=True, slots=True, eq=False)
class SurveyGround:
    """What outings are added up on: the site and its ground, its areas as they stand, and what was asked.

    in_hand : the coil that ground to go to is for; None: for any of the user's. others : cells of the site swept by
    outings that are not counted. lanes : plans of which it is known what was walked. on_plans : by outing, its walks
    that were on one of them.
    """

    site: SiteInput
    ground: Ground
    areas: tuple[AreaShape, ...]
    notes: tuple[str, ...]
    depth_m: float | None
    in_hand: OwnCoil | None = None
    others: OthersSwept | None = None
    lanes: tuple[LanesOnSite, ...] = ()
    on_plans: Mapping[str, tuple[OnPlan, ...]] = field(default_factory=dict)
    events: tuple[PlacedEvent, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class AddedUp:
    """All outings together: the report but for its strips, and what these and the map are made from.

    left_out : chance that each cell of the chances is left out. wandering : whether nobody walked lanes.
    pace, heard, searched, stale : as in ``Layers``. strips : gives the pieces of missed ground.
    effort : what outings passed; None on a site without finds.
    """

    report: Report
    tally: PassTally
    chances: ChanceMap
    worst: Receiver
    ledger: RemainingTargets
    bare: BareGround
    left_out: Floats
    wandering: bool
    pace: Cells | None
    heard: MultiPolygon
    searched: Cells | None
    strips: Callable[[], tuple[Strip, ...]]
    effort: SearchEffort | None = None
    stale: MultiPolygon | None = None


_T = TypeVar("_T")

MOST_GROWTH = 8  # times that the site so far is estimated: each takes as long as all outings up to there


def _swept_already(of: SurveyGround) -> Mask | None:
    """Return cells that outings swept which are not counted, and that are not to be searched again.

    Ground that was searched only before it changed is to be searched again, and where it did not change it is not.
    """
    since = of.site.since
    if of.others is None or not isinstance(since, GroundEvent):
        return None if of.others is None else of.others.known
    changed = next((one.shapes for one in of.events if one.event == since), None)
    if changed is None:
        return None
    return np.asarray(of.others.known & ~cells_inside([area.shape for area in changed], of.ground.grid))


class SurveySums:
    """Everything that is added up over the outings of a site; they come in order of time."""

    def __init__(
        self,
        of: SurveyGround,
        walked: Sequence[WalkedOuting],
        memory: Memo,
        begin_strips: Callable[[PassTally], Callable[[], tuple[Strip, ...]]] | None = None,
        jobs: int = 1,
    ) -> None:
        self.of, self.begin_strips = of, begin_strips
        self.strips: Callable[[], tuple[Strip, ...]] = tuple
        ground, site = of.ground, of.site
        swings = [w.swing for outing in walked for w in outing.walks]
        receivers = [receiver(swing.gps) for swing in swings]
        self.worst = max(receivers, key=lambda one: one.sigma_m)
        self.tally = PassTally(ground, _swept_already(of), lane_cells(of.lanes, ground))
        inside = self.tally.inside  # one of them for all: on a large site each is 10 MB
        self.chances = ChanceMap(inside, ground.grid)
        self.estimates = estimates_on(inside, ground.grid, receivers)
        self.fresh = replace(self.estimates, sums={}, untimed=set())
        self.estimates.jobs = jobs  # of each outing it is done beside that of others
        self.ledger = RemainingTargets(
            ground, site.frame, walked, site.coils, site.todo, self.chances.coarse, of.in_hand
        )
        self.searched = SearchedTally(ground.kind.shape, [swing.rule for swing in swings])
        guessed = any(not swing.sweep_measured for swing in swings)
        self.under = UnderCoil(inside, guessed, of.depth_m)
        self.results: list[OutingResult] = []
        self.people: dict[str, PersonResult] = {}
        self.count, self.names = len(walked), list[str]()
        self.plans, self.lanes = draw_on_site(of.lanes, ground, self.estimates.plot, self.chances.coarse, memory)
        self.effort = SearchEffort(self.chances.coarse) if site.finds else None
        self.since = SweptSince(of.events, [self._day(outing) for outing in walked], inside, ground.grid)

    def alone_on(self) -> AloneOn:
        """Return what each outing is looked at on, before it is added."""
        of, fresh, inside = self.of, self.fresh, self.tally.inside
        grid = self.chances.coarse.grid
        return AloneOn(of.ground, of.areas, of.site.zone, of.site.cell_m, fresh, inside, grid, of.on_plans)

    def sweep(self, outing: WalkedOuting, swept: OutingPasses) -> None:
        """Add the ground of one outing; with that of the last begin to find strips, which depend on nothing else."""
        self.ground = self.tally.add(swept, {one.coil for one in self.lanes.get(outing.id, ())})
        if len(self.results) + 1 == self.count:
            self.begin()

    def begin(self) -> None:
        """Begin to find strips, of the ground of all outings."""
        if self.begin_strips:
            self.strips = self.begin_strips(self.tally)

    def add(self, outing: WalkedOuting, alone: OutingAlone) -> None:
        """Add one outing, whose ground was added by ``sweep``."""
        ground = self.ground
        of, tally, swept, estimate = self.of, self.tally, alone.swept, alone.estimate
        on_site = SweptOnSite(tally.inside, swept)
        rest, lanes = off_lanes(outing, of.on_plans.get(outing.id, ())), self.lanes.get(outing.id, ())
        self.estimates.add(walks_for_estimate(rest), estimate, swept.by_coil, on_site)
        self.estimates.last = self.estimates.last or self.fresh.last  # of one outing it is the same as of all
        passed_by = {} if self.estimates.reason else self._add_chance(rest, alone)
        told = self.estimates.with_lanes(estimate, [one.swept for one in lanes])
        passed_by = self._add_lanes(lanes, passed_by)
        times = outing_times([w.walk for w in outing.walks], alone.far_share, [o.times for o in self.results])
        under = self.under.add(outing.walks, swept).at_most(ground.swept_pct)
        head, recordings, marks = outing.head, outing.recordings, outing.marks
        day = self._day(outing)
        done = self.ledger.add(outing, swept, passed_by, day)
        self._add_people(outing, alone)
        no_go = alone.no_go
        self.since.add(day, swept)
        if self.effort is not None:
            self.effort.add(outing, day, swept, passed_by, alone.far_share)
        self.results.append(OutingResult(head, times, ground, told, under, recordings, marks, no_go, junk_done=done))
        for w in outing.walks if self.searched.stated else ():
            passed = swept.by_coil[w.swing.coil.name][swept.there] > 0
            self.searched.add(swept.here, passed & tally.inside[swept.here], w.swing.rule)

    def _since(self, total: TotalResult) -> SinceResult | None:
        """How much was ever walked over, where only outings from some day on are counted."""
        since, tally = self.of.site.since, self.tally
        if since is None:
            return None
        swept = ~tally.unswept() & tally.inside
        if self.of.others is not None:
            swept |= self.of.others.exact & tally.inside
        ever_pct = 100 * float(np.count_nonzero(swept)) / max(int(np.count_nonzero(tally.inside)), 1)
        event, day = (since, since.day) if isinstance(since, GroundEvent) else (None, since)
        return SinceResult(day, event, total.swept_pct, max(ever_pct, total.swept_pct))

    def _day(self, outing: WalkedOuting) -> str:
        return str(local_date(outing.start_s, parse_zone(self.of.site.zone)) or "")

    def estimate_so_far(self, name: str, memory: Memo) -> None:
        """Estimate all outings up to the last one added, if it is one after which the growth of the site is told.

        name : what that outing is kept under, "" where it is not.
        """
        self.names.append(name)
        if len(self.names) == self.count:  # lanes that no recording shows were walked nobody knows when
            for one in self.lanes.get("", ()):
                self.ledger.add_lanes(one.swept.mean_cells, one.swept.mean)
            self._add_lanes(self.lanes.get("", ()), {})
        if self.is_asked(len(self.names)):
            so_far = self._recall_or(memory, "so far", self.estimates.together)
            self.results[-1] = replace(self.results[-1], so_far=so_far)

    def is_asked(self, number: int) -> bool:
        """Whether the growth of the site is told after so many outings."""
        step = 1
        while self.count > MOST_GROWTH * step:
            step *= 2  # so that what was estimated for fewer outings is still asked for
        return number % step == 0 or number == self.count

    def _recall_or(self, memory: Memo, what: str, compute: Callable[[], _T]) -> _T:
        """Recall what all outings up to the last one added come to, or compute it."""
        lanes = ([one.told.plan, one.told.settled, one.told.chances, one.groups] for one in self.of.lanes)
        return memory.get_or_compute(what, (*self.names, *lanes), compute) if all(self.names) else compute()

    def finished(self, memory: Memo) -> AddedUp:
        """Return everything that is needed to find what was missed; the rest can be freed."""
        estimates = self.estimates

        def of_coil(name: str | None) -> Estimate:
            return self._recall_or(memory, f"of coil {name}", partial(estimates.together, name))

        of, tally, under, ledger = self.of, self.tally, self.under, self.ledger
        bare = bare_ground(ledger, tally)
        site_m2, inside = of.ground.m2(SITE), tally.inside
        estimate, found_m = self._recall_or(memory, "so far", estimates.together), found_from_m(self.worst)
        if estimate.pct is not None:
            estimate = replace(estimate, strips_placed=not self.chances.any_drawn)
        evidence = self._recall_or(memory, "next evidence", partial(estimates.next_evidence, estimate))
        total = total_result(tally, site_m2, estimate, under.together(), found_m)
        report = Report(
            site_result(of.site, of.ground),
            tuple(self.results),
            coil_results(tally, self.results, site_m2, of_coil, under),
            replace(total, next_evidence=evidence),
            (),
            None,
            of.notes,
            depth_m=of.depth_m,
            filled=under.filled(of.areas),
            searched_for=self.searched.results(inside & (tally.passes > 0), int(np.count_nonzero(inside))),
            junk=ledger.junk(),
            junk_done=tuple(ledger.done.values()),
            coil_pairs=ledger.by_coil.pairs(),
            lanes=self.plans,
            events=self.since.finished(~tally.unswept()),
            since=self._since(total),
            reopened=of.site.reopened,
            people=tuple(sorted(self.people.values(), key=lambda one: (one.searcher is None, one.searcher))),
        )
        left_out = self._recall_or(memory, "left out", partial(estimates.left_out, self.chances.coarse.grid))
        wandering = estimates.wandering
        pace, heard = under.pace_layer(tally.passes), ledger.heard()
        tally.forget_bearings()
        return AddedUp(
            report,
            tally,
            self.chances,
            self.worst,
            ledger,
            bare,
            left_out,
            wandering,
            pace,
            heard,
            self.searched.packed,
            self.strips,
            self.effort,
            self.since.stale(),
        )

    def _add_lanes(self, lanes: Sequence[OutingLanes], passed_by: dict[str, PartOf]) -> dict[str, PartOf]:
        """Add lanes to estimate and chances; returns the chance that each coil passed each cell, with theirs."""
        for one in lanes:
            self.estimates.add_lanes(one.coil, one.swept)
            self.chances.add_lanes(one.swept)
        return outing_chances(passed_by, lanes, self.chances.coarse.cells.shape)

    def _add_people(self, outing: WalkedOuting, alone: OutingAlone) -> None:
        """Add what each person searched; far from the site is not searching, as in the outing's times."""
        for name, swept_m2 in alone.swept.by_person.items():
            before = self.people.get(name, PersonResult(name or None, 0, 0, 0.0, 0.0))
            times = [w.walk.times for w in outing.walks if (w.searcher or "") == name]
            known = [one.searching_s * (1 - alone.far_share) / 3600 for one in times if one is not None]
            hours = None if before.hours is None or len(known) < len(times) else before.hours + sum(known)
            self.people[name] = replace(
                before, outings=before.outings + 1, hours=hours, swept_m2=before.swept_m2 + swept_m2
            )
        for name in outing.head.unrecorded:
            before = self.people.get(name, PersonResult(name, 0, 0, 0.0, 0.0))
            self.people[name] = replace(before, not_recorded=before.not_recorded + 1)

    def _add_chance(self, outing: WalkedOuting, alone: OutingAlone) -> dict[str, PartOf]:
        """Add an outing to the chances: as recorded where its strips can be trusted, by its draws elsewhere.

        Returns the chance that each of its coils passed each cell, where that is not as recorded.
        """
        swept, estimate = alone.swept, alone.estimate.estimate
        if estimate.strips_placed:
            self.chances.add_placed(swept.passes[swept.there] > 0, swept.here)
            return {}
        for one in alone.redrawn.values():
            self.chances.add_drawn(one)
        untimed = {w.swing.coil.name for w in outing.walks if w.walk.times is None}
        chances = self.chances.of_outing(alone.redrawn, estimate.pct) if alone.redrawn else {}
        return {name: one for name, one in chances.items() if name not in untimed}
