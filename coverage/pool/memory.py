"""Memory that is not needed any more, given back to the system."""

import sys
from contextlib import suppress


def give_back() -> None:
    """Give back what was freed but is kept for later by the C library, as that of most Linux systems does (glibc).

    It keeps what lies below anything still in use, and most of what a stage of the work has freed lies so. Elsewhere
    nothing is done.
    """
    if sys.platform == "linux":
        import ctypes

        with suppress(OSError, AttributeError):
            ctypes.CDLL(None).malloc_trim(0)
