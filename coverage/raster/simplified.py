"""Lines simplified by Douglas and Peucker, one or several limits at once."""

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from fieldcomb.coverage.compiled.kernels import kernels
from fieldcomb.tracks.recording import Floats


def steps_kept(places: Floats, sizes: Sequence[int], limits_m: Sequence[float]) -> NDArray[np.uint8]:
    """For how many of rising limits each place of some lines stays, as GEOS has it, the ends of a line for all.

    places : float64 (n, 2), one line after another. sizes : places of each line, two or more. Returns uint8 (n,).
    """
    steps, each = np.zeros(len(places), np.uint8), np.array(sizes, np.int64)
    if kernels is not None:
        kernels.simplified(places, each, np.array(limits_m, float), steps)
        return steps
    of, left = np.repeat(np.arange(each.size), each), np.arange(len(places))
    for step, limit_m in enumerate(limits_m if len(places) else ()):
        _, number = np.unique(of[left], return_inverse=True)
        whole = shapely.linestrings(np.column_stack([places[left], left]), indices=number)
        simpler = shapely.simplify(whole, limit_m, preserve_topology=False)  # each goes on from the one before
        left = shapely.get_coordinates(simpler, include_z=True)[:, 2].astype(np.int64)  # which places they are
        steps[left] = step + 1
    return steps
