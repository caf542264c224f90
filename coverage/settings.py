"""What stands in site.toml and outings.toml: what was typed for each outing, and where the rest is looked up."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from fieldcomb.coverage.coils import (
    DEFAULT_COIL,
    Coil,
    Swing,
    coil_of_size,
    make_swing,
    parse_carried,
    parse_coil,
    parse_gps,
    parse_lift_m,
)
from fieldcomb.coverage.dug import CLASSES, NO_RULE, DigRule, parse_numbers
from fieldcomb.coverage.todo_settings import USUAL, TodoSettings
from fieldcomb.coverage.tomlfile import Form, Named, Several, TomlFile, read_toml
from fieldcomb.tracks.errors import SiteError, UsageError
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.marking import LAP_MEANINGS
from fieldcomb.tracks.marks import ENGLISH, KINDS, fold
from fieldcomb.tracks.units import parse_length_m, parse_speed_m_s, parse_time_s, parse_zone

SITE_FILE = "site.toml"
OUTINGS_FILE = "outings.toml"
TRACKS = "tracks"
MIN_CELL_M, MAX_CELL_M = 0.01, 2.0

T = TypeVar("T")
Window = tuple[float | None, float | None]


@dataclass(frozen=True, slots=True)
class Typed:
    """What somebody typed about how a walk was searched, as typed; None where nothing was."""

    coil: str | None = None
    swath: str | None = None
    sweep: float | None = None
    gps: str | None = None
    top_pace: str | None = None
    carried: str | None = None
    laps: str | None = None
    dug: str | None = None
    ground: str | None = None
    lift: str | None = None


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
    """One outing as it stands in outings.toml; ``unrecorded`` are the people who searched without a recording."""

    id: str
    label: str | None
    note: str | None
    typed: Typed
    left_out: bool
    recordings: tuple[RecordingEntry, ...]
    unrecorded: tuple[str, ...] = ()


# ------------------------------------------------------------------------------------- looking at one value


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise UsageError(f"text in quotes was expected, not {_say(value)}", hint='Write it like "this"')
    return value


def _say(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return "a table" if isinstance(value, dict) else "a list" if isinstance(value, list) else str(value)


def _some_text(value: Any) -> str:
    if not _text(value).strip():
        raise UsageError("must not be empty")
    return str(value)


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise UsageError(f"a number without quotes was expected, not {value!r}", hint="Write it like 1.2")
    return float(value)


def _seconds(value: Any) -> float:
    if not 0.2 <= _number(value) <= 10:
        raise UsageError(f"a sweep of {value} s is not possible", hint="One side to the other takes 0.2 to 10 s")
    return float(value)


def _yes_or_no(value: Any) -> bool:
    if not isinstance(value, bool):
        raise UsageError(f"true or false was expected, not {value!r}", hint="Write true or false without quotes")
    return value


def _names(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(name, str) and name.strip() for name in value):
        raise UsageError("a list of names was expected", hint='Write it like ["Ann Berg", "Bo"]')
    return tuple(value)


def _length(value: Any) -> float:
    return parse_length_m(_text(value))


def cell_m(text: Any) -> float:
    """Read the side of a cell."""
    length = parse_length_m(_text(text), "cell")
    if not MIN_CELL_M <= length <= MAX_CELL_M:
        raise UsageError(f"cell {text!r} is not between 1 cm and 2 m", hint="Write it like 10cm")
    return length


def typed_time(value: Any) -> str:
    """Check a time as typed, with or without an offset, and give it as text."""
    if isinstance(value, datetime):  # TOML has times of its own, without quotes
        return value.isoformat()
    parse_time_s(_text(value), ZoneInfo("UTC"))
    return str(value)


def _sha256(value: Any) -> str:
    if not re.fullmatch(r"[0-9a-f]{64}", _text(value)):
        raise UsageError("64 digits 0-9 and a-f were expected", hint="Put back what fieldcomb wrote there")
    return str(value)


def _stored(value: Any) -> str:
    name = _some_text(value)
    if "/" in name or "\\" in name or name in (".", ".."):
        raise UsageError(f"{name!r} is not the name of a file in tracks", hint="Put back what fieldcomb wrote there")
    return name


def _degrees(most: float) -> Any:
    def check(value: Any) -> float:
        if not -most <= _number(value) <= most:
            raise UsageError(f"{value} is not between -{most:g} and {most:g} degrees")
        return float(value)

    return check


def laps_meaning(value: Any) -> str:
    """Check what presses of the lap button meant; that a coil is known is looked at where the site's coils are."""
    meaning, colon, name = _text(value).partition(":")
    if meaning not in LAP_MEANINGS or (colon and (meaning != "coil" or not name.strip())):
        hint = "Write off, lanes, finds, or coil with the other coil's name, such as coil:small"
        raise UsageError(f"laps {value!r} is not known", hint=hint)
    return str(value)


def _mark_words(value: Any) -> tuple[str, ...]:
    """One word, or a list of words."""
    found = tuple(_some_text(one).strip() for one in (value if isinstance(value, list) else [value]))
    for word in found:
        if len(word.split()) != 1 or not any(letter.isalpha() for letter in word):
            raise UsageError(f"{word!r} is not one word", hint='Write it like "pause" or ["pause", "aus"]')
    return found


