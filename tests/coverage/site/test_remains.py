"""What a killed command left is cleared away by the next one, and nothing else is."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from small_walks import snapshot, square, walk

from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.site.journal import COMMIT, new_folder, recover, replace_files, write_all
from fieldcomb.tracks.errors import SiteError


@pytest.fixture
def dead_pid() -> int:
    """Return the number of a process that has ended."""
    with subprocess.Popen([sys.executable, "-S", "-c", ""]) as process:
        process.wait()
    return process.pid


def half_made(name: str, pid: int) -> str:
    """Return the folder in which a process makes a site."""
    return f".{name}.{pid}.12.pending-new"


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Make a site with one outing and a report."""
    monkeypatch.chdir(tmp_path)
    Path("edge.geojson").write_text(square(0, 0, 20, 20))
    Path("walk.gpx").write_text(walk())
    assert main(["new", "field", "--boundary", "edge.geojson"]) == 0
    assert main(["add", "field", "walk.gpx", "--coil", "28cm"]) == 0
    assert main(["report", "field"]) == 0
    return tmp_path / "field"


def test_half_written_outputs_of_a_killed_report_are_cleared_and_nothing_else(site: Path, dead_pid: int) -> None:
    """The next report removes the unfinished files of one that was killed; a user's own, and a running one's, stay."""
    out = site / "out"
    names = ("map.html", "report.json", "edge.html", "chance.tif", "card.html")
    ours = [f".{name}.{dead_pid}{thread}.part" for name in names for thread in ("", ".12")]
    own = [f".photo.jpg.{dead_pid}.part", ".map.html.part", ".map.html.x.part", f".map.html.{os.getppid()}.part"]
    for name in (*ours, *own):
        (out / name).write_text("half")
    (out / f".todo.geojson.{dead_pid}.part").mkdir()
    (out / f".places.gpx.{dead_pid}.part").symlink_to(site / "site.toml")
    before = {path.name for path in out.iterdir()}
    assert main(["report", "field"]) == 0
    assert before - {path.name for path in out.iterdir()} == set(ours)


def test_a_half_made_site_is_cleared_when_it_is_made_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, dead_pid: int
) -> None:
    """What a killed ``new`` left is removed by the next one there; a folder with something else in it stays."""
    monkeypatch.chdir(tmp_path)
    kept = [half_made("own", dead_pid), half_made("walks", dead_pid), half_made("now", os.getppid())]
    for name in (half_made("field", dead_pid), *kept):
        (tmp_path / name / "tracks").mkdir(parents=True)
        (tmp_path / name / "site.toml").write_text('name = "x"')
    (tmp_path / kept[0] / "photo.jpg").write_text("mine")
    (tmp_path / kept[1] / "tracks" / "walk.gpx").write_text("mine")
    before = snapshot(tmp_path)
    assert main(["new", "field"]) == 0
    assert {path.name for path in tmp_path.iterdir()} == {*kept, "field"}
    assert {name for name in before if kept[0] in name or kept[1] in name} <= set(snapshot(tmp_path))


def test_a_half_made_site_is_cleared_though_the_site_has_been_made_meanwhile(site: Path, dead_pid: int) -> None:
    """A ``new`` that is refused because the site is there clears what an earlier one left as well."""
    (site.parent / half_made("field", dead_pid) / "tracks").mkdir(parents=True)
    assert main(["new", "field"]) == 1
    assert not list(site.parent.glob(".field*"))


def test_of_several_that_make_one_site_at_once_one_makes_it_whole(tmp_path: Path) -> None:
    """Of six commands that start the same site at the same moment, one says that it is done, and the site is whole."""
    code = "import sys; from fieldcomb.coverage.commands.cli import main; sys.exit(main())"
    (tmp_path / "edge.geojson").write_text(square(0, 0, 20, 20))
    command = [sys.executable, "-c", code, "new", "field", "--boundary", "edge.geojson"]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    several = [subprocess.Popen(command, cwd=tmp_path, **quiet) for _ in range(6)]  # type: ignore[call-overload]
    assert sorted(process.wait(120) for process in several).count(0) == 1
    inside = {path.name for path in (tmp_path / "field").iterdir()}
    assert inside == {"site.toml", "outings.toml", "areas.geojson", "tracks", ".lock"}
    assert {path.name for path in tmp_path.iterdir()} == {"field", "edge.geojson"}


