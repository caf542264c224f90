"""Modules loaded ahead of the work that needs them."""

from collections.abc import Sequence
from contextlib import suppress
from importlib import import_module


def load(modules: Sequence[str]) -> None:
    """Load what is going to be needed; what cannot be loaded is missed where it is needed, not here."""
    for name in modules:
        with suppress(Exception):
            import_module(name)
