"""Copies of the demo, made as a user makes them: what they say and do not, and whether everybody can read them."""

from __future__ import annotations

import re
import shlex
import shutil
from html import unescape
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browsers import axe
from leaks import Secrets, leaks

from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.copies.audience import Audience
from fieldcomb.coverage.copies.contents import CopyInputs, make_copy
from fieldcomb.coverage.intake.survey_inputs import survey_inputs
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.tracks.formats.read import read_recording

ROOT = Path(__file__).parents[2]
WHOM = ("owner", "club", "public")
FINDS = """find_no,outing,time,lat,lon,error_m,finder,kind,what,period,kept_at,hole,photo,note
1,2026-04-11a,2026-04-11T09:31Z,46.5000812,-28.000121,3,Anna Holm,keep,lead token,medieval,Anna's drawer,,a.jpg,deep
2,2026-04-11a,2026-04-11T09:41:00Z,46.5001812,-28.0001210,3,Anna Holm,keep,coin at 46.50018 N,Roman,,a,,
3,2026-04-11a,2026-04-11T09:42:00Z,46.5001812,-28.0001210,3,Anna Holm,junk,nail,,,a,,
4,2026-04-12a,,,,,,keep,button,modern,box 3,,b.jpg,
5,2026-04-12a,,46.4998000,-27.9998,3,,left,iron,,,,,
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo field with two of its outings, some finds, and a copy for everybody."""
    folder = tmp_path_factory.mktemp("copies")
    shutil.copytree(ROOT / "demo", folder / "demo")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        for line in (
            'new demo-field --boundary demo/boundary.geojson --zone UTC --name "Long Acre"',
            'add demo-field demo/outing-1-west-large.gpx --coil large=33cm --swath 1.6m --label "with Anna Holm"',
            "add demo-field demo/outing-2-east-large.gpx --coil large --swath 1.6m",
            'edit demo-field 2026-04-11a --recording outing-1-west-large.gpx --searcher "Anna Holm"',
            'edit demo-field 2026-04-11a --seen "fence broken, told Anna at 17:20" --filled "all 7, checked"',
        ):
            assert main(shlex.split(line)) == 0
        (folder / "demo-field" / "finds.csv").write_text(FINDS, encoding="utf-8")
        for whom in WHOM:
            assert main(["report", "demo-field", "--for", whom]) == 0
    return folder


def page(folder: Path, whom: str) -> bytes:
    """One of the copies."""
    return (folder / "demo-field" / "copies" / f"copy-for-{whom}.html").read_bytes()


