"""Can a quadrilateral be a flat figure of known aspect, seen by a camera of roughly known focal length?"""

from dataclasses import dataclass

import cv2
import numpy as np

from flatmeasure.photos.camera import FULL_FRAME_DIAGONAL_MM, Points
from flatmeasure.photos.photo import Photo
from flatmeasure.references.figures import UNIT_CORNERS

FOCAL_TOLERANCE = 0.1  # of the metadata's focal length: whole millimetres, and the picture may be cropped
FOCAL_35MM_RANGE = (22.0, 32.0)  # main cameras of phones, when the metadata is silent
STEEPEST_DEG = 50.0  # between the optical axis and straight down


def focal_range_px(photo: Photo) -> tuple[float, float]:
    """Shortest and longest focal length the photo may have."""
    known = photo.focal_35mm
    low, high = FOCAL_35MM_RANGE if known is None else (known * (1 - FOCAL_TOLERANCE), known * (1 + FOCAL_TOLERANCE))
    per_mm = float(np.hypot(photo.width_px, photo.height_px)) / FULL_FRAME_DIAGONAL_MM
    return low * per_mm, high * per_mm


@dataclass(frozen=True, eq=False)
class FigureView:
    """How a camera could see a figure of stated size.

    Attributes
    ----------
    misfit_px : float
        Root mean square distance of the corners from where this view puts them.
    focal_px : float
    normal : (3,) array
        Of the figure's plane, camera frame.
    middle_mm : (3,) array
        Of the figure, camera frame.
    """

    misfit_px: float
    focal_px: float
    normal: Points
    middle_mm: Points


def best_view(corners_px: Points, size_mm: tuple[float, float], photo: Photo) -> FigureView | None:
    """The view that suits the corners best; None when only a camera tilted more than 50 degrees would do.

    Notes
    -----
    A small square hardly shows perspective, so its tilt is badly known; the misfit in pixels takes that into account,
    where angles and lengths reckoned from the homography do not. Poses: T. Collins and A. Bartoli, "Infinitesimal
    plane-based pose estimation", 2014, refined by least squares.
    """
    flat = np.column_stack([(UNIT_CORNERS - 0.5) * size_mm, np.zeros(4)])
    seen = corners_px - _middle_px(photo)
    low, high = focal_range_px(photo)
    views = []
    for focal_px in (low, float(np.sqrt(low * high)), high):
        matrix = np.diag([focal_px, focal_px, 1.0])
        _, turns, shifts, _ = cv2.solvePnPGeneric(flat, seen, matrix, None, flags=cv2.SOLVEPNP_IPPE)
        for rough_turn, rough_shift in zip(turns, shifts, strict=True):
            turn, shift = cv2.solvePnPRefineLM(flat, seen, matrix, None, rough_turn, rough_shift)
            normal = np.asarray(cv2.Rodrigues(turn)[0], dtype=np.float64)[:, 2]
            if abs(normal[2]) < np.cos(np.radians(STEEPEST_DEG)):
                continue
            again = cv2.projectPoints(flat, turn, shift, matrix, None)[0].reshape(-1, 2)
            misfit_px = float(np.sqrt(np.mean(np.sum((again - seen) ** 2, axis=1))))
            views.append(FigureView(misfit_px, focal_px, normal, np.asarray(shift, dtype=np.float64).ravel()))
    return min(views, key=lambda view: view.misfit_px, default=None)


def relative_size(view: FigureView, other: FigureView) -> float:
    """Size of another figure over its stated size, were it to lie in the plane of the first."""
    ray = other.middle_mm * [other.focal_px / view.focal_px, other.focal_px / view.focal_px, 1.0]
    depth = (view.normal @ view.middle_mm) / (view.normal @ ray) * ray[2]
    return float(max(depth / other.middle_mm[2] * other.focal_px / view.focal_px, 1e-9))  # behind the camera: none


def _middle_px(photo: Photo) -> Points:
    return np.array([(photo.width_px - 1) / 2.0, (photo.height_px - 1) / 2.0])
