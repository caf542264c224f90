"""Commands that are killed, or that the disk fails, at any step; with the whole world around a site watched."""

from __future__ import annotations

import errno
import io
import json
import os
import random
import resource
import shutil
import stat
import sys
import traceback
from collections.abc import Callable
from contextlib import chdir, redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

from small_walks import MORNING, gpx, lanes, square, stamped, wpt

from fieldcomb.coverage.commands.cli import main
from fieldcomb.coverage.jobs.job_protocol import ADD, DRAW, EDIT, NEW, HeldFile, Order, order_line
from fieldcomb.coverage.jobs.worker import run_order
from fieldcomb.coverage.site.folder import opened
from fieldcomb.tracks.errors import FieldcombError

STEPS = ("open", "write", "fsync", "replace", "rename", "mkdir", "rmdir", "unlink", "utime")
TAKES_NO_ROOM = ("rmdir", "unlink", "utime")
KILLED, RAISED = 9, 70
FIRST = "2026-03-07a"
NOBODY = 65534
Doing = list[str] | Order
State = dict[str, object]

# What can be done, and what is done when it is tried again. A page draws the map that a stopped upload owes.
DRAW_IT = Order(DRAW, "site")
UPLOADED = (HeldFile("1.gpx", "1.gpx"), HeldFile("2.gpx", "2.gpx"))
DOINGS: dict[str, tuple[Doing, ...]] = {
    "new": (["new", "fresh", "--boundary", "edge.geojson"], ["card", "fresh"]),
    "new --edge": (["new", "fresh", "--edge", "edge.gpx"], ["card", "fresh"]),
    "add": (["add", "site", "1.gpx", "2.gpx", "--coil", "small=13x20cm"],),
    "add --each": (["add", "site", "1.gpx", "2.gpx", "--each"],),
    "edit": (["edit", "site", FIRST, "--coil", "small=13x20cm", "--note", "rain"],),
    "edit --leave-out": (["edit", "site", FIRST, "--leave-out"],),
    "finds --collect": (["finds", "site", "--collect"],),
    "finds --set": (["finds", "site", "--set", "7", "what=lead token", "depth=12cm"],),
    "report": (["report", "site"],),
    "report -o": (["report", "site", "-o", "elsewhere/deep"],),
    "card": (["card", "site"],),
    "page add": (Order(ADD, "site", UPLOADED), DRAW_IT),
    "page edit": (Order(EDIT, "site", outing=FIRST, changes={"note": "rain", "swath": "1.1m"}), DRAW_IT),
    "page new": (Order(NEW, "fresh", edge=HeldFile("edge.gpx", "edge.gpx"), draw=False), ["card", "fresh"]),
}
FOLDER_LINKS = ("out", "out/kept", "tracks", ".commit", ".pending-new", ".pending-done")
FILE_LINKS = (".lock", "out/map.html", "out/report.json", "outings.toml")
READ_ONLY = ("site", "site/out", "site/tracks", "elsewhere")
LAYOUTS = (
    "plain",
    "own files",
    *(f"link {name}" for name in (*FOLDER_LINKS, *FILE_LINKS)),
    *(f"read-only {name}" for name in READ_ONLY),
)


