"""References as figures: what is known of them, and where the picture shows their black-and-white lines.

Unit figure: u to the right, v down, 0 to 1 over the full size. Corners run clockwise as seen in the picture from the
figure's own (0, 0).
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.photos.camera import Points

UNIT_CORNERS: Points = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])

CARRIED_ON = 0.8  # how far beyond a corner a side is followed, in sides
CODE_CELLS = 6  # 4 x 4 bits inside a black border of one cell
CODE_FAMILY = cv2.aruco.DICT_4X4_50
QUIET_ZONE = 1.0 / CODE_CELLS  # white margin of a coded card, in sides
MARK_REACH = 0.06  # extent of a corner mark to either side of its middle, in sides

U_LOG_SIZE = 0.002  # a print or cut square is true to about 0.2 %
U_LOG_PITCH = 0.003  # and the spacing of a mat's printed lines to about 0.3 %


@dataclass(frozen=True, eq=False)
class Square:
    """A square of known side given by hand.

    Attributes
    ----------
    corners_px : (4, 2) array
        In order round the square, in either direction.
    side_mm : float
    """

    corners_px: Points
    side_mm: float


@dataclass(frozen=True, eq=False)
class Rectangle:
    """A rectangle of known sides given by hand.

    Attributes
    ----------
    corners_px : (4, 2) array
        In order round the rectangle, in either direction; from the first to the second is the width.
    width_mm, height_mm : float
    """

    corners_px: Points
    width_mm: float
    height_mm: float


@dataclass(frozen=True, eq=False)
class Step:
    """One straight line between black and white of a figure, with where the picture shows it.

    Attributes
    ----------
    start, end : tuple of float
        Ends of the line in the unit figure; the dark side is on the right hand of the way from start to end.
    fractions : (N,) array
        Position of each observation between start and end.
    points_px : (N, 2) array
        Observed positions of the step.
    normals_px : (N, 2) array
        Unit normals in the picture, pointing to the dark side.
    u_px : (N,) array
        Standard uncertainty of each position along its normal.
    """

    start: tuple[float, float]
    end: tuple[float, float]
    fractions: Points
    points_px: Points
    normals_px: Points
    u_px: Points


@dataclass(frozen=True, eq=False)
class Saddles:
    """Crossings of a checker pattern: points of a figure that blur, exposure and tone do not move.

    Attributes
    ----------
    uv : (N, 2) array
        In the unit figure.
    points_px : (N, 2) array
        Where the picture shows them.
    u_px : (N,) array
        Standard uncertainty in each direction.
    """

    uv: Points
    points_px: Points
    u_px: Points


@dataclass(frozen=True, eq=False)
class Reference:
    """A figure of known size found in the picture.

    Attributes
    ----------
    kind : str
        ``"coded"``, ``"plain-dark"``, ``"plain-light"``, ``"rectangle"`` or ``"given"``.
    code : int or None
        Which of the 50 codes; coded squares only.
    size_mm : tuple of float
        Width and height.
    corners_px : (4, 2) array
        Corners (0, 0), (1, 0), (1, 1), (0, 1) of the unit figure: crossings of the fitted border lines.
    steps : tuple of Step
        Empty when no step was seen at corners given by hand.
    corner_u_px : float or None
        When set, the corners themselves are observations with this standard uncertainty.
    blur_px : float
        Standard deviation of the steps' blur, median over the steps; NaN when unknown.
    saddles : Saddles or None
        Checker crossings, where the figure has them and the picture shows them.
    u_log_size : float
        Relative standard uncertainty of the size, common to all references of a photo: one print, one error.
    contrast : float
        Height of its steps, linear luminance; NaN when unknown.
    """

    kind: str
    code: int | None
    size_mm: tuple[float, float]
    corners_px: Points
    steps: tuple[Step, ...]
    corner_u_px: float | None
    blur_px: float
    saddles: Saddles | None = None
    u_log_size: float = U_LOG_SIZE
    contrast: float = float("nan")


@dataclass(frozen=True)
class Boundary:
    """A straight line of a figure where dark meets light, before it is looked for.

    Attributes
    ----------
    start, end : tuple of float
        In the unit figure; the dark side is on the right hand of the way from start to end.
    reach : float
        How far, in units of the figure, a profile may run to either side before it can meet the next boundary.
    """

    start: tuple[float, float]
    end: tuple[float, float]
    reach: float


def border(*, dark_inside: bool, reach: float) -> tuple[Boundary, ...]:
    """The four sides of a figure: top, right, bottom, left."""
    corners = [(float(u), float(v)) for u, v in UNIT_CORNERS]
    sides = [(corners[i], corners[(i + 1) % 4]) for i in range(4)]
    return tuple(Boundary(a, b, reach) if dark_inside else Boundary(b, a, reach) for a, b in sides)


def crossing_boundaries(*, dark_inside: bool, reach: float) -> tuple[Boundary, ...]:
    """The sides carried on beyond the corners of a checkerboard square: two at each corner, dark and light exchanged.

    Where both are seen they tell the apparent growth of dark areas, which moves them and the sides in opposite ways.
    """
    lines = []
    for corner, back, ahead in zip(
        UNIT_CORNERS, np.roll(UNIT_CORNERS, 1, 0), np.roll(UNIT_CORNERS, -1, 0), strict=True
    ):
        at = (float(corner[0]), float(corner[1]))
        for neighbour, leaving in ((back, True), (ahead, False)):
            u, v = corner + CARRIED_ON * (corner - neighbour)
            ends = (at, (float(u), float(v)))
            lines.append(Boundary(*(ends if leaving != dark_inside else ends[::-1]), reach))
    return tuple(lines)


def code_cells(code: int) -> NDArray[np.bool_]:
    """(6, 6) cells of a coded square, rows from the top, True where white."""
    family = cv2.aruco.getPredefinedDictionary(CODE_FAMILY)
    return np.asarray(family.generateImageMarker(code, CODE_CELLS, borderBits=1)) > 127


def corner_marks() -> tuple[Points, Points]:
    """The 2 x 2 checkers in the corners of a coded card's white margin.

    They stand where neither the sides' profiles nor the code's cells lie, farther apart than the square's own corners,
    and show the square a white quadrant, so that no detector joins them to it.

    Returns
    -------
    (4, 2) array
        Their middles in the unit figure: checker crossings.
    (8, 2, 2) array
        Their dark cells: opposite corners of each.
    """
    middles = UNIT_CORNERS + QUIET_ZONE / 2.0 * (2.0 * UNIT_CORNERS - 1.0)
    inward = MARK_REACH * np.sign(0.5 - middles)
    cells = [(at, at + way * turn) for at, way in zip(middles, inward, strict=True) for turn in ([1, -1], [-1, 1])]
    return middles, np.array(cells)


def crossings(code: int) -> tuple[Points, Points]:
    """Where a coded card has checker crossings: in its corner marks, and where white cells of the code meet diagonally.

    Returns
    -------
    (N, 2) array
        In the unit figure. Few codes have more than two of their own.
    (N,) array
        How far the lines of each extend, in sides.
    """
    light = code_cells(code)
    here, right, below, diagonal = light[:-1, :-1], light[:-1, 1:], light[1:, :-1], light[1:, 1:]
    row, column = np.nonzero((here == diagonal) & (right == below) & (here != right))
    own = np.column_stack([column + 1, row + 1]) / CODE_CELLS
    return np.vstack([corner_marks()[0], own]), np.repeat([MARK_REACH, 1.0 / CODE_CELLS], [4, len(own)])


def code_boundaries(code: int) -> tuple[Boundary, ...]:
    """Lines between black and white cells inside a coded square, collinear neighbours of one polarity joined.

    Parameters
    ----------
    code : int
        0 to 49 of the open ArUco family with 4 x 4 bits.
    """
    light = code_cells(code)
    level = [(start, end, at) for at in range(1, CODE_CELLS) for start, end in _runs(light[at - 1], light[at])]
    # Transposed, rows become columns and right hand becomes left hand: hence the exchanged arguments.
    upright = [(start, end, at) for at in range(1, CODE_CELLS) for start, end in _runs(light[:, at], light[:, at - 1])]
    cell = 1.0 / CODE_CELLS
    return tuple(
        [Boundary((a * cell, at * cell), (b * cell, at * cell), cell) for a, b, at in level]
        + [Boundary((at * cell, a * cell), (at * cell, b * cell), cell) for a, b, at in upright]
    )


def _runs(before: NDArray[np.bool_], after: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Runs (start, end) of cells that differ between two rows; walking from start to end has the dark row at right."""
    change = np.concatenate([[0], before.astype(int) - after.astype(int), [0]])  # +1: light before, dark after
    runs = []
    for polarity in (1, -1):
        flank = np.diff((change == polarity).astype(int))
        for a, b in zip(np.flatnonzero(flank == 1), np.flatnonzero(flank == -1), strict=True):
            runs.append((int(a), int(b)) if polarity == 1 else (int(b), int(a)))
    return runs
