"""pegs.csv and the marks that name its pegs: what is read, what is refused, what is told, and what comes out of it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from recordings import FRAME, START_S, fixes, swing
from small_walks import LAT, LAT_PER_M, LON, LON_PER_M, MORNING, gpx, lanes, stamped

from fieldcomb.coverage.actions.add import add
from fieldcomb.coverage.actions.given_walks import WalksToAdd, WalkToAdd
from fieldcomb.coverage.actions.new_site import new_site
from fieldcomb.coverage.gear.receivers import receiver
from fieldcomb.coverage.intake.survey_inputs import survey_inputs
from fieldcomb.coverage.outings.inputs import RecordingInput
from fieldcomb.coverage.outings.peg_touches import PegMark, peg_touches, tie_to_pegs
from fieldcomb.coverage.outings.walks import walk_chain
from fieldcomb.coverage.report.report_json import report_json
from fieldcomb.coverage.report.table import table
from fieldcomb.coverage.site.peg_file import place_pegs, read_pegs
from fieldcomb.coverage.survey.results import Report
from fieldcomb.coverage.survey.survey import survey
from fieldcomb.tracks.errors import SiteError
from fieldcomb.tracks.formats.read import read_recording
from fieldcomb.tracks.frame import SiteFrame
from fieldcomb.tracks.marks.timeline import read_marks
from fieldcomb.tracks.marks.vocabulary import Mark
from fieldcomb.tracks.motion.cleaning import Fixes
from fieldcomb.tracks.motion.peg_drift import Peg
from fieldcomb.tracks.recording import Recording


def quiet(_: str) -> None:
    """Take a note and forget it."""


# ---------------------------------------------------------------------------------------------------------- the file


@pytest.mark.parametrize(
    "raw",
    [
        b"name,lat,lon\nA,46.5,-28.25\npeg B,46.25,-28.5\n",
        b"\n LON , Name,LAT\r\n-28.25,A,46.5\r\n\r\n-28.5,peg B,46.25\r\n",
        b"name;lat;lon\nA;46,5;-28,25\npeg B;46,25;-28,5\n",
        b"name\tlat\tlon\nA\t46.5\t-28.25\npeg B\t46,25\t-28,5\n",
        b"\xef\xbb\xbfname,lat,lon\nA,46.5,-28.25\npeg B,46.25,-28.5\n",
        'name,lat,lon\nA,46.5,"-28,25"\npeg B,46.25,\N{MINUS SIGN}28.5\n'.encode(),
        "name,lat,lon\nA,46.5,-28.25\npeg B,46.25,-28.5\n".encode("utf-16"),
    ],
)
def test_every_way_to_save_the_table_gives_the_same_pegs(raw: bytes) -> None:
    """Columns in any order, comma, semicolon or tab, decimal comma, BOM, blank lines: the same two pegs."""
    pegs, notes = read_pegs(raw, "pegs.csv")
    assert [(p.name, p.lat_deg, p.lon_deg) for p in pegs] == [("A", 46.5, -28.25), ("peg B", 46.25, -28.5)]
    assert notes == ()


def test_windows_letters_are_read_and_told() -> None:
    """A table that a spreadsheet saved as Windows-1252 keeps its letters; the note says how it was read."""
    pegs, notes = read_pegs("name;lat;lon\nBjørk;46,5;-28,25\n".encode("cp1252"), "pegs.csv")
    assert pegs[0].name == "Bjørk" and "windows-1252" in notes[0]


def test_columns_that_are_not_used_are_told() -> None:
    """More columns do no harm, and are named."""
    pegs, notes = read_pegs(b"name,lat,lon,height\nA,46.5,-28.25,3\n", "pegs.csv")
    assert len(pegs) == 1 and notes == ("pegs.csv: these columns are not used: height",)


@pytest.mark.parametrize("raw", [b"", b"\n \n", b"name,lat,lon\n"])
def test_a_table_without_pegs_is_as_good_as_none(raw: bytes) -> None:
    """An empty file, or a header alone, means that there are no pegs yet."""
    assert read_pegs(raw, "pegs.csv") == ((), ())


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"peg,lat,lon\nA,46,3\n", "no column 'name' (found: peg, lat, lon) (line 1)"),
        (b"A,46.5,-28\n", "no column 'name'"),
        (b"name,lat,lon,lat\nA,46,3,46\n", "the column 'lat' twice (line 1)"),
        (b"name,lat,lon\n,46,3\n", "a peg without a name (line 2)"),
        (b"name,lat,lon\nA,46,3\n\nB,,3\n", "peg 'B' has the lat ''; degrees from -90 to 90 were expected (line 4)"),
        (b"name,lat,lon\nA,north,3\n", "the lat 'north'"),
        (b"name,lat,lon\nA,nan,3\n", "the lat 'nan'"),
        (b"name,lat,lon\nA,1e1,3\n", "the lat '1e1'"),
        (b"name,lat,lon\nA,90.01,3\n", "the lat '90.01'"),
        (b"name,lat,lon\nA,46,181\n", "the lon '181'; degrees from -180 to 180 were expected (line 2)"),
        (b"name,lat,lon\nA,46\n", "the lon ''"),
        (b"name,lat,lon\nA,46,5,3,2\n", "has 5 values in a row, but the header names 3 (line 2)"),
        (b"name,lat,lon\nA,46,3\nB,46,3\npeg  a,46,3\n", "the peg 'peg a' twice, first in line 2 (line 4)"),
        (b'name,lat,lon\n"A,46,3\n', "is not a table of values"),
        (b"name,lat,lon\nA\0,46,3\n", "is not a table of text"),
    ],
)
def test_a_bad_table_is_refused_with_its_line(raw: bytes, words: str) -> None:
    """Whatever is wrong, the message has the file, the line, what was found, and what to do."""
    with pytest.raises(SiteError) as caught:
        read_pegs(raw, "pegs.csv")
    assert words in str(caught.value) and str(caught.value).startswith("pegs.csv: ") and caught.value.hint


def test_a_far_peg_is_refused() -> None:
    """A peg 46 degrees away has its latitude and longitude swapped: the message has its line."""
    pegs, _ = read_pegs(b"name,lat,lon\nA,40.0001,-30\nB,-30,40\n", "pegs.csv")
    [near] = place_pegs(pegs[:1], FRAME, 100.0, "pegs.csv")
    assert (near.x_m, near.y_m) == (pytest.approx(0.0, abs=1e-6), pytest.approx(11.1, abs=0.1))
    with pytest.raises(SiteError, match=r"pegs.csv: peg 'B' lies \d+ km away .*\(line 3\)"):
        place_pegs(pegs, FRAME, 100.0, "pegs.csv")


def test_a_peg_may_lie_five_kilometres_beyond_the_site() -> None:
    """A peg is taken up to 5 km beyond the reach of the site, and refused farther away."""
    for reach_m, north_m, refused in ((100.0, 5050.0, False), (100.0, 5150.0, True), (900.0, 5850.0, False)):
        lat = FRAME.lat_deg + north_m * LAT_PER_M
        pegs, _ = read_pegs(f"name,lat,lon\nA,{lat:.9f},{FRAME.lon_deg:.9f}\n".encode(), "pegs.csv")
        if refused:
            with pytest.raises(SiteError, match="lies 5 km away from the middle of the site"):
                place_pegs(pegs, FRAME, reach_m, "pegs.csv")
        else:
            assert place_pegs(pegs, FRAME, reach_m, "pegs.csv")[0].y_m == pytest.approx(north_m, rel=0.01)


# ---------------------------------------------------------------------------------------------------------- the marks

PEGS = (Peg("A", 0.0, 0.0), Peg("peg B", 6.0, 0.0))


def lane_past_pegs(off_m: float = 1.0) -> Fixes:
    """East for 20 s along y = 0, standing for 40 s at 6 m, and on to 12 m; recorded ``off_m`` too far north."""
    x = np.concatenate([np.arange(20) * 0.3, np.full(40, 6.0), 6 + np.arange(1, 21) * 0.3])
    zeros = np.zeros(x.size, np.int32)
    return Fixes(START_S + np.arange(x.size), x, np.full(x.size, off_m), zeros, zeros)


def tied(marks: Sequence[PegMark], walked: Fixes | None = None) -> tuple[list[str], tuple[str, ...]]:
    """Names of the pegs that were used, and what was told."""
    result, notes = tie_to_pegs([marks], PEGS, walked or lane_past_pegs(), FRAME, "typical")
    return [r.name for r in result.residuals], notes


def at(name: str, time_s: float | None, x_m: float = 0.0, y_m: float = 0.0) -> PegMark:
    """A mark at a place in site metres."""
    lon, lat = FRAME.to_lonlat(x_m, y_m)
    return PegMark(name, time_s, float(lon), float(lat))


def test_names_match_whatever_their_letters() -> None:
    """Letter case, blanks and the word peg make no difference; a name that pegs.csv lacks is told."""
    names, notes = tied([PegMark(" b ", START_S + 40, None, None), PegMark("Oak", START_S + 50, None, None)])
    assert names == ["peg B"]
    assert notes == ("Pegs that are not in pegs.csv and were touched only once, not used: Oak",)


def test_a_mark_without_a_time_takes_that_of_its_place() -> None:
    """Where the walk comes by once, the nearest fix gives the time, and a note says so."""
    names, notes = tied([at("B", None, 6.0, 1.0)])
    assert names == ["peg B"] and notes == ("Peg marks without a time, used where the walk passed their places: 1",)


def test_a_mark_without_a_time_is_never_guessed() -> None:
    """A place passed twice, a far place, no place, and the peg's own place give no time: the mark is told."""
    there = lane_past_pegs()
    back = Fixes(
        np.concatenate([there.t_s, there.t_s + 300]),
        np.concatenate([there.x_m, there.x_m[::-1]]),
        np.concatenate([there.y_m, there.y_m + 1.5]),
        np.zeros(160, np.int32),
        np.zeros(160, np.int32),
    )
    for mark, walked in (
        (at("B", None, 6.0, 1.0), back),
        (at("B", None, 6.0, 40.0), there),
        (PegMark("B", None, None, None), there),
        (at("B", None, 6.0, 0.0), there),
    ):
        names, notes = tied([mark], walked)
        assert names == [] and len(notes) == 1 and "not used" in notes[0] and notes[0].endswith(": B")


