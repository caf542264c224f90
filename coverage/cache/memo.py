"""Results that took long, kept by what they were computed from, so that a report computes only what changed.

A result is found by a digest of everything that went into it: it can never be out of date, only not be there. It is
written as plain values and arrays, and read back as the types named beforehand and nothing else, so that what somebody
else put there does no harm.
"""

import hashlib
import json
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import field, fields, is_dataclass
from datetime import date
from typing import Any, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray
from shapely import GEOSException, from_wkb
from shapely.geometry.base import BaseGeometry

from fieldcomb.tracks.values import dataclass

T = TypeVar("T")

LEVEL = 1  # of compression: faster than the disk
MOST_BYTES = 1 << 30  # a result is never so large
_LENGTH = 8
_PIECE, _ONE_IN, _LEAST_PIECES = 1024, 64, 4  # bytes; one of so many is tried, where there are as many
_AT_ONCE = 1 << 22  # bytes, as other threads run meanwhile
_COMPRESSED, _AS_IT_IS = b"z", b"="  # how a part is written
_NOT_KEPT: Any = object()
_PLAIN = frozenset((bool, int, float, str))


class Store(Protocol):
    """Somewhere to put bytes by name; nothing more is put where it is closed."""

    @property
    def closed(self) -> bool:
        """Whether it only gives."""

    def get(self, name: str) -> bytes | None:
        """Return what was put under a name; None when there is nothing."""

    def has(self, name: str) -> bool:
        """Tell whether there is anything under a name."""

    def put(self, name: str, data: bytes) -> None:
        """Keep bytes under a name; it does not matter if that cannot be done."""


@dataclass(frozen=True, slots=True)
class Memo:
    """Results by what they were computed from; without a store everything is computed.

    types : dataclasses that results are made of.
    """

    store: Store | None = None
    types: tuple[type, ...] = ()

    def get_or_compute(self, what: str, given: Sequence[Any], compute: Callable[[], T]) -> T:
        """Return a result that is kept, or compute and keep it.

        what : name of the computation.
        given : all that the result depends on: plain values, arrays, outlines, dataclasses.
        compute : computes it; what it raises is raised, and not kept.
        """
        if self.store is None:
            return compute()
        name = digest((what, *given))
        kept = self._kept(name)
        if kept is not _NOT_KEPT:
            result: T = kept
            return result
        result = compute()
        self.keep(name, result)
        return result

    def name_of(self, what: str, given: Sequence[Any]) -> str:
        """Return the name under which a result is kept; it stands for the result wherever others depend on it."""
        return digest((what, *given))

    def has(self, name: str) -> bool:
        """Tell whether something is kept under a name; whether it can be read is seen when it is."""
        return self.store is not None and self.store.has(name)

    def get(self, name: str) -> Any:
        """Return a result that is kept; None where it is not."""
        kept = self._kept(name)
        return None if kept is _NOT_KEPT else kept

    def keep(self, name: str, result: Any) -> None:
        """Keep a result for the next time."""
        if self.store is not None and not self.store.closed:
            self.store.put(name, packed((name, result)))

    def _kept(self, name: str) -> Any:
        data = None if self.store is None else self.store.get(name)
        if data is None:
            return _NOT_KEPT
        try:
            written_for, result = unpacked(data, self.types)
        except (ValueError, TypeError):
            return _NOT_KEPT  # cut off or not ours: computed anew
        return result if written_for == name else _NOT_KEPT


NOTHING = Memo()


def digest(value: Any) -> str:
    """Return the same 64 letters for the same value, and others for any other."""
    found = hashlib.sha256()
    for part in _parts(value):
        found.update(part)
    return found.hexdigest()


def packed(value: Any) -> bytes:
    """Write a value: its structure, then its arrays. TypeError for what cannot be written.

    Each part stands after its length and how it is written. Floats stay as they are, and others that hardly become
    less: to press them together and to take them out again would take most of the time.
    """
    return b"".join(piece for part in _parts(value)[1:] for piece in _written(part))


def _written(part: Any) -> Iterator[Any]:
    data: Any
    if isinstance(part, np.ndarray) and (part.dtype.kind in "fc" or _hardly_becomes_less(part)):
        how, data = _AS_IT_IS, part.reshape(-1).view(np.uint8)
    else:
        how, data = _COMPRESSED, zlib.compress(part, LEVEL)
    yield from (len(data).to_bytes(_LENGTH, "big"), how, data)


