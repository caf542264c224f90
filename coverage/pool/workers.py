"""Tasks that do not depend on each other, done by several processes, with their results in order.

The command computes as well: two jobs are itself and one process beside it. Each result is what one process would give,
so it does not matter how many there are, nor which of them did what.
"""

import os
import queue
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import field
from functools import partial
from types import TracebackType
from typing import IO, Any, Self, TypeVar

from fieldcomb.coverage.pool.loading import load
from fieldcomb.coverage.pool.memory import one_heap
from fieldcomb.coverage.pool.messages import Parcel, contents_of, parcel_of, receive, send
from fieldcomb.tracks.values import dataclass

_C = TypeVar("_C")
_T = TypeVar("_T")
_R = TypeVar("_R")

# -P: nothing is imported from the folder in which the command was started, which may hold anything.
COMMAND = (sys.executable, "-P", "-m", "fieldcomb.coverage.pool.beside")
# A process needs half a second to a second of a core until it can begin. Work of less than this is done sooner alone.
PAYS_S = 2.0
PAYS_WHEN_STARTED_S = 0.2
AT_ONCE = 3  # tasks that each process has: one to do, and two for while the command adds up what came back
PIPE_BYTES = 1 << 18  # where the system allows, so that a raster is not read in hundreds of pieces
AHEAD = 4  # results for each job that may wait for their turn, so that memory does not grow with the tasks


def cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@dataclass(slots=True, eq=False)
class _Series:
    """Tasks of one kind; ``left`` are those that nobody has taken yet, rising."""

    function: Callable[[Any, Any], Any]
    common: Any
    tasks: list[Any]
    left: deque[int]
    done: dict[int, Any] = field(default_factory=dict)
    failed: set[int] = field(default_factory=set)


class _Process:
    """One process beside the command, and what it has to do: (series, task)."""

    def __init__(self, answers: "queue.SimpleQueue[tuple[_Process, Any]]") -> None:
        pipe = subprocess.PIPE
        # In a session of its own, so that Ctrl+C comes to the command alone.
        self._popen = subprocess.Popen(
            COMMAND, stdin=pipe, stdout=pipe, stderr=subprocess.DEVNULL, start_new_session=True, pipesize=PIPE_BYTES
        )
        self.pid = self._popen.pid
        self.knows: set[int] = set()
        self.at_work: list[tuple[int, int]] = []
        assert self._popen.stdin is not None and self._popen.stdout is not None
        self._in = self._popen.stdin
        self._unsent: queue.SimpleQueue[tuple[Any, ...]] = queue.SimpleQueue()
        self._speaking = threading.Thread(target=self._speak, daemon=True)
        self._speaking.start()
        threading.Thread(target=self._listen, args=(self._popen.stdout, answers), daemon=True).start()

    def _listen(self, out: IO[bytes], answers: "queue.SimpleQueue[tuple[_Process, Any]]") -> None:
        with suppress(Exception):  # an answer that was cut off is none
            while True:
                answers.put((self, _taken_apart(*receive(out))))
        out.close()
        answers.put((self, None))

    def _speak(self) -> None:
        with suppress(OSError), self._in:  # a process that is gone is told by its answers
            while message := self._unsent.get():
                send(self._in, *message)
                del message

    def tell(self, *message: Any) -> None:
        """Begin to send a message; as yet the process may be loading, with no time to read."""
        self._unsent.put(message)

    def end(self) -> None:
        """End the process, whatever it is doing, and wait until it has."""
        self._popen.kill()
        self._popen.wait()
        self._unsent.put(())
        self._speaking.join()  # at once, as nobody is left to read what it sends


def _taken_apart(of: int, number: int, found: Parcel | None) -> tuple[int, int, bool, Any]:
    """Return an answer as series, task, whether it was done, and what it gave."""
    return of, number, found is not None, None if found is None else contents_of(found)


