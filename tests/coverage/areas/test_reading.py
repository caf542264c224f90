"""Files of areas that hold more than can be laid over one another in seconds are refused."""

from __future__ import annotations

import json

import pytest

from fieldcomb.coverage.areas.reading import read_drawn
from fieldcomb.tracks.errors import AreaError
from fieldcomb.tracks.files import limits

RING = [[0, 0], [9, 0], [9, 9], [0, 9], [0, 0]]
HOLE = [[1, 1], [1, 2], [2, 2], [1, 1]]


@pytest.mark.parametrize(
    ("limit", "at", "says"),
    [
        ("MAX_CORNERS", 9, "has 13 corners, more than the limit of 9. Simplify it"),
        ("MAX_RINGS", 2, "has 3 outlines and holes, more than the limit of 2. Simplify it"),
    ],
)
def test_corners_and_holes_are_bounded(limit: str, at: int, says: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Outlines at the limit are read; with one hole more they are refused with what was found and how to go on."""
    monkeypatch.setattr(limits, limit, at)

    def polygon(*rings: list[list[int]]) -> bytes:
        return json.dumps({"type": "Polygon", "coordinates": rings}).encode()

    assert len(read_drawn(polygon(RING, HOLE), "a")[0][0].parts[0]) == 2
    with pytest.raises(AreaError) as caught:
        read_drawn(polygon(RING, HOLE, HOLE), "a")
    assert says in str(caught.value)
