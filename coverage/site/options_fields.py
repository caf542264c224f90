"""The table of everything that can be typed about a walk or a site: one row a value, for every place it is typed at.

Options of the commands, fields of the local page, columns of a roster and keys of site.toml and outings.toml all come
from this table. A new value takes a row here, an attribute of ``Typed``, and the place where it has its effect.
"""

import re
from collections.abc import Callable
from enum import Flag, auto

from fieldcomb.coverage.gear.coils import coil_of_size, split_naming
from fieldcomb.coverage.gear.swing import (
    CARRIED,
    GPS_CLASSES,
    check_sweep_s,
    parse_carried,
    parse_depth_m,
    parse_gps,
    parse_lift_m,
)
from fieldcomb.coverage.gear.target_ids import parse_numbers
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.marks.spacings import parse_spacings
from fieldcomb.tracks.marks.vocabulary import LAP_MEANINGS
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import parse_length_m, parse_speed_m_s, parse_time_s, parse_zone
from fieldcomb.tracks.values import dataclass

HALF_MINUTE_S = 30.0
# A number, or two of a coil that is not round, with the name that it is given.
_NUMBER = r"(?:[^=]*[^\s=]\s*=\s*)?[-+]?\d+(?:[.,]\d+)?(?:\s*x\s*\d+(?:[.,]\d+)?)?"
_BARE = re.compile(rf"\s*{_NUMBER}\s*")
_MEASURE = re.compile(rf"\s*({_NUMBER})\s*([a-z/]+)\s*")
MOST_TYPED_LETTERS = 2000
MIN_CELL_M, MAX_CELL_M = 0.01, 2.0


class TypedAt(Flag):
    """Where a value may be typed."""

    ADDED = auto()  # when a walk is added or mapped
    OUTING = auto()  # for an outing as a whole
    RECORDING = auto()  # for one recording of an outing alone
    ROSTER = auto()  # in the table of a team
    DEFAULT = auto()  # for all outings of a site
    COIL = auto()  # for a coil with a name
    SITE = auto()  # when a site is made
    REPORT = auto()  # when a map is drawn


@dataclass(frozen=True, slots=True)
class Field:
    """One value that can be typed.

    key : its name in site.toml, outings.toml, a roster, and in the forms of the local page.
    label : its name on the local page; empty when it is not typed there.
    help : what it means, for the help of a command and the page alike.
    read : text to the value in SI units; UsageError when it cannot be.
    places : where it may be typed.
    metavar, example : what stands for it in the help of a command, and an example on the page.
    choices : usual values, offered by the page.
    kept_as : key under which it is kept where that is another: sweeps in half a minute are kept as seconds.
    is_number : kept as the number that was read, not as the text that was typed.
    units : to be picked from on the page, beside the number, the usual one first.
    """

    key: str
    label: str
    help: str
    read: Callable[[str], object]
    places: TypedAt
    metavar: str = "TEXT"
    example: str = ""
    choices: tuple[str, ...] = ()
    kept_as: str = ""
    is_number: bool = False
    units: tuple[str, ...] = ()

    @property
    def option(self) -> str:
        """The option of the commands."""
        return "--" + self.key.replace("_", "-")

    @property
    def kept_key(self) -> str:
        """The key under which it is kept."""
        return self.kept_as or self.key

    def with_unit(self, text: str, unit: str) -> str:
        """Return a typed number with the unit that was picked for it; a text that brings its own stays as it is."""
        return text.strip() + unit if unit in self.units and _BARE.fullmatch(text) else text

    def parted(self, text: str) -> tuple[str, str]:
        """Return the number and the unit of what was typed, as the page shows them; else all of it and no unit."""
        match = _MEASURE.fullmatch(text)
        return (match[1], match[2]) if match and match[2] in self.units else (text, "")

    def kept(self, text: str) -> str | float:
        """Return what is to be kept of a text: the text itself, made harmless, or the number in it.

        Raises UsageError: it cannot be, or is too long.
        """
        clean = harmless(text)
        if len(clean) > MOST_TYPED_LETTERS:
            problem = f"{len(clean)} characters are more than the {MOST_TYPED_LETTERS} that are kept"
            raise UsageError(problem, hint="Shorten it")
        value = self.read(clean)
        return float(value) if self.is_number and isinstance(value, float) else clean