def test_what_is_not_used_is_told() -> None:
    """Marks outside the recording, on a wrong peg, and pressed twice come back in words."""
    marks = [PegMark("B", START_S + t, None, None) for t in (40, 42, 4000)]
    names, notes = tied([*marks, PegMark("A", START_S + 75, None, None)])  # 9.3 to 12 m east of A, and 1 m north
    assert names == ["peg B"]
    assert notes == (
        "Peg touches not used, because no fix remains from that time: peg B",
        "Peg touches marked twice, counted once: peg B",
        "A touch of peg A is 10.7 m off, farther than such a receiver drifts, and was not used: was it another peg?",
    )


def test_without_times_or_pegs_nothing_is_done() -> None:
    """Without a clock the touches are told; without pegs.csv marks of pegs are waypoints like any other."""
    walked = lane_past_pegs()
    blind = Fixes(np.full(80, np.nan), walked.x_m, walked.y_m, walked.source, walked.piece)
    assert tied([at("B", None, 6.0, 1.0)], blind) == (
        [],
        ("Peg touches not used, because the recording has no times: peg B",),
    )
    result, notes = tie_to_pegs([[at("B", START_S + 40)]], (), walked, FRAME, "typical")
    assert result.fixes is walked and notes == ()


def test_more_touches_than_a_walk_can_have_are_not_used() -> None:
    """A thousand marks of pegs are no walk; they are told by their number, and the walk stays as recorded."""
    names, notes = tied([PegMark("B", START_S + k / 20, None, None) for k in range(1000)])
    assert names == [] and notes == ("More peg touches than a walk can have, none of them used: 1000",)


