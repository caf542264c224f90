"""Work in threads of the command, for what lets other threads run meanwhile: reading, expanding, long arrays."""

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from functools import partial
from threading import Lock
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from concurrent.futures import Future, ThreadPoolExecutor

_T = TypeVar("_T")
_R = TypeVar("_R")


def one_ahead(function: Callable[[_T], _R], tasks: Sequence[_T], jobs: int) -> Iterator[_R]:
    """Yield ``function(task)`` for each task in order, the next one made while this one is worked with.

    jobs : how many things may be done at once; with one, each is made when it is due. Raises whatever the function
    raises, when its result is due.
    """
    if jobs < 2 or len(tasks) < 2:
        yield from map(function, tasks)
        return
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(1) as beside:
        coming = beside.submit(function, tasks[0])
        for task in tasks[1:]:
            due, coming = coming, beside.submit(function, task)
            result = due.result()
            del due  # so that it is freed when whoever takes it is done with it
            yield result
            del result
        yield coming.result()


def at_once(function: Callable[[_T], _R], tasks: Sequence[_T], jobs: int) -> list[_R]:
    """Return ``function(task)`` for each task in order, so many of them done at once."""
    if jobs < 2 or len(tasks) < 2:
        return list(map(function, tasks))
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(min(jobs, len(tasks))) as beside:
        return list(beside.map(function, tasks))


class InThreads:
    """Work that is begun in threads, no more of it at a time than there are jobs; with one it is done at once."""

    def __init__(self, jobs: int) -> None:
        self._jobs = jobs
        self._threads: ThreadPoolExecutor | None = None
        self._begun: deque[Future[Any]] = deque()

    def begin(self, function: Callable[..., _R], *args: Any) -> Callable[[], _R]:
        """Begin ``function(*args)``; calling what is returned gives its result, or raises what it raised."""
        if self._jobs < 2:
            return partial(_given, function(*args))
        if self._threads is None:
            from concurrent.futures import ThreadPoolExecutor

            self._threads = ThreadPoolExecutor(self._jobs)
        if len(self._begun) == self._jobs:
            self._begun.popleft().exception()  # so that what waits to be done takes little room
        self._begun.append(self._threads.submit(function, *args))
        return self._begun[-1].result


def one_by_one() -> AbstractContextManager[object]:
    """Return what one thread at a time is let into, for calls of a library that must not be made together."""
    return Lock()


def _given(result: _R) -> _R:
    return result
