"""The compiled loops of the estimate: as near to numpy and LAPACK as is told, and no way to make them crash."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from both_ways import both_ways
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldcomb.coverage.compiled.kernels import kernels
from fieldcomb.coverage.estimate import chance, regularity
from fieldcomb.coverage.gear.receivers import receiver
from fieldcomb.tracks.recording import Floats

pytestmark = pytest.mark.skipif(kernels is None, reason="the kernels were not compiled here")


SETTINGS = 9  # one more than go side by side
Case = tuple[regularity.Spacings, float, Floats, Floats, float]


def spacings(count: int, seed: int, *, back_s: float = 0.0) -> Case:
    """Spacings that begin and end anywhere, in any direction, and settings in which to weigh them.

    back_s : how far the clock goes back half way along the path.
    """
    rng = np.random.default_rng(seed)
    at_m = np.sort(rng.choice(np.arange(4 * count), (count, 2)), axis=1) * 2.0 + [0.0, 1.0]
    at_s = 1.3 * at_m + 1e9 - back_s * (at_m > 4 * count)
    across, onward = rng.normal(1.5, 2, count), rng.uniform(0, 7, count)
    found = regularity.Spacings(np.arange(count), across, *at_s.T, *at_m.T, onward)
    variance = rng.choice([0.0, 0.02, 1.0, 30.0], (4, SETTINGS)) * rng.uniform(0.5, 1, (4, SETTINGS))
    return found, 1.5, rng.choice([0.004, 0.3, 8.0, 900.0], 4), variance, rng.choice([0.01, 0.4])


@given(st.integers(1, 40), st.integers(0, 99))
@settings(max_examples=60, deadline=None)
def test_the_evidence_of_spacings_is_the_same_with_and_without_kernels(count: int, seed: int) -> None:
    """Spacings that nest or cross as they may, fade at once or hardly, weigh what whole covariances say, to 1e-10."""
    compiled, by_lapack = both_ways(lambda: regularity._densities(*spacings(count, seed)), regularity)
    assert compiled.shape == (SETTINGS,)
    np.testing.assert_allclose(compiled, by_lapack, rtol=1e-10, atol=1e-10)


@given(st.integers(1, 40), st.integers(0, 99), st.floats(1, 1e6))
@settings(max_examples=20, deadline=None)
def test_ways_out_of_order_weigh_what_they_should(count: int, seed: int, back_s: float) -> None:
    """Where the clock goes back from one way to the next, as in joined files, nothing is taken to go on in time."""
    found = both_ways(lambda: regularity._densities(*spacings(count, seed, back_s=back_s)), regularity)
    np.testing.assert_allclose(*found, rtol=1e-10, atol=1e-10)


@pytest.mark.parametrize("compiled", [True, False])
@pytest.mark.parametrize("back_s", [0.0, 50.0])
def test_the_log_density_is_that_of_a_normal_vector(
    compiled: bool, back_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Up to a constant it is minus half of the log determinant and of the squared distance, by numpy's own."""
    monkeypatch.setattr(regularity, "kernels", kernels if compiled else None)
    found, usual_m, scales, variance, alone_m2 = case = spacings(6, 1, back_s=back_s)
    ends = [np.concatenate([found.from_m, found.to_m])] * 2 + [np.concatenate([found.from_s, found.to_s])] * 2
    change = np.hstack([-np.eye(6), np.eye(6)])
    value, turned = found.across_m - usual_m, np.cos(np.subtract.outer(found.onward, found.onward))
    for one, sizes in zip(regularity._densities(*case), variance.T, strict=True):
        covariance = 0.25 + alone_m2 * np.eye(6)  # 0.25 is shared by all
        for at, scale, size in zip(ends, scales, sizes, strict=True):
            process = size * np.exp(-np.abs(np.subtract.outer(at, at)) / scale)
            covariance += turned * (change @ process @ change.T)
        by_hand = -(np.linalg.slogdet(covariance)[1] + value @ np.linalg.solve(covariance, value)) / 2
        assert one == pytest.approx(by_hand, rel=1e-12)