def _read_coil(text: str) -> str:
    """Check a size that is given a name; a name alone is looked up among the site's coils later."""
    if not text:
        raise UsageError("no coil was named", hint="Write a size such as 28cm, or a name")
    name, size = split_naming(text)
    if name is not None:
        coil_of_size(name, size)
    return text


def _read_sweeps(text: str) -> float:
    """Return the seconds of one sweep from the count in half a minute."""
    hint = "Count every side-to-side sweep in 30 seconds, such as 27"
    count = _number(text, hint)
    if count <= 0:
        raise UsageError(f"{text!r} is not a count of sweeps", hint=hint)
    return check_sweep_s(round(HALF_MINUTE_S / count, 4))


def _read_sweep(text: str) -> float:
    return check_sweep_s(round(_number(text, "Write seconds, such as 1.1"), 4))


def _number(text: str, hint: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError as error:
        raise UsageError(f"{text!r} is not a number", hint=hint) from error


def read_laps(text: str) -> str:
    """Check what presses of the lap button meant; that a coil is known is checked where the site's coils are."""
    meaning, colon, name = text.partition(":")
    if meaning not in LAP_MEANINGS or (colon and (meaning != "coil" or not name.strip())):
        hint = "Write off, lanes, finds, or coil with the other coil's name, such as coil:small"
        raise UsageError(f"laps {text!r} is not known", hint=hint)
    return text


def read_cell_m(text: str) -> float:
    """Read the side of a cell, in metres."""
    length_m = parse_length_m(text, "cell")
    if not MIN_CELL_M <= length_m <= MAX_CELL_M:
        raise UsageError(f"cell {text!r} is not between 1 cm and 2 m", hint="Write it like 10cm")
    return length_m


def _read_time(text: str) -> float:
    """Check a time; which zone it is in, and whether it is within the recording, is seen later."""
    return parse_time_s(text, parse_zone("UTC"))


_WALK = TypedAt.ADDED | TypedAt.OUTING | TypedAt.DEFAULT
_ONE_RECORDER = _WALK | TypedAt.RECORDING | TypedAt.ROSTER

FIELDS = (
    Field(
        "coil",
        "Coil",
        "A size such as 28cm, 11in or 13x20cm (width x length; add :concentric if it is not a DD), the name of one of "
        "the site's coils, or small=13x20cm to give a new one a name.",
        _read_coil,
        _ONE_RECORDER,
        "COIL",
        "28cm",
        units=("cm", "in"),
    ),
    Field(
        "swath",
        "Swing width",
        "How wide you swing, such as 1.4m. Swing as usual over a tape on the ground, and measure from the coil's "
        "outer rim at the left end to its outer rim at the right end.",
        lambda text: parse_length_m(text, "swing width"),
        _ONE_RECORDER | TypedAt.COIL,
        "LENGTH",
        "1.4m",
        units=("m", "cm", "ft", "in"),
    ),
    Field(
        "sweeps",
        "Sweeps in 30 seconds",
        "How many sweeps you count in 30 seconds. Each movement from one side to the other is one sweep.",
        _read_sweeps,
        TypedAt.ADDED | TypedAt.OUTING,
        "N",
        "27",
        kept_as="sweep",
        is_number=True,
    ),
    Field(
        "sweep",
        "",
        "Or how long one sweep takes, in seconds.",
        _read_sweep,
        _WALK | TypedAt.COIL,
        "SECONDS",
        is_number=True,
    ),
    Field(
        "gps",
        "Receiver accuracy",
        "How well the receiver places you: good, typical (the default), poor, or the distance within which two "
        "thirds of fixes lie.",
        parse_gps,
        _ONE_RECORDER,
        "HOW",
        "typical",
        GPS_CLASSES,
    ),
    Field(
        "carried",
        "Recorder carried on",
        "Where the recorder was, such as arm, hat or pocket; shaft if it moved with the coil and so recorded every "
        "sweep.",
        parse_carried,
        _ONE_RECORDER,
        "WHERE",
        "arm",
        CARRIED,
    ),
    Field(
        "from",
        "From",
        "Use the walk from this time on.",
        _read_time,
        TypedAt.ADDED | TypedAt.RECORDING | TypedAt.ROSTER,
        "TIME",
        "2026-03-07T09:30",
    ),
    Field(
        "to",
        "To",
        "Use the walk up to this time.",
        _read_time,
        TypedAt.ADDED | TypedAt.RECORDING | TypedAt.ROSTER,
        "TIME",
        "2026-03-07T12:00",
    ),
    Field(
        "top_pace",
        "Top pace",
        "The fastest pace at which you search, such as 0.9m/s or 3km/h. Faster counts as walking.",
        lambda text: parse_speed_m_s(text, "top pace"),
        _WALK,
        "SPEED",
        "0.9m/s",
        units=("m/s", "km/h", "mph", "ft/s"),
    ),
    Field(
        "laps",
        "Lap button",
        "What a press of the lap button meant: off (not searching; the next press: searching again), lanes (each "
        "begins the next lane), finds (each is a find that was kept), or coil:NAME (switches between two coils).",
        read_laps,
        _WALK,
        "WHAT",
        "off",
        LAP_MEANINGS[:3],
    ),
    Field(
        "dug",
        "Target numbers dug",
        "Target numbers that you dug, such as 40-99 or 10-25,40-99. Default: what site.toml says for the coil.",
        parse_numbers,
        _WALK | TypedAt.COIL,
        "NUMBERS",
        "10-25, 40-99",
    ),
    Field(
        "spacing",
        "Spacings between lanes",
        "How far it was from one lane to the next, as measured here and there: lengths or paces, such as "
        "1.4m, 1.6m, 2 paces. Ten of them sharpen the percentage most.",
        parse_spacings,
        TypedAt.ADDED | TypedAt.OUTING | TypedAt.RECORDING | TypedAt.ROSTER,
        "LENGTHS",
        "1.4m, 1.6m, 1.5m",
    ),
    Field("ground", "Ground", "What the ground was like, such as stubble or wet turf.", str, _WALK, example="stubble"),
    Field(
        "lift",
        "Coil above the soil",
        "How high you carried the coil above the soil. Default: 5cm. It is used only with a depth.",
        parse_lift_m,
        _WALK,
        "LENGTH",
        "5cm",
        units=("cm", "in"),
    ),
    Field("label", "Short name", "A short name for the outing.", str, TypedAt.ADDED | TypedAt.OUTING),
    Field("note", "Note", "Anything worth remembering about the outing.", str, TypedAt.ADDED | TypedAt.OUTING),
    Field(
        "seen",
        "Seen on the ground",
        "What the owner should know: a broken fence, a bare cable. It goes into the owner's copy.",
        str,
        TypedAt.OUTING,
        example="broken fence by the gate",
    ),
    Field(
        "filled",
        "Holes filled",
        "How holes were left, such as: all 12, checked. It goes into the owner's copy.",
        str,
        TypedAt.OUTING,
        example="all 12, checked",
    ),
    Field("searcher", "Searcher", "Who walked it.", str, TypedAt.RECORDING | TypedAt.ROSTER, "NAME"),
    Field(
        "depth",
        "Depth below the soil",
        "Also show what the coil itself covered at this depth below the soil, such as 15cm: a model, see "
        "docs/measures.md.",
        parse_depth_m,
        TypedAt.REPORT,
        "LENGTH",
        "15cm",
        units=("cm", "in"),
    ),
    Field("name", "Name", "Name of the site. Default: the folder's name.", str, TypedAt.SITE),
    Field(
        "zone",
        "Time zone",
        "Time zone of the site, such as Europe/Oslo. Default: UTC.",
        parse_zone,
        TypedAt.SITE,
        "ZONE",
        "Europe/Oslo",
    ),
    Field(
        "cell",
        "Cell size",
        "Side of the squares in which ground is counted. Default: 10cm.",
        read_cell_m,
        TypedAt.SITE,
        "LENGTH",
        "10cm",
        units=("cm", "m", "in"),
    ),
)
FIELD = {field.key: field for field in FIELDS}


def fields_of(places: TypedAt) -> tuple[Field, ...]:
    """Return the fields that may be typed at any of these places, in the order in which they are asked for."""
    return tuple(field for field in FIELDS if field.places & places)


def keys_of(place: TypedAt) -> tuple[str, ...]:
    """Return the keys that are kept for a place, in their order."""
    return tuple(field.key for field in fields_of(place) if not field.kept_as)
