"""The queue of work for the local page: one job at a time, each in its own process that can be stopped.

Nothing here outlives the server. What counts is in the site folders.
"""

import subprocess
import sys
import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import field, replace

from fieldcomb.coverage.jobs.job_protocol import (
    ADD,
    COMPARE,
    DRAW,
    START,
    JobProgress,
    Order,
    new_secret,
    order_line,
    with_line,
)
from fieldcomb.coverage.jobs.ready_worker import ReadyWorker
from fieldcomb.tracks.errors import UsageError
from fieldcomb.tracks.values import dataclass

WAITING, WORKING, STOPPING = "waiting", "working", "stopping"
DONE, FAILED, STOPPED = "done", "failed", "stopped"

MOST_WAITING = 60  # jobs; the uploads of more would fill the disk
MOST_REMEMBERED = 200  # jobs that are over, for anyone who still has their page open
MOST_WORK_S = 1800.0  # an archive of thousands of recordings takes some minutes

# -P: the folder that the server was started in may hold anything, and nothing is imported from it.
WORKER = (sys.executable, "-P", "-m", "fieldcomb.coverage.jobs.worker")


@dataclass(frozen=True, slots=True)
class Job:
    """An order, its state, and its progress.

    before : how many jobs come before it in the queue.
    """

    id: str
    order: Order
    state: str = WAITING
    progress: JobProgress = field(default_factory=JobProgress)
    before: int = 0

    @property
    def is_over(self) -> bool:
        """Whether nothing more will happen."""
        return self.state in (DONE, FAILED, STOPPED)


