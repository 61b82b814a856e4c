"""Where a mat's printed grid, once it is read, has its lines."""

from dataclasses import dataclass

import cv2
import numpy as np

from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Photo
from flatmeasure.view.rectification import Rectification

BACK_PX = 2.0  # lines are looked for from here inward of a point
STEP_PX = 5.0
ALIKE = 0.8  # cosine of the slant at which a line still runs along an outline


@dataclass(frozen=True, eq=False)
class GridLines:
    """The lines of a mat's grid.

    Attributes
    ----------
    view : Rectification
    to_pitches : (3, 2) array
        Takes (x, y, 1) on the mat, mm, to coordinates on the grid, which are whole numbers on its lines.
    """

    view: Rectification
    to_pitches: Points

    def ahead_px(self, points_px: Points, normals_px: Points) -> Points:
        """How far ahead of points the lines are that run across their normals.

        Parameters
        ----------
        points_px, normals_px : (N, 2) arrays

        Returns
        -------
        (N, 4) array
            The next two of each family of parallel lines; infinite where these do not run across.
        """
        here = self._pitches(points_px)
        per_px = (self._pitches(points_px + STEP_PX * normals_px) - here) / STEP_PX
        across = np.abs(per_px) > ALIKE * np.linalg.norm(per_px, axis=1, keepdims=True)
        start = here - BACK_PX * per_px
        sense = np.sign(per_px)
        first = np.ceil(start * sense) * sense
        lines = np.stack([first, first + sense], axis=2)
        nowhere = np.full(lines.shape, np.inf)
        ahead = np.divide(lines - here[:, :, None], per_px[:, :, None], out=nowhere, where=across[:, :, None])
        return np.asarray(ahead).reshape(len(here), 4)

    def _pitches(self, points_px: Points) -> Points:
        mm = self.view.to_mat(points_px)
        return np.asarray(mm @ self.to_pitches[:2] + self.to_pitches[2])


def grid_lines(photo: Photo, view: Rectification) -> GridLines | None:
    """The lines of the grid that a view was solved with; None when it was solved without one.

    The grid's phase tells where its waves are highest: on the lines, if these are brighter than the mat, or half-way
    between, if they are darker. Which of the two shows in the picture: half-way between crossings along a line it looks
    as at the crossings, not as in the middle of the fields.
    """
    saddles = view.grid
    if saddles is None:
        return None
    mm = view.to_mat(saddles.points_px)
    to_pitches = np.linalg.lstsq(np.column_stack([mm, np.ones(len(mm))]), saddles.uv, rcond=None)[0]
    nodes = np.round(saddles.uv)

    def light(*shift: float) -> Points:
        at_mm = np.linalg.solve(to_pitches[:2].T, (nodes + shift - to_pitches[2]).T).T
        x, y = view.to_picture(at_mm).astype(np.float32).T
        return np.asarray(cv2.remap(photo.rgb, x, y, cv2.INTER_LINEAR).mean(axis=(1, 2)))

    half_way = 0.5 * (light(0.5, 0.0) + light(0.0, 0.5))
    at_nodes, between = (abs(np.median(seen - half_way)) for seen in (light(0.0, 0.0), light(0.5, 0.5)))
    shift = 0.0 if at_nodes < between else 0.5
    return GridLines(view, to_pitches - np.array([[0.0], [0.0], [shift]]))
