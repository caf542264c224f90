"""The kernels for recordings, or None where they were not compiled: ask which each time."""

__all__ = ["track_kernels"]

try:
    from fieldcomb.tracks.compiled import _kernels as track_kernels
except ImportError:
    track_kernels = None  # type: ignore[assignment]
