"""Modules loaded ahead of the work that needs them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from fieldcomb.coverage.commands.cli import main

DEMO = Path(__file__).parents[3] / "demo"
NAMES = ("outing-1-west-large.gpx", "outing-2-east-large.gpx")

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


COMMAND = """
import sys
from fieldcomb.coverage.commands.cli import main
main(sys.argv[1:])
print({"numpy.f2py", "pydoc"} & sys.modules.keys(), "scipy.linalg" in sys.modules)
"""


def said_by(*words: str) -> str:
    """Return the last line of a command that computes with one process beside it."""
    command = [sys.executable, "-c", COMMAND, *words, "--jobs", "2"]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout.splitlines()[-1]


def test_a_map_of_several_walks_and_a_report_load_no_more_than_they_need(tmp_path: Path) -> None:
    """A command that computes beside its second process loads of scipy what it uses, and no docstrings or compilers."""
    walks, coil = [str(DEMO / name) for name in NAMES], ("--coil", "33cm", "--swath", "1.6m")
    assert said_by("map", *walks, *coil, "-o", str(tmp_path / "map")) == "set() True"
    site = str(tmp_path / "field")
    assert main(["new", site, "--zone", "UTC"]) == main(["add", site, *walks, "--each", *coil]) == 0
    assert said_by("report", site) == "set() True"
