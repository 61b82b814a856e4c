"""A batch from a folder of photos to tables and contact sheets, which may be killed at any moment and begun again.

What the next run finds, by the moment at which this one is killed:

- while photos are listed: some are, the rest follows; listing again changes nothing that is done;
- while a photo is measured, or after its thumbnail was written: the photo waits, and is measured;
- after its measurement was renamed into place, before its row was marked: the photo waits, and the worker takes the
  measurement that is there instead of making another;
- while its row is marked: one transaction, so the row is marked with all its results, or waits;
- while tables and sheets are written: the old ones, or none; they are made anew from the rows.
"""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from flatmeasure import __version__
from flatmeasure.batch.contact_sheet import write_contact_sheets
from flatmeasure.batch.executors import Done, Executor
from flatmeasure.batch.job_table import JobTable
from flatmeasure.batch.photo_list import BatchOptions, list_photos
from flatmeasure.batch.results_table import TableKind, write_tables
from flatmeasure.batch.tasks import Outcome, Task, result_path
from flatmeasure.errors import OptionInvalid, PhotoUnreadable
from flatmeasure.units import LengthUnit

TRIES = 2  # of a photo at which a worker dies


@dataclass(frozen=True)
class Progress:
    """How far a batch is: photos still waiting, measured, and not to be measured."""

    waiting: int
    measured: int
    failed: int


@dataclass(frozen=True)
class BatchOutput:
    """What is written at the end."""

    table: TableKind = TableKind.CSV
    unit: LengthUnit = LengthUnit.MM


class Batch:
    """Photos of a folder and their results; use it as ``with Batch(...) as batch``.

    Parameters
    ----------
    folder, results : Path
    options : BatchOptions

    Raises
    ------
    PhotoUnreadable, OptionInvalid
        There is no such folder, or the results can't be written, or are being written by another batch.
    """

    def __init__(self, folder: Path, results: Path, options: BatchOptions) -> None:
        self._folder, self._results, self._options = folder, results, options
        self._digest = options.digest(__version__)
        if not folder.is_dir():
            raise PhotoUnreadable(f"There is no folder {folder}: check the path.")
        try:
            results.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise OptionInvalid(f"The folder {results} can't be made ({error.strerror}): name another.") from error
        self.jobs = JobTable(results / "jobs.sqlite3")
        _clear(results)
        self.jobs.list_photos(list_photos(folder, results), self._digest)
        for row in self.jobs.rows("measured"):
            if not result_path(results, "measurement", row.key).is_file():
                self.jobs.forget(row.number)

    def __enter__(self) -> "Batch":
        return self

    def __exit__(self, *_: object) -> None:
        self.jobs.close()

    def progress(self) -> Progress:
        """How far it is."""
        return Progress(**self.jobs.counts())

    def run(self, executor: Executor) -> Iterator[Progress]:
        """Do what waits, telling after each photo how far it is.

        Raises
        ------
        OptionInvalid
            No results can be written any more, or the cluster can't do the work; what is done is kept.
        """
        again: deque[Task] = deque()
        waiting = self._tasks()
        now = self.progress()
        for done in executor.run(lambda: again.popleft() if again else next(waiting, None)):
            outcome = self._judged(done)
            if outcome is None:
                again.append(done.task)
                continue
            self.jobs.finish(done.task.number, outcome)
            failed = bool(outcome.reason)
            now = Progress(now.waiting - 1, now.measured + (not failed), now.failed + failed)
            yield now

    def _tasks(self) -> Iterator[Task]:
        for row in self.jobs.rows("waiting"):
            path = str((self._folder / row.path).absolute())
            yield Task(row.number, path, str(self._results.absolute()), self._options, self._digest)

    def _judged(self, done: Done) -> Outcome | None:
        """What became of a photo; None if it is to be tried once more."""
        if done.outcome is not None:
            if done.outcome.stop:
                raise OptionInvalid(done.outcome.stop)
            return done.outcome
        deaths = self.jobs.count_death(done.task.number)
        if deaths < TRIES and not done.tried_again:
            return None
        return Outcome(
            "", "The process measuring it was ended twice, for want of memory perhaps: measure it by itself."
        )

    def write(self, output: BatchOutput) -> list[Path]:
        """Write the tables and contact sheets of what is done so far."""
        tables = write_tables(self.jobs.rows, self._results, output.table)
        return tables + write_contact_sheets(self.jobs.rows(), self._results, output.unit)


def _clear(results: Path) -> None:
    """Remove what killed workers have left half written."""
    for kind in ("measurement", "thumbnail"):
        for left in (results / f"{kind}s").glob("*/.*"):
            left.unlink(missing_ok=True)
