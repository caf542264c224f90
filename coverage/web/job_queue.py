"""Pieces of work for the local page: one at a time, each in a process of its own that can be stopped.

Nothing here outlives the server. What counts stands in the site folders.
"""

from __future__ import annotations

import subprocess
import sys
import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace

from fieldcomb.coverage.web.access import new_secret
from fieldcomb.coverage.web.job_protocol import ADD, JobProgress, Order, order_line, with_line
from fieldcomb.tracks.errors import UsageError

WAITING, WORKING, STOPPING = "waiting", "working", "stopping"
DONE, FAILED, STOPPED = "done", "failed", "stopped"

MOST_WAITING = 60  # orders; the uploads of more would fill the disk
MOST_REMEMBERED = 200  # orders that are over, for whoever still looks at their page
MOST_WORK_S = 1800.0  # an archive of thousands of recordings takes some minutes

# -P: the folder that the server was started in may hold anything, and nothing is imported from it.
WORKER = (sys.executable, "-P", "-m", "fieldcomb.coverage.web.worker")


@dataclass(frozen=True, slots=True)
class Job:
    """An order, how it stands, and what has been told of it."""

    id: str
    order: Order
    state: str = WAITING
    progress: JobProgress = field(default_factory=JobProgress)
    before: int = 0  # orders that are to be done before it

    @property
    def is_over(self) -> bool:
        """Whether nothing more will happen."""
        return self.state in (DONE, FAILED, STOPPED)


