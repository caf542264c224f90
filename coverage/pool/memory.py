"""Memory that is not needed any more, given back to the system."""

import sys
from contextlib import suppress

LARGE_KB = 150_000
LARGE_ARRAY_BYTES, LARGE_TOP_BYTES = 8 << 20, 32 << 20
_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8  # of mallopt(3) in malloc.h of glibc


def one_heap() -> None:
    """Have all threads take memory from one heap, where the C library is glibc; called before any is begun.

    Each would have its own, out of which nothing is given back: of 30 walks 378 MB, with one heap 350. Threads of
    Python seldom ask at the same time.

    Large arrays lie beside the heap, so that each is given back when it is freed, and one of zeros takes no room until
    it is written to. Left alone, glibc keeps them in the heap as soon as one was freed, with holes between them.
    """
    if sys.platform == "linux":
        import ctypes

        with suppress(OSError, AttributeError):
            mallopt = ctypes.CDLL(None).mallopt
            mallopt(_ARENA_MAX, 1)
            mallopt(_MMAP_THRESHOLD, LARGE_ARRAY_BYTES)
            mallopt(_TRIM_THRESHOLD, LARGE_TOP_BYTES)


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
