"""Kinds of what the kernels take; every array lies in C order."""

from numpy import bool_, float32, float64, int16, int32, int64, uint8, uint16, uint32
from numpy.typing import NDArray

_F4 = NDArray[float32]
_I2 = NDArray[int16]
_I4 = NDArray[int32]
_F8 = NDArray[float64]
_I8 = NDArray[int64]
_U1 = NDArray[uint8]
_U2 = NDArray[uint16]
_U4 = NDArray[uint32]
_Mask = NDArray[bool_]

SOURCES: str  # a digest of what it was compiled from

# Of capsules u, v, du, dv, slope, shift, square; low, count.
_Capsules = tuple[_F8, _F8, _F8, _F8, _F8, _F8, _F8, _I8, _I8]

# group; rows, cols
def intervals(*args: *tuple[*_Capsules, _I8, int, int]) -> bytearray: ...

# group, near, near_group; stretches, slices; counts
def count_spans(*args: *tuple[*_Capsules, _I8, _I8, _I8, int, int, _I2]) -> None: ...

# covered
def cover(*args: *tuple[*_Capsules, _Mask]) -> None: ...

# bit; kept, cells
def cover_bits(*args: *tuple[*_Capsules, _I8, _U1, _U1]) -> None: ...

# Of spans row, first, last, group; weight.
_Spans = tuple[_I8, _I8, _I8, _I8, _I4]

# sums
def add_spans(*args: *tuple[*_Spans, _I4]) -> None: ...

# counts, inside, lost; rest, value_steps, lost_steps
def lose_over(*args: *tuple[*_Spans, _I2, _Mask, _U2, float, int, int]) -> None: ...
def add_passes(counts: _I2, inside: _Mask, passes: _U1, most: int, /) -> None: ...
def add_outing(
    counts: _I2,
    inside: _Mask,
    kind: _U1,
    same: _U1,
    passes: _U1,
    bearings: _U1,
    more: _U1,
    kept: _U1,
    of: _U2,
    crosswise: int,
    most: int,
    /,
) -> tuple[int, int, int, int, int, int, int]: ...
def add_lost(more: _U2, lost: _U2, /) -> None: ...
def count_lost(lost: _U2, often: _I8, /) -> None: ...
def count_blocks(values: _I2, within: _Mask, side: int, down: int, right: int, total: _F8, /) -> None: ...

# own, share, factor, begin, steps; and here, rho, weight, again, parts
_Part = tuple[_I4, _F4, _F4, _I4, _F4]
_Sweep = tuple[_I4, _F4, _F4, _F4, tuple[_Part, ...]]

def squared_distances(mask: _Mask, most: int, along: _U2 | _U4, least: _U2 | _U4, /) -> None: ...
def left_out(
    sweeps: tuple[_Sweep, ...],
    walked: _F4,
    missed: _F4,
    level: int,
    levels: int,
    first: int,
    last: int,
    /,
) -> None: ...
def innovations(
    value: _F8,
    east: _F8,
    north: _F8,
    visits: _I8,
    fades: _F8,
    variance: _F8,
    found: _F8,
    common: float,
    noise: float,
    /,
) -> bool: ...
def fade(kick: _F8, keep: _F8, fresh: _F8, value: _F8, /) -> None: ...
def cover_lines(x: _F8, y: _F8, starts: _I8, laid: _F8, covered: _Mask, /) -> None: ...
def abeam(x: _F8, y: _F8, ahead_x: _F8, ahead_y: _F8, way: _I8, order: _I8, reach: float, /) -> bytearray: ...
def simplified(places: _F8, sizes: _I8, limits: _F8, steps: _U1, /) -> None: ...
