"""The process that computes beside a command: it takes tasks from its input and answers on its output.

It ends as soon as its input does: a command that was stopped or killed leaves none behind.
"""

import gc
import os
import queue
import sys
import threading
from collections.abc import Callable
from typing import Any

from fieldcomb.coverage.pool.loading import load
from fieldcomb.coverage.pool.memory import one_heap
from fieldcomb.coverage.pool.messages import Parcel, contents_of, parcel_of, receive, send


def serve() -> None:
    """Carry out tasks until the input ends."""
    gc.set_threshold(300_000)  # as in the command
    one_heap()
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what a library prints is no answer
    messages: queue.SimpleQueue[list[Any]] = queue.SimpleQueue()
    threading.Thread(target=_take_in, args=(messages,), daemon=True).start()
    series: dict[int, tuple[Callable[[Any, Any], Any], Any]] = {}
    to_load: list[str] = []  # while there is nothing to do
    while True:
        if to_load and messages.empty():
            load([to_load.pop(0)])
            continue
        message = messages.get()
        if len(message) == 1:
            to_load += message[0]
        elif len(message) == 2:
            series[message[0]] = contents_of(message[1])
        else:
            send(out, *_answer(series, message))


def _take_in(messages: "queue.SimpleQueue[list[Any]]") -> None:
    """Read what is to be done at once, so that whoever sends it need not wait."""
    try:
        while True:
            messages.put(receive(sys.stdin.buffer))
    finally:
        os._exit(0)


def _answer(
    series: dict[int, tuple[Callable[[Any, Any], Any], Any]], message: list[Any]
) -> tuple[int, int, Parcel | None]:
    """Do one task, given as its series, its number and a parcel of it; the message is emptied, to free what it holds.

    Returns series, task and a parcel of what it gave; None for what fails here, which is done again by the command,
    where the error can be shown.
    """
    of, number = message[:2]
    try:
        function, common = series[of]
        return of, number, parcel_of(function(common, contents_of(message.pop())))
    except Exception:
        return of, number, None


if __name__ == "__main__":
    serve()
