"""The camera: a pinhole with radial distortion, and where it stands over the mat.

Mat frame: millimetres, Z = 0 on the mat, Z up, right-handed, Y away from the photographer.
Picture: pixels, (x, y), y down, centres at whole numbers, of the upright photo.
"""

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.polygons import cross

Points = NDArray[np.float64]

SETTLED = 1e-8  # of the focal length: a smaller step of Newton's method leaves an error of about its square
FULL_FRAME_DIAGONAL_MM = 43.2666  # diagonal of 36 x 24 mm, to which "35 mm equivalent" refers


@dataclass(frozen=True, eq=False)
class Camera:
    """Lens and sensor.

    Attributes
    ----------
    focal_px : float
    principal_point_px : tuple of float
    radial : tuple of float
        k1, k2, ... of the Brown-Conrady model (D. C. Brown, "Close-range camera calibration", 1971):
        distorted = undistorted * (1 + k1 r^2 + k2 r^4 + ...), r in units of the focal length.
    """

    focal_px: float
    principal_point_px: tuple[float, float]
    radial: tuple[float, ...] = (0.0, 0.0)

    @cached_property
    def growth(self) -> tuple[float, ...]:
        """1, k1, k2, ...: distorted over undistorted radius as a polynomial in its square."""
        return (1.0, *self.radial)

    @cached_property
    def slopes(self) -> tuple[float, ...]:
        """Derivative of the distorted radius as a polynomial in the squared undistorted radius."""
        return tuple((2 * i + 1) * term for i, term in enumerate(self.growth))

    @cached_property
    def fold_radius(self) -> float:
        """Smallest undistorted radius at which the distorted one stops growing; infinite where it never does."""
        inverse = np.roots(self.slopes)  # of s = r^2: led by 1, so that a term near zero makes no root of huge size
        folds = inverse.real[(np.abs(inverse.imag) < 1e-9) & (inverse.real > 1e-12)]
        return float(1.0 / np.sqrt(folds.max())) if len(folds) else np.inf  # a million focal lengths out are none

    def matrix(self) -> Points:
        """(3, 3) camera matrix."""
        cx, cy = self.principal_point_px
        return np.array([[self.focal_px, 0.0, cx], [0.0, self.focal_px, cy], [0.0, 0.0, 1.0]])


@dataclass(frozen=True, eq=False)
class Pose:
    """Where the camera is.

    Attributes
    ----------
    rotation : (3, 3) array
        From the mat frame to the camera frame (x right, y down, z forward).
    translation_mm : (3,) array
        Camera-frame position of the mat's origin.
    """

    rotation: Points
    translation_mm: Points

    @property
    def centre_mm(self) -> Points:
        """(3,) position of the camera in the mat frame."""
        return -self.rotation.T @ self.translation_mm

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and straight down."""
        return float(np.degrees(np.arccos(np.clip(-self.rotation[2, 2], -1.0, 1.0))))


def focal_from_35mm(focal_35mm: float, width_px: int, height_px: int) -> float:
    """Focal length in pixels from the photo's 35 mm equivalent (CIPA: by the picture's diagonal)."""
    return focal_35mm / FULL_FRAME_DIAGONAL_MM * float(np.hypot(width_px, height_px))


def project(points_mm: Points, camera: Camera, pose: Pose) -> Points:
    """Where points of the mat frame appear.

    Parameters
    ----------
    points_mm : (N, 3) array, mat frame

    Returns
    -------
    (N, 2) array, px
    """
    seen = points_mm @ pose.rotation.T + pose.translation_mm
    flat = seen[:, :2] / seen[:, 2:]
    return distort(flat, camera)


def distort(flat: Points, camera: Camera) -> Points:
    """Undistorted directions (N, 2) in units of the focal length to pixels (N, 2)."""
    r2 = np.sum(flat**2, axis=1, keepdims=True)
    seen: Points = flat * _polynomial(camera.growth, r2) * camera.focal_px + np.asarray(camera.principal_point_px)
    return seen


def _polynomial(terms: tuple[float, ...], x: Points) -> Points:
    """By Horner's scheme; the constant term comes first."""
    value = np.full_like(x, terms[-1])
    for term in terms[-2::-1]:
        value = value * x + term
    return value


def undistort(points_px: Points, camera: Camera) -> Points:
    """Pixels (N, 2) to undistorted directions (N, 2) in units of the focal length.

    The radial polynomial is inverted by Newton's method in the radius to below 1e-12, in at most 10 steps. A strong
    barrel polynomial folds back on itself at some radius: pixels beyond its reach are put at that radius.
    """
    bent = (points_px - np.asarray(camera.principal_point_px)) / camera.focal_px
    target = np.linalg.norm(bent, axis=1)
    limit = 0.999 * camera.fold_radius
    radius = np.minimum(target, limit)
    for _ in range(10):
        r2, before = radius**2, radius
        off = radius * _polynomial(camera.growth, r2) - target
        radius = np.clip(radius - off / _polynomial(camera.slopes, r2), 0.0, limit)
        if (np.abs(radius - before) < SETTLED).all():
            break
    ratio = np.divide(radius, target, out=np.ones_like(target), where=target > 0)
    flat: Points = bent * ratio[:, None]
    return flat


def to_plane(points_px: Points, camera: Camera, pose: Pose, z_mm: float | Points = 0.0) -> Points:
    """Where rays through pixels meet the plane at a height above the mat.

    Parameters
    ----------
    points_px : (N, 2) array
    z_mm : float or (N,) array
        Height of the plane, one for all or one for each point.

    Returns
    -------
    (N, 2) array, mm in the mat frame. A ray that does not meet the plane in front of the camera gives NaN.
    """
    flat = undistort(points_px, camera)
    rays = np.column_stack([flat, np.ones(len(flat))]) @ pose.rotation
    centre = pose.centre_mm
    depth = np.divide(z_mm - centre[2], rays[:, 2], out=np.full(len(rays), np.nan), where=rays[:, 2] < -1e-9)
    return np.asarray(centre[:2] + depth[:, None] * rays[:, :2])


def mm_per_px(points_px: Points, camera: Camera, pose: Pose) -> Points:
    """(N,) size on the mat of one pixel at each point (N, 2): geometric mean over directions."""
    steps = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    at, right, down = np.split(to_plane((points_px + steps[:, None]).reshape(-1, 2), camera, pose), 3)
    a, b = right - at, down - at
    return np.asarray(np.sqrt(np.abs(cross(a, b))))


def pose_from_rodrigues(rotation_vector: Points, translation_mm: Points) -> Pose:
    """A pose from OpenCV's rotation vector (axis times angle) and translation."""
    return Pose(np.asarray(cv2.Rodrigues(rotation_vector)[0], dtype=np.float64), translation_mm)
