"""The process that waits for the next order: ready before it comes, replaced when it is gone, and never left behind."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from small_walks import walk

from fieldcomb.coverage.jobs.job_queue import WORKER
from fieldcomb.coverage.jobs.ready_worker import ReadyWorker

# Says who it is, waits for its line, and says it again.
ECHO = "import os, sys; print(os.getpid(), flush=True); print(sys.stdin.readline().strip(), flush=True)"


@pytest.fixture
def ready() -> Iterator[ReadyWorker]:
    """A process of a line of answer, ended in the end."""
    one = ReadyWorker((sys.executable, "-S", "-c", ECHO))
    yield one
    one.end()


def said(process: subprocess.Popen[str]) -> list[str]:
    """All that a process says, until it ends."""
    assert process.stdout is not None
    with process.stdout as out:
        lines = out.read().split()
    assert process.wait() == 0
    return lines


def runs(pid: int) -> bool:
    """Whether there is a process of this number."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def test_the_process_that_waited_takes_the_order(ready: ReadyWorker) -> None:
    """The order goes to the process that was there before it, and then none waits until one is prepared."""
    ready.prepare()
    pid = ready.pid
    ready.prepare()  # one is enough
    assert ready.pid == pid is not None
    assert said(ready.take("north-field\n")) == [str(pid), "north-field"] and ready.pid is None


def test_an_order_without_a_process_that_waits_gets_a_new_one(ready: ReadyWorker) -> None:
    """An order that comes before any process is ready is carried out all the same."""
    assert said(ready.take("north-field\n"))[1] == "north-field"


def test_a_process_that_was_killed_is_replaced(ready: ReadyWorker) -> None:
    """When the process that waits is killed from outside, the next order is carried out by another one."""
    ready.prepare()
    pid = ready.pid
    assert pid is not None
    os.kill(pid, signal.SIGKILL)
    while ready.pid is not None:
        time.sleep(0.005)
    found = said(ready.take("north-field\n"))
    assert found[0] != str(pid) and found[1] == "north-field"


def test_no_process_is_left_behind(ready: ReadyWorker) -> None:
    """Ended, the process that waited is gone."""
    ready.prepare()
    pid = ready.pid
    ready.end()
    assert pid is not None and not runs(pid) and ready.pid is None


def test_a_worker_ends_with_its_server() -> None:
    """A worker whose server is gone before it gave an order says nothing, and ends."""
    done = subprocess.run(WORKER, stdin=subprocess.DEVNULL, capture_output=True, timeout=120, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")


def test_what_an_order_needs_is_loaded_before_it_comes(tmp_path: Path) -> None:
    """After a worker has made ready, adding a walk and drawing its map load no part of a library that takes long."""
    (tmp_path / "one.gpx").write_text(walk())
    code = f"""
import json, sys
from fieldcomb.coverage.jobs.worker import carry_out, load_all
from fieldcomb.coverage.jobs.job_protocol import HeldFile, Order
from fieldcomb.coverage.site.settings import Typed
load_all()
before = set(sys.modules)
site = {str(tmp_path / "s")!r}
carry_out(Order("new", site), lambda **_: None)
files = (HeldFile("one.gpx", {str(tmp_path / "one.gpx")!r}),)
carry_out(Order("add", site, files, typed=Typed(coil="28cm")), lambda **_: None)
print(json.dumps(sorted(set(sys.modules) - before)))
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=300, check=True)
    late = json.loads(done.stdout.splitlines()[-1])
    large = ("numpy", "scipy", "shapely", "rasterio", "pyproj", "jinja2", "fieldcomb.coverage")
    assert [name for name in late if name.startswith(large)] == []
