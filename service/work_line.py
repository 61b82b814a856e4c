"""The worker's end of the line: work comes in, steps and results go out."""

import os
import signal
from collections.abc import Callable
from multiprocessing.connection import Connection
from typing import Any

from service.problems import problem_of

STOP = "stop"


class Reporter:
    """What the work tells while it goes on, and whether it shall go on."""

    def __init__(self, line: "Connection[Any, Any]") -> None:
        self._line = line
        self._goes_on = True

    def __call__(self, share: float, step: str) -> bool:
        """Tell the share of the work that is done and what is done now; False when it shall end."""
        try:
            self._line.send(("step", (share, step)))
            while self._line.poll():
                self._goes_on &= self._line.recv() != STOP
        except (EOFError, OSError) as error:
            raise SystemExit from error  # nobody listens any more
        return self._goes_on


def serve_line(line: "Connection[Any, Any]") -> None:
    """A worker's life: work that comes by a line is done, and answered there, until the line ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the service's to handle
    for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):  # read when numpy is loaded: one thread a process
        os.environ.setdefault(variable, "1")
    from service.tasks import TASKS

    while True:
        try:
            message = line.recv()
            if message != STOP:  # that came when the work was done already
                line.send(_outcome(TASKS[message[0]], message[1], Reporter(line)))
        except (EOFError, OSError):
            return


def _outcome(
    work: Callable[[dict[str, Any], Reporter], Any], payload: dict[str, Any], report: Reporter
) -> tuple[str, Any]:
    try:
        return "done", work(payload, report)
    except Exception as error:
        return "failed", problem_of(error)
