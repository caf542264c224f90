"""The GPX reader: against an independent reader, against the calendar, and against everything that goes wrong."""

from __future__ import annotations

import math
import tracemalloc
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import gpxpy
import gpxpy.gpx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files import limits
from fieldcomb.tracks.files.timestamps import Clock
from fieldcomb.tracks.formats.gpx import read_gpx
from fieldcomb.tracks.recording import Recording

DATA = Path(__file__).parents[2] / "data"
HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">\n'
NINE = datetime(2026, 3, 7, 9, tzinfo=UTC)


def point(i: int = 0, time: str | None = None, lat: str | None = None) -> str:
    """One track point, a second after the one before."""
    time = time if time is not None else (NINE + timedelta(seconds=i)).strftime("%Y-%m-%dT%H:%M:%SZ")
    lat = lat if lat is not None else f"{55.5 + i * 1e-5:.7f}"
    return f'<trkpt lat="{lat}" lon="{3.2 + i * 1e-5:.7f}"><ele>1</ele><time>{time}</time></trkpt>\n'


def document(*segments: str, name: str = "walk", beside: str = "") -> str:
    """Make a GPX file of one track from the insides of its segments."""
    runs = "".join(f"<trkseg>\n{points}</trkseg>" for points in segments)
    return f"{HEAD}{beside}<trk><name>{name}</name>{runs}</trk>\n</gpx>\n"


def assert_same_as_gpxpy(recording: Recording, text: str | bytes) -> None:
    """Compare all that both readers give, point for point."""
    other = gpxpy.parse(text)
    rows = [
        (p.longitude, p.latitude, p.time.timestamp() if p.time else math.nan, (track, run))
        for track, t in enumerate(other.tracks)
        for run, s in enumerate(t.segments)
        for p in s.points
    ]
    track = recording.track
    assert len(track) == len(rows) > 0
    np.testing.assert_array_equal(track.lon_deg, [row[0] for row in rows])
    np.testing.assert_array_equal(track.lat_deg, [row[1] for row in rows])
    np.testing.assert_allclose(track.time_s, [row[2] for row in rows], rtol=0, atol=1e-6)
    runs = sorted({row[3] for row in rows})
    np.testing.assert_array_equal(track.segment, [runs.index(row[3]) for row in rows])
    assert list(recording.names) == [t.name.strip() for t in other.tracks if t.name and t.name.strip()]
    assert [(w.lon_deg, w.lat_deg, w.name) for w in recording.waypoints] == [
        (w.longitude, w.latitude, w.name or "") for w in other.waypoints
    ]
    assert [r.lon_deg.tolist() for r in recording.routes] == [[p.longitude for p in r.points] for r in other.routes]


# ---------------------------------------------------------------------------------- an independent reader

BOTH_CAN_READ = {
    "one segment": document("".join(point(i) for i in range(70))),
    "an empty segment": document(point(0), "", point(1)),
    "no times": document('<trkpt lat="55" lon="3"/><trkpt lat="55.1" lon="3"/>'),
    "offsets": document(point(0, "2026-03-07T11:00:00+02:00") + point(1, "2026-03-07T04:30:01-04:30")),
    "fractions": document(point(0, "2026-03-07T09:00:00.5Z") + point(1, "2026-03-07T09:00:00.999Z")),
    "no namespace": document(point(0)).replace(' xmlns="http://www.topografix.com/GPX/1/1"', ""),
    "a byte order mark": "\ufeff" + document(point(0)),
    "comments": document("<!-- <trkpt> -->" + point(0)),
    "a name in CDATA": document(point(0), name="<![CDATA[a <b> & c]]>"),
}


@pytest.mark.parametrize("name", ["two-tracks.gpx", "older.gpx"])
def test_files_agree_with_gpxpy(name: str) -> None:
    """Every point, time, segment, name, waypoint and route is the one that another reader finds."""
    data = (DATA / name).read_bytes()
    assert_same_as_gpxpy(read_gpx(data, name), data)


@pytest.mark.parametrize("what", BOTH_CAN_READ)
def test_forms_agree_with_gpxpy(what: str) -> None:
    """The forms in which recorders write GPX are read as another reader reads them."""
    text = BOTH_CAN_READ[what]
    assert_same_as_gpxpy(read_gpx(text.encode(), "t.gpx"), text)


