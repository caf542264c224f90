"""The site folder: what is kept in it, that nothing is ever half written, and that hand-made edits survive."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_walks import MORNING, fix, gpx, lanes, snapshot, square, stamped, walk

from fieldcomb.coverage.actions.add import add
from fieldcomb.coverage.actions.edit import edit
from fieldcomb.coverage.actions.given_walks import Split, WalksToAdd, WalkToAdd, walks_of_roster
from fieldcomb.coverage.actions.new_site import new_site
from fieldcomb.coverage.intake.survey_inputs import survey_inputs
from fieldcomb.coverage.site.folder import opened
from fieldcomb.coverage.site.naming import free_name, next_id, safe_name
from fieldcomb.coverage.site.roster import read_roster
from fieldcomb.coverage.site.settings import Typed
from fieldcomb.coverage.site.toml_text import append_table, line_of, set_values
from fieldcomb.tracks.errors import SiteError, TrackError, UsageError

STEPS = ("open", "write", "fsync", "replace", "rename", "mkdir", "rmdir", "unlink")


def quiet(_: str) -> None:
    """Take a note and forget it."""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """Give a fresh site without a boundary."""
    new_site(tmp_path / "site", say=quiet)
    return tmp_path / "site"


def file_of(folder: Path, name: str, text: str) -> str:
    """Write a file outside the site and give its path as typed."""
    folder.mkdir(exist_ok=True)
    (folder / name).write_text(text, encoding="utf-8", newline="")
    return str(folder / name)


def add_one(site: Path, text: str, name: str = "walk.gpx", typed: Typed | None = None, **more: Any) -> str:
    """Add one walk and give the outing's id."""
    track = file_of(site.parent / "given", name, text)
    return add(site, WalksToAdd([WalkToAdd(track)], typed or Typed(), **more), quiet)[0].id


def outings(site: Path) -> list[dict[str, Any]]:
    """Read outings.toml with another reader."""
    return list(tomllib.loads((site / "outings.toml").read_text("utf-8")).get("outing", []))


# ------------------------------------------------------------------------------------------ what is kept


def test_files_are_kept_byte_for_byte_and_only_what_was_typed(site: Path) -> None:
    """A recording is kept exactly as given, and outings.toml holds its hash and what was typed, nothing else."""
    text = walk()
    assert add_one(site, text, typed=Typed(swath="1.4m"), label="west") == "2026-03-07a"
    stored = site / "tracks" / "2026-03-07a-walk.gpx"
    assert stored.read_bytes() == text.encode()
    (outing,) = outings(site)
    digest = hashlib.sha256(text.encode()).hexdigest()
    assert outing == {
        "id": "2026-03-07a",
        "label": "west",
        "swath": "1.4m",
        "recording": [{"file": stored.name, "name": "walk.gpx", "sha256": digest}],
    }


def test_frame_is_fixed_at_the_first_add_and_never_moves(site: Path) -> None:
    """The frame comes with the first walk; a second walk beside it leaves the frame as it is."""
    assert "frame" not in tomllib.loads((site / "site.toml").read_text())
    add_one(site, walk())
    frame = tomllib.loads((site / "site.toml").read_text())["frame"]
    add_one(site, walk(MORNING + timedelta(days=1), east_m=60))
    assert tomllib.loads((site / "site.toml").read_text())["frame"] == frame
    assert frame["lon"] == pytest.approx(3.2, abs=0.001) and frame["lat"] == pytest.approx(55.5, abs=0.001)


def test_boundary_fixes_the_frame_at_once_and_is_kept_as_given(tmp_path: Path) -> None:
    """A site with a boundary has its frame from the beginning, and areas.geojson is the file that was given."""
    boundary = file_of(tmp_path, "b.geojson", square(-2, -2, 10, 22))
    new_site(tmp_path / "s", boundary=boundary, say=quiet)
    assert tomllib.loads((tmp_path / "s/site.toml").read_text())["frame"]["lon"] == pytest.approx(3.2, abs=0.001)
    assert (tmp_path / "s/areas.geojson").read_text() == square(-2, -2, 10, 22)


def test_edge_walk_becomes_the_boundary(tmp_path: Path) -> None:
    """A walk round the edge gives areas.geojson one area of kind site."""
    ring = [(k, 0) for k in range(30)] + [(30, k) for k in range(20)]
    ring += [(30 - k, 20) for k in range(30)] + [(0, 20 - k) for k in range(21)]
    edge = file_of(tmp_path, "edge.gpx", gpx(stamped(ring)))
    new_site(tmp_path / "s", edge=edge, say=quiet)
    areas = json.loads((tmp_path / "s/areas.geojson").read_text())
    assert [feature["properties"]["kind"] for feature in areas["features"]] == ["site"]


