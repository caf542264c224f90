"""The kernels, or None where they were not compiled: ask which each time."""

__all__ = ["kernels"]

try:
    from fieldcomb.coverage.compiled import _kernels as kernels
except ImportError:
    kernels = None  # type: ignore[assignment]
