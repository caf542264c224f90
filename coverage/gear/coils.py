"""Coils, how they are swung, and how well the receiver places the walk: what a searcher types about an outing."""

from __future__ import annotations

import re
from dataclasses import dataclass

from fieldcomb.coverage.gear.target_ids import NO_RULE, DigRule
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.units import parse_length_m, say_length

WINDINGS = ("dd", "concentric")
GPS_CLASSES = ("good", "typical", "poor")
# Where the recorder was: on the shaft it writes down the coil's own way, anywhere else that of the person.
SHAFT, BODY = "shaft", "body"
CARRIED = (BODY, SHAFT, "arm", "wrist", "shoulder", "hat", "belt", "pack", "pocket")

# Common practice, no source: the coil's centre travels about 1.2 m from side to side, one sweep takes about a second.
DEFAULT_TRAVEL_M = 1.2
DEFAULT_SWEEP_S = 1.0
SLOWEST_SWEEP_S = 2.0  # common practice, no source: a sweep takes 1 to 2 s
DEFAULT_LIFT_M = 0.05  # common practice, no source: 3 to 10 cm above the soil in grass
DEFAULT_COIL = "28cm"
SWEEP_LIMITS_S = (0.2, 10.0)  # beyond any arm: 150 or 3 sweeps in 30 seconds
MOST_DEPTH_M = 5.0
MOST_LIFT_M = 1.0

_SIZE = re.compile(r"\s*([\d.,]+)\s*([A-Za-z]*)\s*x\s*([\d.,]+)\s*([A-Za-z]+)\s*\Z")


@dataclass(frozen=True, slots=True)
class Coil:
    """A search coil: a name, a size and a winding; brands do not matter.

    width_m is left to right, length_m fore and aft; they are equal for a round coil.
    """

    name: str
    width_m: float
    length_m: float
    winding: str = "dd"

    def __post_init__(self) -> None:
        for value in (self.width_m, self.length_m):
            if not 0.05 <= value <= 2.0:
                problem = f"coil {self.name!r} is {say_length(value)} across; between 5 cm and 2 m was expected"
                raise UsageError(problem, hint="Write its size like 28cm, 11in or 13x20cm (width x length)")
        if self.winding not in WINDINGS:
            raise UsageError(f"coil {self.name!r} has winding {self.winding!r}", hint="Use dd or concentric")

    @property
    def default_swath_m(self) -> float:
        """Swing width taken when nobody measured it."""
        return round(DEFAULT_TRAVEL_M + self.width_m, 6)


def parse_coil(text: str, known: dict[str, Coil]) -> Coil:
    """Read what was typed for a coil: a name from ``known``, or a size with an optional winding.

    >>> parse_coil("13x20cm:concentric", {})
    Coil(name='13x20cm:concentric', width_m=0.13, length_m=0.2, winding='concentric')
    """
    text = text.strip()
    if text in known:
        return known[text]
    if not re.match(r"[\d.,]", text):
        names = ", ".join(sorted(known)) or "none yet"
        hint = f"Coils known here: {names}. Or give a size such as 28cm, 11in or 13x20cm"
        raise UsageError(f"coil {text!r} is not known", hint=hint)
    return coil_of_size(text, text)


def coil_of_size(name: str, text: str) -> Coil:
    """Make a named coil from ``28cm``, ``13x20cm`` or ``13x20cm:concentric``."""
    size, _, winding = text.partition(":")
    match = _SIZE.match(size)
    if match:
        unit = match.group(4)
        width_m = parse_length_m(match.group(1) + (match.group(2) or unit), "coil width")
        length_m = parse_length_m(match.group(3) + unit, "coil length")
    else:
        width_m = length_m = parse_length_m(size, "coil size")
    return Coil(name, round(width_m, 6), round(length_m, 6), winding.strip().lower() or "dd")


def split_naming(text: str) -> tuple[str | None, str]:
    """Split ``small=13x20cm`` into the name to keep for good and the size; without ``=`` the name is None."""
    name, sign, size = text.partition("=")
    if not sign:
        return None, text
    if not name.strip() or not size.strip():
        raise UsageError(f"coil {text!r} is not understood", hint="Write name=size, for example small=13x20cm")
    if re.match(r"[\d.,]", name.strip()):
        raise UsageError(f"coil name {name.strip()!r} looks like a size", hint="Let a coil's name begin with a letter")
    return name.strip(), size


@dataclass(frozen=True, slots=True)
class Swing:
    """How the coil was swung and placed on one recording.

    swath_m : full width, edge to edge, that the coil passes over.
    sweep_s : seconds for one sweep, one side to the other.
    gps : good, typical, poor, or a length as typed (two thirds of fixes are within it, each way).
    carried : where the recorder was, one of CARRIED. rule : which target numbers were dug.
    reach_m : how deep below the coil the target that matters is just heard; None is one coil diameter.
    lift_m : how high the coil was carried above the soil. ground : a note on the ground.
    The flags say whether somebody measured the value or it is the default.
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
    """Put together what was typed, filling the rest with defaults; refuses a swath narrower than the coil."""
    if swath_m is not None and swath_m < coil.width_m:
        problem = f"swing width {say_length(swath_m)} is smaller than the coil itself ({say_length(coil.width_m)})"
        raise UsageError(
            problem, hint="Measure edge to edge, from the coil's left rim at the left end to its right rim"
        )
    if swath_m is not None and swath_m > 6:
        raise UsageError(f"swing width {say_length(swath_m)} is wider than anyone swings", hint="Write it like 1.5m")
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
    """Return the seconds of one sweep; UsageError when nobody swings like that."""
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
    """Read a depth below the soil of which is asked what the coil covered there, in metres."""
    depth_m = parse_length_m(text, "depth")
    if depth_m > MOST_DEPTH_M:
        raise UsageError(f"{text!r} is deeper than any hand-held coil reaches", hint="Write it like 15cm")
    return depth_m


def parse_gps(text: str) -> str:
    """Check a receiver class or error length and give it back as typed."""
    if text not in GPS_CLASSES:
        if not re.match(r"[\d.,]", text):
            raise UsageError(f"gps {text!r} is not known", hint="Use good, typical, poor, or a length such as 2m")
        parse_length_m(text, "gps error")
    return text