words = st.text(st.characters(exclude_categories=["Cs", "Cc", "Cn", "Co"]), max_size=30)
moments = st.datetimes(datetime(1980, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC))
fixes = st.tuples(st.floats(-90, 90), st.floats(-180, 180), st.none() | moments)


@settings(max_examples=60, deadline=None)
@given(tracks=st.lists(st.tuples(words, st.lists(st.lists(fixes, max_size=4), max_size=4)), max_size=3), name=words)
def test_any_track_survives_writing_and_reading(
    tracks: list[tuple[str, list[list[tuple[float, float, datetime | None]]]]], name: str
) -> None:
    """Whatever gpxpy writes, with any name, the reader gives back point for point."""
    made = gpxpy.gpx.GPX()
    made.waypoints.append(gpxpy.gpx.GPXWaypoint(1.5, 2.5, name=name.strip() or "x"))
    for title, segments in [*tracks, ("last", [[(55.0, 3.0, None)]])]:
        track = gpxpy.gpx.GPXTrack(name=title)
        track.segments = [
            gpxpy.gpx.GPXTrackSegment([gpxpy.gpx.GPXTrackPoint(lat, lon, time=time) for lat, lon, time in segment])
            for segment in segments
        ]
        made.tracks.append(track)
    text = made.to_xml()
    assert_same_as_gpxpy(read_gpx(text.encode(), "t.gpx"), text)


# ---------------------------------------------------------------------------------------------------- times


