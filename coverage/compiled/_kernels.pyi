"""Kinds of what the kernels take; every array lies in C order."""

from numpy import bool_, float32, float64, int16, int32, int64, uint8, uint16, uint32
from numpy.typing import NDArray

_F4 = NDArray[float32]
_I4 = NDArray[int32]
_F8 = NDArray[float64]
_I8 = NDArray[int64]
_U1 = NDArray[uint8]
_U2 = NDArray[uint16]
_U4 = NDArray[uint32]
_Mask = NDArray[bool_]

SOURCES: str  # a digest of what it was compiled from

def intervals(
    u: _F8,
    v: _F8,
    du: _F8,
    dv: _F8,
    slope: _F8,
    shift: _F8,
    square: _F8,
    low: _I8,
    count: _I8,
    group: _I8,
    rows: int,
    cols: int,
    /,
) -> bytearray: ...
def count_spans(
    u: _F8,
    v: _F8,
    du: _F8,
    dv: _F8,
    slope: _F8,
    shift: _F8,
    square: _F8,
    low: _I8,
    count: _I8,
    group: _I8,
    near: _I8,
    near_group: _I8,
    stretches: int,
    slices: int,
    counts: NDArray[int16],
    /,
) -> None: ...
def cover(
    u: _F8,
    v: _F8,
    du: _F8,
    dv: _F8,
    slope: _F8,
    shift: _F8,
    square: _F8,
    low: _I8,
    count: _I8,
    covered: _Mask,
    /,
) -> None: ...
def cover_bits(
    u: _F8,
    v: _F8,
    du: _F8,
    dv: _F8,
    slope: _F8,
    shift: _F8,
    square: _F8,
    low: _I8,
    count: _I8,
    bit: _I8,
    kept: _U1,
    cells: _U1,
    /,
) -> None: ...
def add_spans(
    row: _I8,
    first: _I8,
    last: _I8,
    group: _I8,
    weight: NDArray[int32],
    sums: _I4,
    /,
) -> None: ...
def add_passes(counts: NDArray[int16], inside: _Mask, passes: _U1, most: int, /) -> None: ...
def add_outing(
    counts: NDArray[int16],
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
def count_blocks(values: NDArray[int16], within: _Mask, side: int, down: int, right: int, total: _F8, /) -> None: ...
def lose_over(
    row: _I8,
    first: _I8,
    last: _I8,
    group: _I8,
    weight: NDArray[int32],
    counts: NDArray[int16],
    inside: _Mask,
    lost: _U2,
    rest: float,
    value_steps: int,
    lost_steps: int,
    /,
) -> None: ...

# own, share, factor, begin, table, rise; and here, rho, weight, again, parts
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
