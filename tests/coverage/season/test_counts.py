"""What the numbers were here, and how much was found for the ground and the hours."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.gear.target_ids import DigRule
from fieldcomb.coverage.season.counts import by_depth, by_number, class_of, densities

RULES = {"small": DigRule(None, (("low", frozenset(range(40, 60))), ("high", frozenset(range(60, 100)))))}


def find(no: int, kind: str = "keep", number: tuple[int, int] | None = None, **more: object) -> Find:
    """A find with the small coil."""
    return Find(no, kind, number=number, coil="small", **more)  # type: ignore[arg-type]


def test_two_of_nineteen_kept_is_four_to_twenty_seven_percent() -> None:
    """Of 19 signals of 50 to 59 that were dug two were kept: 11 %, and 4 to 27 % nine times in ten."""
    finds = [find(n, "keep" if n < 2 else "junk", (50 + n % 10, 50 + n % 10)) for n in range(19)]
    (band,) = by_number(finds, 10)
    assert (band.coil, band.first, band.last, band.share.kept, band.share.dug) == ("small", 50, 59, 2, 19)
    assert band.share.kept_pct == pytest.approx(100 * 2 / 19)
    assert band.share.limits_pct == pytest.approx((3.55, 27.35), abs=0.01)


def test_a_range_of_numbers_counts_at_its_middle() -> None:
    """61 to 66 is one find, at 60 to 64; a single 65 is at 65 to 69; one without a number is in no band."""
    bands = by_number([find(1, number=(61, 66)), find(2, number=(65, 65)), find(3)])
    assert [(band.first, band.last, band.share.kept) for band in bands] == [(60, 64, 1), (65, 69, 1)]


def test_a_signal_that_was_left_is_no_share() -> None:
    """What was heard and not dug is counted, and says nothing of what would have been kept."""
    (band,) = by_number([find(1, "left", (50, 50)), find(2, "left", (51, 51))])
    assert (band.share.left, band.share.dug, band.share.kept_pct) == (2, 0, None)
    assert band.share.limits_pct == (0, 100)


@given(st.lists(st.tuples(st.sampled_from(["keep", "junk", "left"]), st.integers(0, 99), st.sampled_from("ab"))))
def test_every_find_with_a_number_is_in_one_band(rows: list[tuple[str, int, str]]) -> None:
    """The bands add up to the finds, whatever their order."""
    finds = [Find(n, kind, coil=coil, number=(number, number)) for n, (kind, number, coil) in enumerate(rows)]
    bands = by_number(finds)
    assert sum(b.share.kept + b.share.junk + b.share.left for b in bands) == len(finds)
    assert bands == by_number(finds[::-1])
    assert len({(band.coil, band.first) for band in bands}) == len(bands)


def test_depths_are_counted_in_bands_of_ten_centimetres() -> None:
    """10 cm is in the first band, 11 cm in the second, and the surface is in the first."""
    bands = by_depth([find(n, depth_m=depth) for n, depth in enumerate((0.0, 0.1, 0.11, 0.2, 0.3))] + [find(9)])
    assert [(b.top_m, b.bottom_m, b.share.kept) for b in bands] == [(0, 0.1, 2), (0.1, 0.2, 2), (0.2, 0.3, 1)]


def test_a_number_stands_for_the_class_that_its_coil_says() -> None:
    """The classes are the coil's own; without them, or without a number, a find has none."""
    assert class_of(find(1, number=(47, 47)), RULES) == "low"
    assert class_of(find(1, number=(58, 64)), RULES) == "high"  # its middle is 61
    assert class_of(find(1), RULES) == class_of(find(1, number=(12, 12)), RULES) == ""
    assert class_of(Find(1, "keep", coil="other", number=(47, 47)), RULES) == ""


def test_five_finds_on_a_thousand_square_metres() -> None:
    """They are 0.5 for each 100 m2, 0.2 to 1.1 nine times in ten, and in two hours 2.5 an hour; junk is no find."""
    finds = [find(n, number=(47, 47), period="roman") for n in range(5)] + [find(8, "junk")]
    whole, low, roman = densities(finds, 1000.0, 2.0, RULES)
    assert whole.per_100_m2 == pytest.approx((0.5, 0.1970, 1.0513), abs=5e-5)
    assert whole.per_hour == pytest.approx((2.5, 0.985, 5.2565), abs=5e-4)
    assert [(one.by, one.of, one.kept) for one in (whole, low, roman)] == [
        ("all", "all", 5),
        ("class", "low", 5),
        ("period", "roman", 5),
    ]


def test_without_ground_or_a_clock_there_is_no_rate() -> None:
    """Nothing is divided by nothing."""
    (whole,) = densities([find(1)], 0.0, None, {})
    assert whole.per_100_m2 is None and whole.per_hour is None
