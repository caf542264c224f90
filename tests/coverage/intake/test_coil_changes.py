"""What marks change in a survey: searching off and on, another coil, ground that is taken out; and where it is told."""

from __future__ import annotations

import json
import math
import tomllib
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from recordings import FRAME, START_S, area, field, fixes, item, outing, serpentine, site, swing
from shapely.geometry import box
from small_walks import LAT, LAT_PER_M, LON, LON_PER_M, MORNING, gpx, lanes, stamped, timedelta, walk

from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.gear.coils import parse_coil
from fieldcomb.coverage.gear.swing import make_swing
from fieldcomb.coverage.intake.coil_changes import by_coil, presses_of, with_marks
from fieldcomb.coverage.outings.inputs import RecordingInput
from fieldcomb.coverage.raster.cells import OUTSIDE
from fieldcomb.coverage.report.mark_words import warning
from fieldcomb.coverage.site.settings import Settings, Typed
from fieldcomb.coverage.site.settings_file import read_settings
from fieldcomb.coverage.survey.results import Result
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.tracks.errors import SiteError, UsageError
from fieldcomb.tracks.marks.timeline import Presses
from fieldcomb.tracks.recording import Lap, Recording, Track, Waypoint

BOUNDARY = field(30, 40)
LANES = serpentine(8, 30, 1.4, x0_m=3, y0_m=5)
COILS = '[coils.small]\nsize = "13x20cm"\nswath = "0.9m"\n[coils.Large]\nsize = "33cm"\nswath = "1.6m"\n'


def settings(more: str = COILS) -> Settings:
    """Settings of a site."""
    return read_settings(f'name = "Test Bank"\nzone = "UTC"\ncell = "10cm"\n{more}'.encode(), "site.toml")


def mark(name: str, after_s: float | None, x_m: float = 5.0, y_m: float = 10.0) -> Waypoint:
    """A waypoint so long after the start."""
    lon, lat = FRAME.to_lonlat(x_m, y_m)
    return Waypoint(float(lon), float(lat), None if after_s is None else START_S + after_s, name)


def marked(
    track: Track, *things: Waypoint | Lap, typed: Typed | None = None, known: Settings | None = None
) -> tuple[RecordingInput, ...]:
    """A recording with its marks read, and cut where the coil was changed; swung 1.4 m with a 28 cm coil."""
    typed, known = typed or Typed(coil="28cm", swath="1.4m"), known or settings()
    waypoints = tuple(thing for thing in things if isinstance(thing, Waypoint))
    laps = tuple(thing for thing in things if isinstance(thing, Lap))
    given = item(track, make_swing(parse_coil("28cm", {}), 1.4, None, None))
    given = replace(given, recording=Recording("walk.gpx", track, waypoints, laps=laps))
    return by_coil(known, (Typed(), typed), with_marks(known, (Typed(), typed), given))


def surveyed(*items: RecordingInput) -> Result:
    """Survey one outing in the field."""
    return survey(site(BOUNDARY), [outing("2026-02-02a", *items)])


def swept(result: Result) -> np.ndarray:
    """Cells that were swept."""
    passes = result.layers.passes
    return np.asarray((passes > 0) & (passes != OUTSIDE))


# ------------------------------------------------------------------------------------------------- off and on


STEP_M = 0.4  # between two fixes
LEFT = 110  # the fix of the lanes at which the detour leaves, half-way up the second lane


def with_detour() -> tuple[Track, Track]:
    """The lanes, and the same fixes with a slow walk to the east and back on the same line put in between."""
    plain = fixes(LANES)
    lon, lat = plain.lon_deg, plain.lat_deg
    x, y = (float(v) for v in FRAME.to_metres(lon[LEFT], lat[LEFT]))
    away = fixes([(x, y), (x + 20, y), (x, y)])
    lon = np.concatenate([lon[:LEFT], away.lon_deg, lon[LEFT + 1 :]])
    lat = np.concatenate([lat[:LEFT], away.lat_deg, lat[LEFT + 1 :]])
    return plain, Track(lon, lat, START_S + np.arange(float(lon.size)), np.zeros(lon.size, np.int32))


