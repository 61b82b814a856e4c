"""The same photo changed by next to nothing: which pieces then change in area or in their number of corners?

A photo taken again differs by more than any of these changes, so a decision that they tip was decided by chance.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from shapely.geometry import Polygon

from flatmeasure.errors import FlatMeasureError
from flatmeasure.photos.photo import Photo, Pixels, load_photo
from flatmeasure.pipeline import measure
from flatmeasure.references.figures import Square
from flatmeasure.results.measurement import Measurement, Piece
from tests.benchmarks.accuracy import FOLDERS, options, truths_in

MOST_AREA_CHANGE = 0.005
SCALE = 0.97
LEAST_OVERLAP = 0.3  # of a piece with the same one in the changed photo


@dataclass(frozen=True)
class Change:
    """What became of a piece: relative changes of its area, in mm2 and in the picture, and of its count of corners."""

    scene: str
    change: str
    piece: str
    area: float
    area_px: float
    corners: int

    @property
    def tipped(self) -> bool:
        return not abs(self.area) <= MOST_AREA_CHANGE or self.corners != 0


@dataclass(frozen=True, eq=False)
class Changed:
    """A photo changed by next to nothing, and how its pixels moved."""

    name: str
    rgb: Pixels
    scale: float = 1.0
    mirrored: bool = False

    def there(self, points_px: np.ndarray) -> np.ndarray:
        """Points of the photo in the changed one."""
        moved = (points_px + 0.5) * self.scale - 0.5
        return np.column_stack([self.rgb.shape[1] - 1 - moved[:, 0], moved[:, 1]]) if self.mirrored else moved


def changed_photos(rgb: Pixels) -> Iterator[Changed]:
    """Noise of one code, once more through JPEG, a little brighter and darker, smaller, mirrored."""
    noise = np.random.default_rng(1).normal(0.0, 1.0, rgb.shape).astype(np.float32)
    yield Changed("noise", _codes(rgb + noise))
    file = cv2.imencode(".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 92])[1]
    yield Changed("JPEG", np.asarray(cv2.imdecode(file, cv2.IMREAD_COLOR_RGB), dtype=np.uint8))
    yield Changed("brighter", _codes(np.float32(1.02) * rgb))
    yield Changed("darker", _codes(np.float32(0.98) * rgb))
    size = (round(SCALE * rgb.shape[1]), round(SCALE * rgb.shape[0]))
    smaller = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    yield Changed("smaller", np.asarray(smaller, dtype=np.uint8), scale=SCALE)
    yield Changed("mirrored", np.ascontiguousarray(rgb[:, ::-1]), mirrored=True)


def changes(scene: str, photo: Photo, given: dict[str, float]) -> Iterator[Change]:
    """All pieces of a photo under all changes; a piece that is gone has changed by NaN."""
    whole = measure(photo, **given)
    for changed in changed_photos(photo.rgb):
        again = _measured(changed, photo, whole, given)
        pieces = again.pieces if again is not None else ()
        for piece in whole.pieces:
            there = Polygon(changed.there(piece.outline_px)).buffer(0)
            same = max(pieces, key=lambda p: _overlap(p, there), default=None)
            if same is None or _overlap(same, there) < LEAST_OVERLAP:
                yield Change(scene, changed.name, piece.id, float("nan"), float("nan"), -len(piece.corners))
                continue
            area_px = _net_px(same) / _net_px(piece) / changed.scale**2 - 1.0
            corners = len(same.corners) - len(piece.corners)
            yield Change(scene, changed.name, piece.id, same.area.value / piece.area.value - 1.0, area_px, corners)


def _measured(changed: Changed, photo: Photo, whole: Measurement, given: dict[str, Any]) -> Measurement | None:
    if changed.mirrored:  # codes can't be read in a mirror
        laid = [(changed.there(p.reference.corners_px)[::-1], p.reference.size_mm[0]) for p in whole.rectification.laid]
        given = {**given, "references": [Square(corners_px, side_mm) for corners_px, side_mm in laid]}
    try:
        return measure(replace(photo, rgb=changed.rgb), **given)
    except FlatMeasureError:
        return None


def _overlap(piece: Piece, there: Polygon) -> float:
    found = Polygon(piece.outline_px).buffer(0)
    return float(found.intersection(there).area / found.union(there).area)


def _net_px(piece: Piece) -> float:
    return float(Polygon(piece.outline_px).area - sum(Polygon(hole).area for hole in piece.holes_px))


def _codes(values: np.ndarray) -> Pixels:
    return np.clip(np.rint(values), 0, 255).astype(np.uint8)


def print_stability() -> None:
    """Pieces that tip over, and the usual and the largest change of all others."""
    for folder in FOLDERS:
        every = list(_in_folder(folder))
        if not every:
            continue
        tipped = [one for one in every if one.tipped]
        print(f"stability: {folder.name}, {len(tipped)} of {len(every)} tip over")
        for one in tipped:
            print(
                f"  {one.scene:18s} {one.piece} {one.change:9s} area {100 * one.area:+7.3f} %,"
                f" in the picture {100 * one.area_px:+7.3f} %, corners {one.corners:+d}"
            )
        sizes = np.abs([(one.area, one.area_px) for one in every if not one.tipped])
        for name, of in zip(("area", "area in the picture"), sizes.T, strict=True):
            print(f"  others, change of {name}: median {100 * np.median(of):.3f} %, largest {100 * of.max():.3f} %")


def _in_folder(folder: Path) -> Iterator[Change]:
    for truth in truths_in(folder):
        if truth["expect"] == "measured":
            yield from changes(truth["name"], load_photo(folder / f"{truth['name']}.jpg"), options(truth))
