"""The largest rectangle a piece gives along the grain, across it or on the bias, beside holes and flaws.

In axes turned to the rectangle, a band y0..y1 has free stretches of x where nothing from outside reaches into it; the
longest one makes the best rectangle of that band, exactly. A coarse raster finds where to look (largest rectangle under
a histogram, row by row), then the two sides of the band are searched until they move by less than `FINEST_MM`.
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from itertools import product

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely import affinity, unary_union
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry

from flatmeasure.photos.camera import Points
from flatmeasure.pieces.panel import Panel
from flatmeasure.pieces.panel_parts import stretch
from flatmeasure.quantity import Quantity, root_sum_squares

CELLS = 200  # of the raster, along its longer side
STARTS = 4  # raster rectangles that are refined
FINEST_MM = 0.01
MOVES = [move for move in product((0.0, 1.0, -1.0, 0.5, -0.5), repeat=2) if any(move)]  # of a band's two sides
SIMPLER_MM = 0.02  # outlines are thinned by this before the search, inward and outward alike


class Direction(StrEnum):
    """How a length runs on the cloth."""

    ALONG = "along"  # lengthwise grain
    ACROSS = "across"
    BIAS = "bias"  # true bias: 45 degrees between the two


@dataclass(frozen=True, eq=False)
class CutRectangle:
    """A rectangle that can be cut from a piece.

    Attributes
    ----------
    direction : Direction
        How its length runs.
    length, width : Quantity
    area : Quantity
    corners_mm : (4, 2) array
        Counter-clockwise in the mat frame, the first side along the length.
    """

    direction: Direction
    length: Quantity
    width: Quantity
    area: Quantity
    corners_mm: Points


def usable(panel: Panel) -> BaseGeometry:
    """The cloth without holes and flaw zones."""
    return panel.polygon.difference(unary_union([Polygon(flaw) for flaw in panel.flaws_mm]))


def angles_deg(panel: Panel, direction: Direction) -> tuple[float, ...]:
    """Angles in the mat frame in which a direction runs: one, or two on the bias.

    Raises
    ------
    ValueError
        If the panel's grain is not known.
    """
    if panel.grain is None:
        raise ValueError(f"the grain of piece {panel.id} is not known")
    along = panel.grain.angle_deg
    turns = {Direction.ALONG: (0.0,), Direction.ACROSS: (90.0,), Direction.BIAS: (45.0, -45.0)}
    return tuple(along + turn for turn in turns[direction])


def largest_rectangle(panel: Panel, direction: Direction, ratio: float | None = None) -> CutRectangle | None:
    """The largest rectangle with its length in a direction.

    Parameters
    ----------
    panel : Panel
        Its grain must be known.
    direction : Direction
    ratio : float, optional
        Length over width, for a rectangle of a given shape. When None the length is at least the width.

    Returns
    -------
    CutRectangle or None
        None when there is no usable cloth. Every side lies where the outline (or a flaw) stops it, so
        u(length)^2 = (length scale)^2 + (2 shift)^2 + 2 point^2, the width likewise, and
        u(area)^2 = (2 A scale)^2 + (2 (length + width) shift)^2 + 2 point^2 (length^2 + width^2).

    Raises
    ------
    ValueError
        If the panel's grain is not known.
    """
    cloth = usable(panel).simplify(SIMPLER_MM)
    found = [
        (_search(affinity.rotate(cloth, -angle, origin=(0, 0)), ratio), angle) for angle in angles_deg(panel, direction)
    ]
    (x0, y0, x1, y1), angle = max(found, key=lambda one: _area(one[0]))
    if _area((x0, y0, x1, y1)) <= 0.0:
        return None
    length, width = x1 - x0, y1 - y0
    error = panel.error
    shared = root_sum_squares(2.0 * length * width * error.scale, 2.0 * (length + width) * error.shift_mm)
    own = np.sqrt(2.0) * error.point_mm * np.hypot(length, width)
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]) @ np.array([[c, s], [-s, c]])
    return CutRectangle(
        direction=direction,
        length=stretch(panel, length),
        width=stretch(panel, width),
        area=Quantity(length * width, root_sum_squares(shared, float(own)), "mm2"),
        corners_mm=corners,
    )


def free_stretches(cloth: BaseGeometry, low: float, high: float) -> Points:
    """(K, 2) stretches of x where the band low <= y <= high is all cloth."""
    left, _, right, _ = cloth.bounds
    outside = box(left - 1.0, low, right + 1.0, high).difference(cloth)
    bounds = np.array([part.bounds for part in getattr(outside, "geoms", [outside])])
    bounds = bounds[np.argsort(bounds[:, 0])]
    reached = np.maximum.accumulate(bounds[:, 2])
    free = np.column_stack([reached[:-1], bounds[1:, 0]])
    return free[free[:, 1] > free[:, 0]]


_Sides = tuple[float, float, float, float]


def _area(sides: _Sides) -> float:
    return max(sides[2] - sides[0], 0.0) * max(sides[3] - sides[1], 0.0)


def _search(cloth: BaseGeometry, ratio: float | None) -> _Sides:
    """The best rectangle x0, y0, x1, y1 with its length along x."""
    best: _Sides = (0.0, 0.0, 0.0, 0.0)
    if cloth.is_empty:
        return best
    fit = _fit_free if ratio is None else _fit_ratio(ratio)
    bands, step = _coarse_bands(cloth, ratio)
    for low, high in bands:
        found = _refine(lambda band: fit(cloth, band), (low, high), step)
        best = max(best, found, key=_area)
    return best


def _longest_stretch(cloth: BaseGeometry, band: tuple[float, float]) -> tuple[float, float]:
    """Ends of the longest stretch of cloth free over the whole band; both 0 where there is none."""
    low, high = band
    free = free_stretches(cloth, low, high) if high > low else np.zeros((0, 2))
    if not len(free):
        return 0.0, 0.0
    x0, x1 = free[np.argmax(free[:, 1] - free[:, 0])]
    return float(x0), float(x1)


def _fit_free(cloth: BaseGeometry, band: tuple[float, float]) -> _Sides:
    """The largest rectangle in a band whose length is at least its width."""
    low, high = band
    x0, x1 = _longest_stretch(cloth, band)
    return (x0, low, x1, min(high, low + x1 - x0))


def _fit_ratio(ratio: float) -> Callable[[BaseGeometry, tuple[float, float]], _Sides]:
    """The largest rectangle of a given shape in the middle of a band's longest free stretch."""

    def fit(cloth: BaseGeometry, band: tuple[float, float]) -> _Sides:
        low, high = band
        x0, x1 = _longest_stretch(cloth, band)
        width = max(0.0, min(high - low, (x1 - x0) / ratio))
        middle = (x0 + x1) / 2.0
        return (middle - ratio * width / 2.0, low, middle + ratio * width / 2.0, low + width)

    return fit


