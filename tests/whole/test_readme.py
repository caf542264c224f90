"""What the README and the pages for users tell people to type works, and prints what they show."""

from __future__ import annotations

import json
import re
import shlex
import shutil
from pathlib import Path

import pytest

from fieldcomb.coverage.commands.cli import main

ROOT = Path(__file__).parents[2]
MOST_LINES = 150
# Pages whose commands are typed below: before and after the README's finds, after that, and on their own.
GROUND_PAGES = ("docs/site.md", "docs/recording.md")
FIND_PAGES = ("docs/finds.md", "docs/share.md")
LATER_PAGES = ("docs/season.md", "docs/lanes.md", "docs/planted.md")  # one more outing, a hundred lanes, targets
OWN_PAGES = ("README.md", "docs/first-map.md", "demo/README.md")


def text_of(page: str) -> str:
    """Text of a page of this tree."""
    return (ROOT / page).read_text(encoding="utf-8")


def commands_in(page: str) -> list[list[str]]:
    """Arguments of every ``fieldcomb`` command in a page, and every copy, in order; the page in the browser aside."""
    blocks = re.findall(r"^```sh\n(.*?)^```|^((?:    .+\n)+)", text_of(page), re.MULTILINE | re.DOTALL)
    lines = [line.strip() for block in blocks for part in block for line in part.splitlines()]
    return [
        shlex.split(line if line.startswith("cp ") else line.split("fieldcomb ", 1)[1])
        for line in lines
        if re.search(r"^cp |(^|/)fieldcomb (?!serve)", line)
    ]


def table_in(page: str) -> str:
    """The first table of a page that people are to copy."""
    return text_of(page).split("```csv\n", 1)[1].split("```", 1)[0]


def run_all(commands: list[list[str]]) -> None:
    """Run commands one after another; each must end well."""
    for words in commands:
        if words[0] == "cp":
            shutil.copy(*words[1:])
        else:
            assert main(words) == 0, " ".join(words)


def test_the_table_in_the_readme_is_what_its_command_prints(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whoever types the first line of the README sees the table that the README shows, to the letter."""
    command = commands_in("README.md")[0]
    shown = text_of("README.md").split("The command also prints this:\n\n```\n", 1)[1].split("\n```", 1)[0]
    monkeypatch.chdir(ROOT)
    assert main([str(tmp_path / "map") if word == "demo-map" else word for word in command]) == 0
    assert capsys.readouterr().out.rstrip("\n") == shown


def test_every_command_for_a_site_works_as_typed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever types the commands for a site in the order of the pages gets an answer to each."""
    shutil.copytree(ROOT / "demo", tmp_path / "demo")
    walk = text_of("demo/outing-3-middle-medium.gpx")
    for number, name in enumerate(["anna.gpx", "phone-7.gpx"], start=4):
        (tmp_path / name).write_text(walk.replace("2026-04-19T", f"2026-05-1{number}T"), encoding="utf-8")
    (tmp_path / "team.csv").write_text(table_in("docs/site.md"), encoding="utf-8")
    (tmp_path / "sheet.csv").write_text(table_in("docs/lanes.md"), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    readme = commands_in("README.md")[1:]
    finds = next(place for place, words in enumerate(readme) if words[0] == "cp")
    ground = readme[:finds] + [words for page in GROUND_PAGES for words in commands_in(page)]
    found = readme[finds:] + [words for page in FIND_PAGES for words in commands_in(page)]
    later = [words for page in LATER_PAGES for words in commands_in(page)]
    assert {words[0] for words in ground} == {"new", "add", "report", "edit", "card", "lanes"}
    assert {words[0] for words in found} == {"cp", "finds", "report", "edit"}
    assert {words[0] for words in later} == {"cp", "add", "report", "edit", "lanes"}
    page = tmp_path / "demo-field" / "out" / "map.html"
    run_all(ground)
    assert page.stat().st_size < 600_000  # for a slow phone
    run_all([*found, ["report", "demo-field"]])
    assert page.stat().st_size < 700_000  # with finds, and pictures of what they say
    (tmp_path / "demo-field" / "planted.csv").write_text(table_in("docs/planted.md"), encoding="utf-8")
    run_all(later)


def test_every_page_with_commands_is_tried() -> None:
    """No page tells people to type what no test typed."""
    pages = [str(page.relative_to(ROOT).as_posix()) for page in (*ROOT.glob("*.md"), *ROOT.glob("*/*.md"))]
    tried = {*GROUND_PAGES, *FIND_PAGES, *LATER_PAGES, *OWN_PAGES}
    assert {page for page in pages if commands_in(page)} == tried


def test_the_commands_beside_the_demo_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever tries the demo as its own page says gets a map, and one of all since the field was rolled."""
    shutil.copytree(ROOT / "demo", tmp_path / "demo")
    monkeypatch.chdir(tmp_path)
    run_all(commands_in("demo/README.md"))
    said = json.loads((tmp_path / "since-rolled/report.json").read_text(encoding="utf-8"))
    assert said["since"]["event"] == "rolled" and said["since"]["swept_pct"] < said["since"]["ever_pct"]


def test_a_newcomer_with_one_track_gets_a_map(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever follows the page on the first map with a walk from a phone has a map, and then a site with it."""
    shutil.copy(ROOT / "demo/outing-3-middle-medium.gpx", tmp_path / "walk.gpx")
    monkeypatch.chdir(tmp_path)
    run_all(commands_in("docs/first-map.md"))
    assert (tmp_path / "walk-map/map.html").exists() and (tmp_path / "north-field/out/map.html").exists()


def test_the_readme_is_read_in_one_go() -> None:
    """The README has at most 150 lines; the rest has pages of its own."""
    assert len(text_of("README.md").splitlines()) <= MOST_LINES