def test_day_of_an_outing_is_the_day_in_the_sites_zone(tmp_path: Path) -> None:
    """A walk at 23:30 UTC belongs to the next day in Oslo."""
    new_site(tmp_path / "s", zone="Europe/Oslo", say=quiet)
    assert add_one(tmp_path / "s", walk(datetime(2026, 3, 7, 23, 30, tzinfo=UTC))) == "2026-03-08a"


def test_first_usable_fix_gives_the_day(site: Path) -> None:
    """A first fix with a clock that was not set yet does not date the outing."""
    points = [fix(0, 0, "1980-01-06T00:00:00Z"), *stamped(lanes())]
    assert add_one(site, gpx(points)) == "2026-03-07a"


def test_letters_go_on_after_z() -> None:
    """Outings of one day are a to z, then aa; a letter once used by an outing or a file is not used again."""
    ids: list[str] = []
    for _ in range(54):
        ids.append(next_id("2026-03-07", ids))
    assert [ids[k][10:] for k in (0, 1, 25, 26, 27, 51, 52)] == ["a", "b", "z", "aa", "ab", "az", "ba"]
    assert next_id("2026-03-07", ["2026-03-07c"]) == "2026-03-07d"
    assert next_id("2026-03-07", [], ["2026-03-07b-walk.gpx", "2026-03-08q-walk.gpx"]) == "2026-03-07c"
    assert next_id("nodate", ["nodate-a"]) == "nodate-b"


def test_walk_without_times_has_no_date(site: Path) -> None:
    """A file without any time is kept as nodate-a, and the next as nodate-b."""
    assert add_one(site, gpx(fix(x, y) for x, y in lanes())) == "nodate-a"
    assert add_one(site, gpx(fix(x + 9, y) for x, y in lanes()), "b.gpx") == "nodate-b"


def test_several_files_of_one_outing_stand_in_order_of_time(site: Path) -> None:
    """Files given in any order are one outing, listed by the time of their first fix."""
    late = file_of(site.parent, "b.gpx", walk(MORNING + timedelta(hours=2)))
    early = file_of(site.parent, "a.gpx", walk())
    added = add(site, WalksToAdd([WalkToAdd(late), WalkToAdd(early)]), quiet)
    assert len(added) == 1 and [item["name"] for item in outings(site)[0]["recording"]] == ["a.gpx", "b.gpx"]


def test_each_makes_one_outing_a_file(site: Path) -> None:
    """With each, files of one day become a, b and so on in the order given."""
    files = [file_of(site.parent, f"{k}.gpx", walk(MORNING + timedelta(hours=k))) for k in range(3)]
    added = add(site, WalksToAdd([WalkToAdd(file) for file in files], Typed(), split=Split.FILES), quiet)
    assert [outing.id for outing in added] == ["2026-03-07a", "2026-03-07b", "2026-03-07c"]


def test_same_name_from_two_folders(site: Path) -> None:
    """Two watches that both write walk.gpx are both kept, under names that tell them apart."""
    one = file_of(site.parent / "a", "Walk.gpx", walk())
    two = file_of(site.parent / "b", "walk.gpx", walk(MORNING + timedelta(hours=1)))
    add(site, WalksToAdd([WalkToAdd(one), WalkToAdd(two)]), quiet)
    assert sorted(p.name for p in (site / "tracks").iterdir()) == ["2026-03-07a-Walk.gpx", "2026-03-07a-walk-2.gpx"]


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("walk.gpx", "walk.gpx"),
        ("Sør åker 1.gpx", "Sør åker 1.gpx"),
        ("a: b?.gpx", "a_ b_.gpx"),
        ("-rf.gpx", "-rf.gpx"),
        ("畑.gpx", "畑.gpx"),
        ("e\u0301.gpx", "é.gpx"),
        ("a\n\x1b[2Jb.gpx", "a__[2Jb.gpx"),
        ("...", "walk"),
        ("x" * 300 + ".gpx", "x" * 120 + ".gpx"),
    ],
)
def test_stored_names_are_safe_and_recognisable(name: str, kept: str) -> None:
    """What some systems cannot hold in a name is replaced, all else stays."""
    assert safe_name(name) == kept


@given(st.text(min_size=1, max_size=80), st.lists(st.text(max_size=5), max_size=3))
def test_any_name_can_be_stored(name: str, others: list[str]) -> None:
    """Whatever a file is called, the stored name is short, printable, free, and in the folder itself."""
    stored = free_name("2026-03-07a-" + safe_name(name), [*others, "2026-03-07a-" + safe_name(name)])
    assert len(stored.encode("utf-8", "replace")) < 200 and stored.isprintable()
    assert not set(stored) & set('/\\:*?"<>|') and stored not in others


# ------------------------------------------------------------------------------------ the same file again