def test_an_error_length_is_split_as_for_a_typical_receiver() -> None:
    """Three times the error in all is three times each part."""
    told = receiver(f"{3 * (1.5**2 + 0.5**2 + 0.15**2) ** 0.5:.6f}m")
    assert (told.slow_m, told.fast_m) == (pytest.approx(4.5, rel=1e-5), pytest.approx(1.5, rel=1e-5))


def test_marks_of_pegs_are_touches() -> None:
    """The word peg and a name make a touch; a peg without a name, a pegboard and a find do not."""
    names = ("peg A", "PEG  north corner", "peg", "pegboard", "find 3")
    points = "".join(f'<wpt lat="{LAT}" lon="{LON}"><name>{name}</name></wpt>' for name in names)
    recording = read_recording(gpx(stamped(lanes()), points).encode(), "w.gpx")
    assert [mark.name for mark in peg_touches(read_marks(recording).marks)] == ["A", "north corner"]


# --------------------------------------------------------------------------------------------------------- all the way


def surveyed(folder: Path, pegs: str | None, north_m: float = 2.0) -> Report:
    """Survey a walk recorded too far north that stands at two pegs for 12 s each, with marks of them."""
    way = lanes(6)
    places = [(0.0, 0.0)] * 12 + way + [way[-1]] * 12
    moved = [(x, y + north_m) for x, y in places]
    marks = "".join(
        f'<wpt lat="{LAT}" lon="{LON}"><time>{MORNING + timedelta(seconds=t):%Y-%m-%dT%H:%M:%SZ}</time>'
        f"<name>peg {name}</name></wpt>"
        for name, t in (("a", 6), ("B", len(places) - 6))
    )
    new_site(folder / "site", say=quiet)
    (folder / "walk.gpx").write_text(gpx(stamped(moved), marks), encoding="utf-8")
    if pegs is not None:
        (folder / "site" / "pegs.csv").write_text(pegs, encoding="utf-8")
    add(folder / "site", WalksToAdd([WalkToAdd(str(folder / "walk.gpx"))]), quiet)
    given = survey_inputs(folder / "site", say=quiet)
    return survey(given.site, given.outings).report


