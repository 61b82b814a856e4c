"""A bounded pool of processes for work that needs a processor.

Every worker is a process of its own with a thread here that gives it work and listens. A worker that dies takes
nobody with it: it is started anew, and what it did is done once more, then given up. A worker that takes too long is
ended. With two workers or more, the first takes no long work, so that a photo is measured while layouts are searched.
"""

import logging
import multiprocessing
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from typing import Any

from service.problems import Problem, busy, problem_of
from service.work_line import STOP, serve_line

OnStep = Callable[[float, str], None]

ATTEMPTS = 2
POLL_S = 0.5
_spawn = multiprocessing.get_context("spawn")
_log = logging.getLogger("service")


class PoolClosed(Exception):  # noqa: N818 - not an error of the work
    """The service ends before this work was done: it is to be done at the next start."""


@dataclass(frozen=True)
class Task:
    """Work for a process.

    Attributes
    ----------
    kind : str
        A name in `tasks.TASKS`.
    payload : dict
        What that is called with; plain values.
    limit_s : float
        The worker is ended when it takes longer.
    long : bool
        Whether it may take more than a few seconds.
    can_stop : bool
        Whether it gives the best so far when told to stop; other work is ended.
    """

    kind: str
    payload: dict[str, Any]
    limit_s: float
    long: bool = False
    can_stop: bool = False


@dataclass(eq=False)
class Ticket:
    """Work that was handed in.

    Attributes
    ----------
    result : Future
        Of what the work returns; fails with a Problem, or PoolClosed.
    attempts : int
        How often it was begun.
    """

    task: Task
    on_step: OnStep
    on_start: Callable[[], None]
    attempts: int = 0
    stopped: bool = False
    result: Future[Any] = field(default_factory=Future)


class WorkerPool:
    """Processes and what waits for them.

    Parameters
    ----------
    workers : int
    waiting : int
        How much may wait.
    """

    def __init__(self, workers: int, waiting: int) -> None:
        self.limit = waiting
        self.deaths = 0
        self._waiting: deque[Ticket] = deque()
        self._changed = threading.Condition()
        self._closed = False
        self._end_by = float("inf")
        self._slots = [_Slot(self, quick_only=workers > 1 and k == 0) for k in range(workers)]

    def start(self) -> None:
        """Start the workers."""
        for slot in self._slots:
            slot.thread.start()

    @property
    def waiting(self) -> int:
        """How much waits."""
        return len(self._waiting)

    @property
    def running(self) -> int:
        """How much is being done."""
        return sum(slot.is_busy for slot in self._slots)

    @property
    def alive(self) -> bool:
        """Whether work that is handed in will be done."""
        return not self._closed and all(slot.thread.is_alive() for slot in self._slots)

    @property
    def is_full(self) -> bool:
        """Whether further work is refused."""
        return len(self._waiting) >= self.limit

    def submit(self, ticket: Ticket, *, forced: bool = False) -> None:
        """Hand in work.

        Parameters
        ----------
        ticket : Ticket
        forced : bool
            Take it even when too much waits, as work of the last run.

        Raises
        ------
        Problem
            503 when too much waits.
        """
        with self._changed:
            if self._closed or (self.is_full and not forced):
                raise busy()
            self._waiting.append(ticket)
            self._changed.notify_all()

    def stop(self, ticket: Ticket) -> None:
        """End work: at once if it waits; if it runs, the worker's thread sees to it."""
        with self._changed:
            ticket.stopped = True
            is_waiting = ticket in self._waiting
            if is_waiting:
                self._waiting.remove(ticket)
        if is_waiting:
            ticket.result.set_exception(stopped())

    def close(self, grace_s: float) -> None:
        """Finish what runs if it is short and ends in time; whatever is left ends with PoolClosed."""
        with self._changed:
            self._closed = True
            self._end_by = time.monotonic() + grace_s
            left = list(self._waiting)
            self._waiting.clear()
            self._changed.notify_all()
        for ticket in left:
            ticket.result.set_exception(PoolClosed())
        for slot in self._slots:
            slot.thread.join()

    def take(self, quick_only: bool) -> Ticket | None:
        """The next work for a worker, or None when there will be no more."""
        with self._changed:
            while not self._closed:
                for ticket in self._waiting:
                    if not (quick_only and ticket.task.long):
                        self._waiting.remove(ticket)
                        return ticket
                self._changed.wait()
        return None

    def put_back(self, ticket: Ticket) -> None:
        """Let work whose worker died be done once more, before all else; or give it up."""
        with self._changed:
            self.deaths += 1
            if self._closed:
                ticket.result.set_exception(PoolClosed())
            elif ticket.attempts >= ATTEMPTS:
                ticket.result.set_exception(gave_up())
            else:
                self._waiting.appendleft(ticket)
                self._changed.notify_all()

    def is_over(self, task: Task) -> bool:
        """Whether running work has to end now, for the pool closes: what is long at once, other work after a while."""
        return self._closed and (task.long or time.monotonic() > self._end_by)


