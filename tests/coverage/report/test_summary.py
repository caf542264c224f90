"""What the terminal prints: one screen, the answer on top, where to go next at the end."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from samples import sample_result, with_evil_names
from shapely.geometry import box

from fieldcomb.coverage.estimate.swept_share import NO_TIMES
from fieldcomb.coverage.finds.find import Find
from fieldcomb.coverage.ground.under_coil import Under
from fieldcomb.coverage.lanes.declared import LanesResult
from fieldcomb.coverage.places.places import SearchPlace, Worth, letter_of
from fieldcomb.coverage.report.answer import NOWHERE, answer
from fieldcomb.coverage.report.outing_lines import format_outing
from fieldcomb.coverage.report.summary import summary
from fieldcomb.coverage.report.text import columns
from fieldcomb.coverage.report.words import format_total_under_coil
from fieldcomb.coverage.survey.results import Comparison, Report

REPORT = sample_result().report


def places(count: int, where: str = "along the north edge, 30 m from its east corner") -> tuple[SearchPlace, ...]:
    """So many places to go to."""
    worth = Worth("small", "missed lane", 3.6, 0.5, 4.0)
    shape = box(0, 0, 9, 6)
    return tuple(
        SearchPlace(letter_of(k), "missed lane", 54.0, 40.0, where, (worth,), (), (0.0, 0.0), shape)
        for k in range(count)
    )


@given(st.integers(0, 40), st.integers(1, 60), st.integers(1, 9), st.integers(0, 30), st.booleans())
def test_any_site_fits_one_screen(count: int, outings: int, coils: int, words: int, hostile: bool) -> None:
    """At most 24 lines of 80 columns, however many outings, coils, places and long names there are."""
    report = with_evil_names(sample_result()).report if hostile else REPORT
    report = replace(
        report,
        places=places(count, " ".join(["along"] * words)),
        outings=tuple(report.outings[k % len(report.outings)] for k in range(outings)),
        coils=tuple(replace(report.coils[0], coil=f"coil {k}") for k in range(coils)),
        notes=tuple("a note" for _ in range(words)),
        finds=tuple(Find(n, "keep") for n in range(1, words)),
        depth_m=0.15 if hostile else None,
    )
    text = summary(report)
    lines = text.splitlines()
    assert len(lines) <= 24
    assert all(columns(line) <= 80 for line in lines)


@pytest.mark.parametrize("under", [Under(45.2, 25.4, 45.2), Under(45.2)])
def test_a_depth_that_was_asked_for_is_answered_on_the_first_screen(under: Under) -> None:
    """With --depth 15cm the screen says what the coil itself covered at 15 cm; without it, nothing of that kind."""
    asked = replace(REPORT, depth_m=0.15, total=replace(REPORT.total, under=under))
    said = " ".join(summary(asked).split())
    assert f"At depth: {format_total_under_coil(asked.total.swept_pct, under, 0.15)}" in said
    untimed = replace(asked, total=replace(asked.total, under=Under(None)))
    assert "At depth: not known, as the walks have no times" in " ".join(summary(untimed).split())
    assert "At depth" not in summary(REPORT)


def crowded(stops: int = 1) -> Report:
    """A report with marks stop, lanes to walk, finds, many notes, outings, coils and places."""
    marks = [mark for one in REPORT.outings for mark in one.marks if mark.kind == "stop"][:1] * stops
    outings = tuple(replace(one, marks=tuple(marks) if k == 0 else ()) for k, one in enumerate(REPORT.outings * 2))
    done, notes = tuple(range(1, 18)), tuple(f"note {k}: {' '.join(['much to say'] * 12)}" for k in range(9))
    plan = LanesResult("tip", "28cm", 1.2, 0.0, 20, 800.0, done, (18,), (19,), (20,), 87, 86, 84, 88)
    report = replace(REPORT, outings=outings, lanes=(plan,), notes=notes, coils=REPORT.coils * 3)
    return replace(report, places=places(9), finds=(Find(1, "keep"),))


@pytest.mark.parametrize("stops", [1, 2, 9])
def test_with_a_stop_and_many_notes_the_screen_still_shows_the_latest_outing(stops: int) -> None:
    """What to do about the find stands first, the latest outing has its line, and what is folded is counted."""
    report = crowded(stops)
    text = summary(report)
    assert len(text.splitlines()) <= 24
    assert text.startswith("Ground to leave alone was marked: ")
    latest = format_outing(report.outings[-1], report)
    shown = next(line for line in text.splitlines() if line.startswith("Outings:"))
    assert latest[:25] in shown and "earlier outings: --full" in text
    closed = replace(report.lanes[0], closed=(18,))
    told = "Do not walk lane 18 of plan tip: ground to leave alone is there. Plan lanes again, to go round it"
    safe = summary(replace(report, lanes=(closed,), notes=(told, *report.notes)))
    assert told in " ".join(safe.split()) and safe.count("Do not walk") == 1 and len(safe.splitlines()) <= 24
    assert re.search(r"\n +and \d+ more notes: --full", text)


def test_the_answer_is_on_top_and_where_to_go_next_at_the_end() -> None:
    """The second line says how much is searched; the last ones where to go."""
    report = replace(REPORT, places=places(2), outings=tuple(replace(one, marks=()) for one in REPORT.outings))
    lines = summary(report).splitlines()
    assert lines[1] == f"Searched:  {answer(report).searched}"
    assert " ".join(" ".join(lines[-4:]).split()).startswith("Go next: A, 54.0 m2, 4 min with small: missed lane, ")


def test_what_does_not_fit_is_counted() -> None:
    """Of forty places, four are listed, and how many more there are."""
    text = summary(replace(REPORT, places=places(40)))
    assert "and 36 more on the map and in places.gpx" in text
    assert [letter for letter in "ABCDE" if f"{letter}, 54.0 m2" in text] == ["A", "B", "C", "D"]


def test_where_nothing_is_left_it_says_so() -> None:
    """No place is said in words, not by silence."""
    assert summary(replace(REPORT, places=())).endswith(f"Go next:   {NOWHERE}\n")


def test_two_outings_compared_send_nobody_anywhere() -> None:
    """With ``--between`` other outings may have swept the rest, so nothing is to go to."""
    pair = Comparison("a", "b", 10.0, 20.0, 30.0, 40.0)
    text = summary(replace(REPORT, between=pair, places=()))
    assert "Go next" not in text and answer(replace(REPORT, between=pair)).go_next == ""
    assert "only in a, 20.0 m2" in text


@pytest.mark.parametrize(
    ("placed", "found_m", "lost_m2", "words"),
    [
        (False, 6.5, 7.5, "gaps narrower than 6.5 m; 7.5 m2 not recorded"),
        (False, None, 0.0, "where single strips were missed, with a receiver this poor"),
        (True, None, 0.0, ""),
    ],
)
def test_what_is_not_known(placed: bool, found_m: float | None, lost_m2: float, words: str) -> None:
    """What the receiver cannot show, and ground that was not recorded, is said in one line; nothing, where all is."""
    estimate = replace(REPORT.total.estimate, pct=80.0, low=70.0, high=90.0, strips_placed=placed)
    total = replace(REPORT.total, estimate=estimate, found_from_m=found_m, not_recorded_m2=lost_m2, said_walked_m2=0.0)
    assert answer(replace(REPORT, total=total)).not_known == words


@pytest.mark.parametrize(
    ("found_m", "words"),
    [
        (6.5, "which gaps narrower than 6.5 m are real: a recording has no times"),
        (None, "which gaps are real: a recording has no times"),
        (1.0, ""),
    ],
)
def test_without_an_estimate_gaps_are_not_told_as_if_they_were_certain(found_m: float | None, words: str) -> None:
    """Where nothing is estimated, the answer says which gaps the receiver may have drawn, unless it is good to 1 m."""
    estimate = replace(REPORT.total.estimate, pct=None, low=None, high=None, reason=NO_TIMES, strips_placed=None)
    total = replace(REPORT.total, estimate=estimate, found_from_m=found_m, not_recorded_m2=0.0, said_walked_m2=0.0)
    assert answer(replace(REPORT, total=total)).not_known == words


def test_searched_is_the_estimate_where_there_is_one() -> None:
    """Below 10 % it has a decimal; where there is none it is what was recorded, and says so."""
    estimate = replace(REPORT.total.estimate, pct=81.4, low=71.2, high=88.9)
    with_estimate: Report = replace(REPORT, total=replace(REPORT.total, estimate=estimate))
    assert answer(with_estimate).searched.startswith("about 81 % (71-89) of ")
    small = replace(REPORT.total.estimate, pct=6.6, low=6.44, high=6.93)
    assert answer(replace(REPORT, total=replace(REPORT.total, estimate=small))).searched.startswith(
        "about 6.6 % (6.4-6.9) of "
    )
    none = replace(REPORT.total.estimate, pct=None, low=None, high=None)
    assert answer(replace(REPORT, total=replace(REPORT.total, estimate=none))).searched.endswith(", as recorded")


def test_the_answer_says_how_many_finds_were_kept() -> None:
    """Where there are finds one line of the screen counts them; where there are none it is left out."""
    finds = (Find(1, "keep"), Find(2, "junk"), Find(3, "left"), Find(4, "keep"))
    assert "\nFinds:     2 kept of 4\n" in summary(replace(REPORT, finds=finds))
    assert "Finds:" not in summary(REPORT)
