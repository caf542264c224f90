"""Work in threads of the command, for what lets other threads run meanwhile: reading, expanding, long arrays."""

from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

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
