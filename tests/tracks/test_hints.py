"""What to do about a fault is worded for where it is read."""

from __future__ import annotations

import re
import string

import pytest

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.hints import HintKind


def _names(template: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(template) if name}


@pytest.mark.parametrize("kind", HintKind)
def test_no_hint_on_the_page_names_an_option_or_a_command(kind: HintKind) -> None:
    """Who reads a message on the page has fields: every hint names those, with all that it says on the command line."""
    terminal, page = kind.value
    # A hint within a hint has a wording of its own for the page.
    wordings = _names(terminal) | ({"on_page"} if "hint" in _names(terminal) else set())
    hint = kind(**{name: f"<{name}>" for name in wordings})
    assert not re.search(r"(^| )-{1,2}[a-z]", hint.on_page) and not re.search(r"fieldcomb (?!new made)", hint.on_page)
    assert _names(page) <= wordings
    assert "on_page" in wordings or re.search(r" -{1,2}[a-z]|fieldcomb [a-z]", str(hint)), "a plain text would do"
    assert "{" not in str(hint) + hint.on_page


def test_a_message_says_file_fault_place_and_what_to_do() -> None:
    """Both wordings of a message have the same fault, and each its own way out; a value with braces stays as it is."""
    error = TrackError("was added before", file="a{b}.gpx", where="line 2", hint=HintKind.TAKE_BACK(outing="{x}"))
    assert str(error) == "a{b}.gpx: was added before (line 2). Use fieldcomb edit SITE {x} --take-back"
    assert error.on_page == "a{b}.gpx: was added before (line 2). Include it again on the page of outing {x}"
    assert TrackError("is empty", hint="Copy it again").on_page == "is empty. Copy it again"
    assert TrackError("is empty").on_page == "is empty"
