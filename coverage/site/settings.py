"""The settings of a site and its outings: what was typed, and where what was not is looked up."""

import math
from collections.abc import Sequence
from dataclasses import field, fields, replace
from datetime import date
from typing import TypeVar
from zoneinfo import ZoneInfo

from fieldcomb.coverage.gear.coils import DEFAULT_COIL, Coil, parse_coil
from fieldcomb.coverage.gear.swing import Swing, make_swing, parse_lift_m
from fieldcomb.coverage.gear.target_ids import NO_RULE, DigRule, parse_numbers
from fieldcomb.coverage.site.options_fields import FIELD, TypedAt
from fieldcomb.coverage.site.toml_text import TomlFile
from fieldcomb.coverage.todo.assumptions import USUAL, TodoSettings
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.marks.spacings import LaneSpacing, parse_spacings
from fieldcomb.tracks.recording import Span
from fieldcomb.tracks.units import parse_length_m, parse_speed_m_s, parse_time_s
from fieldcomb.tracks.values import dataclass

SITE_FILE = "site.toml"
OUTINGS_FILE = "outings.toml"
TRACKS = "tracks"

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Typed:
    """What was typed about how a walk was searched, as typed; None where nothing was.

    Each attribute has its row in the table of fields, under the same key.
    """

    coil: str | None = None
    swath: str | None = None
    sweep: float | None = None
    gps: str | None = None
    top_pace: str | None = None
    carried: str | None = None
    laps: str | None = None
    dug: str | None = None
    spacing: str | None = None
    ground: str | None = None
    lift: str | None = None


TYPED_KEYS = tuple(item.name for item in fields(Typed))
OWN_KEYS = tuple(key for key in TYPED_KEYS if TypedAt.RECORDING in FIELD[key].places)  # of one recording alone


@dataclass(frozen=True, slots=True)
class KnownCoil:
    """A coil with a name, and how it is swung where that was measured."""

    coil: Coil
    swath_m: float | None
    sweep_s: float | None
    reach_m: float | None = None
    rule: DigRule = NO_RULE


@dataclass(frozen=True, slots=True, eq=False)
class Settings:
    """A site.toml. ``frame`` is None until a boundary or a first walk fixed it; ``areas``: there is a file of them."""

    file: TomlFile
    name: str
    zone: ZoneInfo
    cell_m: float
    frame: SiteFrame | None
    coils: dict[str, KnownCoil]
    defaults: Typed
    words: dict[str, str]  # folded words of marks, English and the site's own, and the kind that each makes
    areas: bool = False
    todo: TodoSettings = USUAL
    notes: tuple[str, ...] = ()
    reopened: dict[str, date] = field(default_factory=dict)  # by name, ground that a mark had closed
    last_find_no: int = 0  # the highest number that a find was ever given, so that none is given twice


@dataclass(frozen=True, slots=True)
class RecordingEntry:
    """One file of an outing: ``stored`` is its name in tracks/, ``name`` the one it was given under."""

    stored: str
    name: str
    sha256: str
    start: str | None
    end: str | None
    typed: Typed
    searcher: str | None


@dataclass(frozen=True, slots=True)
class OutingEntry:
    """One outing as it stands in outings.toml; ``unrecorded`` are the people who searched without a recording.

    seen, filled : for the owner: what was seen on the ground, and how holes were left.
    """

    id: str
    label: str | None
    note: str | None
    typed: Typed
    left_out: bool
    recordings: tuple[RecordingEntry, ...]
    unrecorded: tuple[str, ...] = ()
    seen: str | None = None
    filled: str | None = None


# ------------------------------------------------------------------------------------------------- looking up


def window_of(start: str | None, end: str | None, zone: ZoneInfo) -> Span:
    """Return typed times as Unix seconds, half open; without an offset they are in the site's zone."""
    low = -math.inf if start is None else parse_time_s(start, zone, "from")
    high = math.inf if end is None else parse_time_s(end, zone, "to")
    if low >= high:
        raise UsageError(f"the time from {start!r} is not before the time to {end!r}", hint="Swap or correct them")
    return low, high


def overlap(one: Span, other: Span) -> bool:
    """Whether two windows of time share a moment."""
    return max(one[0], other[0]) < min(one[1], other[1])


def swing_of(settings: Settings, *typed: Typed) -> Swing:
    """Find how a recording was swung: what was typed (first the recording's, then the outing's), then site.toml.

    What is typed nowhere comes from the coil's own entry there, then from its defaults, then from what is usual.
    """
    levels = (*typed, settings.defaults)
    known = {name: entry.coil for name, entry in settings.coils.items()}
    coil = parse_coil(first_typed([level.coil for level in levels]) or DEFAULT_COIL, known)
    entry = settings.coils.get(coil.name)
    swaths = [None if t.swath is None else parse_length_m(t.swath, "swath") for t in levels]
    sweeps = [t.sweep for t in levels]
    if entry is not None:
        swaths.insert(-1, entry.swath_m)
        sweeps.insert(-1, entry.sweep_s)
    gps, carried = (first_typed([getattr(level, key) for level in levels]) for key in ("gps", "carried"))
    lift, ground = (first_typed([getattr(level, key) for level in levels]) for key in ("lift", "ground"))
    lift_m = None if lift is None else parse_lift_m(lift)
    swing = make_swing(coil, first_typed(swaths), first_typed(sweeps), gps, carried, lift_m)
    rule = _rule(entry, first_typed([level.dug for level in typed]), settings.defaults.dug)
    return replace(swing, rule=rule, reach_m=entry.reach_m if entry else None, ground=ground or "")


def _rule(entry: KnownCoil | None, typed: str | None, usual: str | None) -> DigRule:
    """What was dug: as typed for the outing, then as the coil's entry says, then as is usual."""
    known = NO_RULE if entry is None else entry.rule
    said = typed if typed is not None else None if known.dug is not None else usual
    return known if said is None else DigRule(parse_numbers(said), known.classes)


def top_pace_of(settings: Settings, *typed: Typed) -> float | None:
    """Speed in m/s above which walking is not searching, where anybody typed one."""
    text = first_typed([level.top_pace for level in (*typed, settings.defaults)])
    return None if text is None else parse_speed_m_s(text, "top pace")


def spacings_typed(*typed: Typed) -> tuple[LaneSpacing, ...]:
    """Spacings between lanes as typed, first the recording's, then the outing's; none where none were typed."""
    text = first_typed([level.spacing for level in typed])
    return () if text is None else parse_spacings(text)


def first_typed(values: Sequence[_T | None]) -> _T | None:
    """Return the first value that is there."""
    return next((value for value in values if value is not None), None)
