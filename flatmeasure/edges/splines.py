"""Spline bases on evenly spaced knots: polynomials of one degree joined smoothly, as a matrix of values.

C. de Boor, "A Practical Guide to Splines", 1978, chapter IX; for even knots the cubic's four values are fixed
polynomials of the place between two knots. Beyond its ends a spline goes on as its outermost polynomial.
"""

from dataclasses import dataclass

import numpy as np

from flatmeasure.photos.camera import Points

# Rows: the degree + 1 basis functions over one piece; columns: coefficients of 1, f, f^2, ... with f from 0 to 1.
_LINE = np.array([[1.0, -1.0], [0.0, 1.0]])
_CUBIC = np.array([[1.0, -3.0, 3.0, -1.0], [4.0, 0.0, -6.0, 3.0], [1.0, 3.0, 3.0, -3.0], [0.0, 0.0, 0.0, 1.0]]) / 6.0
# By degree and derivative, transposed.
PIECES = {
    (degree, order): np.ascontiguousarray(np.polynomial.polynomial.polyder(piece, order, axis=1).T)
    for degree, piece in ((1, _LINE), (3, _CUBIC))
    for order in range(degree + 1)
}


@dataclass(frozen=True)
class Basis:
    """Basis functions of a spline.

    Attributes
    ----------
    start : float
        Parameter of the first knot.
    spacing : float
        Between knots.
    pieces : int
    degree : int
        1 or 3.
    closed : bool
        Whether the last piece is followed by the first; then there are at least 4.
    """

    start: float
    spacing: float
    pieces: int
    degree: int = 3
    closed: bool = False

    @property
    def count(self) -> int:
        """Number of basis functions."""
        return self.pieces if self.closed else self.pieces + self.degree

    @property
    def span(self) -> float:
        return self.pieces * self.spacing

    @property
    def knots(self) -> Points:
        return np.asarray(self.start + self.spacing * np.arange(self.pieces + 1), dtype=np.float64)

    def rows(self, t: Points, derivative: int = 0) -> Points:
        """(N, count) values, or derivatives, of the basis functions at parameters (N,)."""
        place = (t - self.start) / self.spacing
        piece = np.floor(place).astype(np.intp)
        if not self.closed:
            piece = np.minimum(np.maximum(piece, 0), self.pieces - 1)
        pieces = PIECES[self.degree, derivative]
        powers = np.ones((len(t), len(pieces)))
        for power in range(1, len(pieces)):
            powers[:, power] = powers[:, power - 1] * (place - piece)
        out = np.zeros((len(t), self.count))
        columns = (piece[:, None] + np.arange(self.degree + 1)) % self.count
        out[np.arange(len(t))[:, None], columns] = powers @ pieces / self.spacing**derivative
        return out

    def point_and_speed(self, coefficients: Points, t: float) -> tuple[Points, Points]:
        """(2,) point and (2,) first derivative at one parameter of the curve with some coefficients (count, 2)."""
        place = (t - self.start) / self.spacing
        piece = int(np.floor(place))
        if not self.closed:
            piece = min(max(piece, 0), self.pieces - 1)
        near = coefficients[[(piece + k) % self.count for k in range(self.degree + 1)]]
        powers = np.array([(place - piece) ** k for k in range(self.degree + 1)])
        point = powers @ PIECES[self.degree, 0] @ near
        return point, powers[:-1] @ PIECES[self.degree, 1] @ near / self.spacing
