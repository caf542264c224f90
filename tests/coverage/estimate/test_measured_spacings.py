"""Spacings between lanes that the walker measured, as evidence of how even the lanes are."""

from __future__ import annotations

import numpy as np
import pytest

from fieldcomb.coverage.estimate.measured_spacings import (
    PACES_SD_M,
    TAPE_SD_M,
    MeasuredSpacing,
    log_likelihood,
    spacings_of,
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
    """Mean and spread of kappa, all alike before, are those worked out apart from the program."""
    chance = np.exp(log_likelihood(taped(*across_m), KAPPA))
    chance /= chance.sum()
    assert KAPPA @ chance == pytest.approx(mean, abs=0.001)
    assert np.sqrt(KAPPA**2 @ chance - (KAPPA @ chance) ** 2) == pytest.approx(sd, abs=0.001)


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
