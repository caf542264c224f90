"""Everything that can be wrong with what is given: a plain line says so, and nothing on the disk has changed."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from small_walks import LAT, LON, MORNING, fix, gpx, lanes, polygon, snapshot, square, stamped, walk

from fieldcomb.coverage.commands.cli import main

Typed = list[str]


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in an empty folder, where names are typed without a path."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def refused(capsys: pytest.CaptureFixture[str]) -> Callable[[Typed, int, str], None]:
    """Give a check: the command ends with this code and one plain line that holds these words, and changes nothing."""

    def check(args: Typed, code: int, says: str) -> None:
        before = snapshot(Path())
        capsys.readouterr()
        assert main(args) == code
        out, err = capsys.readouterr()
        last = err.splitlines()[-1]
        assert out == "" and last.startswith("fieldcomb: ") and says in last, err
        assert "Traceback" not in err and err.count("fieldcomb: ") == 1, err
        assert snapshot(Path()) == before

    return check


@pytest.fixture
def told(capsys: pytest.CaptureFixture[str]) -> Callable[[Typed, str], dict[str, object]]:
    """Give a check: the command works, says these words, and its report is given back."""

    def check(args: Typed, says: str) -> dict[str, object]:
        assert main([*args, "--json"]) == 0
        out, err = capsys.readouterr()
        assert says in err, err
        report: dict[str, object] = json.loads(out)
        return report

    return check


def put(name: str, content: str | bytes) -> str:
    """Write a file in the folder at hand."""
    Path(name).write_bytes(content.encode() if isinstance(content, str) else content)
    return name


def site() -> None:
    """Make a site with one outing."""
    assert main(["new", "s", "--boundary", put("edge.geojson", square(-2, -2, 12, 22))]) == 0
    assert main(["add", "s", put("first.gpx", walk())]) == 0


FAR = [(x, y + 500_000) for x, y in lanes()]
HEAD = '<?xml version="1.0"?>\n'
BAD_TRACKS = {
    "text": ("hello\n", "is not a GPX, "),
    "bytes": (bytes(range(256)), "is not a GPX, "),
    "login page": ("<!DOCTYPE html><html><body>Please log in", "is a web page, perhaps a login page"),
    "empty": ("", "is an empty file"),
    "doctype": (HEAD + '<!DOCTYPE gpx [<!ENTITY a "b">]>' + walk().split("\n", 1)[1], "has a DOCTYPE"),
    "nested tags": (HEAD + "<gpx>" + "<a>" * 200_000, "x.gpx"),
    "xmlns 240 kB": (HEAD + "<gpx" + " xmlns" * 40_000 + ">", "is not a valid GPX file"),
    "latitude 91": (gpx(f'<trkpt lat="91" lon="3.{k}"/>' for k in range(50)), "x.gpx"),
    "not numbers": (gpx('<trkpt lat="NaN" lon="NaN"/>' for _ in range(50)), "x.gpx"),
    "no points": (gpx([], '<wpt lat="55" lon="3"/><rte><rtept lat="55" lon="3"/></rte>'), "1 route with 1 point"),
    "no points, waypoints": (gpx([], '<wpt lat="55" lon="3"/>'), "1 waypoint"),
    "one place": (gpx(stamped([(1.0, 1.0)] * 40)), "fewer than two places"),
    "one fix": (gpx(stamped([(1.0, 1.0)])), "fewer than two places"),
}


@pytest.mark.parametrize("what", BAD_TRACKS)
def test_track_that_cannot_be_used(what: str, refused: Callable[[Typed, int, str], None]) -> None:
    """A file that is no walk is refused by map and by add with its name and what it is, and leaves nothing behind."""
    content, says = BAD_TRACKS[what]
    site()
    put("x.gpx", content)
    for args in (["map", "x.gpx"], ["add", "s", "x.gpx"]):
        refused(args, 1, says)
        refused(args, 1, "x.gpx: ")


def test_one_bad_file_among_good_ones_adds_none(refused: Callable[[Typed, int, str], None]) -> None:
    """When one of several files cannot be used, none of them is added, and the message names the one."""
    site()
    files = [put(f"{k}.gpx", walk(MORNING + timedelta(days=k))) for k in (1, 2, 3)]
    put("2.gpx", "hello")
    refused(["add", "s", *files], 1, "2.gpx: is not a GPX, ")
    refused(["add", "s", *files, "--each"], 1, "2.gpx: is not a GPX, ")
    refused(["map", *files], 1, "2.gpx: is not a GPX, ")


def test_a_slip_in_a_name_is_answered_with_the_name_there_is(refused: Callable[[Typed, int, str], None]) -> None:
    """A file, a boundary, a site or a row of a roster that is all but right is told with what it is like."""
    site()
    put("saturday walk.gpx", walk())
    put("team.csv", "file,searcher,coil\nsaturdaywalk.gpx,Ann,28cm\n")
    for typed in ("saturdy walk.gpx", "Saturday Walk.GPX", "saturday walk.fit"):
        refused(["map", typed], 1, f"{typed}: is not there. Did you mean 'saturday walk.gpx'? Check the name")
    refused(["add", "s", "sunday.gpx"], 1, "sunday.gpx: is not there. Check the name")
    Path("north-field").mkdir()
    refused(["report", "nort-field"], 1, "Did you mean 'north-field'? To start a new one: fieldcomb new nort-field")
    refused(["add", "s", "--roster", "team.csv"], 1, "saturdaywalk.gpx (line 2, or is it saturday walk.gpx?)")


def test_files_that_are_none(refused: Callable[[Typed, int, str], None]) -> None:
    """A missing file, a folder, a broken link, a device and a name with a zero byte are each told apart."""
    site()
    Path("folder.gpx").mkdir()
    Path("link.gpx").symlink_to("nowhere.gpx")
    for args in (["map"], ["add", "s"]):
        refused([*args, "none.gpx"], 1, "none.gpx: is not there")
        refused([*args, "folder.gpx"], 1, "folder.gpx: is a folder, not a file")
        refused([*args, "link.gpx"], 1, "link.gpx: is not there")
        refused([*args, "a\0b.gpx"], 2, "holds a zero byte")
        refused([*args, ""], 2, "an empty file name was given")
        if Path("/dev/zero").exists():
            refused([*args, "/dev/zero"], 1, "/dev/zero: is not a plain file")


def test_file_that_may_not_be_read(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """A file without permission to read is told as such, and no map is made."""
    put("secret.gpx", walk())
    real = Path.read_bytes

    def deny(path: Path) -> bytes:
        if path.name == "secret.gpx":
            raise PermissionError(13, "Permission denied", str(path))
        return real(path)

    with monkeypatch.context() as patch:  # the superuser may read everything, so permissions alone would not do
        patch.setattr(Path, "read_bytes", deny)
        assert main(["map", "secret.gpx"]) == 1
    assert "fieldcomb: secret.gpx: you do not have permission to read it" in capsys.readouterr().err
    assert not Path("secret-map").exists()


def test_walk_far_from_the_site(refused: Callable[[Typed, int, str], None]) -> None:
    """A walk 500 km from the site is refused with the distance, with a boundary and without."""
    site()
    put("far.gpx", gpx(stamped(FAR)))
    refused(["add", "s", "far.gpx"], 1, "far.gpx: the walk is 500 km away from the site")
    assert main(["new", "t"]) == 0 and main(["add", "t", put("near.gpx", walk())]) == 0
    refused(["add", "t", "far.gpx"], 1, "far.gpx: the walk is 500 km away from the site")


def test_walks_too_far_apart_for_a_first_site(refused: Callable[[Typed, int, str], None]) -> None:
    """Where there is no site yet, no walk is called the wrong one: it is told which lie how far from which."""
    files = [put("a.gpx", walk()), put("b.gpx", walk(MORNING + timedelta(days=1))), put("far.gpx", gpx(stamped(FAR)))]
    apart = "recordings lie far apart, and the site has no location yet: "
    for given in (files, files[::-1]):
        refused(["map", *given], 1, f"{apart}far.gpx 500 km from a.gpx and 1 more")
    refused(["map", "far.gpx", "a.gpx"], 1, f"far.gpx and 1 more: {apart}far.gpx 500 km from a.gpx")
    longer = put("long.gpx", gpx(stamped([*FAR, *FAR, *FAR, *FAR], MORNING + timedelta(days=2))))
    refused(["map", *files[:2], longer], 1, f"{apart}long.gpx 500 km from a.gpx and 1 more")


def test_single_fixes_far_apart(refused: Callable[[Typed, int, str], None]) -> None:
    """Fixes minutes and hundreds of metres apart, with times, are told to be too wide for one site."""
    times = (MORNING + timedelta(minutes=5 * k) for k in range(60))
    put("w.gpx", gpx(fix(150.0 * k, 0, f"{t:%Y-%m-%dT%H:%M:%SZ}") for k, t in enumerate(times)))
    refused(["map", "w.gpx"], 1, "w.gpx: spans 8.8 km, too far for one site without a boundary")


def test_a_boundary_too_wide_for_its_cells(refused: Callable[[Typed, int, str], None]) -> None:
    """A boundary of too many cells is refused before a site is made of it, with cells that do."""
    side = 700 * 9e-6
    corners = [[0, 0], [side, 0], [side, side], [0, side], [0, 0]]
    put("b.geojson", json.dumps({"type": "Polygon", "coordinates": [corners]}))
    refused(["new", "field", "--boundary", "b.geojson"], 1, "b.geojson: ")
    refused(["new", "field", "--boundary", "b.geojson"], 1, "more than the limit of 30 million. Use larger cells, 15cm")
    assert main(["new", "field", "--boundary", "b.geojson", "--cell", "15cm"]) == 0


def test_ground_too_wide_for_its_cells(refused: Callable[[Typed, int, str], None]) -> None:
    """Ground of too many cells is refused with the file, the limit, what was found and cells that do."""
    far = [(x + 1400, y + 1400) for x, y in lanes()]
    put("two.gpx", gpx([*stamped(lanes()), *stamped(far, MORNING + timedelta(hours=2))]))
    refused(["map", "two.gpx"], 1, "two.gpx: ")
    refused(["map", "two.gpx"], 1, "more than the limit of 30 million")
    refused(["map", "two.gpx"], 1, "larger cells, 30cm or more")
    assert main(["map", "two.gpx", "--cell", "30cm", "-o", "out"]) == 0


def test_time_window_without_a_fix(refused: Callable[[Typed, int, str], None]) -> None:
    """A window that holds no fix is told with the options to check."""
    put("w.gpx", walk())
    refused(["map", "w.gpx", "--from", "2027-01-01T00:00"], 1, "Check the --from and --to times")


BAD_AREAS = {
    "crosses itself": (polygon([(0, 0), (20, 20), (20, 0), (0, 20), (0, 0)]), "cross"),
    "line": (polygon([(0, 0), (20, 0), (40, 0), (0, 0)]), "edge.geojson"),
    "empty": ('{"type": "FeatureCollection", "features": []}', "edge.geojson"),
    "empty file": ("", "edge.geojson"),
    "country": (polygon([(0, 0), (400_000, 0), (400_000, 300_000), (0, 300_000), (0, 0)]), "km"),
    "not JSON": ("{", "edge.geojson"),
    "kind": (square(0, 0, 9, 9, "forbidden"), "forbidden"),
    "page": ("<html>", "edge.geojson"),
}


@pytest.mark.parametrize("what", BAD_AREAS)
def test_boundary_that_cannot_be(what: str, refused: Callable[[Typed, int, str], None]) -> None:
    """A boundary that crosses itself, is a line, empty, or as large as a country is refused, and no site is made."""
    content, says = BAD_AREAS[what]
    put("edge.geojson", content)
    put("w.gpx", walk())
    refused(["new", "s", "--boundary", "edge.geojson"], 1, says)
    refused(["map", "w.gpx", "--boundary", "edge.geojson"], 1, says)
    refused(["new", "s", "--boundary", "none.geojson"], 1, "none.geojson: is not there. Check the name and the folder")
    refused(["new", "s", "--edge", "none.gpx"], 1, "none.gpx: is not there")


def test_boundary_that_was_spoilt_later(refused: Callable[[Typed, int, str], None]) -> None:
    """areas.geojson edited into something impossible is told at the next report and add; nothing changes."""
    site()
    put("s/areas.geojson", BAD_AREAS["crosses itself"][0])
    put("b.gpx", walk(MORNING + timedelta(days=1)))
    refused(["report", "s"], 1, "areas.geojson")
    refused(["add", "s", "b.gpx"], 1, "areas.geojson")


def test_places_that_are_no_site(refused: Callable[[Typed, int, str], None]) -> None:
    """A folder that is none, is a file, is not a site, or is full already is told as such."""
    put("w.gpx", walk())
    Path("plain").mkdir()
    put("plain/mine.txt", "mine")
    Path("bare").mkdir()
    for command in (["report"], ["add"], ["edit"]):
        rest = {"report": [], "add": ["w.gpx"], "edit": ["a", "--note", "x"]}[command[0]]
        refused([*command, "none", *rest], 1, "none: is not there")
        refused([*command, "w.gpx", *rest], 1, "w.gpx: is a file, not a site folder")
        refused([*command, "plain", *rest], 1, "plain: is not a site folder: it has no site.toml")
    refused(["new", "plain"], 1, "plain: already exists and is not empty")
    refused(["new", "w.gpx"], 1, "w.gpx: is a file, not a folder")
    refused(["new", "a/b/c"], 1, "a/b/c: the folder that should contain it does not exist")
    assert main(["new", "bare"]) == 0 and Path("bare/site.toml").exists()
    refused(["report", "bare"], 1, "bare: has no outings yet")


def test_output_that_cannot_be_written(refused: Callable[[Typed, int, str], None]) -> None:
    """An output folder that is a file, or holds a folder where a file goes, is told as such."""
    site()
    put("file", "x")
    refused(["report", "s", "-o", "file"], 1, "file: is a file, not a folder")
    refused(["report", "s", "-o", "file/deeper"], 1, "file/deeper: ")
    refused(["map", "first.gpx", "-o", "file"], 1, "file: is a file, not a folder")
    put("first-map", "x")
    refused(["map", "first.gpx"], 1, "first-map: is a file, not a folder")
    Path("taken/report.json").mkdir(parents=True)
    put("taken/report.json/x", "x")
    before = Path("taken").stat().st_mode
    assert main(["report", "s", "-o", "taken"]) == 1
    assert Path("taken").stat().st_mode == before and Path("taken/report.json/x").exists()
    assert not [path for path in Path("taken").iterdir() if path.name.endswith(".part")]


def test_settings_with_a_slip(refused: Callable[[Typed, int, str], None]) -> None:
    """A slip in outings.toml or site.toml is told with file, line, key and the known keys, by every command."""
    site()
    put("b.gpx", walk(MORNING + timedelta(days=1)))
    good = Path("s/outings.toml").read_text()
    put("s/outings.toml", good.replace("id = ", 'labl = "x"\nid = '))
    for args in (["report", "s"], ["add", "s", "b.gpx"], ["edit", "s", "2026-03-07a", "--note", "x"]):
        refused(args, 1, "outings.toml: key 'labl' is not known in outing (line 5). Known keys here: id, coil, swath")
    put("s/outings.toml", good + "[[outing]\n")
    refused(["report", "s"], 1, "outings.toml: is not understood")
    put("s/outings.toml", good.encode("utf-16"))
    refused(["report", "s"], 1, "outings.toml: holds a character that is not UTF-8 (line 1)")
    put("s/outings.toml", good)
    Path("s/site.toml").write_text(Path("s/site.toml").read_text().replace("zone", "zoen"))
    refused(["report", "s"], 1, "site.toml: key 'zoen' is not known (line 3)")


def test_kept_file_that_changed(refused: Callable[[Typed, int, str], None]) -> None:
    """Where the only recording changed or is gone, it is named, and there is no report."""
    site()
    stored = Path("s/tracks/2026-03-07a-first.gpx")
    stored.write_bytes(stored.read_bytes() + b"\n")
    refused(["report", "s"], 1, "2026-03-07a-first.gpx: has changed since it was added")
    stored.unlink()
    refused(["report", "s"], 1, "2026-03-07a-first.gpx: is missing")


def test_same_file_again(refused: Callable[[Typed, int, str], None]) -> None:
    """The same recording given again, or twice at once, is refused with where it is."""
    site()
    put("copy.gpx", walk())
    refused(["add", "s", "copy.gpx"], 1, "copy.gpx: was added before, in outing 2026-03-07a as first.gpx")
    refused(["map", "first.gpx", "copy.gpx"], 1, "copy.gpx: is the same recording as first.gpx")


WRONG_USAGE: list[tuple[str, str]] = [
    ("map", "Missing argument"),
    ("map w.gpx --cell 0cm", "--cell: cell '0cm' must be more than zero"),
    ("map w.gpx --cell 10", "--cell: cell '10' has no unit"),
    ("map w.gpx --cell 5mm", "is not between 1 cm and 2 m"),
    ("map w.gpx --swath 1.4", "--swath: swing width '1.4' has no unit"),
    ("map w.gpx --swath 20cm", "smaller than the coil itself"),
    ("map w.gpx --swath 9m", "wider than anyone swings"),
    ("map w.gpx --coil big", "coil 'big' is not known"),
    ("map w.gpx --coil 28", "coil size '28' has no unit"),
    ("map w.gpx --coil 5m", "between 5 cm and 2 m"),
    ("map w.gpx --coil 28cm:round", "winding 'round'"),
    ("map w.gpx --coil 12=28cm", "looks like a size"),
    ("map w.gpx --coil =28cm", "is not understood"),
    ("map w.gpx --sweeps 20 --sweep 1", "--sweeps and --sweep were both given"),
    ("map w.gpx --sweeps 0", "--sweeps: '0' is not a count of sweeps"),
    ("map w.gpx --sweeps 1", "a sweep of 30 s is not possible"),
    ("map w.gpx --sweep nan", "is not possible"),
    ("map w.gpx --sweep fast", "--sweep: 'fast' is not a number"),
    ("map w.gpx --gps great", "--gps: gps 'great' is not known"),
    ("map w.gpx --top-pace 3", "--top-pace: top pace '3' has no unit"),
    ("map w.gpx --from noon", "--from: time 'noon' is not a date and time"),
    ("map w.gpx --from 2026-03-07T10:00 --to 2026-03-07T09:00", "is not before the time to"),
    ("map w.gpx --colour red", "No such option"),
    ("map w.gpx -coil 28cm", "No such option '-coil'. Did you mean --coil? See: fieldcomb map --help"),
    ("map w.gpx --since 2026-03-07", "'--since'. Only fieldcomb report has it. See: fieldcomb map --help"),
    ("report s --boundary edge.geojson", "'--boundary'. Only fieldcomb map and fieldcomb new have it. See: "),
    ("map w.gpx --sweps 20", "No such option '--sweps'. Did you mean --sweeps? See: fieldcomb map --help"),
    ("lanes s --done 3", "No such option '--done'. See: fieldcomb lanes --help"),
    ("mop w.gpx", "No such command"),
    ("w.gpx --coil 28cm", "'w.gpx' is not a command. To draw a walk: fieldcomb map w.gpx. See: fieldcomb --help"),
    ("s --full", "'s' is not a command. To draw a site: fieldcomb report s. See: fieldcomb --help"),
    ("mapp w.gpx", "Did you mean 'map'? See: fieldcomb --help"),
    ("new", "Missing argument"),
    ("new t --zone Mars", "--zone: time zone 'Mars' is not known"),
    ("new t --cell 0m", "--cell: "),
    ("new t --boundary edge.geojson --edge w.gpx", "--boundary and --edge were both given"),
    ("add s", "no TRACK was given"),
    ("add s w.gpx --coil big", "coil 'big' is not known. Coils known here: none yet. Or type a size such as 28cm"),
    ("add s w.gpx --coil Big --swath 1.4m", "13x20cm; add and edit give one a name: small=13x20cm"),
    ("add s w.gpx --swath 20cm", "smaller than the coil itself"),
    ("add s w.gpx --sweeps 20 --sweep 1", "--sweeps and --sweep were both given"),
    ("add s w.gpx --each --roster r.csv", "--each and --roster were both given"),
    ("edit s", "no outing was named. Outings of this site: 2026-03-07a"),
    ("edit s 2026-03-07a", "no change was named"),
    ("edit s 2026-03-07a --leave-out --take-back", "--leave-out and --take-back were both given"),
    ("edit s 2026-03-07b --note x", "outing '2026-03-07b' is not known. Outings of this site: 2026-03-07a"),
    ("edit s 2026-03-07a --swath 1", "--swath: swing width '1' has no unit"),
    ("edit s 2026-03-07a --coil big", "coil 'big' is not known"),
    ("report s --between 2026-03-07a", "--between' requires 2 arguments. See: fieldcomb report --help"),
    ("report s --between 2026-03-07a x", "outing 'x' is not known"),
    ("report s --between 2026-03-07a 2026-03-07a", "the same outing twice"),
    ("report s --since noon", "--since: 'noon' is neither a day nor an event"),
]


@pytest.mark.parametrize("typed", [typed for typed, _ in WRONG_USAGE])
def test_wrong_usage(typed: str, refused: Callable[[Typed, int, str], None]) -> None:
    """A value or option that cannot be ends with code 2 and a line that names it, before anything is written."""
    says = dict(WRONG_USAGE)[typed]
    site()
    put("w.gpx", walk(MORNING + timedelta(days=1)))
    refused(typed.split(), 2, says)


@pytest.mark.parametrize("value", ["--cell 0cm", "--swath 1.4", "--coil 28", "--sweeps 2 --sweep 2", "--swath 10cm"])
def test_options_are_looked_at_before_files(value: str, refused: Callable[[Typed, int, str], None]) -> None:
    """A wrong option is told even when the file is not there either: options come first."""
    refused(["map", "none.gpx", *value.split()], 2, "")


def test_orders_to_a_terminal_are_not_passed_on(capsys: pytest.CaptureFixture[str]) -> None:
    """A name that holds orders to a terminal is shown without them."""
    assert main(["map", "a\x1b[2J\nb.gpx"]) == 1
    err = capsys.readouterr().err
    assert "\x1b" not in err and len(err.splitlines()) == 1


# --------------------------------------------------------------------------- what works, and says so


def track_of(report: dict[str, object]) -> dict[str, object]:
    """Give the only recording of a report."""
    outings = report["outings"]
    assert isinstance(outings, list) and len(outings) == 1
    recording: dict[str, object] = outings[0]["recordings"][0]
    return recording


def test_decimal_commas(told: Callable[[Typed, str], dict[str, object]]) -> None:
    """A file with decimal commas gives the same ground as the same file with points, and it is said."""
    plain = told(["map", put("w.gpx", walk())], "fixes")
    put(
        "w.gpx",
        walk().replace(f'lat="{int(LAT)}.', f'lat="{int(LAT)},').replace(f'lon="{int(LON)}.', f'lon="{int(LON)},'),
    )
    assert told(["map", "w.gpx"], "comma")["total"] == plain["total"]


def test_no_times_at_all(told: Callable[[Typed, str], dict[str, object]]) -> None:
    """A walk without times is mapped; what needs a clock is null in the report."""
    report = told(["map", put("w.gpx", gpx(fix(x, y) for x, y in lanes()))], "Outing nodate-a")
    (outing,) = report["outings"]  # type: ignore[misc]
    assert outing["start"] is None and outing["searching_s"] is None and outing["swept_m2"] > 50


def test_local_offsets(told: Callable[[Typed, str], dict[str, object]]) -> None:
    """Times with an offset are the same instants as in UTC."""
    plain = told(["map", put("w.gpx", walk())], "2026-03-07a")
    put("w.gpx", walk(MORNING + timedelta(hours=2)).replace("Z</time>", "+02:00</time>"))
    assert told(["map", "w.gpx"], "2026-03-07a")["outings"] == plain["outings"]


def test_across_180_degrees(told: Callable[[Typed, str], dict[str, object]]) -> None:
    """A walk over the line of 180 degrees is one walk of the usual size."""
    lon = [(180 + (x - 2) / 63_200 + 180) % 360 - 180 for x, _ in lanes()]
    points = [f'<trkpt lat="{LAT + y / 111_300:.8f}" lon="{x:.8f}"/>' for x, (_, y) in zip(lon, lanes(), strict=True)]
    assert min(lon) < -179 and max(lon) > 179
    report = told(["map", put("w.gpx", gpx(points))], "fixes")
    assert 80 < report["total"]["swept_m2"] < 140  # type: ignore[index]


def test_truncated_end(told: Callable[[Typed, str], dict[str, object]]) -> None:
    """A file that breaks off is read up to there, and it is said."""
    text = walk()
    report = told(["map", put("w.gpx", text[: len(text) // 2])], "Everything before that was read")
    assert 80 < int(str(track_of(report)["fixes"])) < 130


def test_one_bad_fix_among_many_is_dropped_and_counted(told: Callable[[Typed, str], dict[str, object]]) -> None:
    """One fix without a place, one off the globe and one far away are left out, each counted under its reason."""
    places = lanes()
    places[50] = (3000.0, 3000.0)
    points = stamped(places)
    points[20] = '<trkpt lat="x" lon="3"><time>2026-03-07T09:00:20Z</time></trkpt>'
    points[30] = '<trkpt lat="91" lon="3"><time>2026-03-07T09:00:30Z</time></trkpt>'
    report = told(
        ["map", put("w.gpx", gpx(points))], "left out: 1 far from its neighbours, 1 no position, 1 position out of"
    )
    assert sum(track_of(report)["dropped"].values()) == 3  # type: ignore[attr-defined]


def test_times_backwards(told: Callable[[Typed, str], dict[str, object]]) -> None:
    """Two halves in the wrong order are put in order, and it is said; the ground is the same."""
    points = stamped(lanes())
    plain = told(["map", put("w.gpx", gpx(points))], "fixes")
    report = told(["map", put("w.gpx", gpx(points[100:] + points[:100]))], "Time runs backwards")
    assert report["total"] == plain["total"]


def test_walk_beside_the_boundary(told: Callable[[Typed, str], dict[str, object]]) -> None:
    """A walk 200 m beside the site counts nothing inside it, and there is a report that says so."""
    put("edge.geojson", square(-2, -2, 12, 22))
    report = told(["map", put("w.gpx", walk(east_m=200)), "--boundary", "edge.geojson"], "fixes")
    assert report["total"]["swept_m2"] == 0  # type: ignore[index]


def test_two_fixes_half_a_century_apart(
    told: Callable[[Typed, str], dict[str, object]], refused: Callable[[Typed, int, str], None]
) -> None:
    """Two fixes half a century apart are no searching, so a boundary is asked for; a year before 1970 is no time."""
    put("w.gpx", gpx([fix(0, 0, "1976-03-07T09:00:00Z"), fix(3, 3, "2026-03-07T09:00:00Z")]))
    refused(["map", "w.gpx"], 1, "Use --boundary")
    put("edge.geojson", square(-2, -2, 12, 22))
    report = told(["map", "w.gpx", "--boundary", "edge.geojson"], "2 fixes")
    assert track_of(report)["fixes"] == 2
    put("w.gpx", gpx([fix(0, 0, "1926-03-07T09:00:00Z"), fix(3, 3, "2026-03-07T09:00:00Z")]))
    told(["map", "w.gpx"], "outside the years 1970 to 2099")


def test_clock_that_was_wrong_at_first(told: Callable[[Typed, str], dict[str, object]]) -> None:
    """A walk whose first fix is a century old is dated by the others, and the ground is that of the walk."""
    plain = told(["map", put("w.gpx", walk())], "Outing 2026-03-07a")
    points = [fix(0, -0.4, "1926-03-07T09:00:00Z"), *stamped(lanes())]
    report = told(["map", put("w.gpx", gpx(points))], "Outing 2026-03-07a")
    assert report["total"]["swept_m2"] == pytest.approx(plain["total"]["swept_m2"], rel=0.02)  # type: ignore[index]


def test_routes_and_waypoints_beside_a_track(told: Callable[[Typed, str], dict[str, object]]) -> None:
    """Plans and marks in the file are reported and never count as walked."""
    plain = told(["map", put("w.gpx", walk())], "fixes")
    beside = '<wpt lat="55.5" lon="3.2"/><rte><rtept lat="55.5" lon="3.2"/><rtept lat="55.6" lon="3.3"/></rte>'
    put("w.gpx", gpx(stamped(lanes()), beside))
    report = told(["map", "w.gpx"], "1 waypoint")
    assert report["total"] == plain["total"]


def test_edge_that_touches_itself_by_a_rounding(told: Callable[[Typed, str], dict[str, object]]) -> None:
    """A boundary with a point a millimetre across another edge is repaired and told, not refused."""
    ring = [(-2, -2), (12, -2), (12, 22), (5, 22), (5, -2.001), (4.99, 22), (-2, 22), (-2, -2)]
    put("edge.geojson", polygon(ring))
    report = told(["map", put("w.gpx", walk()), "--boundary", "edge.geojson"], "note: ")
    assert report["site"]["area_m2"] == pytest.approx(14 * 24, rel=0.01)  # type: ignore[index]
