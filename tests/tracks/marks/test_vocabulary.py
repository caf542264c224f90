"""What a walker writes on the way: how it is read, and that none of it is ever lost."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from recordings import FRAME, START_S, fixes

from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.marks.timeline import Marks, Presses, read_marks
from fieldcomb.tracks.marks.vocabulary import ENGLISH, MARK_KINDS, Mark, Meaning, fold, is_generic, read_text
from fieldcomb.tracks.recording import Lap, Recording, Track, Waypoint

LANE = fixes([(0, 0), (0, 120)])  # 300 s at 0.4 m/s, 301 fixes


def waypoint(name: str, after_s: float | None = 100.0, note: str = "", x_m: float = 0.0, y_m: float = 0.0) -> Waypoint:
    """A waypoint so long after the start."""
    lon, lat = FRAME.to_lonlat(x_m, y_m)
    return Waypoint(float(lon), float(lat), None if after_s is None else START_S + after_s, name, note)


def lap(start_s: float, end_s: float, by_hand: bool | None = True, name: str = "") -> Lap:
    """A lap between two moments after the start."""
    return Lap(START_S + start_s, START_S + end_s, by_hand, name)


def read(*things: Waypoint | Lap, **how: Any) -> Marks:
    """Read the marks of a lane walked north, with these waypoints and laps."""
    waypoints = tuple(thing for thing in things if isinstance(thing, Waypoint))
    laps = tuple(thing for thing in things if isinstance(thing, Lap))
    return read_marks(Recording("walk.gpx", LANE, waypoints, laps=laps), **how)


def kinds(marks: Marks) -> list[str]:
    """Kinds of the marks in their order."""
    return [mark.kind for mark in marks.marks]


# ------------------------------------------------------------------------------------------------- the words


@pytest.mark.parametrize(
    ("name", "note", "meaning"),
    [
        ("off", "", Meaning("off", "")),
        ("OFF", "", Meaning("off", "")),
        ("On", "", Meaning("on", "")),
        ("off lunch", "", Meaning("off", "lunch")),
        ("coil small", "", Meaning("coil", "small")),
        ("coil 13x20cm", "", Meaning("coil", "13x20cm")),
        ("lane 12", "", Meaning("lane", "", number=12)),
        ("Lane12", "", Meaning("lane", "", number=12)),
        ("lane-7 from the east", "", Meaning("lane", "from the east", number=7)),
        ("lane", "3", Meaning("lane", "", number=3)),
        ("peg A", "", Meaning("peg", "A")),
        ("peg north east", "", Meaning("peg", "north east")),
        ("keep", "", Meaning("keep", "")),
        ("keep silver coin", "", Meaning("keep", "silver coin")),
        ("Keep: silver coin", "", Meaning("keep", "silver coin")),
        ("keep", "silver coin", Meaning("keep", "silver coin")),
        ("junk", "", Meaning("junk", "")),
        ("junk  rusty   nail", "", Meaning("junk", "rusty nail")),
        ("left, deep", "", Meaning("left", "deep")),
        ("count 14", "", Meaning("count", "", number=14)),
        ("count 0", "", Meaning("count", "", number=0)),
        ("count: 14 signals", "", Meaning("count", "signals", number=14)),
        ("blocked", "", Meaning("blocked", "")),
        ("blocked tree 3m", "", Meaning("blocked", "tree", size_m=3.0)),
        ("blocked tree 3 m", "", Meaning("blocked", "tree", size_m=3.0)),
        ("blocked hay bale 150cm", "", Meaning("blocked", "hay bale", size_m=1.5)),
        ("blocked pond 10ft", "", Meaning("blocked", "pond", size_m=3.048)),
        ("blocked 2,5m", "", Meaning("blocked", "", size_m=2.5)),
        ("stop", "", Meaning("stop", "")),
        ("STOP metal case", "", Meaning("stop", "metal case")),
        ("stop metal case 10m", "", Meaning("stop", "metal case", size_m=10.0)),
        ("stop 10 m", "", Meaning("stop", "", size_m=10.0)),
        ("stop shell 75mm gun 2000m", "", Meaning("stop", "shell 75mm gun 2000m")),
        ("'keep'", "", Meaning("keep", "")),
        # Named by the recorder: the note has the words.
        ("Waypoint 3", "junk nail", Meaning("junk", "nail")),
        ("WPT003", "lane 4", Meaning("lane", "", number=4)),
        ("017", "off", Meaning("off", "")),
        ("", "peg B", Meaning("peg", "B")),
        ("2026-03-07 10:12:31", "left iron", Meaning("left", "iron")),
        ("7 Mar 2026 10:12 AM", "keep", Meaning("keep", "")),
        # Anything else.
        ("old oak", "", Meaning("note", "old oak")),
        ("old oak", "keep this in mind", Meaning("note", "old oak: keep this in mind")),
        ("Waypoint 3", "by the gate", Meaning("note", "Waypoint 3: by the gate")),
        ("onward", "", Meaning("note", "onward")),
        ("on-site", "", Meaning("note", "on-site")),
        ("keeper's house", "", Meaning("note", "keeper's house")),
        ("peg12x", "", Meaning("note", "peg12x")),
        ("12", "", Meaning("note", "12")),
        ("", "", Meaning("note", "")),
    ],
)
def test_what_a_name_means(name: str, note: str, meaning: Meaning) -> None:
    """The first word says what a mark is, in any letter case, and the rest is kept with it."""
    assert read_text(name, note) == meaning


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("count x", "'x' is not a number that a count can have"),
        ("count -3", "'-3' is not a number that a count can have"),
        ("count 1.5", "'1.5' is not a number"),
        ("count 123456", "'123456' is not a number"),
        ("lane", "a lane mark needs a number: a whole number of 1 or more was expected"),
        ("lane 0", "'0' is not a number that a lane can have"),
        ("lane north", "'north' is not a number"),
        ("coil", "a coil mark needs a name after the word"),
        ("peg", "a peg mark needs a name after the word"),
    ],
)
def test_a_value_that_cannot_be_is_a_note_that_says_why(name: str, said: str) -> None:
    """A known word with an impossible value is kept as a note with all its words, and a sentence why."""
    meaning = read_text(name)
    assert (meaning.kind, meaning.name) == ("note", name) and said in meaning.why


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("blocked tree 3", "has no unit"),
        ("blocked wall 300m", "300 m across is not within 10 cm to 50 m"),
        ("blocked stone 5cm", "5 cm across is not within 10 cm to 50 m"),
        ("blocked tree 0m", "must be more than zero"),
    ],
)
def test_blocked_ground_without_a_sound_size_is_only_a_sign(name: str, said: str) -> None:
    """Blocked ground whose size cannot be stays blocked, takes no ground, keeps its words and says why."""
    meaning = read_text(name)
    assert (meaning.kind, meaning.size_m) == ("blocked", None)
    assert f"blocked {meaning.name}" == name
    assert said in meaning.why and "only a sign" in meaning.why


def test_own_words_are_read_beside_the_english_ones() -> None:
    """A site's own words mean the same as ours, with letters and accents however they are stored."""
    words = {**ENGLISH, fold("PÅ"): "on", fold("aus"): "off", fold("Bahn"): "lane"}
    assert [read_text(name, "", words).kind for name in ("pa\u030a", "AUS", "on")] == ["on", "off", "on"]
    assert read_text("Bahn 4", "", words) == Meaning("lane", "", number=4)
    assert read_text("bahn4", "", words).number == 4


