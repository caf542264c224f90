"""Shares of a part of what was walked: a coil, a person, a team's day, some outings, two compared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from calibrate import outing_of, site_of
from drift_walks import DriftWalk, together_pct
from site_walks import SiteWalks, draw_site

from fieldcomb.coverage.estimate.swept_share import Estimate
from fieldcomb.coverage.gear.coils import Coil
from fieldcomb.coverage.outings.inputs import OutingInput, RecordingInput
from fieldcomb.coverage.survey.results import Report
from fieldcomb.coverage.survey.survey import survey

CELL_M = 0.25


@cache
def site(name: str, seed: int) -> SiteWalks:
    """A simulated site."""
    return draw_site(name, seed)


def recording(walk: DriftWalk, name: str) -> RecordingInput:
    """One recording, with a coil named after its swath."""
    ((one,),) = (part() for part in outing_of(walk, name).parts)
    coil = Coil(f"{100 * walk.swath_m:.0f}", 0.28, 0.28)
    return replace(one, swing=replace(one.swing, coil=coil), searcher=name)


def outing(name: str, *walks: DriftWalk) -> OutingInput:
    """An outing of one recording or a team's."""
    items = tuple(recording(walk, f"{name}{k}") for k, walk in enumerate(walks))
    return OutingInput(name, None, None, (lambda: items,))


def report(
    walks: Sequence[DriftWalk], outings: Sequence[OutingInput], between: tuple[str, str] | None = None
) -> Report:
    """Survey the field of some walks."""
    return survey(site_of(walks[0], CELL_M), outings, between=between).report


def holds(estimate: Estimate, walks: Sequence[DriftWalk]) -> bool:
    """Whether the interval holds what these walks truly swept together."""
    assert estimate.low is not None and estimate.high is not None
    return estimate.low <= together_pct(list(walks), 0.25) <= estimate.high


def test_each_coil_is_told_by_its_own_walks() -> None:
    """Of the three coils of each of two seasons, the interval holds for five or more what that coil truly swept."""
    held = []
    for seed in (7100, 7101):
        walks = site("season of eight", seed).walks
        coils = report(walks, [outing(chr(97 + k), walk) for k, walk in enumerate(walks)]).coils
        by_coil = {name: [w for w in walks if f"{100 * w.swath_m:.0f}" == name] for name in {c.coil for c in coils}}
        assert len(coils) == 3
        held += [holds(coil.estimate, by_coil[coil.coil]) for coil in coils]
    assert sum(held) >= 5


def test_a_team_is_told_as_its_people_on_days_of_their_own() -> None:
    """Four people side by side sweep the same share in one outing as in four; the interval holds the truth, and each
    person's holds what that person swept for three or more.
    """
    walks = site("team of four", 7102).walks
    together = [replace(w, fixes=replace(w.fixes, t_s=w.fixes.t_s - 86_400 * k)) for k, w in enumerate(walks)]
    team = report(walks, [outing("a", *together)])
    apart = report(walks, [outing(chr(97 + k), walk) for k, walk in enumerate(walks)])
    assert holds(team.total.estimate, walks) and team.outings[0].estimate.pct == team.total.estimate.pct
    assert team.total.estimate.pct == pytest.approx(apart.total.estimate.pct, abs=1.0)
    assert sum(holds(one.estimate, [walk]) for one, walk in zip(apart.outings, walks, strict=True)) >= 3


def test_two_outings_compared_are_told_by_themselves() -> None:
    """What two of three outings swept is told as if there were no third, and the interval holds it; so it is since a
    day, when only the later ones are given.
    """
    walks = site("thirds on three days", 7103).walks
    outings = [outing(chr(97 + k), walk) for k, walk in enumerate(walks)]
    compared, alone = report(walks, outings, ("b", "c")), report(walks, outings[1:])
    assert compared.total.estimate.pct == alone.total.estimate.pct and holds(alone.total.estimate, walks[1:])
    assert np.isclose(alone.total.estimate.pct or 0, together_pct(list(walks[1:]), 0.25), atol=8)
