"""What the service is told at its start."""

import os
from dataclasses import dataclass
from pathlib import Path

PHOTO_BYTES, PATTERN_BYTES, JSON_BYTES = 40_000_000, 8_000_000, 2_000_000  # the most a request may send
FORM_BYTES = 100_000  # what a form may add to its file
LOOPBACK_NAMES = ("localhost", "127.0.0.1", "[::1]")


@dataclass(frozen=True)
class Settings:
    """How one service runs.

    Attributes
    ----------
    folder : Path
        Where files are kept, and the embedded database unless another is named.
    database_url : str or None
        Of SQLAlchemy, such as ``postgresql+psycopg://user@host/name``; None is SQLite in the folder.
    token : str or None
        What every request must carry; None asks for none.
    host_names : tuple of str
        Names a request may address the service by; empty is any. On loopback this stops web pages that let their own
        name point to this computer.
    workers : int
        Processes that measure. With two or more, one is kept free of long work.
    waiting : int
        Jobs that may wait; more are refused.
    max_megapixels : float
        Of a photo.
    measure_s, answer_s : float
        Longest time a measurement and a search for a layout may take.
    wait_s : float
        How long an answer is held back for a result when the client says nothing about it.
    shutdown_s : float
        How long running work may go on when the service is told to end.
    """

    folder: Path
    database_url: str | None = None
    token: str | None = None
    host_names: tuple[str, ...] = LOOPBACK_NAMES
    workers: int = max(2, min(os.cpu_count() or 2, 8))
    waiting: int = 32
    max_megapixels: float = 50.0
    measure_s: float = 60.0
    answer_s: float = 300.0
    wait_s: float = 20.0
    shutdown_s: float = 10.0

    @property
    def url(self) -> str:
        """The database."""
        return self.database_url or f"sqlite:///{self.folder / 'flatmeasure.sqlite'}"
