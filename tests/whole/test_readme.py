"""The README shows what its command prints."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest

from fieldcomb.coverage.commands.cli import main

ROOT = Path(__file__).parents[2]


def test_the_table_in_the_readme_is_what_its_command_prints(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whoever types the first line of the README sees the table that the README shows, to the letter."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    command = readme.split(".venv/bin/fieldcomb ", 1)[1].split("\n", 1)[0]
    shown = readme.split("The command also prints this:\n\n```\n", 1)[1].split("\n```", 1)[0]
    monkeypatch.chdir(ROOT)
    arguments = [str(tmp_path / "map") if word == "demo-map" else word for word in shlex.split(command)]
    assert main(arguments) == 0
    assert capsys.readouterr().out.rstrip("\n") == shown