def test_a_detour_marked_off_sweeps_what_the_walk_without_it_does() -> None:
    """A detour between off and on sweeps nothing: the ground is that of the walk without it, to within its rim."""
    plain, detour = with_detour()
    lasting = len(detour) - len(plain)
    without = surveyed(item(plain, swing(1.4)))
    marked_off = surveyed(*marked(detour, mark("off", LEFT), mark("on", LEFT + lasting)))
    walked = surveyed(item(detour, swing(1.4)))
    assert int((swept(without) != swept(walked)).sum()) > 500  # what the detour itself sweeps beside the lanes
    rows, cols = np.nonzero(swept(without) != swept(marked_off))
    x, y = without.layers.grid.centres()
    x0, y0 = FRAME.to_metres(plain.lon_deg[LEFT], plain.lat_deg[LEFT])
    assert (np.hypot(x[cols] - x0, y[rows] - y0) < 0.7 + STEP_M).all()
    one, other = without.report.outings[0], marked_off.report.outings[0]
    assert other.ground.swept_m2 == pytest.approx(one.ground.swept_m2, abs=STEP_M * 1.4)
    assert other.times.transit_s == pytest.approx(lasting, abs=1) and one.times.transit_s == 0
    assert other.times.searching_s == pytest.approx(one.times.searching_s, abs=1)
    assert [m.kind for m in other.marks] == ["off", "on"]


def test_off_without_on_lasts_to_the_end() -> None:
    """After an off without on nothing is swept any more, to the last fix of the recording."""
    half = surveyed(item(fixes(LANES[:8]), swing(1.4)))
    lasting = sum(np.hypot(*np.diff(np.array(LANES[:8]), axis=0).T)) / 0.4
    off = surveyed(*marked(fixes(LANES), mark("off", float(lasting))))
    assert int((swept(half) != swept(off)).sum()) * 0.01 <= 2 * STEP_M * 1.4  # two steps of a lane
    assert off.report.outings[0].times.elapsed_s == pytest.approx(fixes(LANES).time_s[-1] - START_S)


def test_a_whole_walk_that_is_off_sweeps_nothing() -> None:
    """A recording that was off from its start still is an outing, with its way and no swept ground."""
    told = surveyed(*marked(fixes(LANES), mark("off", 0.0))).report
    assert told.outings[0].ground.swept_m2 == 0 and told.outings[0].times.walked_m > 200
    assert told.outings[0].times.speed_m_s is None and told.total.swept_pct == 0


def test_standing_while_off_is_no_dig() -> None:
    """Two minutes of standing are a dig, and only a stop between off and on."""
    lane = fixes([(5, 5), (5, 35)])
    at = np.concatenate([np.arange(40), np.full(120, 40), np.arange(40, 76)])
    track = Track(lane.lon_deg[at], lane.lat_deg[at], START_S + np.arange(float(at.size)), lane.segment[at])
    dug, stood = surveyed(*marked(track)), surveyed(*marked(track, mark("off", 35), mark("on", 165)))
    assert (dug.report.outings[0].times.stops, dug.report.outings[0].times.digs) == (1, 1)
    assert (stood.report.outings[0].times.stops, stood.report.outings[0].times.digs) == (1, 0)


def test_off_in_a_walk_without_times_is_told_and_changes_nothing() -> None:
    """Without times the whole walk is searched, and a note says that off and on change nothing."""
    untimed = fixes(LANES, start_s=None)
    result = surveyed(*marked(untimed, mark("off", 10), mark("coil small", 20)))
    assert (swept(result) == swept(surveyed(item(untimed, swing(1.4))))).all()
    notes = result.report.outings[0].recordings[0].notes
    assert sum("no times, so it changes nothing" in note for note in notes) == 2


