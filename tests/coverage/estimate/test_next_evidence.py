"""What one thing more to measure would make of the interval, and that it is said where it helps and nowhere else."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from samples import sample_result
from scipy.stats import gamma
from site_walks import draw_site
from sites import surveyed

from fieldcomb.coverage.estimate.measured_spacings import MeasuredSpacing, with_spacings
from fieldcomb.coverage.estimate.next_evidence import (
    SPACINGS,
    SWING,
    NextEvidence,
    next_evidence,
    with_swing,
    with_ten_spacings,
)
from fieldcomb.coverage.estimate.regularity import KAPPA, LANES, PRIOR, WANDERING
from fieldcomb.coverage.estimate.walked_ground import DRAWS, Drawn, drawn_by
from fieldcomb.coverage.pages.card import card_html
from fieldcomb.coverage.pages.map_page import map_html
from fieldcomb.coverage.report.advice import advice_of
from fieldcomb.coverage.report.report_json import report_json
from fieldcomb.coverage.report.summary import summary
from fieldcomb.coverage.report.table import table
from fieldcomb.coverage.survey.results import Result

SDS = (0.03, 0.10)
SENTENCE = "Measure ten spacings between your lanes: the range would narrow from 71-89 to about 77-87."


def ends(walks: list[Drawn]) -> tuple[float, float]:
    """A made-up interval: as wide as kappa and length times swath are uncertain."""
    kappa_sd = np.mean([walk.kappa[walk.drawn].std() for walk in walks])
    scale_sd = np.mean([walk.scale.std() for walk in walks])
    half = 50 * float(np.hypot(kappa_sd, scale_sd))
    return 80 - half, 80 + half


def walk(kind: str = LANES, swath_measured: bool = True, kappa_sd: float = 0.2) -> Drawn:
    """A walk of which little is known of how even its lanes are; nothing is laid anywhere."""
    kappa = np.linspace(0.02, 0.68, 13)
    chance = np.exp(-(((kappa - 0.3) / kappa_sd) ** 2) / 2)
    place = np.searchsorted(np.cumsum(chance / chance.sum()), (np.arange(DRAWS) + 0.5) / DRAWS)
    scale = np.sort(1 + SDS[not swath_measured] * np.random.default_rng(1).standard_normal(DRAWS))
    return Drawn((), scale, kappa, np.minimum(place, 12), kind, 1.5, 0.0, 1, 30, False, (), swath_measured)


def test_what_would_shrink_the_interval_most_is_named() -> None:
    """Uneven lanes ask for spacings, a guessed swing for the swing; wandering that is measured asks for nothing."""
    for walks, measure in (
        ([walk()], SPACINGS),
        ([walk(kappa_sd=0.02, swath_measured=False)], SWING),
        ([walk(WANDERING, False, 0.02)], SWING),
        ([walk(WANDERING), walk()], SPACINGS),
    ):
        now = ends(walks)
        found = next_evidence(walks, now, ends, SDS)
        assert found is not None and found.measure == measure
        assert found.high - found.low < 0.8 * (now[1] - now[0])
    for walks in ([walk(WANDERING)], [walk(kappa_sd=0.02)], []):
        assert next_evidence(walks, ends(walks) if walks else (80.0, 80.5), ends, SDS) is None


def test_a_measured_swing_is_as_sure_as_one_that_was_measured() -> None:
    """A guessed swing taken as measured has the spread of a measured one, about the same middle."""
    guessed, measured = walk(swath_measured=False), walk()
    after = with_swing(guessed, *SDS)
    assert after.swath_measured and with_swing(measured, *SDS) is measured
    assert float(after.scale.std()) == pytest.approx(SDS[0], rel=0.25)
    assert float(np.median(after.scale)) == pytest.approx(float(np.median(guessed.scale)))


@pytest.mark.parametrize("habit", [0.25, 0.75])
def test_ten_spacings_are_those_of_lanes_as_uneven_as_the_walks(habit: float) -> None:
    """They are the middles of ten equally likely parts of their law, and of walks that are as uneven they tell the
    same, whatever else is known of these; of lanes that turn out less even they tell something else.
    """
    one, narrow, other = walk(), walk(kappa_sd=0.1), walk(kappa_sd=0.4)
    for some in (one, narrow, other, replace(one, scale=2 * one.scale)):
        kappa = some.kappa[some.drawn[int(habit * DRAWS)]]
        shape = 1 / (kappa**2 + (0.05 / 1.5) ** 2)
        across_m = gamma.ppf(np.arange(0.05, 1, 0.1), shape, scale=1.5 / shape)
        kappas, chance = with_spacings(KAPPA, PRIOR, [MeasuredSpacing(each, 0.05) for each in across_m])
        told = with_ten_spacings(some, habit)
        np.testing.assert_array_equal(told.kappa, kappas)
        np.testing.assert_array_equal(told.drawn, drawn_by(chance))
    assert not np.array_equal(with_ten_spacings(one, 1 - habit).drawn, with_ten_spacings(one, habit).drawn)


def test_the_interval_promised_is_the_one_that_ten_spacings_give() -> None:
    """On two simulated fields in lanes, the width promised is on average within a quarter of that with ten spacings
    really measured, and both are far below the width without.
    """
    promised, given, without = [], [], []
    for seed in (8000, 8001):
        before, after = (surveyed(draw_site("lanes", seed), count).report.total for count in (0, 10))
        assert before.next_evidence is not None and before.next_evidence.measure == SPACINGS
        for widths, one in ((promised, before.next_evidence), (given, after.estimate), (without, before.estimate)):
            widths.append((one.high or 0.0) - (one.low or 0.0))
    assert np.mean(promised) == pytest.approx(np.mean(given), rel=0.25)
    assert max(np.mean(promised), np.mean(given)) < 0.8 * np.mean(without)


def told(evidence: NextEvidence | None) -> Result:
    """The sample with an estimate of 81 (71-89), and this to measure next."""
    result = sample_result()
    estimate = replace(result.report.total.estimate, pct=81.0, low=71.2, high=89.4, strips_placed=False)
    total = replace(result.report.total, estimate=estimate, next_evidence=evidence)
    return replace(result, report=replace(result.report, total=total))


def test_it_is_said_in_every_output_or_in_none() -> None:
    """One sentence in both tables, on the map and in report.json, from there on the card; nothing without evidence."""
    for evidence in (NextEvidence(SPACINGS, 77.4, 86.6), None):
        result = told(evidence)
        data = report_json(result.report)
        advice = advice_of(data.encode())
        outputs = [table(result.report), summary(result.report), map_html(result), card_html(None, advice)]
        said = [SENTENCE.removesuffix(".") in " ".join(text.split()) for text in outputs]
        assert said == [evidence is not None] * 4
        found = json.loads(data)["total"]["next_evidence"]
        if evidence is None:
            assert found is None and advice == ""
        else:
            assert found == {"measure": "spacings", "low": 77.4, "high": 86.6, "sentence": SENTENCE}


@pytest.mark.parametrize("text", ["", "{", "[]", '{"total": 3}', '{"total": {"next_evidence": {"sentence": 5}}}'])
def test_a_report_that_is_not_ours_gives_no_advice(text: str) -> None:
    """Whatever a report.json holds, the card is made; what is no sentence is left out, and orders to a screen too."""
    assert advice_of(text.encode()) == ""
    said = advice_of(json.dumps({"total": {"next_evidence": {"sentence": "x\x1b[2J" + "y" * 999}}}).encode())
    assert "\x1b" not in said and len(said) <= 300
