"""A day of a crowd that searches without a plan, held against the law of random search.

Who lays effort independently and evenly over an area A, a way L of swath W, covers 1 - exp(-C) of it, C = W L / A
(Koopman's random search; the formula as in nomographs of search and rescue). The full day, 25 people on ten hectares
for five hours, is in benchmarks/bench_day.py; here are five on two hectares, which is the same C.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from crowd import PACE_M_S, SEARCHING, SWATH_M, Crowd, crowd
from recordings import FRAME, START_S, field, item, outing, site, swing
from scipy.spatial import cKDTree

from fieldcomb.coverage.survey.results import Report
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.tracks.recording import Track

PEOPLE, SIDE_M, SECONDS = 5, 20_000**0.5, 5 * 3600
CELL_M = 0.25


@cache
def day(seed: int) -> tuple[Crowd, Report]:
    """A day, and what the program makes of its recordings: one a person, every second, without error."""
    people = crowd(PEOPLE, SIDE_M, SECONDS, np.random.default_rng(seed))
    times = START_S + np.arange(SECONDS, dtype=float)
    items = []
    for number, places in enumerate(zip(people.x_m, people.y_m, strict=True)):
        lon, lat = (np.round(degrees, 8) for degrees in FRAME.to_lonlat(*places))
        track = Track(lon, lat, times, np.zeros(SECONDS, np.int32))
        items.append(item(track, swing(SWATH_M), f"{number}.gpx", searcher=f"searcher {number}"))
    return people, survey(site(field(SIDE_M, SIDE_M), cell_m=CELL_M), [outing("day", *items)]).report


def test_the_crowd_has_no_favourite_place() -> None:
    """After a while a crowd is as dense along the edge as in the middle, and searches 60 % of its time."""
    many = crowd(3000, 100.0, 1200, np.random.default_rng(1))
    x, y = many.x_m[:, 600:], many.y_m[:, 600:]
    blocks, _, _ = np.histogram2d(x.ravel(), y.ravel(), bins=4, range=[[0, 100]] * 2)
    assert blocks.sum() == x.size  # nobody is outside
    assert np.abs(blocks / blocks.mean() - 1).max() < 0.15  # of 190 people in a block one sigma is 7 %
    rim = np.minimum(np.minimum(x, 100 - x), np.minimum(y, 100 - y)) < 2.5
    assert rim.mean() == pytest.approx(1 - 0.95**2, rel=0.05)
    moving = np.hypot(np.diff(many.x_m), np.diff(many.y_m)) > 0
    assert moving.mean() == pytest.approx(SEARCHING, abs=0.015)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_crowd_sweeps_what_random_search_says(seed: int) -> None:
    """The swept share of a day is within 3 points of 1 - exp(-C)."""
    people, report = day(seed)
    assert people.effort == pytest.approx(SWATH_M * PACE_M_S * SEARCHING * SECONDS * PEOPLE / SIDE_M**2, rel=0.1)
    assert report.total.swept_pct == pytest.approx(people.expected_pct, abs=3.0)


def test_the_swept_share_is_that_of_the_true_ways() -> None:
    """It is also within 0.6 points of the share of 40,000 places that somebody truly passed within half a swath."""
    people, report = day(1)
    fine = np.arange(0, SECONDS - 1, 0.2)
    ways = [np.concatenate([np.interp(fine, np.arange(SECONDS), way) for way in v]) for v in (people.x_m, people.y_m)]
    places = SIDE_M * np.random.default_rng(9).random((40_000, 2))
    distance, _ = cKDTree(np.column_stack(ways)).query(places, distance_upper_bound=SWATH_M / 2)
    # One sigma of 40,000 places is 0.23 points.
    assert report.total.swept_pct == pytest.approx(100 * np.isfinite(distance).mean(), abs=0.6)


def test_the_times_of_a_crowd_are_those_of_its_members() -> None:
    """A day of five people for five hours is 25 hours, and what of it was searching is told to 2 %."""
    people, report = day(1)
    result = report.outings[0]
    assert result.times.elapsed_s == pytest.approx(PEOPLE * (SECONDS - 1), rel=1e-6)
    moving = np.hypot(np.diff(people.x_m), np.diff(people.y_m)) > 0
    assert result.times.searching_s == pytest.approx(float(moving.sum()), rel=0.02)
    assert result.times.transit_s == 0