class JobQueue:
    """Jobs in the order in which they were submitted, carried out one after another by one thread.

    While more jobs wait for a site, its map is not drawn after each of them. The map that is owed then is drawn by the
    last one; if that is stopped or fails, a job of its own follows that draws it.

    over : called with each order that is over, to remove its uploads.
    outing_ids : returns the ids of a site's outings, to find out what a job had added when it was stopped before it
    could say.
    worker : the command that carries out one order.
    most_s : seconds after which a job is stopped.
    most_waiting : how many jobs may wait.
    """

    def __init__(
        self,
        over: Callable[[Order], None],
        outing_ids: Callable[[str], Sequence[str]],
        worker: Sequence[str] = WORKER,
        most_s: float = MOST_WORK_S,
        most_waiting: int = MOST_WAITING,
    ) -> None:
        self._over, self._outing_ids, self._ready = over, outing_ids, ReadyWorker(worker)
        self._most_s, self._most_waiting = most_s, most_waiting
        self._jobs: OrderedDict[str, Job] = OrderedDict()
        self._changed = threading.Condition()
        self._process: subprocess.Popen[str] | None = None
        self._working: str | None = None
        self._owed: set[str] = set()  # sites with changes that their map does not show yet
        self._closed = False
        self._thread = threading.Thread(target=self._run, name="fieldcomb-jobs", daemon=True)
        self._thread.start()

    # ---------------------------------------------------------------------------------------- called from any thread

    def submit(self, order: Order) -> Job:
        """Put an order at the end of the queue; UsageError when too many wait already."""
        with self._changed:
            if sum(job.state == WAITING for job in self._jobs.values()) >= self._most_waiting:
                hint = "Nothing of this upload was kept. Wait a minute and send it again"
                raise UsageError(f"{self._most_waiting} uploads are waiting already", hint=hint)
            job = self._append(order)
            return self.get(job.id) or job

    def get(self, job_id: str) -> Job | None:
        """Return a job as it stands now."""
        with self._changed:
            job = self._jobs.get(job_id)
            if job is None or job.state != WAITING:
                return job
            older = list(self._jobs).index(job_id)
            return replace(job, before=sum(not other.is_over for other in list(self._jobs.values())[:older]))

    def working_on(self, site: str) -> Job | None:
        """Return a job of this site that is not over yet, or None."""
        with self._changed:
            return next((job for job in self._jobs.values() if job.order.site == site and not job.is_over), None)

    def stop(self, job_id: str) -> None:
        """Stop a job at any point; a change to a site has then happened as a whole or not at all."""
        with self._changed:
            job = self._jobs.get(job_id)
            if job is None or job.is_over:
                return
            waiting = job.state == WAITING
            # What it added is looked up before it counts as over.
            self._jobs[job_id] = replace(job, state=STOPPED if waiting else STOPPING)
            if self._working == job_id:
                self._kill()
            self._draw_owed(job.order.site)
        if waiting:
            self._over(job.order)

    def close(self) -> None:
        """Stop everything."""
        with self._changed:
            self._closed = True
            self._kill()
            self._changed.notify_all()
        self._thread.join(timeout=10)
        self._ready.end()

    # ---------------------------------------------------------------------------------------------- the one thread

    def _run(self) -> None:
        while True:
            self._ready.prepare()
            with self._changed:
                while not self._closed and self._next() is None:
                    self._changed.wait()
                job = self._next()
                if self._closed or job is None:
                    return
                self._working = job.id
                job = self._jobs[job.id] = replace(job, state=WORKING)
            try:
                self._work(job)
            except Exception as error:  # such as no memory for a process; the queue must go on
                self._fail(job.id, f"The work could not be done ({error}). Try again")
            with self._changed:
                self._working = None
                self._end(job.id)
                self._draw_owed(job.order.site)
            with suppress(OSError):
                self._over(job.order)

    def _next(self) -> Job | None:
        return next((job for job in self._jobs.values() if job.state == WAITING), None)

    def _append(self, order: Order) -> Job:
        job = Job(new_secret(), order)
        self._jobs[job.id] = job
        self._forget()
        self._changed.notify_all()
        return job

    def _work(self, job: Job) -> None:
        site, before = job.order.site, set[str]()
        if job.order.do in (ADD, START):
            with suppress(Exception):  # the work itself reports a site that cannot be read
                before = set(self._outing_ids(site))
        order = replace(job.order, draw=job.order.draw and not self._waits(site))
        finished = self._carry_out(job.id, order)
        if job.order.do in (ADD, START) and not finished and not self._progress(job.id).kept:
            with suppress(Exception):
                added = tuple(outing_id for outing_id in self._outing_ids(site) if outing_id not in before)
                self._update(job.id, lambda progress: replace(progress, kept=added))
        progress = self._progress(job.id)
        with self._changed:
            if progress.drawn and order.do != COMPARE:  # which leaves the site's own map as it was
                self._owed.discard(site)
            elif progress.kept and job.order.draw and not order.draw:
                self._owed.add(site)

    def _carry_out(self, job_id: str, order: Order) -> bool:
        """Run one order; whether it ended by itself and without an error."""
        process = self._ready.take(order_line(order))
        with self._changed:
            self._process = process
            if self._closed or self._jobs[job_id].state == STOPPING:
                self._kill()
        late = threading.Timer(self._most_s, self._too_long, (job_id, process))
        late.daemon = True
        late.start()
        assert process.stdout is not None
        try:
            for line in process.stdout:
                self._update(job_id, lambda progress, line=line: with_line(progress, line))  # type: ignore[misc]
            code = process.wait()
        finally:
            late.cancel()
            process.stdout.close()
            with self._changed:
                self._process = None
        if code and self._is_working(job_id):
            problem = (
                "The work stopped unexpectedly, perhaps for lack of memory. Use a larger cell, or fewer files at once"
            )
            self._fail(job_id, problem)
        return code == 0

    def _too_long(self, job_id: str, process: subprocess.Popen[str]) -> None:
        self._fail(
            job_id, f"It took longer than {self._most_s / 60:.0f} minutes and was stopped. Send fewer files at once"
        )
        with suppress(OSError):
            process.kill()

    def _kill(self) -> None:
        if self._process is not None:
            with suppress(OSError):
                self._process.kill()

    def _draw_owed(self, site: str) -> None:
        """Have an owed map drawn when no job is left that will draw it."""
        if site in self._owed and not self._closed and self.working_on(site) is None:
            self._owed.discard(site)
            self._append(Order(DRAW, site))

    def _waits(self, site: str) -> bool:
        with self._changed:
            return any(job.order.site == site and job.state == WAITING for job in self._jobs.values())

    def _is_working(self, job_id: str) -> bool:
        with self._changed:
            return not self._closed and self._jobs[job_id].state == WORKING

    def _progress(self, job_id: str) -> JobProgress:
        with self._changed:
            return self._jobs[job_id].progress

    def _update(self, job_id: str, change: Callable[[JobProgress], JobProgress]) -> None:
        """Change the progress of a job in one step, so that no other thread's change is lost between."""
        with self._changed:
            job = self._jobs[job_id]
            self._jobs[job_id] = replace(job, progress=change(job.progress))

    def _fail(self, job_id: str, fault: str) -> None:
        """Note why a job failed, unless it has given a reason itself."""
        self._update(job_id, lambda progress: replace(progress, fault=progress.fault or fault))

    def _end(self, job_id: str) -> None:
        job = self._jobs[job_id]
        state = STOPPED if job.state == STOPPING else FAILED if job.progress.fault else DONE
        self._jobs[job_id] = replace(job, state=state)

    def _forget(self) -> None:
        over = [job.id for job in self._jobs.values() if job.is_over]
        for job_id in over[: max(0, len(over) - MOST_REMEMBERED)]:
            del self._jobs[job_id]