def text_of(data: bytes) -> str:
    """What a reader sees of a page, on one line."""
    text = re.sub(r"<(style|title|desc)>.*?</\1>", " ", data.decode(), flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", text)).split()).replace("\u202f", " ")


@pytest.mark.parametrize("whom", WHOM)
def test_a_copy_of_the_demo_gives_no_more_away_than_its_reader_may_know(folder: Path, whom: str) -> None:
    """No place of a walk, find or edge, no time, name or path of the demo is in any byte of a copy."""
    places = [(-28.0001210, 46.5000812), (-28.0001210, 46.5001812), (-27.9998, 46.4998)]
    for name in ("outing-1-west-large.gpx", "outing-2-east-large.gpx"):
        track = read_recording((ROOT / "demo" / name).read_bytes(), name).track
        every = np.arange(0, len(track), 50)
        places += list(zip(track.lon_deg[every].tolist(), track.lat_deg[every].tolist(), strict=True))
    words = ("outing-1", "demo-field", "demo", str(folder), ".gpx", ".jpg", "deep", "drawer of Anna")
    secrets = Secrets(tuple(places), ("Anna Holm",), words, ("AH",))
    assert leaks(page(folder, whom), whom, secrets) == []


def test_the_owner_reads_what_was_done_found_and_seen(folder: Path) -> None:
    """Days, initials, holes, junk, what was seen, each find with its day and square, and where it is kept."""
    text = text_of(page(folder, "owner"))
    assert text.startswith("Long Acre For the owner of the ground. Searched 11 April 2026 to 12 April 2026.")
    assert "11 April 2026 AH" in text and "all 7, checked fence broken, told AH at …" in text
    assert "3 finds kept: Roman 1, medieval 1, modern 1" in text
    assert "3 holes dug for what was kept and for junk. 1 piece of junk taken out of the ground. 1 signal heard" in text
    assert re.search(r"lead token medieval 11 April 2026 [B-E]\d AH's drawer", text)
    assert "coin at … Roman 11 April 2026" in text and "button modern 12 April 2026 not said box 3" in text
    assert "What we ask next" in text


def test_the_club_reads_what_is_still_to_do_and_no_place_of_a_find(folder: Path) -> None:
    """Finds by name and period alone, the ground that is left in square metres, and that the drawing is turned."""
    text = text_of(page(folder, "club"))
    assert "lead token medieval" in text and "drawer" not in text and "box 3" not in text
    assert re.search(r"old tip \d+ % [\d ]+ m²", text) and "all of the ground" in text
    assert "The drawing is turned" in text and "fence" not in text


def test_the_public_reads_shares_a_square_of_a_kilometre_and_counts(folder: Path) -> None:
    """Neither the name of the site nor a day; the ground is at 423,268 m east and 5,150,089 m north (pyproj)."""
    text = text_of(page(folder, "public"))
    assert text.startswith("Searched ground For everybody. Searched 2026. The ground lies in the square of 1 km at")
    assert "1 km at 423 km east, 5150 km north in UTM zone 26 north" in text
    assert "Roman 1, medieval 1, modern 1" in text
    assert "Long Acre" not in text and "April" not in text and "lead token" not in text


def test_a_short_walk_that_closed_ground_gives_its_place_to_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The owner reads on which day ground was closed; no copy draws that day, says its words, or places its finds."""
    shutil.copytree(ROOT / "demo", tmp_path / "demo")
    monkeypatch.chdir(tmp_path)
    for line in (
        "new demo-field --boundary demo/boundary.geojson --zone UTC",
        "add demo-field demo/outing-2-east-large.gpx --coil large=33cm --swath 1.6m",
        "add demo-field demo/outing-6-stop-small.gpx --coil small=13x20cm --swath 0.9m",
    ):
        assert main(shlex.split(line)) == 0
    (tmp_path / "demo-field/finds.csv").write_text(
        "find_no,outing,lat,lon,kind,what\n1,2026-05-17a,46.5001812,-27.9998100,keep,mount\n"
        "2,2026-04-12a,46.5001812,-27.9998100,keep,hook\n3,2026-04-12a,46.5000800,-27.9998100,keep,penny\n",
        encoding="utf-8",
    )
    for whom in WHOM:
        assert main(["report", "demo-field", "--for", whom]) == 0
        assert "bones" not in page(tmp_path, whom).decode() and "penny" not in page(tmp_path, whom).decode()
    text = text_of(page(tmp_path, "owner"))
    assert re.findall(r"<li><b>(.*?)</b>", page(tmp_path, "owner").decode()) == ["12 April 2026"]
    assert "1 place closed (17 May 2026)" in text
    assert re.search(r"hook not known 12 April 2026 E\d ", text) and "mount not known 17 May 2026 not said" in text
    assert all("closed (" not in text_of(page(tmp_path, whom)) for whom in ("club", "public"))


def test_no_drawing_differs_from_another_by_the_day_that_closed_ground(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With and without that walk the squares are the same ones, and those of all days are those of the days drawn."""
    shutil.copytree(ROOT / "demo", tmp_path / "demo")
    monkeypatch.chdir(tmp_path)
    walks = (
        "outing-1-west-large.gpx --coil large=33cm --swath 1.6m",
        "outing-6-stop-small.gpx --coil small=13x20cm --swath 0.9m",
    )
    drawn = {}
    for name, some in (("without", walks[:1]), ("with", walks)):
        assert main(["new", name, "--boundary", "demo/boundary.geojson", "--zone", "UTC"]) == 0
        for walk in some:
            assert main(shlex.split(f"add {name} demo/{walk}")) == 0
        given = survey_inputs(Path(name), say=lambda _: None)
        result = survey(given.site, given.outings)
        drawn[name] = {one: make_copy(result, one, CopyInputs()) for one in (Audience.OWNER, Audience.CLUB)}
    owner = drawn["with"][Audience.OWNER]
    assert len(owner.outings) == 2 and owner.outings[1].squares is None
    assert owner.ground is not None and owner.ground == owner.outings[0].squares
    assert all(drawn["with"][one].ground == drawn["without"][one].ground for one in drawn["with"])
    assert owner.shares.recorded >= drawn["without"][Audience.OWNER].shares.recorded


@pytest.mark.parametrize("whom", WHOM)
def test_each_copy_ends_with_what_was_left_out(folder: Path, whom: str) -> None:
    """Whoever gets a copy knows what is not in it."""
    assert "What was left out of this copy" in text_of(page(folder, whom))
    assert b"<script" not in page(folder, whom)


def test_the_terminal_says_what_was_written_and_left_out(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where the copy is, what no copy has, and how much of it this site has, in lines that a screen holds."""
    monkeypatch.chdir(folder)
    assert main(["report", "demo-field", "--for", "public", "-o", "web", "--title", "Our dig"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("web/copy-for-public.html: a copy for the public\nLeft out: any place closer than")
    assert said.endswith("Of this site: 2 photographs.\n") and max(map(len, said.splitlines())) <= 80
    assert text_of((folder / "web" / "copy-for-public.html").read_bytes()).startswith("Our dig For everybody.")


def test_a_copy_that_is_there_already_is_kept(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """One changed by hand has a name of its own when the next is made, and is told; the same copy again leaves none."""
    monkeypatch.chdir(folder)
    command = ["report", "demo-field", "--for", "club", "-o", str(tmp_path / "sent")]
    for _ in range(2):
        assert main(command) == 0
    made = (tmp_path / "sent/copy-for-club.html").read_bytes()
    assert [path.name for path in (tmp_path / "sent").iterdir()] == ["copy-for-club.html"]
    assert "earlier" not in capsys.readouterr().out
    for number, by_hand in enumerate((b"mine", b"and mine"), 1):
        (tmp_path / "sent/copy-for-club.html").write_bytes(by_hand)
        assert main(command) == 0
        assert f"kept as copy-for-club-before-{number}.html" in " ".join(capsys.readouterr().out.split())
        assert (tmp_path / f"sent/copy-for-club-before-{number}.html").read_bytes() == by_hand
        assert (tmp_path / "sent/copy-for-club.html").read_bytes() == made


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        (["--for", "neighbour"], "--for: 'neighbour' is not known. Use owner, club or public"),
        (["--for", "club", "--json"], "--json and --for were both given"),
        (["--for", "club", "--between", "a", "b"], "--between and --for were both given"),
        (["--title", "x"], "--title is only for a copy to share"),
    ],
)
def test_options_that_do_not_go_together_are_refused(
    words: list[str], problem: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A slip is told with what to do, and nothing is written."""
    assert main(["report", str(folder / "demo-field"), *words]) == 2
    assert problem in capsys.readouterr().err


def test_no_copy_is_made_while_it_is_not_known_which_ground_is_closed(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An outing whose file is gone may have closed ground by a mark, so a copy waits until it is there again."""
    site = tmp_path / "field"
    shutil.copytree(folder / "demo-field", site)
    shutil.rmtree(site / "copies")
    next((site / "tracks").glob("*outing-2*")).unlink()
    for more in ([], ["--since", "2026-04-12"]):
        code = main(["report", str(site), "--for", "club", *more])
        assert code == 1 and not (site / "copies").exists()
    assert "not known which ground is closed" in capsys.readouterr().err
    assert main(["edit", str(site), "2026-04-12a", "--leave-out"]) == 0
    assert main(["report", str(site), "--for", "club"]) == 1
    assert "not known which ground is closed" in capsys.readouterr().err


@pytest.mark.browser
@pytest.mark.parametrize("whom", WHOM)
def test_everybody_can_read_a_copy(folder: Path, whom: str, driver: Any) -> None:
    """Axe finds nothing to object to, and on a phone of 400 px nothing lies beside the page."""
    driver.set_window_size(400, 800)
    driver.get((folder / "demo-field" / "copies" / f"copy-for-{whom}.html").as_uri())
    assert axe(driver) == []
    assert driver.execute_script("return document.documentElement.scrollWidth <= window.innerWidth")