@given(
    st.datetimes(timezones=st.builds(timezone, st.integers(-840, 840).map(lambda m: timedelta(minutes=m)))),
    st.sampled_from(["T", " "]),
    st.sampled_from([".", ","]),
    st.booleans(),
)
def test_every_time_of_years_1_to_9999(moment: datetime, between: str, mark: str, colon: bool) -> None:
    """Any date, clock time, fraction and offset gives the instant that the calendar gives."""
    text = moment.isoformat(sep=between).replace(".", mark)
    if not colon:
        text = text[:-3] + text[-2:]
    expected = (moment - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds()
    clock = Clock()
    assert clock.seconds(text) == pytest.approx(expected, rel=0, abs=4e-5)
    assert clock.notes() == []


@given(st.lists(moments, min_size=2, max_size=6))
def test_order_of_times_does_not_matter(several: list[datetime]) -> None:
    """A time means the same whichever times were read before it."""
    clock = Clock()
    for moment in several:
        text = moment.isoformat().replace("+00:00", "Z")
        assert clock.seconds(text) == Clock().seconds(text) == pytest.approx(moment.timestamp(), rel=0, abs=1e-6)
        nines = moment.strftime("%Y-%m-%dT%H:%M:59.999999999999Z")
        assert clock.seconds(nines) == Clock().seconds(nines)


NO_TIMES = [
    "yesterday",
    "2026-13-01T00:00:00Z",
    "2026-02-29T00:00:00Z",
    "2026-03-07",
    "2026-03-07T25:00:00Z",
    "0000-01-01T00:00:00Z",
    "2026-03-07T09:60:00Z",
    "2026-03-07T09:00:61Z",
    "2026-03-07T09:00:99Z",
    "2026-03-07T09:00:0xZ",
    "2026-03-07T09:00:00.Z",
    "2026-03-07T09:00:００Z",
    "２０２６-03-07T09:00:00Z",
    "2026-03-07T09:00:00+15:00",
    "-2026-03-07T09:00:00Z",
]


@pytest.mark.parametrize("text", [*NO_TIMES, "9" * 5000])
def test_unreadable_time_keeps_its_point(text: str) -> None:
    """A time that is none leaves the point in place without one, and the number of such times is told."""
    recording = read_gpx(document(point(0) + point(1, text) + point(2)).encode(), "t.gpx")
    start = NINE.timestamp()
    np.testing.assert_array_equal(recording.track.time_s, [start, math.nan, start + 2])
    (note,) = recording.notes
    assert note.startswith("1 time could not be read") and text[:40] in note


def test_end_of_day_and_leap_second() -> None:
    """24:00:00 is the next day's midnight, and a leap second runs over into the next minute."""
    clock = Clock()
    assert clock.seconds("2016-12-31T24:00:00Z") == datetime(2017, 1, 1, tzinfo=UTC).timestamp()
    assert math.isnan(clock.seconds("2016-12-31T24:00:01Z"))
    assert clock.seconds("2016-12-31T23:59:60Z") == datetime(2017, 1, 1, tzinfo=UTC).timestamp()
    assert clock.seconds("2016-12-31T23:59:59Z") == datetime(2017, 1, 1, tzinfo=UTC).timestamp() - 1


def test_times_without_zone_are_told() -> None:
    """Times that name no zone are read as UTC, and one note says how many."""
    recording = read_gpx(document("".join(point(i, f"2026-03-07T09:00:0{i}") for i in range(3))).encode(), "t.gpx")
    np.testing.assert_array_equal(recording.track.time_s, NINE.timestamp() + np.arange(3))
    assert recording.notes == ("3 times without a time zone, read as UTC",)


# ------------------------------------------------------------------------------------ positions and structure


def test_decimal_commas_are_read_and_told() -> None:
    """A recorder that writes 55,5 for 55.5 is understood, and one note says so."""
    recording = read_gpx(document('<trkpt lat="55,5" lon="3,25"/><trkpt lat="55,6" lon="3"/>').encode(), "t.gpx")
    assert recording.track.lat_deg.tolist() == [55.5, 55.6] and recording.track.lon_deg.tolist() == [3.25, 3]
    assert recording.notes == ("3 coordinates with a decimal comma, read as a decimal point",)


@pytest.mark.parametrize("lat", ["", "north", "nan", "inf", "-1e999", "5_5", "1,234.5", "1,2,3", "55 30"])
def test_unreadable_position_stays_a_fix(lat: str) -> None:
    """A point without a readable position is kept as an empty one and told, so that nothing vanishes."""
    recording = read_gpx(document(point(0) + point(1, lat=lat) + point(2)).encode(), "t.gpx")
    assert np.isnan(recording.track.lat_deg).tolist() == [False, True, False]
    assert not np.isnan(recording.track.time_s).any()
    assert recording.notes == ("1 track point without a readable position",)


def test_missing_position_stays_a_fix() -> None:
    """A point that has no position at all is kept as an empty one."""
    recording = read_gpx(document(point(0) + "<trkpt/>").encode(), "t.gpx")
    assert len(recording.track) == 2 and math.isnan(recording.track.lon_deg[1])


def test_positions_are_not_changed() -> None:
    """Values off the globe are handed on as they stand, for later steps to judge and count."""
    recording = read_gpx(document('<trkpt lat="91" lon="180"/><trkpt lat="-400" lon="539.5"/>').encode(), "t.gpx")
    assert recording.track.lat_deg.tolist() == [91, -400] and recording.track.lon_deg.tolist() == [180, 539.5]


@pytest.mark.parametrize("declared", [True, False])
def test_prefixes_do_not_matter(declared: bool) -> None:
    """Files with a prefix before every name are read, even when the recorder forgot to declare it."""
    text = (DATA / "two-tracks.gpx").read_text(encoding="utf-8")
    plain = read_gpx(text.encode(), "t.gpx")
    for tag in ("gpx", "trk", "trkseg", "trkpt", "time", "name", "wpt", "rte", "rtept", "desc", "cmt", "extensions"):
        for end in (">", " ", "/"):
            text = text.replace(f"<{tag}{end}", f"<g:{tag}{end}").replace(f"</{tag}{end}", f"</g:{tag}{end}")
    text = text.replace("xmlns=", "xmlns:g=" if declared else "ignored=")
    prefixed = read_gpx(text.encode(), "t.gpx")
    np.testing.assert_array_equal(prefixed.track.lon_deg, plain.track.lon_deg)
    np.testing.assert_array_equal(prefixed.track.time_s, plain.track.time_s)
    np.testing.assert_array_equal(prefixed.track.segment, plain.track.segment)
    assert (prefixed.names, prefixed.waypoints, prefixed.notes) == (plain.names, plain.waypoints, plain.notes)


def test_extensions_are_passed_over_whole() -> None:
    """Nothing inside an extension is taken for a walk, even if it is a copy of another track."""
    copy = f"<extensions><own/><own></own><trk><name>copy</name><trkseg>{point(9)}</trkseg></trk></extensions>"
    recording = read_gpx(document(point(0) + copy + point(1)).encode(), "t.gpx")
    assert len(recording.track) == 2 and recording.names == ("walk",)


def test_elements_of_others_do_not_replace_the_standard_ones() -> None:
    """A time or name of somebody else's behind the standard one changes nothing."""
    foreign = point(0).replace("</trkpt>", "<own:time>1999-01-01T00:00:00Z</own:time></trkpt>")
    recording = read_gpx(
        document(foreign, name="walk</name><own:name>other").replace("r</name>", "r</own:name>").encode(), "t"
    )
    assert recording.track.time_s.tolist() == [NINE.timestamp()] and recording.names == ("walk",)


def test_markup_inside_a_name() -> None:
    """Of a name with markup inside, all of the text is kept."""
    assert read_gpx(document(point(0), name="a <b>bold</b> walk").encode(), "t.gpx").names == ("a bold walk",)


def test_segments_count_on_through_all_tracks() -> None:
    """Segment numbers go up through the whole file, and an empty segment leaves no hole."""
    recording = read_gpx((DATA / "two-tracks.gpx").read_bytes(), "t.gpx")
    assert recording.track.segment.tolist() == [0, 0, 1, 2, 2]
    assert recording.names == ("Møre — first <b>half</b>", "second")


def test_routes_and_waypoints_beside_a_track() -> None:
    """What a file holds besides the track is read with its names and reported: a route does not count as walked."""
    recording = read_gpx((DATA / "two-tracks.gpx").read_bytes(), "t.gpx")
    peg, count = recording.waypoints
    assert (peg.name, peg.note, peg.time_s) == ("peg 1", "NE corner; oak", NINE.timestamp() + 2400)
    assert (count.name, count.note, count.time_s) == ("count", "", None)
    assert recording.routes[0].name == "plan" and recording.routes[0].lat_deg.tolist() == [55.5, 55.501, 55.5]
    assert recording.notes == (
        "The file also holds 1 route: a plan, not a walk, and not counted",
        "The file also holds 2 waypoints",
    )


def test_marks_without_position_are_told() -> None:
    """Route points and waypoints that have no position cannot be used, and their number is told."""
    beside = '<wpt lat="x" lon="3"><name>lost</name></wpt><rte><rtept lon="3"/><rtept lat="1" lon="3"/></rte>'
    recording = read_gpx(document(point(0), beside=beside).encode(), "t.gpx")
    assert recording.waypoints == () and recording.routes[0].lat_deg.tolist() == [1]
    assert "2 points of routes or waypoints without a readable position, left out" in recording.notes


@pytest.mark.parametrize(
    "name", ['<img src=x onerror="alert(1)">', "🧭 été 'quoted' \"twice\"", "a\nb", "&amp;", "=1+1", "../../etc"]
)
def test_names_are_kept_as_they_are(name: str) -> None:
    """A name is the user's own: nothing in it is changed, however odd it looks."""
    escaped = name.replace("&", "&amp;").replace("<", "&lt;")
    assert read_gpx(document(point(0), name=escaped).encode(), "t.gpx").names == (name,)


def test_ampersand_in_a_name_does_not_lose_the_walk() -> None:
    """A recorder that writes "Dune & Shore" unescaped breaks the rules of XML; the walk is still read, and told."""
    text = document(point(0) + point(1), name="Dune & Shore&nbsp;&lt;3 &#233;")
    recording = read_gpx(text.encode(), "t.gpx")
    assert recording.names == ("Dune & Shore&nbsp;<3 é",) and len(recording.track) == 2
    (note,) = recording.notes
    assert note.startswith("A bare & where &amp; was needed, as in a name like A & B, 2 times")


# ------------------------------------------------------------------------------------------- character sets


@pytest.mark.parametrize("codec", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32"])
def test_unicode_files_whatever_they_declare(codec: str) -> None:
    """Unicode of any width is known by its first bytes, even where the file says UTF-8 and is not."""
    recording = read_gpx(document(point(0) + point(1), name="Grüße 🧭").encode(codec), "t.gpx")
    assert (recording.names, len(recording.track), recording.notes) == (("Grüße 🧭",), 2, ())


@pytest.mark.parametrize(("codec", "name"), [("windows-1252", "“Grüße”"), ("iso-8859-1", "Grüße"), ("koi8-r", "Поле")])
def test_declared_character_sets(codec: str, name: str) -> None:
    """A character set that the file declares is used, and needs no note."""
    data = document(point(0), name=name).replace("UTF-8", codec).encode(codec)
    recording = read_gpx(data, "t.gpx")
    assert (recording.names, recording.notes) == ((name,), ())


@pytest.mark.parametrize("declaration", ["", ' encoding="UTF-8"'])
def test_wrongly_declared_letters_are_read_and_told(declaration: str) -> None:
    """Old Western letters under the name of UTF-8 do not stop the reading; a note says that names may be wrong."""
    text = document(point(0), name="“Grüße”").replace(' encoding="UTF-8"', declaration)
    recording = read_gpx(text.encode("windows-1252"), "t.gpx")
    assert recording.names == ("“Grüße”",) and len(recording.track) == 1
    (note,) = recording.notes
    assert "windows-1252" in note


@pytest.mark.parametrize("codec", ["unicode_escape", "hex", "zlib", "klingon"])
def test_only_real_character_sets(codec: str) -> None:
    """A made-up or dangerous character set is not obeyed; the file is read as UTF-8, and told."""
    recording = read_gpx(document(point(0), name=r"\x41").replace("UTF-8", codec).encode(), "t.gpx")
    assert recording.names == (r"\x41",)
    assert codec in recording.notes[0]


def test_blank_lines_before_the_declaration() -> None:
    """Blank lines at the top, which strict readers refuse, do no harm."""
    text = "\n\n " + document(point(0))
    assert read_gpx(text.encode(), "t.gpx").notes == ()
    with pytest.raises(TrackError, match="line 4"):
        read_gpx(text.replace("<gpx", "<!DOCTYPE gpx><gpx").encode(), "t.gpx")
    assert "damaged on line 7:" in read_gpx(text.replace("</trkseg>", "</x>").encode(), "t.gpx").notes[0]
    assert "on line 7, as happens when" in read_gpx(text[: text.index("</trkseg>")].encode(), "t.gpx").notes[0]


# ------------------------------------------------------------------------------------------ broken-off files


@pytest.mark.parametrize("codec", ["utf-8", "utf-16"])
def test_cut_off_at_every_byte(codec: str) -> None:
    """Wherever the battery dies, every point that was finished is kept, no half point is, and a note tells it."""
    beside = '<wpt lat="1" lon="2"><name>é🧭</name></wpt><rte><name>r</name><rtept lat="1" lon="2"/></rte>'
    text = document(point(0) + point(1), '<trkpt lat="5" lon="3"/>' + point(3), name="é🧭", beside=beside)
    data = text.encode(codec)
    whole = read_gpx(data, "t.gpx").track
    kept = set()
    for cut in range(len(data)):
        seen = data[:cut].decode(codec, errors="ignore")
        finished = seen.count("</trkpt>") + seen.count('"5" lon="3"/>')
        kept.add(finished)
        if not finished:
            with pytest.raises(TrackError):
                read_gpx(data[:cut], "t.gpx")
            continue
        part = read_gpx(data[:cut], "t.gpx")
        assert len(part.track) == finished
        np.testing.assert_array_equal(part.track.lon_deg, whole.lon_deg[:finished])
        np.testing.assert_array_equal(part.track.time_s, whole.time_s[:finished])
        np.testing.assert_array_equal(part.track.segment, whole.segment[:finished])
        cut_short = not seen.rstrip().endswith("</gpx>")
        assert any("stops in the middle" in note for note in part.notes) == cut_short
        half = seen.count("<trkpt ") > finished and ">" in seen.rpartition("<trkpt ")[2]
        assert ("The last point is unfinished and was left out" in part.notes) == half
    assert kept == {0, 1, 2, 3, 4}


def test_route_is_kept_up_to_the_break() -> None:
    """A route that breaks off keeps the points before."""
    text = HEAD + '<rte><name>r</name><rtept lat="1" lon="2"/><rtept lat="1.5" lon="2"/><rtept lat="2"'
    recording = read_gpx(text.encode(), "t.gpx", need_track=False)
    assert recording.routes[0].name == "r" and recording.routes[0].lat_deg.tolist() == [1, 1.5]


def test_damage_in_the_middle_is_told_with_place_and_size() -> None:
    """After damage, what came before is kept, and the note gives the line and how many points were not read."""
    text = document("".join(point(i) for i in range(50)), "".join(point(i) for i in range(50, 3000)))
    broken = text.replace("</trkseg><trkseg>", "</trkseg><trk<seg>")
    recording = read_gpx(broken.encode(), "t.gpx")
    assert len(recording.track) == 50
    first, second = recording.notes
    assert first.startswith(f"The file is damaged on line {broken[: broken.index('<trk<seg')].count(chr(10)) + 1}:")
    assert "with 2950 <trkpt>, after that place were not read" in second


def test_second_document_behind_the_first_is_told() -> None:
    """Two files stuck together: the first is read, and the note says how much of the second was not."""
    recording = read_gpx((document(point(0)) + document(point(1) + point(2))).encode(), "t.gpx")
    assert len(recording.track) == 1
    assert "but the file goes on" in recording.notes[0] and "2 <trkpt>" in recording.notes[1]


@pytest.mark.parametrize("codec", ["utf-8", "utf-16-le", "utf-16-be"])
def test_zeros_at_the_end_are_told(codec: str) -> None:
    """A file that a power cut filled up with zero bytes is read up to them."""
    text = document(point(0) + point(1))
    whole = read_gpx(text.encode(codec) + bytes(4096), "t.gpx")
    assert len(whole.track) == 2 and whole.notes[0].startswith("The last 4096 bytes of the file are all zero")
    cut = read_gpx(text[: text.rindex("</trkpt>") + 8].encode(codec) + bytes(4096), "t.gpx")
    assert len(cut.track) == 2 and "stops in the middle" in cut.notes[1]


# ----------------------------------------------------------------------------------------------- refusals


def refusal(data: bytes) -> str:
    """The message with which a file is refused, after checking that it was refused without much memory."""
    tracemalloc.start()
    try:
        with pytest.raises(TrackError) as caught:
            read_gpx(data, "odd.gpx")
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 2_000_000 + 2 * len(data)
    message = str(caught.value)
    assert message.startswith("odd.gpx: ") and caught.value.hint
    return message


def test_entities_are_refused_at_once() -> None:
    """A small file made to unpack into gigabytes, or to read other files, is refused at its DOCTYPE."""
    grow = "".join(f'<!ENTITY e{i} "{f"&e{i - 1};" * 10}">' for i in range(1, 12))
    laughs = f'<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY e0 "ha">{grow}]><gpx><trk><name>&e11;</name></trk></gpx>'
    assert "DOCTYPE" in refusal(laughs.encode())
    outside = '<!DOCTYPE gpx [<!ENTITY f SYSTEM "file:///etc/hostname">]><gpx><trk><name>&f;</name></trk></gpx>'
    assert "DOCTYPE" in refusal(outside.encode())


@pytest.mark.parametrize("around", ["<extensions>", "<trk><trkseg>", ""])
def test_deep_nesting_is_refused(around: str) -> None:
    """A file nested 200,000 deep is refused, also where the reader passes over what it does not need."""
    assert "nested more than 64 deep" in refusal((HEAD + around + "<a>" * 200_000 + "</a>" * 200_000).encode())


def many(count: int) -> str:
    """Make that many different attributes."""
    return "".join(f' xmlns:a{i}="u"' for i in range(count))


@pytest.mark.parametrize(
    ("attributes", "says"),
    [
        (" xmlns" * 40_000, "not a valid GPX file"),
        (' xmlns="u"' * 24_000, "single tag of more than 100 kB"),
        (' version="' + "9" * 5_000_000 + '"', "single tag of more than 100 kB"),
        (many(15_000), "single tag of more than 100 kB"),
        (many(300), "a tag with 300 attributes"),
    ],
    ids=["bare", "same", "long value", "15000", "300"],
)
def test_giant_tags_are_refused(attributes: str, says: str) -> None:
    """A tag of hundreds of kilobytes, or of hundreds of attributes, is refused."""
    assert says in refusal(f"<gpx{attributes}>".encode())


def test_ordinary_depth_and_attributes_pass() -> None:
    """The limits leave room for any real file: 60 levels, 250 attributes, 60 kB in one tag."""
    deep = "<extensions>" + "<a>" * 60 + "</a>" * 60 + "</extensions>"
    wide = "<x " + " ".join(f'a{i}="{"v" * 230}"' for i in range(250)) + "/>"
    assert len(read_gpx(document(point(0), beside=deep + wide).encode(), "t.gpx").track) == 1


def test_too_many_points_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """More points than the limit are refused with a way out, and as many as the limit are not."""
    monkeypatch.setattr(limits, "MAX_POINTS", 10)
    assert len(read_gpx(document("".join(point(i) for i in range(10))).encode(), "t.gpx").track) == 10
    assert "more than 10 points" in refusal(document("".join(point(i) for i in range(11))).encode())


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "is an empty file"),
        (b" \r\n\t", "is a blank file"),
        (bytes(4096), "is a blank file"),
        (b"<!DOCTYPE html>\n<html><body><form>Log in</form></body></html>", "is a web page"),
        (b"\xef\xbb\xbf<HTML><body>", "is a web page"),
        (b'<?xml version="1.0"?><!DOCTYPE html PUBLIC "a" "b"><html/>', "is a web page"),
        (b"time,lat,lon\n1,2,3\n", "looks like a table"),
        (b"," * 100_000, "is a file of separators and quotation marks alone"),
        (b"dear diary\n", "looks like plain text"),
        (b'{"type": "FeatureCollection"}', "looks like GeoJSON"),
        (b'{"a": 1}', "looks like JSON"),
        (b"\x0e\x10\x43\x08\x00\x00\x00\x00.FIT\x00\x00", "looks like FIT"),
        (b'<?xml version="1.0"?>\n<TrainingCenterDatabase xmlns="x"/>', "looks like TCX"),
        (b"<!-- a --><kml></kml>", "looks like KML"),
        (b"<rss/>", "looks like XML with <rss>"),
        (bytes(range(256)), "looks like a binary file"),
        (b"%PDF-1.7", "looks like a PDF"),
        (b"<?xml ver", "is not a valid GPX file"),
        (b"<gpx version=", "is not a valid GPX file"),
        (HEAD.encode() + b"</gpx>", "holds no track points, and no routes or waypoints"),
        (HEAD.encode() + b"<trk><trkseg/></trk></gpx>", "holds no track points"),
        (
            HEAD.encode() + b'<rte><rtept lat="1" lon="2"/><rtept lat="1" lon="2"/></rte><wpt lat="1" lon="2"/></gpx>',
            "only 1 route with 2 points and 1 waypoint",
        ),
        (HEAD.encode() + b"<metadata><</metadata>" + document(point(0)).encode(), "the file is damaged on line 3"),
    ],
)
def test_what_is_no_track_is_named(data: bytes, says: str) -> None:
    """A file that is no recorded track is refused, and the message says what it is instead."""
    assert says in refusal(data)


