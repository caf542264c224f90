"""Coils and swings as people type them."""

from __future__ import annotations

import doctest

import pytest

from fieldcomb.coverage.gear import coils
from fieldcomb.coverage.gear.coils import Coil, coil_of_size, parse_coil, split_naming
from fieldcomb.coverage.gear.swing import make_swing, parse_gps
from fieldcomb.tracks.errors import UsageError

ROUND = Coil("28cm", 0.28, 0.28)
SMALL = Coil("small", 0.13, 0.20)


@pytest.mark.parametrize(
    ("text", "width_m", "length_m", "winding"),
    [
        ("28cm", 0.28, 0.28, "dd"),
        ("0.28m", 0.28, 0.28, "dd"),
        ("280mm", 0.28, 0.28, "dd"),
        ("11in", 0.2794, 0.2794, "dd"),
        ("13x20cm", 0.13, 0.20, "dd"),
        ("13 x 20 cm", 0.13, 0.20, "dd"),
        ("13cmx20cm", 0.13, 0.20, "dd"),
        ("5.5x10in", 0.1397, 0.254, "dd"),
        ("5,5x10in", 0.1397, 0.254, "dd"),
        ("20cm:concentric", 0.20, 0.20, "concentric"),
        ("13x20cm:DD", 0.13, 0.20, "dd"),
    ],
)
def test_sizes(text: str, width_m: float, length_m: float, winding: str) -> None:
    """A size is width by length, or one number for a round coil; inches are 25.4 mm."""
    coil = parse_coil(text, {})
    assert (coil.width_m, coil.length_m, coil.winding) == (width_m, length_m, winding)


@pytest.mark.parametrize(
    ("texts", "name"),
    [
        (["28cm", "28 cm", " 28 CM"], "28cm"),
        (["13x20cm", "13 x 20 cm", "13cm x 20cm", "13×20cm", "13X20 cm", "13*20cm"], "13x20cm"),
        (["11in", '11"', "11″", "11 inch", "11''"], "11in"),
        (["5.5x10in", '5.5"x10"', "5.5 x 10 inch"], "5.5x10in"),
        (["20cm:concentric", "20 cm : Concentric"], "20cm:concentric"),
    ],
)
def test_a_size_written_in_other_ways_is_the_same_coil(texts: list[str], name: str) -> None:
    """Who types 28cm one day and 28 cm the next has one coil in the report; inches may be written as they are said."""
    made = [parse_coil(text, {}) for text in texts]
    assert len({(coil.width_m, coil.length_m, coil.winding) for coil in made}) == 1
    assert [coil.name for coil in made] == [name] * len(made)


def test_a_known_name_is_that_coil() -> None:
    """A name that the site knows gives the site's coil, even where the name looks like a size."""
    assert parse_coil(" small ", {"small": SMALL}) is SMALL
    assert parse_coil("28cm", {"28cm": SMALL}) is SMALL


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("28", "no unit"),
        ("13x20", "understood"),
        ("28 apples", "understood"),
        ("3cm", "between 5 cm and 2 m"),
        ("3m", "between 5 cm and 2 m"),
        ("13x300cm", "between 5 cm and 2 m"),
        ("0cm", "more than zero"),
        ("20cm:round", "winding 'round'"),
        ("large", "not known"),
        ("", "not known"),
        ("-20cm", "not known"),
    ],
)
def test_what_is_no_coil_is_refused_with_the_way_out(text: str, said: str) -> None:
    """Anything else is refused, with what was typed and what to type."""
    with pytest.raises(UsageError, match=said) as caught:
        parse_coil(text, {"small": SMALL})
    assert caught.value.hint


def test_an_unknown_name_lists_the_known_ones() -> None:
    """A slip in a name is answered with the names there are."""
    with pytest.raises(UsageError, match="'smal'") as caught:
        parse_coil("smal", {"small": SMALL, "28cm": ROUND})
    assert "28cm, small" in str(caught.value.hint)


def test_naming_a_coil_for_good() -> None:
    """``small=13x20cm`` is a name and a size; without a sign there is no name."""
    assert split_naming("small=13x20cm") == ("small", "13x20cm")
    assert split_naming("13x20cm") == (None, "13x20cm")
    assert coil_of_size("small", "13x20cm") == SMALL
    for text in ("=13cm", "small=", " = "):
        with pytest.raises(UsageError, match="name=size"):
            split_naming(text)
    with pytest.raises(UsageError, match="looks like a size"):
        split_naming("28cm=small")


def test_a_swing_nobody_measured_is_the_coil_and_120_cm() -> None:
    """The default swath is 1.2 m of travel and the coil's width, one sweep takes a second, and both say so."""
    swing = make_swing(ROUND, None, None, None)
    assert (swing.swath_m, swing.sweep_s, swing.gps) == (1.48, 1.0, "typical")
    assert not swing.swath_measured and not swing.sweep_measured


def test_a_measured_swing_is_taken_as_it_is() -> None:
    """What was typed is used and marked as measured."""
    swing = make_swing(ROUND, 1.1, 0.8, "2m")
    assert (swing.swath_m, swing.sweep_s, swing.gps) == (1.1, 0.8, "2m")
    assert swing.swath_measured and swing.sweep_measured
    assert make_swing(ROUND, 0.28, None, None).swath_m == 0.28  # straight on, without swinging


@pytest.mark.parametrize(
    ("swath_m", "sweep_s", "said"),
    [
        (0.27, None, "smaller than the coil itself"),
        (6.5, None, "wider than anyone swings"),
        (None, 0.1, "not possible"),
        (None, 30.0, "not possible"),
        (None, float("nan"), "not possible"),
    ],
)
def test_a_swing_that_cannot_be_is_refused(swath_m: float | None, sweep_s: float | None, said: str) -> None:
    """A swath narrower than the coil or wider than anyone swings, and a sweep of no time or of half a minute: slips."""
    with pytest.raises(UsageError, match=said):
        make_swing(ROUND, swath_m, sweep_s, None)


def test_gps_is_a_class_or_a_length() -> None:
    """Good, typical and poor are known; a length is kept as typed; the rest is refused."""
    assert [parse_gps(text) for text in ("good", "typical", "poor", "2m", "150cm")] == [
        "good", "typical", "poor", "2m", "150cm",
    ]  # fmt: skip
    for text in ("excellent", "2", "0m", "", "2 parsecs"):
        with pytest.raises(UsageError):
            parse_gps(text)


def test_the_examples_in_the_module_are_right() -> None:
    """What the docstrings show is what happens."""
    assert doctest.testmod(coils).failed == 0 < doctest.testmod(coils).attempted
