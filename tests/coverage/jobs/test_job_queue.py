"""The line of orders behind the local page: none lost, none doubled, each can be stopped, and the last one draws."""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from small_walks import MORNING, walk

from fieldcomb.coverage.actions.new_site import new_site
from fieldcomb.coverage.jobs.job_protocol import HeldFile, Order
from fieldcomb.coverage.jobs.job_queue import DONE, FAILED, STOPPED, Job, JobQueue
from fieldcomb.coverage.site.settings import Typed
from fieldcomb.coverage.web.routes import outing_ids_at
from fieldcomb.tracks.errors import UsageError

# A stand-in for the work: writes its order down, says that it kept something, and waits where the label tells it to.
STAND_IN = """
import json, os, sys, time
order = json.loads(sys.stdin.readline())
with open(order["site"], "a") as log:
    log.write(json.dumps([order["do"], order["label"], order["draw"]]) + "\\n")
if order["label"] == "die":
    sys.exit(9)
if order["label"] == "wait":
    print(json.dumps({"step": "waiting"}), flush=True)
    time.sleep(600)
if order["label"] == "pid":
    with open(order["site"], "a") as log:
        log.write(str(os.getpid()) + "\\n")
    time.sleep(600)
if order["label"] == "flood":
    while True:
        print(json.dumps({"step": "x"}), flush=True)
if (order["label"] or "").startswith("wait for "):
    while not os.path.exists(os.path.join(os.path.dirname(order["site"]), order["label"].split()[-1])):
        time.sleep(0.01)
if order["label"] == "fault":
    print(json.dumps({"fault": "is no walk"}), flush=True)
else:
    print("a library prints this", flush=True)
    print(json.dumps({"kept": [order["label"] or ""], "drawn": order["draw"]}), flush=True)
"""
Starter = Callable[..., JobQueue]


@pytest.fixture
def line() -> Iterator[Starter]:
    """Give a function that starts a line of orders; all are closed in the end."""
    started: list[JobQueue] = []

    def start(over: Callable[[Order], None] = lambda _: None, **given: object) -> JobQueue:
        given.setdefault("worker", (sys.executable, "-S", "-c", STAND_IN))
        started.append(JobQueue(over, lambda _: (), **given))  # type: ignore[arg-type]
        return started[-1]

    yield start
    for one in started:
        one.close()


def until(check: Callable[[], bool]) -> None:
    """Wait for something that other threads bring about."""
    end = time.monotonic() + 120
    while not check():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.005)


def finished(jobs: JobQueue, job: Job) -> Job:
    """Give a job when it is over."""
    until(lambda: (jobs.get(job.id) or job).is_over)
    found = jobs.get(job.id)
    assert found is not None
    return found


def written(log: Path) -> list[list[object]]:
    """Give what the stand-in wrote down."""
    return [json.loads(one) for one in log.read_text().splitlines()] if log.exists() else []


def test_orders_put_at_the_same_moment_are_each_done_once(line: Starter, tmp_path: Path) -> None:
    """Of many orders from four people at once, each is carried out once, and only the last one draws the map."""
    log, over = tmp_path / "log", list[Order]()
    jobs = line(over.append)
    put: list[Job] = []

    def client(name: str) -> None:
        for n in range(4):
            put.append(jobs.submit(Order("add", str(log), label=f"{name}{n}")))

    clients = [threading.Thread(target=client, args=(name,)) for name in "abcd"]
    for one in clients:
        one.start()
    for one in clients:
        one.join()
    assert {finished(jobs, job).state for job in put} == {DONE}
    done = written(log)
    assert sorted(str(label) for _, label, _ in done) == sorted(f"{name}{n}" for name in "abcd" for n in range(4))
    assert done[-1][2] is True and sum(bool(draw) for _, _, draw in done) >= 1
    until(lambda: len(over) == 16)  # the uploads of all of them have been cleared away


def test_when_the_last_of_several_fails_the_map_is_drawn_for_the_others(line: Starter, tmp_path: Path) -> None:
    """One bad file at the end of a batch does not leave the map of the good ones undrawn."""
    log = tmp_path / "log"
    jobs = line()
    first = jobs.submit(Order("add", str(tmp_path / "other"), label="wait"))
    put = [jobs.submit(Order("add", str(log), label=label)) for label in ("good", "fault")]
    jobs.stop(first.id)
    states = [finished(jobs, job) for job in (first, *put)]
    assert [job.state for job in states] == [STOPPED, DONE, FAILED]
    assert states[-1].progress.fault == "is no walk"
    until(lambda: len(written(log)) == 3)
    assert written(log) == [["add", "good", False], ["add", "fault", True], ["draw", None, True]]