def _numbers(value: Any) -> Any:
    return parse_numbers(_some_text(value), "numbers")


def _between(low: float, high: float) -> Any:
    def check(value: Any) -> float:
        if not low <= _number(value) <= high:
            raise UsageError(f"{value} is not between {low:g} and {high:g}")
        return float(value)

    return check


def _some_length(low_m: float, high_m: float) -> Any:
    def check(value: Any) -> float:
        if not low_m <= _length(value) <= high_m:
            raise UsageError(f"{value!r} is not between {low_m:g} m and {high_m:g} m")
        return _length(value)

    return check


def _target(value: Any) -> str:
    if _text(value) not in CLASSES:
        raise UsageError(f"target {value!r} is not known", hint=f"Use one of {', '.join(CLASSES)}")
    return str(value)


# Keys of [todo], the field of TodoSettings that each fills, and how its value is read.
_TODO: dict[str, tuple[str, Any]] = {
    "kernel": ("kernel_m", _some_length(0.5, 20)),
    "cell": ("grid_m", _some_length(0.25, 10)),
    "least_m2": ("least_m2", _between(1, 10_000)),
    "more_left": ("more_left", _between(0, 1)),
    "junk_gain": ("junk_gain", _between(0, 1)),
    "g": ("g", _between(0.01, 1)),
    "usual_junk": ("junk_per_m2", _between(0, 1000)),
    "recheck": ("recheck", _yes_or_no),
    "not_recorded": ("not_recorded", _between(0, 1)),
    "crosswise": ("crosswise", _between(0, 1)),
    "pace": ("pace_m_s", lambda value: parse_speed_m_s(_text(value))),
    "target": ("target", _target),
    "depth": ("depth_m", _some_length(0.01, 2)),
    "lift": ("lift_m", _some_length(0, 0.5)),
    "stand_off": ("stand_off_m", _some_length(5, 100)),
}
_COIL_FORM: Form = {
    "size": _some_text,
    "winding": _text,
    "swath": _length,
    "sweep": _seconds,
    "reach": _length,
    "dug": _numbers,
    **dict.fromkeys(CLASSES, _numbers),
}
TYPED_FORM: Form = {
    "coil": _some_text,
    "swath": _length,
    "sweep": _seconds,
    "gps": lambda value: parse_gps(_text(value)),
    "top_pace": lambda value: parse_speed_m_s(_text(value)),
    "carried": lambda value: parse_carried(_text(value)),
    "laps": laps_meaning,
    "dug": _numbers,
    "ground": _text,
    "lift": lambda value: parse_lift_m(_text(value)),
}
_SITE_FORM: Form = {
    "name": _some_text,
    "zone": lambda value: parse_zone(_text(value)),
    "cell": cell_m,
    "areas": _yes_or_no,
    "frame": {"lon": _degrees(180), "lat": _degrees(90)},
    "coils": Named(_COIL_FORM),
    "defaults": TYPED_FORM,
    "marks": dict.fromkeys(KINDS, _mark_words),
    "todo": {key: check for key, (_, check) in _TODO.items()},
}
OWN = ("coil", "swath", "gps", "carried")  # what one recording of an outing may have of its own
_RECORDING_FORM: Form = {
    "file": _stored,
    "name": _text,
    "sha256": _sha256,
    "from": typed_time,
    "to": typed_time,
    "coil": _some_text,
    "swath": _length,
    "gps": TYPED_FORM["gps"],
    "carried": TYPED_FORM["carried"],
    "searcher": _text,
}
_OUTINGS_FORM: Form = {
    "outing": Several(
        {
            "id": _some_text,
            "label": _text,
            "note": _text,
            **TYPED_FORM,
            "left_out": _yes_or_no,
            "unrecorded": _names,
            "recording": Several(_RECORDING_FORM),
        }
    )
}


# ------------------------------------------------------------------------------------------- reading the files


def read_settings(raw: bytes, file: str) -> Settings:
    """Read a site.toml; SiteError names the file, the line and the key at fault."""
    toml = read_toml(raw, file, _SITE_FORM)
    data = toml.data
    for key in ("name", "zone", "cell"):
        if key not in data:
            example = {"name": "North field", "zone": "UTC", "cell": "10cm"}[key]
            raise SiteError(f"key {key!r} is missing", file=file, hint=f'Write a line: {key} = "{example}"')
    settings = Settings(
        toml,
        data["name"],
        parse_zone(data["zone"]),
        cell_m(data["cell"]),
        _frame(toml),
        {name: _known_coil(toml, name) for name in data.get("coils", {})},
        _typed(data.get("defaults", {})),
        _words(toml),
        data.get("areas", False),
        TodoSettings(**{_TODO[key][0]: _TODO[key][1](value) for key, value in data.get("todo", {}).items()}),
    )
    try:
        swing_of(settings)
    except UsageError as error:
        raise toml.fault(("defaults",), error.problem, error.hint) from error
    return settings


