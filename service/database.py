"""The database: opened, checked, and written to by one at a time."""

import secrets
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, create_engine, event, text

from service.tables import metadata

BUSY_MS = 10_000


class Database:
    """An engine with its tables made.

    Parameters
    ----------
    url : str
        Of SQLAlchemy.
    """

    def __init__(self, url: str) -> None:
        self.engine = create_engine(url, pool_pre_ping=True)
        self._writing = threading.Lock()
        if self.engine.dialect.name == "sqlite":
            event.listen(self.engine, "connect", _prepare_sqlite)
        metadata.create_all(self.engine)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection to read by."""
        with self.engine.connect() as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction: all of it is kept, or nothing. One at a time, so that none has to give way to another."""
        with self._writing, self.engine.begin() as connection:
            yield connection

    def check(self) -> None:
        """Raise unless the database answers."""
        with self.reading() as connection:
            connection.execute(text("SELECT 1"))

    def close(self) -> None:
        """Give all connections back."""
        self.engine.dispose()


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    cursor = connection.cursor()
    for setting in ("journal_mode = WAL", "synchronous = NORMAL", "foreign_keys = ON", f"busy_timeout = {BUSY_MS}"):
        cursor.execute(f"PRAGMA {setting}")
    cursor.close()


def new_id() -> str:
    """An id that nobody can guess."""
    return secrets.token_hex(8)


def now() -> str:
    """The time, as RFC 3339 in UTC with microseconds."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