def test_same_file_twice_is_refused_with_the_outing(site: Path) -> None:
    """Adding a file again, under any name, says where it is already and what to do, and changes nothing."""
    add_one(site, walk())
    before = records(site)
    with pytest.raises(
        TrackError, match=r"other.gpx: was added before, in outing 2026-03-07a as walk.gpx.*fieldcomb edit"
    ):
        add_one(site, walk(), "other.gpx")
    assert records(site) == before
    edit(site, "2026-03-07a", {"left_out": True}, say=quiet)
    with pytest.raises(TrackError, match="--take-back"):
        add_one(site, walk())


def test_same_file_twice_in_one_call_is_refused(site: Path) -> None:
    """The same recording given twice at once is refused too."""
    one, two = (file_of(site.parent, name, walk()) for name in ("a.gpx", "b.gpx"))
    with pytest.raises(TrackError, match=r"is the same recording as .*a\.gpx"):
        add(site, WalksToAdd([WalkToAdd(one), WalkToAdd(two)]), quiet)


def test_halves_of_one_file_may_be_added(site: Path) -> None:
    """A coil changed half-way: both halves of one file can be added, at once or later, but no time twice."""
    track = file_of(site.parent, "w.gpx", walk())
    halves = [WalkToAdd(track, end="2026-03-07T09:01"), WalkToAdd(track, "2026-03-07T09:01", "2026-03-07T09:02")]
    add(site, WalksToAdd(halves), quiet)
    assert len({item["file"] for item in outings(site)[0]["recording"]}) == 1
    add(site, WalksToAdd([WalkToAdd(track, "2026-03-07T09:02")]), quiet)
    with pytest.raises(TrackError, match="was added before"):
        add(site, WalksToAdd([WalkToAdd(track, "2026-03-07T09:00:30", "2026-03-07T09:00:40")]), quiet)
    assert len(outings(site)) == 2


# ------------------------------------------------------------------------------- never anything half written


class Killed(BaseException):
    """Stands for the end of the process; nothing catches it."""


