"""Kinds of what the kernels take; every array lies in C order."""

from numpy import bool_, float64, int16, int32, int64, uint16
from numpy.typing import NDArray

_F8 = NDArray[float64]
_I8 = NDArray[int64]

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
    near: _I8,
    near_group: _I8,
    rows: int,
    cols: int,
    /,
) -> bytearray: ...
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
    covered: NDArray[bool_],
    /,
) -> None: ...
def add_spans(
    row: _I8,
    first: _I8,
    last: _I8,
    group: _I8,
    weight: NDArray[int32],
    sums: NDArray[int16] | NDArray[uint16] | NDArray[int32],
    /,
) -> None: ...
