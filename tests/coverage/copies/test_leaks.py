"""Copies give away no more than their readers may know, whatever is in a site; and what looks for leaks finds them."""

from __future__ import annotations

import base64
import zlib
from dataclasses import replace
from pathlib import Path

import pytest
from leaks import Secrets, leaks
from secret_sites import copies_of, draw_site, write_site

from fieldcomb.coverage.actions.share_copy import copy_inputs
from fieldcomb.coverage.copies.audience import Audience
from fieldcomb.coverage.copies.contents import CopyInputs, make_copy
from fieldcomb.coverage.copies.copy_page import copy_html
from fieldcomb.coverage.intake.survey_inputs import survey_inputs
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.tracks.frame import SiteFrame

ALL = [audience.value for audience in Audience]
SITES = 50


@pytest.mark.parametrize("seed", range(SITES))
def test_no_copy_of_any_site_gives_more_away_than_its_reader_may_know(seed: int, tmp_path: Path) -> None:
    """On made-up sites full of names, times, places and paths, every byte of every copy is free of them."""
    root, secrets = write_site(draw_site(seed), tmp_path / "kept")
    pages = copies_of(root)
    assert {whom: leaks(page, whom, secrets) for whom, page in pages.items()} == {whom: [] for whom in ALL}


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Secrets]:
    """One such site."""
    return write_site(draw_site(77), tmp_path_factory.mktemp("one") / "kept")


@pytest.fixture(scope="module")
def pages(site: tuple[Path, Secrets]) -> dict[str, bytes]:
    """Its copies."""
    return copies_of(site[0])


def plants(secrets: Secrets) -> dict[str, bytes]:
    """Leaks of every kind, and of every way in which one may be packed."""
    lon, lat = secrets.lon_lat[0]
    degrees = f"{lat:.6f}".encode()
    return {
        "degrees": degrees,
        "three decimals": f"{lat:.3f}".encode(),
        "degrees with a comma": f"{abs(lon):.5f}".replace(".", ",").encode(),
        "degrees in base64": base64.b64encode(b"x=" + degrees + b";y=1"),
        "degrees in base64 in base64": base64.b64encode(base64.b64encode(b"at " + degrees + b" there")),
        "compressed degrees in base64": base64.b64encode(zlib.compress(b"place " + degrees)),
        "degrees as entities": b"".join(b"&#%d;" % byte for byte in degrees),
        "degrees as percents": b"".join(b"%%%02x" % byte for byte in degrees),
        "a float of a script": b"[12.3456789, 3]",
        "a comment": b"<!-- north field -->",
        "an id": b'<p id="x">a</p>',
        "a data attribute": b'<p data-at="1">a</p>',
        "a meta": b'<meta name="author" content="a">',
        "a script": b"<script>1</script>",
        "a time of day": b"at 09:14",
        "a moment": b"2026-03-07T09:14:00Z",
        "Unix seconds": b"1772874720",
        "a name": secrets.names[0].encode(),
        "a part of a name": secrets.names[1].split()[1].lower().encode(),
        "a file": b"track-of-somebody",
        "a path": str(secrets.words[3]).encode(),
        "what lay on closed ground": b"a hoard of gold",
        "an address": b"see https://example.org/",
        "a square in centimetres": b'<path class="thin" d="M1234 0h10v10h-10z"/>',
        "an outline in decimetres": b'<polygon points="0,0 10.5,0 3,3"/>',
    }


@pytest.mark.parametrize("whom", ALL)
def test_a_planted_leak_of_any_kind_is_found(whom: str, site: tuple[Path, Secrets], pages: dict[str, bytes]) -> None:
    """What looks for leaks is not blind: it finds each of twenty-five kinds that are put into a clean copy."""
    page, secrets = pages[whom], site[1]
    assert leaks(page, whom, secrets) == []
    missed = [
        name
        for name, plant in plants(secrets).items()
        if not leaks(page.replace(b"</main>", plant + b"</main>"), whom, secrets)
    ]
    assert missed == []


def test_metres_of_the_grid_days_and_initials_are_found_where_they_are_not_allowed(
    site: tuple[Path, Secrets], pages: dict[str, bytes]
) -> None:
    """The public copy's square is a leak in the club's; the owner's days and initials are one in the public's."""
    secrets = site[1]
    place = next(line for line in pages["public"].split(b"\n") if b"UTM" in line)
    for whom in ("owner", "club"):
        assert leaks(pages[whom].replace(b"</main>", place + b"</main>"), whom, secrets)
    for plant in (b"on 7 March 2026", b"by " + secrets.initials[0].encode()):
        page = pages["public"].replace(b"</main>", plant + b"</main>")
        assert leaks(page, "public", secrets)


