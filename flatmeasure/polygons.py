"""The area that a closed line goes around, and by its sign the way in which it does."""

import numpy as np
from numpy.typing import NDArray


def polygon_area(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Signed area of closed polygons (..., N, 2), counter-clockwise positive with y up (the surveyor's formula)."""
    x, y = points[..., 0] - points[..., :1, 0], points[..., 1] - points[..., :1, 1]
    return np.asarray(0.5 * np.sum(x * np.roll(y, -1, axis=-1) - np.roll(x, -1, axis=-1) * y, axis=-1))