@pytest.mark.parametrize("compiled", [True, False])
@pytest.mark.parametrize("wrong", [-100.0, -1.0])
def test_what_is_no_covariance_is_refused(compiled: bool, wrong: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """What cannot be a covariance is an error and no number, wherever among the settings it stands."""
    monkeypatch.setattr(regularity, "kernels", kernels if compiled else None)
    for place in (0, 8):
        case = spacings(5, 1)
        case[3][:, place] = wrong
        with pytest.raises(np.linalg.LinAlgError, match="positive definite"):
            regularity._densities(*case)


@given(st.integers(0, 400), st.integers(0, 99), st.sampled_from([0.0, 0.5, 2.0]))
@settings(max_examples=40, deadline=None)
def test_spacings_are_the_same_with_and_without_kernels(count: int, seed: int, rough_m: float) -> None:
    """Of lanes as even or as rough as may be, with places doubled and two ways, the same visits are found abeam."""
    rng = np.random.default_rng(seed)
    way = np.repeat([0, 1], [count // 3, count - count // 3])
    lane, along = np.divmod(np.arange(count), 12)
    x = 1.5 * lane + np.round(rng.normal(0, 1, count) * rough_m, 1)
    y = 2.0 * np.where(lane % 2, 11 - along, along) + np.round(rng.normal(0, 1, count) * rough_m, 1)
    heading = np.where(lane % 2, -np.pi / 2, np.pi / 2) + rng.normal(0, 0.2, count) * rough_m
    stations = regularity.Stations(np.arange(count) * 6.0, x, y, heading, way)
    found = both_ways(lambda: regularity.find_spacings(stations), regularity)
    for field in dataclasses.fields(regularity.Spacings):
        np.testing.assert_array_equal(*(getattr(one, field.name) for one in found))


def test_stations_that_do_not_fit_are_refused() -> None:
    """Fields of other sizes or kinds, and numbers of stations that are not there, are errors; far places are not."""
    x, way = np.arange(5.0), np.zeros(5, np.int64)
    fields = [x, x, x, x, way, np.arange(5)]
    for place in range(1, 6):
        with pytest.raises(ValueError, match="elements"):
            kernels.abeam(*fields[:place], fields[place][:4], *fields[place + 1 :], 8.0)  # type: ignore[arg-type, call-arg]
    for wrong in (-1, 5, 2**62):
        with pytest.raises(ValueError, match="out of range"):
            kernels.abeam(x, x, x, x, way, np.array([0, 1, wrong, 3, 4]), 8.0)
    with pytest.raises(TypeError):
        kernels.abeam(x, x, x, x, way, np.arange(5), "8")  # type: ignore[arg-type]
    with pytest.raises(TypeError):
        kernels.abeam(x, x, x, x, way.astype(np.int32), np.arange(5), 8.0)  # type: ignore[arg-type]
    far = np.array([np.nan, np.inf, -np.inf, 1e300, -1e300])
    for reach in (8.0, np.inf, np.nan):
        found = np.frombuffer(kernels.abeam(far, far, far, far, way, np.argsort(far), reach), np.int64)
        assert ((found >= 0) & (found < 5)).all()


def test_spacings_that_do_not_fit_are_refused() -> None:
    """Fields of other sizes and kinds, and spacings that do not begin and then end, are refused; nothing is written."""
    found = np.zeros((3, 5))
    good: list[Any] = [np.ones(2), np.ones(2), np.zeros(2), np.array([0, 1, 3, 2]), np.full((4, 4), 0.5)]
    good += [np.ones((4, 5)), found, 0.25, 0.1]
    wrong = {1: np.ones(3), 2: np.ones(1), 3: np.arange(3), 4: np.ones((3, 4)), 5: np.ones(19), 6: np.zeros((2, 5))}
    for place, other in wrong.items():
        with pytest.raises(ValueError, match="elements"):
            kernels.innovations(*good[:place], other, *good[place + 1 :])
    for visits in ([0, 1, 2, 4], [-1, 1, 2, 3], [0, 2, 3, 1], [0, 0, 2, 3], [0, 1, 2, 2], [0, 2, 1, 2**62]):
        with pytest.raises(ValueError, match="begin once"):
            kernels.innovations(*good[:3], np.array(visits), *good[4:])
    with pytest.raises(ValueError, match="too few"):
        kernels.innovations(np.zeros(0), *good[1:])
    for place, kind in {0: np.float32, 3: np.int32, 6: np.float32}.items():
        with pytest.raises(TypeError):
            kernels.innovations(*good[:place], good[place].astype(kind), *good[place + 1 :])
    for size in (7, 8):
        with pytest.raises(TypeError):
            kernels.innovations(*good[:size])
    with pytest.raises(TypeError):
        kernels.innovations(*good[:8], "0.1")
    assert not found.any()
    assert kernels.innovations(*good) and found.all()


F, WHOLE = np.float32, np.int32
PART = {"own": WHOLE, "share": F, "factor": F, "begin": WHOLE, "steps": F}
SWEEP = {"here": WHOLE, "rho": F, "weight": F, "again": F}


def run(missed: Any, at: tuple[int, int, int, int] = (0, 3, 0, 4), **other: Any) -> None:
    """Two cells of four, swept in two draws at the first of three levels by one part, but for what is other."""
    values: dict[str, Any] = {"own": [0, 1], "share": [1, 1], "factor": [2, 3], "begin": [0, 4]}
    values |= {"steps": np.column_stack([np.linspace(0, 1, 8), np.full(8, 0.1)])}
    values |= {"here": [1, 3], "rho": [0.6, 1.2], "weight": [1, 0.5], "again": []} | other
    part, sweep = ([np.array(values[name], kind) for name, kind in kinds.items()] for kinds in (PART, SWEEP))
    kernels.left_out(((*sweep, (tuple(part),)),), np.ones(4, F), missed, *at)  # type: ignore[arg-type]


def test_sweeps_leave_out_what_lines_between_steps_of_the_table_say() -> None:
    """Two draws of one part, worked out by hand: cells that were walked, and no others, in the rows of the level."""
    missed = np.full((4, 4), 9, F)
    run(missed)
    # effort 1.2 and 2.4 in the first draw, 1.8 and 3.6 in the second, whose table begins at step 4
    swept = np.array([[1 / 7 + 0.02, (2 / 7 + 0.04) / 2], [5 / 7 + 0.08, (7 / 7 + 0.06) / 2]])
    np.testing.assert_allclose(missed[[0, 3]][:, [1, 3]], 1 - swept, rtol=1e-5)
    assert (missed[[0, 3]][:, [0, 2]] == 1).all()
    assert (missed[[1, 2]] == 9).all()


@pytest.mark.parametrize(
    "other",
    [
        {"here": [1, 4]},
        {"here": [-1, 3]},
        {"here": [3, 1]},
        {"here": [1, 1]},
        {"own": [0, 2]},
        {"own": [-1, 1]},
        {"own": [1, 0]},
        {"begin": [0, 5]},
        {"begin": [-1, 4]},
        {"begin": [0, 2**31 - 1]},
        {"factor": [2, 1e30]},
        {"factor": [-2, 3]},
        {"factor": [2, np.nan]},
        {"factor": [2, np.inf]},
        {"rho": [0.6, 9]},
        {"rho": [0.6, np.nan]},
        {"rho": [-0.6, 1]},
        {"share": [1]},
        {"factor": [1]},
        {"begin": [0]},
        {"steps": []},
        {"steps": np.zeros((6, 2))},
        {"steps": np.zeros(13)},
        {"rho": [1]},
        {"weight": [1]},
        {"again": [1]},
    ],
)
def test_sweeps_that_leave_their_cells_or_tables_are_refused(other: dict[str, Any]) -> None:
    """Places out of range or out of order, efforts beyond a table and arrays of other sizes are errors."""
    missed = np.full((4, 4), 9, F)
    with pytest.raises(ValueError, match=r"leaves|out of order|elements"):
        run(missed, **other)
    assert (missed == 9).all()


@pytest.mark.parametrize("at", [(3, 3, 0, 4), (-1, 3, 0, 4), (0, 5, 0, 4), (0, 3, 0, 5), (0, 3, -1, 4), (0, 3, 3, 2)])
def test_levels_and_cells_that_are_not_there_are_refused(at: tuple[int, int, int, int]) -> None:
    """A level beyond the levels, more levels than draws, and cells beyond the last are errors."""
    missed = np.full((4, 4), 9, F)
    with pytest.raises(ValueError, match="not within"):
        run(missed, at)
    assert (missed == 9).all()


def test_sweeps_of_another_make_are_refused() -> None:
    """What is no tuple, or of the wrong size or kind, is an error."""
    missed = np.ones((4, 4), F)
    ends = (np.ones(4, F), missed, 0, 3, 0, 4)
    empty = (np.zeros(0, WHOLE), *(np.zeros(0, F),) * 3)
    for wrong in ([], ([],), ((1,),), ((*empty, []),), ((*empty, ((),)),), ((*empty, (1, 2)),), ((*(1,) * 4, ()),)):
        with pytest.raises(TypeError):
            kernels.left_out(wrong, *ends)  # type: ignore[arg-type]
    with pytest.raises((TypeError, ValueError, BufferError)):
        kernels.left_out((), np.ones(4, F), missed.T[:2], 0, 3, 0, 4)
    with pytest.raises(TypeError):
        kernels.left_out(())  # type: ignore[call-arg]
    kernels.left_out(((*empty, ()),), *ends)
    assert (missed[0] == 1).all()


@given(st.lists(st.integers(2, 30), min_size=1, max_size=4), st.integers(1, 13), st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_drawn_errors_are_the_same_with_and_without_kernels(sizes: list[int], many: int, seed: int) -> None:
    """Errors drawn for any number of pieces of a walk are the same to the last bit, however far apart they lie."""
    rng = np.random.default_rng(seed)
    seconds = 1e9 + np.cumsum(rng.choice([0.0, 1.0, 4.0, 500.0], sum(sizes)))
    times = np.split(seconds, np.cumsum(sizes)[:-1])
    drawn = both_ways(lambda: np.concatenate(chance.drifts(times, receiver("typical"), many, seed)), chance)
    np.testing.assert_array_equal(*drawn)


def test_fading_that_does_not_fit_is_refused() -> None:
    """Kicks, shares kept and values of other shapes are refused, and nothing is written."""
    kick, share, value = np.ones((3, 4)), np.ones((3, 2)), np.zeros((4, 4))
    for fault in ((kick, share[:2], share, value), (kick, share, share[:2], value), (kick, share, share, value[:3])):
        with pytest.raises(ValueError, match=r"do not fit|elements"):
            kernels.fade(*fault)
    for odd in (kick[0], share[:, :0]):
        with pytest.raises(ValueError, match="do not fit"):
            kernels.fade(kick, odd, odd, value)
    with pytest.raises(TypeError):
        kernels.fade(kick, share, share)  # type: ignore[call-arg]
    assert not value.any()