class Steps:
    """Counts the calls that change the disk, and makes one of them go wrong.

    kill : every step from number ``at`` on ends the process (a write after half of its bytes); else only that one
    step fails, with ``code``.
    """

    def __init__(self, patch: pytest.MonkeyPatch, at: int = -1, *, kill: bool = False, code: int = errno.ENOSPC):
        self.count, self.at, self.kill, self.code = 0, at, kill, code
        for name in STEPS:
            patch.setattr(os, name, self._wrapped(name, getattr(os, name)))

    def _wrapped(self, name: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def step(*args: Any, **more: Any) -> Any:
            number, self.count = self.count, self.count + 1
            if self.at < 0 or number < self.at or (not self.kill and number > self.at):
                return real(*args, **more)
            if name == "write" and number == self.at:
                real(args[0], bytes(args[1])[: len(args[1]) // 2])
            raise Killed if self.kill else OSError(self.code, os.strerror(self.code))

        return step


def records(site: Path) -> dict[str, bytes | None]:
    """The site but for its output folder: what is kept there for speed may come and go."""
    return {name: data for name, data in snapshot(site).items() if name != "out" and not name.startswith("out/")}


def adding_two(site: Path) -> Callable[[], object]:
    """Prepare an add of two files that also names a coil and fixes the frame, so that every file changes."""
    files = [file_of(site.parent, f"{k}.gpx", walk(MORNING + timedelta(hours=k))) for k in range(2)]
    return lambda: add(site, WalksToAdd([WalkToAdd(file) for file in files], Typed(coil="small=13x20cm")), quiet)


def editing(site: Path) -> Callable[[], object]:
    """Prepare an edit that changes both files of settings."""
    add_one(site, walk())
    return lambda: edit(site, "2026-03-07a", {"coil": "small=13x20cm", "note": "rain"}, say=quiet)


def before_and_after(site: Path, change: Callable[[], object]) -> tuple[dict[str, Any], dict[str, Any], int]:
    """Give snapshots around a change that goes well, and its number of steps; the site is put back."""
    before = records(site)
    saved = site.parent / "saved"
    shutil.copytree(site, saved)
    with pytest.MonkeyPatch.context() as patch:
        steps = Steps(patch)
        change()
    after = records(site)
    put_back(site)
    assert after != before and steps.count > 15
    return before, after, steps.count


def put_back(site: Path) -> None:
    """Make the site again what it was before."""
    shutil.rmtree(site)
    shutil.copytree(site.parent / "saved", site)


@pytest.mark.parametrize("prepare", [adding_two, editing])
def test_killed_at_any_step_leaves_all_or_nothing(site: Path, prepare: Callable[[Path], Callable[[], object]]) -> None:
    """Wherever the process ends, even inside a write, the next command finds the site as before or complete."""
    change = prepare(site)
    before, after, count = before_and_after(site, change)
    seen = []
    for at in range(count):
        with pytest.MonkeyPatch.context() as patch:
            Steps(patch, at, kill=True)
            with pytest.raises(Killed):
                change()
        with opened(site, quiet):
            pass
        state = records(site)
        assert state in (before, after), f"step {at}"
        seen.append(state == after)
        put_back(site)
    # Once it is decided it stays decided, and both outcomes were really met.
    assert seen == sorted(seen) and seen[0] is False and seen[-1] is True


@pytest.mark.parametrize("prepare", [adding_two, editing])
def test_killed_while_recovering_is_no_worse(site: Path, prepare: Callable[[Path], Callable[[], object]]) -> None:
    """A process that ends while it finishes what another one left can be finished by a third."""
    change = prepare(site)
    before, after, count = before_and_after(site, change)
    for at in range(0, count, 3):
        for again in range(8):
            for number, act in ((at, change), (again, lambda: survey_inputs(site, say=quiet))):
                with pytest.MonkeyPatch.context() as patch:
                    Steps(patch, number, kill=True)
                    with suppress(Killed, SiteError):
                        act()
            with opened(site, quiet):
                pass
            assert records(site) in (before, after), f"step {at}, then {again}"
            put_back(site)


@pytest.mark.parametrize("prepare", [adding_two, editing])
@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EIO, errno.EROFS])
def test_full_disk_leaves_the_site_as_it_was(
    site: Path, prepare: Callable[[Path], Callable[[], object]], code: int
) -> None:
    """When the disk is full or fails at any step, a message says what helps; the site is as before or finished next."""
    change = prepare(site)
    before, after, count = before_and_after(site, change)
    as_before = 0
    for at in range(count):
        with pytest.MonkeyPatch.context() as patch:
            Steps(patch, at, code=code)
            try:
                change()
            except SiteError as error:
                told = str(error)
            else:
                told = ""
        state = records(site)
        if "nothing was changed" in told:
            assert state == before, f"step {at}: {told}"
            assert ("disk space" in told, "writable" in told) == (code != errno.EROFS, code != errno.ENOSPC), told
            as_before += 1
        else:
            assert told == "" or "the change is kept" in told
            with opened(site, quiet):
                pass
            assert records(site) == after, f"step {at}"
        put_back(site)
    assert as_before > 10


CHILD = """
import os, sys
from pathlib import Path
from fieldcomb.coverage.actions.add import add
from fieldcomb.coverage.actions.given_walks import WalksToAdd, WalkToAdd
from fieldcomb.coverage.site.settings import Typed
from fieldcomb.coverage.site.folder import opened
site, track, after = Path(sys.argv[1]), sys.argv[2], None
def die_at(last):
    left = [last]
    def wrapped(real):
        def step(*args, **more):
            left[0] -= 1
            if left[0] < 0:
                os._exit(9)
            return real(*args, **more)
        return step
    for name in ("open", "write", "fsync", "replace", "rename", "mkdir", "rmdir", "unlink"):
        setattr(os, name, wrapped(getattr(os, name)))
for last in range(1000):
    child = os.fork()
    if child == 0:
        die_at(last)
        add(site, WalksToAdd([WalkToAdd(track)], Typed(coil="small=13x20cm")), print)
        os._exit(0)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    with opened(site, print) as found:
        names = [i.stored for o in found.outings for i in o.recordings]
    if code == 0:
        break
    assert code == 9, code
    leftover = [p.name for p in site.iterdir() if p.name.startswith((".pending", ".commit"))]
    assert not leftover, (last, leftover)
    assert sorted(p.name for p in (site / "tracks").iterdir()) == names, (last, names)
    assert ("\\n[coils.small]" in (site / "site.toml").read_text()) == bool(names)
    if names:  # complete: start again
        (site / "tracks" / names[0]).unlink()
        (site / "outings.toml").write_text("")
        (site / "site.toml").write_text(sys.argv[3])
print("steps", last)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs processes that can be copied")
def test_real_process_that_ends_at_any_step(site: Path) -> None:
    """The same with real processes that end without a goodbye: their lock is freed, their work finished or gone."""
    track = file_of(site.parent, "w.gpx", walk())
    text = (site / "site.toml").read_text()
    done = subprocess.run(
        [sys.executable, "-c", CHILD, str(site), track, text], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert int(done.stdout.split()[-1]) > 15 and "Waiting" not in done.stdout


def test_new_site_is_complete_or_absent(tmp_path: Path) -> None:
    """A site whose making was cut off at any step is not there, or is whole; trying again works."""
    made = 0
    with pytest.MonkeyPatch.context() as patch:
        count = Steps(patch)
        new_site(tmp_path / "trial", say=quiet)
    whole = {k: v for k, v in snapshot(tmp_path / "trial").items() if k != "site.toml"}
    for at in range(count.count):
        place = tmp_path / f"s{at}"
        with pytest.MonkeyPatch.context() as patch:
            Steps(patch, at, kill=True)
            with suppress(Killed):
                new_site(place, say=quiet)
        if place.exists():
            made += 1
        else:
            new_site(place, say=quiet)
        assert {k: v for k, v in snapshot(place).items() if k != "site.toml"} == whole
        assert not list(tmp_path.glob(f".s{at}*"))
    assert 0 < made < count.count


def test_new_site_on_a_full_disk_leaves_nothing(tmp_path: Path) -> None:
    """When the disk is full at any step of making a site, nothing is left behind."""
    for at in range(10):
        with pytest.MonkeyPatch.context() as patch:
            Steps(patch, at)
            with pytest.raises(SiteError, match="nothing was changed"):
                new_site(tmp_path / "s", say=quiet)
        assert list(tmp_path.iterdir()) == []


def test_journal_of_a_stranger_writes_nowhere_else(site: Path) -> None:
    """A folder from somebody else cannot make fieldcomb write outside the site."""
    for name in ("../evil", "/tmp/evil", "tracks/../../evil", "out/x", "tracks/", "..", "a\\b"):
        (site / ".commit").mkdir()
        (site / ".commit/0").write_text("evil")
        (site / ".commit/manifest.json").write_text(json.dumps([name]))
        with pytest.raises(SiteError, match="not something that fieldcomb left there"), opened(site, quiet):
            pass
        shutil.rmtree(site / ".commit")
    assert not (site.parent / "evil").exists() and not Path("/tmp/evil").exists()


# ----------------------------------------------------------------------------------------- one at a time


def command(*args: str) -> subprocess.Popen[str]:
    """Start the real command."""
    code = "import sys; from fieldcomb.coverage.commands.cli import main; sys.exit(main())"
    return subprocess.Popen(
        [sys.executable, "-c", code, *args], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def test_adds_at_the_same_time_all_land(site: Path) -> None:
    """Commands that add to one site at the same moment wait for each other, and every walk is there."""
    files = [file_of(site.parent, f"{k}.gpx", walk(MORNING + timedelta(hours=k))) for k in range(4)]
    running = [command("add", str(site), file) for file in files]
    for process in running:
        _, err = process.communicate()
        assert process.returncode == 0, err
    assert sorted(o["id"][10:] for o in outings(site)) == ["a", "b", "c", "d"]
    assert {o["recording"][0]["name"] for o in outings(site)} == {f"{k}.gpx" for k in range(4)}
    assert len(list((site / "tracks").iterdir())) == 4


def test_waiting_is_told_and_a_dead_command_holds_nobody_up(site: Path) -> None:
    """A command that has to wait says so, and goes on as soon as the other one has died."""
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sys\nfrom pathlib import Path\nfrom fieldcomb.coverage.site.journal import locked\n"
            "with locked(Path(sys.argv[1]), print):\n    print('held', flush=True)\n    sys.stdin.read()",
            str(site),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert holder.stdout is not None and holder.stdout.readline() == "held\n"
    waiting = command("add", str(site), file_of(site.parent, "w.gpx", walk()))
    assert waiting.stderr is not None
    assert "Waiting for another fieldcomb command" in waiting.stderr.readline()
    holder.kill()
    holder.communicate()
    _, err = waiting.communicate()
    assert waiting.returncode == 0, err
    assert len(outings(site)) == 1


def test_read_only_site_can_be_read(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A site on a disk that cannot be written to can be looked up all the same, but not changed."""
    add_one(site, walk())
    real = os.open

    def refuse(path: Any, flags: int, *rest: Any, **more: Any) -> int:
        if flags & (os.O_WRONLY | os.O_RDWR):
            raise OSError(errno.EROFS, os.strerror(errno.EROFS), str(path))
        return real(path, flags, *rest, **more)

    monkeypatch.setattr(os, "open", refuse)
    assert len(survey_inputs(site, say=quiet).outings) == 1
    with pytest.raises(SiteError, match=r"cannot be written to \(read-only file system\)"):
        edit(site, "2026-03-07a", {"note": "x"}, say=quiet)


# --------------------------------------------------------------------------------- edited by hand, too


def by_hand(site: Path, end: str = "\n") -> None:
    """Put remarks and a layout of one's own into both files."""
    for name in ("site.toml", "outings.toml"):
        text = (site / name).read_text("utf-8")
        text = "# mine\n\n" + text.replace('id = "', 'id   =   "').replace("\n[[outing", "\n# before\n   [[outing")
        (site / name).write_bytes((text + "# at the end").replace("\n", end).encode())


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_remarks_and_layout_survive_every_write(site: Path, end: str) -> None:
    """What a person wrote into the files by hand is still there after add and edit, with the same line ends."""
    add_one(site, walk(), typed=Typed(gps="good"))
    by_hand(site, end)
    old = (site / "outings.toml").read_bytes()
    add_one(site, walk(MORNING + timedelta(days=1)), "b.gpx", Typed(coil="small=13x20cm"))
    grown = (site / "outings.toml").read_bytes()
    assert grown.startswith(old)
    edit(site, "2026-03-07a", {"label": "west", "gps": "poor"}, say=quiet)
    changed = (site / "outings.toml").read_bytes()
    for raw in (grown, changed, (site / "site.toml").read_bytes()):
        assert (b"\r\n" in raw) == (end == "\r\n") and raw.count(b"\n") == raw.count(end.encode())
        assert b"# mine" in raw and b"# at the end" in raw
    edit(site, "2026-03-07a", {"label": None, "gps": "good"}, say=quiet)
    assert (site / "outings.toml").read_bytes() == grown


words = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)


