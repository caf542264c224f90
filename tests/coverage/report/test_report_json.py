"""The report as JSON and as a table: complete, consistent with itself, and harmless whatever the names are."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from samples import sample_result, with_difference, with_evil_names, without_clock

from fieldcomb.coverage.report.answer import NOWHERE
from fieldcomb.coverage.report.report_json import report_json
from fieldcomb.coverage.report.rounding import parts, share
from fieldcomb.coverage.report.table import table
from fieldcomb.coverage.report.text import columns, wrapped
from fieldcomb.coverage.survey.results import Report
from fieldcomb.tracks.files.json_text import to_json
from fieldcomb.tracks.text import harmless

REPORT = sample_result().report
ESCAPES = "a\x1b[2Jb\x9b31mc\rd\ne\u202ef\u2066g\u2028h\x00i\x7fj\udc80k\ufffel"

# The fields that scripts rely on, with what may stand there.
NUMBER, MAYBE = (int, float), (int, float, type(None))
SITE = {"name": str, "area_m2": NUMBER, "boundary": str, "no_go_m2": NUMBER, "blocked_m2": NUMBER, "cell_m": NUMBER}
RECORDING = {"file": str, "searcher": (str, type(None)), "coil": str, "swath_m": NUMBER, "sweep_s": NUMBER, "gps": str}
RECORDING |= {"fixes": int, "dropped": dict, "interval_s": MAYBE, "verdict": str, "advice": list, "notes": list}
RECORDING |= {"swath_measured": bool, "sweep_measured": bool}
OUTING = {"id": str, "label": (str, type(None)), "start": (str, type(None)), "coils": list, "recordings": list}
OUTING |= {"note": (str, type(None)), "stops": (int, type(None)), "digs": (int, type(None))}
OUTING |= dict.fromkeys(("elapsed_s", "searching_s", "stopped_s", "transit_s", "dropout_s", "speed_m_s"), MAYBE)
OUTING |= dict.fromkeys(("walked_m", "swept_m2", "swept_pct", "new_m2", "twice_pct", "outside_m2"), NUMBER)
OUTING |= dict.fromkeys(("no_go_entered_m2", "not_recorded_m2", "again_same_coil_m2", "again_other_coil_m2"), NUMBER)
OUTING |= {"crosswise_m2": NUMBER, "minutes_per_100_m2": MAYBE, "total_pct": NUMBER, "total_hours": MAYBE}
COIL = {"coil": str, "outings": int, "swept_m2": NUMBER, "swept_pct": NUMBER}
TOTAL = {"swept_m2": NUMBER, "swept_pct": NUMBER, "twice_pct": NUMBER, "not_recorded_m2": NUMBER, "passes_m2": dict}
STRIP = {"id": int, "kind": str, "area_m2": NUMBER, "length_m": NUMBER, "width_m": NUMBER, "widest_m": NUMBER}
STRIP |= {"bearing_deg": MAYBE, "centre": list}


def check(value: dict[str, Any], form: dict[str, Any]) -> None:
    """Check that every field is there and of its kind."""
    for key, kinds in form.items():
        assert isinstance(value[key], kinds), key


def read(report: Report) -> dict[str, Any]:
    """Read report.json as a strict reader does, which refuses NaN."""

    def refuse(word: str) -> None:
        raise AssertionError(word)

    value: dict[str, Any] = json.loads(report_json(report).encode("utf-8"), parse_constant=refuse)
    return value


# -- report.json


def test_every_promised_field_is_there() -> None:
    """Scripts find every field under its name, of its kind, with or without times."""
    for report in (REPORT, without_clock(REPORT), with_evil_names(sample_result()).report):
        value = read(report)
        assert value["schema"] == 1
        assert re.fullmatch(r"\d+\.\d+\.\d+.*", value["fieldcomb"])
        check(value["site"], SITE)
        assert value["site"]["frame_origin"] == [-11.2345678, 57.4567891]
        for outing in value["outings"]:
            check(outing, OUTING)
            for recording in outing["recordings"]:
                check(recording, RECORDING)
        for name, form in (("coils", COIL), ("strips", STRIP)):
            assert len(value[name]) == len(getattr(report, name)) > 0
            for item in value[name]:
                check(item, form)
        check(value["total"], TOTAL)
        assert list(value["total"]["passes_m2"]) == ["0", "1", "2", "3+"]


def test_json_is_stable_sorted_and_readable() -> None:
    """The same report gives the same text: sorted keys, two blanks to indent, letters as they are, a last newline."""
    report = replace(REPORT, site=replace(REPORT.site, name="Søndre måkeø 野"))
    text = report_json(report)
    assert text == report_json(report)
    assert text == json.dumps(json.loads(text), sort_keys=True, indent=2, ensure_ascii=False) + "\n"
    assert "Søndre måkeø 野" in text


def test_times_are_utc() -> None:
    """The start is given in UTC whatever the site's zone; without times it is null."""
    assert read(REPORT)["outings"][0]["start"] == "2026-03-07T09:12:00Z"
    assert read(without_clock(REPORT))["outings"][0]["start"] is None


