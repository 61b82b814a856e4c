"""Lines of points in the plane: how they turn, how far they bow, and the area that a closed one goes around."""

import numpy as np
from numpy.typing import NDArray

SHORTEST_CHORD = 1e-6  # of a line whose ends are not one point


def cross(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Cross product (...) of vectors (..., 2): positive where b lies to the left of a, with y up."""
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def polygon_area(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Signed area of closed polygons (..., N, 2), counter-clockwise positive with y up (the surveyor's formula)."""
    x, y = points[..., 0] - points[..., :1, 0], points[..., 1] - points[..., :1, 1]
    return np.asarray(0.5 * np.sum(x * np.roll(y, -1, axis=-1) - np.roll(x, -1, axis=-1) * y, axis=-1))


def sagitta(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Greatest distance (...) of lines (..., K, 2) from the chord between their ends; of closed ones from there."""
    chord = points[..., -1:, :] - points[..., :1, :]
    from_start = points - points[..., :1, :]
    length = np.linalg.norm(chord, axis=-1)
    away = np.linalg.norm(from_start, axis=-1)
    bow = np.abs(cross(chord, from_start)) / np.maximum(length, SHORTEST_CHORD)
    return np.asarray(np.max(np.where(length > SHORTEST_CHORD, bow, away), axis=-1))
