"""Jobs: work that is kept in the database while it waits and runs, and whose result is kept before it is told."""

import logging
import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any

from service.database import new_id
from service.job_store import JobStore, StoredJob
from service.metrics import Metrics
from service.problems import Problem, problem_of
from service.workers import ATTEMPTS, PoolClosed, Task, Ticket, WorkerPool, gave_up

_log = logging.getLogger("service")


@dataclass(frozen=True)
class JobKind:
    """A kind of job.

    Attributes
    ----------
    task : callable
        From a job's request to the work for a worker.
    keep : callable
        From a job's request and what the work returned to the id of what was kept.
    drop : callable
        Called with the request of a job that failed, to delete what it alone needed.
    result_name : str
        What the job came to: ``"measurement"`` or ``"answer"``.
    """

    task: Callable[[dict[str, Any]], Task]
    keep: Callable[[dict[str, Any], Any], str]
    drop: Callable[[dict[str, Any]], None]
    result_name: str


@dataclass(eq=False)
class Job:
    """A job of this run of the service.

    Attributes
    ----------
    done : Future
        Ends, always without an error, when the job does.
    """

    id: str
    kind: str
    key: str | None
    request: dict[str, Any]
    state: str = "queued"
    progress: float = 0.0
    step: str = "waiting"
    result: str | None = None
    problem: Problem | None = None
    ticket: Ticket | None = None
    done: Future[None] = field(default_factory=Future)


class JobBoard:
    """All jobs.

    Parameters
    ----------
    store : JobStore
    pool : WorkerPool
    kinds : mapping of str to JobKind
    metrics : Metrics
    """

    def __init__(self, store: JobStore, pool: WorkerPool, kinds: Mapping[str, JobKind], metrics: Metrics) -> None:
        self._store = store
        self._pool = pool
        self._kinds = kinds
        self._metrics = metrics
        self._live: dict[str, Job] = {}
        self._lock = threading.Lock()

    def resume(self) -> None:
        """Hand in what the last run of the service had not done."""
        self._store.forget_old()
        for stored in self._store.unfinished():
            job = Job(stored.id, stored.kind, stored.key, stored.request)
            self._live[job.id] = job
            try:
                if stored.attempts >= ATTEMPTS:
                    raise gave_up()
                self._hand_in(job, stored.attempts, forced=True)
            except Exception as error:  # what it needs may be gone
                self._end(job, problem=problem_of(error))

    def submit(self, kind: str, request: dict[str, Any], key: str | None = None) -> Job:
        """Begin a job; one of the same key that still goes on is given instead.

        Raises
        ------
        Problem
            503 when too much waits.
        """
        with self._lock:
            same = [job for job in self._live.values() if key is not None and job.key == key]
            if same:
                return same[0]
            job = Job(new_id(), kind, key, request)
            self._live[job.id] = job
        try:
            self._store.add(job.id, kind, key, request)
            self._hand_in(job, 0, forced=False)
        except BaseException as error:
            self._end(job, problem=problem_of(error))
            raise
        return job

    def find(self, job: str) -> Job | StoredJob:
        """One job, of this run or an earlier one.

        Raises
        ------
        Problem
            404 when there is none.
        """
        return self._live.get(job) or self._store.get(job)

    def stop(self, job: str) -> Job | StoredJob:
        """End a job; a search gives the best so far.

        Raises
        ------
        Problem
            404 when there is none.
        """
        found = self.find(job)
        if isinstance(found, Job) and found.ticket is not None:
            self._pool.stop(found.ticket)
        return found

    def describe(self, job: Job | StoredJob) -> dict[str, Any]:
        """A job as the API tells it."""
        problem = job.problem.to_dict() if isinstance(job.problem, Problem) else job.problem
        results = dict.fromkeys(("measurement", "answer"))
        told: dict[str, Any] = {
            "id": job.id,
            "state": job.state,
            "progress": job.progress if isinstance(job, Job) else float(job.state == "done"),
            "step": job.step if isinstance(job, Job) else job.state,
            **results,
            "problem": problem,
        }
        told[self._kinds[job.kind].result_name] = job.result
        return told

    def _hand_in(self, job: Job, attempts: int, *, forced: bool) -> None:
        def on_step(share: float, step: str) -> None:
            job.progress, job.step = max(job.progress, min(share, 1.0)), step

        def on_start() -> None:
            job.state = "running"
            self._store.change(job.id, state="running", attempts=ticket.attempts)

        ticket = Ticket(self._kinds[job.kind].task(job.request), on_step, on_start, attempts)
        job.ticket = ticket
        ticket.result.add_done_callback(lambda result: self._finish(job, result))
        self._pool.submit(ticket, forced=forced)

    def _finish(self, job: Job, result: "Future[Any]") -> None:
        """Keep what the work came to; called by the worker's thread."""
        error = result.exception()
        if isinstance(error, PoolClosed):
            self._requeue(job)
            return
        if error is None:
            job.step = "keeping the result"
            try:
                self._end(job, kept=self._kinds[job.kind].keep(job.request, result.result()))
            except Exception as failure:
                self._end(job, problem=problem_of(failure))
        else:
            self._end(job, problem=problem_of(error))

    def _requeue(self, job: Job) -> None:
        job.state, job.step = "queued", "waiting for the service to start again"
        attempts = max(0, (job.ticket.attempts if job.ticket else 0) - 1)  # being ended is no fault of its own
        try:
            self._store.change(job.id, state="queued", attempts=attempts)
        except Exception as error:
            problem_of(error)
        job.done.set_result(None)

    def _end(self, job: Job, *, kept: str | None = None, problem: Problem | None = None) -> None:
        job.result, job.problem = kept, problem
        job.state = "done" if problem is None else "failed"
        job.progress, job.step = (1.0, "done") if problem is None else (job.progress, "failed")
        self._metrics.count_job(job.kind, "done" if problem is None else problem.code)
        try:
            told = problem.to_dict() if problem is not None else None
            self._store.change(job.id, state=job.state, result=kept, problem=told, request="{}")
            if problem is not None:
                self._kinds[job.kind].drop(job.request)
        except Exception as error:  # the disk may be full: the job's end is told from memory then
            problem_of(error)
        else:
            self._live.pop(job.id, None)
        job.done.set_result(None)
