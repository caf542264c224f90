"""What can be typed, and that it is the same wherever it is typed."""

from __future__ import annotations

import dataclasses

import pytest

from fieldcomb.coverage.commands.edit import edit_command
from fieldcomb.coverage.commands.options import check_typed
from fieldcomb.coverage.site.options_fields import FIELD, FIELDS, TypedAt, fields_of, keys_of
from fieldcomb.coverage.site.roster import read_roster
from fieldcomb.coverage.site.settings import Typed
from fieldcomb.coverage.site.settings_file import read_settings
from fieldcomb.tracks.errors import SiteError, UsageError

SITE = 'name = "Field"\nzone = "UTC"\ncell = "10cm"\n'
WRONG = {  # of each value with a form of its own, something that it cannot be
    "coil": "=9",
    "swath": "14",
    "sweeps": "0",
    "sweep": "11",
    "gps": "superb",
    "carried": "nose",
    "from": "noon",
    "to": "noon",
    "top_pace": "fast",
    "laps": "x",
    "dug": "9-1",
    "spacing": "1.4m 15",
    "lift": "2m",
    "depth": "5m",
    "zone": "Moon/Sea",
    "cell": "3m",
}
ABOUT_THE_OUTING = {"label", "note", "seen", "filled"}  # kept of the outing as a whole, in words
FREE = {"ground", "searcher", "name"} | ABOUT_THE_OUTING


def test_every_value_of_a_walk_has_a_row_and_every_row_has_words() -> None:
    """Nothing can be kept of how a walk was searched that is not in the table, and every field says what it means."""
    asked = {field.kept_key for field in fields_of(TypedAt.OUTING)} - ABOUT_THE_OUTING
    assert {item.name for item in dataclasses.fields(Typed)} == asked
    for field in FIELDS:
        assert field.help.endswith(".") and field.help[0].isupper(), field.key
    assert set(WRONG) | FREE == set(FIELD)


@pytest.mark.parametrize("key", WRONG)
def test_what_cannot_be_is_refused_wherever_it_is_typed(key: str) -> None:
    """A slip is refused with the option's name, with the line of a roster, and with the line of site.toml."""
    field, wrong = FIELD[key], WRONG[key]
    with pytest.raises(UsageError, match=f"^{field.option}: ") as by_option:
        check_typed({key: wrong})
    assert by_option.value.hint
    if TypedAt.ROSTER in field.places:
        with pytest.raises(SiteError, match=rf"^team.csv: {key}: .*\(line 2\)"):
            read_roster(f"file,{key}\na.gpx,{wrong}\n".encode(), "team.csv")
    if key in keys_of(TypedAt.DEFAULT):
        value = wrong if field.is_number else f'"{wrong}"'
        with pytest.raises(SiteError, match=r"^site.toml: .*\(line [45]\)"):
            read_settings(f"{SITE}[defaults]\n{key} = {value}\n".encode(), "site.toml")


def test_the_same_value_means_the_same_wherever_it_is_typed() -> None:
    """27 sweeps in half a minute and 1.1111 s are one thing, and an example on the page is one that is taken."""
    assert check_typed({"sweeps": "27"}) == check_typed({"sweep": "1,1111"}) == {"sweep": 1.1111}
    for field in FIELDS:
        for text in (field.example, *field.choices):
            if text:
                assert field.kept(text) in (text, pytest.approx(30 / 27, abs=1e-4))


def test_a_text_is_kept_without_what_could_do_harm() -> None:
    """Orders to a terminal become a space, an empty text takes back, and what is far too long is refused."""
    kept = check_typed({"label": "west\x1b[2J", "note": " "}, empty_takes_back=True)
    assert kept == {"label": "west [2J", "note": ""}
    assert check_typed({"coil": ""}, empty_takes_back=True) == {"coil": None}
    with pytest.raises(UsageError, match="--note: 2001 characters are more than the 2000") as refused:
        check_typed({"note": "x" * 2001})
    assert refused.value.hint
    with pytest.raises(UsageError, match="--sweeps and --sweep were both given"):
        check_typed({"sweeps": "27", "sweep": "1"})


def test_edit_offers_what_an_outing_and_its_recordings_can_have() -> None:
    """Each value that can be typed for an outing or a recording is an option of edit."""
    options = {option for parameter in edit_command.params for option in parameter.opts}
    assert {field.option for field in fields_of(TypedAt.OUTING | TypedAt.RECORDING)} <= options
