"""Memory that is not needed any more, given back to the system."""

import sys
from contextlib import suppress

LARGE_KB = 250_000
_ARENA_MAX = -8  # of mallopt(3) in malloc.h of glibc


def one_heap() -> None:
    """Have all threads take memory from one heap, where the C library is glibc; called before any is begun.

    Each would have its own, out of which nothing is given back: of 30 walks 378 MB, with one heap 350. Threads of
    Python seldom ask at the same time.
    """
    if sys.platform == "linux":
        import ctypes

        with suppress(OSError, AttributeError):
            ctypes.CDLL(None).mallopt(_ARENA_MAX, 1)


def give_back() -> None:
    """Give back what was freed but is kept for later by the C library, as that of most Linux systems does (glibc).

    It keeps what lies below anything still in use, and most of what a stage of the work has freed lies so. Elsewhere
    nothing is done, nor in a process that was never large: giving back and asking again costs a map of one walk 2 %.
    """
    if sys.platform == "linux":
        import ctypes
        import resource

        if resource.getrusage(resource.RUSAGE_SELF).ru_maxrss < LARGE_KB:
            return
        with suppress(OSError, AttributeError):
            ctypes.CDLL(None).malloc_trim(0)
