"""The process that computes beside a command: it takes tasks from its input and answers on its output.

It ends as soon as its input does: a command that was stopped or killed leaves none behind.
"""

import gc
import os
import pickle
import queue
import sys
import threading
from collections.abc import Callable
from typing import Any

from fieldcomb.coverage.pool.loading import load


def serve() -> None:
    """Carry out tasks until the input ends."""
    gc.set_threshold(300_000)  # as in the command
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what a library prints is no answer
    messages: queue.SimpleQueue[tuple[Any, ...]] = queue.SimpleQueue()
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
            continue
        if len(message) == 2:
            series[message[0]] = pickle.loads(message[1])
            continue
        of, number, packed = message
        out.write(_answer(series, of, number, packed))
        out.flush()


def _take_in(messages: "queue.SimpleQueue[tuple[Any, ...]]") -> None:
    """Read what is to be done at once, so that whoever sends it need not wait."""
    try:
        while True:
            messages.put(pickle.load(sys.stdin.buffer))
    finally:
        os._exit(0)


def _answer(series: dict[int, tuple[Callable[[Any, Any], Any], Any]], of: int, number: int, packed: bytes) -> bytes:
    """Do one task; returns (series, task, whether it was done, what it gave), packed.

    What fails here is done again by the command, where the error can be shown.
    """
    try:
        function, common = series[of]
        return pickle.dumps((of, number, True, function(common, pickle.loads(packed))), pickle.HIGHEST_PROTOCOL)
    except Exception:
        return pickle.dumps((of, number, False, None))


if __name__ == "__main__":
    serve()
