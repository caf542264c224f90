"""How many are left: published catches, answers that are plain, and what must hold for any."""

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from fieldcomb.coverage.season.depletion import delury, leslie
from fieldcomb.coverage.season.removal import carle_strub, two_pass, two_pass_limits

# Omand 1951, Canadian Fish Culturist 1(8): smallmouth bass, ten days of seven nets. The answers below are those in the
# tests of the R package FSA (its authors took them from its data set SMBassLS), reproduced here.
BASS = (131, 69, 99, 78, 56, 76, 49, 42, 63, 47)
NETS = (7,) * 10

_catches = st.lists(st.integers(1, 60), min_size=3, max_size=8)


def test_omands_bass_by_leslie() -> None:
    """Catch per effort on prior catch gives the stock, the catchability and both errors that FSA gives."""
    line = leslie(BASS, NETS)
    assert line.stock == pytest.approx(1060.296, abs=5e-4)
    assert line.stock_se == pytest.approx(169.268, abs=5e-4)
    assert line.catchability == pytest.approx(0.01484403, abs=5e-9)
    assert line.catchability_se == pytest.approx(0.003520491, abs=5e-10)


def test_the_error_of_omands_stock_gives_fsas_limits() -> None:
    """The 95 % limits that FSA prints, 669.964 to 1450.627, follow from our stock and its error (t, 8 degrees)."""
    line = leslie(BASS, NETS)
    quantile = 2.306004135  # of Student's t at 0.975, any table
    limits = line.stock - quantile * line.stock_se, line.stock + quantile * line.stock_se
    assert limits == pytest.approx((669.964, 1450.627), abs=2e-3)


def test_omands_bass_in_rickers_form() -> None:
    """With half of each day's catch counted as gone, the numbers are those of FSA."""
    line = leslie(BASS, NETS, ricker=True)
    assert (line.stock, line.stock_se) == (pytest.approx(1077.571, abs=5e-4), pytest.approx(177.804, abs=5e-4))
    assert line.catchability == pytest.approx(0.01525078, abs=5e-9)


def test_omands_bass_by_delury() -> None:
    """Its logarithm on prior effort gives FSA's numbers too."""
    assert delury(BASS, NETS) == (pytest.approx(1098.503, abs=5e-4), pytest.approx(0.01319375, abs=5e-9))


@pytest.mark.parametrize(
    ("caught", "stock"),
    [((77, 50, 37), 233), ((38, 26, 12), 91), ((5, 7, 8), 44), ((72, 56, 46, 30, 24), 298), ((8, 23, 17, 8, 6), 95)],
)
def test_stocks_of_carle_and_strub(caught: tuple[int, ...], stock: int) -> None:
    """Five rows of catches give the stocks of FSA's tests."""
    assert carle_strub(caught)[0] == stock


def test_share_and_error_of_carle_and_strub() -> None:
    """For 77, 50 and 37 FSA gives a share of .331313 and an error of 31.358."""
    assert carle_strub((77, 50, 37))[1:] == (pytest.approx(0.331313, abs=5e-7), pytest.approx(31.358, abs=5e-4))


@pytest.mark.parametrize(
    ("first", "second", "stock", "error"), [(79, 28, 122, 8.8), (72, 56, 324, 178.19), (77, 37, 148.225, 19.012)]
)
def test_two_passes(first: int, second: int, stock: float, error: float) -> None:
    """Three pairs give the stock and the error of FSA's tests."""
    found = two_pass(first, second)
    assert found[0] == pytest.approx(stock, abs=0.5 if stock == int(stock) else 5e-4)
    assert found[1] == pytest.approx(error, abs=0.05 if error == 8.8 else 5e-3)


def test_finds_that_do_not_fall_off_have_no_limits() -> None:
    """When each outing finds as many as the one before, nothing says how many there are."""
    for caught in ((10, 10, 10, 10), (8, 9, 10, 12), (10, 9, 10, 9)):
        line = leslie(caught, (1,) * 4)
        assert not line.falls and line.low is None
    assert two_pass_limits(10, 9) is None and two_pass_limits(9, 10) is None
    assert math.isnan(two_pass(9, 10)[0])


def test_a_stock_that_halves_each_time_is_twice_the_first_catch() -> None:
    """Of 800, half found each time: 400, 200, 100, 50, with very narrow limits."""
    line = leslie((400, 200, 100, 50), (1, 1, 1, 1))
    assert line.stock == pytest.approx(800) and (line.low, line.high) == (pytest.approx(800), pytest.approx(800))
    assert carle_strub((400, 200, 100, 50))[0] == pytest.approx(800, abs=1)
    assert two_pass(400, 200)[0] == 800


def test_what_cannot_be_fitted_is_refused() -> None:
    """Two outings, no effort or no finds are no line."""
    for caught, effort in (((3, 2), (1, 1)), ((3, 2, 1), (1, 0, 1)), ((0, 0, 1), (1, 1, 1)), ((3, 2, 1), (1, 1))):
        with pytest.raises(ValueError, match="expected"):
            leslie(caught, effort)


@given(_catches, st.floats(0.01, 100))
def test_the_unit_of_effort_changes_nothing(caught: list[int], unit: float) -> None:
    """Hours or square metres: the stock is the same, and its limits are."""
    one = leslie(caught, [1.0 + n for n in range(len(caught))])
    other = leslie(caught, [unit * (1.0 + n) for n in range(len(caught))])
    assume(abs(one.catchability) > 1e-9)
    assert other.stock == pytest.approx(one.stock, rel=1e-6)
    assert one.falls == other.falls or one.stock_se / one.stock > 0.1
    if one.low is not None and other.low is not None:
        assert other.low == pytest.approx(one.low, rel=1e-4)


@given(_catches)
def test_limits_hold_what_the_line_says(caught: list[int]) -> None:
    """Where there are limits, the stock lies between them and is no less than nothing."""
    line = leslie(caught, [1] * len(caught))
    if line.low is not None and line.high is not None:
        assert line.low <= line.stock * (1 + 1e-9) and line.stock <= line.high * (1 + 1e-9)


@given(st.integers(1, 200), st.integers(0, 200))
def test_limits_of_two_passes_hold_their_stock(first: int, second: int) -> None:
    """The stock by two passes lies between its limits, and no limit is below what was found."""
    limits = two_pass_limits(first, second)
    if limits is not None:
        assert first + second <= limits[0] <= two_pass(first, second)[0] * (1 + 1e-9)
        assert two_pass(first, second)[0] <= limits[1] * (1 + 1e-9)
