"""A long search at the terminal: its progress is shown, and Ctrl-C or the end of its time take the best so far."""

import signal
import sys
import time
from types import FrameType
from typing import Any

import typer

WIDTH = 60  # of the line that progress is shown on


class SearchWatch:
    """Shows the progress on a terminal; ends the search on Ctrl-C or when time is up."""

    def __init__(self, limit_s: float) -> None:
        self.until = time.monotonic() + limit_s
        self.going = True
        self.before: Any = None

    def __enter__(self) -> "SearchWatch":
        self.before = signal.signal(signal.SIGINT, self._stop)
        return self

    def __exit__(self, *_: object) -> None:
        signal.signal(signal.SIGINT, self.before)
        self._wipe()

    def _stop(self, _number: int, _frame: FrameType | None) -> None:
        self.going = False

    def show(self, share: float, what: str) -> None:
        """The progress, on a terminal."""
        if sys.stderr.isatty():
            line = f"{share:4.0%} {what}; Ctrl-C takes the best so far"
            print(f"\r{line:{WIDTH}}", end="", file=sys.stderr, flush=True)

    def say(self, line: str) -> None:
        """A line of the result, the progress wiped away before it."""
        self._wipe()
        typer.echo(line)

    def is_over(self) -> bool:
        """Whether time is up or somebody stopped the search."""
        return not self.going or time.monotonic() >= self.until

    def goes_on(self, share: float) -> bool:
        """Both at once, as searches ask that have no steps to name."""
        self.show(share, "laying")
        return not self.is_over()

    def _wipe(self) -> None:
        if sys.stderr.isatty():
            print("\r" + " " * WIDTH + "\r", end="", file=sys.stderr, flush=True)