def _frame(toml: TomlFile) -> SiteFrame | None:
    frame = toml.data.get("frame")
    if frame is None:
        return None
    for key in ("lon", "lat"):
        if key not in frame:
            hint = "Put back what fieldcomb wrote there; report.json has it as frame_origin"
            raise toml.fault(("frame",), f"key {key!r} is missing in frame", hint)
    return SiteFrame(float(frame["lon"]), float(frame["lat"]))


def _known_coil(toml: TomlFile, name: str) -> KnownCoil:
    table, keys = toml.data["coils"][name], ("coils", name)
    if "size" not in table:
        raise toml.fault(keys, f"coil {name!r} has no size", 'Write a line: size = "28cm"')
    winding = f":{table['winding']}" if "winding" in table else ""
    try:
        if winding and ":" in table["size"]:
            raise UsageError("the winding is given twice", hint="Leave it out of the size")
        coil = coil_of_size(name, table["size"] + winding)
        swath_m = parse_length_m(table["swath"]) if "swath" in table else None
        make_swing(coil, swath_m, table.get("sweep"), None)
    except UsageError as error:
        raise toml.fault(keys, error.problem, error.hint) from error
    reach_m = parse_length_m(table["reach"]) if "reach" in table else None
    classes = tuple((name, parse_numbers(table[name])) for name in CLASSES if name in table)
    dug = parse_numbers(table["dug"]) if "dug" in table else None
    return KnownCoil(coil, swath_m, table.get("sweep"), reach_m, DigRule(dug, classes))


def _words(toml: TomlFile) -> dict[str, str]:
    """Words of marks: the English ones and the site's own; none may mean two things."""
    words = dict(ENGLISH)
    for kind, value in toml.data.get("marks", {}).items():
        for word in _mark_words(value):
            other = words.setdefault(fold(word), kind)
            if other != kind:
                problem = f"the word {word!r} is used twice, for {other} and for {kind}"
                raise toml.fault(("marks", kind), problem, "Let each word of the marks mean one thing")
    return words


def _typed(table: dict[str, Any]) -> Typed:
    return Typed(**{key: table.get(key) for key in TYPED_FORM})


def read_outings(raw: bytes, file: str, zone: ZoneInfo) -> tuple[TomlFile, tuple[OutingEntry, ...]]:
    """Read an outings.toml; SiteError names the file, the line and the key at fault."""
    toml = read_toml(raw, file, _OUTINGS_FORM)
    outings = tuple(_outing(toml, number, zone) for number in range(len(toml.data.get("outing", []))))
    seen: set[str] = set()
    for number, outing in enumerate(outings):
        if outing.id in seen:
            raise toml.fault(("outing", number, "id"), f"outing {outing.id!r} is there twice", "Give each its own id")
        seen.add(outing.id)
    return toml, outings


def _outing(toml: TomlFile, number: int, zone: ZoneInfo) -> OutingEntry:
    table, keys = toml.data["outing"][number], ("outing", number)
    if "id" not in table:
        raise toml.fault(keys, "an outing has no id", 'Write a line: id = "2026-03-07a"')
    if not table.get("recording"):
        raise toml.fault(
            keys, f"outing {table['id']!r} has no [[outing.recording]]", "Put it back, or delete all of it"
        )
    recordings = []
    for count, item in enumerate(table["recording"]):
        for key in ("file", "name", "sha256"):
            if key not in item:
                problem = f"key {key!r} is missing in outing.recording"
                raise toml.fault((*keys, "recording", count), problem, "Put back what fieldcomb wrote there")
        start, end = (typed_time(item[key]) if key in item else None for key in ("from", "to"))
        try:
            window_of(start, end, zone)
        except UsageError as error:
            raise toml.fault((*keys, "recording", count, "from"), error.problem, error.hint) from error
        typed = Typed(**{key: item.get(key) for key in OWN})
        recordings.append(
            RecordingEntry(item["file"], item["name"], item["sha256"], start, end, typed, item.get("searcher"))
        )
    return OutingEntry(
        table["id"],
        table.get("label"),
        table.get("note"),
        _typed(table),
        table.get("left_out", False),
        tuple(recordings),
        tuple(table.get("unrecorded", ())),
    )


# ------------------------------------------------------------------------------------------------- looking up


def window_of(start: str | None, end: str | None, zone: ZoneInfo) -> Window:
    """Give typed times as Unix seconds, half open; without an offset they are in the site's zone."""
    low = None if start is None else parse_time_s(start, zone, "from")
    high = None if end is None else parse_time_s(end, zone, "to")
    if low is not None and high is not None and low >= high:
        raise UsageError(f"the time from {start!r} is not before the time to {end!r}", hint="Swap or correct them")
    return low, high


def overlap(one: Window, other: Window) -> bool:
    """Whether two windows of time share a moment; None leaves an end open."""
    low = max(-math.inf if window[0] is None else window[0] for window in (one, other))
    high = min(math.inf if window[1] is None else window[1] for window in (one, other))
    return low < high


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


def first_typed(values: Sequence[T | None]) -> T | None:
    """Give the first value that is there."""
    return next((value for value in values if value is not None), None)
