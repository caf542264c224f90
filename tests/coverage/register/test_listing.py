"""What the list of finds says above its rows."""

from __future__ import annotations

import pytest

from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.register.listing import finds_total


@pytest.mark.parametrize(
    ("kept", "said"),
    [
        ([("coin", "FLO")], "Of 1 kept, 1 says what it is and 1 is reported"),
        ([("coin", None), (None, None)], "Of 2 kept, 1 says what it is and 0 are reported"),
        ([("coin", "FLO"), ("ring", "FLO"), (None, None)], "Of 3 kept, 2 say what they are and 2 are reported"),
    ],
)
def test_one_find_is_told_of_in_the_singular(kept: list[tuple[str | None, str | None]], said: str) -> None:
    """The list counts what was named and what was reported among the finds that were kept, one or several."""
    finds = [Find(n, "keep", what=what, reported_to=to) for n, (what, to) in enumerate(kept, 1)]
    assert said in finds_total(finds)


def test_it_is_said_how_well_places_are_known() -> None:
    """Places from a watch, from a better receiver, typed ones and missing ones are counted each in plain words."""
    errors = [3.9, 3.9, 3.9, 0.05, 0.05, None]
    finds = [Find(n, "keep", lat_deg=0.0, lon_deg=-28.0, error_m=error) for n, error in enumerate(errors, 1)]
    finds.append(Find(7, "keep"))
    assert "Places: 3 known to about 4 m, 2 known to 5 cm, 1 as typed, 1 not known" in finds_total(finds)
