"""The commands as they are typed: what they print where, what they write, and how they end."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import click
import pytest
import rasterio
from small_walks import MORNING, fix, gpx, lanes, snapshot, square, stamped, walk

from fieldcomb.coverage.commands.cli import COMMANDS, cli, main

COMMAND = [sys.executable, "-c", "import sys; from fieldcomb.coverage.commands.cli import main; sys.exit(main())"]
OUTPUTS = [
    *("coverage.tif", "map.html", "places.geojson", "places.gpx", "report.json", "site.gpkg", "strips.geojson"),
    "todo.geojson",
]


def loaded(name: str) -> click.Command:
    """Return a command by its name."""
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    return command


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in an empty folder, where names are typed without a path."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


class Run:
    """Types commands and keeps what the last one printed."""

    def __init__(self, capsys: pytest.CaptureFixture[str]):
        self.capsys, self.out, self.err = capsys, "", ""

    def __call__(self, *args: str) -> int:
        """Type a command; gives the exit code."""
        code = main(list(args))
        self.out, self.err = self.capsys.readouterr()
        return code


@pytest.fixture
def run(here: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    """Give what types commands in the empty folder."""
    return Run(capsys)


STOPPED = "fieldcomb: stopped. A change to a site is made completely or not at all"


def put(name: str, text: str) -> str:
    """Write a file in the folder at hand."""
    Path(name).parent.mkdir(parents=True, exist_ok=True)
    Path(name).write_text(text, encoding="utf-8")
    return name


def names(folder: str = ".") -> list[str]:
    """What lies in a folder."""
    return sorted(path.name for path in Path(folder).iterdir())


def outing_ids(report: str) -> list[str]:
    """Ids of the outings in a report.json."""
    return [outing["id"] for outing in json.loads(report)["outings"]]


def real(*args: str, **more: object) -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own."""
    return subprocess.run([*COMMAND, *args], capture_output=True, text=True, check=False, **more)  # type: ignore[call-overload,no-any-return]


# ---------------------------------------------------------------------------------------------------- map


def test_map_writes_seven_files_beside_the_first_walk(run: Run) -> None:
    """A map needs one file and no more: the folder beside it holds our eight files, and the walk is as it was."""
    put("club day/walk one.gpx", walk())
    assert run("map", "club day/walk one.gpx") == 0
    folder = Path("club day/walk one-map")
    assert sorted(path.name for path in folder.iterdir()) == OUTPUTS
    assert sorted(path.name for path in Path("club day").iterdir()) == ["walk one-map", "walk one.gpx"]
    assert Path("club day/walk one.gpx").read_text() == walk()
    assert "Searched:" in run.out and "walk one" in run.out.splitlines()[0]
    assert names() == ["club day"]
    with rasterio.open(folder / "coverage.tif") as raster:
        assert raster.descriptions == ("passes",)
    assert (folder / "map.html").read_text("utf-8").lower().startswith("<!doctype html>")


def test_map_says_what_it_took_for_granted(run: Run) -> None:
    """Without --coil and --swath it is said on stderr what was taken, that nobody measured it, and how to measure."""
    put("w.gpx", walk())
    assert run("map", "w.gpx") == 0
    assert "No coil was named, so 28cm was assumed" in run.err
    assert "1.48 m for coil 28cm is a guess, not measured: lay a tape on the ground" in run.err
    assert run("map", "w.gpx", "--coil", "28cm", "--swath", "1.4m") == 0
    assert "No coil" not in run.err and "guess" not in run.err


def test_map_of_several_walks_makes_an_outing_of_each(run: Run) -> None:
    """Each file is an outing; -o says where the map goes; --json prints what report.json holds."""
    put("a.gpx", walk())
    put("b.gpx", walk(MORNING + timedelta(days=1), east_m=3))
    assert (
        run("map", "a.gpx", "b.gpx", "-o", "deep/er", "--json", "--boundary", put("f.geojson", square(-2, -2, 12, 22)))
        == 0
    )
    assert outing_ids(run.out) == ["2026-03-07a", "2026-03-08a"]
    assert Path("deep/er/report.json").read_text("utf-8") == run.out
    assert json.loads(run.out)["site"]["boundary"] == "given"
    assert names() == ["a.gpx", "b.gpx", "deep", "f.geojson"]


