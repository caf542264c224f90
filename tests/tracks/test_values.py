"""Small values with named fields do what dataclasses of the standard library do."""

from __future__ import annotations

import copy
import dataclasses
import pickle
from collections.abc import Callable
from typing import Any

import pytest

from fieldcomb.tracks import values
from fieldcomb.tracks.values import MADE_BY_NAME


class Place:
    """Some fields with and without a default, one that is not compared and one that is not shown."""

    east_m: float
    north_m: float = 0.0
    name: str = dataclasses.field(default="", compare=False)
    marks: list[str] = dataclasses.field(default_factory=list, repr=False)


class Sum:
    """Fields that are not given but made, and something that is done with them."""

    parts: tuple[int, ...]
    whole: int = dataclasses.field(init=False)
    seen: set[int] = dataclasses.field(init=False, default_factory=set)
    unit: str = dataclasses.field(init=False, default="m")

    def __post_init__(self) -> None:
        object.__setattr__(self, "whole", sum(self.parts))


class Nothing:
    """No field at all."""


class One:
    """A single field."""

    number: float


class Named(One):
    """A field of its own after that of another, and its own way to be shown."""

    name: str = "?"

    def __repr__(self) -> str:
        return f"<{self.name}>"


CALLS: list[tuple[type, tuple[Any, ...], dict[str, Any]]] = [
    (Place, (1.0,), {}),
    (Place, (1.0, 2.0, "peg", ["x"]), {}),
    (Place, (1.0,), {"name": "peg", "marks": ["y"]}),
    (Place, (), {"east_m": 3.0}),
    (Place, (), {}),
    (Place, (1.0, 2.0, "a", [], 5), {}),
    (Place, (1.0,), {"east_m": 2.0}),
    (Place, (1.0,), {"west_m": 2.0}),
    (Place, (), {"west_m": 2.0}),
    (Sum, ((1, 2, 3),), {}),
    (Sum, ((1, 2, 3),), {"whole": 4}),
    (Sum, ((1, 2, 3),), {"seen": {1}}),
    (Nothing, (), {}),
    (Nothing, (1,), {}),
    (One, (float("nan"),), {}),
    (Named, (2.0,), {}),
    (Named, (2.0, "b"), {}),
]
WAYS = [{}, {"frozen": True}, {"frozen": True, "slots": True}, {"slots": True}, {"slots": True, "eq": False}]


def defined(cls: type, by: Callable[..., Any], way: dict[str, bool]) -> type:
    """The class as a dataclass, and its base before it."""
    bases = tuple(defined(base, by, way) for base in cls.__bases__ if base is not object)
    made: type = by(**way)(type(cls.__name__, bases, dict(vars(cls))))
    return made


def outcome(work: Callable[[], Any]) -> str:
    """What something gives, or how it fails."""
    try:
        return repr(work())
    except Exception as error:
        return f"{type(error).__name__}: {error}" if isinstance(error, TypeError) else type(error).__name__


def answers(cls: Any, args: tuple[Any, ...], given: dict[str, Any]) -> list[str]:
    """What a value says of itself, in every way in which it can be asked."""
    value = outcome(lambda: cls(*args, **given))
    if value.startswith("TypeError"):
        return [value]
    one, other = cls(*args, **given), cls(*args, **given)
    fields = [field.name for field in dataclasses.fields(one)]
    asked: list[Callable[[], Any]] = [
        lambda: [getattr(one, name) for name in fields],
        lambda: (one == other, one == copy.copy(one), one == 3, one != other),
        lambda: hash(one) == hash(other),
        lambda: dataclasses.asdict(one),
        lambda: dataclasses.replace(one, **{fields[0]: (7,)}) if fields else one,
        lambda: [setattr(copy.copy(one), name, 1) for name in fields],
        lambda: [delattr(copy.copy(one), name) for name in fields],
        lambda: vars(one),
        lambda: cls.__match_args__,
        lambda: cls.__doc__,
    ]
    return [value, *map(outcome, asked)]


@pytest.mark.parametrize("way", WAYS, ids=str)
@pytest.mark.parametrize(("cls", "args", "given"), CALLS, ids=str)
def test_values_are_what_the_standard_library_makes(
    cls: type, args: tuple[Any, ...], given: dict[str, Any], way: dict[str, bool]
) -> None:
    """Values are made, compared, shown, changed, copied and refused as those of the standard library's dataclasses."""
    ours, theirs = defined(cls, values.dataclass, way), defined(cls, dataclasses.dataclass, way)
    expected = answers(theirs, args, given)
    assert answers(ours, args, given) == expected
    for _ in range(MADE_BY_NAME):
        outcome(lambda: ours(*args, **given))
    assert answers(ours, args, given) == expected, "many values of a class are made in another way"


@values.dataclass(frozen=True, slots=True)
class Kept:
    """A value that is sent to another process."""

    a: int
    b: tuple[str, ...] = ()


def test_a_value_comes_through_a_pickle_unchanged() -> None:
    """What one process sends to another arrives as it was, before and after many were made."""
    for _ in range(MADE_BY_NAME + 2):
        value = Kept(1, ("x", "y"))
        assert pickle.loads(pickle.dumps(value, pickle.HIGHEST_PROTOCOL)) == value


def test_a_value_of_another_class_is_never_the_same() -> None:
    """Two classes with the same fields make values that differ."""
    ours = [values.dataclass(frozen=True)(type(name, (), {"__annotations__": {"a": int}})) for name in ("A", "B")]
    assert ours[0](a=1) != ours[1](a=1) and ours[0](a=1) == ours[0](a=1)
