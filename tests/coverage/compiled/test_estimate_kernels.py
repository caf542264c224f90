"""The compiled loops of the estimate: as near to numpy and LAPACK as is told, and no way to make them crash."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldcomb.coverage.compiled.kernels import kernels
from fieldcomb.coverage.estimate import regularity
from fieldcomb.tracks.recording import Floats

pytestmark = pytest.mark.skipif(kernels is None, reason="the kernels were not compiled here")


def covariances(many: int, size: int, seed: int) -> Floats:
    """Covariances of values that are alike where they lie close, each of another reach."""
    at = np.sort(np.random.default_rng(seed).uniform(0, 50, size))
    apart = np.abs(at[:, None] - at[None, :])
    return np.array([np.exp(-apart / (3 + number)) + 0.1 * np.eye(size) for number in range(many)])


@given(st.integers(1, 17), st.integers(1, 40), st.integers(0, 9))
@settings(max_examples=40, deadline=None)
def test_the_evidence_of_spacings_is_the_same_with_and_without_kernels(many: int, size: int, seed: int) -> None:
    """The log density of as many spacings as may be agrees with LAPACK's to 1e-10, in any number of covariances."""
    value = np.random.default_rng(seed).normal(0, 2, size)
    factors = np.array([0.0, 0.3, 2.0])
    found = []
    for way in (kernels, None):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(regularity, "kernels", way)
            found.append(regularity._densities(value, covariances(many, size, seed), covariances(2, size, 99), factors))
    assert found[0].shape == (3, 2, many)
    np.testing.assert_allclose(found[0], found[1], rtol=1e-10, atol=1e-10)


@pytest.mark.parametrize("compiled", [True, False])
def test_the_log_density_is_that_of_a_normal_vector(compiled: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Up to a constant it is minus half of the log determinant and of the squared distance, by numpy's own."""
    monkeypatch.setattr(regularity, "kernels", kernels if compiled else None)
    value, all_of_them = np.array([1.0, -0.5, 2.0, 0.25, 3.0, -1.0]), covariances(9, 6, 1)
    found = regularity._densities(value, all_of_them, all_of_them[:1], np.array([0.5]))[0, 0]
    for one, covariance in zip(found, all_of_them + 0.5 * all_of_them[0], strict=True):
        by_hand = -(np.linalg.slogdet(covariance)[1] + value @ np.linalg.solve(covariance, value)) / 2
        assert one == pytest.approx(by_hand, rel=1e-12)


@pytest.mark.parametrize("compiled", [True, False])
@pytest.mark.parametrize("wrong", [-1.0, 0.0])
def test_what_is_no_covariance_is_refused(compiled: bool, wrong: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """A matrix that is not positive definite is an error and no number, wherever among the others it stands."""
    monkeypatch.setattr(regularity, "kernels", kernels if compiled else None)
    for place in (0, 8):
        some = covariances(9, 5, 1)
        some[place, 4, 4] = wrong
        with pytest.raises(np.linalg.LinAlgError, match="positive definite"):
            regularity._densities(np.ones(5), some, np.zeros((1, 5, 5)), np.ones(1))


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
    found = []
    for one in (kernels, None):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(regularity, "kernels", one)
            found.append(regularity.find_spacings(stations))
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


def test_pivots_refuse_what_does_not_fit() -> None:
    """Matrices of another size than the values, and of another kind, are refused and nothing is written."""
    found = np.zeros((1, 1, 2, 4))
    good = [covariances(2, 3, 0), np.zeros((1, 3, 3)), np.ones(1), np.ones(3), found]
    faults = {0: covariances(2, 4, 0), 1: np.zeros((2, 3, 3)), 2: np.ones(2), 3: np.ones(2), 4: np.zeros((1, 1, 2, 3))}
    for place, wrong in faults.items():
        with pytest.raises(ValueError, match="elements"):
            kernels.pivots(*good[:place], wrong, *good[place + 1 :])
    with pytest.raises(ValueError, match="too few"):
        kernels.pivots(*good[:3], np.zeros(0), found)
    with pytest.raises(ValueError, match="no matrices"):
        kernels.pivots(good[0].ravel(), *good[1:])
    with pytest.raises(TypeError):
        kernels.pivots(*good[:4], np.zeros((1, 1, 2, 4), np.float32))
    with pytest.raises(TypeError):
        kernels.pivots(*good[:4])
    assert not found.any()
    assert kernels.pivots(*good) and found.all()


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
