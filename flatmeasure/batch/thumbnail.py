"""A small picture of a measured photo, to be checked by eye among many."""

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.photos.camera import Points
from flatmeasure.photos.encoding import encoded
from flatmeasure.results.measurement import Measurement

LONG_SIDE_PX = 480
OUTLINE, REFERENCE, CASING = (255, 224, 92), (130, 205, 255), (16, 16, 20)  # red, green, blue
QUALITY = 85
MARGIN = 0.06  # around cloth and references, of their extent
SUBPIXEL_BITS = 4


def draw_thumbnail(measurement: Measurement) -> bytes:
    """The part of the photo with cloth and references made small, with outlines and corners drawn in, as JPEG."""
    left, top, right, bottom = _window(measurement)
    scale = LONG_SIDE_PX / max(right - left, bottom - top)
    size = (max(1, round((right - left) * scale)), max(1, round((bottom - top) * scale)))
    method = cv2.INTER_AREA if scale < 1.0 else cv2.INTER_LINEAR
    part = cv2.resize(measurement.photo.rgb[top:bottom, left:right], size, interpolation=method)
    picture = np.asarray(part, dtype=np.uint8)
    corner = np.array([left, top], dtype=np.float64)
    lines = [(placed.reference.corners_px, REFERENCE) for placed in measurement.rectification.laid]
    for piece in measurement.pieces:
        lines += [(line, OUTLINE) for line in (piece.outline_px, *piece.holes_px)]
    drawn = [(_shown(line - corner, scale), colour) for line, colour in lines]
    for width, ink in ((4, CASING), (2, None)):
        for line, colour in drawn:
            cv2.polylines(picture, [line], True, ink or colour, width, cv2.LINE_AA, SUBPIXEL_BITS)
    for piece in measurement.pieces:
        for at in _shown(np.array([each.at_px for each in piece.corners]) - corner, scale):
            cv2.circle(picture, (int(at[0]), int(at[1])), 4 << SUBPIXEL_BITS, CASING, -1, cv2.LINE_AA, SUBPIXEL_BITS)
            cv2.circle(picture, (int(at[0]), int(at[1])), 3 << SUBPIXEL_BITS, OUTLINE, -1, cv2.LINE_AA, SUBPIXEL_BITS)
    return encoded(picture, ".jpg", QUALITY)


def _window(measurement: Measurement) -> tuple[int, int, int, int]:
    """Left, top, right, bottom of the part of the photo to show."""
    seen = [placed.reference.corners_px for placed in measurement.rectification.laid]
    points = np.concatenate([*seen, *(piece.outline_px for piece in measurement.pieces)])
    margin = MARGIN * float(np.max(np.ptp(points, axis=0)))
    limits = np.array([measurement.photo.width_px, measurement.photo.height_px])
    low = np.clip(np.floor(points.min(axis=0) - margin), 0, limits - 1).astype(int)
    high = np.clip(np.ceil(points.max(axis=0) + margin), low + 1, limits).astype(int)
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def _shown(points_px: Points, scale: float) -> NDArray[np.int32]:
    """Points of the photo in the small picture, as OpenCV draws below a pixel."""
    return np.rint(((points_px + 0.5) * scale - 0.5) * (1 << SUBPIXEL_BITS)).astype(np.int32)
