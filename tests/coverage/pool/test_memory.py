"""Memory that was freed goes back to the system, where the C library is that of most Linux systems."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

FREED_BELOW_SOMETHING_IN_USE = """
import os
import numpy as np
from fieldcomb.coverage.pool.memory import one_heap

def size_mb():
    with open("/proc/self/statm") as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6

one_heap()
first = np.ones(2_000_000)
del first
arrays = [np.ones(2_000_000) for _ in range(6)]
above = bytearray(100_000)
before_mb = size_mb()
del arrays
print(before_mb - size_mb())
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only glibc is asked to")
def test_large_arrays_are_given_back_as_soon_as_they_are_freed() -> None:
    """Of 96 MB in six arrays all go back though something above them is in use; glibc alone would keep them."""
    run = [sys.executable, "-c", FREED_BELOW_SOMETHING_IN_USE]
    assert float(subprocess.run(run, check=True, capture_output=True, text=True).stdout) > 90
