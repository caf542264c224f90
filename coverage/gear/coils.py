"""Coils, and the coil that a user owns: sizes and windings as typed, and how each is usually swung."""

import re

from fieldcomb.coverage.gear.target_ids import NO_RULE, DigRule
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.units import AS_WRITTEN, format_length, parse_length_m
from fieldcomb.tracks.values import dataclass

WINDINGS = ("dd", "concentric")
# Common practice, no source: the coil's centre travels about 1.2 m from side to side, one sweep takes about a second.
DEFAULT_TRAVEL_M = 1.2
DEFAULT_SWEEP_S = 1.0
DEFAULT_COIL = "28cm"
COIL_LIMITS_M = (0.05, 2.0)  # probes are smaller, and a frame of more than 2 m is carried by two

_UNIT = r"(?:[A-WYZa-wyz]+|[\"″”]|'')"
_SIZE = re.compile(rf"\s*([\d.,]+)\s*({_UNIT}?)\s*[xX×*]\s*([\d.,]+)\s*({_UNIT})\s*\Z")


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
        low, high = COIL_LIMITS_M
        for value in (self.width_m, self.length_m):
            if not low <= value <= high:
                problem = f"coil {self.name!r} is {format_length(value)} across; between 5 cm and 2 m was expected"
                raise UsageError(problem, hint="Write its size like 28cm, 11in or 13x20cm (width x length)")
        if self.winding not in WINDINGS:
            raise UsageError(f"coil {self.name!r} has winding {self.winding!r}", hint="Use dd or concentric")

    @property
    def default_swath_m(self) -> float:
        """Swing width assumed when none was measured."""
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
        sizes = "Or type a size such as 28cm, 11in or 13x20cm; add and edit give one a name: small=13x20cm"
        hint = f"Coils known here: {names}. {sizes}"
        raise UsageError(f"coil {text!r} is not known", hint=hint)
    return coil_of_size(_one_way(text), text)


def _one_way(size: str) -> str:
    """Write a size in one way, since an unnamed coil is known by it.

    >>> _one_way("28 CM"), _one_way("13 × 20 cm"), _one_way('11"'), _one_way("11 inch")
    ('28cm', '13x20cm', '11in', '11in')
    """
    plain = re.sub(r"\s+", "", size).lower()
    units = "|".join(re.escape(unit) for unit in sorted(AS_WRITTEN, key=len, reverse=True))
    plain = re.sub(rf"(?<=\d)({units})(?![a-wyz])", lambda found: AS_WRITTEN[found[0]], re.sub("[×*]", "x", plain))
    return re.sub(r"\A([\d.,]+)([a-wyz]+)x([\d.,]+)\2(?![a-z])", r"\1x\3\2", plain)


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
        raise UsageError(f"coil name {name.strip()!r} looks like a size", hint="Begin a coil's name with a letter")
    return name.strip(), size


@dataclass(frozen=True, slots=True)
class OwnCoil:
    """A coil that the user owns, and how it is swung; reach_m is the depth at which it just hears a target."""

    coil: Coil
    swath_m: float
    sweep_s: float
    reach_m: float | None = None
    rule: DigRule = NO_RULE


def own_coil(coil: Coil, swath_m: float | None, sweep_s: float | None, reach_m: float | None, rule: DigRule) -> OwnCoil:
    """Return a coil of the user's as it will be swung; what was not measured takes its default."""
    swath = coil.default_swath_m if swath_m is None else swath_m
    return OwnCoil(coil, swath, DEFAULT_SWEEP_S if sweep_s is None else sweep_s, reach_m, rule)