def test_options_arrive_in_the_report(run: Run) -> None:
    """Coil, swing width, sweeps in half a minute, receiver, label and cell are those that were typed."""
    put("w.gpx", walk())
    typed = [
        "--coil",
        "small=13x20cm:concentric",
        "--swath",
        "130 cm",
        "--sweeps",
        "24",
        "--gps",
        "2m",
        "--label",
        "Nord ø",
    ]
    assert run("map", "w.gpx", *typed, "--cell", "20cm", "--top-pace", "3km/h", "--json") == 0
    report = json.loads(run.out)
    (recording,) = report["outings"][0]["recordings"]
    assert recording["coil"] == "small" and recording["swath_m"] == 1.3 and recording["sweep_s"] == 1.25
    assert recording["gps"] == "2m" and report["outings"][0]["label"] == "Nord ø" and report["site"]["cell_m"] == 0.2


def test_from_and_to_cut_the_walk(run: Run) -> None:
    """Only the fixes from the one time up to the other are used; times without an offset are UTC on a map."""
    put("w.gpx", walk())
    assert run("map", "w.gpx", "--from", "2026-03-07T09:01", "--to", "2026-03-07T11:02+02:00", "--json") == 0
    outing = json.loads(run.out)["outings"][0]
    assert outing["start"] == "2026-03-07T09:01:00Z"
    assert outing["recordings"][0]["fixes"] - sum(outing["recordings"][0]["dropped"].values()) == 60


def test_names_of_any_kind(run: Run) -> None:
    """Names with spaces, letters of any script, or a dash in front are no trouble."""
    put("Sør 畑 (1).gpx", walk())
    put("-o.gpx", walk(MORNING + timedelta(days=1)))
    assert run("map", "Sør 畑 (1).gpx") == 0
    assert run("map", "--", "-o.gpx") == 0
    assert Path("Sør 畑 (1)-map/map.html").exists() and Path("-o-map/map.html").exists()


@pytest.mark.skipif(sys.platform != "linux", reason="only there can a name be any bytes")
def test_name_that_is_no_text(run: Run) -> None:
    """A file whose name is not UTF-8 is mapped all the same, and its report is valid UTF-8."""
    name = os.fsdecode(b"caf\xe9.gpx")
    put(name, walk())
    assert run("map", name, "-o", "out", "--json") == 0
    assert (
        json.loads(Path("out/report.json").read_text("utf-8"))["outings"][0]["recordings"][0]["file"] == "caf\ufffd.gpx"
    )


# ------------------------------------------------------------------------------------------------ a site


def site_with_two(run: Run) -> None:
    """Make a site with two outings."""
    assert run("new", "s", "--boundary", put("f.geojson", square(-2, -2, 12, 22))) == 0
    assert run("add", "s", put("a.gpx", walk()), "--coil", "28cm") == 0
    assert run("add", "s", put("b.gpx", walk(MORNING + timedelta(days=1), east_m=3)), "--coil", "28cm") == 0


def test_site_from_new_to_report(run: Run) -> None:
    """new, add and report each say what is next; stdout stays for data; the map is in SITE/out."""
    assert run("new", "north", "--name", "North field") == 0
    assert run.out == "" and "fieldcomb add north walk.gpx" in run.err and "zone" in run.err
    points = stamped(lanes())
    points.insert(30, '<trkpt lat="" lon=""/>')
    put("w.gpx", gpx(points))
    assert run("add", "north", "w.gpx") == 0
    assert run.out == "" and "fieldcomb report north" in run.err
    assert "Outing 2026-03-07a" in run.err and "w.gpx: 205 fixes; left out: 1 no position" in run.err
    assert run("report", "north") == 0
    assert run.out.startswith("North field") and "The map is" in run.err and "map.html" in run.err
    assert names("north/out") == sorted([*OUTPUTS, "kept"])


def test_map_and_site_give_the_same_numbers(run: Run) -> None:
    """One walk gives the same report from map as from a site of the same name."""
    put("w.gpx", walk())
    assert run("map", "w.gpx", "--json") == 0
    mapped = run.out
    assert run("new", "site", "--name", "w") == 0 and run("add", "site", "w.gpx") == 0
    assert run("report", "site", "--json") == 0
    assert run.out == mapped


