"""A recording of more than can be worked on in seconds is refused, with what was found and how to go on."""

from __future__ import annotations

import math

import numpy as np
import pytest
from recordings import FRAME, START_S, fixes, item, outing, part

from fieldcomb.coverage.outings.walking import walk_outing
from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files import limits

LANE = fixes([(0, 0), (0, 120)])  # 300 s at 0.4 m/s, 301 fixes


def test_too_many_fixes(monkeypatch: pytest.MonkeyPatch) -> None:
    """A recording with more fixes than the limit is refused; a part of it, given by its times, is taken."""
    monkeypatch.setattr(limits, "MAX_WALKED_FIXES", 300)
    with pytest.raises(TrackError, match=r"a.gpx: .*holds 301 fixes in 5 min, more than the limit of 300") as caught:
        walk_outing(outing("a", item(LANE, file="a.gpx")), FRAME)
    assert "--from and --to" in str(caught.value.hint)
    first = item(LANE, file="a.gpx", window=(START_S, START_S + 300))
    assert walk_outing(outing("a", first), FRAME).recordings[0].dropped == {"outside the chosen time window": 1}


def test_pieces_of_one_file_count_together(monkeypatch: pytest.MonkeyPatch) -> None:
    """A file cut where the coil was changed has its fixes counted over all pieces; those of two files are apart."""
    monkeypatch.setattr(limits, "MAX_WALKED_FIXES", 300)
    windows = [(-math.inf, START_S + 150), (START_S + 150, math.inf)]
    with pytest.raises(TrackError, match="holds 301 fixes"):
        walk_outing(outing("a", *(item(LANE, file="a.gpx", window=one) for one in windows)), FRAME)
    two = [item(LANE, file=f"{n}.gpx", window=one) for n, one in enumerate(windows)]
    assert len(walk_outing(outing("a", *two), FRAME).recordings) == 2


def test_too_long_a_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """Searching whose line has more points than the limit is refused with its length."""
    long = fixes([(0, 0), (0, 1000), (2, 1000), (2, 0)])
    walk_outing(outing("a", item(long, file="a.gpx")), FRAME)
    monkeypatch.setattr(limits, "MAX_LINE_POINTS", 3000)
    with pytest.raises(TrackError, match=r"a.gpx: .*holds 2 km of searching as a line of 5,0\d\d points, more than"):
        walk_outing(outing("a", item(long, file="a.gpx")), FRAME)


def test_too_many_drop_outs(monkeypatch: pytest.MonkeyPatch) -> None:
    """A walk that breaks off more often than the limit is refused with how far apart its fixes lie."""
    far = fixes([(0, 0), (0, 600)])
    sparse = part(far, np.arange(0, len(far), 150))  # a fix in 150 s and 60 m
    count = len(sparse)
    monkeypatch.setattr(limits, "MAX_DROPOUTS", count - 1)
    walk_outing(outing("a", item(sparse, file="a.gpx")), FRAME)
    monkeypatch.setattr(limits, "MAX_DROPOUTS", count - 2)
    says = rf"a.gpx: breaks off {count - 1} times, more than the limit of {count - 2} .* lie 60 m and 2 min apart"
    with pytest.raises(TrackError, match=says):
        walk_outing(outing("a", item(sparse, file="a.gpx")), FRAME)
