"""One running service: its stores, files and workers, put together."""

import asyncio
import sys
import threading
from typing import Annotated, Any, TextIO, cast

from fastapi import Depends, Request

from flatmeasure.errors import OptionInvalid
from service.answer_store import AnswerStore
from service.database import Database
from service.files import OwnedFiles, PhotoFiles
from service.job_store import JobStore
from service.jobs import Job, JobBoard, JobKind
from service.measurement_store import MeasurementStore
from service.metrics import Metrics
from service.piece_store import PieceStore
from service.settings import Settings
from service.sweeping import sweep
from service.workers import Task, Ticket, WorkerPool

RECEIVING = 4  # photos that are held in memory at once


class Service:
    """Everything that requests need.

    Parameters
    ----------
    settings : Settings

    Raises
    ------
    OptionInvalid
        The folder can't be written, or another service uses it.
    """

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self._lock_file = _take_folder(settings)
        self.database = Database(settings.url)
        self.measurements = MeasurementStore(self.database)
        self.pieces = PieceStore(self.database)
        self.answers = AnswerStore(self.database)
        self.photos = PhotoFiles(settings.folder / "photos")
        self.drawings = OwnedFiles(settings.folder / "drawings")
        self.photo_lock = threading.RLock()  # a photo is kept and given to a job, or found to be needed by none
        self.receiving = asyncio.Semaphore(RECEIVING)
        self.pool = WorkerPool(settings.workers, settings.waiting)
        self.metrics = Metrics()
        self.metrics.watch(self.pool)
        self.job_store = JobStore(self.database)
        self.board: JobBoard

    def open(self, kinds: dict[str, JobKind]) -> None:
        """Begin to work at jobs of these kinds, with what was left undone."""
        self.board = JobBoard(self.job_store, self.pool, kinds, self.metrics)
        sweep(self.settings.folder, self.photos, self.drawings, self.database)
        self.pool.start()
        self.board.resume()

    def close(self) -> None:
        """Finish or put back what runs."""
        self.pool.close(self.settings.shutdown_s)
        self.database.close()
        self._lock_file.close()

    def drop_photo(self, digest: str) -> None:
        """Delete a photo that no measurement and no job needs."""
        with self.photo_lock:
            is_waited_for = any(job.request.get("photo") == digest for job in self.job_store.unfinished())
            if not is_waited_for and not self.measurements.uses(digest):
                self.photos.remove(digest)

    async def work(self, task: Task) -> Any:
        """Have a worker do something short that nothing is kept of.

        Raises
        ------
        Problem
        """
        ticket = Ticket(task, on_step=lambda share, step: None, on_start=lambda: None)
        self.pool.submit(ticket)
        try:
            return await asyncio.shield(asyncio.wrap_future(ticket.result))
        except asyncio.CancelledError:
            self.pool.stop(ticket)
            raise


async def wait_for(job: Job, seconds: float) -> None:
    """Wait until a job ends, but not longer than that."""
    try:
        await asyncio.wait_for(asyncio.shield(asyncio.wrap_future(job.done)), seconds)
    except TimeoutError:
        return


def _take_folder(settings: Settings) -> TextIO:
    """Keep the folder to this service as long as its process lives."""
    try:
        settings.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        file = (settings.folder / "lock").open("a")
    except OSError as error:
        raise OptionInvalid(
            f"The folder {settings.folder} can't be written ({error.strerror}): name another with --folder."
        ) from error
    if sys.platform != "win32":
        import fcntl

        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            file.close()
            raise OptionInvalid(f"Another service uses the folder {settings.folder}: end that first.") from error
    return file


def here(request: Request) -> Service:
    """The service a request came to."""
    return cast(Service, request.app.state.service)


Here = Annotated[Service, Depends(here)]