def peg_table() -> str:
    """Where the pegs of that walk really stand."""
    x, y = lanes(6)[-1]
    return f"lat;lon;name\n{LAT};{LON};A\n{LAT + y * LAT_PER_M:.9f};{LON + x * LON_PER_M:.9f};Peg b\n".replace(".", ",")


def test_pegs_reach_the_report(tmp_path: Path) -> None:
    """The touches stand in report.json and in the table, with how far off they were before and after."""
    report = surveyed(tmp_path, peg_table())
    [recording] = json.loads(report_json(report))["outings"][0]["recordings"]
    first, last = recording["pegs"]
    assert (first["name"], last["name"], first["time"]) == (
        "A",
        "Peg b",
        f"{MORNING + timedelta(seconds=6):%Y-%m-%dT%H:%M:%SZ}",
    )
    for peg in (first, last):
        assert (peg["east_m"], peg["north_m"]) == (pytest.approx(0, abs=0.03), pytest.approx(2.0, abs=0.03))
        assert 0.3 < peg["left_north_m"] < 1.7  # five minutes from the other touch, a part of the drift is left
    assert "- Pegs: 2 touches, 2 m off before, " in table(report)


def test_without_pegs_marks_of_pegs_change_nothing(tmp_path: Path) -> None:
    """Without pegs.csv the report has no pegs, and says nothing of them."""
    [recording] = surveyed(tmp_path, None).outings[0].recordings
    assert recording.pegs == ()
    assert not any("peg" in note.lower() for note in recording.notes)


