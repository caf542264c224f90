"""Work that several processes share: the same results in the same order, and no process left over."""

from __future__ import annotations

import operator
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from fieldcomb.coverage.pool import workers as pool_workers
from fieldcomb.coverage.pool.workers import Workers, cores

LONG = 600_000  # 3 to so high a power takes some hundredths of a second


def runs(pid: int) -> bool:
    """Whether a process is there and not over."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace").rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state not in "ZX"


def ended(*pids: int) -> bool:
    """Whether processes end; waits for it, since the system needs a moment."""
    until = time.monotonic() + 60
    while any(runs(pid) for pid in pids) and time.monotonic() < until:
        time.sleep(0.02)
    return not any(runs(pid) for pid in pids)


@pytest.mark.parametrize("jobs", [1, 2, 4])
def test_results_come_in_the_order_of_the_tasks_whoever_did_them(jobs: int) -> None:
    """One process, two or four: every result is there, in the order of the tasks, with so many processes."""
    with Workers(jobs, pays_s=0) as workers:
        assert list(workers.in_order(pow, 3, range(200, 0, -1), 1.0)) == [3**n for n in range(200, 0, -1)]
        assert len(workers.pids) == jobs - 1


def test_little_work_starts_no_process() -> None:
    """Work of less than it takes to start a process, and a single task, are done at once by the command."""
    with Workers(4) as workers:
        assert list(workers.in_order(pow, 2, range(50), 0.1)) == [2**n for n in range(50)]
        assert list(workers.in_order(pow, 2, [5], 100.0)) == [32]
        assert workers.pids == ()


def test_a_fault_is_raised_when_its_turn_comes_and_not_before() -> None:
    """Results before a faulty task are given all the same; then its fault is raised in the command."""
    with Workers(3, pays_s=0) as workers:
        results = workers.in_order(operator.floordiv, 60, [1, 2, 3, 4, 5, 6, 0, 10], 1.0)
        assert [next(results) for _ in range(6)] == [60, 30, 20, 15, 12, 10]
        with pytest.raises(ZeroDivisionError):
            next(results)


def test_work_is_done_before_its_results_are_asked_for_where_that_is_wanted() -> None:
    """Processes begin some tasks at once while the command does something else; the results come in order as ever."""
    with Workers(2, pays_s=0) as workers:
        results = workers.in_order(pow, 3, range(200, 0, -1), 1.0, 8)
        assert list(workers.in_order(pow, 2, range(8), 1.0)) == [2**n for n in range(8)]
        assert list(results) == [3**n for n in range(200, 0, -1)]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no such files")
def test_nothing_waits_behind_a_long_thing_that_was_begun_beside(tmp_path: Path) -> None:
    """While the only process beside is at a thing that does not end, the command does all the rest itself."""
    os.mkfifo(tmp_path / "answer")  # whoever reads it waits until something is written
    with Workers(2, pays_s=0) as workers:
        workers.start([])
        long = workers.begin(operator.call, Path.read_bytes, tmp_path / "answer")
        assert list(workers.in_order(pow, 3, range(20), 1.0)) == [3**n for n in range(20)]
        (tmp_path / "answer").write_bytes(b"done")
        assert long() == b"done"


def test_work_within_work_keeps_both_in_order() -> None:
    """Tasks that need tasks of their own get the results that they asked for, and no others."""
    with Workers(2, pays_s=0) as workers:
        outer = workers.in_order(pow, 3, range(40), 1.0)
        got = []
        for result in outer:
            got.append(result)
            assert list(workers.in_order(pow, 2, range(8), 1.0)) == [2**n for n in range(8)]
        assert got == [3**n for n in range(40)]


def test_work_that_is_dropped_half_way_does_not_disturb_the_next() -> None:
    """Answers that nobody asks for any more are not taken for those of the next work."""
    with Workers(2, pays_s=0) as workers:
        dropped = workers.in_order(pow, 3, range(40), 1.0)
        assert next(dropped) == 1
        dropped.close()  # type: ignore[attr-defined]
        assert list(workers.in_order(pow, 2, range(40), 1.0)) == [2**n for n in range(40)]


def test_a_process_that_is_killed_is_told_and_its_work_done_by_others() -> None:
    """When all processes beside the command are killed, that is said, and every result still comes."""
    notes: list[str] = []
    with Workers(3, notes.append, pays_s=0) as workers:
        results = workers.in_order(pow, 3, range(LONG, LONG + 12), 1.0)
        assert next(results) == 3**LONG
        for pid in workers.pids:
            os.kill(pid, signal.SIGKILL)
        assert list(results) == [3**n for n in range(LONG + 1, LONG + 12)]
        assert workers.pids == ()
    assert len(notes) == 2 and all("ended from outside" in note for note in notes)


def test_no_process_is_left_after_the_work_even_if_it_was_at_work() -> None:
    """Processes end with the work, also in the middle of a task."""
    with Workers(3, pays_s=0) as workers:
        next(workers.in_order(pow, 3, [1, *range(LONG, LONG + 200)], 1.0))
        pids = workers.pids
        assert len(pids) == 2 and all(runs(pid) for pid in pids)
    assert ended(*pids)


def test_what_was_begun_beside_is_there_when_it_is_asked_for() -> None:
    """Work begun in a process that was started early gives what it would give here, whatever is asked for first."""
    with Workers(2) as workers:
        workers.start(["decimal", "no_such_module"])
        assert len(workers.pids) == 1
        first, second = workers.begin(pow, 3, 100), workers.begin(pow, 5, 100)
        assert list(workers.in_order(pow, 2, range(50), 100.0)) == [2**n for n in range(50)]
        assert second() == 5**100 and first() == 3**100


def test_the_command_goes_on_while_a_process_has_no_time_to_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """A task of megabytes is on its way to a process that is still loading: the command goes on, and can end it."""
    monkeypatch.setattr(pool_workers, "COMMAND", (sys.executable, "-c", "import time; time.sleep(20)"))
    with Workers(2) as workers:
        workers.start([])
        (pid,) = workers.pids
        for number in range(3):
            workers.begin(operator.getitem, bytes(1 << 22), number)
        assert runs(pid)  # nobody waited for it, or it would have been over by now
    assert ended(pid)


def test_a_single_task_goes_to_a_process_only_if_one_was_started_early() -> None:
    """While another process does the only task, the command loads what it will need later, and then has its result."""
    with Workers(2) as workers:
        workers.start([], later=["this"])
        sys.modules.pop("this", None)
        assert list(workers.in_order(pow, 3, [LONG], 0.01)) == [3**LONG]
        assert "this" in sys.modules


def test_nothing_is_begun_where_there_is_no_other_process() -> None:
    """With one job nothing is started, and what was begun is done by the command when it is asked for."""
    with Workers(1) as workers:
        workers.start(["decimal"])
        assert workers.pids == ()
        assert workers.begin(pow, 2, 10)() == 1024


def test_a_fault_beside_is_raised_where_the_result_is_asked_for() -> None:
    """A fault of work that was begun comes as it would have come here, and what was begun next is not disturbed."""
    with Workers(2) as workers:
        workers.start([])
        wrong, right = workers.begin(operator.floordiv, 60, 0), workers.begin(operator.floordiv, 60, 5)
        with pytest.raises(ZeroDivisionError):
            wrong()
        assert right() == 12


def test_work_begun_in_a_process_that_is_killed_is_done_by_the_command() -> None:
    """A process killed before, or in the middle of, what was begun in it is told once, and every result is there."""
    notes: list[str] = []
    with Workers(2, notes.append) as workers:
        workers.start([])
        first, second = workers.begin(pow, 3, 50 * LONG), workers.begin(pow, 3, 7)
        os.kill(workers.pids[0], signal.SIGKILL)
        assert second() == 3**7
        third = workers.begin(pow, 3, 8)
        assert third() == 3**8 and workers.pids == ()
    assert len(notes) == 1 and "ended from outside" in notes[0]
    del first


SCRIPT = f"""
from fieldcomb.coverage.pool.workers import Workers
with Workers(3, pays_s=0) as workers:
    results = workers.in_order(pow, 3, [1, *range({LONG}, {LONG} + 9999)], 1.0)
    next(results)
    print(*workers.pids, flush=True)
    for result in results:
        pass
