"""The same recordings give the same files, byte for byte, on any machine, on any day, added in any order."""

from __future__ import annotations

import hashlib
import io
import json
import os
import signal
import subprocess
import sys
import time
from contextlib import redirect_stderr, redirect_stdout
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from small_walks import MORNING, square, walk

from fieldcomb.coverage.actions.add import add
from fieldcomb.coverage.actions.draw import draw_site
from fieldcomb.coverage.actions.given_walks import Split, WalksToAdd, WalkToAdd
from fieldcomb.coverage.actions.outputs import (
    MAP_FILE,
    PLACES_FILE,
    PLACES_GPX_FILE,
    RASTER_FILE,
    REPORT_FILE,
    STRIPS_FILE,
    TODO_FILE,
)
from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.pool.workers import Workers
from fieldcomb.coverage.site.folder import CARD_FILE
from fieldcomb.coverage.site.settings import Typed

# Two of the walks lie on the same ground, one is another person's; the days make the ids, not the order of adding.
WALKS = {
    "a.gpx": walk(MORNING, 0.4),
    "b.gpx": walk(MORNING + timedelta(days=1), 0.9, count=5),
    "c.gpx": walk(MORNING + timedelta(days=2), 4.0),
}
CHILD = """
import sys, time
clock, shift_s = time.time, 10 * 365 * 86400
time.time = lambda: clock() + shift_s
time.time_ns = lambda: int((clock() + shift_s) * 1e9)
sys.path[:0] = sys.argv[1:]
from test_same_bytes import commands, output_files, surroundings
from fieldcomb.coverage.commands.cli import main
for command in commands("cab"):
    assert main(command) == 0, command
import json
print(json.dumps([surroundings(), output_files()]))
"""


def commands(order: str) -> list[list[str]]:
    """List the commands that make a site, add the walks in an order, and draw the card and the map."""
    made = ["new", "site", "--boundary", "edge.geojson", "--name", "Field", "--zone", "Europe/Oslo"]
    adds = [["add", "site", f"{letter}.gpx", "--coil", "28cm", "--swath", "1.4m"] for letter in order]
    return [made, *adds, ["card", "site"], ["report", "site", "--json"]]


def given_in(folder: Path) -> Path:
    """Write what is given into a new folder."""
    folder.mkdir()
    for name, text in WALKS.items():
        (folder / name).write_text(text)
    (folder / "edge.geojson").write_text(square(-1, -1, 9, 21))
    return folder


def output_files() -> dict[str, str]:
    """Hash each output file of the site in the folder at hand; results that are kept only by what they were made of.

    What a whole report said is kept by the bytes of the site's own files, in which outings stand as they were added.
    """
    paths = sorted(path for path in Path("site/out").iterdir() if path.is_file())
    kept = {f"kept/{path.name}": "" for path in Path("site/out/kept").iterdir() if path.read_bytes()[:2] != b"[["}
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in paths} | kept


def surroundings() -> list[object]:
    """Say what must not matter: the year, the hash of a text, the time zone."""
    return [time.gmtime(time.time()).tm_year, hash("fieldcomb"), time.tzname[0]]


def run(given: list[list[str]], folder: Path) -> tuple[str, dict[str, str]]:
    """Carry commands out in a new folder; gives what they printed and the hashes of the output files."""
    printed = io.StringIO()
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(printed):
        patch.chdir(given_in(folder))
        for command in given:
            assert main(command) == 0
        return printed.getvalue(), output_files()


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, dict[str, str]]:
    """Make the site here and now, its outings added day by day."""
    printed, files = run(commands("abc"), tmp_path_factory.mktemp("plain") / "here")
    outputs = {MAP_FILE, REPORT_FILE, RASTER_FILE, STRIPS_FILE, TODO_FILE, PLACES_FILE, PLACES_GPX_FILE, CARD_FILE}
    report = json.loads(printed)
    assert files.keys() >= outputs and len(report["outings"]) == 3 and report["answer"] and report["places"]
    assert any(name.startswith("kept/") for name in files)
    return printed, files