def gave_up() -> Problem:
    """Work that ended its worker each time."""
    return Problem(
        500, "work-failed", "The work on this ended unexpectedly, twice: try a smaller photo, or report this one."
    )


def stopped() -> Problem:
    """Work that a person ended."""
    return Problem(409, "stopped", "This was stopped before it was done.")


class _Slot:
    """One worker and the thread that feeds it."""

    def __init__(self, pool: WorkerPool, *, quick_only: bool) -> None:
        self.pool = pool
        self.quick_only = quick_only
        self.is_busy = False
        self.process: SpawnProcess | None = None
        self.line: Connection[Any, Any] | None = None
        self.thread = threading.Thread(target=self._serve, name="worker", daemon=True)

    def _serve(self) -> None:
        self._start()
        while (ticket := self.pool.take(self.quick_only)) is not None:
            self.is_busy = True
            try:
                self._do(ticket)
            except Exception as error:  # a fault here must not end the thread, nor leave anybody waiting
                self._end()
                if not ticket.result.done():
                    ticket.result.set_exception(problem_of(error))
            finally:
                self.is_busy = False
        self._end()

    def _start(self) -> None:
        ours, theirs = _spawn.Pipe()
        self.process = _spawn.Process(target=serve_line, args=(theirs,), daemon=True)
        self.process.start()
        theirs.close()
        self.line = ours

    def _end(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.join()
            self.process = None
        if self.line is not None:
            self.line.close()
            self.line = None

    def _do(self, ticket: Ticket) -> None:
        if self.process is None or not self.process.is_alive():
            self._end()
            self._start()
        assert self.line is not None
        ticket.attempts += 1
        ticket.on_start()
        try:
            self.line.send((ticket.task.kind, ticket.task.payload))
            self._listen(ticket, self.line)
        except (EOFError, OSError):
            _log.warning("A worker died while it did %s", ticket.task.kind)
            self._end()
            self.pool.put_back(ticket)

    def _listen(self, ticket: Ticket, line: "Connection[Any, Any]") -> None:
        """Wait for the end of the work, whatever it is."""
        until = time.monotonic() + ticket.task.limit_s
        was_told = False
        while True:
            if line.poll(POLL_S if not ticket.stopped else POLL_S / 10):
                word, value = line.recv()
                if word != "step":
                    ticket.result.set_result(value) if word == "done" else ticket.result.set_exception(value)
                    return
                ticket.on_step(*value)  # and on: work that tells much is stopped and ended as other work is
            if ticket.stopped and not was_told:
                was_told = True
                if not ticket.task.can_stop:
                    return self._cut_off(ticket, stopped())
                line.send(STOP)
            if self.pool.is_over(ticket.task):
                return self._cut_off(ticket, PoolClosed())
            if time.monotonic() > until:
                return self._cut_off(ticket, _too_slow(ticket.task.limit_s))

    def _cut_off(self, ticket: Ticket, why: Exception) -> None:
        self._end()
        if not isinstance(why, PoolClosed):
            self._start()
        ticket.result.set_exception(why)


def _too_slow(limit_s: float) -> Problem:
    return Problem(
        422, "took-too-long", f"This took more than {limit_s:g} seconds: make the photo or the pattern smaller."
    )