"""


# Minutes of work in Python, as tasks are: a single call into C that long would keep the process from seeing its end.
EARLY = """
from difflib import get_close_matches
from fieldcomb.coverage.pool.workers import Workers
with Workers(3) as workers:
    workers.start(["decimal"], most=2)
    print(*workers.pids, flush=True)
    begun = workers.begin(get_close_matches, "ab" * 2000, ["ba" * 2000] * 1000)
    begun()
"""


# A shell's background work ignores Ctrl+C, and so would what a test starts there.
HEEDING = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)\n"


@pytest.mark.parametrize("script", [SCRIPT, EARLY], ids=["shared", "begun"])
@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGKILL], ids=["stopped", "killed"])
def test_no_process_is_left_when_the_command_is(sign: signal.Signals, script: str) -> None:
    """Ctrl+C, and a kill that cannot be caught, leave no process behind, and no message of one."""
    with subprocess.Popen(
        [sys.executable, "-c", HEEDING + script], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as command:
        assert command.stdout is not None and command.stderr is not None
        pids = [int(pid) for pid in command.stdout.readline().split()]
        assert len(pids) == 2
        command.send_signal(sign)
        said = command.stderr.read()
    assert ended(*pids)
    assert said.count("Traceback") == (sign == signal.SIGINT)  # the command's own, and none of another process


def test_there_is_at_least_one_core() -> None:
    """The default is a number of processes that a machine can have."""
    assert 1 <= cores() <= 4096
