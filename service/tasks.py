"""What workers do: plain values in, plain values out; the library does the measuring."""

import io
import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import ExifTags, Image

from flatmeasure import (
    Hints,
    Measurement,
    PhotoUnreadable,
    PreparedPhoto,
    Rectangle,
    Square,
    draw_overlay,
    load_photo,
    prepare,
)
from flatmeasure.cloth.hints import Box
from flatmeasure.photos.camera import Points
from flatmeasure.units import LengthUnit
from service.answering import answer_question
from service.exporting import export_measurement
from service.stripping import needed_metadata

cv2.setNumThreads(1)

Payload = Mapping[str, Any]
Report = Callable[[float, str], bool]

JPEG_QUALITY = 90
THUMBNAIL_WIDTHS = (320, 1280)
# The library's steps as it names them, and the share of the work that is done when each begins.
_SHARES = {
    "reading the photo": 0.05,
    "finding the squares": 0.15,
    "looking for cloth": 0.3,
    "telling cloth from ground": 0.6,
    "reading the mat's grid": 0.75,
    "following the edge": 0.8,
    "setting corners": 0.9,
}
_KNOWN = ("square_mm", "rectangle_mm", "printed_side_mm", "grid_mm")


def measure_photo(payload: Payload, report: Report) -> dict[str, Any]:
    """Measure a photo.

    Parameters
    ----------
    payload : mapping
        ``photo`` (path), ``file_name``, ``max_megapixels``, ``request`` (``options`` and ``corners``), and
        ``with_pictures``, whether small pictures are wanted too.
    report : callable

    Returns
    -------
    dict
        ``document``: the measurement's JSON object; ``pictures``: JPEG files by width.
    """
    found = _measured(payload, report)
    pictures = {}
    if payload["with_pictures"]:
        report(0.95, "making small pictures")
        pictures = {width: _jpeg(found.photo.rgb, width) for width in THUMBNAIL_WIDTHS}
    return {"document": found.to_dict(), "pictures": pictures}


def draw_measures(payload: Payload, report: Report) -> bytes:
    """The photo with its measures drawn in, as JPEG; ``unit`` beside what `measure_photo` takes."""
    found = _measured(payload, report)
    return _jpeg(draw_overlay(found.photo, found, LengthUnit(payload["unit"])), None)


def scale_picture(payload: Payload, _report: Report) -> bytes:
    """A photo upright and no wider than ``width`` (None: as it is), as JPEG."""
    photo = load_photo(Path(payload["photo"]), max_megapixels=payload["max_megapixels"])
    return _jpeg(photo.rgb, payload["width"])


def convert_photo(payload: Payload, _report: Report) -> bytes:
    """A picture that isn't taken apart without decoding (WebP, TIFF, HEIC) as PNG without metadata.

    The pixels are those that the library reads. A focal length stays, for it is measured with.
    """
    photo = load_photo(payload["content"], max_megapixels=payload["max_megapixels"])
    file = io.BytesIO()
    exif = Image.Exif()
    if photo.focal_35mm is not None:
        exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] = round(photo.focal_35mm)
    if photo.camera is not None:
        exif[ExifTags.Base.Model] = photo.camera
    Image.fromarray(photo.rgb).save(file, "PNG", compress_level=1, exif=needed_metadata(exif))
    return file.getvalue()


def _measured(payload: Payload, report: Report) -> Measurement:
    def tell(step: str) -> None:
        report(next((share for start, share in _SHARES.items() if step.startswith(start)), 0.8), step)

    options = payload["request"]["options"]
    prepared = _prepared(
        payload["photo"],
        payload["max_megapixels"],
        json.dumps({name: options.get(name) for name in (*_KNOWN, "references")}),
        _Unkeyed(tell),
    )
    found = prepared.measure(
        grid_mm=options.get("grid_mm"),
        thickness_mm=options.get("thickness_mm") or 0.0,
        hints=_hints(options.get("hints")),
        on_step=tell,
    )
    for step in payload["request"]["corners"]:
        tell("setting corners")
        found = _corrected(found, step)
    return replace(found, photo=replace(found.photo, name=payload["file_name"]))


def _corrected(found: Measurement, step: Mapping[str, Any]) -> Measurement:
    from flatmeasure.correction import AddedCorner, Corrections, MovedCorner, RemovedCorner, correct

    corrections = Corrections(
        tuple(MovedCorner(one["piece"], one["corner"], tuple(one["to_px"])) for one in step.get("moved_corners", ())),
        tuple(AddedCorner(one["piece"], tuple(one["at_px"])) for one in step.get("added_corners", ())),
        tuple(RemovedCorner(one["piece"], one["corner"]) for one in step.get("removed_corners", ())),
    )
    return correct(found, corrections)


class _Unkeyed:
    """Carries a function past a cache: all are equal, so it is no part of the key."""

    def __init__(self, call: Callable[[str], None]) -> None:
        self.call = call

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Unkeyed)

    def __hash__(self) -> int:
        return 0


@lru_cache(maxsize=1)
def _prepared(photo: str, max_megapixels: float, known: str, tell: _Unkeyed) -> PreparedPhoto:
    """The photo looked at; the last one is kept, for hints and corners come one after the other."""
    options = json.loads(known)
    references = [_reference(given) for given in options.pop("references") or ()]
    if options["rectangle_mm"] is not None:
        options["rectangle_mm"] = tuple(options["rectangle_mm"])
    tell.call("reading the photo")
    picture = load_photo(Path(photo), max_megapixels=max_megapixels)
    return prepare(picture, references=references or None, on_step=tell.call, **options)


def _reference(given: Mapping[str, Any]) -> Square | Rectangle:
    corners_px = np.array(given["corners_px"], dtype=np.float64)
    if given.get("side_mm") is not None:
        return Square(corners_px, given["side_mm"])
    return Rectangle(corners_px, given["width_mm"], given["height_mm"])


def _hints(given: Mapping[str, Any] | None) -> Hints | None:
    if not given or not any(given.values()):
        return None

    def strokes(name: str) -> tuple[Points, ...]:
        return tuple(np.array(stroke, dtype=np.float64) for stroke in given.get(name, ()))

    def boxes(name: str) -> tuple[Box, ...]:
        return tuple((x0, y0, x1, y1) for x0, y0, x1, y1 in given.get(name, ()))

    return Hints(strokes("cloth_px"), strokes("not_cloth_px"), boxes("cloth_boxes_px"), boxes("not_cloth_boxes_px"))


def _jpeg(rgb: Any, width: int | None) -> bytes:
    height_px, width_px = rgb.shape[:2]
    if width is not None and width < width_px:
        size = (width, max(1, round(height_px * width / width_px)))
        rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    done, coded = cv2.imencode(".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    if not done:
        raise PhotoUnreadable("The photo is too large to be shown: make it smaller.")
    return coded.tobytes()


TASKS: dict[str, Callable[[Payload, Report], Any]] = {
    "measure": measure_photo,
    "overlay": draw_measures,
    "picture": scale_picture,
    "convert": convert_photo,
    "answer": answer_question,
    "export": export_measurement,
}