@settings(max_examples=60, deadline=None)
@given(label=words, note=words, number=st.integers(0, 2))
def test_any_text_can_be_typed(label: str, note: str, number: int) -> None:
    """Any label and note are read back letter for letter, and the other outings are not touched."""
    text = "# top\n"
    for k in range(3):
        text = append_table(text, "[[outing]]", {"id": f"o{k}", "label": label})
        text = append_table(text, "[[outing.recording]]", {"file": "f", "note": note})
    changed = set_values(text, ("outing", number), {"note": note, "label": None})
    expected = tomllib.loads(text)
    expected["outing"][number]["note"] = note
    del expected["outing"][number]["label"]
    assert tomllib.loads(changed) == expected and changed.startswith("# top\n")


def test_edit_says_what_changed_and_keeps_the_recordings(site: Path) -> None:
    """An edit changes what it names and tells it; empty text takes back; the recordings stay as they are."""
    add_one(site, walk(), typed=Typed(coil="28cm"))
    tracks = snapshot(site / "tracks")
    told = edit(site, "2026-03-07a", {"coil": "11in", "note": "rain", "sweep": 1.25}, say=quiet)
    assert told == ("coil: 28cm -> 11in", "note: nothing typed -> rain", "sweep: nothing typed -> 1.25")
    assert edit(site, "2026-03-07a", {"note": None}, say=quiet) == ("note: rain -> nothing typed",)
    assert edit(site, "2026-03-07a", {"coil": "11in", "label": None, "left_out": None}, say=quiet) == ()
    assert outings(site)[0]["coil"] == "11in" and "note" not in outings(site)[0]
    assert snapshot(site / "tracks") == tracks


