"""From a photo's pixels to its mat and back, as a measurement file remembers them.

The file keeps the lens and every outline both in pixels and in millimetres; between undistorted pixels and the mat
there is one homography, fitted to all outlines. So points a person shows in the photo (a flaw, a seam) and the cloth's
texture can be placed without measuring the photo again.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.errors import PieceUnreadable
from flatmeasure.photos.camera import Camera, Points, distort, undistort
from flatmeasure.pieces.panel import Panel


@dataclass(frozen=True, eq=False)
class PictureMap:
    """Where pixels of the upright photo lie on the mat.

    Attributes
    ----------
    camera : Camera
    homography : (3, 3) array
        From undistorted directions to millimetres.
    residual_mm : float
        Rms distance of the outlines from the fit: cloth's thickness and rounding.
    """

    camera: Camera
    homography: Points
    residual_mm: float

    def to_mat(self, points_px: Points) -> Points:
        """(N, 2) px to mm."""
        return _mapped(undistort(np.asarray(points_px, dtype=np.float64), self.camera), self.homography)

    def to_picture(self, points_mm: Points) -> Points:
        """(N, 2) mm to px."""
        back = np.asarray(np.linalg.inv(self.homography), dtype=np.float64)
        return distort(_mapped(np.asarray(points_mm, dtype=np.float64), back), self.camera)


@dataclass(frozen=True, eq=False)
class Texture:
    """A piece's cloth seen straight from above.

    Attributes
    ----------
    grey : (H, W) float32 array
        Rows run against the mat's y axis, as in a picture.
    inside : (H, W) bool array
        Where it is cloth.
    mm_per_px : float
    """

    grey: NDArray[np.float32]
    inside: NDArray[np.bool_]
    mm_per_px: float


def picture_map(measurement: dict[str, Any]) -> PictureMap:
    """The map of a measurement's JSON object.

    Raises
    ------
    PieceUnreadable
        If the file does not tell where its outlines lie in the photo.
    """
    try:
        lens = measurement["rectification"]["camera"]
        x, y = lens["principal_point_px"]
        radial = tuple(float(term) for term in lens["radial"])
        camera = Camera(float(lens["focal_px"]), (float(x), float(y)), radial)
        pixels = np.concatenate([np.asarray(piece["outline_px"], dtype=np.float64) for piece in measurement["pieces"]])
        places = np.concatenate([np.asarray(piece["outline_mm"], dtype=np.float64) for piece in measurement["pieces"]])
        flat = undistort(pixels, camera)
        homography = np.asarray(cv2.findHomography(flat, places, 0)[0], dtype=np.float64)
    except (KeyError, TypeError, ValueError, cv2.error) as error:
        raise PieceUnreadable(
            "The measurement does not say where its pieces lie in the photo: measure the photo again."
        ) from error
    off = np.linalg.norm(_mapped(flat, homography) - places, axis=1)
    return PictureMap(camera, homography, float(np.sqrt(np.mean(off**2))))


def piece_texture(rgb: NDArray[np.uint8], panel: Panel, view: PictureMap) -> Texture:
    """A piece's cloth seen straight from above, as fine as the photo shows it.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 array
        The upright photo that was measured.
    panel : Panel
    view : PictureMap
    """
    low, high = panel.outline_mm.min(axis=0), panel.outline_mm.max(axis=0)
    middle = view.to_picture((low + high)[None] / 2.0)
    beside = view.to_mat(np.vstack([middle, middle + np.array([1.0, 0.0])]))
    step = float(np.hypot(*(beside[1] - beside[0])))
    columns, rows = np.arange(low[0], high[0], step), np.arange(high[1], low[1], -step)
    grid = np.stack(np.meshgrid(columns, rows), axis=-1)
    at = view.to_picture(grid.reshape(-1, 2)).reshape(grid.shape).astype(np.float32)
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    inside = np.zeros(grid.shape[:2], np.uint8)
    for ring, value in [(panel.outline_mm, 1), *[(hole, 0) for hole in panel.holes_mm]]:
        cells = np.column_stack([ring[:, 0] - low[0], high[1] - ring[:, 1]]) / step
        cv2.fillPoly(inside, [np.round(cells).astype(np.int32)], value)
    seen = cv2.remap(grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR).astype(np.float32)
    return Texture(seen, inside.astype(bool), step)


def _mapped(points: Points, homography: Points) -> Points:
    mapped = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return np.asarray(mapped[:, :2] / mapped[:, 2:])