def _refine(fit: Callable[[tuple[float, float]], _Sides], band: tuple[float, float], step: float) -> _Sides:
    """Pattern search over a band's two sides (R. Hooke and T. A. Jeeves, 1961)."""
    best, moves = fit(band), list(MOVES)
    while step > FINEST_MM:
        for move in moves:
            trial = (band[0] + step * move[0], band[1] + step * move[1])
            sides = fit(trial)
            if _area(sides) > _area(best) * (1.0 + 1e-9):
                band, best = trial, sides
                moves.remove(move)
                moves.insert(0, move)  # what helped once is tried first
                break
        else:
            step /= 2.0
    return best


def _coarse_bands(cloth: BaseGeometry, ratio: float | None) -> tuple[list[tuple[float, float]], float]:
    """Bands y0, y1 of the best rectangles on a raster, no two nearly the same; and the raster's step."""
    left, bottom, right, top = cloth.bounds
    step = max(right - left, top - bottom) / CELLS
    found = sorted(_raster_rectangles(_raster(cloth, step), ratio), reverse=True)
    bands: list[tuple[float, float]] = []
    for _, first, last in found:
        band = (bottom + first * step, bottom + last * step)
        if all(abs(band[0] - b[0]) + abs(band[1] - b[1]) > 8.0 * step for b in bands):
            bands.append(band)
        if len(bands) == STARTS:
            break
    return bands, step


def _raster(cloth: BaseGeometry, step: float) -> NDArray[np.bool_]:
    """Cells whose middle is cloth, rows along y."""
    left, bottom, right, top = cloth.bounds
    mask = np.zeros((int((top - bottom) / step) + 1, int((right - left) / step) + 1), np.uint8)
    for part in getattr(cloth, "geoms", [cloth]):
        for ring, value in [(part.exterior, 1), *[(hole, 0) for hole in part.interiors]]:
            cells = (np.asarray(ring.coords) - [left, bottom]) / step - 0.5
            cv2.fillPoly(mask, [np.round(cells * 16.0).astype(np.int32)], value, shift=4)
    return mask.astype(bool)


def _raster_rectangles(mask: NDArray[np.bool_], ratio: float | None) -> list[tuple[float, int, int]]:
    """Score, first row and row after the last of the best rectangle that ends in each row."""
    found = []
    heights = np.zeros(mask.shape[1] + 1, dtype=int)
    for row, cells in enumerate(mask):
        heights[:-1] = np.where(cells, heights[:-1] + 1, 0)
        best, stack = (0.0, row, row + 1), [-1]
        for x in range(len(heights)):
            while stack[-1] >= 0 and heights[stack[-1]] > heights[x]:
                tall = int(heights[stack.pop()])
                wide = x - stack[-1] - 1
                width = min(tall, wide) if ratio is None else min(tall, wide / ratio)
                score = float(width * (wide if ratio is None else ratio * width))
                best = max(best, (score, row + 1 - tall, row + 1))
            stack.append(x)
        if best[0] > 0.0:
            found.append(best)
    return found