def test_edit_of_what_cannot_be_changes_nothing(site: Path) -> None:
    """An unknown outing, an unknown coil, or a swing narrower than the coil is refused, and nothing changes."""
    add_one(site, walk())
    before = records(site)
    for outing, changes, says in (
        ("2026-03-07x", {"note": "x"}, "Outings of this site: 2026-03-07a"),
        ("2026-03-07a", {"coil": "big"}, "coil 'big' is not known"),
        ("2026-03-07a", {"swath": "10cm"}, "smaller than the coil itself"),
    ):
        with pytest.raises(UsageError, match=says):
            edit(site, outing, changes, say=quiet)  # type: ignore[arg-type]
    assert records(site) == before


def test_correcting_a_coil_corrects_all_its_outings(site: Path) -> None:
    """What is typed nowhere is looked up in site.toml at each report: the coil's own entry, then the defaults."""
    add_one(site, walk(), "a.gpx", Typed(coil="small=13x20cm"))
    add_one(site, walk(MORNING + timedelta(days=1)), "b.gpx", Typed(coil="small", swath="1.5m"))
    add_one(site, walk(MORNING + timedelta(days=2)), "c.gpx")

    def swaths() -> list[tuple[str, float, bool]]:
        swings = [outing.load()[0].swing for outing in survey_inputs(site, say=quiet).outings]
        return [(swing.coil.name, swing.swath_m, swing.swath_measured) for swing in swings]

    assert swaths() == [("small", 1.33, False), ("small", 1.5, True), ("28cm", 1.48, False)]
    text = (
        (site / "site.toml")
        .read_text()
        .replace('size = "13x20cm"\nwinding', 'size = "15x20cm"\nswath = "1.2m"\nwinding')
    )
    (site / "site.toml").write_text(text + '\n[defaults]\ncoil = "40cm"\nswath = "1.7m"\n')
    assert swaths() == [("small", 1.2, True), ("small", 1.5, True), ("40cm", 1.7, True)]


def test_naming_a_coil_again(site: Path) -> None:
    """A coil may be named again with the same size; another size under a known name is refused."""
    add_one(site, walk(), "a.gpx", Typed(coil="small=13x20cm"))
    add_one(site, walk(MORNING + timedelta(days=1)), "b.gpx", Typed(coil="small=13x20cm"))
    with pytest.raises(UsageError, match="'small' already has another size"):
        add_one(site, walk(MORNING + timedelta(days=2)), "c.gpx", Typed(coil="small=20cm"))


# ------------------------------------------------------------------------------------ faults in its files


