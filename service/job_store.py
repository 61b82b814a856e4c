"""Jobs in the database, so that a killed service does them at its next start."""

import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import delete, insert, select, update

from service.database import Database, now
from service.problems import missing
from service.tables import jobs

KEPT_DAYS = 7


@dataclass(frozen=True)
class StoredJob:
    """A job as the database has it.

    Attributes
    ----------
    kind : str
    key : str or None
        Two jobs of one key would come to the same.
    state : str
        queued, running, done or failed.
    attempts : int
        How often it was begun.
    request : dict
    result : str or None
        Id of what it came to.
    problem : dict or None
    """

    id: str
    kind: str
    key: str | None
    state: str
    attempts: int
    request: dict[str, Any]
    result: str | None
    problem: dict[str, Any] | None


class JobStore:
    """Jobs in the database."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def add(self, job: str, kind: str, key: str | None, request: dict[str, Any]) -> None:
        """Keep a new job, to be done."""
        row = {"id": job, "kind": kind, "key": key, "state": "queued", "created": now(), "attempts": 0}
        with self._database.writing() as connection:
            connection.execute(insert(jobs).values(**row, request=json.dumps(request)))

    def change(self, job: str, **values: Any) -> None:
        """Write down a job's new state."""
        if isinstance(values.get("problem"), dict):
            values["problem"] = json.dumps(values["problem"])
        with self._database.writing() as connection:
            connection.execute(update(jobs).where(jobs.c.id == job).values(**values))

    def get(self, job: str) -> StoredJob:
        """One job.

        Raises
        ------
        Problem
            404 when there is none.
        """
        with self._database.reading() as connection:
            row = connection.execute(select(jobs).where(jobs.c.id == job)).one_or_none()
        if row is None:
            raise missing("job")
        return _job(row)

    def unfinished(self) -> list[StoredJob]:
        """What a service that was ended had not done, oldest first."""
        query = select(jobs).where(jobs.c.state.in_(("queued", "running"))).order_by(jobs.c.created, jobs.c.id)
        with self._database.reading() as connection:
            return [_job(row) for row in connection.execute(query)]

    def forget_old(self) -> None:
        """Delete jobs that ended long ago."""
        before = (datetime.now(UTC) - timedelta(days=KEPT_DAYS)).isoformat()
        with self._database.writing() as connection:
            connection.execute(delete(jobs).where(jobs.c.state.in_(("done", "failed")), jobs.c.created < before))


def _job(row: Any) -> StoredJob:
    problem = json.loads(row.problem) if row.problem else None
    return StoredJob(row.id, row.kind, row.key, row.state, row.attempts, json.loads(row.request), row.result, problem)
