"""The numbers of the site, of each coil and of all outings together."""

from collections.abc import Callable, Sequence

import numpy as np

from fieldcomb.coverage.estimate.swept_share import Estimate
from fieldcomb.coverage.ground.pass_tally import PassTally
from fieldcomb.coverage.ground.site_cells import BLOCKED, NO_GO, SITE, Ground
from fieldcomb.coverage.ground.under_coil import Under, UnderCoil
from fieldcomb.coverage.survey.inputs import SiteInput
from fieldcomb.coverage.survey.results import CoilResult, OutingResult, SiteResult, TotalResult


def coil_results(
    tally: PassTally,
    outings: Sequence[OutingResult],
    site_m2: float,
    estimate_of: Callable[[str], Estimate],
    under: UnderCoil,
) -> tuple[CoilResult, ...]:
    """Return the numbers of each coil."""
    results = []
    for name, layer in tally.by_coil.items():
        swept_m2 = float(np.count_nonzero(layer)) * tally.ground.grid.cell_m2
        pct = 100 * swept_m2 / site_m2
        count = sum(name in o.head.coils for o in outings)
        covered = under.of_coil(name).at_most(pct)
        results.append(CoilResult(name, count, swept_m2, pct, estimate_of(name), covered, *under.paces_for_95(name)))
    return tuple(results)


def total_result(
    tally: PassTally, site_m2: float, estimate: Estimate, under: Under, found_from_m: float | None
) -> TotalResult:
    """Return the numbers of all outings together."""
    m2 = tally.ground.grid.cell_m2
    by_passes = tally.passes_m2()
    swept = site_m2 - by_passes["0"]
    twice = by_passes["2"] + by_passes["3+"]
    pct = 100 * swept / site_m2
    return TotalResult(
        swept_m2=swept,
        swept_pct=pct,
        twice_pct=100 * twice / swept if swept else 0.0,
        crosswise_m2=tally.crosswise_m2(),
        not_recorded_m2=float(np.count_nonzero(tally.lost())) * m2,
        passes_m2=by_passes,
        estimate=estimate,
        under=under.at_most(pct),
        said_walked_m2=float(np.count_nonzero(tally.said_walked())) * m2,
        found_from_m=found_from_m,
    )


def site_result(site: SiteInput, ground: Ground) -> SiteResult:
    """Return the site's own numbers."""
    return SiteResult(
        name=site.name,
        area_m2=ground.m2(SITE),
        boundary=ground.boundary,
        no_go_m2=ground.m2(NO_GO),
        blocked_m2=ground.m2(BLOCKED),
        cell_m=site.cell_m,
        frame=site.frame,
        zone=site.zone,
    )