def _hardly_becomes_less(array: NDArray[Any]) -> bool:
    """Whether more than half of an array would be left of it, as pieces from everywhere in it show."""
    data = array.reshape(-1).view(np.uint8)
    pieces = data[: data.size // _PIECE * _PIECE].reshape(-1, _PIECE)[::_ONE_IN]
    return pieces.size >= _LEAST_PIECES * _PIECE and 2 * len(zlib.compress(pieces.tobytes(), LEVEL)) > pieces.size


def unpacked(data: bytes, types: Iterable[type]) -> Any:
    """Read a value that ``packed`` wrote, of plain values and these dataclasses; ValueError when it is none."""
    known = {one.__qualname__: one for one in types}
    plain = _Plain(data)
    try:
        tree = json.loads(bytes(plain.take()))
        value = _Reader(plain, known).value(tree)
        plain.check_end()
    except (zlib.error, KeyError, IndexError, TypeError, AttributeError, RecursionError, GEOSException) as error:
        raise ValueError("not a result that was kept") from error
    return value


class _Plain:
    """Takes what was written out again, one part after another."""

    def __init__(self, data: bytes) -> None:
        self._rest, self._taken = memoryview(data), 0

    def take(self, size: int | None = None) -> bytearray:
        """Return the next part; ValueError when it is not of this size in bytes, or more than was ever kept."""
        length = int.from_bytes(self._rest[:_LENGTH], "big")
        how, part = bytes(self._rest[_LENGTH : _LENGTH + 1]), self._rest[_LENGTH + 1 :][:length]
        most = MOST_BYTES - self._taken if size is None else size
        if len(part) < length or self._taken + most > MOST_BYTES:
            raise ValueError("cut off, or more than was ever kept")
        if how == _COMPRESSED:
            taken = _expanded(part, most)
        elif how == _AS_IT_IS and length <= most:
            taken = bytearray(part)
        else:
            raise ValueError("not written like that")
        if size is not None and len(taken) < size:
            raise ValueError("cut off")
        self._rest = self._rest[_LENGTH + 1 + length :]
        self._taken += len(taken)
        return taken

    def check_end(self) -> None:
        """Check that this was all; ValueError when it was not."""
        if self._rest:
            raise ValueError("longer than it should be")


def _expanded(part: memoryview, most: int) -> bytearray:
    """Expand what was compressed, piece by piece, so that it is never there twice; ValueError when it is more."""
    expand, taken, rest = zlib.decompressobj(), bytearray(), part
    while not expand.eof:
        piece = expand.decompress(rest, min(most + 1 - len(taken), _AT_ONCE))
        rest = memoryview(expand.unconsumed_tail)
        taken += piece
        if len(taken) > most or not (piece or expand.eof):
            raise ValueError("cut off, or longer than it should be")
    if expand.unused_data:
        raise ValueError("longer than it should be")
    return taken


def _parts(value: Any) -> list[Any]:
    """Structure as JSON after its length, then each array; what stands in it twice is written once."""
    arrays: list[Any] = []
    seen: dict[int, Any] = {}
    tree = json.dumps(_plain(value, arrays, seen), separators=(",", ":")).encode()
    return [len(tree).to_bytes(_LENGTH, "big"), tree, *arrays]


def _plain(value: Any, arrays: list[Any], seen: dict[int, Any]) -> Any:
    """Return a value as JSON has it: plain ones as they are, all else as a list of what it is and what is in it."""
    if value is None or type(value) in _PLAIN:
        return value
    if isinstance(value, np.ndarray):
        if id(value) not in seen:
            seen[id(value)] = (len(arrays), value)  # held, so that no other array takes its number meanwhile
            arrays.append(np.packbits(value) if value.dtype == bool else np.ascontiguousarray(value))
        return ["array", seen[id(value)][0], value.dtype.str, list(value.shape)]
    if isinstance(value, np.generic):
        return _plain(value.item(), arrays, seen)
    if isinstance(value, tuple | list):
        return [type(value).__name__, *(_plain(one, arrays, seen) for one in value)]
    if isinstance(value, dict):
        return ["dict", *([_plain(key, arrays, seen), _plain(one, arrays, seen)] for key, one in value.items())]
    if isinstance(value, frozenset | set):
        return [type(value).__name__, *(_plain(one, arrays, seen) for one in sorted(value))]
    if isinstance(value, slice):
        return ["slice", *(_plain(one, arrays, seen) for one in (value.start, value.stop, value.step))]
    if isinstance(value, date):
        return ["date", value.isoformat()]
    if isinstance(value, BaseGeometry):
        return ["outline", value.wkb_hex]
    if is_dataclass(value) and not isinstance(value, type):
        values = (_plain(getattr(value, field.name), arrays, seen) for field in fields(value))
        return ["of", type(value).__qualname__, *values]
    raise TypeError(f"a {type(value).__qualname__} cannot be kept")


@dataclass(slots=True)
class _Reader:
    """Makes values of JSON; the arrays follow it, one after another in the order of their numbers."""

    plain: _Plain
    types: dict[str, type]
    arrays: list[Any] = field(default_factory=list)

    def value(self, tree: Any) -> Any:
        if not isinstance(tree, list):
            return tree
        kind, *rest = tree
        if kind == "array":
            return self._array(*rest)
        if kind == "of":
            name, *rest = rest
            return self.types[name](*(self.value(one) for one in rest))
        if kind == "dict":
            return {self.value(key): self.value(one) for key, one in rest}
        make = {"tuple": tuple, "list": list, "set": set, "frozenset": frozenset}.get(kind)
        if make is not None:
            return make(self.value(one) for one in rest)
        if kind == "slice":
            return slice(*rest)
        if kind == "outline":
            return from_wkb(*rest)
        if kind == "date":
            return date.fromisoformat(*rest)
        raise ValueError(f"there is no kind {kind!r}")

    def _array(self, number: int, dtype: str, shape: list[int]) -> Any:
        if number < len(self.arrays):
            return self.arrays[number]
        if number != len(self.arrays) or np.dtype(dtype).hasobject:
            raise ValueError("arrays in the wrong order")
        count = int(np.prod(shape, dtype=np.int64))
        if count < 0:
            raise ValueError("an array of less than nothing")
        if dtype == "|b1":
            array = np.unpackbits(np.frombuffer(self.plain.take(-(-count // 8)), np.uint8), count=count).view(bool)
        else:
            array = np.frombuffer(self.plain.take(count * np.dtype(dtype).itemsize), dtype)
        self.arrays.append(array.reshape(shape))
        return self.arrays[-1]
