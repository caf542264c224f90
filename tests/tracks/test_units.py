"""Lengths, speeds and times as people type them, and as they are shown to people."""

from __future__ import annotations

import doctest
import math
from datetime import UTC, date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldcomb.tracks import units
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.units import (
    format_area,
    format_count,
    format_duration,
    format_length,
    format_percent,
    iso_utc,
    parse_date,
    parse_length_m,
    parse_speed_m_s,
    parse_time_s,
    parse_zone,
)


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("28cm", 0.28), ("28 cm", 0.28), (" 1.5 m ", 1.5), ("1,5m", 1.5), (".5m", 0.5), (",5 m", 0.5), ("280mm", 0.28),
        ("11in", 0.2794), ("1 ft", 0.3048), ("12in", 0.3048), ("100 in", 2.54), ("28CM", 0.28), ("0001m", 1.0),
        ('11"', 0.2794), ("11″", 0.2794), ("11''", 0.2794), ("11 inch", 0.2794), ("10 inches", 0.254),
        ("4 feet", 1.2192), ("1.4 metres", 1.4), ("1,4 Meter", 1.4),
    ],
)  # fmt: skip
def test_lengths_are_read_in_every_unit(text: str, metres: float) -> None:
    """Metres, centimetres, millimetres, feet and inches are read exactly; an inch is 25.4 mm by definition (1959)."""
    assert parse_length_m(text.replace(" ", "")) == metres


@given(st.integers(1, 5000))
def test_whole_centimetres_stay_whole(count: int) -> None:
    """35cm is 0.35 m to the last digit, so that reports do not print 0.35000000000000003."""
    assert parse_length_m(f"{count}cm") == count / 100


@pytest.mark.parametrize("text", ["28", "1.5", "28 "])
def test_a_bare_number_is_refused_with_the_units_listed(text: str) -> None:
    """A length without a unit could be centimetres or inches: it is refused, and the message lists the units."""
    with pytest.raises(UsageError, match="has no unit") as caught:
        parse_length_m(text, "coil")
    said = str(caught.value)
    assert "coil" in said
    assert all(unit in said for unit in ("m, cm, mm, ft, in", "28cm"))


@pytest.mark.parametrize(
    "text", ["", "cm", "28 furlong", "-3cm", "1e3m", "1.2.3m", "28cm x", "nan m", "inf m", "1 000m", "28 c m", "²m"]
)
def test_a_length_that_is_none_is_refused(text: str) -> None:
    """What is not a length is refused with what was typed, and never read as something else."""
    with pytest.raises(UsageError, match="not understood") as caught:
        parse_length_m(text)
    assert repr(text) in str(caught.value)


@pytest.mark.parametrize("text", ["0m", "0.0cm", "9" * 400 + "m"])
def test_no_length_and_endless_length_are_refused(text: str) -> None:
    """A length must be more than zero and finite."""
    with pytest.raises(UsageError, match="more than zero"):
        parse_length_m(text)


@given(st.text(max_size=12))
def test_any_text_is_a_length_or_refused(text: str) -> None:
    """Whatever is typed, the answer is a length in metres or a message for the user."""
    for parse in (parse_length_m, parse_speed_m_s):
        try:
            value = parse(text)
        except UsageError:
            continue
        assert 0 < value < math.inf


@pytest.mark.parametrize(
    ("text", "metres_a_second"),
    [("0.9m/s", 0.9), ("3.6 km/h", 1.0), ("3,6km/h", 1.0), ("1mph", 0.44704), ("10 ft/s", 3.048), ("0.9 M/S", 0.9)],
)
def test_speeds_are_read_in_every_unit(text: str, metres_a_second: float) -> None:
    """A speed is read in m/s, km/h, mph (0.44704 m/s exactly) or ft/s."""
    assert parse_speed_m_s(text) == pytest.approx(metres_a_second, rel=1e-11)


@pytest.mark.parametrize("text", ["0.9", "3m", "3 km"])
def test_a_speed_needs_a_unit_of_speed(text: str) -> None:
    """A speed without a unit, or with a length's, is refused with the units of speed listed."""
    with pytest.raises(UsageError, match="m/s, km/h, mph, ft/s"):
        parse_speed_m_s(text)


def test_zones_go_by_their_names() -> None:
    """A zone is found by its IANA name."""
    noon = datetime(2026, 7, 1, 12, tzinfo=UTC)
    assert noon.astimezone(parse_zone("Europe/Oslo")).hour == 14
    assert noon.astimezone(parse_zone("UTC")).hour == 12


