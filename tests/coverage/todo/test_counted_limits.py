"""Limits of counted shares and rates against published values and scipy's own."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest, chi2

from fieldcomb.coverage.todo.counted_limits import poisson_limits, wilson_limits


@pytest.mark.parametrize(
    ("successes", "tries", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_limits_of_a_share_are_those_that_newcombe_printed(successes: int, tries: int, low: float, high: float) -> None:
    """Four shares of Newcombe 1998 (Statistics in Medicine 17, table I, method 3; from memory) have its limits."""
    assert wilson_limits(successes, tries, 0.95) == pytest.approx((low, high), abs=5e-5)


def test_fourteen_of_twenty_is_half_to_five_sixths() -> None:
    """Of 20 things 14 is a share of 52 to 84 %, nine times in ten."""
    assert wilson_limits(14, 20) == pytest.approx((0.516, 0.836), abs=5e-4)


@given(st.integers(0, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), st.floats(0.5, 0.99))
def test_limits_of_a_share_agree_with_another_program(counted: tuple[int, int], level: float) -> None:
    """Scipy's binomtest gives the same limits for any count, and they hold the share that was counted."""
    successes, tries = counted
    low, high = wilson_limits(successes, tries, level)
    if tries:
        other = binomtest(successes, tries).proportion_ci(level, "wilson")
        assert (low, high) == pytest.approx((other.low, other.high), abs=1e-9)
        assert low <= successes / tries <= high
    else:
        assert (low, high) == (0, 1)


@pytest.mark.parametrize(
    ("count", "level", "low", "high"),
    [
        (0, 0.9, 0, 2.996),
        (1, 0.9, 0.051, 4.744),
        (5, 0.9, 1.970, 10.513),
        (10, 0.9, 5.425, 16.962),
        (10, 0.95, 4.795, 18.390),
    ],
)
def test_limits_of_a_count_are_those_of_the_tables(count: int, level: float, low: float, high: float) -> None:
    """Exact Poisson limits (Garwood 1936; printed in any table of them)."""
    assert poisson_limits(count, level) == pytest.approx((low, high), abs=5e-4)


@given(st.integers(1, 10_000), st.floats(0.5, 0.99))
def test_limits_of_a_count_are_chi_square_quantiles(count: int, level: float) -> None:
    """The limits are half the chi-square quantiles that the textbooks give."""
    tail = (1 - level) / 2
    expected = chi2.ppf(tail, 2 * count) / 2, chi2.ppf(1 - tail, 2 * count + 2) / 2
    assert poisson_limits(count, level) == pytest.approx(expected, rel=1e-8)


def test_what_was_not_counted_is_refused() -> None:
    """More successes than tries, or a count below none, is a mistake of the program and not a share."""
    with pytest.raises(ValueError, match="3 of 2"):
        wilson_limits(3, 2)
    with pytest.raises(ValueError, match="-1"):
        poisson_limits(-1)
