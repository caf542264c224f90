"""Spacings between lanes that the walker measured, as evidence of how even the lanes are."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import logsumexp
from scipy.stats import foldnorm

from fieldcomb.coverage.estimate.measured_spacings import (
    MEANS_M,
    PACES_SD_M,
    TAPE_SD_M,
    MeasuredSpacing,
    log_gamma,
    log_likelihood,
    log_normal,
    spacings_of,
    with_mean,
    with_spacings,
)
from fieldcomb.coverage.estimate.regularity import KAPPA, PRIOR
from fieldcomb.tracks.marks.spacings import parse_spacings
from fieldcomb.tracks.marks.vocabulary import Mark, read_text


def taped(*across_m: float) -> list[MeasuredSpacing]:
    """Spacings measured by tape."""
    return [MeasuredSpacing(across, TAPE_SD_M) for across in across_m]


@pytest.mark.parametrize(
    ("across_m", "mean", "sd"),
    [
        ((1.5, 1.2, 1.8, 1.4, 1.6, 1.1, 1.9, 1.5, 1.3, 1.7), 0.200, 0.060),
        ((1.5, 1.45, 1.55, 1.5, 1.4, 1.6, 1.5, 1.52, 1.48, 1.5), 0.021, 0.009),
        ((0.7, 2.4, 1.1, 1.9, 0.9, 2.2, 1.5, 3.0, 1.0, 1.3), 0.495, 0.096),
        ((1.5, 1.2, 1.8), 0.329, 0.153),
    ],
)
def test_how_even_lanes_are_by_tape(across_m: tuple[float, ...], mean: float, sd: float) -> None:
    """Mean and spread of kappa by the gamma law, all alike before, are those worked out apart from the program."""
    chance = np.exp(logsumexp(log_gamma(taped(*across_m), KAPPA), axis=1))
    chance /= chance.sum()
    assert KAPPA @ chance == pytest.approx(mean, abs=0.001)
    assert np.sqrt(KAPPA**2 @ chance - (KAPPA @ chance) ** 2) == pytest.approx(sd, abs=0.001)


def test_spacings_of_lanes_that_may_cross_follow_the_folded_normal_law() -> None:
    """The likelihood of a normal law is that of another library, for tape and paces together."""
    spacings = [MeasuredSpacing(1.4, TAPE_SD_M), MeasuredSpacing(0.3, PACES_SD_M)]
    told = log_normal(spacings, KAPPA)
    for k, kappa in ((0, KAPPA[0]), (8, KAPPA[8])):
        for m in (10, 40):
            sd = [np.hypot(kappa * MEANS_M[m], one.sd_m) for one in spacings]
            each = [foldnorm.logpdf(one.across_m, MEANS_M[m] / s, scale=s) for one, s in zip(spacings, sd, strict=True)]
            assert told[k, m] == pytest.approx(sum(each), abs=1e-9)


def test_one_very_short_spacing_does_not_make_lanes_ragged() -> None:
    """Of ten spacings one of 0.2 m speaks for uneven lanes, but for less than by the gamma law alone."""
    spacings = taped(0.2, 1.5, 1.2, 1.8, 1.4, 1.6, 1.1, 1.9, 1.5, 1.3)
    usual = []
    for law in (log_likelihood, log_gamma):
        log = logsumexp(law(spacings, KAPPA), axis=1)
        usual.append(KAPPA @ np.exp(log - logsumexp(log)))
    assert 0.25 < usual[0] < usual[1] - 0.05


def test_spacings_say_where_the_ground_ends() -> None:
    """Spacings wider than ground over path say that the ground is larger than it seems, narrower ones that it is
    smaller; how even lanes are is known better with their mean; a mean beyond all reason is not heeded.
    """
    even = taped(1.5, 1.4, 1.6, 1.45, 1.55, 1.5, 1.6, 1.4, 1.5, 1.5)
    wide, chance = with_spacings(KAPPA, PRIOR, even)
    before = np.array([1.0, 4.0, 1.0])
    for seems_m, side in ((1.35, 2), (1.65, 0)):
        kappas, edge = with_mean(wide, chance, even, seems_m * np.array([0.9, 1.0, 1.1]), before)
        assert kappas.sum() == pytest.approx(1.0) and edge.sum() == pytest.approx(1.0)
        assert edge[side] > 0.5
    uneven = taped(0.7, 2.4, 1.1, 1.9, 0.9, 2.2, 1.5, 2.0, 1.0, 1.3)
    wide, chance = with_spacings(KAPPA, PRIOR, uneven)
    kappas, _ = with_mean(wide, chance, uneven, np.full(3, 1.5), before)
    spread = [wide**2 @ p - (wide @ p) ** 2 for p in (chance, kappas)]
    assert spread[1] < spread[0]
    assert np.isfinite(with_mean(wide, chance, uneven, np.array([1e-3, 1.5, 1e6]), before)[0]).all()


def test_ten_spacings_find_how_even_lanes_are() -> None:
    """Ten spacings drawn at kappa 0.1, 0.3 and 0.6 bring the usual kappa near these, from one guess for all."""
    rng = np.random.default_rng(8)
    for kappa in (0.1, 0.3, 0.6):
        told = []
        for _ in range(30):
            wide, chance = with_spacings(KAPPA, PRIOR, taped(*(1.5 * rng.gamma(kappa**-2, kappa**2, 10))))
            told.append(wide @ chance)
        assert np.mean(told) == pytest.approx(kappa, abs=0.07)


def test_paces_tell_less_than_a_tape() -> None:
    """The same spacings leave more doubt when they were paced; none at all change nothing."""
    across = (1.5, 1.2, 1.8, 1.4, 1.6, 1.1, 1.9, 1.5)
    spread = []
    for sd_m in (TAPE_SD_M, PACES_SD_M):
        wide, chance = with_spacings(KAPPA, PRIOR, [MeasuredSpacing(m, sd_m) for m in across])
        spread.append(wide**2 @ chance - (wide @ chance) ** 2)
    assert spread[1] > spread[0]
    assert with_spacings(KAPPA, PRIOR, []) == (KAPPA, PRIOR)


def marked(text: str, time_s: float | None) -> Mark:
    """A waypoint as its text is read."""
    told = read_text(text)
    return Mark(told.kind, told.name, told.number, told.size_m, text, time_s, None, None, "waypoint", told.why)


def test_marks_of_a_walk_are_its_spacings() -> None:
    """Typed or marked, by tape and by paces, within the walk or without a time; what is no length stays a note."""
    marks = [marked("spacing 1.4m", 50.0), marked("Spacing 2 paces", None), marked("spacing 1.6 m", 5000.0)]
    marks += [marked("spacing wide", 50.0), marked("spacing 30m", 50.0), marked("lane 4", 50.0)]
    assert spacings_of(marks, 0.0, 3600.0) == (MeasuredSpacing(1.4, TAPE_SD_M), MeasuredSpacing(1.5, PACES_SD_M))
    typed = parse_spacings("1.2m, 3 paces")
    assert spacings_of(marks[:1], 0.0, 3600.0, typed) == (
        *(MeasuredSpacing(1.2, TAPE_SD_M), MeasuredSpacing(2.25, PACES_SD_M)),
        MeasuredSpacing(1.4, TAPE_SD_M),
    )
    assert [mark.kind for mark in marks[3:]] == ["note", "note", "lane"]
    assert "not within" in marks[4].why
