"""A ride, a hike or a walk across the country is refused at the door, in a sentence, whatever the command."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_walks import MORNING, gpx, lanes, square, stamped

from fieldcomb.coverage.commands.cli import main

FAST = {"ride": (7.7, "is a ride at 28 km/h, not a search"), "hike": (1.4, "is a walk at 1.4 m/s, not a search")}


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty working folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("kind", FAST)
def test_what_is_no_search_is_refused(kind: str, here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Map and add say in one line what a recording is that no part of can be a search, and keep nothing of it."""
    pace_m_s, message = FAST[kind]
    Path("way.gpx").write_text(gpx(stamped((k * pace_m_s, 0.2 * k) for k in range(1800))))
    assert main(["new", "s"]) == 0
    for command in (["map", "way.gpx", "-o", "m"], ["add", "s", "way.gpx"]):
        capsys.readouterr()
        assert main(command) == 1
        said = capsys.readouterr().err
        assert f"way.gpx: {message}" in said and "--top-pace" in said and "--from" in said
    assert not Path("m").exists() and not list(Path("s/tracks").glob("*.gpx"))


def test_a_file_that_is_only_the_way_home_stays_with_its_search(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A recorder that began a new file for the way home makes no difference: both are kept, and a note says which."""
    places = lanes(8)
    home = [(places[-1][0] + 1.4 * k, places[-1][1]) for k in range(1, 400)]
    points = stamped([*places, *home], MORNING)
    Path("search.gpx").write_text(gpx(points[: len(places)]))
    Path("home.gpx").write_text(gpx(points[len(places) + 60 :]))
    assert main(["new", "s"]) == 0 and main(["add", "s", "search.gpx", "home.gpx"]) == 0
    assert "This is a walk at 1.4 m/s, not a search" in capsys.readouterr().err
    assert main(["report", "s"]) == 0


def test_a_slow_walk_across_the_country_needs_a_boundary(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Six kilometres at 0.7 m/s are no walk of one site; with a boundary that part of it is taken."""
    Path("far.gpx").write_text(gpx(stamped((0.7 * k, 0.0) for k in range(9000))))
    Path("b.geojson").write_text(square(0, -20, 100, 20))
    assert main(["map", "far.gpx", "-o", "m"]) == 1
    said = capsys.readouterr().err
    assert "far.gpx: spans 6.3 km at 0.7 m/s" in said and "--boundary" in said
    assert main(["map", "far.gpx", "--boundary", "b.geojson", "-o", "m"]) == 0