# -------------------------------------------------------------------------------------------------- coil changes


def test_a_coil_change_is_two_recordings_of_one_file() -> None:
    """A mark with a coil gives the same ground, cell for cell, as the file given twice with --to and --from."""
    track, moment = fixes(LANES), START_S + 250
    small = make_swing(settings().coils["small"].coil, 0.9, None, None)
    by_hand = surveyed(
        item(track, swing(1.4), window=(-math.inf, moment)), item(track, small, window=(moment, math.inf))
    )
    by_mark = surveyed(*marked(track, mark("coil small", 250), mark("keep", 100), mark("junk", 300)))
    assert (by_hand.layers.passes == by_mark.layers.passes).all()
    for coil in ("28cm", "small"):
        assert (by_hand.layers.by_coil[coil] == by_mark.layers.by_coil[coil]).all()
    one, other = by_hand.report.outings[0], by_mark.report.outings[0]
    assert replace(one, recordings=(), marks=()) == replace(other, recordings=(), marks=())
    for a, b in zip(one.recordings, other.recordings, strict=True):
        assert replace(a, notes=()) == replace(b, notes=())
    assert [m.text for m in other.marks] == ["keep", "coil small", "junk"]


def test_who_changes_the_coil_on_the_way_is_one_person() -> None:
    """Two changes of coil do not make three people of one; a second recording is of a second person as before."""
    pieces = marked(fixes(LANES), mark("coil small", 200), mark("coil 28cm", 400))
    assert len(pieces) == 3 and surveyed(*pieces).report.outings[0].head.recorded == 1
    other = item(fixes(serpentine(8, 30, 1.4, x0_m=17, y0_m=5)), swing(1.4))
    assert other.file == pieces[0].file and surveyed(*pieces, other).report.outings[0].head.recorded == 2


def test_what_was_typed_belongs_to_the_first_coil() -> None:
    """The typed swath stays with the coil at the start; another coil has that of site.toml; the first keeps its own."""
    pieces = marked(fixes(LANES), mark("coil SMALL after lunch", 200), mark("coil 20cm", 300), mark("coil 28 cm", 400))
    told = [(p.swing.coil.name, p.swing.swath_m, p.swing.swath_measured) for p in pieces]
    assert told == [("28cm", 1.4, True), ("small", 0.9, True), ("20cm", 1.4, False), ("28cm", 1.4, True)]
    assert [p.window for p in pieces] == [
        (-math.inf, START_S + 200),
        (START_S + 200, START_S + 300),
        (START_S + 300, START_S + 400),
        (START_S + 400, math.inf),
    ]
    assert [len(p.marks) for p in pieces] == [0, 1, 1, 1]


@pytest.mark.parametrize("after_s", [-20, 0, 0.5, 3])
def test_a_coil_named_at_the_start_is_that_of_the_whole_recording(after_s: float) -> None:
    """A mark before the first steps makes no second recording, and a note says that nothing was walked before it."""
    [piece] = marked(fixes(LANES), mark("coil small", after_s))
    assert (piece.swing.coil.name, piece.window) == ("small", (-math.inf, math.inf))
    assert "Coil 28cm was named, but no walk was recorded with it" in piece.mark_notes


def test_a_coil_named_at_the_end_or_again_changes_nothing() -> None:
    """The coil in use named again, or another one at the very last, leaves the recording in one piece."""
    [piece] = marked(fixes(LANES), mark("coil 28cm", 100), mark("coil small", fixes(LANES).time_s[-1] - START_S))
    assert (piece.swing.coil.name, piece.window) == ("28cm", (-math.inf, math.inf))
    assert piece.mark_notes == ("Coil small was named, but no walk was recorded with it",)


