"""The settings in force of a recording: each value is the one that a report uses, with where it comes from."""

from __future__ import annotations

import pytest

from fieldcomb.coverage.site.in_force import GUESS, NOT_STATED, USUAL, settings_in_force
from fieldcomb.coverage.site.options_fields import FIELD
from fieldcomb.coverage.site.settings import TYPED_KEYS, OutingEntry, RecordingEntry, Typed, swing_of
from fieldcomb.coverage.site.settings_file import read_settings
from fieldcomb.tracks.units import format_length

SITE = b"""
name = "field"
zone = "UTC"
cell = "10cm"
[coils.small]
size = "13x20cm"
swath = "0.9m"
[defaults]
gps = "good"
lift = "8cm"
"""


def entries(recording: Typed, outing: Typed) -> tuple[OutingEntry, RecordingEntry]:
    """Make an outing of one recording."""
    entry = RecordingEntry("a.gpx", "a.gpx", "0", None, None, recording, None)
    return OutingEntry("a", None, None, outing, False, (entry,)), entry


def told(recording: Typed, outing: Typed) -> dict[str, tuple[str, str]]:
    """Return value and source of every setting by its key."""
    settings = read_settings(SITE, "site.toml")
    return {one.key: (one.value, one.source) for one in settings_in_force(settings, *entries(recording, outing))}


def test_every_setting_is_told_with_its_source() -> None:
    """Each setting says its value and whether it was typed, stands in site.toml, or is as usual."""
    found = told(Typed(carried="hat"), Typed(coil="small", top_pace="0.9m/s"))
    assert tuple(found) == TYPED_KEYS
    assert found["coil"] == ("small", "typed for the outing")
    assert found["swath"] == ("90 cm", "coil small in site.toml")
    assert found["carried"] == ("hat", "typed for this recording")
    assert found["gps"] == ("good", "the defaults in site.toml")
    assert found["lift"] == ("8cm", "the defaults in site.toml")
    assert found["top_pace"] == ("0.9m/s", "typed for the outing")
    assert found["sweep"][1] == GUESS and found["laps"] == (NOT_STATED, "")


@pytest.mark.parametrize("recording", [Typed(), Typed(swath="1.1m", coil="28cm"), Typed(coil="small")])
@pytest.mark.parametrize("outing", [Typed(), Typed(swath="1.3m"), Typed(coil="small", sweep=0.8)])
def test_the_swing_that_is_told_is_the_swing_that_is_used(recording: Typed, outing: Typed) -> None:
    """Whatever was typed where, swing width and sweep are those of the report, and a guess is called one."""
    swing = swing_of(read_settings(SITE, "site.toml"), recording, outing)
    found = told(recording, outing)
    assert found["swath"][0] == format_length(swing.swath_m)
    assert (found["swath"][1] == GUESS) is not swing.swath_measured
    assert (found["sweep"][1] == GUESS) is not swing.sweep_measured
    assert (found["coil"][1] == USUAL) is (recording.coil is None and outing.coil is None)


@pytest.mark.parametrize(
    ("key", "number", "unit", "kept"),
    [
        ("swath", "1,4", "m", "1,4m"),
        ("swath", "140", "cm", "140cm"),
        ("swath", " 4 ", "ft", "4ft"),
        ("swath", "1.4m", "cm", "1.4m"),
        ("swath", "1.4", "furlong", "1.4"),
        ("top_pace", "3", "km/h", "3km/h"),
        ("gps", "typical", "m", "typical"),
        ("coil", "28", "cm", "28cm"),
        ("coil", "13x20", "cm", "13x20cm"),
        ("coil", "small=13 x 20", "cm", "small=13 x 20cm"),
        ("coil", "small", "cm", "small"),
        ("coil", "11in", "cm", "11in"),
        ("coil", "13x20cm:concentric", "in", "13x20cm:concentric"),
    ],
)
def test_a_unit_is_picked_for_a_bare_number_alone(key: str, number: str, unit: str, kept: str) -> None:
    """The unit that is picked goes to a bare number; a text with its own unit, or of a field without one, stays."""
    assert FIELD[key].with_unit(number, unit) == kept


@pytest.mark.parametrize("text", ["1.4m", "140cm", "4ft", "1,4 m"])
def test_what_was_typed_is_shown_as_number_and_unit(text: str) -> None:
    """A kept length comes apart into number and unit, and together again the same."""
    number, unit = FIELD["swath"].parted(text)
    assert unit in FIELD["swath"].units and FIELD["swath"].with_unit(number, unit) == text.replace(" ", "")
    assert FIELD["swath"].parted("2 paces") == ("2 paces", "")
