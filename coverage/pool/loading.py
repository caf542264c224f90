"""Modules loaded ahead of the work that needs them."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from importlib import import_module

# Parts of numpy that nothing here uses, but scipy would load as it copies every name that numpy has: a quarter of the
# time that scipy takes. They are loaded as ever by whoever asks for them.
UNUSED = frozenset({"ctypeslib", "f2py", "ma", "polynomial", "random", "rec", "test", "testing"})


def load(modules: Sequence[str]) -> None:
    """Load what is going to be needed; what cannot be loaded is missed where it is needed, not here."""
    for name in modules:
        with suppress(Exception):
            if name.startswith("scipy"):
                with _unnamed(UNUSED):
                    import_module(name)
            else:
                import_module(name)


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
