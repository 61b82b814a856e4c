"""The camera of the traced scenes."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Camera:
    """Pinhole of focal length f px with radial distortion after Brown-Conrady; turn (3, 3) is world to camera."""

    width: int
    height: int
    f: float
    cx: float
    cy: float
    k1: float
    k2: float
    turn: Array
    centre: Array

    def see(self, points_mm: Array) -> Array:
        """Pixels (N, 2) of points (N, 3)."""
        v = (np.asarray(points_mm) - self.centre) @ self.turn.T
        n = v[:, :2] / v[:, 2:]
        r2 = (n**2).sum(axis=1, keepdims=True)
        return np.asarray(n * (1 + self.k1 * r2 + self.k2 * r2**2) * self.f + [self.cx, self.cy])


def raised(points_mm: Array, z: float | Array) -> Array:
    return np.column_stack([points_mm, np.broadcast_to(z, len(points_mm))])
