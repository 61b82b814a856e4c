"""Spread uncertain evidence over a picture without crossing its edges.

Weighted least squares: find the x that stays near the evidence where that is sure and is smooth where the picture is,

    sum_p c_p (x_p - e_p)^2 + lambda sum_pq w_pq (x_p - x_q)^2,

the relaxed form of a graph cut (a random walker with priors: L. Grady, "Multilabel random walker image segmentation
using prior models", 2005). It is solved along rows and columns in turn, each exactly by elimination in a three-diagonal
system (D. Min et al., "Fast global image smoothing based on weighted least squares", 2014), once for c e, once for c.
The systems depend on the picture alone, so they are eliminated once and serve all evidence.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import spttrf, spttrs

from flatmeasure.cloth.ground import Scalar, over_channels

_ROUNDS = 3
_LEAST_LINK = 1e-4  # nothing is cut off for good


@dataclass(frozen=True, eq=False)
class _Chains:
    """I + L eliminated, L the Laplacian of the lines of a picture, which lie end to end in one chain.

    Attributes
    ----------
    pivots, carried : float32 array
        LAPACK's factors: D, and what lies beside the diagonal of L.
    """

    pivots: Scalar
    carried: Scalar

    def solve(self, b: Scalar) -> Scalar:
        """X of (I + L) x = b, for b (2, lines, places)."""
        x, _ = spttrs(self.pivots, self.carried, b.reshape(2, -1).T)
        return np.asarray(x.T.reshape(b.shape))


@dataclass(frozen=True, eq=False)
class Smoother:
    """Chains across the columns and down the rows of a picture, for each round."""

    rounds: tuple[tuple[_Chains, _Chains], ...]

    def spread(self, evidence: Scalar, certainty: Scalar) -> Scalar:
        """Smooth evidence, weighted by its certainty (both (H, W)), within the picture's edges."""
        both = np.stack([certainty * evidence, certainty])
        for across, down in self.rounds:
            both = _turned(down.solve(_turned(across.solve(both))))
        return np.asarray(both[0] / np.maximum(both[1], 1e-6), dtype=np.float32)


def smoother(features: NDArray[np.float32], softness: float, strength: float) -> Smoother:
    """For a picture (H, W, C).

    Neighbours belong together by exp(-|difference| / softness), differences summed over the channels; ``strength`` is
    the lambda of all rounds together.
    """
    across, down = (cv2.exp(-steps_along(features, axis) / softness) + _LEAST_LINK for axis in (1, 0))
    down = down.T
    shares = [strength * 1.5 * 4.0 ** (_ROUNDS - 1 - k) / (4.0**_ROUNDS - 1.0) for k in range(_ROUNDS)]  # equation 16
    return Smoother(tuple((_eliminated(across * share), _eliminated(down * share)) for share in shares))


def steps_along(features: NDArray[np.float32], axis: int) -> Scalar:
    """Difference of each pixel of (H, W, C) from the one before, summed over the channels."""
    return over_channels(np.abs(np.diff(features, axis=axis)))


def _eliminated(link: Scalar) -> _Chains:
    """Of links (lines, places - 1) between neighbours."""
    beside = np.pad(link, ((0, 0), (0, 1)))  # nothing links the end of one line to the start of the next
    diagonal = 1.0 + beside
    diagonal[:, 1:] += link
    pivots, carried, _ = spttrf(diagonal.ravel(), -beside.ravel()[:-1])
    return _Chains(pivots, carried)


def _turned(both: Scalar) -> Scalar:
    return np.ascontiguousarray(both.transpose(0, 2, 1))