def test_a_coil_change_stays_within_the_window_of_the_recording() -> None:
    """With --from and --to as well, the pieces lie within them."""
    track, known, typed = fixes(LANES), settings(), (Typed(), Typed(coil="28cm"))
    given = item(track, swing(1.4), window=(START_S + 50, START_S + 400))
    recording = replace(given.recording, waypoints=(mark("coil small", 200), mark("coil Large", 450)))
    pieces = by_coil(known, typed, with_marks(known, typed, replace(given, recording=recording)))
    assert [p.window for p in pieces] == [(START_S + 50, START_S + 200), (START_S + 200, START_S + 400)]
    assert pieces[0].mark_notes == ("1 mark outside the chosen time window, not used",)


def test_off_goes_on_over_a_coil_change() -> None:
    """Who is off while the coil is changed is off until on, whatever the coil."""
    pieces = marked(fixes(LANES), mark("off", 100), mark("coil small", 150), mark("on", 200))
    assert {p.off for p in pieces} == {((START_S + 100, START_S + 200),)}
    result = surveyed(*pieces)
    assert result.report.outings[0].times.transit_s == pytest.approx(100, abs=3)


# ----------------------------------------------------------------------------------------------- laps and words


def laps(*ends: float) -> list[Lap]:
    """Laps ended by hand at these seconds, and the last one by the end."""
    moments = [0.0, *ends]
    pressed = [Lap(START_S + a, START_S + b, True) for a, b in zip(moments, ends, strict=False)]
    return [*pressed, Lap(START_S + moments[-1], START_S + 9999, False)]


def test_presses_in_all_four_meanings() -> None:
    """The same two presses: a time off, lanes 2 and 3, two finds, or another coil and back."""
    track = fixes(LANES)
    found = {}
    for meaning in ("off", "lanes", "finds", "coil:small"):
        pieces = marked(track, *laps(200, 300), typed=Typed(coil="28cm", swath="1.4m", laps=meaning))
        found[meaning] = surveyed(*pieces)
    told = {key: [(m.kind, m.number, m.name) for m in r.report.outings[0].marks] for key, r in found.items()}
    assert told == {
        "off": [("off", None, ""), ("on", None, "")],
        "lanes": [("lane", 2, ""), ("lane", 3, "")],
        "finds": [("keep", None, ""), ("keep", None, "")],
        "coil:small": [("coil", None, "small"), ("coil", None, "28cm")],
    }
    named = surveyed(*marked(track, mark("off", 200), mark("on", 300)))
    assert (found["off"].layers.passes == named.layers.passes).all()
    named = surveyed(*marked(track, mark("coil small", 200), mark("coil 28cm", 300)))
    assert (found["coil:small"].layers.passes == named.layers.passes).all()
    assert (found["finds"].layers.passes == surveyed(*marked(track)).layers.passes).all()


def test_presses_without_a_meaning_are_told_once() -> None:
    """Presses that nobody explained are kept, counted, and the report says once what to do."""
    report = surveyed(*marked(fixes(LANES), *laps(200, 300))).report
    assert [m.kind for m in report.outings[0].marks] == ["press", "press"]
    [note] = [note for note in report.notes if "lap button" in note]
    assert note.startswith("2 presses of the lap button without words: say what they meant with laps: off")


def test_a_plain_coil_needs_two_coils_by_name() -> None:
    """``coil`` alone is the other one of two; with more, fewer, or a third in use it is refused with what to write."""
    typed = Typed(coil="Large", laps="coil")
    assert presses_of(settings(), typed) == Presses("coil", "Large", "small")
    for known, coil in (
        (settings(""), "28cm"),
        (settings(), "28cm"),
        (settings(COILS + '[coils.third]\nsize = "20cm"\n'), "small"),
    ):
        with pytest.raises(UsageError, match="needs a site with two named coils") as caught:
            presses_of(known, Typed(coil=coil, laps="coil"))
        assert "coil:small" in str(caught.value.hint)
    with pytest.raises(UsageError, match="coil 'huge' is not known"):
        presses_of(settings(), Typed(laps="coil:huge"))


