"""What a person marks in a photo as cloth or as not cloth, and how it is drawn on the small picture."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from flatmeasure.cloth.ground import Mask
from flatmeasure.errors import OptionInvalid
from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Pixels

Box = tuple[float, float, float, float]  # x0, y0, x1, y1

_LIKE_COLOUR = (9.0, 9.0, 9.0)  # codes: as far as this from the marked pixel's


@dataclass(frozen=True, eq=False)
class Hints:
    """What a person has marked, in pixels of the upright photo.

    Attributes
    ----------
    cloth_px, not_cloth_px : tuple of (N, 2) arrays
        Points (N = 1) and strokes. Each speaks for the area of nearly its colour around it.
    cloth_boxes_px : tuple of (x0, y0, x1, y1)
        All cloth lies within these.
    not_cloth_boxes_px : tuple of (x0, y0, x1, y1)
        No cloth lies within these.
    """

    cloth_px: tuple[Points, ...] = ()
    not_cloth_px: tuple[Points, ...] = ()
    cloth_boxes_px: tuple[Box, ...] = ()
    not_cloth_boxes_px: tuple[Box, ...] = ()


@dataclass(frozen=True, eq=False)
class Marks:
    """Hints as (H, W) masks of a small picture: strokes, the like-coloured areas around them, and no-go areas."""

    cloth: Mask
    ground: Mask
    like_cloth: Mask
    like_ground: Mask
    excluded: Mask


def check_hints(hints: Hints, photo_px: Points) -> None:
    """Refuse what lies outside a photo of a width and height, or is no box.

    Raises
    ------
    OptionInvalid
    """
    boxes = [*hints.cloth_boxes_px, *hints.not_cloth_boxes_px]
    for x0, y0, x1, y1 in boxes:
        if not (x0 < x1 and y0 < y1):
            raise OptionInvalid(f"The box {x0:g},{y0:g},{x1:g},{y1:g} has no area: give its upper left corner first.")
    corners = [np.reshape(box, (2, 2)) for box in boxes]
    for points in [*hints.cloth_px, *hints.not_cloth_px, *corners]:
        for x, y in np.reshape(np.asarray(points, np.float64), (-1, 2)):
            if not (-0.5 <= x <= photo_px[0] - 0.5 and -0.5 <= y <= photo_px[1] - 0.5):
                raise OptionInvalid(
                    f"The hint at {x:g},{y:g} lies outside the photo, which is {photo_px[0]:g} x {photo_px[1]:g} "
                    "pixels: give pixels of the upright photo."
                )


def draw_marks(hints: Hints, small: Pixels, scale: Points) -> Marks:
    """Draw hints on a small picture, ``scale`` (2,) of its pixels per photo pixel in x and y."""
    blurred = np.asarray(cv2.GaussianBlur(small, (0, 0), 1.0), dtype=np.uint8)
    cloth, like_cloth = _strokes(hints.cloth_px, blurred, scale)
    ground, like_ground = _strokes(hints.not_cloth_px, blurred, scale)
    excluded = _boxes(hints.not_cloth_boxes_px, small, scale)
    if hints.cloth_boxes_px:
        excluded |= ~_boxes(hints.cloth_boxes_px, small, scale)
    return Marks(cloth, ground, like_cloth & ~ground, like_ground & ~cloth, excluded)


def _strokes(strokes: Sequence[Points], small: Pixels, scale: Points) -> tuple[Mask, Mask]:
    """The strokes themselves, and what is connected with them in nearly the same colour."""
    height, width = small.shape[:2]
    drawn = np.zeros((height, width), np.uint8)
    flooded = np.zeros((height + 2, width + 2), np.uint8)
    flags = 4 | (1 << 8) | cv2.FLOODFILL_MASK_ONLY | cv2.FLOODFILL_FIXED_RANGE
    for stroke in strokes:
        at = (np.asarray(stroke, np.float64) + 0.5) * scale - 0.5
        path = np.clip(np.rint(at), 0, [width - 1, height - 1]).astype(np.int32)
        cv2.polylines(drawn, [path], False, 1, thickness=3)
        for x, y in path:
            cv2.circle(drawn, (int(x), int(y)), 1, 1, -1)
            cv2.floodFill(small.copy(), flooded, (int(x), int(y)), 0, _LIKE_COLOUR, _LIKE_COLOUR, flags)
    grown = cv2.dilate(flooded[1:-1, 1:-1], np.ones((3, 3), np.uint8))
    return drawn.astype(bool), np.asarray(grown, dtype=bool)


def _boxes(boxes: Sequence[Box], small: Pixels, scale: Points) -> Mask:
    area = np.zeros(small.shape[:2], bool)
    for x0, y0, x1, y1 in boxes:
        corners = (np.array([[x0, y0], [x1, y1]]) + 0.5) * scale - 0.5
        (left, top), (right, bottom) = np.rint(corners).astype(int)
        area[max(top, 0) : max(bottom + 1, 0), max(left, 0) : max(right + 1, 0)] = True
    return area