@pytest.fixture
def old_copy(site: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Make a folder for temporary files in which an earlier version's map was killed two days ago; returns its own."""
    folder = site.parent / "temporary" / "fieldcomb-ab_c12x9"
    folder.parent.mkdir()
    folder.mkdir(0o700)
    shutil.rmtree(site / "out")
    site.rename(folder / "site")
    (folder / "site" / ".lock").touch()
    monkeypatch.setattr(tempfile, "tempdir", str(folder.parent))
    return folder


def aged(folder: Path, days: float = 2) -> Path:
    """Give everything in a folder, and itself, an age."""
    for path in (*folder.rglob("*"), folder):
        os.utime(path, (time.time() - days * 86_400,) * 2, follow_symlinks=False)
    return folder


@pytest.mark.parametrize("state", ["whole", "empty", "half made", "staged", "decided"])
def test_copies_of_walks_that_an_earlier_version_left_go_when_a_map_is_drawn(
    old_copy: Path, dead_pid: int, state: str
) -> None:
    """What a killed map of an earlier version left in the folder for temporary files is cleared by the next one."""
    site = old_copy / "site"
    if state == "half made":
        site.rename(old_copy / f".site.{dead_pid}.pending-new")
        (old_copy / f".site.{dead_pid}.pending-new" / "outings.toml").unlink()
        shutil.rmtree(old_copy / f".site.{dead_pid}.pending-new" / "tracks")
        (old_copy / f".site.{dead_pid}.pending-new" / "tracks").mkdir()
    elif state == "empty":
        shutil.rmtree(site)
    elif state != "whole":
        stage = site / (COMMIT if state == "decided" else ".pending-new")
        stage.mkdir()
        (stage / "manifest.json").write_text('["tracks/2026-03-08a-w.gpx", "outings.toml"]')
        (stage / "1").write_text("")
        (site / "tracks" / "2026-03-08a-w.gpx" if state == "decided" else stage / "0").write_text(walk())
    aged(old_copy)
    assert main(["map", "walk.gpx"]) == 0
    assert list(old_copy.parent.iterdir()) == []


@pytest.mark.parametrize(
    "doubt",
    ["young", "readable", "named otherwise", "link", "own file", "own walk", "own folder", "link inside", "no site",
     "odd list", "another list"],
)  # fmt: skip
def test_a_folder_that_is_not_surely_such_a_copy_stays(old_copy: Path, doubt: str) -> None:
    """Whatever has another name, age, owner's mode or one thing more in it than such a copy has is left as it is."""
    site, folder = old_copy / "site", old_copy
    if doubt == "readable":
        folder.chmod(0o755)
    elif doubt == "named otherwise":
        folder = folder.rename(folder.with_name("fieldcomb-walks2026"))
    elif doubt == "link":
        folder.rename(folder.with_name("mine"))
        folder.symlink_to("mine")
    elif doubt in ("own file", "own walk", "own folder", "link inside"):
        own = {"own file": folder / "photo.jpg", "own walk": site / "tracks/w.gpx", "own folder": site / "out/a.txt"}
        path = own.get(doubt, site / "areas.geojson")
        path.parent.mkdir(exist_ok=True)
        path.unlink(missing_ok=True)
        if doubt == "link inside":
            path.symlink_to(folder.parent.parent / "edge.geojson")
        else:
            path.write_text("mine")
    elif doubt == "no site":
        (site / "site.toml").unlink()
    elif doubt in ("odd list", "another list"):
        (site / COMMIT).mkdir()
        (site / COMMIT / "manifest.json").write_text('["../../x"]' if doubt == "odd list" else '{"a": 1}')
    aged(folder, 0.5 if doubt == "young" else 2)
    before = snapshot(folder.parent)
    assert main(["map", "walk.gpx"]) == 0
    assert snapshot(folder.parent) == before and folder.exists()


class Meanwhile(dict[str, bytes]):
    """Files of a new site; once the first of them is written, somebody else makes the same site."""

    def __init__(self, files: dict[str, bytes], make: Callable[[], None]) -> None:
        super().__init__(files)
        self.make = make

    def items(self) -> Any:
        """Return the files one after another."""
        for number, item in enumerate(super().items()):
            if number == 1:
                self.make()
            yield item


def test_of_two_that_make_one_site_at_once_in_one_process_one_makes_it_whole(tmp_path: Path) -> None:
    """Who makes a site while another thread is at it gets a whole one, and the other is told that it is there."""
    files = {"site.toml": b"mine", "outings.toml": b"mine"}
    theirs = dict.fromkeys(files, b"theirs")

    def make() -> None:
        other = threading.Thread(target=new_folder, args=(tmp_path / "field", theirs))
        other.start()
        other.join()

    with pytest.raises(OSError) as refused:
        new_folder(tmp_path / "field", Meanwhile(files, make))
    assert refused.value.errno in (errno.EEXIST, errno.ENOTEMPTY)
    assert snapshot(tmp_path / "field") == {**theirs, "tracks": None} and [
        path.name for path in tmp_path.iterdir()
    ] == ["field"]


class Fault:
    """Makes the n-th of some calls of the system fail, counted from 1, as a full or broken disk does."""

    def __init__(self, patch: pytest.MonkeyPatch, owner: Any, name: str, nth: int) -> None:
        self.nth, self.calls, self.real = nth, 0, getattr(owner, name)
        patch.setattr(owner, name, lambda *args, **more: self(*args, **more))

    def __call__(self, *args: Any, **more: Any) -> Any:
        """Make the call, or fail."""
        self.calls += 1
        if self.calls == self.nth:
            raise OSError(errno.EIO, "Input/output error")
        return self.real(*args, **more)


@pytest.mark.parametrize(("name", "nth", "kept"), [("fsync", 5, False), ("replace", 1, False), ("replace", 2, True)])
def test_a_change_that_a_broken_disk_stops_is_whole_or_absent_and_the_message_says_which(
    tmp_path: Path, name: str, nth: int, kept: bool
) -> None:
    """Stopped before anything is in place, nothing was changed; stopped in the middle, the next command finishes it."""
    folder = tmp_path / "field"
    folder.mkdir()
    for file in ("a.toml", "b.toml"):
        (folder / file).write_text("old")
    with pytest.MonkeyPatch.context() as patch:
        # Four calls of fsync come before the decision: two files, the list of them, their folder.
        Fault(patch, *((os, name) if name == "fsync" else (Path, name)), nth=nth)
        with pytest.raises(SiteError) as refused:
            write_all(folder, {"a.toml": b"new", "b.toml": b"new"})
    assert ("the change is kept" if kept else "nothing was changed") in str(refused.value)
    assert (folder / COMMIT).exists() == kept
    recover(folder)
    text = "new" if kept else "old"
    assert snapshot(folder) == {"a.toml": text.encode(), "b.toml": text.encode()}


def test_threads_that_write_the_same_files_at_once_leave_whole_ones(tmp_path: Path) -> None:
    """Two threads of the page that write the same outputs get in each other's way neither by a fault nor by halves."""
    made = [{name: bytes([k]) * 50_000 for name in ("map.html", "report.json")} for k in range(4)]
    faults = []
    together = threading.Barrier(len(made))

    def write(files: dict[str, bytes]) -> None:
        try:
            for _ in range(20):
                together.wait()
                replace_files(tmp_path, files)
        except BaseException as fault:
            together.abort()
            faults.append(fault)

    threads = [threading.Thread(target=write, args=(files,)) for files in made]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not faults
    assert {path.name for path in tmp_path.iterdir()} == {"map.html", "report.json"}
    assert all(path.read_bytes() in [files[path.name] for files in made] for path in tmp_path.iterdir())


@pytest.mark.parametrize("again", [["add", "field", "walk.gpx"], ["report", "field"]], ids=["add", "report"])
def test_a_half_kept_result_goes_even_where_the_next_command_is_refused(
    site: Path, dead_pid: int, again: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """What a killed command left half written among kept results goes at the next start; a user's own file stays."""
    kept = site / "out/kept"
    named = next(path for path in kept.iterdir() if path.name != "list.txt")
    left, own = kept / f".new-{dead_pid}-{named.name}", kept / f".new-{dead_pid}-{'0' * 64}"
    for path in (left, own):
        path.write_bytes(b"half")
    (site / "out/map.html").unlink()
    (site / "out/map.html").mkdir()  # so that no map can be written
    assert main(again) == 1 and capsys.readouterr().err
    assert not left.exists() and own.exists() and named.exists()