def test_own_words_in_site_toml() -> None:
    """A site's own words, one or a list, are read beside the English ones."""
    known = settings('[marks]\noff = ["Pause", "aus"]\non = "weiter"\ncount = "zähle"\n')
    pieces = marked(
        fixes(LANES), mark("AUS", 50), mark("weiter", 90), mark("off", 100), mark("ZÄHLE 14", 120), known=known
    )
    assert [m.kind for m in pieces[0].marks] == ["off", "on", "off", "count"]


@pytest.mark.parametrize(
    ("table", "line", "said"),
    [
        ('off = "pause"\non = "Pause"', 6, "the word 'Pause' is used twice, for off and for on"),
        ('off = "pause"\nkeep = ["a", "junk"]', 6, "the word 'junk' is used twice, for junk and for keep"),
        ('off = "two words"', 5, "'two words' is not one word"),
        ('off = ["12"]', 5, "'12' is not one word"),
        ("off = 12", 5, "text in quotes was expected"),
        ('off = ""', 5, "must not be empty"),
        ('find = "x"', 5, "key 'find' is not known in marks"),
    ],
)
def test_a_word_that_cannot_be_is_refused_with_its_line(table: str, line: int, said: str) -> None:
    """A word with two meanings, or that is no word, is refused with the line in site.toml."""
    with pytest.raises(SiteError, match=said) as caught:
        settings(f"[marks]\n{table}\n")
    assert f"line {line}" in str(caught.value)


# --------------------------------------------------------------------------------------------- ground taken out


def test_blocked_ground_and_ground_to_leave_alone_are_taken_out() -> None:
    """A tree of 3 m takes 7.07 square metres off the site, a stop 78.5; without a size blocked is only a sign."""
    marks = (mark("blocked tree 3m", 50, 20, 10), mark("blocked gate", 60, 25, 5), mark("stop shell", 70, 20, 25))
    result = surveyed(*marked(fixes(LANES), *marks))
    told = result.report.site
    assert told.blocked_m2 == pytest.approx(np.pi * 1.5**2, rel=0.02)
    assert told.no_go_m2 == pytest.approx(np.pi * 5**2, rel=0.01)
    assert told.area_m2 == pytest.approx(1200 - told.blocked_m2 - told.no_go_m2, abs=0.01)
    made = [(a.kind, a.reason, a.marked_in) for a in result.layers.areas if a.marked_in]
    assert {str(a.since) for a in result.layers.areas if a.marked_in} == {"2026-02-02"}
    assert made == [
        ("blocked", "tree, marked 2026-02-02", "2026-02-02a"),
        ("no-go", "stop shell, marked 2026-02-02", "2026-02-02a"),
    ]


def test_who_marks_ground_is_not_told_to_have_entered_it() -> None:
    """Walking where a stop is marked is no entering of no-go ground; walking where the user drew it still is."""
    stopped = surveyed(*marked(fixes(LANES), mark("stop", 50, 8, 20)))
    assert stopped.report.site.no_go_m2 > 70 and stopped.report.outings[0].no_go.area_m2 == 0
    drawn = survey(
        site(BOUNDARY, area(box(6, 18, 10, 22), "no-go")),
        [outing("2026-02-02a", *marked(fixes(LANES), mark("stop", 50, 8, 20)))],
    )
    assert drawn.report.outings[0].no_go.area_m2 == pytest.approx(16, abs=1)


def test_a_stop_may_say_how_far_all_round_and_never_closes_less_than_5_m() -> None:
    """``stop 10m`` closes a circle of 10 m radius; a metre or a length beyond sense still closes 5 m."""
    for words, radius_m in (("stop case 10m", 10), ("stop 1m", 5), ("stop 900m", 5)):
        site_now = survey(
            site(area(box(-20, -20, 40, 60))), [outing("2026-02-02a", *marked(fixes(LANES), mark(words, 50, 8, 20)))]
        ).report.site
        assert site_now.no_go_m2 == pytest.approx(np.pi * radius_m**2, rel=0.01), words