@pytest.mark.parametrize(
    "name", ["", ".", "Europe", "Oslo/Europe", "../../etc/passwd", "/etc/hosts", "a\0b", "\ud800", "x" * 5000, "+02:00"]
)
def test_an_unknown_zone_is_a_message(name: str) -> None:
    """A name that is no zone, a folder of zones or a path is refused with examples of names."""
    with pytest.raises(UsageError, match=r"is not known\. Use a name such as Europe/Oslo"):
        parse_zone(name)


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2026-03-07T09:30", "2026-03-07T08:30:00Z"),  # winter: UTC+1
        ("2026-07-07T09:30", "2026-07-07T07:30:00Z"),  # summer: UTC+2
        ("2026-03-07 09:30:15", "2026-03-07T08:30:15Z"),
        ("2026-03-07T09:30Z", "2026-03-07T09:30:00Z"),
        ("2026-03-07T09:30+05:30", "2026-03-07T04:00:00Z"),
        ("2026-03-07T09:30-08:00", "2026-03-07T17:30:00Z"),
        ("2026-03-07", "2026-03-06T23:00:00Z"),
        ("2026-03-07T9:30", "2026-03-07T08:30:00Z"),  # as a spreadsheet writes the hour
        ("2026-07-07 9:30:15", "2026-07-07T07:30:15Z"),
        (" 2026-03-07 9:30+05:30", "2026-03-07T04:00:00Z"),
    ],
)
def test_times_take_their_own_offset_or_the_sites_zone(text: str, utc: str) -> None:
    """A time with an offset means that; without one it is the site's, summer time included."""
    assert iso_utc(parse_time_s(text, parse_zone("Europe/Oslo"))) == utc


def test_unix_time_counts_from_1970() -> None:
    """Times inside are seconds since 1970-01-01T00:00Z; 1234567890 was 2009-02-13T23:31:30Z (widely noted then)."""
    assert parse_time_s("2009-02-13T23:31:30Z", UTC) == 1_234_567_890
    assert parse_time_s("1970-01-01T00:00:01.5Z", UTC) == 1.5


@pytest.mark.parametrize(
    "text", ["", "09:30", "7 March", "2026-13-01T00:00", "2026-02-30T10:00", "2026-03-07T25:00", "2026-03-07T9"]
)
def test_a_time_that_is_none_is_a_message(text: str) -> None:
    """A time that cannot be read is refused, with how to write one."""
    with pytest.raises(UsageError, match="2026-03-07T09:30"):
        parse_time_s(text, UTC, "--from")


def test_a_time_of_day_alone_is_told_to_lack_its_date() -> None:
    """Who types 9:30 reads that the date is missing, not that it is no time."""
    for text in ("9:30", "09:30", " 9:30:15 "):
        with pytest.raises(UsageError, match=f"--from {text!r} has no date"):
            parse_time_s(text, UTC, "--from")


def test_dates() -> None:
    """A date is read, and what is none is refused with how to write one."""
    assert parse_date(" 2026-03-07 ") == date(2026, 3, 7)
    with pytest.raises(UsageError, match="'7/3/2026' is not a date"):
        parse_date("7/3/2026")


@given(st.integers(-62_135_596_800, 253_402_300_799))
def test_what_is_written_is_read_back(time_s: int) -> None:
    """A time printed in UTC reads back as the same second, from the year 1 to 9999."""
    text = iso_utc(float(time_s))
    assert len(text) == 20
    assert parse_time_s(text, UTC) == time_s


def test_examples_in_the_docstrings_hold() -> None:
    """The examples beside the formatting functions are what they print."""
    done = doctest.testmod(units)
    assert done.attempted >= 3
    assert done.failed == 0


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        (format_length(0.05), "5 cm"), (format_length(0.999), "99.9 cm"), (format_length(1.0), "1 m"),
        (format_length(12.34), "12.3 m"),
        (format_length(999.4), "999 m"), (format_length(999.7), "1 000 m"), (format_length(12_345.6), "12 km"),
        (format_area(0.0), "0 m2"),
        (format_area(0.01), "<0.1 m2"), (format_area(99.94), "99.9 m2"), (format_area(9_999.0), "9 999 m2"),
        (format_area(9_999.6), "1.00 ha"), (format_area(12_345), "1.23 ha"), (format_area(99_960), "10.0 ha"),
        (format_area(None), "-"), (format_percent(None), "-"), (format_duration(None), "-"),
        (format_duration(0), "0 s"), (format_duration(59.4), "59 s"), (format_duration(59.7), "1 min"),
        (format_duration(90), "2 min"), (format_duration(86_369), "23 h 59 min"), (format_duration(86_400), "24 h"),
        (format_duration(3_599), "1 h 00 min"), (format_duration(3_660), "1 h 01 min"),
    ],
)  # fmt: skip
def test_numbers_for_people(said: str, expected: str) -> None:
    """Lengths, areas and times are said in the unit that suits them, also where rounding meets the next unit."""
    assert said == expected


@given(st.floats(0.01, 9_999))
def test_a_length_for_people_is_the_length(length_m: float) -> None:
    """A length said to people is within half a percent of it, and never in powers of ten."""
    text = format_length(length_m)
    assert "e" not in text
    assert parse_length_m(text.replace(" ", "")) == pytest.approx(length_m, rel=0.0051)


@pytest.mark.parametrize(
    ("noun", "several"),
    [("fix", "fixes"), ("press", "presses"), ("touch", "touches"), ("lap", "laps"), ("silence", "silences")],
)
def test_counts_have_the_plural_that_english_has(noun: str, several: str) -> None:
    """One is the noun alone, none and more its plural, with thousands apart."""
    assert [format_count(n, noun) for n in (0, 1, 1234)] == [f"0 {several}", f"1 {noun}", f"1 234 {several}"]