class JobQueue:
    """The line of orders, worked off one after another by one thread.

    Parameters
    ----------
    over : callable
        Called with each order that is over, to clear its uploads away.
    ids : callable
        Gives the ids of a site's outings, to learn what an order had kept when it was stopped before it could tell.
    worker : sequence of str, optional
        The command that carries out one order.
    most_s : float, optional
        Seconds after which an order is stopped.

    """

    def __init__(
        self,
        over: Callable[[Order], None],
        ids: Callable[[str], Sequence[str]],
        worker: Sequence[str] = WORKER,
        most_s: float = MOST_WORK_S,
    ) -> None:
        self._over, self._ids, self._worker, self._most_s = over, ids, tuple(worker), most_s
        self._jobs: OrderedDict[str, Job] = OrderedDict()
        self._changed = threading.Condition()
        self._process: subprocess.Popen[str] | None = None
        self._working: str | None = None
        self._owed: set[str] = set()  # sites whose map waits for the last of several orders
        self._closed = False
        self._thread = threading.Thread(target=self._run, name="fieldcomb-jobs", daemon=True)
        self._thread.start()

    # ------------------------------------------------------------------------------------- asked from any thread

    def submit(self, order: Order) -> Job:
        """Take an order into the line; UsageError when too many wait already."""
        with self._changed:
            if sum(job.state == WAITING for job in self._jobs.values()) >= MOST_WAITING:
                hint = "Nothing of this upload was kept. Wait a minute, and send it again"
                raise UsageError(f"{MOST_WAITING} uploads are waiting already", hint=hint)
            job = Job(new_secret(), order)
            self._jobs[job.id] = job
            self._forget()
            self._changed.notify_all()
        return self.get(job.id) or job

    def get(self, job_id: str) -> Job | None:
        """Give a job as it stands now."""
        with self._changed:
            job = self._jobs.get(job_id)
            if job is None or job.state != WAITING:
                return job
            older = list(self._jobs).index(job_id)
            return replace(job, before=sum(not one.is_over for one in list(self._jobs.values())[:older]))

    def working_on(self, site: str) -> Job | None:
        """Give a job of this site that is not over yet, if there is one."""
        with self._changed:
            return next((job for job in self._jobs.values() if job.order.site == site and not job.is_over), None)

    def stop(self, job_id: str) -> None:
        """Stop a job wherever it is; a change to a site is whole or absent then."""
        with self._changed:
            job = self._jobs.get(job_id)
            if job is None or job.is_over:
                return
            waiting = job.state == WAITING
            # What it kept is looked up before it counts as over.
            self._jobs[job_id] = replace(job, state=STOPPED if waiting else STOPPING)
            if self._working == job_id:
                self._kill()
        if waiting:
            self._over(job.order)

    def close(self) -> None:
        """Stop everything."""
        with self._changed:
            self._closed = True
            self._kill()
            self._changed.notify_all()
        self._thread.join(timeout=10)

    # ---------------------------------------------------------------------------------------------- the one thread

    def _run(self) -> None:
        while True:
            with self._changed:
                while not self._closed and self._next() is None:
                    self._changed.wait()
                job = self._next()
                if self._closed or job is None:
                    return
                self._working = job.id
                self._jobs[job.id] = replace(job, state=WORKING)
            try:
                self._work(job)
            except Exception as error:  # such as no memory for a process; the line must go on
                fault = f"The work could not be done ({error}). Try again"
                self._tell(job.id, replace(self._told(job.id), fault=fault))
                self._end(job.id)
            with self._changed:
                self._working = None
            with suppress(OSError):
                self._over(job.order)

    def _next(self) -> Job | None:
        return next((job for job in self._jobs.values() if job.state == WAITING), None)

    def _work(self, job: Job) -> None:
        site = job.order.site
        with suppress(Exception):  # a site that cannot be read is told by the work itself
            before = set(self._ids(site)) if job.order.do == ADD else set()
        last = not self._more_of(site)
        order = replace(job.order, draw=job.order.draw and last)
        whole = self._carry_out(job.id, order)
        told = self._told(job.id)
        if not told.kept and not whole and job.order.do == ADD:
            with suppress(Exception):
                self._tell(job.id, replace(told, kept=tuple(one for one in self._ids(site) if one not in before)))
        if job.order.draw and not last and self._told(job.id).kept:
            self._owed.add(site)
        elif last and self._told(job.id).drawn:
            self._owed.discard(site)
        elif last and site in self._owed and self._is_working(job.id):
            self._owed.discard(site)  # the others of this batch were kept, and wait for their map
            fault = self._told(job.id).fault
            self._carry_out(job.id, Order("draw", site))
            self._tell(job.id, replace(self._told(job.id), fault=fault or self._told(job.id).fault))
        self._end(job.id)

    def _carry_out(self, job_id: str, order: Order) -> bool:
        """Run one order to its end; whether it came there by itself."""
        pipe = subprocess.PIPE
        process = subprocess.Popen(self._worker, stdin=pipe, stdout=pipe, text=True, encoding="utf-8")
        with self._changed:
            self._process = process
            if self._closed or self._jobs[job_id].state == STOPPING:
                self._kill()
        late = threading.Timer(self._most_s, self._too_long, (job_id, process))
        late.daemon = True
        late.start()
        assert process.stdin is not None and process.stdout is not None
        try:
            with suppress(OSError):
                process.stdin.write(order_line(order))
                process.stdin.close()
            for line in process.stdout:
                self._tell(job_id, with_line(self._told(job_id), line))
            code = process.wait()
        finally:
            late.cancel()
            process.stdout.close()
            with self._changed:
                self._process = None
        if code and self._is_working(job_id) and not self._told(job_id).fault:
            problem = "The work ended by itself, perhaps for want of memory. Try a larger cell, or fewer files at once"
            self._tell(job_id, replace(self._told(job_id), fault=problem))
        return code == 0

    def _too_long(self, job_id: str, process: subprocess.Popen[str]) -> None:
        minutes = self._most_s / 60
        fault = f"It took longer than {minutes:.0f} minutes and was stopped. Give fewer files at once"
        self._tell(job_id, replace(self._told(job_id), fault=fault))
        with suppress(OSError):
            process.kill()

    def _kill(self) -> None:
        if self._process is not None:
            with suppress(OSError):
                self._process.kill()

    def _more_of(self, site: str) -> bool:
        with self._changed:
            return any(job.order.site == site and job.state == WAITING for job in self._jobs.values())

    def _is_working(self, job_id: str) -> bool:
        with self._changed:
            return not self._closed and self._jobs[job_id].state == WORKING

    def _told(self, job_id: str) -> JobProgress:
        with self._changed:
            return self._jobs[job_id].progress

    def _tell(self, job_id: str, progress: JobProgress) -> None:
        with self._changed:
            self._jobs[job_id] = replace(self._jobs[job_id], progress=progress)

    def _end(self, job_id: str) -> None:
        with self._changed:
            job = self._jobs[job_id]
            state = STOPPED if job.state == STOPPING else FAILED if job.progress.fault else DONE
            self._jobs[job_id] = replace(job, state=state)

    def _forget(self) -> None:
        over = [job.id for job in self._jobs.values() if job.is_over]
        for job_id in over[: max(0, len(over) - MOST_REMEMBERED)]:
            del self._jobs[job_id]