@given(st.text(max_size=60), st.text(max_size=60))
def test_any_text_ends_in_a_mark_and_is_never_lost(name: str, note: str) -> None:
    """Whatever is written, there is one mark, and every word of it is still there."""
    [mark] = read(waypoint(name, note=note)).marks
    assert mark.kind in (*MARK_KINDS, "note")
    assert name.strip() in mark.text and note.strip() in mark.text


@given(st.sampled_from(MARK_KINDS), st.text(st.characters(categories=["L", "N", "P", "Zs"]), max_size=30))
def test_every_word_behind_a_known_word_is_kept(word: str, rest: str) -> None:
    """What stands behind a known word is kept with its mark, as name, number or size, or in the text of a note."""
    [mark] = read(waypoint(f"{word} {rest}")).marks
    assert mark.text == f"{word} {rest}".strip()
    if mark.kind == "note":
        assert mark.why or mark.name == " ".join(mark.text.split())


@pytest.mark.parametrize(
    ("name", "generic"), [("", True), ("12:30", True), ("Lap 4", True), ("A", False), ("oak", False)]
)
def test_names_that_recorders_give(name: str, generic: bool) -> None:
    """A name that is a number, a date or the recorder's own says nothing; a letter or a word says something."""
    assert is_generic(name) is generic


