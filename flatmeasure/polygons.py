"""Vectors in the plane: their cross product, and the area that a closed line goes around."""

import numpy as np
from numpy.typing import NDArray


def cross(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Cross product (...) of vectors (..., 2): positive where b lies to the left of a, with y up."""
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def polygon_area(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Signed area of closed polygons (..., N, 2), counter-clockwise positive with y up (the surveyor's formula)."""
    x, y = points[..., 0] - points[..., :1, 0], points[..., 1] - points[..., :1, 1]
    return np.asarray(0.5 * np.sum(x * np.roll(y, -1, axis=-1) - np.roll(x, -1, axis=-1) * y, axis=-1))
