"""The texts of site.toml and outings.toml: which keys they may have, and how they become settings."""

from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from fieldcomb.coverage.gear.coils import coil_of_size
from fieldcomb.coverage.gear.swing import MOST_DEPTH_M, make_swing
from fieldcomb.coverage.gear.target_ids import CLASSES, DigRule, parse_numbers
from fieldcomb.coverage.site import setting_values as values
from fieldcomb.coverage.site.options_fields import FIELD, TypedAt, keys_of, read_cell_m
from fieldcomb.coverage.site.settings import (
    OWN_KEYS,
    SITE_FILE,
    TYPED_KEYS,
    KnownCoil,
    OutingEntry,
    RecordingEntry,
    Settings,
    Typed,
    swing_of,
    window_of,
)
from fieldcomb.coverage.site.toml_text import Form, Named, Several, TomlFile, read_toml, unused
from fieldcomb.coverage.todo.assumptions import TodoSettings
from fieldcomb.tracks.errors import SiteError, UsageError
from fieldcomb.tracks.frame import MOST_LAT_DEG, SiteFrame
from fieldcomb.tracks.marks.vocabulary import ENGLISH, MARK_KINDS, fold
from fieldcomb.tracks.units import parse_length_m, parse_zone

NEVER_EMPTY = ("coil", "name")

# Keys of [todo], the field of TodoSettings that each fills, and how its value is read.
_TODO: dict[str, tuple[str, Any]] = {
    "usual_junk": ("junk_per_m2", values.between(0, 1000)),
    "recheck": ("recheck", values.yes_or_no),
    "crosswise": ("crosswise", values.between(0, 1)),
    "target": ("target", values.target),
    "depth": ("depth_m", values.between(0.01, MOST_DEPTH_M, " m", values.length_m)),
    "lift": ("lift_m", values.between(0, 0.5, " m", values.length_m)),
    "by_finds": ("by_finds", values.yes_or_no),
    "stand_off": ("stand_off_m", values.between(5, 100, " m", values.length_m)),
}
# Keys of [todo] that earlier versions read; a file that still has them is as good as ever.
_TODO_UNUSED = (
    *("kernel", "cell", "least_m2", "more_left", "junk_gain", "g", "not_recorded", "pace", "good_pass"),
    *("square_kernels", "enough_digs", "goes_on", "heard", "mark_seconds", "mark_near"),
)


def _typed_form(place: TypedAt) -> Form:
    """Return the keys that a table may have for what can be typed there."""
    keys = keys_of(place)
    return {key: values.some_text if key in NEVER_EMPTY else values.field_value(FIELD[key]) for key in keys}


_COIL_FORM: Form = {
    "size": values.some_text,
    "winding": values.text,
    "reach": values.length_m,
    **_typed_form(TypedAt.COIL),
    **dict.fromkeys(CLASSES, values.target_numbers),
}
_SITE_FORM: Form = {
    **_typed_form(TypedAt.SITE),
    "areas": values.yes_or_no,
    "last_find_no": values.between(0, 999_999_999),
    "frame": {
        "lon": values.between(-180, 180, " degrees"),
        "lat": values.between(-MOST_LAT_DEG, MOST_LAT_DEG, " degrees"),
    },
    "coils": Named(_COIL_FORM),
    "defaults": _typed_form(TypedAt.DEFAULT),
    "marks": dict.fromkeys(MARK_KINDS, values.mark_words),
    "reopened": Named({"on": values.calendar_date}),
    "todo": {key: check for key, (_, check) in _TODO.items()} | dict.fromkeys(_TODO_UNUSED, unused),
}
_RECORDING_FORM: Form = {
    "file": values.stored_name,
    "name": values.text,
    "sha256": values.sha256,
    **_typed_form(TypedAt.RECORDING),
}
_OUTINGS_FORM: Form = {
    "outing": Several(
        {
            "id": values.some_text,
            **_typed_form(TypedAt.OUTING),
            "left_out": values.yes_or_no,
            "unrecorded": values.list_of_names,
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
    todo = data.get("todo", {})
    settings = Settings(
        toml,
        data["name"],
        parse_zone(data["zone"]),
        read_cell_m(data["cell"]),
        _frame(toml),
        {name: _known_coil(toml, name) for name in data.get("coils", {})},
        _typed(data.get("defaults", {})),
        _words(toml),
        data.get("areas", False),
        TodoSettings(**{field: read(todo[key]) for key, (field, read) in _TODO.items() if key in todo}),
        _unused_notes(toml),
        {name: date.fromisoformat(table["on"]) for name, table in data.get("reopened", {}).items() if "on" in table},
        int(data.get("last_find_no", 0)),
    )
    try:
        swing_of(settings)
    except UsageError as error:
        raise toml.fault(("defaults",), error.problem, error.hint) from error
    return settings


def _unused_notes(toml: TomlFile) -> tuple[str, ...]:
    """Name the keys that no longer do anything, in one note; the file itself is the user's and stays as it is."""
    keys = [key for key in toml.data.get("todo", {}) if key in _TODO_UNUSED]
    if not keys:
        return ()
    does, them = ("does", "it") if len(keys) == 1 else ("do", "them")
    return (f"{SITE_FILE}: under [todo], {', '.join(keys)} no longer {does} anything; you may delete {them}",)


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
        for word in values.mark_words(value):
            other = words.setdefault(fold(word), kind)
            if other != kind:
                problem = f"the word {word!r} is used twice, for {other} and for {kind}"
                raise toml.fault(("marks", kind), problem, "Use each word for one kind of mark only")
    return words


def _typed(table: dict[str, Any]) -> Typed:
    return Typed(**{key: table.get(key) for key in TYPED_KEYS})


def read_outings(raw: bytes, file: str, zone: ZoneInfo) -> tuple[TomlFile, tuple[OutingEntry, ...]]:
    """Read an outings.toml; SiteError names the file, the line and the key at fault."""
    toml = read_toml(raw, file, _OUTINGS_FORM)
    outings = tuple(_outing(toml, number, zone) for number in range(len(toml.data.get("outing", []))))
    seen: set[str] = set()
    for number, outing in enumerate(outings):
        if outing.id in seen:
            raise toml.fault(("outing", number, "id"), f"outing {outing.id!r} appears twice", "Make every id unique")
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
        start, end = (values.typed_time(item[key]) if key in item else None for key in ("from", "to"))
        try:
            window_of(start, end, zone)
        except UsageError as error:
            raise toml.fault((*keys, "recording", count, "from"), error.problem, error.hint) from error
        typed = Typed(**{key: item.get(key) for key in OWN_KEYS})
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
        table.get("seen"),
        table.get("filled"),
    )
