"""Messages that may be met on the local page name no option and no command outside the table of hints."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
ELSEWHERE = {
    "coverage/commands",
    "coverage/report/summary.py",
    "tracks/hints.py",
    "coverage/web/server.py",
    "coverage/web/access.py",
}  # command line alone
# Met on the command line alone, though they are raised by what the page calls too.
COMMAND_LINE_ALONE = ("Leave --name out", "--boundary and --edge were both", "--between was given")
TERMINAL_WORDS = re.compile(r"(?:^|[\s(])--[a-z]|fieldcomb (?:add|card|edit|map|new|report)\b")


def texts(path: Path) -> list[str]:
    """Every text of a source but its docstrings."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    statements = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    constants = [node for node in ast.walk(tree) if isinstance(node, ast.Constant) and id(node) not in statements]
    return [node.value for node in constants if isinstance(node.value, str)]


def sources() -> list[Path]:
    """Sources of the program whose messages may be met on the page."""
    found = sorted(path for folder in ("tracks", "coverage") for path in (ROOT / folder).rglob("*.py"))
    names = {path: path.relative_to(ROOT).as_posix() for path in found}
    return [path for path in found if names[path] not in ELSEWHERE and str(Path(names[path]).parent) not in ELSEWHERE]


@pytest.mark.parametrize("path", sources(), ids=lambda path: path.relative_to(ROOT).as_posix())
def test_a_message_for_both_names_neither_options_nor_commands(path: Path) -> None:
    """Whoever sits before the page is never told to give an option: such a hint is a kind with words for both."""
    named = [text for text in texts(path) if TERMINAL_WORDS.search(text) and not text.startswith("# One entry")]
    assert [text for text in named if not text.startswith(COMMAND_LINE_ALONE)] == []