@pytest.mark.parametrize("when", ["waiting", "working"])
def test_when_the_last_of_several_is_stopped_the_map_is_drawn_for_the_others(
    line: Starter, tmp_path: Path, when: str
) -> None:
    """A walk that was added while another one waited is on the map even when that other one is stopped."""
    log, elsewhere = tmp_path / "log", tmp_path / "elsewhere"
    jobs = line()
    jobs.submit(Order("add", str(elsewhere), label="wait for go"))
    first = jobs.submit(Order("add", str(log), label="first"))
    between = jobs.submit(Order("add", str(elsewhere), label="wait for more"))
    last = jobs.submit(Order("add", str(log), label="wait"))
    (tmp_path / "go").touch()
    assert finished(jobs, first).state == DONE
    if when == "waiting":
        jobs.stop(last.id)
    (tmp_path / "more").touch()
    if when == "working":
        until(lambda: (jobs.get(last.id) or last).progress.step == "waiting")
        jobs.stop(last.id)
    assert finished(jobs, last).state == STOPPED and finished(jobs, between).state == DONE
    until(lambda: written(log)[-1] == ["draw", None, True])
    until(lambda: jobs.working_on(str(log)) is None)
    assert written(log)[0] == ["add", "first", False] and written(log).count(["draw", None, True]) == 1


def test_the_reason_for_which_a_job_was_ended_is_not_lost_between_two_messages(line: Starter, tmp_path: Path) -> None:
    """Work that is ended while it reports step after step says why it was ended."""
    interval = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    try:
        jobs = line(most_s=0.15)
        late = [jobs.submit(Order("add", str(tmp_path / "log"), label="flood")) for _ in range(12)]
        assert {finished(jobs, job).progress.fault.partition(" than")[0] for job in late} == {"It took longer"}
    finally:
        sys.setswitchinterval(interval)


def test_a_stopped_order_ends_at_once_and_the_next_one_begins(line: Starter, tmp_path: Path) -> None:
    """Who stops the work does not wait for it, and nobody behind it waits longer."""
    log, over = tmp_path / "log", list[Order]()
    jobs = line(over.append)
    endless = jobs.submit(Order("add", str(log), label="wait"))
    waiting = jobs.submit(Order("add", str(tmp_path / "b"), label="waiting"))
    last = jobs.submit(Order("add", str(tmp_path / "c"), label="last"))
    until(lambda: (jobs.get(endless.id) or endless).progress.step == "waiting")
    found = jobs.get(last.id)
    assert found is not None and found.before == 2
    jobs.stop(waiting.id)
    jobs.stop(endless.id)
    assert finished(jobs, endless).state == STOPPED and finished(jobs, waiting).state == STOPPED
    assert finished(jobs, last).state == DONE
    assert not (tmp_path / "b").exists()  # it was never begun
    until(lambda: len(over) == 3)
    jobs.stop(last.id)
    assert finished(jobs, last).state == DONE  # what is over cannot be stopped any more


def test_work_that_takes_too_long_or_dies_is_told(line: Starter, tmp_path: Path) -> None:
    """Work that does not end is ended, and work that ends by itself is not taken for done."""
    jobs = line(most_s=0.3)
    late = finished(jobs, jobs.submit(Order("add", str(tmp_path / "log"), label="wait")))
    assert late.state == FAILED and "longer than" in late.progress.fault
    jobs = line()
    dead = finished(jobs, jobs.submit(Order("add", str(tmp_path / "log"), label="die")))
    assert dead.state == FAILED and "stopped unexpectedly" in dead.progress.fault


def test_work_that_cannot_begin_is_told_and_the_line_goes_on(line: Starter, tmp_path: Path) -> None:
    """When no process can be started the order fails with a reason, and so does the next."""
    jobs = line(worker=(str(tmp_path / "nothing"),))
    for _ in range(2):
        failed = finished(jobs, jobs.submit(Order("add", str(tmp_path / "log"))))
        assert failed.state == FAILED and "could not be done" in failed.progress.fault


