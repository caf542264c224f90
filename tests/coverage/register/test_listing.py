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
