"""Words that people typed, as they stand in a copy."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldcomb.coverage.copies.plain_words import plain_words

NAMES = {"Anna Holm": "AH", "Bo": "B", "Åsa-Lill Ny": "ÅN"}


@pytest.mark.parametrize(
    "text",
    [
        "coin at 46.50018 N, 28.00012 W",
        "46,50018; -28,00012",
        "46° 30' 00.6\" N 28° 0' W",
        "N 46.5001",
        "TV 77274 69740",
        "TV7727469740",
        "tv 7727 6974",
        "TV 772 697",
        "30U 577274 5697400",
        "31NAA6602100000",
        "577274 E",
        "found at 09:30",
        "at 9h30",
        "at 5 pm",
        "2026-03-07T09:30:00Z",
        "1772874720",
        "4 m east of the oak",
        "12.5 m from the gate",
        "see /home/anna/find.jpg",
        r"C:\finds\a.jpg",
        "find-14.heic",
        "https://example.org/a",
        "anna@example.org",
    ],
)
def test_places_times_paths_and_addresses_are_taken_out(text: str) -> None:
    """Whatever way somebody writes a place, a time, a file or an address, none of its digits is left in a copy."""
    said = plain_words(text, NAMES)
    assert "…" in said
    assert not re.search(r"\d{5,}|\d[.,:]\d|jpg|heic|example", said)


@pytest.mark.parametrize(
    "text",
    [
        "lead token",
        "coin, 1720 or 1730",
        "penny of 1797, 36 mm, 28.3 g",
        "18th century buckle",
        "3 pieces of slag",
        "late 1600s",
    ],
)
def test_what_tells_of_the_find_alone_stays(text: str) -> None:
    """Years, millimetres, weights and counts are no places, and stand in a copy as they were typed."""
    assert plain_words(text, NAMES) == text


def test_names_become_initials_also_their_parts_and_in_any_case() -> None:
    """Who is named in a text by a part of the name is no more named in a copy than by the whole of it."""
    said = plain_words("anna's spade; HOLM said; Bo and Åsa; boat", NAMES)
    assert said == "AH's spade; AH said; B and ÅN; boat"


@given(st.floats(-90, 90), st.floats(-180, 180), st.integers(3, 8), st.sampled_from(["{}, {}", "({} {})", "{}/{}"]))
def test_no_degrees_are_left(lat: float, lon: float, places: int, form: str) -> None:
    """Any two numbers with three decimals or more are gone."""
    said = plain_words(form.format(f"{lat:.{places}f}", f"{lon:.{places}f}"), {})
    assert not re.search(r"\d[.,]\d", said)