def test_copies_do_not_depend_on_where_on_earth_a_site_is(site: tuple[Path, Secrets]) -> None:
    """The same metres elsewhere give owner and club the same bytes, and the public the same apart from one sentence."""
    given = survey_inputs(site[0], say=lambda _: None)
    result, inputs = survey(given.site, given.outings), copy_inputs(site[0], given.site.finds, say=lambda _: None)
    frame, other = result.report.site.frame, SiteFrame(11.5, -33.25)
    moved = replace(result, report=replace(result.report, site=replace(result.report.site, frame=other)))
    finds = []
    for find in inputs.finds:
        assert find.lon_deg is not None and find.lat_deg is not None
        lon, lat = other.to_lonlat(*frame.to_metres([find.lon_deg], [find.lat_deg]))
        finds.append(replace(find, lon_deg=float(lon[0]), lat_deg=float(lat[0])))
    there = replace(inputs, finds=tuple(finds))
    for audience in (Audience.OWNER, Audience.CLUB):
        assert copy_html(make_copy(moved, audience, there)) == copy_html(make_copy(result, audience, inputs))
    public = [make_copy(*one).place for one in ((result, Audience.PUBLIC, inputs), (moved, Audience.PUBLIC, there))]
    assert public[0] != public[1]
    same = [
        copy_html(make_copy(*one)).replace(place, "")
        for one, place in zip(((result, Audience.PUBLIC, inputs), (moved, Audience.PUBLIC, there)), public, strict=True)
    ]
    assert same[0] == same[1]


def test_copies_do_not_depend_on_times_of_day(site: tuple[Path, Secrets]) -> None:
    """A survey at other hours of the same days gives the same bytes."""
    given = survey_inputs(site[0], say=lambda _: None)
    result, inputs = survey(given.site, given.outings), copy_inputs(site[0], given.site.finds, say=lambda _: None)
    outings = []
    for outing in result.report.outings:
        assert outing.head.start_s is not None
        midnight_s = outing.head.start_s // 86_400 * 86_400
        outings.append(replace(outing, head=replace(outing.head, start_s=midnight_s + 77.0)))
    finds = tuple(replace(find, time_s=(find.time_s or 0.0) // 86_400 * 86_400 + 99.0) for find in inputs.finds)
    other = replace(result, report=replace(result.report, outings=tuple(outings)))
    for audience in Audience:
        now = copy_html(make_copy(result, audience, inputs))
        assert copy_html(make_copy(other, audience, replace(inputs, finds=finds))) == now


def test_copies_do_not_depend_on_names(tmp_path: Path) -> None:
    """Other people with the same initials give the same bytes."""
    one = draw_site(5)
    finds = tuple((x, y, kind, "lead token", period) for x, y, kind, _, period in one.finds)
    named = tuple(f"{name[0]}aa {name.split()[1][0]}bb" for name in one.people)
    first, other = replace(one, finds=finds), replace(one, finds=finds, people=named)
    assert copies_of(write_site(first, tmp_path / "a")[0]) == copies_of(write_site(other, tmp_path / "b")[0])


def test_closed_ground_leaves_no_hole_in_a_drawing(site: tuple[Path, Secrets]) -> None:
    """CoarseSquares are drawn for the same ground whether some of it is closed or not, and none inside lacks."""
    given = survey_inputs(site[0], say=lambda _: None)
    result = survey(given.site, given.outings)
    opened = replace(result, layers=replace(result.layers, areas=[a for a in result.layers.areas if not a.marked_in]))
    assert len(opened.layers.areas) < len(result.layers.areas)
    for audience in (Audience.OWNER, Audience.CLUB):
        drawn = make_copy(result, audience, CopyInputs()).ground
        hole = make_copy(opened, audience, CopyInputs()).ground
        assert drawn is not None and hole is not None
        edge = {(row, col) for row, levels in enumerate(drawn.levels) for col, n in enumerate(levels) if n == 0}
        inner = {(row, col) for row in range(1, drawn.rows - 1) for col in range(1, drawn.cols - 1)}
        assert not edge & inner
        assert (drawn.rows, drawn.cols) == (hole.rows, hole.cols)