@dataclass(frozen=True, slots=True)
class Fault:
    """What goes wrong.

    kind : "kill" ends the process at step ``at`` (a write after half of its bytes); "once" fails that step; "on" fails
    it and all that follow; "limit" lets no file grow beyond ``at`` bytes.
    code : what the system says.
    """

    kind: str
    at: int
    code: int = errno.ENOSPC

    def arm(self, steps: list[int]) -> None:
        """Make it happen in this process, which ends after that; the first of ``steps`` counts them."""
        if self.kind == "limit":
            resource.setrlimit(resource.RLIMIT_FSIZE, (self.at, self.at))
            return
        for name in STEPS:
            setattr(os, name, self._wrapped(name, getattr(os, name), steps))

    def _wrapped(self, name: str, real: Callable[..., Any], steps: list[int]) -> Callable[..., Any]:
        def step(*args: Any, **more: Any) -> Any:
            number, steps[0] = steps[0], steps[0] + 1
            if number < self.at or (number > self.at and self.kind == "once"):
                return real(*args, **more)
            if self.code == errno.ENOSPC and self.kind != "kill" and name in TAKES_NO_ROOM:
                return real(*args, **more)
            if name == "write":
                real(args[0], bytes(args[1])[: len(args[1]) // 2])
            if self.kind == "kill":
                os._exit(KILLED)
            raise OSError(self.code, os.strerror(self.code))

        return step


NOTHING_WRONG = Fault("once", 1_000_000)


@dataclass(frozen=True, slots=True)
class End:
    """How a process ended, what it printed, and how many steps it took."""

    code: int
    words: str
    steps: int = 0

    def confirms(self, doing: Doing) -> bool:
        """Whether the user was told that the change is kept."""
        return '"kept"' in self.words if isinstance(doing, Order) else self.code == 0


def make_world(world: Path) -> None:
    """Make a folder with a site whose map is older than its outings, what can be given, and files of the user's own."""
    (world / "mine/inner").mkdir(parents=True)
    (world / "elsewhere").mkdir()
    for name in (
        "photo.jpg",
        "0",
        "manifest.json",
        "map.html",
        "ab" * 32,
        ".new-1-x",
        "site.toml",
        "inner/0",
        "list.txt",
    ):
        (world / "mine" / name).write_text("[]" if name == "manifest.json" else "mine " * 200)
    for number in range(4):
        places = [(x + 3.0 * number, y) for x, y in lanes(3, 6.0)]
        start = MORNING + timedelta(days=number)
        found = "".join(wpt(name, start + timedelta(seconds=k)) for name, k in (("keep coin", 9), ("junk", 30)))
        (world / f"{number}.gpx").write_text(gpx(stamped(places, start), found))
    ring = [(0.5 * k, 0) for k in range(24)] + [(12, 0.5 * k) for k in range(16)]
    ring += [(12 - 0.5 * k, 8) for k in range(24)] + [(0, 8 - 0.5 * k) for k in range(17)]
    (world / "edge.gpx").write_text(gpx(stamped(ring)))
    (world / "edge.geojson").write_text(square(-1, -1, 12, 8))
    begun = [
        ["new", "site", "--boundary", "edge.geojson"], ["add", "site", "0.gpx"], ["report", "site"],
        ["add", "site", "3.gpx", "--coil", "28cm"],
    ]  # fmt: skip
    # In this process, so that those which are made of it later need not load the libraries once more.
    with chdir(world), redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
        for command in begun:
            assert main(command) == 0, command
            (world / "site/finds.csv").write_text("find_no,kind,what,shelf\n7,keep,,A\n8,junk,nail,B\n")
    for path in (world / "mine").rglob("*"):
        os.utime(path, (1, 1))


def lay_out(world: Path, layout: str) -> None:
    """Put a link, files of the user's own, or a part that may not be written to into the site."""
    how, _, name = layout.partition(" ")
    place = world / "site" / name
    if layout == "own files":
        for folder in ("site/out", "site/out/kept", "site/tracks", "site"):
            (world / folder).mkdir(exist_ok=True)
            for own in ("my photo.jpg", ".photo.part", ".pending-photo", "cd" * 32, ".new-photo"):
                (world / folder / own).write_text("mine")
    elif how == "read-only":
        for path in [world / name, *(world / name).rglob("*")]:
            path.chmod(0o555 if path.is_dir() else 0o444)
    elif how == "link" and name in FOLDER_LINKS:
        if place.is_dir():
            shutil.copytree(place, world / "mine", dirs_exist_ok=True)
            shutil.rmtree(place)
        place.symlink_to(Path("../" * (1 + name.count("/")) + "mine"))
    elif how == "link":
        target = world / "mine" / place.name
        target.write_bytes(place.read_bytes())
        place.unlink()
        place.symlink_to(Path("../" * (1 + name.count("/")) + "mine") / place.name)


def run(world: Path, doing: Doing | None, fault: Fault | None = None, *, as_nobody: bool = False) -> End:
    """Carry something out in a process of its own, with the world as its folder; None only opens the site."""
    read_end, write_end = os.pipe()
    child = os.fork()
    if child == 0:
        _child(world, doing, fault, write_end, as_nobody)
    os.close(write_end)
    with os.fdopen(read_end, "rb") as pipe:
        words = pipe.read().decode("utf-8", "replace")
    words, _, steps = words.partition("\nsteps ")
    return End(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), words, int(steps or 0))


def _child(world: Path, doing: Doing | None, fault: Fault | None, pipe: int, as_nobody: bool) -> None:
    code, steps = RAISED, [0]
    try:
        os.dup2(pipe, 1)
        os.dup2(pipe, 2)
        sys.stdout = sys.stderr = os.fdopen(1, "w")
        os.chdir(world)
        if as_nobody and os.geteuid() == 0:
            os.setgroups([])
            os.setegid(NOBODY)
            os.seteuid(NOBODY)
        if fault is not None:
            fault.arm(steps)
        code = _do(doing)
    except BaseException:
        traceback.print_exc()
    finally:
        with suppress(OSError, ValueError):
            sys.stdout.write(f"\nsteps {steps[0]}")
            sys.stdout.flush()
        os._exit(code)


def _do(doing: Doing | None) -> int:
    if doing is None:
        with suppress(FieldcombError), opened(Path("site"), lambda _: None):
            pass
        return 0
    if isinstance(doing, Order):
        sys.stdin = io.StringIO(order_line(doing))
        return run_order()
    return main(doing)


def state_of(world: Path) -> State:
    """Return everything in a world: links, modes, bytes; not the lock files, nor what results are kept."""
    state: State = {}
    for path in sorted(world.rglob("*")):
        name, status = path.relative_to(world).as_posix(), path.lstat()
        if path.is_symlink():
            state[name] = ("link", str(path.readlink()))
        elif path.is_dir():
            state[name] = ("folder", stat.S_IMODE(status.st_mode))
        elif path.name != ".lock" and not _is_kept(name):
            time_ns = status.st_mtime_ns if is_outside(name) else 0
            state[name] = (path.read_bytes(), stat.S_IMODE(status.st_mode), time_ns)
    return state


def _is_kept(name: str) -> bool:
    folder, _, file = name.rpartition("/")
    hashed = len(file) == 64 and file != "cd" * 32
    return folder == "site/out/kept" and (hashed or file == "list.txt")


def is_outside(name: str) -> bool:
    """Whether something lies in no site, and no folder that a report was asked for in."""
    return name.split("/")[0] not in ("site", "fresh", "elsewhere") and not name.startswith(".fresh.")


def core_of(state: State) -> State:
    """Return what counts of a state: the settings, outings, areas, finds and recordings of its sites."""
    names = ("site.toml", "outings.toml", "areas.geojson", "finds.csv")
    return {
        name: value
        for name, value in state.items()
        if name.split("/")[0] in ("site", "fresh") and (name.split("/")[-1] in names or "/tracks/" in name)
    }


@dataclass(frozen=True, slots=True)
class Scene:
    """A layout and something to do in it, with the states before and after where nothing goes wrong."""

    template: Path
    doing: str
    before: State
    after: State
    steps: int
    as_nobody: bool


def make_scene(plain: Path, folder: Path, layout: str, doing: str) -> Scene:
    """Lay a copy of a plain world out in a new folder, and find out what happens there when nothing goes wrong."""
    shutil.copytree(plain, folder, symlinks=True)
    lay_out(folder, layout)
    as_nobody = layout.startswith("read-only")
    trial = _copy(folder, as_nobody)
    before = state_of(trial)
    steps = run(trial, DOINGS[doing][0], NOTHING_WRONG, as_nobody=as_nobody).steps
    for again in DOINGS[doing][1:]:
        run(trial, again, as_nobody=as_nobody)
    after = state_of(trial)
    _remove(trial)
    return Scene(folder, doing, before, after, steps, as_nobody)


def _copy(template: Path, as_nobody: bool) -> Path:
    trial = template.with_name(template.name + ".trial")
    shutil.copytree(template, trial, symlinks=True)
    if as_nobody and os.geteuid() == 0:
        for path in (trial, *trial.rglob("*")):
            os.chown(path, NOBODY, NOBODY, follow_symlinks=False)
    return trial


def _remove(trial: Path) -> None:
    for path in (trial, *trial.rglob("*")):
        if path.is_dir() and not path.is_symlink():
            path.chmod(0o755)
    shutil.rmtree(trial)


def faults_of(scene: Scene, wanted: int, source: random.Random) -> list[Fault]:
    """Draw faults of all kinds, at steps from the first to the last."""
    kinds = ("kill", "kill", "once", "on", "limit")
    codes = (errno.ENOSPC, errno.EIO, errno.EROFS, errno.EACCES)
    drawn = []
    for number in range(wanted):
        kind = kinds[number % len(kinds)]
        at = source.choice((0, 1, 100, 3000, 20_000)) if kind == "limit" else source.randrange(max(1, scene.steps))
        drawn.append(Fault(kind, at, source.choice(codes)))
    return drawn


def suffer(scene: Scene, faults: tuple[Fault, ...]) -> tuple[list[str], End]:
    """Let faults happen one after another, then try again without; gives what is wrong, and how the first try ended."""
    trial = _copy(scene.template, scene.as_nobody)
    first, *rest = DOINGS[scene.doing]
    wrong: list[str] = []
    confirmed, end = False, End(0, "")
    try:
        for fault in faults:
            one = run(trial, first, fault, as_nobody=scene.as_nobody)
            end = one if not end.words else end
            confirmed |= one.confirms(first)
            if one.code in (RAISED,) or one.code < 0:
                wrong.append(f"ended badly ({one.code}): {one.words[-1500:]}")
            wrong += _wrong_outside(scene, state_of(trial))
        if (trial / "site").is_dir():
            run(trial, None, as_nobody=scene.as_nobody)
        wrong += _wrong_inside(scene, state_of(trial), confirmed)
        for again in (first, *rest):
            run(trial, again, as_nobody=scene.as_nobody)
        wrong += _differences(_settled(scene.after), _settled(state_of(trial)))
    finally:
        _remove(trial)
    return wrong, end


def _wrong_outside(scene: Scene, state: State) -> list[str]:
    there = {name: value for name, value in state.items() if is_outside(name)}
    return [
        f"not ours: {line}" for line in _differences({k: v for k, v in scene.before.items() if is_outside(k)}, there)
    ]


def _wrong_inside(scene: Scene, state: State, confirmed: bool) -> list[str]:
    """What is wrong with a site that was opened again: it is as before, or complete; every output file is whole."""
    core, before, after = core_of(state), core_of(scene.before), core_of(scene.after)
    wrong = []
    if core != after and (confirmed or core != before):
        wrong = [f"{'confirmed, but' if confirmed else 'half'}: {line}" for line in _differences(after, core)]
    for name, value in state.items():
        file = name.split("/")[-1]
        if name.startswith(("site/out/", "elsewhere/")) and not file.startswith(".") and isinstance(value, tuple):
            whole = (scene.before.get(name), scene.after.get(name))
            if value not in whole and not (scene.doing.startswith("page") and file != "kept"):
                wrong.append(f"neither old nor new: {name}")
    return wrong


def _settled(state: State) -> State:
    """Leave out the picture of a walked edge, which a site that was stopped right after it was made goes without."""
    return {name: value for name, value in state.items() if name != "fresh/out/edge.html"}


def _differences(expected: State, state: State) -> list[str]:
    lost = [f"gone: {name}" for name in expected.keys() - state.keys()]
    more = [f"more: {name}" for name in state.keys() - expected.keys()]
    other = [f"changed: {name}" for name in expected.keys() & state.keys() if expected[name] != state[name]]
    return sorted(lost + more + other)


def in_process(work: Callable[[], object], kill_at: int | None) -> Any:
    """Do something in a process of its own, which is killed at a step of the disk; what it answers, None if killed."""
    ours, theirs = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(ours)
        if kill_at is not None:
            Fault("kill", kill_at).arm([0])
        done = work()
        with os.fdopen(theirs, "w") as pipe:
            json.dump(done, pipe)
        os._exit(0)
    os.close(theirs)
    with os.fdopen(ours) as pipe:
        words = pipe.read()
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert code in (0, KILLED)
    return json.loads(words) if code == 0 else None