# ------------------------------------------------------------------------------------------ marks of a recording


def test_marks_keep_place_time_and_text() -> None:
    """A waypoint's mark is where and when it was set; marks without a time come last."""
    marks = read(waypoint("keep coin", None, x_m=3), waypoint("junk", 20), waypoint("peg A", 10)).marks
    assert [mark.text for mark in marks] == ["peg A", "junk", "keep coin"]
    assert [mark.time_s for mark in marks] == [START_S + 10, START_S + 20, None]
    assert marks[2].lon_deg == waypoint("", x_m=3).lon_deg and marks[2].origin == "waypoint"


def test_off_and_on_make_spans() -> None:
    """From off to on nobody searched; off without on lasts to the end of the recording, the last fix in it."""
    marks = read(waypoint("off", 50), waypoint("on", 80), waypoint("off", 200))
    first, last = marks.off
    assert first == (START_S + 50, START_S + 80)
    assert last[0] == START_S + 200 and START_S + 300 < last[1] < START_S + 300.001
    assert marks.notes == ()


@pytest.mark.parametrize(
    ("things", "said"),
    [
        ((waypoint("on", 50),), "searching was not off"),
        ((waypoint("off", 50), waypoint("off", 60), waypoint("on", 70)), "searching was already off"),
        ((waypoint("off", None),), "it has no time"),
        ((waypoint("off", -90),), "its time is outside this recording"),
        ((waypoint("coil small", 400),), "its time is outside this recording"),
    ],
)
def test_a_mark_that_changes_nothing_is_a_note(things: tuple[Waypoint, ...], said: str) -> None:
    """A stray on, a second off, a change without a time or from another day changes nothing, and says so."""
    marks = read(*things)
    [odd] = [mark for mark in marks.marks if mark.why]
    assert odd.kind == "note" and said in odd.why
    assert any(said in note for note in marks.notes)
    assert len(marks.marks) == len(things)


def test_a_walk_without_times_cannot_be_switched_off() -> None:
    """Without times of the fixes a mark off is a note that says so."""
    recording = Recording("walk.gpx", fixes([(0, 0), (0, 30)], start_s=None), (waypoint("off"),))
    marks = read_marks(recording)
    assert marks.off == () and "the recording has no times" in marks.marks[0].why


def test_marks_outside_the_window_are_counted_and_not_used() -> None:
    """With --from and --to, marks of other times are counted; the end of the window belongs to what follows."""
    things = (waypoint("junk", 10), waypoint("off", 40), waypoint("keep", 100), waypoint("left", None))
    marks = read(*things, window=(START_S + 30, START_S + 100))
    assert kinds(marks) == ["off", "left"]
    assert marks.notes == ("2 marks outside the chosen time window, not used",)
    assert marks.off[0][1] < START_S + 100  # to the last fix in the window


def test_a_mark_far_away_is_kept_and_told() -> None:
    """A mark more than 200 m from the walk stays, and its distance is told."""
    marks = read(waypoint("keep", x_m=190, y_m=50), waypoint("junk", x_m=300, y_m=50))
    assert kinds(marks) == ["keep", "junk"]
    assert marks.notes == ("1 mark lies more than 200 m from this walk, up to 300 m",)


def test_a_place_off_the_globe_is_kept_without_a_place() -> None:
    """A waypoint at latitude 91 keeps its words and says why it has no place."""
    [mark] = read(Waypoint(3.0, 91.0, START_S, "keep")).marks
    assert (mark.kind, mark.lon_deg, mark.lat_deg) == ("keep", None, None) and "not on the globe" in mark.why


