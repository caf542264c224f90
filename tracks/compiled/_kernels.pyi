"""Kinds of what the kernels take; every array lies in C order."""

from numpy import bool_, float64, int64, uint8
from numpy.typing import NDArray

_F8 = NDArray[float64]
_I8 = NDArray[int64]
_U1 = NDArray[uint8]

SOURCES: str  # a digest of what it was compiled from

def gpx_points(
    text: bytes, lon_first: bool, lon: _F8, lat: _F8, moments: _U1, fractions: _F8, spans: _I8, /
) -> int: ...
def strides(x: _F8, y: _F8, chosen: _I8, least_m2: float, /) -> int: ...
def again(
    begin: _F8,
    end: _F8,
    middle: _F8,
    way: _F8,
    from_s: _F8,
    to_s: _F8,
    blocks: _I8,
    on_line: NDArray[bool_],
    near_m: float,
    room_m: float,
    apart: float,
    sine: float,
    most: float,
    /,
) -> int: ...
