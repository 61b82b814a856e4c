"""What is handed to workers and what comes back; nothing here takes long to import."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flatmeasure.batch.photo_list import BatchOptions


@dataclass(frozen=True)
class Task:
    """A photo to measure.

    Attributes
    ----------
    number : int
        Of its row in the job table.
    photo : str
        Path of the file.
    results : str
        Folder of the results.
    options : BatchOptions
    digest : str
        Of the options.
    """

    number: int
    photo: str
    results: str
    options: BatchOptions
    digest: str


@dataclass(frozen=True)
class Outcome:
    """What became of a photo.

    Attributes
    ----------
    key : str
        Of bytes and options; empty where the file could not be read.
    reason : str
        Why it was not measured, one or two sentences; empty when it was.
    stop : str
        Why no further photo can be measured either, such as a full disk; empty when they can.
    seconds : float
        That it took.
    summary : dict
        ``warnings`` (codes), ``pieces`` and their ``edges`` as rows of the tables.
    """

    key: str
    reason: str = ""
    stop: str = ""
    seconds: float = 0.0
    summary: dict[str, Any] | None = None


def result_path(results: Path, kind: str, key: str) -> Path:
    """Where a photo's ``measurement`` or ``thumbnail`` is kept; in folders of a few hundred files each."""
    return results / f"{kind}s" / key[:2] / f"{key}.{'json' if kind == 'measurement' else 'jpg'}"