@pytest.mark.parametrize("time_s", [math.nan, math.inf, 1e300, -1e12])
def test_a_time_that_is_no_moment_is_none(time_s: float) -> None:
    """A time that no calendar has is taken as none, and the mark stays."""
    [mark] = read(replace(waypoint("keep coin"), time_s=time_s)).marks
    assert (mark.kind, mark.name, mark.time_s) == ("keep", "coin", None)


# ---------------------------------------------------------------------------------------------- the lap button

PRESSED = (lap(0, 50), lap(50, 120), lap(120, 200), lap(200, 300, False))  # pressed at 50, 120 and 200 s


def test_presses_are_marks_where_the_walker_was() -> None:
    """Each press is a mark at its moment and at the walker's place then; the end of the recording is none."""
    marks = read(*PRESSED)
    assert kinds(marks) == ["press"] * 3 and marks.notes == ()
    for mark, after_s in zip(marks.marks, (50, 120, 200), strict=True):
        assert mark.time_s == START_S + after_s and mark.origin == "lap"
        x, y = FRAME.to_metres(mark.lon_deg, mark.lat_deg)
        assert (float(x), float(y)) == pytest.approx((0, after_s * 0.4), abs=1e-3)


def test_automatic_laps_are_counted_and_no_marks() -> None:
    """Laps that the recorder began by itself are told in a note, and nothing else is made of them."""
    marks = read(lap(0, 100, False), lap(100, 200, False), lap(200, 300, False))
    assert marks.marks == ()
    assert marks.notes == ("2 laps that the recorder began by itself, not counted as marks",)


def test_laps_of_unknown_cause_count_at_their_boundaries() -> None:
    """When the file does not say what ended a lap, each boundary between two counts, and a note says so."""
    marks = read(lap(0, 100, None), lap(100, 200, None), lap(200, 300, None))
    assert kinds(marks) == ["press"] * 2
    assert len(marks.notes) == 1 and "each boundary between two counts as a press" in marks.notes[0]


def test_words_kept_with_a_lap_are_read_like_a_waypoint() -> None:
    """A lap's name is read by the same words; the recorder's own name for it says nothing."""
    marks = read(
        lap(0, 50, name="lane 3"), lap(50, 90, name="Lap 2"), lap(90, 120, name="old oak"), lap(120, 300, False)
    )
    assert kinds(marks) == ["lane", "press", "note"]
    assert marks.marks[0].number == 3 and marks.marks[2].name == "old oak"


def test_words_of_an_automatic_lap_are_a_note() -> None:
    """Words kept with a lap that nobody ended by hand are kept as a note: they are not lost, and switch nothing."""
    marks = read(lap(0, 100, False, "off in the rain"), lap(100, 300, False, "a good day"))
    assert [(mark.kind, mark.text) for mark in marks.marks] == [("note", "off in the rain"), ("note", "a good day")]
    assert marks.off == ()


def test_a_lap_without_an_end_is_pressed_where_the_next_begins() -> None:
    """A lap whose end cannot be read ends where the next one begins."""
    marks = read(Lap(START_S, math.nan, True), lap(70, 300, False))
    assert [mark.time_s for mark in marks.marks] == [START_S + 70]


def test_nobody_knows_where_a_press_in_a_drop_out_was_made() -> None:
    """A press while the recorder was silent and the walker went on has no place."""
    gap = (LANE.time_s < START_S + 100) | (LANE.time_s > START_S + 200)
    track = replace(LANE, **{key: getattr(LANE, key)[gap] for key in ("lon_deg", "lat_deg", "time_s", "segment")})
    marks = read_marks(Recording("walk.fit", track, laps=(lap(0, 150), lap(150, 300, False))))
    assert [(mark.kind, mark.lon_deg) for mark in marks.marks] == [("press", None)]


def test_presses_that_mean_off() -> None:
    """With off, presses alternate off and on; a waypoint that switched already is taken into account."""
    marks = read(*PRESSED, presses=Presses("off"))
    assert kinds(marks) == ["off", "on", "off"]
    assert [span[0] - START_S for span in marks.off] == [50, 200] and marks.off[0][1] == START_S + 120
    marks = read(waypoint("off", 20), *PRESSED, presses=Presses("off"))
    assert kinds(marks) == ["off", "on", "off", "on"] and len(marks.off) == 2


