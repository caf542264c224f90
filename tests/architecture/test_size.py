"""Nothing in the program is too long to read in one go, and no two things have one name."""

from __future__ import annotations

import ast
from collections import defaultdict
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MOST_LINES_OF_A_MODULE = 400
MOST_LINES_OF_A_FUNCTION = 60
MOST_LETTERS_OF_A_LINE = 120
SOURCES = sorted(path for folder in ("tracks", "coverage") for path in (ROOT / folder).rglob("*.py"))


def name_of(path: Path) -> str:
    """A short name of a source for the list of tests."""
    return ".".join(path.relative_to(ROOT).with_suffix("").parts)


def public_names(tree: ast.Module) -> set[str]:
    """Names that a module defines for others: functions, classes, constants, types."""
    names: set[str] = set()
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            names.add(node.name)
        elif isinstance(node, ast.Assign):
            names |= {target.id for target in node.targets if isinstance(target, ast.Name)}
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            names.add(node.target.id)
    return {name for name in names if not name.startswith("_")}


@pytest.mark.parametrize("path", SOURCES, ids=name_of)
def test_modules_and_functions_are_short(path: Path) -> None:
    """A module is read in a few minutes, a function at a glance."""
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= MOST_LINES_OF_A_MODULE
    functions = [node for node in ast.walk(ast.parse(text)) if isinstance(node, ast.FunctionDef)]
    lines = {node.name: (node.end_lineno or 0) - node.lineno + 1 for node in functions}
    assert {name: length for name, length in lines.items() if length > MOST_LINES_OF_A_FUNCTION} == {}


KERNELS = sorted(path for folder in ("tracks", "coverage") for path in (ROOT / folder / "compiled").glob("*.[ch]"))


@pytest.mark.parametrize("path", KERNELS, ids=lambda path: "/".join(path.relative_to(ROOT).parts))
def test_files_and_lines_of_c_are_short_too(path: Path) -> None:
    """A file of loops in C is as short as a module, and no line is longer than the linter allows in Python."""
    lines = path.read_text(encoding="utf-8").splitlines()
    assert len(lines) <= MOST_LINES_OF_A_MODULE
    assert [number for number, line in enumerate(lines, 1) if len(line) > MOST_LETTERS_OF_A_LINE] == []


def test_no_public_name_is_defined_twice() -> None:
    """Whoever searches for a name finds the one place where it is defined."""
    places: dict[str, list[str]] = defaultdict(list)
    for path in SOURCES:
        for name in public_names(ast.parse(path.read_text(encoding="utf-8"))):
            places[name].append(name_of(path))
    assert {name: found for name, found in places.items() if len(found) > 1} == {}