def test_out_comes_back_the_same_byte_for_byte(run: Run) -> None:
    """out/ may be deleted: the next report makes it again, the same byte for byte."""
    site_with_two(run)
    assert run("report", "s") == 0
    first = snapshot(Path("s/out"))
    shutil.rmtree("s/out")
    assert run("report", "s") == 0
    assert snapshot(Path("s/out")) == first


def test_report_touches_nothing_else(run: Run) -> None:
    """A report changes nothing in the site, and in the output folder only its own files."""
    site_with_two(run)
    put("elsewhere/mine.txt", "mine")
    put("elsewhere/report.json", "old")
    before = snapshot(Path("s"))
    assert run("report", "s", "-o", "elsewhere") == 0
    assert snapshot(Path("s")) == before
    assert names("elsewhere") == sorted([*OUTPUTS, "mine.txt"])
    assert Path("elsewhere/mine.txt").read_text() == "mine" and Path("elsewhere/report.json").read_text() != "old"


def test_two_outings_beside_each_other_and_since(run: Run) -> None:
    """--between sets two outings beside each other; --since takes those from a day on."""
    site_with_two(run)
    assert run("report", "s", "--between", "2026-03-07a", "2026-03-08a", "--json") == 0
    assert sorted(outing_ids(run.out)) == ["2026-03-07a", "2026-03-08a"]
    assert run("report", "s", "--since", "2026-03-08", "--json") == 0
    assert outing_ids(run.out) == ["2026-03-08a"]
    assert run("report", "s", "--since", "2026-03-09") == 1
    assert "s: has no outings since 2026-03-09" in run.err


def test_left_out_and_taken_back(run: Run) -> None:
    """An outing that is left out is told of and not counted, until it is taken back; its file stays."""
    site_with_two(run)
    tracks = snapshot(Path("s/tracks"))
    assert run("edit", "s", "2026-03-07a", "--leave-out") == 0 and "left out of every report" in run.err
    assert run("report", "s", "--json") == 0
    assert outing_ids(run.out) == ["2026-03-08a"] and "Left out, as you asked: 2026-03-07a" in run.err
    assert run("edit", "s", "2026-03-07a", "--take-back") == 0
    assert run("report", "s", "--json") == 0 and len(outing_ids(run.out)) == 2
    assert snapshot(Path("s/tracks")) == tracks


def test_edit_changes_the_next_report(run: Run) -> None:
    """What is corrected with edit is what the next report uses; empty text takes it back."""
    site_with_two(run)
    edited = [
        "--coil",
        "small=20cm",
        "--swath",
        "1.1m",
        "--sweeps",
        "30",
        "--gps",
        "good",
        "--label",
        "W",
        "--note",
        "rain",
    ]
    assert run("edit", "s", "2026-03-07a", *edited, "--top-pace", "1m/s") == 0
    assert "Outing 2026-03-07a: coil: 28cm -> small" in run.err
    assert run("report", "s", "--json") == 0
    outing = json.loads(run.out)["outings"][0]
    assert (outing["label"], outing["coils"], outing["recordings"][0]["swath_m"]) == ("W", ["small"], 1.1)
    assert run("edit", "s", "2026-03-07a", "--label", "", "--swath", "", "--sweep", "") == 0
    assert run("report", "s", "--json") == 0
    outing = json.loads(run.out)["outings"][0]
    assert (outing["label"], outing["recordings"][0]["swath_m"]) == (None, 1.4)
    assert run("edit", "s", "2026-03-07a", "--gps", "good") == 0 and "already has these values" in run.err


def run_table(run: Run) -> str:
    """What the report prints, on one line."""
    assert run("report", "s") == 0
    return " ".join(run.out.split())


def test_roster_of_a_team(run: Run) -> None:
    """A roster beside the files makes one outing of all, with coils, people by initials, and who did not record."""
    for k, name in enumerate("ab"):
        put(f"day/{name}.gpx", walk(MORNING + timedelta(minutes=k), east_m=6 * k))
    put("day/roster.csv", "file,searcher,coil\na.gpx,Ann Berg,28cm\nb.gpx,Bo,20cm\n,Cy Dahl,\n")
    assert run("new", "s") == 0 and run("add", "s", "--roster", "day/roster.csv") == 0
    assert run("report", "s", "--json") == 0
    (outing,) = json.loads(run.out)["outings"]
    assert [(r["file"], r["searcher"], r["coil"]) for r in outing["recordings"]] == [
        ("a.gpx", "AB", "28cm"), ("b.gpx", "B", "20cm"),
    ]  # fmt: skip
    assert (outing["recorded"], outing["searchers"], outing["unrecorded"]) == (2, 3, ["CD"])
    assert "2 of 3 recorded (not CD)" in run_table(run)


