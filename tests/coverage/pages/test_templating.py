"""Compiled templates that are kept: never older than the template, never in the way."""

from __future__ import annotations

from pathlib import Path

import pytest
from jinja2 import DictLoader, Environment

from fieldcomb.coverage.pages.templating import KeptTemplates

HELLO = "Hello {{ name }}"


def said(folder: Path, template: str = HELLO) -> str:
    """What a template says in an environment that keeps compiled templates in a folder."""
    env = Environment(loader=DictLoader({"hello": template}), autoescape=True, bytecode_cache=KeptTemplates(folder))
    return env.get_template("hello").render(name="you & me")


def test_a_kept_template_says_what_the_template_says(tmp_path: Path) -> None:
    """The page is the same whether its template was compiled just now or found compiled."""
    assert said(tmp_path) == "Hello you &amp; me"
    assert len(list(tmp_path.iterdir())) == 1
    assert said(tmp_path) == "Hello you &amp; me"


def test_a_changed_template_is_compiled_again(tmp_path: Path) -> None:
    """After an update of the program nothing of an older template is shown."""
    said(tmp_path)
    assert said(tmp_path, "Bye {{ name }}") == "Bye you &amp; me"
    assert said(tmp_path) == "Hello you &amp; me"


@pytest.mark.parametrize("damage", [b"", b"nonsense", slice(-40), slice(20)], ids=["empty", "other", "cut", "head"])
def test_a_damaged_file_is_made_again(tmp_path: Path, damage: bytes | slice) -> None:
    """A kept template that is empty, cut off or something else does no harm, and is replaced."""
    said(tmp_path)
    (kept,) = tmp_path.iterdir()
    sound = kept.read_bytes()
    kept.write_bytes(damage if isinstance(damage, bytes) else sound[damage])
    assert said(tmp_path) == "Hello you &amp; me"
    assert kept.read_bytes() == sound


def test_without_a_folder_nothing_is_kept(tmp_path: Path) -> None:
    """Where Python keeps no compiled modules, or the folder is not ours, pages are made all the same."""
    assert said(tmp_path / "none") == "Hello you &amp; me"
    assert list(tmp_path.iterdir()) == []
