"""How a coil was swung, how high it was carried, and where the recorder was: what a searcher types about an outing."""

import re

from fieldcomb.coverage.gear.coils import COIL_LIMITS_M, DEFAULT_SWEEP_S, Coil
from fieldcomb.coverage.gear.target_ids import NO_RULE, DigRule
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.units import format_length, parse_length_m
from fieldcomb.tracks.values import dataclass

GPS_CLASSES = ("good", "typical", "poor")
# A recorder on the shaft follows the coil itself; anywhere else it follows the person.
SHAFT, BODY = "shaft", "body"
CARRIED = (BODY, SHAFT, "arm", "wrist", "shoulder", "hat", "belt", "pack", "pocket")

SLOWEST_SWEEP_S = 2.0  # common practice, no source: a sweep takes 1 to 2 s
SWEEP_LIMITS_S = (0.2, 10.0)  # beyond any arm: 150 or 3 sweeps in 30 seconds
DEFAULT_LIFT_M = 0.05  # common practice, no source: 3 to 10 cm above the soil in grass
MOST_DEPTH_M = COIL_LIMITS_M[1]  # a usual target is heard one coil diameter deep, so the largest coil hears this deep
MOST_LIFT_M = 1.0
MOST_SWATH_M = 6.0


@dataclass(frozen=True, slots=True)
class Swing:
    """How the coil was swung and placed on one recording.

    swath_m : full width, edge to edge, that the coil passes over.
    sweep_s : seconds for one sweep, one side to the other.
    gps : good, typical, poor, or a length as typed (two thirds of fixes are within it, each way).
    carried : where the recorder was, one of CARRIED. rule : which target numbers were dug.
    reach_m : how deep below the coil the target that matters is just heard; None is one coil diameter.
    lift_m : how high the coil was carried above the soil. ground : a note on the ground.
    The flags say whether the value was measured or is the default.
    """

    coil: Coil
    swath_m: float
    sweep_s: float
    gps: str
    swath_measured: bool
    sweep_measured: bool
    carried: str = BODY
    rule: DigRule = NO_RULE  # which target numbers were dug
    reach_m: float | None = None
    lift_m: float = DEFAULT_LIFT_M
    lift_measured: bool = False
    ground: str = ""

    @property
    def on_shaft(self) -> bool:
        """Whether the recording is the coil's own way, sweep by sweep."""
        return self.carried == SHAFT


def make_swing(
    coil: Coil,
    swath_m: float | None,
    sweep_s: float | None,
    gps: str | None,
    carried: str | None = None,
    lift_m: float | None = None,
) -> Swing:
    """Build a swing from what was typed, with defaults for the rest; UsageError for a swath narrower than the coil."""
    if swath_m is not None and swath_m < coil.width_m:
        problem = (
            f"swing width {format_length(swath_m)} is smaller than the coil itself ({format_length(coil.width_m)})"
        )
        raise UsageError(
            problem, hint="Measure edge to edge, from the coil's left rim at the left end to its right rim"
        )
    if swath_m is not None and swath_m > MOST_SWATH_M:
        raise UsageError(f"swing width {format_length(swath_m)} is wider than anyone swings", hint="Write it like 1.5m")
    if sweep_s is not None:
        check_sweep_s(sweep_s)
    return Swing(
        coil,
        coil.default_swath_m if swath_m is None else swath_m,
        DEFAULT_SWEEP_S if sweep_s is None else sweep_s,
        parse_gps(gps or "typical"),
        swath_m is not None,
        sweep_s is not None,
        parse_carried(carried or BODY),
        lift_m=DEFAULT_LIFT_M if lift_m is None else lift_m,
        lift_measured=lift_m is not None,
    )


def check_sweep_s(sweep_s: float) -> float:
    """Return the seconds of one sweep; UsageError when that is not possible."""
    low, high = SWEEP_LIMITS_S
    if not low <= sweep_s <= high:
        hint = f"One sweep, from one side to the other, takes {low:g} to {high:g} s"
        raise UsageError(f"a sweep of {sweep_s:.4g} s is not possible", hint=hint)
    return sweep_s


def parse_carried(text: str) -> str:
    """Check where the recorder was carried."""
    word = text.strip().lower()
    if word not in CARRIED:
        hint = f"Use one of {', '.join(CARRIED)}; shaft means that the recorder moved with the coil"
        raise UsageError(f"carried {text!r} is not known", hint=hint)
    return word


def parse_lift_m(text: str) -> float:
    """Read how high the coil was carried above the soil, in metres."""
    lift_m = parse_length_m(text, "lift")
    if lift_m > MOST_LIFT_M:
        hint = "It is the gap between the coil and the soil, such as 5cm"
        raise UsageError(f"a lift of {text} is higher than anyone searches", hint=hint)
    return lift_m


def parse_depth_m(text: str) -> float:
    """Read the depth below the soil for which coverage is asked, in metres."""
    depth_m = parse_length_m(text, "depth")
    if depth_m > MOST_DEPTH_M:
        problem = f"{text!r} is deeper than any coil hears, which is {format_length(MOST_DEPTH_M)} at most"
        raise UsageError(problem, hint="Write it like 15cm")
    return depth_m


def parse_gps(text: str) -> str:
    """Check a receiver class or error length and return it as typed."""
    if text not in GPS_CLASSES:
        if not re.match(r"[\d.,]", text):
            raise UsageError(f"gps {text!r} is not known", hint="Use good, typical, poor, or a length such as 2m")
        parse_length_m(text, "gps error")
    return text
