"""One photo of many: measured, its results written, and what the tables need of them told.

The measurement's file is the last to be written, beside and then renamed: where it is, the work is done. Its name is
made of the photo's bytes and the options, so a photo that lies about twice, or a batch begun anew, finds it.
"""

import hashlib
import json
import time
from dataclasses import asdict
from pathlib import Path
from threading import Lock
from typing import Any

import cv2

from flatmeasure.batch.tasks import Outcome, Task, result_path
from flatmeasure.batch.thumbnail import draw_thumbnail
from flatmeasure.errors import FlatMeasureError, OptionInvalid, PhotoUnreadable
from flatmeasure.files import write_file
from flatmeasure.photos.photo import load_photo
from flatmeasure.pipeline import measure

DIGITS = 4  # below anything a photo can tell
_ONE_AT_A_TIME = Lock()  # a cluster's worker may have threads; a measurement has its process for itself


def work_key(photo: Path, digest: str) -> str:
    """Name of the work on a photo's bytes with options of a digest."""
    try:
        with photo.open("rb") as file:
            content = hashlib.file_digest(file, "sha256").digest()
    except OSError as error:
        raise PhotoUnreadable(f"{photo.name} can't be read ({error.strerror}): copy it again.") from error
    return hashlib.sha256(content + digest.encode()).hexdigest()[:24]


def measure_photo(task: Task) -> Outcome:
    """Measure a photo of a batch, or find that it was measured before; never raises for what is the photo's fault."""
    with _ONE_AT_A_TIME:
        start = time.perf_counter()
        cv2.setNumThreads(1)  # the processes share the cores
        key = ""
        try:
            photo = Path(task.photo)
            key = work_key(photo, task.digest)
            path = result_path(Path(task.results), "measurement", key)
            data = json.loads(path.read_bytes()) if path.is_file() else _measured(photo, task, key)
            return Outcome(key, seconds=time.perf_counter() - start, summary=summary_of(data))
        except _UnwritableError as error:
            return Outcome(key, stop=str(error))
        except FlatMeasureError as error:
            reason = str(error)
        except MemoryError:
            reason = "There is not enough memory for this photo: make it smaller."
        except Exception as error:  # a fault of ours must not end the work on all other photos
            reason = f"Something went wrong inside flatmeasure ({type(error).__name__}: {error})."
        return Outcome(key, " ".join(reason.split()), seconds=time.perf_counter() - start)


class _UnwritableError(Exception):
    """Results can't be written."""


def _measured(path: Path, task: Task, key: str) -> dict[str, Any]:
    options = asdict(task.options)
    found = measure(load_photo(path, max_megapixels=options.pop("max_megapixels")), **options)
    data = found.to_dict()
    text = json.dumps(data, allow_nan=False)
    for kind, written in (("thumbnail", draw_thumbnail(found)), ("measurement", text.encode())):
        file = result_path(Path(task.results), kind, key)
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
            write_file(file, written)
        except (OSError, OptionInvalid) as error:
            raise _UnwritableError(
                f"The results can't be written ({error}): make room, and give the same command again."
            ) from error
    return data


def summary_of(data: dict[str, Any]) -> dict[str, Any]:
    """The rows of the tables from a measurement's JSON."""
    return {
        "warnings": [note["code"] for note in data["warnings"]],
        "pieces": [_piece_row(piece) for piece in data["pieces"]],
    }


def _piece_row(piece: dict[str, Any]) -> dict[str, Any]:
    row = {"piece": piece["id"], "complete": piece["complete"], "confidence": piece["confidence"]}
    for name, unit in (("area", "mm2"), ("perimeter", "mm"), ("along", "mm"), ("across", "mm")):
        row |= _rounded(f"{name}_{unit}", piece[name])
    row["edges"] = [_edge_row(edge, piece["corners"]) for edge in piece["edges"]]
    return row


def _edge_row(edge: dict[str, Any], corners: list[dict[str, Any]]) -> dict[str, Any]:
    row = {"edge": edge["id"], "kind": edge["kind"]}
    for name in ("length", "chord"):
        row |= _rounded(f"{name}_mm", edge[name])
    return row | _rounded("angle_deg", corners[edge["from"]]["angle"])


def _rounded(name: str, quantity: dict[str, float]) -> dict[str, float]:
    return {name: round(quantity["value"], DIGITS), f"u_{name}": round(quantity["u"], DIGITS)}