def test_one_recording_of_a_team_is_corrected_alone(run: Run) -> None:
    """Edit --recording changes who walked one file, how and when, and leaves the others of its outing alone."""
    names = [put(f"{name}.gpx", walk(MORNING + timedelta(minutes=k), east_m=6 * k)) for k, name in enumerate("ab")]
    assert run("new", "s") == 0 and run("add", "s", *names, "--coil", "28cm") == 0
    change = ("--searcher", "Ann Berg", "--swath", "0.9m", "--from", "2026-03-07T09:01:30")
    assert run("edit", "s", "2026-03-07a", "--recording", "b.gpx", *change) == 0
    assert "searcher: nothing typed -> Ann Berg" in run.err and run("report", "s", "--json") == 0
    first, second = json.loads(run.out)["outings"][0]["recordings"]
    assert (first["searcher"], first["swath_m"], first["dropped"]) == (None, 1.48, {})
    assert (second["searcher"], second["swath_m"]) == ("AB", 0.9)
    assert second["dropped"] == {"outside the chosen time window": 30}
    assert run("edit", "s", "2026-03-07a", "--recording", "b.gpx", "--from", "", "--swath", "") == 0
    assert "swath: 0.9m -> nothing typed" in run.err


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        (["--recording", "c.gpx", "--searcher", "Bo"], "has no recording 'c.gpx'. Its recordings: a.gpx"),
        (["--searcher", "Bo"], "--searcher is for one recording. Name its file with --recording FILE"),
        (["--recording", "a.gpx", "--label", "x"], "--label is for the whole outing. Leave --recording out"),
        (["--recording", "a.gpx", "--from", "noon"], "--from: time 'noon' is not a date and time"),
        (["--recording", "a.gpx"], "no change was named"),
    ],
)
def test_edits_of_a_recording_that_cannot_be(run: Run, typed: list[str], says: str) -> None:
    """What cannot be changed for one recording is refused, and nothing changes."""
    assert run("new", "s") == 0 and run("add", "s", put("a.gpx", walk())) == 0
    before = Path("s/outings.toml").read_bytes()
    assert run("edit", "s", "2026-03-07a", *typed) == 2 and says in run.err
    assert Path("s/outings.toml").read_bytes() == before


def test_edge_walk_makes_the_boundary(run: Run) -> None:
    """New --edge takes a walk round the ground as the boundary, which percentages are then of."""
    ring = [(k, 0) for k in range(12)] + [(12, k) for k in range(24)]
    ring += [(12 - k, 24) for k in range(12)] + [(0, 24 - k) for k in range(25)]
    assert run("new", "s", "--edge", put("edge.gpx", gpx(stamped([(x - 2, y - 2) for x, y in ring])))) == 0
    assert run("add", "s", put("w.gpx", walk())) == 0 and run("report", "s", "--json") == 0
    site = json.loads(run.out)["site"]
    assert site["boundary"] == "given" and site["area_m2"] == pytest.approx(12 * 24, rel=0.01)


# ------------------------------------------------------------------------------------- how commands end


