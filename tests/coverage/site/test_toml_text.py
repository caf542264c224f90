"""Site files that a stranger may have written: whatever stands in them is refused with its line, or shown harmless."""

from __future__ import annotations

import pytest

from fieldcomb.coverage.site.settings_file import read_outings, read_settings
from fieldcomb.coverage.site.toml_text import MOST_TOML_BYTES
from fieldcomb.tracks.errors import SiteError

HEAD = 'name = "Field"\nzone = "UTC"\ncell = "10cm"\n'


@pytest.mark.parametrize("digits", [30, 400, 4299, 4301, 100_000])
@pytest.mark.parametrize("place", ["[defaults]\nsweep = {}", "[todo]\nusual_junk = {}", "[frame]\nlon = {}\nlat = 0"])
def test_a_number_of_many_digits_is_refused_with_its_line(digits: int, place: str) -> None:
    """However long a number is, it is refused in one short message with the line that it stands in."""
    text = HEAD + place.format("9" * digits) + "\n"
    with pytest.raises(SiteError, match=r"^site.toml: .*\(line 5\)") as refused:
        read_settings(text.encode(), "site.toml")
    assert len(str(refused.value)) < 400


@pytest.mark.parametrize("value", ["1e999", "nan", "-inf", "true", "[1]", "{}", "2026-03-07", "12:00:00", "''"])
def test_what_is_no_number_is_refused_in_place_of_one(value: str) -> None:
    """Infinity, a list, a date and the like are no time of a sweep."""
    with pytest.raises(SiteError, match=r"^site.toml: .*sweep.*\(line 5\)"):
        read_settings(f"{HEAD}[defaults]\nsweep = {value}\n".encode(), "site.toml")


def test_texts_of_site_files_cannot_give_orders_to_a_terminal() -> None:
    """Control characters and signs that turn the direction of writing are gone from every text; the rest stays."""
    evil = r"a\u001b[2Jb\u202Ec"
    settings = read_settings(f'{HEAD.replace("Field", evil)}[defaults]\nground = "{evil}"\n'.encode(), "site.toml")
    assert (settings.name, settings.defaults.ground) == ("a [2Jb c", "a [2Jb c")
    outing = f'[[outing]]\nid = "2026-03-07a"\nlabel = "{evil}"\nnote = """{evil}\nd"""\nunrecorded = ["{evil}"]\n'
    recording = f'[[outing.recording]]\nfile = "a.gpx"\nname = "{evil}"\nsha256 = "{"0" * 64}"\nsearcher = "{evil}"\n'
    _, (found,) = read_outings((outing + recording).encode(), "outings.toml", settings.zone)
    texts = (found.label, *found.unrecorded, found.recordings[0].name, found.recordings[0].searcher)
    assert texts == ("a [2Jb c",) * 4 and found.note == "a [2Jb c d"


def test_a_name_that_cannot_be_shown_is_refused_with_its_line() -> None:
    """A coil whose name holds control characters could be named by nobody, so it is refused, not renamed."""
    with pytest.raises(SiteError, match=r"^site.toml: .*cannot be shown.*\(line \d\)") as refused:
        read_settings((HEAD + '[coils."a\\u001b[2J"]\nsize = "28cm"\n').encode(), "site.toml")
    assert "\x1b" not in str(refused.value)


def test_a_site_file_of_any_size_ends_in_a_message() -> None:
    """A file far larger than years of outings is refused with both sizes, before it is taken apart."""
    with pytest.raises(SiteError, match=r"site.toml: is 16.0 MB.* more than the 16 MB") as refused:
        read_settings(b"#" * (MOST_TOML_BYTES + 1), "site.toml")
    assert refused.value.hint
