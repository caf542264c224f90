"""The pages for developers, held against the tree: a page that names what is gone is worse than no page."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from fieldcomb.tracks.motion import cleaning

ROOT = Path(__file__).resolve().parents[2]
DEVELOPERS = ROOT / "DEVELOPERS.md"
PAGES = [ROOT / "README.md", DEVELOPERS, ROOT / "demo/README.md", *sorted((ROOT / "docs").glob("*.md"))]
MOST_LINES = 150
# A path in this tree: a folder of the top, then names. Not part of a longer path, such as one of a site folder.
PATH = re.compile(r"(?<![\w./*-])(?:coverage|tracks|tests|docs|demo)(?:/[\w.-]*\w)+/?")


def missing(text: str) -> list[str]:
    """Paths that a text names and the tree does not have."""
    return sorted({path for path in PATH.findall(text) if not (ROOT / path).exists()})


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_every_path_that_a_page_names_is_there(page: Path) -> None:
    """Whoever follows a path from a page finds a file or a folder at its end."""
    assert missing(page.read_text(encoding="utf-8")) == []


def test_a_path_that_is_gone_is_noticed() -> None:
    """The search for paths finds one in backticks, one in a command and one in brackets."""
    text = "`coverage/utils.py`, python tests/old/test_x.py, (demo/none.gpx); not out/tracks/a.gpx or coverage.tif"
    assert missing(text) == ["coverage/utils.py", "demo/none.gpx", "tests/old/test_x.py"]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_every_link_of_a_page_leads_somewhere(page: Path) -> None:
    """A link to another page of this tree leads to a file, and its part after # to a heading there."""
    for target in re.findall(r"\]\((?!\w+:)([^)\s]+)\)", page.read_text(encoding="utf-8")):
        name, _, heading = target.partition("#")
        file = (page.parent / name).resolve() if name else page
        assert file.exists(), f"{page.name}: {target}"
        if heading:
            assert heading in anchors(file.read_text(encoding="utf-8")), f"{page.name}: {target}"


def anchors(text: str) -> set[str]:
    """The parts after # under which the headings of a page can be linked to."""
    headings = re.findall(r"^#+ (.+)$", text, re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


def reasons() -> set[str]:
    """Why fixes are left out: what the code that cleans recordings counts them by."""
    calls = re.findall(r"\.leave_out\(.*, ([A-Z_]+)\)", Path(cleaning.__file__).read_text(encoding="utf-8"))
    return {getattr(cleaning, name) for name in calls}


@pytest.mark.parametrize("page", ["measures.md", "errors.md"])
def test_every_reason_for_leaving_a_fix_out_is_explained(page: str) -> None:
    """Who sees in a report why fixes were left out finds the same words in the pages on measures and on messages."""
    text = (ROOT / "docs" / page).read_text(encoding="utf-8").lower()
    assert len(reasons()) == 8 and [reason for reason in sorted(reasons()) if reason not in text] == []


def test_the_page_for_developers_is_short() -> None:
    """A newcomer reads it in one go."""
    assert len(DEVELOPERS.read_text(encoding="utf-8").splitlines()) <= MOST_LINES
