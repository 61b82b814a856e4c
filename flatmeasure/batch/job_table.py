"""What is done, what is to be done, and what came of it: one SQLite file, written by one process.

Each change is one transaction in a write-ahead log, so the file is whole whenever the process ends. The states:
``waiting``, ``measured``, ``failed``. A row goes from waiting to one of the others together with its results, once.
"""

import json
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

from flatmeasure.batch.photo_list import ListedPhoto
from flatmeasure.batch.tasks import Outcome
from flatmeasure.errors import OptionInvalid

_SCHEMA = """
CREATE TABLE IF NOT EXISTS photos (
    number INTEGER PRIMARY KEY, path TEXT NOT NULL UNIQUE, size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL,
    digest TEXT NOT NULL, run INTEGER NOT NULL, state TEXT NOT NULL DEFAULT 'waiting', key TEXT NOT NULL DEFAULT '',
    reason TEXT NOT NULL DEFAULT '', deaths INTEGER NOT NULL DEFAULT 0, seconds REAL NOT NULL DEFAULT 0,
    warnings TEXT NOT NULL DEFAULT '', pieces TEXT NOT NULL DEFAULT '[]');
CREATE INDEX IF NOT EXISTS photos_by_state ON photos (state, number);
"""
# A photo that changed, is to be measured otherwise, could not be read, or at which workers died, waits again.
_LIST = """
INSERT INTO photos (path, size, mtime_ns, digest, run) VALUES (?, ?, ?, ?, ?)
ON CONFLICT (path) DO UPDATE SET
    state = CASE WHEN size = excluded.size AND mtime_ns = excluded.mtime_ns AND digest = excluded.digest
                 AND key <> '' THEN state ELSE 'waiting' END,
    deaths = 0, size = excluded.size, mtime_ns = excluded.mtime_ns, digest = excluded.digest, run = excluded.run
"""
_COLUMNS = ("number", "path", "state", "key", "reason", "deaths", "seconds", "warnings", "pieces")
_AT_ONCE = 500


@dataclass(frozen=True)
class JobRow:
    """One photo: its place in the table, and what came of it."""

    number: int
    path: str
    state: str
    key: str
    reason: str
    deaths: int
    seconds: float
    warnings: str
    pieces: list[dict[str, Any]]


class JobTable:
    """The job table of one folder of results; only one process can have it open."""

    def __init__(self, file: Path) -> None:
        try:
            self._lock = sqlite3.connect(file.with_suffix(".lock"), timeout=0.0, isolation_level=None)
            self._lock.execute("BEGIN EXCLUSIVE")  # let go by the system however the process ends
            self._rows = sqlite3.connect(file, isolation_level=None)
            self._rows.execute("PRAGMA journal_mode = WAL")
            self._rows.executescript(_SCHEMA)
        except sqlite3.DatabaseError as error:
            if "locked" in str(error):
                raise OptionInvalid(
                    f"Another batch is writing to {file.parent}: wait for it, or name another folder."
                ) from error
            raise OptionInvalid(f"{file} can't be used ({error}): remove it, or name another folder.") from error

    def close(self) -> None:
        """Let it go."""
        self._rows.close()
        self._lock.close()

    def list_photos(self, photos: Iterable[ListedPhoto], digest: str) -> None:
        """Take up the photos there are, and drop those that are gone; what is done stays done."""
        run = 1 + int(self._rows.execute("SELECT coalesce(max(run), 0) FROM photos").fetchone()[0])
        rest = iter(photos)
        while some := list(islice(rest, _AT_ONCE)):
            with self._told(), self._rows:
                self._rows.execute("BEGIN")
                rows = [(photo.path, photo.size, photo.mtime_ns, digest, run) for photo in some]
                self._rows.executemany(_LIST, rows)
        with self._told():
            self._rows.execute("DELETE FROM photos WHERE run < ?", (run,))

    def forget(self, number: int) -> None:
        """Let a photo wait again."""
        with self._told():
            self._rows.execute("UPDATE photos SET state = 'waiting' WHERE number = ?", (number,))

    def rows(self, state: str = "") -> Iterator[JobRow]:
        """Photos in a state, or all, in order, a few hundred in memory at a time; rows may change meanwhile."""
        last = 0
        columns = ", ".join(_COLUMNS)
        where = "number > ? AND (? = '' OR state = ?) ORDER BY number LIMIT ?"
        while True:
            found = self._rows.execute(f"SELECT {columns} FROM photos WHERE {where}", (last, state, state, _AT_ONCE))
            rows = [JobRow(**dict(zip(_COLUMNS, row, strict=True)) | {"pieces": json.loads(row[-1])}) for row in found]
            yield from rows
            if len(rows) < _AT_ONCE:
                return
            last = rows[-1].number

    def finish(self, number: int, outcome: Outcome) -> None:
        """Mark a photo as measured or failed, together with its results."""
        summary = outcome.summary or {"warnings": [], "pieces": []}
        row = (
            "failed" if outcome.reason else "measured",
            outcome.key,
            outcome.reason,
            outcome.seconds,
            " ".join(summary["warnings"]),
            json.dumps(summary["pieces"]),
        )
        columns = "state = ?, key = ?, reason = ?, seconds = ?, warnings = ?, pieces = ?"
        with self._told():
            self._rows.execute(f"UPDATE photos SET {columns} WHERE number = ?", (*row, number))

    def count_death(self, number: int) -> int:
        """How many workers have died at a photo in this run, this one included."""
        with self._told():
            change = "UPDATE photos SET deaths = deaths + 1 WHERE number = ? RETURNING deaths"
            return int(self._rows.execute(change, (number,)).fetchone()[0])

    def counts(self) -> dict[str, int]:
        """Number of photos in each state."""
        found = dict(self._rows.execute("SELECT state, count(*) FROM photos GROUP BY state").fetchall())
        return {state: int(found.get(state, 0)) for state in ("waiting", "measured", "failed")}

    def first(self, state: str, count: int) -> list[JobRow]:
        """The first few photos in a state."""
        return list(islice(self.rows(state), count))

    @contextmanager
    def _told(self) -> Iterator[None]:
        """A change that can't be made, on a full disk say, is told in a sentence."""
        try:
            yield
        except sqlite3.OperationalError as error:
            raise OptionInvalid(
                f"The table of what is done can't be written ({error}): make room, and give the same command again."
            ) from error
