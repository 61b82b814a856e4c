"""Who does the work: processes of this computer, one photo each at a time.

An executor asks for tasks when it has hands free and tells what became of each. A worker that dies is replaced; its
task is told as dead, and what to do about it is the caller's. When this process ends, however it ends, its workers do.
"""

import ctypes
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from multiprocessing.connection import Connection, wait
from typing import Protocol

from flatmeasure.batch.tasks import Outcome, Task

ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
PATIENCE_S = 5.0

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3  # mallopt's names in the GNU C library's malloc.h
_KEPT_BYTES = 32 << 20  # the most that it takes for the second

NextTask = Callable[[], Task | None]


@dataclass(frozen=True)
class Done:
    """A task and what became of it; no outcome when the worker died.

    Attributes
    ----------
    task : Task
    outcome : Outcome or None
    tried_again : bool
        The executor has given a dead task to another worker by itself.
    """

    task: Task
    outcome: Outcome | None
    tried_again: bool = False


class Executor(Protocol):
    """Does tasks until there are none."""

    def run(self, next_task: NextTask) -> Iterator[Done]:
        """What became of each task, in any order; ``next_task`` is asked again after each, since a task may return."""
        ...

    def close(self) -> None:
        """Let the workers go."""
        ...


def measure_task(task: Task) -> Outcome:
    """What workers do, here and on a cluster; only they import all that measures."""
    from flatmeasure.batch.photo_work import measure_photo

    _keep_memory()
    return measure_photo(task)


@cache
def _keep_memory() -> None:
    """Keep freed blocks for the next photo: a twelfth of its time, and four tenths under Dask, which gives all back."""
    with suppress(OSError, AttributeError):  # another C library
        library = ctypes.CDLL(None)
        library.mallopt(_TRIM_THRESHOLD, 4 * _KEPT_BYTES)
        library.mallopt(_MMAP_THRESHOLD, _KEPT_BYTES)


@dataclass
class _Worker:
    """A process, the line to it, and the lifeline whose breaking ends it."""

    process: multiprocessing.process.BaseProcess
    line: Connection
    lifeline: Connection
    task: Task | None = None


class LocalProcesses:
    """Worker processes of this computer.

    Parameters
    ----------
    count : int
    work : callable
        What is done with each task; it must be importable, since processes are started afresh.
    """

    def __init__(self, count: int, work: Callable[[Task], Outcome] = measure_task) -> None:
        self._work = work
        # Started afresh, not forked: a worker then holds no end of another's lines, so that a broken one shows.
        self._context = multiprocessing.get_context("spawn")
        self._workers = [self._started() for _ in range(count)]

    def run(self, next_task: NextTask) -> Iterator[Done]:
        """See `Executor`."""
        while True:
            for worker in self._workers:
                if worker.task is None:
                    self._give(worker, next_task())
            if all(worker.task is None for worker in self._workers):
                return
            for line in wait([worker.line for worker in self._workers]):
                worker = next(worker for worker in self._workers if worker.line is line)
                done = self._heard(worker)
                if done is not None:
                    yield done

    def close(self) -> None:
        """See `Executor`."""
        for worker in self._workers:
            worker.line.close()
        for worker in self._workers:
            worker.process.join(PATIENCE_S)
            worker.lifeline.close()
            worker.process.join()

    def _give(self, worker: _Worker, task: Task | None) -> None:
        worker.task = task
        if task is not None:
            with suppress(OSError):  # it has died: the line tells so when it is listened to
                worker.line.send(task)

    def _heard(self, worker: _Worker) -> Done | None:
        """What a worker says; a dead one is replaced, and None is told if it was idle."""
        task = worker.task
        try:
            outcome = worker.line.recv()
        except (EOFError, OSError):
            worker.line.close()
            worker.lifeline.close()
            worker.process.join()
            self._workers[self._workers.index(worker)] = self._started()
            return None if task is None else Done(task, None)
        worker.task = None
        assert task is not None
        return Done(task, outcome)

    def _started(self) -> _Worker:
        ours, theirs = self._context.Pipe()
        lifeline, ours_to_hold = self._context.Pipe(duplex=False)
        before = {name: os.environ.get(name) for name in ONE_THREAD}
        os.environ.update(dict.fromkeys(ONE_THREAD, "1"))  # read when numpy is loaded
        try:
            process = self._context.Process(target=_serve, args=(theirs, lifeline, self._work), daemon=True)
            process.start()
        finally:
            for name, value in before.items():
                os.environ.pop(name) if value is None else os.environ.update({name: value})
        theirs.close()
        lifeline.close()
        return _Worker(process, ours, ours_to_hold)


def _serve(line: Connection, lifeline: Connection, work: Callable[[Task], Outcome]) -> None:
    """A worker's life: tasks in, outcomes out, until the line is closed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the terminal's Ctrl-C is for the one who gives the tasks
    threading.Thread(target=_end_with, args=(lifeline,), daemon=True).start()
    while True:
        try:
            task = line.recv()
        except EOFError:
            return
        try:
            line.send(work(task))
        except OSError:  # nobody wants to know any more
            return


def _end_with(lifeline: Connection) -> None:
    """End at once when nobody holds the other end any more."""
    try:
        lifeline.poll(None)
    finally:
        os._exit(1)
