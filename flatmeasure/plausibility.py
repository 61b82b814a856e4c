"""Can a quadrilateral be a flat figure of known aspect, seen by a camera of roughly known focal length?"""

import numpy as np

from flatmeasure.camera import FULL_FRAME_DIAGONAL_MM
from flatmeasure.figures import Points
from flatmeasure.photo import Photo
from flatmeasure.steps import homography

FOCAL_TOLERANCE = 0.1  # of the metadata's focal length: whole millimetres, and the picture may be cropped
FOCAL_35MM_RANGE = (22.0, 32.0)  # main cameras of phones, when the metadata is silent
STEEPEST_DEG = 60.0  # between the optical axis and straight down


def focal_range_px(photo: Photo) -> tuple[float, float]:
    """Shortest and longest focal length the photo may have."""
    known = photo.focal_35mm
    low, high = FOCAL_35MM_RANGE if known is None else (known * (1 - FOCAL_TOLERANCE), known * (1 + FOCAL_TOLERANCE))
    per_mm = float(np.hypot(photo.width_px, photo.height_px)) / FULL_FRAME_DIAGONAL_MM
    return low * per_mm, high * per_mm


def shape_misfit(corners_px: Points, size_mm: tuple[float, float], photo: Photo) -> float:
    """How far from a rectangle of this size the corners are, for the focal length that suits them best.

    Returns
    -------
    float
        The relative error of the aspect and the cosine of the angle between the sides, root sum of squares; infinite
        for a plane steeper than 60 degrees. A lens bending by k1 = -0.05 alone gives up to 0.04.

    Notes
    -----
    The columns of the homography, with the camera matrix taken off, are the directions of the sides in space, which
    must be perpendicular and as long as the sides (Z. Zhang, "A flexible new technique for camera calibration", 2000).
    """
    centre = np.array([(photo.width_px - 1) / 2.0, (photo.height_px - 1) / 2.0])
    matrix = homography(corners_px - centre)
    best = np.inf
    for focal in np.linspace(*focal_range_px(photo), 9):
        across, down = (matrix[:, i] / size_mm[i] / np.array([focal, focal, 1.0]) for i in (0, 1))
        lengths = np.linalg.norm(across), np.linalg.norm(down)
        normal = np.cross(across, down) / (lengths[0] * lengths[1])
        if abs(normal[2]) < np.cos(np.radians(STEEPEST_DEG)) * np.linalg.norm(normal):
            continue
        cosine = across @ down / (lengths[0] * lengths[1])
        best = min(best, float(np.hypot(np.log(lengths[0] / lengths[1]), cosine)))
    return best
