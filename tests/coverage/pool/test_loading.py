"""Modules loaded ahead of the work that needs them."""

from __future__ import annotations

import subprocess
import sys

SCIPY_FIRST = """
import sys
import numpy as np
before = sorted(dir(np)), sorted(np.__all__)
from fieldcomb.coverage.pool.loading import load
load(["scipy.nothing", "nothing.at.all", "scipy.ndimage", "scipy.linalg", "scipy.sparse.csgraph"])
assert {"scipy.ndimage", "scipy.linalg", "scipy.sparse.csgraph"} <= sys.modules.keys()
assert (sorted(set(dir(np)) & set(before[0])), sorted(np.__all__)) == before
print(" ".join(sorted(m for m in ("numpy.f2py", "numpy.testing", "unittest") if m in sys.modules)))
from numpy import *
assert ma.masked_array([1, 2], [True, False]).sum() == 2 and polynomial.Polynomial([1, 2])(3) == 7
np.testing.assert_allclose(random.default_rng(1).random(), np.random.default_rng(1).random())
from scipy.ndimage import distance_transform_edt, gaussian_filter
from scipy.special import logsumexp, ndtri
assert distance_transform_edt(np.array([0, 1, 1, 1])).tolist() == [0, 1, 2, 3] and ndtri(0.5) == 0
from scipy.stats import linregress
assert "Parameters" in linregress.__doc__ and linregress([0, 1], [0, 2]).slope == 2
try:
    gaussian_filter(np.ma.masked_array([1.0], [True]), 1)
    logsumexp([0.0])
except TypeError:
    pass
"""


def test_what_nothing_needs_is_not_loaded_with_what_is_needed() -> None:
    """A command does not wait for numpy's own tests to load, and all of numpy and scipy works afterwards as ever."""
    done = subprocess.run([sys.executable, "-c", SCIPY_FIRST], capture_output=True, text=True, check=False)
    assert (done.stdout.strip(), done.stderr, done.returncode) == ("", "", 0)


ALONE = """
import sys
from fieldcomb.coverage.pool.workers import Workers
with Workers(jobs=1) as workers:
    workers.start(("scipy.ndimage", "rasterio"), ("scipy.linalg",))
loaded = {"scipy.ndimage", "scipy.linalg"} <= sys.modules.keys()
print(loaded, {"rasterio", "numpy.f2py", "pydoc"} & sys.modules.keys())
"""


def test_one_job_alone_loads_no_more_than_it_needs_either() -> None:
    """With one job too, what scipy would load besides is left out, and nothing else is loaded before its time."""
    done = subprocess.run([sys.executable, "-c", ALONE], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "True set()"