class Workers:
    """Processes that are started when there is enough to do, and ended with the ``with`` block.

    jobs : how many processes compute, with this one. say : takes a note for the user.
    pays_s : seconds of work for which they are started.
    """

    def __init__(self, jobs: int = 1, say: Callable[[str], None] = lambda note: None, pays_s: float = PAYS_S) -> None:
        self.jobs, self._say, self._pays_s = jobs, say, pays_s
        self._processes: list[_Process] = []
        self._answers: queue.SimpleQueue[tuple[_Process, Any]] = queue.SimpleQueue()
        self._series: dict[int, _Series] = {}
        self._begun = 0
        self._later: list[str] | None = None
        self._started = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def pids(self) -> tuple[int, ...]:
        """Numbers of the processes beside this one."""
        return tuple(process.pid for process in self._processes)

    def close(self) -> None:
        """End all processes."""
        for process in self._processes:
            process.end()
        self._processes.clear()

    def pays(self, tasks: int, seconds: float) -> bool:
        """Whether several processes do so many tasks sooner than one, which takes about so many seconds."""
        if tasks == 1:
            return self._later is not None and not all(process.at_work for process in self._processes)
        least_s = min(PAYS_WHEN_STARTED_S, self._pays_s) if self._processes else self._pays_s
        return self.jobs > 1 and tasks > 1 and seconds >= least_s

    def in_order(
        self, function: Callable[[_C, _T], _R], common: _C, tasks: Sequence[_T], seconds: float, at_first: int = 0
    ) -> Iterator[_R]:
        """Yield ``function(common, task)`` for each task, in the order of the tasks.

        function : of a module; it must not change what it is given.
        common, tasks : anything that can be pickled; ``common`` is sent once to each process.
        seconds : about how long all of it takes one process; where that is not worth it, no other is started.
        at_first : how many tasks each process has to do before the first result is asked for, which all must be then.

        Raises whatever the function raises, when its result is due.
        """
        if not at_first or not self.pays(len(tasks), seconds):
            return self._yielded(function, common, tasks, seconds)
        mine = self._new_series(function, common, list(tasks))
        self._start(len(tasks) - 1)
        for process in list(self._processes):
            while self._series[mine].left and len(process.at_work) < at_first:
                self._give(process, mine)
        return self._results(mine)

    def _yielded(
        self, function: Callable[[_C, _T], _R], common: _C, tasks: Sequence[_T], seconds: float
    ) -> Iterator[_R]:
        """Yield results of which nothing is begun before the first is asked for."""
        if not self.pays(len(tasks), seconds):
            left = deque(tasks)
            del tasks  # so that what is done can be freed
            while left:
                yield function(common, left.popleft())
            return
        self._start(len(tasks) - 1)
        mine = self._new_series(function, common, list(tasks))
        del tasks
        yield from self._results(mine)

    def _new_series(self, function: Callable[[Any, Any], Any], common: Any, tasks: list[Any]) -> int:
        self._begun += 1
        self._series[self._begun] = _Series(function, common, tasks, deque(range(len(tasks))))
        return self._begun

    def _results(self, mine: int) -> Iterator[Any]:
        series = self._series[mine]
        try:
            for number in range(len(series.tasks)):
                yield self._result(series, number)
                series.tasks[number] = None
        finally:
            del self._series[mine]

    def begin(self, function: Callable[[_C, _T], _R], common: _C, task: _T) -> Callable[[], _R]:
        """Begin ``function(common, task)`` beside the command; calling what is returned gives its result.

        The call raises whatever the function raises. Where no process has been started nothing is begun, and the call
        does it.
        """
        if not self._processes:
            return partial(function, common, task)
        mine = self._new_series(function, common, [task])
        self._give(min(self._processes, key=lambda process: len(process.at_work)), mine)
        return partial(self._ended, mine)

    def _ended(self, of: int) -> Any:
        """Wait for what was begun and return its result."""
        try:
            return self._result(self._series[of], 0)
        finally:
            del self._series[of]

    def start(self, modules: Sequence[str], later: Sequence[str] = (), most: int = 1) -> None:
        """Start processes for work that is sure to come, so that they are ready for it while the command reads.

        modules : names of what they are going to need, loaded at once. later : of what this process will need, loaded
            one by one whenever it would wait for another. most : how many, beside the command.

        From here on a single task too is done by a process that has nothing to do. Alone, what takes less time when it
        is loaded ahead is loaded now.
        """
        if self.jobs > 1:
            self._start(most)
            self._later = list(later)
        else:
            load([name for name in (*modules, *later) if name.startswith("scipy")])
        for process in list(self._processes):
            process.tell(tuple(modules))

    def _start(self, most: int) -> None:
        """Start what is missing, once; a process that was ended from outside is not started again."""
        missing = min(self.jobs - 1, most) - self._started
        if missing > 0:
            one_heap()
        self._started += max(missing, 0)
        with suppress(OSError):  # no room for a process: the work is done without it
            for _ in range(missing):
                self._processes.append(_Process(self._answers))

    def _result(self, series: _Series, number: int) -> Any:
        """Return a result: from a process, or computed here while they have enough to do."""
        while number not in series.done and number not in series.failed:
            self._hear(wait=False)
            self._hand_out()
            if number in series.done or number in series.failed:
                break
            if series.left and series.left[0] - number < AHEAD * self.jobs:
                task = series.left.popleft()
                if task == number:
                    return series.function(series.common, series.tasks[task])
                self._try_here(series, task)
            elif self._later:
                load([self._later.pop(0)])
            else:
                self._hear(wait=True)
        self._hear(wait=False)
        self._hand_out()
        if number in series.failed:
            return series.function(series.common, series.tasks[number])
        return series.done.pop(number)

    @staticmethod
    def _try_here(series: _Series, task: int) -> None:
        """Do a task whose result is not due yet; so what it raises is not due either."""
        try:
            series.done[task] = series.function(series.common, series.tasks[task])
        except Exception:
            series.failed.add(task)

    def _hand_out(self) -> None:
        """Give each process enough to do, of the series that was begun last and has anything left."""
        for process in list(self._processes):
            for of, series in reversed(self._series.items()):
                self._fill(process, of, series)

    def _fill(self, process: _Process, of: int, series: _Series) -> None:
        """Give a process tasks of a series.

        None while it does a single thing: that is long, and what waits behind it would be due before it is begun.
        """
        if any(len(self._series[its].tasks) == 1 for its, _ in process.at_work if its in self._series):
            return
        while series.left and len(process.at_work) < AT_ONCE and len(series.done) < AHEAD * self.jobs:
            self._give(process, of)

    def _give(self, process: _Process, of: int) -> None:
        """Give a process the next task of a series; if it is gone, that is heard when its answer is waited for."""
        series = self._series[of]
        number = series.left.popleft()
        process.at_work.append((of, number))
        if of not in process.knows:
            process.tell(of, parcel_of((series.function, series.common)))
            process.knows.add(of)
        process.tell(of, number, parcel_of(series.tasks[number]))

    def _hear(self, wait: bool) -> None:
        """Take in the answers that have come; or wait for one."""
        while True:
            try:
                process, answer = self._answers.get(block=wait)
            except queue.Empty:
                return
            wait = False
            if answer is None:
                self._lose(process)
                continue
            of, number, done, value = answer
            process.at_work.remove((of, number))
            series = self._series.get(of)
            if series is None:
                continue  # nobody asks any more
            if done:
                series.done[number] = value
            else:
                series.failed.add(number)

    def _lose(self, process: _Process) -> None:
        """Do without a process that has ended: what it had to do is done by others."""
        if process not in self._processes:
            return
        self._processes.remove(process)
        process.end()
        for of, number in process.at_work:
            if of in self._series:
                self._series[of].left.append(number)
        for series in self._series.values():
            series.left = deque(sorted(series.left))
        self._say("note: one of the processes at work was ended from outside; the work goes on without it")


ALONE = Workers(1)
