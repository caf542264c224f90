"""Every example in a docstring shows what the program really gives."""

from __future__ import annotations

import ast
import doctest
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def with_examples() -> list[str]:
    """Full names of modules that have an example in a docstring."""
    found = []
    for path in sorted(path for folder in ("tracks", "coverage") for path in (ROOT / folder).rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        places = [node for node in ast.walk(tree) if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)]
        if any(">>>" in (ast.get_docstring(node) or "") for node in places):
            found.append("fieldcomb." + ".".join(path.relative_to(ROOT).with_suffix("").parts))
    return found


@pytest.mark.parametrize("name", with_examples())
def test_examples_in_docstrings_are_true(name: str) -> None:
    """What stands below an example is what comes out of it."""
    failed, tried = doctest.testmod(importlib.import_module(name), optionflags=doctest.NORMALIZE_WHITESPACE)
    assert tried and not failed
