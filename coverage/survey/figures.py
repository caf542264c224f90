"""The numbers of an outing, of a coil and of all together, from what was walked and what was added up."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fieldcomb.coverage.areas.no_go import Entered
from fieldcomb.coverage.estimate.swept_share import Estimate, Estimates
from fieldcomb.coverage.ground.tally import OutingGround, Tally
from fieldcomb.coverage.outings.walks import WalkedOuting
from fieldcomb.coverage.survey.results import CoilResult, OutingResult, TotalResult


def outing_result(
    outing: WalkedOuting,
    ground: OutingGround,
    cut: float,
    before: Sequence[OutingResult],
    site_m2: float,
    estimate: Estimate,
    into: Entered,
) -> OutingResult:
    """Put an outing's times and areas together; ``cut``: share of its searching far from the site."""
    walks = [w.walk for w in outing.walks]
    times = [w.times for w in walks if w.times is not None]
    timed = len(times) == len(walks)
    search_m = sum(w.search_m for w in walks) * (1 - cut)
    searching = sum(t.searching_s for t in times) * (1 - cut)
    transit = sum(t.transit_s for t in times) + sum(t.searching_s for t in times) * cut
    stopped, lost = sum(t.stopped_s for t in times), sum(t.dropout_s for t in times)
    hours = [o.searching_s for o in before] + [searching if timed else None]
    swept = ground.swept_m2
    return OutingResult(
        id=outing.id,
        label=outing.label,
        note=outing.note,
        start_s=outing.start_s,
        coils=tuple(dict.fromkeys(w.swing.coil.name for w in outing.walks)),
        recordings=outing.recordings,
        recorded=outing.recorded,
        unrecorded=outing.unrecorded,
        walked_m=sum(w.walked_m for w in walks),
        elapsed_s=searching + stopped + transit + lost if timed else None,
        searching_s=searching if timed else None,
        stopped_s=stopped if timed else None,
        transit_s=transit if timed else None,
        dropout_s=lost if timed else None,
        stops=sum(len(w.stops) for w in walks) if timed else None,
        digs=sum(s.kind == "dig" for w in walks for s in w.stops) if timed else None,
        speed_m_s=search_m / searching if timed and searching > 0 else None,
        swept_m2=swept,
        swept_pct=100 * swept / site_m2,
        new_m2=ground.new_m2,
        again_same_coil_m2=ground.again_same_coil_m2,
        again_other_coil_m2=ground.again_other_coil_m2,
        crosswise_m2=ground.crosswise_m2,
        twice_pct=100 * ground.twice_m2 / swept if swept else 0.0,
        outside_m2=ground.outside_m2,
        no_go_entered_m2=into[1],
        not_recorded_m2=ground.not_recorded_m2,
        minutes_per_100_m2=searching / 60 / (swept / 100) if timed and swept else None,
        total_pct=100 * ground.total_m2 / site_m2,
        total_hours=sum(h for h in hours if h is not None) / 3600 if None not in hours else None,
        marks=outing.marks,
        no_go_entered=into[0],
        swept_est_pct=estimate.pct,
        swept_low=estimate.low,
        swept_high=estimate.high,
        strips_placed=estimate.strips_placed,
        est_reason=estimate.reason,
    )


def coil_results(
    tally: Tally, outings: Sequence[OutingResult], site_m2: float, estimates: Estimates
) -> list[CoilResult]:
    """Give the numbers of each coil."""
    found = []
    for name, layer in tally.by_coil.items():
        swept = float(np.count_nonzero(layer)) * tally.ground.grid.cell_m2
        told = estimates.together(name)
        count = sum(name in o.coils for o in outings)
        found.append(CoilResult(name, count, swept, 100 * swept / site_m2, told.pct, told.low, told.high))
    return found


def total_result(tally: Tally, site_m2: float, estimate: Estimate) -> TotalResult:
    """Give the numbers of all outings together."""
    m2 = tally.ground.grid.cell_m2
    by_passes = tally.passes_m2()
    swept = site_m2 - by_passes["0"]
    twice = by_passes["2"] + by_passes["3+"]
    return TotalResult(
        swept_m2=swept,
        swept_pct=100 * swept / site_m2,
        twice_pct=100 * twice / swept if swept else 0.0,
        crosswise_m2=tally.crosswise_m2(),
        not_recorded_m2=float(np.count_nonzero(tally.not_recorded & (tally.passes == 0))) * m2,
        passes_m2=by_passes,
        said_walked_m2=float(np.count_nonzero(tally.said_walked())) * m2,
        swept_est_pct=estimate.pct,
        swept_low=estimate.low,
        swept_high=estimate.high,
        est_reason=estimate.reason,
    )