def test_presses_that_mean_lanes() -> None:
    """With lanes, the first press begins lane 2; a lane that was named counts on from there."""
    assert [mark.number for mark in read(*PRESSED, presses=Presses("lanes")).marks] == [2, 3, 4]
    marks = read(waypoint("lane 12", 60), *PRESSED, presses=Presses("lanes"))
    assert [mark.number for mark in marks.marks] == [2, 12, 13, 14]


def test_presses_that_mean_finds() -> None:
    """With finds, each press is a find that was kept; words with a press still mean what they say."""
    marks = read(lap(0, 50), lap(50, 90, name="junk"), lap(90, 300, False), presses=Presses("finds"))
    assert kinds(marks) == ["keep", "junk"]


def test_presses_that_mean_coils() -> None:
    """With a coil, presses go to it and back; a coil that was named is where the next press leaves from."""
    presses = Presses("coil", "large", "small")
    assert [mark.name for mark in read(*PRESSED, presses=presses).marks] == ["small", "large", "small"]
    marks = read(waypoint("coil small", 20), *PRESSED, presses=presses)
    assert [mark.name for mark in marks.marks] == ["small", "large", "small", "large"]


def test_a_coil_that_is_not_known_changes_nothing() -> None:
    """A mark that names a coil nobody has is a note, with what was said of it."""

    def named(name: str) -> str:
        raise UsageError(f"coil {name!r} is not known", hint="Coils known here: none yet")

    [mark] = read(waypoint("coil huge"), coil_named=named).marks
    assert (mark.kind, mark.text) == ("note", "coil huge")
    assert mark.why == "coil 'huge' is not known, so the coil was not changed. Coils known here: none yet"


MOMENTS = st.one_of(st.none(), st.floats(-500, 800))
SAID = st.one_of(st.sampled_from(["off", "on", "coil a", "lane 3", "count x", "keep", ""]), st.text(max_size=12))


@given(
    st.lists(st.tuples(SAID, MOMENTS), max_size=8),
    st.lists(st.tuples(st.floats(0, 300), st.sampled_from([True, False, None]), SAID), max_size=6),
    st.sampled_from([None, Presses("off"), Presses("lanes"), Presses("finds"), Presses("coil", "a", "b")]),
)
def test_every_waypoint_and_press_is_there_once(
    waypoints: list[tuple[str, float | None]], ends: list[tuple[float, bool | None, str]], presses: Presses | None
) -> None:
    """Whatever the marks and however the button was used, no waypoint is lost, and spans follow one another."""
    moments = sorted(end for end, _, _ in ends)
    laps = [lap(a, b, how, name) for a, b, (_, how, name) in zip([0.0, *moments], moments, ends, strict=False)]
    found = read(*(waypoint(name, after) for name, after in waypoints), *laps, presses=presses)
    texts = sorted(mark.text for mark in found.marks if mark.origin == "waypoint")
    assert texts == sorted(name.strip() for name, _ in waypoints)
    pressed = [mark for mark in found.marks if mark.origin == "lap"]
    assert len(pressed) <= len(laps)
    assert {name.strip() for _, _, name in ends if not is_generic(name)} <= {mark.text for mark in pressed}
    flat = np.array(found.off).ravel()
    assert (np.diff(flat) >= 0).all()


def test_a_mark_is_a_plain_value() -> None:
    """Two marks that say the same are the same, so that what two files both hold can be told once."""
    assert len({*read(waypoint("keep")).marks, *read(waypoint("keep")).marks}) == 1
    assert isinstance(read(waypoint("keep")).marks[0], Mark)


def test_the_nearest_fix_is_found_across_the_date_line() -> None:
    """A mark at 180 degrees east is near a walk at 180 degrees west, and near the pole a degree is short."""
    lon, lat = np.array([-179.9999, -179.9998]), np.array([89.0, 89.0])
    walk = Track(lon, lat, START_S + np.arange(2.0), np.zeros(2, np.int32))
    near = Waypoint(179.99, 89.0, START_S, "keep")
    assert read_marks(Recording("w.gpx", walk, (near,))).notes == ()