def test_parts_sum_to_their_whole_after_rounding() -> None:
    """Ground by passes sums to the site, swept and never passed too; new and again sum to what an outing swept."""
    value = read(sample_result(0.15).report)
    passes, total = value["total"]["passes_m2"], value["total"]
    assert sum(passes.values()) == pytest.approx(value["site"]["area_m2"], abs=1e-6)
    assert total["swept_m2"] + passes["0"] == pytest.approx(value["site"]["area_m2"], abs=1e-6)
    assert total["swept_pct"] == pytest.approx(100 * total["swept_m2"] / value["site"]["area_m2"], abs=0.006)
    for outing in value["outings"]:
        split = outing["new_m2"] + outing["again_same_coil_m2"] + outing["again_other_coil_m2"]
        assert split == pytest.approx(outing["swept_m2"], abs=1e-6)


@settings(deadline=None)
@given(st.floats(1, 1e8), st.floats(0, 1), st.sampled_from([1, 2]))
def test_a_share_agrees_with_its_areas(whole: float, part: float, places: int) -> None:
    """100 % is said only when nothing is missing, 0 % only when there is nothing, and else it is the quotient."""
    m2 = round(whole * part, 2)
    whole = round(whole, 2)
    value = share(100 * m2 / whole, m2, whole, places)
    assert value is not None
    assert (value == 100) == (m2 >= whole)
    assert (value == 0) == (m2 == 0)
    assert abs(value - 100 * m2 / whole) <= 10.0**-places


@given(st.dictionaries(st.text(max_size=2), st.floats(0, 1e7), min_size=1, max_size=6))
def test_rounded_parts_sum(pieces: dict[str, float]) -> None:
    """Rounded parts sum to the rounded whole, and none moves by more than a cent for every part."""
    whole = sum(pieces.values())
    out = parts(whole, pieces)
    assert math.fsum(out.values()) == pytest.approx(round(whole, 2), abs=1e-6)
    for key, value in pieces.items():
        assert abs(out[key] - value) <= 0.005 * (len(pieces) + 2) + 1e-6


def test_numbers_that_are_none_become_null() -> None:
    """A number that is not one never reaches the file."""
    times = replace(REPORT.outings[0].times, speed_m_s=math.nan, searching_s=math.inf)
    bad = replace(REPORT.outings[0], times=times)
    value = read(replace(REPORT, outings=(bad,)))["outings"][0]
    assert (value["speed_m_s"], value["minutes_per_100_m2"]) == (None, None)


def test_bearings_stay_below_180() -> None:
    """North to south is 0 degrees, never 180."""
    strips = tuple(replace(REPORT.strips[0], bearing_deg=deg) for deg in (0.0, 179.97, 180.0, 90.04, None))
    value = read(replace(REPORT, strips=strips))
    assert [strip["bearing_deg"] for strip in value["strips"]] == [0, 0, 0, 90.0, None]


def test_names_come_back_as_they_were_and_cannot_harm_a_terminal() -> None:
    """JSON printed to a terminal holds no order to it; reading it back gives the name as it was."""
    report = replace(REPORT, site=replace(REPORT.site, name=ESCAPES))
    text = report_json(report)
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\u2028\u2029]", text)
    assert read(report)["site"]["name"] == ESCAPES.replace("\udc80", "\ufffd").replace("\ufffe", "\ufffd")


def test_the_comparison_is_there_when_asked_for() -> None:
    """Two outings compared: four areas that sum to the site."""
    value = read(with_difference(sample_result()).report)
    four = [value["between"][key] for key in ("both_m2", "first_only_m2", "second_only_m2", "neither_m2")]
    assert sum(four) == pytest.approx(value["site"]["area_m2"], abs=0.03)
    assert read(REPORT)["between"] is None


# -- the table


def lines(report: Report) -> list[str]:
    """Give the table's lines after checking what holds for every table."""
    text = table(report)
    assert text.endswith("\n")
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]", text)
    text.encode("utf-8")
    out = text.splitlines()
    assert max(columns(line) for line in out) <= 100
    return out


def test_the_table_says_everything() -> None:
    """Area, percentages, outings, coils, passes, strips, dropped fixes, verdicts, advice and notes are all there."""
    text = " ".join(" ".join(lines(REPORT)).split())
    said = [
        "Gull Bank east",
        "4 246 m2 inside the boundary given",
        "no-go and",
        "83.9 % of the site, 3 562 m2, in 4 outings",
        '2026-03-07a "west half": 28cm, swing width 1.48 m (not measured)',
        "small, swing width 1.35 m",
        "7 Mar 2026, 09:12 49.1 2 086 0 0 0 7.3 2 h 33 min 17",
        "note: rain from noon",
        "three times or more 385 m2 9.1 %",
        "Not walked over, 684 m2",
        "walk-2.gpx (A. Tern): usable; 8 216 fixes, one every 1 s, left out: 3 no position, 12 spike; gps typical",
        "Turn auto-pause off",
        "Times have no zone",
        "12.4 m2 of no-go ground entered",
        REPORT.notes[0],
        "not measured for 3 of 4 recordings",
    ]
    for words in said:
        assert words in text, words


