"""The same thing done with the kernels in C and without."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType
from typing import TypeVar

import pytest

T = TypeVar("T")


def both_ways(do: Callable[[], T], *modules: ModuleType, name: str = "kernels") -> list[T]:
    """Return what it gives with kernels, and what it gives where these modules have none."""
    assert all(getattr(module, name) is not None for module in modules)
    with_kernels = do()
    with pytest.MonkeyPatch.context() as patch:
        for module in modules:
            patch.setattr(module, name, None)
        return [with_kernels, do()]
