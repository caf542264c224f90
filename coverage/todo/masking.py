"""Junk hides good targets: what a coil hears alone, and what is left after passes with coils of several sizes.

Junk lies as a Poisson process of ``density`` targets per m2. A coil whose footprint has the area A hears a target
alone where no junk lies in the footprint: a share exp(-density A) of places. A place that a large coil hears alone a
small one hears alone too, so passes are nested by area and never independent of each other.

That is exact for a coil centred over the target and pessimistic where sweeps overlap: it ranks ground and promises
nothing. The formulas were worked out for this project and tested against simulated targets.
"""

import math
from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from fieldcomb.tracks.recording import Floats
from fieldcomb.tracks.values import dataclass

Values = Floats | float


def footprint_m2(width_m: float, length_m: float) -> float:
    """Area of a coil's footprint: an ellipse of its width and length."""
    return math.pi / 4 * width_m * length_m


def alone(per_m2: Values, area_m2: float) -> Floats:
    """Share of places at which no junk lies in a footprint: exp(-density A)."""
    return np.asarray(np.exp(-np.asarray(per_m2, float) * area_m2))


@dataclass(slots=True, eq=False)
class Remaining:
    """What passes in order of time leave, where junk is dug between them; memory does not grow with the passes.

    Expanding the product of (1 - caught_j heard_j) gives one term for each choice of passes. A junk target that was
    dug after pass k bears on the largest footprint among the chosen passes up to k, so terms of one largest footprint
    are kept as one sum. Without digging it is, with areas ordered A_1 < ... < A_m and A_(m+1) infinite,
    (1 - e^(-d A_1)) + sum_i [e^(-d A_i) - e^(-d A_(i+1))] * prod over j with A_j <= A_i of (1 - caught_j).
    """

    shape: tuple[int, ...]
    terms: dict[float, NDArray[np.float64]] = field(init=False)

    def __post_init__(self) -> None:
        self.terms = {0.0: np.ones(self.shape)}

    def visit(self, area_m2: float, caught: Values, part: tuple[slice, ...] = ()) -> None:
        """Add a pass over ``part`` of the ground.

        ``caught`` is the chance that it finds a target that it hears alone: the chance that the place was in the swath,
        times the share under the coil, times the chance of a signal.
        """
        if area_m2 not in self.terms:
            self.terms[area_m2] = np.zeros(self.shape)
        taken = np.zeros_like(self.terms[area_m2][part])
        for area, term in self.terms.items():
            moved = -np.asarray(caught) * term[part]
            taken += moved
            if area > area_m2:  # the largest footprint among the chosen stays this one
                term[part] += moved
                taken -= moved
        self.terms[area_m2][part] += taken

    def dig(self, fewer_per_m2: Values, part: tuple[slice, ...] = ()) -> None:
        """Take junk out of ``part`` of the ground: so many per m2, which all passes so far met and no later will."""
        for area, term in self.terms.items():
            if area:
                term[part] *= alone(fewer_per_m2, area)

    def left(self, per_m2: Values) -> Floats:
        """Share of targets left, with the junk that lies there still."""
        return np.asarray(sum(term * alone(per_m2, area) for area, term in self.terms.items()))

    def open_to(self, area_m2: float, per_m2: Values) -> Floats:
        """Share of targets that are left and that a coil of this footprint would hear alone now."""
        return np.asarray(sum(term * alone(per_m2, max(area, area_m2)) for area, term in self.terms.items()))