# Python reads and writes UTF-8 under a bare C locale unless it is told not to: then its letters are ASCII.
LANGUAGES = {
    "German": {"LC_ALL": "de_DE.UTF-8", "LANG": "de_DE.UTF-8", "LANGUAGE": "de"},
    "none": {"LC_ALL": "C.UTF-8", "LANG": "nl_NL.UTF-8", "LC_NUMERIC": "nl_NL.UTF-8"},
    "ASCII": {"LC_ALL": "C", "LANG": "C", "PYTHONCOERCECLOCALE": "0", "PYTHONUTF8": "0"},
}


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_output_depends_on_locale_time_zone_hash_seed_clock_or_place(
    tmp_path: Path, plain: tuple[str, dict[str, str]], language: str
) -> None:
    """Another language, time zone, hash seed, year, order and folder change no byte of any output."""
    other = {
        **LANGUAGES[language], "TZ": "Asia/Kathmandu", "COLUMNS": "200",
        "PYTHONHASHSEED": "77" if os.environ.get("PYTHONHASHSEED") != "77" else "78", "OMP_NUM_THREADS": "1",
    }  # fmt: skip
    folders = (Path(__file__).parent, Path(__file__).parents[1] / "support")
    child = subprocess.run(
        [sys.executable, "-c", CHILD, *map(str, folders)],
        cwd=given_in(tmp_path / "Åker og eng"), env=os.environ | other, capture_output=True, check=True,
    )  # fmt: skip
    printed, _, rest = child.stdout.decode().rstrip().rpartition("\n")
    there, files = json.loads(rest)
    assert all(a != b for a, b in zip(there, surroundings(), strict=True)), "the surroundings were to differ"
    assert (printed + "\n", files) == plain


@pytest.mark.parametrize("order", ["cba", "bca"])
def test_outings_added_in_any_order_give_the_same_bytes(
    tmp_path: Path, plain: tuple[str, dict[str, str]], order: str
) -> None:
    """Who adds old walks last gets the same report, map and files as who adds them day by day."""
    assert run(commands(order), tmp_path / order) == plain


def test_files_of_one_outing_given_in_any_order_give_the_same_bytes(tmp_path: Path) -> None:
    """The recordings of one outing may be named in any order, and the report drawn afresh or from kept results."""
    new = ["new", "site", "--boundary", "edge.geojson", "--name", "Field", "--zone", "UTC"]
    report = ["report", "site", "--json"]
    afresh = run([new, ["add", "site", "a.gpx", "b.gpx", "c.gpx"], report], tmp_path / "afresh")
    again = run([new, ["add", "site", "c.gpx", "a.gpx", "b.gpx"], report, report], tmp_path / "again")
    assert again == (afresh[0] * 2, afresh[1])


def test_people_are_initials_in_every_file_as_soon_as_a_team_was_added(tmp_path: Path) -> None:
    """A team's report right after it was added is the one made of its files afresh, and no file has a name in it."""
    new = ["new", "site", "--boundary", "edge.geojson", "--name", "Field", "--zone", "UTC"]
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(io.StringIO()):
        patch.chdir(given_in(tmp_path / "team"))
        Path("team.csv").write_text("file,searcher,coil\na.gpx,Ann Holmgren,28cm\nc.gpx,Bo Edholm,28cm\n")
        for command in (new, ["add", "site", "--roster", "team.csv"], ["report", "site"]):
            assert main(command) == 0
        soon, texts = output_files(), {file: file.read_bytes() for file in Path("site/out").iterdir() if file.is_file()}
        Path("site/out/kept").rename("kept")
        assert main(["report", "site"]) == 0
        assert output_files() == soon
    assert b"AH" in texts[Path("site/out", REPORT_FILE)]
    assert not [file.name for file, text in texts.items() for name in (b"Holmgren", b"Edholm") if name in text]


def by_jobs(folder: Path, jobs: int, split: Split) -> dict[str, str]:
    """Add all walks and draw the map with so many processes, however little there is to do; hashes of the files."""
    with pytest.MonkeyPatch.context() as patch, Workers(jobs, pays_s=0) as workers:
        patch.chdir(given_in(folder))
        assert main(["new", "site", "--boundary", "edge.geojson", "--name", "Field", "--zone", "UTC"]) == 0
        walks = WalksToAdd([WalkToAdd(name) for name in sorted(WALKS)], Typed(coil="28cm"), split=split)
        add(Path("site"), walks, lambda note: None, workers)
        (Path("site") / "out" / "kept").rename("kept")  # so that the report reads and sweeps everything itself
        draw_site(Path("site"), say=lambda note: None, progress=lambda *step: None, workers=workers)
        assert len(workers.pids) == min(jobs, len(WALKS)) - 1  # no more than there is to do
        return output_files()


