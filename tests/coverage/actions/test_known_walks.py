"""A walk that is in the site already under other bytes is found when it is added once more."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pytest
from small_walks import MORNING, gpx, lanes, snapshot, stamped, walk
from teams import searcher

from fieldcomb.coverage.actions.add import add
from fieldcomb.coverage.actions.edit import edit
from fieldcomb.coverage.actions.given_walks import WalksToAdd, WalkToAdd
from fieldcomb.coverage.actions.new_site import new_site
from fieldcomb.coverage.site.settings import Typed
from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.quality.duplicates import same_fixes
from fieldcomb.tracks.recording import Track


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site with one walk."""
    new_site(tmp_path / "s", say=print)
    put(tmp_path / "s", "first.gpx", walk().encode())
    return tmp_path / "s"


def put(site: Path, name: str, data: bytes, who: str | None = None) -> list[str]:
    """Add a file to the site; gives what was said."""
    path = site.parent / name
    path.write_bytes(data)
    said: list[str] = []
    add(site, WalksToAdd([WalkToAdd(str(path), searcher=who)], Typed(coil="28cm")), said.append)
    return said


@pytest.mark.parametrize(
    "copy",
    [
        gzip.compress(walk().encode(), mtime=0),
        walk().replace('creator="t"', 'creator="another export"').encode(),
        gpx(stamped([(x + 0.05, y) for x, y in lanes(4)])).encode(),
        gpx(stamped(lanes(4))[:-3]).encode(),
    ],
    ids=["packed", "other words", "other rounding", "a few fixes short"],
)
def test_another_copy_of_a_recording_is_refused(site: Path, copy: bytes) -> None:
    """Packed, exported again, rounded otherwise or cut by a few fixes, a recording is told as added before."""
    before = snapshot(site)
    with pytest.raises(
        TrackError, match=r"the same recording as first\.gpx, which was added before, in outing 2026-03-07a"
    ):
        put(site, "again.gpx", copy)
    assert snapshot(site) == before


def test_a_whole_copy_can_take_the_place_of_a_broken_one(tmp_path: Path) -> None:
    """When the recording that is there was cut off, the whole one is taken once that outing is left out."""
    new_site(tmp_path / "s", say=print)
    site = tmp_path / "s"
    put(site, "cut.gpx", gpx(stamped(lanes(4))[:100]).encode())
    with pytest.raises(
        TrackError,
        match="It holds more of the walk than the earlier file: to use it, first leave outing 2026-03-07a out",
    ):
        put(site, "whole.gpx", walk().encode())
    edit(site, "2026-03-07a", {"left_out": True}, say=print)
    put(site, "whole.gpx", walk().encode())
    assert len(list((site / "tracks").iterdir())) == 2


def test_another_walk_of_the_day_is_added_without_a_word(site: Path) -> None:
    """A second walk of the same day, elsewhere or at another hour, is no copy."""
    assert not any("same" in line for line in put(site, "b.gpx", walk(east_m=40).encode()))
    later = MORNING.replace(hour=15)
    assert not any("same" in line for line in put(site, "c.gpx", walk(start=later).encode()))


def long_walk(east_m: float = 0.0) -> bytes:
    """Half an hour with stops, a fix a second."""
    made = searcher(np.random.default_rng(1), digs=8)
    t = np.arange(0, 1800)
    places = zip(np.interp(t, made.t_s, made.x_m) + east_m, np.interp(t, made.t_s, made.y_m), strict=True)
    return gpx(stamped(places)).encode()


def test_a_second_recorder_in_another_outing_is_told(site: Path) -> None:
    """The phone's record of a walk that the watch brought in as an outing of its own is taken, with a warning."""
    assert not any("same way" in line for line in put(site, "watch.gpx", long_walk()))
    told = put(site, "phone.gpx", long_walk(east_m=0.8))
    assert any("went the same way at the same time as watch.gpx of outing 2026-03-07b" in str(line) for line in told)


def test_two_named_people_are_two_walks(site: Path) -> None:
    """With two names nothing is said, however alike the walks are."""
    put(site, "watch.gpx", long_walk(), "Ann")
    assert not any("same way" in line for line in put(site, "phone.gpx", long_walk(east_m=0.8), "Bo"))


def test_a_lost_file_of_the_site_does_not_stop_a_new_walk(site: Path) -> None:
    """When a recording of the site is missing, new walks are still taken; the report tells of it."""
    next((site / "tracks").iterdir()).unlink()
    put(site, "again.gpx", walk(east_m=3).encode())
    assert len(list((site / "tracks").iterdir())) == 1


def made(n: int, t0: float = 0.0, shift: float = 0.0, times: bool = True) -> Track:
    """A line of fixes."""
    k = np.arange(n, dtype=float)
    return Track(k * 1e-5 + shift, k * 1e-5, k + t0 if times else np.full(n, np.nan), np.zeros(n, np.int32))


def test_same_fixes() -> None:
    """Copies are told by their fixes, whichever comes first; a shift of place or time makes another walk."""
    assert same_fixes(made(100), made(100, shift=1e-6)) and same_fixes(made(97), made(100))
    assert same_fixes(made(100, times=False), made(100, times=False))
    assert not same_fixes(made(100), made(100, shift=1e-5)) and not same_fixes(made(100), made(100, t0=30.0))
    assert not same_fixes(made(100, times=False), made(99, times=False)) and not same_fixes(made(0), made(5))