def test_a_peg_that_nobody_measured_reaches_the_report(tmp_path: Path) -> None:
    """Without pegs.csv, a gate post touched three times is a peg of its own; touches say that it was not measured."""
    way = lanes(4)
    places, times = [(0.0, 0.0)] * 12, [6]
    for _ in range(2):
        places += way + way[::-1] + [(0.0, 0.0)] * 12
        times.append(len(places) - 6)
    drift = [(x, y + k / 400) for k, (x, y) in enumerate(places)]
    marks = "".join(
        f'<wpt lat="{LAT}" lon="{LON}"><time>{MORNING + timedelta(seconds=t):%Y-%m-%dT%H:%M:%SZ}</time>'
        f"<name>peg gate post</name></wpt>"
        for t in times
    )
    new_site(tmp_path / "site", say=quiet)
    (tmp_path / "walk.gpx").write_text(gpx(stamped(drift), marks), encoding="utf-8")
    add(tmp_path / "site", WalksToAdd([WalkToAdd(str(tmp_path / "walk.gpx"))]), quiet)
    given = survey_inputs(tmp_path / "site", say=quiet)
    report = survey(given.site, given.outings).report
    [recording] = json.loads(report_json(report))["outings"][0]["recordings"]
    assert [(peg["name"], peg["measured"]) for peg in recording["pegs"]] == [("gate post", False)] * 3
    assert recording["pegs"][0]["north_m"] < -1 and recording["pegs"][2]["north_m"] > 1
    assert "- Pegs: 3 touches of unmeasured pegs, " in table(report)


def test_pegs_move_the_walk_that_is_swept() -> None:
    """A walk recorded 2 m too far north is swept where it was, near the peg that it touched; its own fixes are kept."""
    track = fixes([(0, 2), (0, 2.01), (90, 2)], pace_m_s=0.3)
    lon, lat = FRAME.to_lonlat(3.0, 2.0)
    mark = Mark("peg", "A", None, None, "peg A", START_S + 10, float(lon), float(lat), "waypoint")
    recording = Recording("w.gpx", track)
    for pegs, y_m in (((), 2.0), ((Peg("A", 3.0, 0.0),), 0.0)):
        walk, cleaned = walk_chain([RecordingInput("w.gpx", recording, swing(), marks=(mark,), pegs=pegs)], FRAME)
        [leg] = walk.legs
        near = np.abs(leg.x_m - 3.0) < 0.5
        assert np.abs(leg.y_m[near] - y_m).max() < 0.2
        assert np.abs(cleaned.fixes.y_m - 2.0).max() < 0.02  # the verdict is that of the receiver


def test_a_bad_pegs_file_stops_the_command(tmp_path: Path) -> None:
    """Pegs that cannot be right are no reason to report without them: the file and line are told."""
    with pytest.raises(SiteError, match=r"pegs.csv: peg 'A' lies .* \(line 2\)"):
        surveyed(tmp_path, f"name,lat,lon\nA,{LON},{LAT}\n")


def test_sparse_touches_are_told() -> None:
    """Two touches in half an hour help little, and a note says how often pegs pay."""
    t = np.arange(0.0, 1800.0)
    zeros = np.zeros(t.size, np.int32)
    walked = Fixes(t + START_S, np.clip(t - 60, 0, 1600) * 0.3, np.zeros(t.size), zeros, zeros)
    marks = [PegMark("A", START_S + 30, None, None), PegMark("C", START_S + 1780, None, None)]
    pegs = (Peg("A", 0.5, 0.5), Peg("C", 480.0, 0.5))
    result, notes = tie_to_pegs([marks], pegs, walked, SiteFrame(-30.0, 40.0), "typical")
    assert len(result.residuals) == 2
    assert notes == ("2 touches of pegs in 30 min of recording: pegs help most when touched about every 5 min",)