def test_changed_or_missing_recording_is_told(site: Path) -> None:
    """A kept file that changed, or is gone, is named when it is read; one that nobody added is named and left alone."""
    add_one(site, walk())
    stored = site / "tracks/2026-03-07a-walk.gpx"
    (site / "tracks/stray.gpx").write_text("x")
    assert survey_inputs(site, say=quiet).notes == ("tracks/stray.gpx belongs to no outing and is not used",)
    assert survey_inputs(site, say=quiet).outings[0].load()[0].file == "walk.gpx"
    stored.write_text(stored.read_text() + " ")
    with pytest.raises(SiteError, match=r"2026-03-07a-walk.gpx: has changed since it was added"):
        survey_inputs(site, say=quiet).outings[0].load()
    stored.unlink()
    with pytest.raises(SiteError, match=r"2026-03-07a-walk.gpx: is missing"):
        survey_inputs(site, say=quiet).outings[0].load()
    edit(site, "2026-03-07a", {"left_out": True}, say=quiet)
    with pytest.raises(SiteError, match="all of its outings are left out"):
        survey_inputs(site, say=quiet)


@pytest.mark.parametrize(
    ("file", "old", "new", "says"),
    [
        ("outings.toml", "name =", "nmae =", r"key 'nmae' is not known in outing.recording \(line 9\).*sha256"),
        ("outings.toml", 'id = "', 'swaht = "1m"\nid = "', r"key 'swaht' is not known in outing \(line 5\).*swath"),
        (
            "outings.toml",
            'id = "',
            'swath = 1.4\nid = "',
            r"'swath': text in quotes was expected, not 1.4 \(line 5\)",
        ),
        ("outings.toml", 'id = "', 'swath = "1.4"\nid = "', r"key 'swath': swing width '1.4' has no unit \(line 5\)"),
        ("outings.toml", 'id = "', 'left_out = "yes"\nid = "', r"true or false was expected, not 'yes' \(line 5\)"),
        ("outings.toml", 'id = "', 'coil = "big"\nid = "', r"outing 2026-03-07a: coil 'big' is not known \(line 5\)"),
        ("outings.toml", 'id = "2026-03-07a"', "", r"an outing has no id \(line 4\)"),
        ("outings.toml", 'id = "2026-03-07a"', 'id = "2026-03-07a', r"is not understood: .*\(line 5, column"),
        ("outings.toml", 'file = "', 'file = "../../', r"is not the name of a file in tracks \(line 8\)"),
        ("outings.toml", 'name = "', 'from = "noon"\nname = "', r"key 'from': time 'noon' is not a date"),
        ("site.toml", "zone =", "zoen =", r"key 'zoen' is not known \(line 3\).*name, zone, cell"),
        ("site.toml", '"UTC"', '"Mars"', r"key 'zone': time zone 'Mars' is not known \(line 3\)"),
        ("site.toml", '"10cm"', '"0cm"', r"key 'cell': .*must be more than zero \(line 4\)"),
        ("site.toml", '"10cm"', "10", r"key 'cell': text in quotes was expected, not 10 \(line 4\)"),
        ("site.toml", "name =", "# name =", r"key 'name' is missing"),
        ("site.toml", "lon =", "long =", r"key 'long' is not known in frame \(line 24\)"),
        ("site.toml", "[frame]", "[fraem]", r"key 'fraem' is not known \(line 23\)"),
        ("site.toml", "[frame]", "[coils.a]\nswath = '1m'\n[frame]", r"coil 'a' has no size \(line 23\)"),
        ("site.toml", "[frame]", "[coils.a]\nsize = '1cm'\n[frame]", r"'a' is 1 cm across.*\(line 23\)"),
        ("site.toml", "[frame]", "[defaults]\nswath = '20cm'\n[frame]", r"smaller than the coil itself.*\(line 23\)"),
        ("site.toml", "zone =", "coils = 3\nzone =", r"coils must be a table"),
    ],
)
def test_typing_errors_are_found_with_line_and_key(site: Path, file: str, old: str, new: str, says: str) -> None:
    """A slip in a file edited by hand is told with the file, the line, the key, and the keys that there are."""
    add_one(site, walk())
    text = (site / file).read_text()
    assert old in text
    (site / file).write_text(text.replace(old, new, 1))
    before = records(site)
    with pytest.raises(SiteError, match=says) as caught:
        survey_inputs(site, say=quiet)
    assert str(caught.value).startswith(str(site / file)) and caught.value.exit_code == 1
    assert records(site) == before