def test_the_times_are_the_sites_own() -> None:
    """Times in the table are those of the site's zone."""
    report = replace(REPORT, site=replace(REPORT.site, zone="Asia/Tokyo"))
    assert any(line.startswith("  7 Mar 2026, 18:12") for line in lines(report))


def test_without_times_there_are_dashes_and_a_word_why() -> None:
    """What needs a clock is a dash, and the dash is explained."""
    out = lines(without_clock(REPORT))
    assert any(re.search(r"no time in the file\s.*-\s+-\s+-$", line) for line in out)
    assert "  A dash (-) means that the recording has no times" in out


def test_columns_stand_under_their_heads() -> None:
    """Numbers of all outings end in the same columns as the words above them."""
    out = lines(REPORT)
    at = next(k for k, line in enumerate(out) if line.startswith("Outings"))
    rows = [line for line in out[at:] if re.match(r"  \d+ \w\w\w \d{4}", line)]
    assert len(rows) == 4
    assert {len(line) for line in (out[at + 1], *rows)} == {len(out[at + 1])}


def test_hostile_names_are_shown_harmless_and_whole() -> None:
    """Escape sequences, line breaks and turned writing from files do nothing; the letters are still there."""
    lines(with_evil_names(sample_result()).report)
    outing = REPORT.outings[0]
    recordings = (replace(outing.recordings[0], file=ESCAPES, searcher=ESCAPES, coil=ESCAPES, dropped={ESCAPES: 3}),)
    head = replace(outing.head, id=ESCAPES, label=ESCAPES, note=ESCAPES)
    outing = replace(outing, head=head, recordings=recordings)
    report = replace(REPORT, site=replace(REPORT.site, name=ESCAPES), outings=(outing,), notes=(ESCAPES,))
    text = "\n".join(lines(report))
    assert text.count("[2Jb 31mc d e f g h i j\ufffdk\ufffdl") >= 4


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=400), st.text(alphabet="野🧭e\u0301 x", max_size=300))
def test_any_name_fits_the_width(name: str, note: str) -> None:
    """However long and wide a name is, no line is wider than 100 columns and no letter of it is lost."""
    outing = replace(REPORT.outings[0], head=replace(REPORT.outings[0].head, label=name, note=note))
    report = replace(REPORT, site=replace(REPORT.site, name=name), outings=(outing,), notes=(note,))
    text = "".join("".join(lines(report)).split())
    assert "".join(harmless(name).split()) in text
    assert "".join(harmless(note).split()) in text


@pytest.mark.parametrize("size", [0.0, 1.0, 1e4, 9.9e7])
def test_all_sizes_fit_the_width(size: float) -> None:
    """From nothing to the largest site no number breaks the table."""
    keys = ("swept_m2", "new_m2", "again_same_coil_m2", "again_other_coil_m2", "crosswise_m2", "site_m2")
    areas = dict.fromkeys(keys, size or 1e-9)
    outings = tuple(
        replace(
            outing,
            ground=replace(outing.ground, **areas),
            times=replace(outing.times, searching_s=size / 100, digs=int(size / 1e4)),
        )
        for outing in REPORT.outings
    )
    strips = tuple(replace(s, area_m2=size, length_m=size / 1e3, bearing_deg=67.0, id=99999) for s in REPORT.strips)
    lines(replace(REPORT, outings=outings, strips=strips, site=replace(REPORT.site, area_m2=size)))


def test_almost_all_is_not_all() -> None:
    """With a tenth of a square metre still missed the table says 99.9 %, not 100.0 %."""
    area = REPORT.site.area_m2
    passes = {"0": 0.1, "1": area - 0.1, "2": 0.0, "3+": 0.0}
    total = replace(REPORT.total, swept_m2=area - 0.1, swept_pct=100 * (1 - 0.1 / area), passes_m2=passes)
    text = "\n".join(lines(replace(REPORT, total=total)))
    assert "Walked over    99.9 % of the site" in text
    assert "100.0 %" not in text
    assert re.search(r"never +0\.1 m2 +0\.1 %", text)


def test_nothing_missed_and_boundary_from_walks() -> None:
    """No strips is said in words; without a boundary the table says what the percentage is of."""
    report = replace(REPORT, strips=(), places=(), site=replace(REPORT.site, boundary="from walks"))
    text = "\n".join(lines(report))
    assert NOWHERE in text
    assert "of the ground between your walks" in text


# -- texts


def test_wrapping_breaks_between_words_and_counts_wide_letters() -> None:
    """Words stay whole where they fit; wide letters count for two columns, marks above letters for none."""
    assert wrapped("one two three", 9, "> ", "  ") == ["> one two", "  three"]
    assert wrapped("abcdefghij", 4) == ["abcd", "efgh", "ij"]
    assert wrapped("野野野", 5) == ["野野", "野"]
    assert columns("e\u0301野") == 3
    assert wrapped("", 9, "> ") == ["> "]


def test_json_refuses_what_json_has_not() -> None:
    """NaN is a fault of the program, not something to write."""
    with pytest.raises(ValueError, match="JSON"):
        to_json({"x": math.nan})
