"""Changing a site as a whole: areas drawn anew, its name, and a site that nothing was added to."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from small_walks import MORNING, polygon, snapshot, square, walk

from fieldcomb.coverage.actions.add import add
from fieldcomb.coverage.actions.edit import areas_digest, change_areas, change_site, edit
from fieldcomb.coverage.actions.given_walks import WalksToAdd, WalkToAdd
from fieldcomb.coverage.actions.new_site import new_site, remove_fresh
from fieldcomb.coverage.site.folder import AREAS_FILE
from fieldcomb.coverage.site.settings import Typed
from fieldcomb.coverage.site.settings_file import read_settings
from fieldcomb.tracks.errors import AreaError, SiteError, UsageError


def quiet(_: object) -> None:
    """Take a note and forget it."""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """Make a site with an edge and one walk."""
    (tmp_path / "edge.geojson").write_text(square(0, 0, 20, 20))
    new_site(tmp_path / "field", boundary=str(tmp_path / "edge.geojson"), say=quiet)
    add_walk(tmp_path / "field", tmp_path)
    return tmp_path / "field"


def add_walk(site: Path, beside: Path) -> None:
    """Add a small walk."""
    (beside / "walk.gpx").write_text(walk(MORNING))
    add(site, WalksToAdd([WalkToAdd(str(beside / "walk.gpx"))]), quiet)


def test_drawn_areas_take_the_place_of_the_old_ones_which_are_kept(site: Path) -> None:
    """Each change leaves a copy of what was, byte for byte, under a name of its own; nothing else is touched."""
    first, others = (site / AREAS_FILE).read_bytes(), snapshot(site)
    for number, wide in ((1, 25), (2, 30)):
        before = (site / AREAS_FILE).read_bytes()
        lines = change_areas(site, square(0, 0, wide, 20).encode(), areas_digest(before), quiet)
        assert f"areas-before-{number}.geojson" in lines[1]
        assert (site / f"areas-before-{number}.geojson").read_bytes() == before
    assert (site / "areas-before-1.geojson").read_bytes() == first
    assert (site / AREAS_FILE).read_text() == square(0, 0, 30, 20)
    now = snapshot(site)
    assert {name for name in now if now[name] != others.get(name)} == {
        *(AREAS_FILE, "areas-before-1.geojson", "areas-before-2.geojson")
    }


def test_the_same_areas_change_nothing(site: Path) -> None:
    """Saving what is there already writes nothing, and makes no copy."""
    before, content = snapshot(site), (site / AREAS_FILE).read_bytes()
    assert change_areas(site, content, areas_digest(content), quiet) == ()
    assert snapshot(site) == before


def test_areas_that_were_changed_meanwhile_are_not_overwritten(site: Path) -> None:
    """Who drew over an older version is told, and neither version is lost."""
    old = areas_digest((site / AREAS_FILE).read_bytes())
    change_areas(site, square(0, 0, 25, 20).encode(), old, quiet)
    before = snapshot(site)
    with pytest.raises(SiteError, match="changed since you opened it"):
        change_areas(site, square(0, 0, 30, 20).encode(), old, quiet)
    assert snapshot(site) == before


@pytest.mark.parametrize(
    "drawn",
    [
        "{}",
        '{"type": "FeatureCollection", "features": []}',
        polygon([(0, 0), (20, 20), (20, 0), (0, 20), (0, 0)]),
        square(0, 0, 20, 20, "wood"),
        square(0, 0, 90_000, 90_000),
    ],
    ids=["nothing", "no area", "crosses itself", "unknown kind", "as large as a country"],
)
def test_areas_that_cannot_be_are_refused_and_nothing_changes(site: Path, drawn: str) -> None:
    """What could not be used for a new site cannot be drawn either; the site stays byte for byte."""
    before = snapshot(site)
    with pytest.raises(AreaError):
        change_areas(site, drawn.encode(), areas_digest((site / AREAS_FILE).read_bytes()), quiet)
    assert snapshot(site) == before


def test_a_site_that_began_without_an_edge_gets_one(tmp_path: Path) -> None:
    """The edge drawn over the first walk is the site's from then on: its file is expected, and the frame stays."""
    site = tmp_path / "walked"
    new_site(site, say=quiet)
    add_walk(site, tmp_path)
    frame = read_settings((site / "site.toml").read_bytes(), "site.toml").frame
    assert len(change_areas(site, square(-2, -2, 9, 25).encode(), "", quiet)) == 1
    now = read_settings((site / "site.toml").read_bytes(), "site.toml")
    assert now.areas and now.frame == frame and frame is not None
    assert not list(site.glob("areas-before-*"))


