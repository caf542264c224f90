"""Points read by the run are the points that reading tag by tag gives, with the same notes and errors."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import tcx_files
from format_checks import damaged
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldcomb.tracks.compiled.track_kernels import track_kernels
from fieldcomb.tracks.errors import TrackError
from fieldcomb.tracks.files import limits, plain_points
from fieldcomb.tracks.formats import gpx
from fieldcomb.tracks.formats.read import read_recording

DATA = Path(__file__).parents[2] / "data"
NINE = datetime(2026, 3, 7, 9, tzinfo=UTC)
BY_RUNS = plain_points._read_by_runs


def outcome(data: bytes) -> tuple[object, ...]:
    """All that reading gives, to the last bit, or the error in all its parts."""
    try:
        got = read_recording(data, "walk")
    except TrackError as error:
        return type(error), error.problem, error.where, error.hint, error.file
    track = got.track
    arrays = [values.tobytes() for values in (track.lon_deg, track.lat_deg, track.time_s, track.segment)]
    routes = [(one.name, one.lon_deg.tobytes(), one.lat_deg.tobytes()) for one in got.routes]
    return (*arrays, repr(got.waypoints), routes, got.names, repr(got.laps), got.notes)


def check(data: bytes) -> bool:
    """All ways of reading give the same, with and without kernels; whether the runs were read at once."""
    used: list[bool] = []

    def noting(*args: object) -> object:
        found = BY_RUNS(*args)  # type: ignore[arg-type]
        used.append(found is not None)
        return found

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(plain_points, "_read_by_runs", noting)
        quick = outcome(data)
        patch.setattr(gpx, "track_kernels", None)
        assert quick == outcome(data)
        assert used[: len(used) // 2] == used[len(used) // 2 :]
        patch.setattr(plain_points, "_read_by_runs", lambda *_: None)
        assert quick == outcome(data)
    return any(used)


def moment(i: int, form: str = "%Y-%m-%dT%H:%M:%SZ") -> str:
    """A time, 17 s after the one before, so that minutes and hours pass."""
    return (NINE + timedelta(seconds=17 * i)).strftime(form)


def fix(i: int) -> str:
    """A track point with nothing odd about it."""
    return f'<trkpt lat="{-55.5 + i * 1e-5:.7f}" lon="{3.2 + i * 1e-5:.8f}"><time>{moment(i)}</time></trkpt>\n'


BEATS = (
    "<extensions>\n  <ns3:TrackPointExtension>\n   <ns3:atemp>22.0</ns3:atemp><ns3:hr>94</ns3:hr>"
    "</ns3:TrackPointExtension>\r\n <power>1</power></extensions>"
)
# How recorders write points: nothing in them is odd.
FORMS = {
    "bare": fix,
    "other order": lambda i: f'<trkpt lon="3.{i}" lat="55.{i}"><ele>1.5</ele><time>{moment(i)}</time></trkpt>',
    "spread out": lambda i: (
        f'  <trkpt lat="55.{i}"\n lon="-3.{i}" >\r\n\t<ele>-1.5</ele>\n <time>{moment(i)}</time>\n<sat>7</sat> '
        f"<fix>3d</fix>{BEATS}\n  </trkpt>\r\n"
    ),
    "fractions": lambda i: f'<trkpt lat="55.{i}" lon="3"><time>{moment(i, "%Y-%m-%dT%H:%M:%S.")}{i}Z</time></trkpt>',
    "midnight": lambda i: fix(i + 3175),
}
PLAIN_TCX = tcx_files.document(tcx_files.activity(tcx_files.lap(0, 9, "Manual", tcx_files.points(0, 50))))


def document(inside: str) -> bytes:
    """A GPX file with this in its first track segment."""
    return f'<?xml version="1.0"?>\n<gpx><trk><name>walk</name><trkseg>\n{inside}</trkseg></trk></gpx>\n'.encode()


@pytest.mark.parametrize("form", FORMS)
def test_points_as_recorders_write_them_are_read_at_once(form: str) -> None:
    """Each usual way to write points is read by the run, whatever stands between two runs."""
    points = "".join(map(FORMS[form], range(200)))
    for between in ("", "</trkseg><trkseg>", "</trkseg></trk><wpt lat='1' lon='2'/><trk><trkseg>", '<trkpt lat="?"/>'):
        assert check(document(points + between + points))


@pytest.mark.parametrize(
    "more",
    [
        "",
        '<HeartRateBpm xsi:type="HeartRateInBeatsPerMinute_t">\n<Value>71</Value></HeartRateBpm>',
        '<SensorState>Absent</SensorState><Extensions><TPX xmlns="http://a.b/c"><Speed>1.0</Speed></TPX></Extensions>',
    ],
)
def test_trackpoints_of_training_files_are_read_at_once(more: str) -> None:
    """Laps, planned courses and points without a place keep their meaning beside runs of trackpoints."""
    track = "".join(tcx_files.point(i, more=more) for i in range(60)) + tcx_files.point(60, where="")
    laps = [tcx_files.lap(0, 70, "Manual", track, track), tcx_files.lap(70, 9, None, track)]
    beside = tcx_files.course(40, tcx_files.MARK)
    assert check(tcx_files.document(tcx_files.activity(*laps), tcx_files.activity(laps[0]), beside=beside).encode())


# Of each three lists: what leaves a file sound, and what need not.
NUMBERS = ["5.25", "1e1", "+5", " 5", "5,5", "5;5", "٣", "1_0", "NaN", "inf", "", "5.", ".5", "-.5", "007", "5&#46;5"]
NUMBERS += ["55.1234567890123456789", "5555", "-0.0", "-", ".", "1.2.3", "--5", "5-5"]
DAY, NOON = "2026-03-07", "2026-03-07T12:00:00Z"
TIMES = [
    NOON,
    f"{DAY}T09:00:00.999999999Z",
    f"{DAY}T09:00Z",
    f"{DAY}T11:00:00+02:00",
    f"{DAY}T09:00:00",
    "yesterday",
    "",
    " ",
]
TIMES += [f"{DAY} 09:00:00Z", f"{DAY}t09:00:00z", f"{DAY}T09:00:00,5Z", f" {DAY}T09:00:00Z\n", f"{DAY}T09:00:00.Z"]
TIMES += [
    f"{DAY}T09:00:00.1234567890123Z",
    f"{DAY}T09:00:59.9999999999999Z",
    "1969-12-31T23:59:59Z",
    "2100-01-01T00:00:00Z",
]
TIMES += [
    f"{DAY}T{clock}Z" for clock in ("24:00:00", "24:00:01", "23:59:60", "09:60:00", "09-00:00", "09:00-00", "0T:00:00")
]
TIMES += [
    f"{DAY}T{clock}Z" for clock in ("09:0::00", "09:00:0T", "09:00:6-", "09:0-:00", "09:-0:00", "0900:00:", ":9:00:00")
]
TIMES += [
    f"{day}T09:00:00Z" for day in ("2026-13-07", "2026-02-29", "0000-01-01", "9999-12-31", "2026:03:07", "20260-3-07")
]
SOUND_CHILDREN = [
    *("<time>2026-03-07T10:00:00Z</time>", "<x:time>2026-03-07T10:00:00Z</x:time>", "<time/>", "<time> </time>"),
    *("<ele>1</ele>", "<ele>٣</ele>", "<ele>&lt;</ele>", "<ele/>", '<ele unit="m">1</ele>', "<!-- 1 -->", "&amp;"),
    *("<trkpt>1</trkpt>", "<trkseg><trkpt lat='7' lon='8'/></trkseg>", "<trk><name>no</name></trk>", "words"),
    *("<a><time>2026-03-07T10:00:00Z</time></a>", "<extensions><time>2026-03-07T10:00:00Z</time></extensions>"),
    *("<extensions><a><b>1</b></a></extensions>", "<extensions><a><b><c/></b></a></extensions>", "<extensions/>"),
    *('<extensions><a b="1"><c>2</c></a></extensions>', BEATS),
]
CHILDREN = [
    *SOUND_CHILDREN,
    *("<ele>1</ela>", "<ele>1]]>2</ele>", "<ele>&no;</ele>", "<ele>\x01</ele>", "<ele>\x0b</ele>", "<ele", "\x0c"),
    *('<extensions><a b="1" b="1"><c>2</c></a></extensions>', "<extensions><a><b>1</a></b></extensions>"),
    *('<extensions><a b="1"c="1"></a></extensions>', "<extensions><a><b>1</b></a >1</extensions>", "<1>1</1>"),
]
REST = f"><time>{NOON}</time></trkpt>"
SOUND_POINTS = [
    *(
        '<trkpt lat="1" lon="2"/>',
        '<trkpt lat="1" lon="2"></trkpt>',
        f"<trkpt lat='1' lon='2'{REST}",
        f'<trkpt lat="1"{REST}',
    ),
    *(f'<trkpt lat="1" lon="2" x="3"{REST}', f'<trkpt lat="1" lon="2"><time>{NOON}</time></trkpt\n>', f"<trkpt{REST}"),
    *(f'<trkpt lat="1" lon="2"><time >{NOON}</time></trkpt>', f'<trkpt lat="1" lon="2"><time>{NOON}</time ></trkpt>'),
]
POINTS = [
    *SOUND_POINTS,
    *(f'<trkpt lat="1" lat="1" lon="2"{REST}', f'<trkpt lat="1"lon="2"{REST}', f'<trkpt\x0clat="1" lon="2"{REST}'),
    *('<trkpt lat="1" lon="2">', "<trkpt ", "<trkpt lat=", "</trkpt>", f'<trkpt lat="1" lon="2"{REST[:-1]}'),
]
NEW = "</trkseg></trk>{}<trk><trkseg>"
SOUND_BREAKS = [
    "</trkseg><trkseg>",
    NEW.format(""),
    NEW.format(f"<wpt lat='1' lon='2'><time>{NOON}</time></wpt>"),
    "\n\n  ",
]
SOUND_BREAKS += [
    NEW.format("<rte><name>plan</name><rtept lat='1' lon='2'/></rte>"),
    "</trkseg></trk><trk>{}</trk><trk><trkseg>",
]
SOUND_BREAKS += ["plain points", "é", "&amp;", "<name/>"]
BREAKS = [
    *SOUND_BREAKS,
    "<plain-points/>",
    "plain-points",
    "\0",
    "&",
    "<!DOCTYPE gpx>",
    "\x0c",
    "</trkseg>",
    "</gpx>",
    "\xa0",
]
SOUND_AROUND = ["<trkpt lat='4' lon='5'><trkseg>{}</trkseg></trkpt>", "<wpt lat='1' lon='2'><trkseg>{}</trkseg></wpt>"]
SOUND_AROUND += ["<x:trkseg>{}</x:trkseg>", "<a><trkseg>{}</trkseg></a>", "</trkseg>{}<trkseg>"]
SOUND_AROUND += ["<a>" * deep + "<trkseg>{}</trkseg>" + "</a>" * deep for deep in (55, 57, 60)]
AROUND = [
    *SOUND_AROUND,
    "<!-- {} -->",
    "<![CDATA[{}]]>",
    "<extensions>{}</extensions>",
    "<name>{}</name>",
    "<a>{}</a>",
    "<?a {}?>",
]
AROUND += [
    "<wpt lat='1' lon='2'>{}</wpt>",
    "<time>{}</time>",
    "<rte>{}</rte>",
    "</trkseg><name><trkseg>{}</trkseg></name><trkseg>",
]

runs = st.builds(
    lambda form, first, count: "".join(map(FORMS[form], range(first, first + count))),
    st.sampled_from(list(FORMS)),
    st.integers(0, 99),
    st.integers(1, 12),
)


def odd_point(lat: str, lon: str, before: str, time: str, after: str, tag: str) -> str:
    """A point in which anything may be odd."""
    return f'<{tag} lat="{lat}" lon="{lon}">{before}<time>{time}</time>{after}</{tag}>\n'


def mixture(
    numbers: list[str], times: list[str], children: list[str], points: list[str], breaks: list[str], around: list[str]
) -> st.SearchStrategy[str]:
    """The inside of a track segment, and of others that it may be torn into."""
    number = st.just(numbers[0]) | st.sampled_from(numbers)
    child = st.just("") | st.lists(st.sampled_from(children), max_size=2).map("".join)
    tag = st.sampled_from(["trkpt"] * 5 + ["wpt", "rtept", "x:trkpt", "trkpts"])
    odd = st.builds(odd_point, number, number, child, st.just(times[0]) | st.sampled_from(times), child, tag)
    single = st.one_of(runs, runs, odd, st.sampled_from(points), st.sampled_from(breaks))
    parts = st.recursive(
        single,
        lambda inner: st.builds(
            lambda form, inside: form.replace("{}", "".join(inside)),
            st.sampled_from(around),
            st.lists(inner, max_size=3),
        ),
        max_leaves=4,
    )
    return st.lists(parts, max_size=8).map("".join)


def singles() -> list[str]:
    """One odd thing each, alone."""
    points = [odd_point(number, "3", "", NOON, "", "trkpt") for number in NUMBERS]
    points += [odd_point("3", number, "", NOON, "", "trkpt") for number in NUMBERS]
    points += [odd_point("1", "2", "", time, "", "trkpt") for time in [*TIMES, f"{moment(19)[:-1]}.1234567890123Z"]]
    points += [odd_point("1", "2", child, NOON, "", "trkpt") for child in CHILDREN]
    points += [odd_point("1", "2", "", NOON, child, "trkpt") for child in CHILDREN]
    points += [odd_point("1", "2", child, "", "", "trkpt") for child in CHILDREN]
    wrapped = [form.replace("{}", fix(50) + "\n" + fix(51)) for form in AROUND]
    return [*points, *POINTS, *BREAKS, *wrapped]


def test_each_odd_thing_between_runs_is_read_as_tag_by_tag() -> None:
    """One odd number, time, child, tag or letter between runs of plain points, before them and behind them."""
    run = "".join(map(fix, range(20)))
    for odd in singles():
        for inside in (run + odd + run, odd + run, run + odd):
            check(document(inside))


needs_kernels = pytest.mark.skipif(track_kernels is None, reason="the kernels were not compiled here")
FINDERS = [(gpx._finder(head), gpx._plain_points(head == b" lon= lat=")) for head in (b" lon= lat=", b" lat= lon=")]


def same_points(piece: bytes) -> int:
    """In C the same points are found in a piece as by the pattern, to the last bit; how many that are."""
    count = 0
    for in_c, plain in FINDERS:
        found, meant = in_c(piece), plain(piece)
        assert (found is None) == (meant is None)
        if found is None or meant is None:
            continue
        for name in ("lon_deg", "lat_deg", "fraction_s", "moments"):
            one, two = getattr(found, name), getattr(meant, name)
            assert (one.dtype, one.shape, one.tobytes()) == (two.dtype, two.shape, two.tobytes())
        assert (found.between, found.last_times) == (meant.between, meant.last_times)
        count += len(found.lon_deg)
    return count


@needs_kernels
@settings(max_examples=200, deadline=None)
@given(
    inside=mixture(NUMBERS, TIMES, CHILDREN, POINTS, BREAKS, AROUND),
    cut=st.integers(0, 300),
    damage=st.none() | st.integers(0, 2**32),
)
def test_points_are_found_in_c_as_by_the_pattern(inside: str, cut: int, damage: int | None) -> None:
    """Whatever stands between and in points, and wherever a piece of the file begins or is damaged."""
    data = document(inside)
    if damage is not None:
        data = damaged(data, document(fix(3)), random.Random(damage))
    same_points(data[cut:])


@needs_kernels
def test_each_odd_thing_is_found_in_c_as_by_the_pattern() -> None:
    """One odd number, time, child, tag or letter, whole and cut off after any of its letters."""
    assert same_points(f"{fix(1)}{fix(2)}".encode()) == 2
    for form in FORMS.values():
        assert same_points(form(1).encode()) == 1
    for odd in singles():
        data = f"{fix(1)}{odd}{fix(2)}".encode()
        same_points(data)
        for end in range(data.index(b"\n"), len(data)):
            same_points(data[:end])


@needs_kernels
@given(st.text("0123456789", max_size=12), st.text("0123456789", max_size=12), st.text("0123456789.-", max_size=25))
@settings(max_examples=400, deadline=None)
def test_numbers_are_read_in_c_as_python_reads_them(whole: str, decimals: str, any_letters: str) -> None:
    """Degrees of up to 24 letters are the nearest numbers there are, and what is no number is none."""
    for number in (f"{whole}.{decimals}", f"-{whole}.{decimals}", whole, any_letters):
        same_points(f'<trkpt lat="1" lon="{number}"><time>{NOON}</time></trkpt>'.encode())


@needs_kernels
def test_points_without_room_are_refused() -> None:
    """More points than there is room for, and room of another size or kind, are refused."""
    piece, few, room, spans = fix(1).encode() * 3, np.empty(2), np.empty(3), np.empty((3, 4), np.int64)
    letters = np.empty((3, 19), np.uint8)
    assert track_kernels.gpx_points(piece, False, room, room.copy(), letters, room.copy(), spans) == 3
    with pytest.raises(ValueError, match="no room"):
        track_kernels.gpx_points(piece, False, few, few.copy(), letters[:2], few.copy(), spans[:2])
    for wrong in ((few, letters, room, spans), (room, letters[1:], room, spans), (room, letters, few, spans)):
        with pytest.raises(ValueError, match="elements"):
            track_kernels.gpx_points(piece, False, room, *wrong)
    with pytest.raises(ValueError, match="elements"):
        track_kernels.gpx_points(piece, False, room, room, letters, room, spans[1:])
    with pytest.raises(TypeError):
        track_kernels.gpx_points(piece, False, room, room, letters, room, room)  # type: ignore[arg-type]


def test_each_odd_thing_in_training_files_is_read_as_tag_by_tag() -> None:
    """One odd number, time, child or tag of a trackpoint, and trackpoints inside others and behind one another."""
    track, other = tcx_files.points(0, 20), tcx_files.point(30, time=f"<Time>{tcx_files.stamp(3)}</Time>")
    odd = [tcx_files.point(20, where=tcx_files.place(20, number)) for number in NUMBERS]
    odd += [tcx_files.point(20, time=f"<Time>{time}</Time>") for time in TIMES]
    children = [*CHILDREN, "<Time>2026-03-07T10:00:00Z</Time>", "<Position/>", "<Value>1</Value>", tcx_files.place(7)]
    children += [child.replace("extensions", "Extensions") for child in CHILDREN]
    odd += [tcx_files.point(20, more=child) for child in children]
    odd += [f"<Trackpoint><Track>{track}{other}</Track></Trackpoint>", f"<!--{track}-->", track.replace("Time", "Tine")]
    for inside in odd:
        lap = tcx_files.lap(0, 25, "Manual", track + inside + track, inside + other + track)
        check(tcx_files.document(tcx_files.activity(lap, tcx_files.lap(25, 9, None, track))).encode())
        line = f"<Courses><Course><Name>round</Name><Track>{track}{inside}{track}</Track></Course></Courses>"
        check(tcx_files.document(tcx_files.activity(lap), beside=line).encode())


@pytest.mark.parametrize(
    "encoding", ["cp1252", "koi8-r", "utf-16", "utf-16-be", "utf-32", "shift_jis", "gb18030", "cp037"]
)
@pytest.mark.parametrize("declared", ["utf-8", "", "utf-16", "iso-8859-1", "koi8-r", "shift_jis", "gb18030", "cp037"])
def test_points_in_any_character_set_are_read_as_tag_by_tag(encoding: str, declared: str) -> None:
    """Whatever the letters are, and whatever the file says that they are, the points and names are the same."""
    run = "".join(map(fix, range(20)))
    for name in ("walk", "Spaziergänge", "прогулка", "散歩"):
        text = document(f"{run}</trkseg></trk><trk><name>{name}</name><trkseg>{run}").decode()
        text = text.replace('"1.0"', f'"1.0" encoding="{declared}"') if declared else text
        data = text.encode(encoding, errors="replace")
        check(data)
        check(data.replace(b"<trkpt", b"\xe3\x81<trkpt", 1))
        check(data.replace(b"</trkseg>", fix(3).encode() + b"\x83</trkseg>", 1))


@settings(max_examples=150, deadline=None)
@given(
    inside=mixture(NUMBERS[:-6], TIMES[:17], SOUND_CHILDREN, SOUND_POINTS, SOUND_BREAKS, SOUND_AROUND),
    taken=st.sampled_from([100, 700, 131072]),
)
def test_sound_mixtures_are_read_as_tag_by_tag(inside: str, taken: int) -> None:
    """Between runs, odd numbers and times, points without a place and points in points keep their meaning."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(plain_points, "_TAKEN_BYTES", taken)
        check(document(inside))


