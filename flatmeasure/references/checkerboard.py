"""Plain checkerboards: all inner crossings of one, as a figure of known size."""

import cv2
import numpy as np

from flatmeasure.errors import ReferenceNotFound
from flatmeasure.photos.photo import Photo
from flatmeasure.references.candidates import grey_of, reduce
from flatmeasure.references.figures import Reference, Saddles
from flatmeasure.references.saddles import refine_crossings
from flatmeasure.references.steps import patch_of

LOOK_PX = 1200  # boards are looked for on a picture about this long
REACH = 0.45  # of a square, to either side of a crossing
LEAST_CONTRAST = 0.02  # linear light


def find_board(photo: Photo, crossings: tuple[int, int], square_mm: float) -> Reference:
    """The inner crossings of a plain checkerboard.

    Parameters
    ----------
    photo : Photo
    crossings : (int, int)
        Number of inner crossings in a row and in a column: 9 x 6 for a board of 10 x 7 squares.
    square_mm : float
        Side of one square.

    Raises
    ------
    ReferenceNotFound
        No whole board of that kind is seen.

    Notes
    -----
    Found by A. Duda and U. Frese, "Accurate detection and localization of checkerboard corners for calibration", 2018
    (``cv2.findChessboardCornersSB``), then located as the other crossings are, in linear light at full size.
    """
    columns, rows = crossings
    reduced = reduce(grey_of(photo), max(1, round(max(photo.width_px, photo.height_px) / LOOK_PX)))
    for effort in (0, cv2.CALIB_CB_EXHAUSTIVE):
        flags = cv2.CALIB_CB_NORMALIZE_IMAGE | effort
        seen, corners = cv2.findChessboardCornersSB(reduced.grey, (columns, rows), flags=flags)
        if seen:
            break
    else:
        raise ReferenceNotFound(f"No whole checkerboard of {columns} x {rows} inner crossings is seen in {photo.name}.")
    grid = reduced.to_photo(np.asarray(corners, dtype=np.float64).reshape(rows, columns, 2))
    right, down = grid[0, -1] - grid[0, 0], grid[-1, 0] - grid[0, 0]
    if right[0] * down[1] < right[1] * down[0]:
        grid = grid[:, ::-1]  # the detector may begin at a corner from which rows run the other way
    ways = REACH * np.stack([np.gradient(grid, axis=1), np.gradient(grid, axis=0)], axis=2)
    outer = grid[[0, 0, -1, -1], [0, -1, -1, 0]]
    at, u_px, good = refine_crossings(
        patch_of(photo, outer), grid.reshape(-1, 2), ways.reshape(-1, 2, 2), LEAST_CONTRAST
    )
    v, u = np.mgrid[:rows, :columns]
    uv = np.column_stack([u.ravel() / (columns - 1), v.ravel() / (rows - 1)])
    size_mm = ((columns - 1) * square_mm, (rows - 1) * square_mm)
    return Reference("board", None, size_mm, outer, (), None, float("nan"), Saddles(uv[good], at[good], u_px[good]))
