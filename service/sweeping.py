"""At its start a service deletes files that nothing refers to: what a kill left between a file and its row."""

from collections.abc import Callable
from pathlib import Path

from sqlalchemy import select

from service.database import Database
from service.files import OwnedFiles, PhotoFiles
from service.job_store import JobStore
from service.tables import answers, measurements


def sweep(folder: Path, photos: PhotoFiles, drawings: OwnedFiles, database: Database) -> None:
    """Delete half-written files, photos that no measurement and no job needs, and drawings without an owner."""
    for path in folder.rglob(".*"):
        if path.is_file():
            path.unlink(missing_ok=True)
    waited_for = {str(job.request.get("photo")) for job in JobStore(database).unfinished()}
    with database.reading() as connection:
        needed = set(connection.scalars(select(measurements.c.photo))) | waited_for
        owners = {*connection.scalars(select(measurements.c.id)), *connection.scalars(select(answers.c.id))}
    _delete_others(photos.names(), needed, photos.remove)
    _delete_others(drawings.names(), owners, drawings.remove_all)


def _delete_others(names: list[str], kept: set[str], delete: Callable[[str], None]) -> None:
    for name in names:
        if name not in kept:
            delete(name)
