"""Every share carries its interval or says plainly that it is as recorded, and no sentence contradicts another."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from samples import sample_result

from fieldcomb.coverage.estimate.confidence import CERTAIN, LIKELY
from fieldcomb.coverage.estimate.swept_share import Estimate
from fieldcomb.coverage.pages.map_page import map_html
from fieldcomb.coverage.report.summary import summary
from fieldcomb.coverage.report.table import table
from fieldcomb.coverage.survey.results import Comparison, Report, Result

TOLD = Estimate(81.0, 71.2, 89.4, False, None)
INTERVAL = re.compile(r"\d+ % \(\d+-\d+\)")


def with_estimates(result: Result, tier: str | None = LIKELY) -> Report:
    """The sample with an estimate of all, of each coil and of each outing, and strips of one tier."""
    report = result.report
    sure = {CERTAIN: 0.9, LIKELY: 0.6, None: 0.2}[tier]
    return replace(
        report,
        total=replace(report.total, estimate=TOLD),
        coils=tuple(replace(coil, estimate=TOLD) for coil in report.coils),
        outings=tuple(replace(outing, estimate=TOLD) for outing in report.outings),
        strips=tuple(replace(strip, tier=tier, confidence=sure) for strip in report.strips),
    )


def flat(text: str) -> str:
    """A text without its line breaks."""
    return " ".join(text.split())


def section(text: str, title: str) -> list[str]:
    """The lines of a section of the table, up to the empty line after it."""
    lines = text.splitlines()
    start = next(n for n, line in enumerate(lines) if line.startswith(title))
    end = next((n for n in range(start, len(lines)) if not lines[n].strip()), len(lines))
    return lines[start:end]


def test_figures_by_coil_have_an_interval_or_are_as_recorded() -> None:
    """Of each coil both tables say the estimate with its interval, and which figure is as recorded; without an
    estimate only the latter.
    """
    result = sample_result()
    coils = result.report.coils
    assert len(coils) > 1
    for report, intervals in ((with_estimates(result), len(coils)), (result.report, 0)):
        for text in (table(report), summary(replace(report, places=(), notes=()))):
            by_coil = flat(" ".join(section(text, "By coil")))
            assert by_coil.count("as recorded") >= min(len(coils), 3)
            assert len(INTERVAL.findall(by_coil)) == min(intervals, by_coil.count("as recorded"))


def test_figures_of_an_outing_have_an_interval_or_are_as_recorded() -> None:
    """Of each outing, a team's too, the whole table gives the interval and says that its columns are as recorded; on
    one screen the points that they brought add up to the share that is told as recorded.
    """
    result = sample_result()
    report = with_estimates(result)
    lines = section(table(report), "Outings")
    assert flat(" ".join(lines)).count("alone about 81 % (71-89)") == len(report.outings)
    assert "  swept, new, again and crosswise: as recorded" in lines
    screen = flat(summary(replace(report, places=(), notes=(), outings=report.outings[:3])))
    assert "83.9 % as recorded" in screen
    points = [int(found) for found in re.findall(r", \+(\d+) points?", screen)]
    brought = [100 * one.ground.new_m2 / report.site.area_m2 for one in reversed(report.outings[:3])]
    assert points == [round(one) for one in brought]


def test_two_outings_compared_are_as_recorded() -> None:
    """Ground swept in both, in one and in neither of two outings is as recorded, and says so in every output."""
    result = sample_result()
    pair = Comparison(*(outing.head.id for outing in result.report.outings[:2]), 10.0, 20.0, 30.0, 40.0)
    report = replace(result.report, between=pair, todo=())
    assert f"{pair.first} compared with {pair.second}, as recorded" in flat(table(report))
    assert "Recorded:" in summary(report)
    assert "Two outings compared, as recorded" in map_html(replace(result, report=report))


@pytest.mark.parametrize(
    ("tier", "placed", "said"),
    [
        (CERTAIN, False, "only missed ground called certain can be trusted"),
        (LIKELY, False, "no missed ground is certain"),
        (None, False, "no missed ground is certain"),
        (CERTAIN, True, "missed ground is where it is drawn"),
    ],
)
def test_what_is_certain_is_never_called_untrustworthy(tier: str | None, placed: bool, said: str) -> None:
    """Where strips are called certain no sentence says that none can be trusted, in the table nor on the map; and
    where strips are where they are drawn, none says that they may lie elsewhere.
    """
    result = sample_result()
    report = with_estimates(result, tier)
    total = replace(report.total, estimate=replace(TOLD, strips_placed=placed))
    report = replace(report, total=total)
    page = map_html(replace(result, report=report))
    for text in (flat(table(report)), flat(page)):
        assert said in text
        assert ("no missed ground is certain" in text) == (tier != CERTAIN and not placed)
        assert ("may lie elsewhere" in text) == (not placed)
        assert "cannot be trusted" not in text