def test_lines_are_found_behind_long_texts() -> None:
    """Text over several lines that looks like keys does not put the line numbers out."""
    text = 'a = """\nb = 1\n[c]\n"""\nb.x = 2\n[c] # x\nd = 1\n[[e]]\nf = 1\n[[e.g]]\n[[e]]\n"f k" = 2\n[e.h]\ni = 1\n'
    tomllib.loads(text)
    places: dict[tuple[str | int, ...], int] = {
        ("a",): 1, ("b", "x"): 5, ("c", "d"): 7, ("e", 0, "f"): 9, ("e", 0, "g", 0): 10,
        ("e", 1): 11, ("e", 1, "f k"): 12, ("e", 1, "h", "i"): 14, ("e", 1, "nothing"): 11,
    }  # fmt: skip
    assert {keys: line_of(text, keys) for keys in places} == places


@given(st.binary(max_size=200))
def test_any_bytes_for_settings_end_in_a_message(raw: bytes) -> None:
    """Whatever stands in site.toml or outings.toml, it is read or there is a message for people."""
    from zoneinfo import ZoneInfo

    from fieldcomb.coverage.site.settings_file import read_outings, read_settings

    with pytest.raises(SiteError):
        read_settings(raw, "site.toml")
    with suppress(SiteError):
        assert read_outings(raw, "outings.toml", ZoneInfo("UTC"))[1] == ()


# --------------------------------------------------------------------------------------------- a team


def test_roster_brings_people_and_coils_to_files(site: Path) -> None:
    """A roster gives each file its searcher, coil and times; one person's two coils are two rows of one file."""
    for name, hour in (("a.gpx", 0), ("b.gpx", 1)):
        file_of(site.parent / "day", name, walk(MORNING + timedelta(hours=hour)))
    text = (
        "Coil;File;searcher;phone;from;to\r\n28cm;a.gpx;Ann;12;;2026-03-07T09:01\r\n"
        "13x20cm;a.gpx;Ann;12;2026-03-07T09:01;\r\n;b.gpx;Bjørn;;;\r\n\r\n"
    )
    rows, notes = read_roster(("\ufeff" + text).encode(), "day/roster.csv")
    assert notes == ("day/roster.csv: these columns are not used: phone",)
    walks = walks_of_roster(rows, str(site.parent / "day/roster.csv"), [])
    add(site, WalksToAdd(walks), quiet)
    (outing,) = outings(site)
    assert [(r["name"], r.get("searcher"), r.get("coil")) for r in outing["recording"]] == [
        ("a.gpx", "Ann", "28cm"), ("a.gpx", "Ann", "13x20cm"), ("b.gpx", "Bjørn", None),
    ]  # fmt: skip
    loaded = survey_inputs(site, say=quiet).outings[0].load()
    assert [one.swing.coil.width_m for one in loaded] == [0.28, 0.13, 0.28]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is empty"),
        ("name,coil\na.gpx,28cm\n", r"no column 'file' \(found: name, coil\) \(line 1\)"),
        ("file,file\na,b\n", r"has the column 'file' twice \(line 1\)"),
        ("file\n", "has a header but no rows"),
        ("file,swath\n\na.gpx,1.4\n", r"swath: swing width '1.4' has no unit \(line 3\)"),
        ("file,from\na.gpx,noon\n", r"time 'noon' is not a date and time \(line 2\)"),
        ("file,coil\na.gpx,28cm,x\n", r"3 values in a row, but the header names 2 \(line 2\)"),
        ("file,coil\n,28cm\n", r"a row without a file and without a searcher \(line 2\)"),
        ('file\n"a.gpx\n', "is not a table of values"),
    ],
)
def test_faults_of_a_roster_are_told_with_the_line(text: str, says: str) -> None:
    """A roster that cannot be used is refused with the line."""
    with pytest.raises(SiteError, match=says) as caught:
        read_roster(text.encode(), "r.csv")
    assert (str(caught.value).startswith("r.csv: ") and caught.value.hint) or "table" in says


def test_roster_and_files_must_match(site: Path) -> None:
    """A row without its file, a file without a row, and an unknown coil are refused with names and lines."""
    one, two = (file_of(site.parent / name, "w.gpx", walk(MORNING + timedelta(hours=k))) for k, name in enumerate("ab"))
    rows = read_roster(b"file,coil\nw.gpx,big\n", "r.csv")[0]
    with pytest.raises(SiteError, match=r"w.gpx could be any of .*\(line 2\)"):
        walks_of_roster(rows, "r.csv", [WalkToAdd(one), WalkToAdd(two)])
    with pytest.raises(SiteError, match=r"w.gpx is not among the files given \(line 2\)"):
        walks_of_roster(rows, "r.csv", [WalkToAdd("other.gpx")])
    with pytest.raises(SiteError, match=r"has no row for other\.gpx"):
        walks_of_roster(rows, "r.csv", [WalkToAdd(one), WalkToAdd("other.gpx")])
    with pytest.raises(SiteError, match=r"r.csv: coil 'big' is not known \(line 2\)"):
        add(site, WalksToAdd(walks_of_roster(rows, "r.csv", [WalkToAdd(one)])), quiet)