def test_waypoints_alone_when_no_track_is_needed() -> None:
    """Pegs and boundaries may come in a file without a track."""
    recording = read_gpx((HEAD + '<wpt lat="1" lon="2"/></gpx>').encode(), "t.gpx", need_track=False)
    assert len(recording.track) == 0 and recording.waypoints[0].lon_deg == 2
    with pytest.raises(TrackError, match="KML"):
        read_gpx(b"<kml/>", "t.gpx", need_track=False)


# -------------------------------------------------------------------------------------- robustness and memory


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_any_damage_ends_in_points_or_a_message(data: st.DataObject) -> None:
    """Bytes changed, lost or put in anywhere give either a recording or a message, never a crash."""
    raw = bytearray((DATA / "two-tracks.gpx").read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(raw) - 1))
        raw[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))
    try:
        recording = read_gpx(bytes(raw), "t.gpx")
    except TrackError:
        return
    assert len(recording.track) >= 1


def test_memory_grows_with_the_points_and_modestly() -> None:
    """Reading takes less than 100 bytes a point beside the file itself, so a day of walking fits anywhere."""
    peaks = []
    for count in (5_000, 20_000):
        data = document("".join(point(i) for i in range(count))).encode()
        tracemalloc.start()
        recording = read_gpx(data, "t.gpx")
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert len(recording.track) == count
    assert peaks[1] - peaks[0] < 100 * 15_000
    assert peaks[0] < 100 * 5_000 + 1_000_000
