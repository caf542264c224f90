"""Small values with named fields: dataclasses of the standard library, defined in a tenth of the time.

The standard library writes and compiles up to six functions for every class, whether or not anything is ever made of
it. Here classes share functions that look the names of the fields up, and a class gets the standard library's
``__init__`` once so many values have been made that it pays.
"""

import dataclasses
from collections.abc import Callable
from operator import attrgetter
from typing import TYPE_CHECKING, Any

MADE_BY_NAME = 50  # values of a class; making them so takes as long as compiling an ``__init__``, 0.1 ms

if TYPE_CHECKING:
    from dataclasses import dataclass as dataclass
else:

    def dataclass(*, frozen: bool = False, slots: bool = False, eq: bool = True) -> Callable[[type], type]:
        """Make a dataclass; whatever else ``dataclasses`` has works with it."""

        def make(cls: type) -> type:
            made = dataclasses.dataclass(init=False, repr=False, eq=False, slots=slots)(cls)
            made.__init__ = _init_by_name(made, frozen)
            shared: dict[str, Any] = {"__repr__": _repr}
            if eq:
                shared |= _comparing(made, frozen)
            if frozen:
                shared |= {"__setattr__": _refuse_change, "__delattr__": _refuse_change}
            if frozen and slots:  # copies and pickles come past ``__setattr__``
                shared |= {"__getstate__": _state, "__setstate__": _set_state}
            for name in shared.keys() - cls.__dict__.keys():
                setattr(made, name, shared[name])
            return made

        return make


_assign = object.__setattr__  # which no class prevents
_NONE = dataclasses.MISSING


def _init_by_name(cls: Any, frozen: bool) -> Callable[..., None]:
    """Return an ``__init__`` that takes fields by their names, and gives way to a compiled one."""
    fields = dataclasses.fields(cls)
    names = tuple(one.name for one in fields if one.init)
    known = frozenset(names)
    whole = {one.name: one.default for one in fields if one.default is not _NONE}
    made = {one.name: one.default_factory for one in fields if one.default_factory is not _NONE}
    after = getattr(cls, "__post_init__", None)
    left = MADE_BY_NAME

    def init(self: Any, *args: Any, **given: Any) -> None:
        nonlocal left
        left -= 1
        values = whole | dict(zip(names, args, strict=False)) | given
        for name, make in made.items():
            if name not in values:
                values[name] = make()
        fits = len(args) <= len(names) and known.issuperset(given) and given.keys().isdisjoint(names[: len(args)])
        if left < 0 or not fits or not known.issubset(values):
            cls.__init__ = _compiled_init(cls, fields, frozen)
            cls.__init__(self, *args, **given)  # which says what is wrong, if anything is
            return
        for name, value in values.items():
            _assign(self, name, value)
        if after is not None:
            after(self)

    return init


def _compiled_init(cls: type, fields: tuple["dataclasses.Field[Any]", ...], frozen: bool) -> Callable[..., None]:
    """Return the ``__init__`` that the standard library makes for these fields."""
    copies: list[Any] = []
    for one in fields:
        with_default: Any = (
            {"default_factory": one.default_factory} if one.default is _NONE else {"default": one.default}
        )
        copies.append((one.name, object, dataclasses.field(init=one.init, **with_default)))
    after = {"__post_init__": cls.__post_init__} if hasattr(cls, "__post_init__") else {}
    made: Any = dataclasses.make_dataclass(
        cls.__name__, copies, namespace=after, repr=False, eq=False, frozen=frozen, slots=True
    )
    init: Callable[..., None] = made.__init__
    return init


def _comparing(cls: Any, frozen: bool) -> dict[str, Any]:
    """Return ``__eq__`` and ``__hash__``: of all fields together, in their order."""
    names = [one.name for one in dataclasses.fields(cls) if one.compare]
    get: Callable[[Any], Any] = attrgetter(*names) if names else lambda _: ()

    def key(self: Any) -> Any:
        return get(self) if len(names) != 1 else (get(self),)

    def same(self: Any, other: Any) -> Any:
        return key(self) == key(other) if other.__class__ is self.__class__ else NotImplemented

    def number(self: Any) -> int:
        return hash(key(self))

    return {"__eq__": same, "__hash__": number if frozen else None}


def _repr(self: Any) -> str:
    shown = (f"{one.name}={getattr(self, one.name)!r}" for one in dataclasses.fields(self) if one.repr)
    return f"{self.__class__.__qualname__}({', '.join(shown)})"


def _refuse_change(self: Any, name: str, _value: Any = None) -> None:
    raise dataclasses.FrozenInstanceError(f"cannot change field {name!r}")


def _state(self: Any) -> list[Any]:
    return [getattr(self, one.name) for one in dataclasses.fields(self)]


def _set_state(self: Any, state: list[Any]) -> None:
    for one, value in zip(dataclasses.fields(self), state, strict=True):
        _assign(self, one.name, value)