def test_nothing_is_imported_from_where_the_server_was_started(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file beside the sites that has the name of a library is not run."""
    for name in ("json", "numpy", "fieldcomb"):
        (tmp_path / f"{name}.py").write_text(f"open({str(tmp_path / 'ran')!r}, 'w')\n")
    monkeypatch.chdir(tmp_path)
    jobs = JobQueue(lambda _: None, lambda _: ())
    try:
        failed = finished(jobs, jobs.submit(Order("draw", str(tmp_path / "gone"))))
    finally:
        jobs.close()
    assert failed.progress.fault.startswith("gone: is not there") and not (tmp_path / "ran").exists()


def test_too_many_waiting_orders_are_refused(line: Starter, tmp_path: Path) -> None:
    """When the queue is full the next upload is refused with what to do, not forgotten; one fewer leaves room."""
    jobs = line(most_waiting=2)
    jobs.submit(Order("add", str(tmp_path / "log"), label="wait"))
    until(lambda: bool(written(tmp_path / "log")))
    waiting = [jobs.submit(Order("add", str(tmp_path / "log"))) for _ in range(2)]
    with pytest.raises(UsageError, match="2 uploads are waiting already"):
        jobs.submit(Order("add", str(tmp_path / "log")))
    jobs.stop(waiting[0].id)
    assert jobs.submit(Order("add", str(tmp_path / "log"))).before == 2


def test_the_latest_two_hundred_jobs_that_are_over_are_remembered(line: Starter, tmp_path: Path) -> None:
    """Who still has the page of a job open finds how it ended, unless two hundred others have ended since."""
    jobs = line()
    jobs.submit(Order("add", str(tmp_path / "log"), label="wait"))
    until(lambda: bool(written(tmp_path / "log")))
    stopped = []
    for _ in range(203):
        stopped.append(jobs.submit(Order("add", str(tmp_path / "log"))))
        jobs.stop(stopped[-1].id)
    assert [jobs.get(job.id) is None for job in stopped] == [True, True, *[False] * 201]
    assert jobs.submit(Order("add", str(tmp_path / "log"))).before == 1


def test_closing_ends_the_work(line: Starter, tmp_path: Path) -> None:
    """When the page is closed no work goes on without it."""
    log = tmp_path / "log"
    jobs = line()
    jobs.submit(Order("add", str(log), label="pid"))
    until(lambda: log.exists() and log.read_text().count("\n") == 2)
    pid = int(log.read_text().splitlines()[1])
    jobs.close()
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


def test_a_walk_is_added_and_drawn_in_a_process_of_its_own(tmp_path: Path) -> None:
    """The real work adds a walk and draws the map, and tells a bad file without touching the site."""
    site = tmp_path / "field"
    new_site(site, say=lambda _: None)
    (tmp_path / "up").write_text(walk())
    (tmp_path / "bad").write_text("this is no walk")
    jobs = JobQueue(lambda _: None, outing_ids_at)
    try:
        good = jobs.submit(
            Order("add", str(site), (HeldFile("mine.gpx", str(tmp_path / "up")),), typed=Typed(coil="28cm"))
        )
        bad = jobs.submit(Order("add", str(site), (HeldFile("bad.gpx", str(tmp_path / "bad")),)))
        done, refused = finished(jobs, good), finished(jobs, bad)
        until(lambda: jobs.working_on(str(site)) is None)  # the map is drawn for the good one
    finally:
        jobs.close()
    assert done.state == DONE and done.progress.kept == ("2026-03-07a",) and not done.progress.fault
    assert refused.state == FAILED and refused.progress.fault.startswith("bad.gpx: ") and not refused.progress.kept
    assert outing_ids_at(str(site)) == ("2026-03-07a",)
    assert (site / "out" / "map.html").exists()


def test_what_was_added_before_it_could_be_reported_is_shown(tmp_path: Path) -> None:
    """Work that dies right after the walk is in the site still leads to the outing that it added."""
    site = tmp_path / "field"
    new_site(site, say=lambda _: None)
    add_and_die = (
        "import os, sys\n"
        "from fieldcomb.coverage.jobs.job_protocol import read_order\n"
        "from fieldcomb.coverage.jobs.worker import carry_out\n"
        "def report(**progress):\n"
        "    if 'kept' in progress:\n"
        "        os._exit(9)\n"
        "carry_out(read_order(sys.stdin.readline()), report)\n"
    )
    (tmp_path / "up").write_text(walk(MORNING))
    jobs = JobQueue(lambda _: None, outing_ids_at, worker=(sys.executable, "-c", add_and_die))
    try:
        dead = finished(jobs, jobs.submit(Order("add", str(site), (HeldFile("mine.gpx", str(tmp_path / "up")),))))
    finally:
        jobs.close()
    assert dead.progress.kept == ("2026-03-07a",) and "stopped unexpectedly" in dead.progress.fault
