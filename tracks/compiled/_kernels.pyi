"""Kinds of what the kernels take; every array lies in C order."""

from numpy import float64, int64, uint8
from numpy.typing import NDArray

_F8 = NDArray[float64]
_I8 = NDArray[int64]
_U1 = NDArray[uint8]

SOURCES: str  # a digest of what it was compiled from

def gpx_points(
    text: bytes, lon_first: bool, lon: _F8, lat: _F8, moments: _U1, fractions: _F8, spans: _I8, /
) -> int: ...
