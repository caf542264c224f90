"""A process that has loaded everything and waits, so that an order need not wait for a process to begin."""

import subprocess
from collections.abc import Sequence
from contextlib import suppress


class ReadyWorker:
    """Keeps one process ready for the next order; used by one thread, and ended when that is over.

    command : starts a process, which waits for its order on standard input.
    """

    def __init__(self, command: Sequence[str]) -> None:
        self._command = tuple(command)
        self._waiting: subprocess.Popen[str] | None = None

    @property
    def pid(self) -> int | None:
        """Number of the process that waits, if one does."""
        return self._waiting.pid if self._waiting is not None and self._waiting.poll() is None else None

    def prepare(self) -> None:
        """Start a process, if none waits; where that cannot be done now, it is said when it is needed."""
        if self.pid is None:
            self.end()
            with suppress(OSError):
                self._waiting = self._start()

    def take(self, line: str) -> "subprocess.Popen[str]":
        """Give a line to the process that waits, or to a new one where that is gone; OSError when none can be had."""
        if self.pid is not None and self._waiting is not None:
            process, self._waiting = self._waiting, None
            try:
                _give(process, line)
            except OSError:
                process.kill()  # it ended just now
                _let_go(process)
            else:
                return process
        process = self._start()
        with suppress(OSError):  # that it ended is seen by what it answers
            _give(process, line)
        return process

    def end(self) -> None:
        """End the process that waits."""
        if self._waiting is not None:
            self._waiting.kill()
            _let_go(self._waiting)
            self._waiting = None

    def _start(self) -> "subprocess.Popen[str]":
        pipe = subprocess.PIPE
        # In a session of its own: Ctrl+C comes to the server alone, which ends it.
        return subprocess.Popen(
            self._command, stdin=pipe, stdout=pipe, text=True, encoding="utf-8", start_new_session=True
        )


def _give(process: "subprocess.Popen[str]", line: str) -> None:
    assert process.stdin is not None
    process.stdin.write(line)
    process.stdin.close()


def _let_go(process: "subprocess.Popen[str]") -> None:
    process.wait()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with suppress(OSError):  # what it was given and did not take
                pipe.close()