@pytest.mark.parametrize("split", [Split.FILES, Split.TOGETHER], ids=["outings", "team"])
def test_any_number_of_processes_gives_the_same_bytes(tmp_path: Path, split: Split) -> None:
    """Three outings, and three files of one: one process, two or up to four make the same files to the last byte."""
    alone, two, four = (by_jobs(tmp_path / str(jobs), jobs, split) for jobs in (1, 2, 4))
    assert alone == two == four


def of_map(folder: Path, jobs: int, walks: list[str], *, kill_after: int | None = None) -> tuple[str, dict[str, str]]:
    """Draw a map with other processes from the start, one of which may be killed; what it says, and hashes of files.

    The ground is large enough to be estimated, so that walks are drawn anew.
    """
    ended: list[int] = []
    begin = Workers.begin

    def begin_and_kill(workers: Workers, *task: Any) -> Any:
        result = begin(workers, *task)
        if len(ended) == kill_after and workers.pids:
            os.kill(workers.pids[0], signal.SIGKILL)
        ended.append(1)
        return result

    said = io.StringIO()
    with pytest.MonkeyPatch.context() as patch, redirect_stderr(said):
        patch.chdir(given_in(folder))
        Path("edge.geojson").write_text(square(-1, -1, 29, 21))
        patch.setattr("fieldcomb.coverage.commands.map.STARTS_BYTES", 0)
        if kill_after is not None:
            patch.setattr(Workers, "begin", begin_and_kill)
        options = ["--coil", "28cm", "--boundary", "edge.geojson", "--jobs", str(jobs), "-o", "out"]
        assert main(["map", *walks, *options]) == 0
        files = {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in Path("out").iterdir()}
        return said.getvalue(), files


@pytest.mark.parametrize("walks", [["a.gpx"], sorted(WALKS)], ids=["one walk", "three"])
def test_a_map_is_the_same_whoever_walks_sweeps_and_draws(tmp_path: Path, walks: list[str]) -> None:
    """A map made by one process, by two and by four says the same and has the same files, to the last byte."""
    alone, two, four = (of_map(tmp_path / str(jobs), jobs, walks) for jobs in (1, 2, 4))
    assert alone == two == four and MAP_FILE in alone[1]


def of_reports(folder: Path, jobs: int) -> list[dict[str, str]]:
    """Report a site with other processes from the start, again from what was kept, and after one more outing."""
    given = commands("ab")[:-2]
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(given_in(folder))
        Path("edge.geojson").write_text(square(-1, -1, 29, 21))
        patch.setattr("fieldcomb.coverage.commands.report.REPORT_STARTS_BYTES", 0)
        for command in given:
            assert main(command) == 0
        made = []
        for before in ([], [], [commands("c")[1]]):
            for command in before:
                assert main(command) == 0
            assert main(["report", "site", "--jobs", str(jobs)]) == 0
            made.append(output_files())
        return made


def test_a_report_is_the_same_whoever_draws_it_and_whatever_was_kept(tmp_path: Path) -> None:
    """One process, two and four make the same report of two outings, the same again, and the same after one more."""
    first, *others = (of_reports(tmp_path / str(jobs), jobs) for jobs in (1, 2, 4))
    assert all(one == first for one in others)
    assert {name: one for name, one in first[0].items() if not name.startswith("kept/")}.items() <= first[1].items()
    assert first[2][REPORT_FILE] != first[1][REPORT_FILE]


@pytest.mark.parametrize("begun", [0, 1, 2], ids=["drawing", "strips", "page"])
def test_a_map_whose_other_process_is_killed_is_the_same(tmp_path: Path, begun: int) -> None:
    """Killed at a walk drawn anew, at strips or at the page, that is said once, and every byte is as it would be."""
    whole = of_map(tmp_path / "whole", 2, ["a.gpx"])
    said, files = of_map(tmp_path / "killed", 2, ["a.gpx"], kill_after=begun)
    assert files == whole[1]
    assert said.count("ended from outside") == 1
