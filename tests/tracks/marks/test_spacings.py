"""Spacings between lanes as they are written."""

from __future__ import annotations

import pytest

from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.marks.spacings import LaneSpacing, parse_spacings


@pytest.mark.parametrize(
    "text",
    [
        "1.4m,1.5m,2 paces",
        "1.4m, 1.5m, 2 paces",
        "1,4m,1,5m,2 paces",
        "1,4 m; 1,5 m; 2 Paces",
        "140cm 150 cm 2paces",
        " 1.4m;\n1500mm, 2 steps ; ",
    ],
)
def test_every_way_to_write_them_gives_the_same_three(text: str) -> None:
    """Commas, semicolons or blanks between them, decimal commas, any unit, paces or steps."""
    assert parse_spacings(text) == (LaneSpacing(1.4, False), LaneSpacing(1.5, False), LaneSpacing(1.5, True))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no spacing was named"),
        (" , ;", "no spacing was named"),
        ("1.4", "'1.4' has no unit"),
        ("1.4m, 15", "'15' has no unit"),
        ("1.4m, 15m", "15 m between lanes is not within 20 cm to 10 m"),
        ("0.1m", "10 cm between lanes is not within"),
        ("1.4m, wide", "'wide' is not understood"),
        ("1.4 furlongs", "is not understood"),
        ("1.4m and 1.5m", "'and1.5m' is not understood"),
        ("-1.4m", "'-1.4m' is not understood"),
        ("nan paces", "'nan paces' is not understood"),
    ],
)
def test_what_is_no_spacing_is_refused(text: str, words: str) -> None:
    """A number without a unit, no number at all, or more than anybody leaves between lanes: the message names it."""
    with pytest.raises(UsageError) as refused:
        parse_spacings(text)
    assert words in refused.value.problem and refused.value.hint
