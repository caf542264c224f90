"""What a report says of one recording."""

import math

from fieldcomb.tracks.marks.spacings import LaneSpacing
from fieldcomb.tracks.motion.peg_drift import PegResidual
from fieldcomb.tracks.values import dataclass


@dataclass(frozen=True, slots=True)
class RecordingResult:
    """One recording: what was typed for it, what was left out of it and why, and how good it is."""

    file: str
    searcher: str | None
    coil: str
    swath_m: float
    swath_measured: bool
    sweep_s: float
    sweep_measured: bool
    gps: str
    fixes: int
    dropped: dict[str, int]
    interval_s: float | None
    verdict: str  # good | usable | poor
    advice: tuple[str, ...]
    notes: tuple[str, ...]
    carried: str = "body"  # where the recorder was; on the shaft it went with the coil
    twin_of: str | None = None  # the recording of the same person that counts in place of this one
    pegs: tuple[PegResidual, ...] = ()  # touches by which drift was taken off the walk
    reach_m: float = 0.0  # how deep below the coil the target that matters is just heard
    lift_m: float = 0.05  # how high the coil was carried above the soil
    lift_measured: bool = False
    ground: str = ""  # a note on the ground
    spacings: tuple[LaneSpacing, ...] = ()  # between lanes, as typed

    @property
    def pegs_off_m(self) -> tuple[float, float]:
        """How far off the touches of pegs were, rms, before and after; after is judged by the other touches alone.

        Where a peg was not measured, before is judged by the mean of its other touches.
        """
        off = [(peg.east_m**2 + peg.north_m**2, peg.left_east_m**2 + peg.left_north_m**2) for peg in self.pegs]
        before, after = (math.sqrt(sum(one) / len(one)) for one in zip(*off, strict=True)) if off else (0.0, 0.0)
        return before, after

    @property
    def unmeasured_pegs(self) -> int:
        """How many of the touches are of pegs whose place nobody measured."""
        return sum(not peg.measured for peg in self.pegs)