def test_an_edge_drawn_before_the_first_walk_fixes_the_frame(tmp_path: Path) -> None:
    """A site without walk and edge has its frame from the edge that is drawn first."""
    site = tmp_path / "bare"
    new_site(site, say=quiet)
    change_areas(site, square(0, 0, 20, 20).encode(), "", quiet)
    assert read_settings((site / "site.toml").read_bytes(), "site.toml").frame is not None
    add_walk(site, tmp_path)


def test_name_and_zone_are_changed_and_all_else_stays(site: Path) -> None:
    """Only the lines of name and zone differ afterwards; remarks and the folder's name stay."""
    before = (site / "site.toml").read_text().splitlines()
    lines = change_site(site, {"name": 'West "side"', "zone": "Europe/Oslo"}, quiet)
    assert lines == ('name: field -> West "side"', "zone: UTC -> Europe/Oslo")
    after = (site / "site.toml").read_text().splitlines()
    assert [a.partition(" ")[0] for a, b in zip(after, before, strict=True) if a != b] == ["name", "zone"]
    assert read_settings((site / "site.toml").read_bytes(), "site.toml").name == 'West "side"'
    assert change_site(site, {"name": 'West "side"'}, quiet) == ()


def test_a_zone_that_is_not_known_changes_nothing(site: Path) -> None:
    """An unknown zone is refused, and site.toml stays as it was."""
    before = snapshot(site)
    with pytest.raises((UsageError, SiteError)):
        change_site(site, {"name": "x", "zone": "Moon/Crater"}, quiet)
    assert snapshot(site) == before


def test_a_fresh_site_goes_again_and_no_other(site: Path, tmp_path: Path) -> None:
    """A site to which nothing was added is removed whole; one with a walk, or with a file of the user's, is left."""
    fresh, noted = tmp_path / "fresh", tmp_path / "noted"
    for folder in (fresh, noted):
        new_site(folder, say=quiet)
    (noted / "notes.txt").write_text("mine")
    with_walk = snapshot(site)
    for folder in (fresh, noted, site):
        remove_fresh(folder)
    assert not fresh.exists() and (noted / "notes.txt").read_text() == "mine"
    assert snapshot(site) == with_walk


def test_what_other_programs_wrote_of_an_area_comes_through(site: Path) -> None:
    """Areas are written as they are given, with whatever else their file says of them."""
    drawn = json.loads(square(0, 0, 22, 20))
    drawn["features"][0]["properties"]["owner"] = "somebody"
    text = json.dumps(drawn)
    change_areas(site, text.encode(), areas_digest((site / AREAS_FILE).read_bytes()), quiet)
    assert (site / AREAS_FILE).read_text() == text


def test_a_swing_width_typed_for_a_team_names_the_files_whose_own_coil_it_changes(site: Path) -> None:
    """Who corrects the swing width of a team's outing is told whose coil it counts for, and what that had before."""
    rows = (
        ("ann.gpx", 4.0, Typed(coil="large=33cm", swath="1.6m")),
        ("bo.gpx", 9.0, Typed(coil="small=13x20cm", swath="0.9m")),
    )
    for name, east_m, _ in rows:
        (site.parent / name).write_text(walk(MORNING, east_m))
    walks = [WalkToAdd(str(site.parent / name), typed=typed) for name, _, typed in rows]
    (added,) = add(site, WalksToAdd(walks), quiet)
    said: list[object] = []
    edit(site, added.id, {"swath": "1.5m"}, say=said.append)
    assert [str(one) for one in said] == [
        "1.5m counts for files with a coil of their own, too: ann.gpx (large, 1.6 m before), "
        "bo.gpx (small, 90 cm before). "
        "If that is wrong for one of them, type its own swing width for that file"
    ]
    edit(site, added.id, {"swath": "0.9m"}, recording="bo.gpx", say=quiet)
    said.clear()
    edit(site, added.id, {"swath": "1.4m"}, say=said.append)
    assert "bo.gpx" in str(said[0]) and "keep it" in str(said[0]) and "bo.gpx" not in str(said[1])
