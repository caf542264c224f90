"""The settings of one recording as they are in force, each with where its value comes from."""

from collections.abc import Iterator

from fieldcomb.coverage.gear.coils import DEFAULT_COIL
from fieldcomb.coverage.gear.swing import Swing
from fieldcomb.coverage.site.options_fields import FIELD
from fieldcomb.coverage.site.settings import (
    SITE_FILE,
    TYPED_KEYS,
    OutingEntry,
    RecordingEntry,
    Settings,
    swing_of,
)
from fieldcomb.tracks.units import format_length, format_number
from fieldcomb.tracks.values import dataclass

NOT_STATED = "not stated"
USUAL, GUESS = "as usual", "as usual: not measured"


@dataclass(frozen=True, slots=True)
class SettingInForce:
    """One setting: its name on the page, its value in words, and where that comes from."""

    key: str
    label: str
    value: str
    source: str


def settings_in_force(settings: Settings, outing: OutingEntry, entry: RecordingEntry) -> tuple[SettingInForce, ...]:
    """Look up every setting of a recording as a report does: typed for it, for its outing, site.toml, else as usual."""
    swing = swing_of(settings, entry.typed, outing.typed)
    return tuple(_in_force(settings, outing, entry, swing))


def _in_force(settings: Settings, outing: OutingEntry, entry: RecordingEntry, swing: Swing) -> Iterator[SettingInForce]:
    coil = settings.coils.get(swing.coil.name)
    of_coil = {} if coil is None else {"swath": coil.swath_m, "sweep": coil.sweep_s, "dug": coil.rule.dug}
    usual = {
        "coil": (DEFAULT_COIL, USUAL),
        "swath": (format_length(swing.swath_m), GUESS),
        "sweep": (f"{format_number(swing.sweep_s, 2)} s", GUESS),
        "gps": (swing.gps, USUAL),
        "carried": (swing.carried, USUAL),
        "lift": (format_length(swing.lift_m), GUESS),
        "top_pace": ("found from the walk itself", USUAL),
    }
    for key in TYPED_KEYS:
        label = FIELD[key].label or "One sweep"
        typed = (
            (entry.typed, "typed for this recording"),
            (outing.typed, "typed for the outing"),
            (settings.defaults, f"the defaults in {SITE_FILE}"),
        )
        found = [(getattr(level, key), source) for level, source in typed]
        if of_coil.get(key) is not None:
            found.insert(2, (of_coil[key], f"coil {swing.coil.name} in {SITE_FILE}"))
        value, source = next(((value, source) for value, source in found if value is not None), (None, ""))
        if value is None:
            yield SettingInForce(key, label, *usual.get(key, (NOT_STATED, "")))
        else:
            yield SettingInForce(key, label, _words(key, value, swing), source)


def _words(key: str, value: object, swing: Swing) -> str:
    if key == "sweep":
        return f"{format_number(swing.sweep_s, 2)} s"
    if key == "swath":
        return format_length(swing.swath_m)
    return value if isinstance(value, str) else "as stated there"