def test_closed_ground_opened_again_is_part_of_the_site_until_it_is_closed_once_more() -> None:
    """The day counts: a mark set after it closes the ground as before; letter case of the name does not."""
    walks = [outing("2026-02-02a", *marked(fixes(LANES), mark("stop Shell", 50, 8, 20)))]
    for day, closed_m2 in ((date(2026, 2, 2), 0), (date(2026, 2, 1), np.pi * 25)):
        result = survey(replace(site(BOUNDARY), reopened={"shell": day}), walks)
        assert result.report.site.no_go_m2 == pytest.approx(closed_m2, rel=0.01)
        assert bool(warning(result.report)) == bool(closed_m2)
        kinds = [one.kind for one in result.layers.areas if one.marked_in]
        assert kinds == (["no-go"] if closed_m2 else ["ended"])
        assert ("opened again on 2026-02-02" in " ".join(result.report.notes)) == (not closed_m2)
    unnamed = [outing("2026-02-02a", *marked(fixes(LANES), mark("stop", 50, 8, 20)))]
    opened = survey(replace(site(BOUNDARY), reopened={"2026-02-02a": date(2026, 3, 1)}), unnamed)
    assert opened.report.site.no_go_m2 == 0


def test_a_mark_of_another_place_takes_nothing_out() -> None:
    """A stop or blocked ground thousands of kilometres off is kept as a mark and is no ground of this site."""
    far = (Waypoint(100.0, -40.0, START_S + 5, "stop"), Waypoint(150.0, 40.0, START_S + 6, "blocked tree 3m"))
    result = surveyed(*marked(fixes(LANES), *far))
    assert result.report.site.no_go_m2 == result.report.site.blocked_m2 == 0
    assert [m.kind for m in result.report.outings[0].marks] == ["stop", "blocked"]


# ------------------------------------------------------------------------------------------------- the commands


def wpt(name: str, after_s: int) -> str:
    """A waypoint in GPX where the small walk is then."""
    x, y = lanes(8)[after_s]
    stamp = (MORNING + timedelta(seconds=after_s)).strftime("%Y-%m-%dT%H:%M:%SZ")
    place = f'lat="{LAT + y * LAT_PER_M:.8f}" lon="{LON + x * LON_PER_M:.8f}"'
    return f"<wpt {place}><time>{stamp}</time><name>{name}</name></wpt>"


def marked_walk(*names: str) -> str:
    """A small walk with a mark every half minute."""
    marks = "".join(wpt(name, 30 * n) for n, name in enumerate(names, 1))
    return gpx(stamped(lanes(8)), marks)


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty site with two coils, in the folder at hand."""
    monkeypatch.chdir(tmp_path)
    assert main(["new", "s", "--zone", "Europe/Oslo"]) == 0
    with Path("s/site.toml").open("a", encoding="utf-8") as file:
        file.write("\n" + COILS)
    return tmp_path


def typed(*args: str) -> int:
    """Type a command."""
    return main([str(arg) for arg in args])


def test_add_tells_what_it_understood_before_anything_is_kept(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Counts, times in the site's zone, and a coil that is not known are told before the outing is kept."""
    Path("w.gpx").write_text(marked_walk("keep coin", "off", "on", "coil small", "coil huge", "count 14", "stop shell"))
    assert typed("add", "s", "w.gpx", "--coil", "Large") == 0
    said = capsys.readouterr().err
    assert "7 marks: 1 kept, 1 count square (14), 1 change of coil, 1 time off, 1 to leave alone, 1 note" in said
    assert "marked (Europe/Oslo): off at 10:01, on at 10:01, coil small at 10:02, stop shell at 10:03" in said
    assert said.index("coil 'huge' is not known") < said.index("Outing 2026-03-07a")
    assert typed("report", "s", "--full") == 0
    out = capsys.readouterr().out
    assert out.startswith("Ground to leave alone was marked: stop shell (2026-03-07a; 55.50")
    assert "Marks: 1 kept, 1 count square (14)" in out
    report = json.loads(Path("s/out/report.json").read_text("utf-8"))
    [told] = report["outings"]
    assert told["coils"] == ["Large", "small"]
    assert [m["kind"] for m in told["marks"]] == ["keep", "off", "on", "coil", "note", "count", "stop"]
    first = told["marks"][0]
    assert (first["name"], first["time"], first["text"]) == ("coin", "2026-03-07T09:00:30Z", "keep coin")
    assert [round(first["lon"], 5), round(first["lat"], 4)] == [3.2, 55.5001]
    assert told["marks"][5]["number"] == 14 and "not known" in told["marks"][4]["why"]
    assert not Path("s/areas.geojson").exists()