def test_report_that_fails_midway_leaves_what_was_there(run: Run) -> None:
    """On a full disk the report ends with a message, and every file is the old one, whole."""
    site_with_two(run)
    assert run("report", "s") == 0 and run("edit", "s", "2026-03-07a", "--label", "x") == 0
    before = {name: data for name, data in snapshot(Path()).items() if "out/kept/" not in name}
    script = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, ({0}, {0})); "
    for limit in (0, 1000, 100_000):
        code = script.format(limit) + COMMAND[-1]
        for args in (["report", "s"], ["report", "s", "-o", "new/folder"], ["map", "a.gpx"]):
            done = subprocess.run([sys.executable, "-c", code, *args], capture_output=True, text=True, check=False)
            assert done.returncode == 1 and done.stderr.splitlines()[-1].startswith("fieldcomb: "), done.stderr
            assert "Traceback" not in done.stderr and done.stdout == ""
            now = {name: data for name, data in snapshot(Path()).items() if "out/kept/" not in name}
            assert now == before
    code = script.format(1000) + COMMAND[-1]
    put("big.gpx", walk(MORNING + timedelta(days=5)))
    before = snapshot(Path())
    done = subprocess.run(
        [sys.executable, "-c", code, "add", "s", "big.gpx"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 1 and "nothing was changed" in done.stderr and snapshot(Path()) == before


def test_broken_pipe_and_full_output_end_quietly(run: Run) -> None:
    """A reader that leaves early, or an output that is full, ends the command without a traceback."""
    site_with_two(run)
    shell = f"{' '.join(map(repr, COMMAND))} report s --json"
    closed = subprocess.run(f"{shell} | head -c 1; true", shell=True, capture_output=True, text=True, check=False)
    assert "Traceback" not in closed.stderr and "Exception" not in closed.stderr
    if Path("/dev/full").exists():
        full = subprocess.run(f"{shell} > /dev/full", shell=True, capture_output=True, text=True, check=False)
        assert full.returncode == 1 and "fieldcomb: " in full.stderr and "no space left" in full.stderr
        assert "Traceback" not in full.stderr and "Exception" not in full.stderr


def test_interrupting_ends_quietly(here: Path) -> None:
    """Ctrl-C ends with code 130 and one line, no traceback."""
    code = (
        "import os, signal, sys\nfrom fieldcomb.coverage.actions import loaded_walks as adding\n"
        "from fieldcomb.coverage.commands.cli import main\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"  # a shell's background work ignores it
        "adding.read_recording = lambda *_, **__: os.kill(os.getpid(), signal.SIGINT)\nsys.exit(main())"
    )
    put("w.gpx", walk())
    done = subprocess.run([sys.executable, "-c", code, "map", "w.gpx"], capture_output=True, text=True, check=False)
    assert done.returncode == 128 + signal.SIGINT and done.stderr.strip().splitlines() == [STOPPED]
    assert names() == ["w.gpx"]


def test_output_that_lacks_letters(here: Path) -> None:
    """A terminal that cannot show a letter shows a stand-in; the work is done."""
    put("w.gpx", walk())
    env = {**os.environ, "PYTHONIOENCODING": "ascii"}
    done = real("map", "w.gpx", "--label", "Sør 畑", env=env)
    assert done.returncode == 0 and Path("w-map/map.html").exists(), done.stderr


def test_progress_is_for_terminals_and_long_work(here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The line that tells how far the work is appears only on a terminal, after a second, and is wiped in the end."""
    from fieldcomb.coverage.commands import console as talk

    told: list[str] = []
    clock = iter([0.0, 0.5, 1.5, 2.0])
    monkeypatch.setattr(talk.time, "monotonic", lambda: next(clock))
    monkeypatch.setattr(talk.click, "echo", lambda text, **_: told.append(text))
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    progress = talk.Progress()
    progress("reading", 0, 9)
    assert told == []
    progress("reading", 1, 9)
    progress("drawing", 0, 1)
    progress.close()
    assert told[0] == "\rreading 2 of 9 ..." and told[-1].strip() == ""
    monkeypatch.setattr(sys.stderr, "isatty", lambda: False, raising=False)
    monkeypatch.setattr(talk.time, "monotonic", iter([0.0, 9.0]).__next__)
    told.clear()
    talk.Progress()("reading", 1, 9)
    assert told == []


def test_help_loads_nothing_heavy() -> None:
    """--help answers without loading the libraries that maps are made with."""
    code = (
        "import sys\nfrom fieldcomb.coverage.commands.cli import main\nmain(['report', '--help'])\n"
        "heavy = {'numpy', 'scipy', 'rasterio', 'folium', 'shapely', 'pyproj', 'gpxpy'} & set(sys.modules)\n"
        "sys.exit(str(heavy) if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_the_list_of_commands_says_what_their_help_says() -> None:
    """--help gives of each command the first sentence of its own help, though it loads none of them."""
    code = (
        "import sys\nfrom fieldcomb.coverage.commands.cli import main\nmain(['--help'])\n"
        "sys.exit('fieldcomb.coverage.commands.map' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, check=False).returncode == 0
    for name, sentence in COMMANDS.items():
        command = loaded(name)
        assert command.name == name
        assert str(command.help).splitlines()[0] == sentence


def test_adding_does_not_load_what_draws() -> None:
    """Adding a walk does not wait for what only a report needs."""
    code = (
        "import sys, fieldcomb.coverage.actions.add, fieldcomb.coverage.commands.console\n"
        "drawing = {'rasterio', 'jinja2', 'gpxpy', 'fieldcomb.coverage.pages.map_page'} & set(sys.modules)\n"
        "sys.exit(str(drawing) if drawing else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("command", ["map", "new", "add", "edit", "report"])
def test_every_command_explains_itself_with_an_example(run: Run, command: str) -> None:
    """The help of each command has an example that begins with the command itself."""
    assert run(command, "--help") == 0
    assert "Example:" in run.out and f"fieldcomb {command} " in run.out.split("Example:")[1]
    assert run(command, "-h") == 0


VALUES = [
    (command, max(option.opts, key=len), option.nargs)
    for command in COMMANDS
    for option in loaded(command).params
    if isinstance(option, click.Option) and not option.is_flag
]


@pytest.mark.parametrize(("command", "option", "values"), VALUES)
def test_an_option_given_twice_is_refused_before_anything_is_done(
    run: Run, command: str, option: str, values: int
) -> None:
    """Of --coil 28cm --coil 33cm neither is taken without a word: the command says so, and touches nothing."""
    once = [option, *["1"] * values]
    assert run(command, "here.gpx", *once, *once) == 2
    assert (
        run.err
        == f"fieldcomb: Option {option} is given 2 times: keep the one that you mean. See: fieldcomb {command} --help\n"
    )
    assert not list(Path.cwd().iterdir())


def test_version_and_no_command(run: Run) -> None:
    """--version prints name and version; no command at all prints the help and counts as wrong usage."""
    assert run("--version") == 0 and run.out.split()[0] == "fieldcomb" and run.out.split()[1][0].isdigit()
    assert run() == 2 and "Commands:" in run.out + run.err


def test_installed_command_gives_its_exit_code(here: Path) -> None:
    """A process of its own ends with the code that was worked out, and prints data only on stdout."""
    put("w.gpx", walk())
    good, bad, wrong = real("map", "w.gpx", "--json"), real("map", "none.gpx"), real("map", "w.gpx", "--cell", "0cm")
    assert (good.returncode, bad.returncode, wrong.returncode) == (0, 1, 2)
    assert json.loads(good.stdout)["schema"] == 1 and bad.stdout == wrong.stdout == ""
    assert fix(0, 0) not in good.stderr


def test_swing_typed_with_a_new_coil_belongs_to_the_coil(run: Run) -> None:
    """Correcting a named coil in site.toml corrects all its outings, also the one that named it."""
    put("w.gpx", walk())
    assert run("new", "s") == 0 and run("add", "s", "w.gpx", "--coil", "large=33cm", "--swath", "1.6m") == 0
    toml = Path("s/site.toml")
    assert 'swath = "1.6m"' in toml.read_text() and "swath" not in Path("s/outings.toml").read_text()
    toml.write_text(toml.read_text().replace("1.6m", "1.2m"))
    assert run("report", "s", "--json") == 0
    assert json.loads(run.out)["outings"][0]["recordings"][0]["swath_m"] == 1.2
    put("v.gpx", walk(MORNING + timedelta(days=1)))
    assert run("add", "s", "v.gpx", "--coil", "small=20cm", "--swath", "10cm") == 2
    assert "\n[coils.small]" not in toml.read_text()


def test_report_of_some_outings_says_so(run: Run) -> None:
    """A report of some outings tells so in the table and in report.json: what it calls missed may be swept."""
    for day in range(3):
        put(f"w{day}.gpx", walk(MORNING + timedelta(days=day)))
    assert run("new", "s") == 0 and run("add", "s", "w0.gpx", "w1.gpx", "w2.gpx", "--each") == 0
    assert run("report", "s") == 0 and "not counted" not in run.out
    assert run("report", "s", "--since", "2026-03-08") == 0
    assert "Only outings since 2026-03-08: 1 earlier outing left out" in " ".join(run.out.split())
    assert run("report", "s", "--between", "2026-03-07a", "2026-03-09a", "--json") == 0
    assert "one other outing is not" in json.loads(run.out)["notes"][0]


def test_files_of_several_days_and_times_beside_the_recording_are_told(run: Run) -> None:
    """One outing of several days, and a time window that lies beside the recording, are said before they surprise."""
    put("a.gpx", walk())
    put("b.gpx", walk(MORNING + timedelta(days=2)))
    assert run("new", "s") == 0 and run("add", "s", "a.gpx", "b.gpx") == 0
    assert "files from 2 days (2026-03-07, 2026-03-09) become one outing; use --each" in run.err
    put("c.gpx", walk(MORNING + timedelta(days=4)))
    assert run("add", "s", "c.gpx", "--to", "2026-03-11T23:00") == 0
    assert "recorded 2026-03-11 09:" in run.err and "is the zone right?" in run.err


def test_two_walks_in_one_file_are_told_with_the_way_to_separate_them(run: Run) -> None:
    """A file that goes on two days later is said to hold two walks; each can then be added by its times."""
    later = stamped(lanes(), MORNING + timedelta(days=2))
    put("both.gpx", gpx([*stamped(lanes()), *later]))
    assert run("new", "s") == 0 and run("map", "both.gpx", "--coil", "28cm") == 0
    told = "both.gpx holds walks of 2 days (2026-03-07, 2026-03-09), which become one outing; to separate them, give it"
    assert told in run.err
    for typed, outing in (("--to", "2026-03-07a"), ("--from", "2026-03-09a")):
        assert run("add", "s", "both.gpx", typed, "2026-03-08T12:00") == 0
        assert f"Outing {outing}\n" in run.err and "holds walks of" not in run.err
        assert "recorded 2026-03-07 09:00 to 2026-03-09 09:" in run.err


def test_poor_recording_qualifies_the_result(run: Run) -> None:
    """A recording that is judged poor is named among the things to read with care."""
    points = [fix(0.3 * t, 0.0, (MORNING + timedelta(seconds=t)).isoformat()) for t in range(0, 1200, 20)]
    put("slow.gpx", gpx(points))
    assert run("map", "slow.gpx", "--coil", "28cm") == 0
    assert "Poor recordings put all of this in doubt: slow.gpx" in " ".join(run.out.split())


def test_a_club_day_of_many_files(run: Run) -> None:
    """A day of 25 people, three recorded twice and eight not at all, is told as 17 of 25, and no walk counts twice."""
    rows = ["file,searcher,coil,swath"]
    for k in range(17):
        put(f"day/w{k}.gpx", walk(MORNING, east_m=6 * k, count=5))
        rows.append(f"w{k}.gpx,Person {k},28cm,1.5m")
    assert run("new", "once") == 0
    put("day/once.csv", "\n".join(rows))
    for k in range(3):
        put(f"day/again{k}.gpx", walk(MORNING + timedelta(seconds=1), east_m=6 * k + 0.2, count=5))
        rows.append(f"again{k}.gpx,Person {k},28cm,1.5m")
    rows += [f",Person {k},," for k in range(17, 25)]
    put("day/all.csv", "\n".join(rows))
    assert run("new", "all") == 0
    for site in ("once", "all"):
        assert run("add", site, "--roster", f"day/{site}.csv") == 0
    assert run("report", "once", "--json") == 0
    once = json.loads(run.out)
    assert run("report", "all", "--json") == 0
    everything = json.loads(run.out)
    (outing,) = everything["outings"]
    assert (outing["recorded"], outing["searchers"], len(outing["unrecorded"])) == (17, 25, 8)
    assert len(outing["recordings"]) == 20 and sum(r["twin_of"] is not None for r in outing["recordings"]) == 3
    # The second recorders lie 0.2 m to the east of the first, along both sides of 20 m of lanes.
    assert everything["total"]["swept_m2"] == pytest.approx(once["total"]["swept_m2"], abs=3 * 0.2 * 20)
    assert everything["total"]["twice_pct"] == pytest.approx(once["total"]["twice_pct"], abs=0.5)
