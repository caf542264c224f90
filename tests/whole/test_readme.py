"""What the README and the pages for users tell people to type works, and prints what they show."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest

from fieldcomb.coverage.commands.cli import main

ROOT = Path(__file__).parents[2]
MOST_LINES = 150


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
    roster = text_of("docs/site.md").split("```csv\n", 1)[1].split("```", 1)[0]
    (tmp_path / "team.csv").write_text(roster, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    readme = commands_in("README.md")[1:]
    finds = next(place for place, words in enumerate(readme) if words[0] == "cp")
    ground = readme[:finds] + commands_in("docs/site.md") + commands_in("docs/recording.md")
    found = readme[finds:] + commands_in("docs/finds.md") + commands_in("docs/share.md") + [["report", "demo-field"]]
    assert {words[0] for words in ground} == {"new", "add", "report", "edit", "card", "lanes"}
    assert {words[0] for words in found} == {"cp", "finds", "report", "edit"}
    page = tmp_path / "demo-field" / "out" / "map.html"
    run_all(ground)
    assert page.stat().st_size < 600_000  # for a slow phone
    run_all(found)
    assert page.stat().st_size < 700_000  # with finds, and pictures of what they say


def test_a_newcomer_with_one_track_gets_a_map(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever follows the page on the first map with a walk from a phone has a map, and then a site with it."""
    shutil.copy(ROOT / "demo/outing-3-middle-medium.gpx", tmp_path / "walk.gpx")
    monkeypatch.chdir(tmp_path)
    run_all(commands_in("docs/first-map.md"))
    assert (tmp_path / "walk-map/map.html").exists() and (tmp_path / "north-field/out/map.html").exists()


def test_the_readme_is_read_in_one_go() -> None:
    """The README has at most 150 lines; the rest has pages of its own."""
    assert len(text_of("README.md").splitlines()) <= MOST_LINES