def test_correcting_a_coil_in_site_toml_corrects_the_change(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A coil of a mark is looked up at each report: its swath there counts, and a coil that is added later is known."""
    Path("w.gpx").write_text(marked_walk("junk", "junk", "junk", "coil huge"))
    assert typed("add", "s", "w.gpx", "--coil", "Large", "--swath", "1.3m") == 0
    with Path("s/site.toml").open("a", encoding="utf-8") as file:
        file.write('[coils.huge]\nsize = "45cm"\nswath = "1.9m"\n')
    capsys.readouterr()
    assert typed("report", "s", "--json") == 0
    [told] = json.loads(capsys.readouterr().out)["outings"]
    assert [(r["coil"], r["swath_m"]) for r in told["recordings"]] == [("Large", 1.3), ("huge", 1.9)]


def test_laps_are_kept_with_the_outing_and_can_be_corrected(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--laps is kept as typed, edited, and taken back; a default in site.toml stands in for it."""
    Path("w.gpx").write_text(walk())
    assert typed("add", "s", "w.gpx", "--coil", "Large", "--laps", "coil:small") == 0
    laps_now = lambda: tomllib.loads(Path("s/outings.toml").read_text("utf-8"))["outing"][0].get("laps")  # noqa: E731
    assert laps_now() == "coil:small"
    assert typed("edit", "s", "2026-03-07a", "--laps", "finds") == 0 and laps_now() == "finds"
    assert typed("edit", "s", "2026-03-07a", "--laps", "") == 0 and laps_now() is None
    assert typed("edit", "s", "2026-03-07a", "--laps", "coil:huge") == 2 and laps_now() is None
    assert "coil 'huge' is not known" in capsys.readouterr().err
    with Path("s/site.toml").open("a", encoding="utf-8") as file:
        file.write('[defaults]\nlaps = "coil:huge"\n')
    assert typed("report", "s") == 1
    said = capsys.readouterr().err
    assert "s/site.toml" in said and "coil 'huge' is not known" in said and "line" in said


@pytest.mark.parametrize("what", ["", "on", "lane", "lanes:3", "coil:", "coil: ", "off:small"])
def test_a_meaning_that_is_not_known_is_refused(here: Path, capsys: pytest.CaptureFixture[str], what: str) -> None:
    """A slip in --laps is refused before anything is read, with what can be written."""
    assert typed("add", "s", "not-there.gpx", "--laps", what) == 2
    said = capsys.readouterr().err
    assert "--laps" in said and "is not known" in said and "lanes" in said


def test_map_takes_laps_and_marks(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One call without a site reads the marks too; a coil is named by its size."""
    Path("w.gpx").write_text(marked_walk("keep", "coil 13x20cm", "stop"))
    assert typed("map", "w.gpx", "--coil", "28cm", "--laps", "off", "--json") == 0
    report = json.loads(capsys.readouterr().out)
    assert report["outings"][0]["coils"] == ["28cm", "13x20cm"]
    assert "Leave this ground alone" in Path("w-map/map.html").read_text("utf-8")


# ------------------------------------------------------------------------------------------------------- the card


def test_the_card_is_written_where_it_was_asked_for(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a site here, with one in its out folder, or in the file that was named; nothing else is written."""
    assert typed("card") == 0 and "card.html" in capsys.readouterr().err
    assert typed("card", "s") == 0 and typed("card", "s", "-o", "print/me.html") == 0
    assert sorted(p.name for p in here.rglob("*.html")) == ["card.html", "card.html", "me.html"]
    assert Path("s/out/card.html").read_bytes() == Path("print/me.html").read_bytes()
    assert typed("card", "-o", "s") == 1 and "is a folder" in capsys.readouterr().err
    assert typed("card", "nowhere") == 1 and "is not there" in capsys.readouterr().err


def test_the_card_has_the_words_and_coils_of_its_site(here: Path) -> None:
    """The card tells every word of the marks, the site's own too, its coils with their swing, and the cautions."""
    with Path("s/site.toml").open("a", encoding="utf-8") as file:
        file.write('[marks]\noff = ["pause", "<b>aus"]\n')
    assert typed("card") == typed("card", "s") == 0
    bare, full = Path("card.html").read_text("utf-8"), Path("s/out/card.html").read_text("utf-8")
    for text in (bare, full):
        for word in ("off", "on", "coil", "lane", "peg", "keep", "junk", "left", "count", "blocked", "stop"):
            assert f"<code>{word}" in text
        for said in (
            "One fix every second",
            "Auto-pause off",
            "No snapping",
            "Power saving off",
            "no automatic upload",
            "seven decimals",
            "good fix",
            "still arm",
            "outer rim",
            "--laps lanes",
            "permission",
            "protected ground",
            "cables and pipes",
            "ordnance, bones or a hoard: stop, leave it",
            "Fill every hole",
            "Report your finds",
            "Local law comes first",
        ):
            assert said in text, said
        assert "http:" not in text and "https:" not in text and "<script" not in text
    assert "pause, &lt;b&gt;aus" in full and "pause" not in bare.replace("Auto-pause", "")
    assert "13 cm x 20 cm" in full and "90 cm" in full and "1.6 m" in full


def test_closed_ground_is_opened_again_by_its_name(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The day is kept in site.toml, the mark stays, the warning goes; another name is refused, with those known."""
    Path("w.gpx").write_text(marked_walk("keep coin", "stop Metal case", "stop"))
    assert typed("add", "s", "w.gpx", "--coil", "Large") == 0
    before = Path("s/site.toml").read_bytes()
    assert typed("edit", "s", "--reopen", "shell") == 2
    assert "no ground is closed as 'shell'" in (said := capsys.readouterr().err)
    assert "'Metal case', '2026-03-07a'" in said and Path("s/site.toml").read_bytes() == before
    assert typed("edit", "s", "--reopen", "metal CASE") == 0
    known = tomllib.loads(Path("s/site.toml").read_text("utf-8"))
    assert list(known["reopened"]) == ["Metal case"]
    assert date.fromisoformat(known["reopened"]["Metal case"]["on"]) >= date(2026, 3, 7)
    assert Path("s/site.toml").read_bytes().startswith(before.rstrip())
    capsys.readouterr()
    assert typed("report", "s", "--full") == 0
    out = capsys.readouterr().out
    assert out.startswith("Ground to leave alone was marked: stop (2026-03-07a;") and "Metal case" not in out[:200]
    assert typed("edit", "s", "--reopen", "metal case") == 2  # it is open
    assert typed("edit", "s", "--reopen", "2026-03-07a") == 0
    assert typed("edit", "s", "2026-03-07a", "--reopen", "x") == typed("edit", "s") == 2