@settings(max_examples=150, deadline=None)
@given(
    inside=mixture(NUMBERS, TIMES, CHILDREN, POINTS, BREAKS, AROUND),
    cut=st.none() | st.none() | st.integers(0, 3000),
    damage=st.none() | st.none() | st.integers(0, 2**32),
    encoding=st.sampled_from(["utf-8", "utf-8", "utf-8", "cp1252", "utf-16", "shift_jis"]),
    named=st.booleans(),
)
def test_any_mixture_is_read_as_tag_by_tag(
    inside: str, cut: int | None, damage: int | None, encoding: str, named: bool
) -> None:
    """Points in comments and in wrong places, in any character set, in damaged files: nothing else comes out."""
    data = document(inside).decode().encode(encoding, errors="replace")
    if named:
        data = data.replace(b'"1.0"', f'"1.0" encoding="{encoding}"'.encode())
    if damage is not None:
        data = damaged(data, PLAIN_TCX.encode(), random.Random(damage))
    check(data[:cut])


@pytest.mark.parametrize("name", ["MAX_POINTS", "MAX_LINES", "MAX_ELEMENTS", "MAX_MARKS"])
@pytest.mark.parametrize("limit", [3, 39, 40, 41, 79, 80, 83, 84, 85, 166, 167, 1000])
def test_limits_hold_for_runs(name: str, limit: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file is refused at the same number of points, pieces and elements, with the same words."""
    monkeypatch.setattr(limits, name, limit)
    run, piece = "".join(map(fix, range(40))), f"</trkseg><trkseg>{fix(1)}"
    check(document(run + run))
    check(document(run + piece * 38 + "<trkpt/>"))
    check(document(run).replace(b"<trk>", b"<wpt lat='1' lon='2'/>" * 40 + b"<trk>"))
    check(tcx_files.document(beside=tcx_files.course(80)).encode())


@pytest.mark.parametrize("words", [90_000, 99_990, 110_000, 140_000])
@pytest.mark.parametrize("before", [0, 300, 800])
def test_an_endless_tag_is_refused_beside_runs(words: int, before: int) -> None:
    """A tag that is too long is refused wherever it begins, as without runs."""
    run = "".join(map(fix, range(before)))
    for tag in (f"<!--{'a' * words}-->", f"<a>{'a' * words}</a>", f'<a a="{"a" * words}"/>'):
        check(document(run + tag + run))


def test_damaged_recordings_are_read_as_tag_by_tag() -> None:
    """Files of every usual form, damaged in any place, give the same fixes, notes and errors."""
    rng, at_once = random.Random(5), 0
    samples = [document("".join(map(form, range(40)))) for form in FORMS.values()] + [PLAIN_TCX.encode()]
    samples += [(DATA / name).read_bytes() for name in ("two-tracks.gpx", "older.gpx")]
    samples += [case.data for case in tcx_files.CASES.values()]
    for sample in samples:
        check(sample)
    for _ in range(600):
        at_once += check(damaged(rng.choice(samples), rng.choice(samples), rng))
    assert at_once > 20  # most damage is noticed, and read the other way
