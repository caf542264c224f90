"""Modules loaded ahead of the work that needs them."""

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from importlib import import_module
from types import ModuleType

# Parts of numpy that nothing here uses, but scipy would load as it copies every name that numpy has: a quarter of the
# time that scipy takes. They are loaded as ever by whoever asks for them.
UNUSED = frozenset({"ctypeslib", "f2py", "ma", "polynomial", "random", "rec", "test", "testing"})

# What walking, estimating and adding up take of scipy. Loaded by ``load`` before anybody asks for it, it takes 0.1 s
# less of the processor, and 7 MB.
SCIPY = ("scipy.linalg", "scipy.ndimage")


def load(modules: Sequence[str]) -> None:
    """Load what is going to be needed; what cannot be loaded is missed where it is needed, not here."""
    for name in modules:
        with suppress(Exception):
            if name.startswith("scipy"):
                with _unnamed(UNUSED), _undocumented():
                    import_module(name)
            else:
                import_module(name)


_DOCSTRINGS = "scipy._lib._docscrape"


class _NoDocstring:
    """Stands for a docstring taken to pieces, all of them empty."""

    def __getitem__(self, section: str) -> list[object]:
        return []

    def __str__(self) -> str:
        return "\n"


@contextmanager
def _undocumented() -> Iterator[None]:
    """Keep scipy from reading and rewriting the docstring of every function as it loads: a quarter of its time."""
    if _DOCSTRINGS in sys.modules:
        yield
        return
    loading = True

    def pieces_of(name: str) -> Callable[..., object]:
        # What was loaded keeps this, and may be asked again by what somebody loads later.
        return lambda *of: _NoDocstring() if loading else getattr(import_module(_DOCSTRINGS), name)(*of)

    sys.modules[_DOCSTRINGS] = ModuleType(_DOCSTRINGS)
    vars(sys.modules[_DOCSTRINGS]).update({name: pieces_of(name) for name in ("FunctionDoc", "Parameter")})
    try:
        yield
    finally:
        loading = False
        del sys.modules[_DOCSTRINGS]


@contextmanager
def _unnamed(names: frozenset[str]) -> Iterator[None]:
    """Leave names out of what numpy says that it has."""
    import numpy as np

    before = {"__all__": np.__all__, "__dir__": np.__dir__}
    shown = [name for name in dir(np) if name not in names]
    public = [name for name in np.__all__ if name not in names]
    vars(np).update({"__all__": public, "__dir__": lambda: shown})
    try:
        yield
    finally:
        vars(np).update(before)
