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

from flatmeasure.cloth.ground import Scalar

_ROUNDS = 3
_LEAST_LINK = 1e-4  # nothing is cut off for good


@dataclass(frozen=True, eq=False)
class _Chains:
    """I + L eliminated, L the Laplacian of chains that run down the rows of a picture (H, W); (H, 1, W) each.

    Attributes
    ----------
    pivot : float32 array
        Inverses of the pivots.
    carried, kept : float32 array
        What a row takes over from the one before it on the way down, and from the one after it on the way up.
    """

    pivot: Scalar
    carried: Scalar
    kept: Scalar

    def solve(self, b: Scalar) -> Scalar:
        """X of (I + L) x = b, for b (H, 2, W) (L. H. Thomas's algorithm)."""
        x = b * self.pivot
        step = np.empty_like(x[0])
        for row, before, carried in zip(x[1:], x, self.carried[1:], strict=False):
            row += np.multiply(before, carried, out=step)
        for row, after, kept in zip(x[-2::-1], x[::-1], self.kept[-2::-1], strict=False):
            row += np.multiply(after, kept, out=step)
        return x


@dataclass(frozen=True, eq=False)
class Smoother:
    """Chains across the columns and down the rows of a picture, for each round."""

    rounds: tuple[tuple[_Chains, _Chains], ...]

    def spread(self, evidence: Scalar, certainty: Scalar) -> Scalar:
        """Smooth evidence, weighted by its certainty (both (H, W)), within the picture's edges."""
        both = np.stack([certainty * evidence, certainty], axis=1)
        for across, down in self.rounds:
            both = down.solve(_turned(across.solve(_turned(both))))
        return np.asarray(both[:, 0] / np.maximum(both[:, 1], 1e-6), dtype=np.float32)


def smoother(features: NDArray[np.float32], softness: float, strength: float) -> Smoother:
    """For a picture (H, W, C).

    Neighbours belong together by exp(-|difference| / softness), differences summed over the channels; ``strength`` is
    the lambda of all rounds together.
    """
    down = _link(features, softness)
    across = _link(np.ascontiguousarray(features.transpose(1, 0, 2)), softness)
    shares = [strength * 1.5 * 4.0 ** (_ROUNDS - 1 - k) / (4.0**_ROUNDS - 1.0) for k in range(_ROUNDS)]  # equation 16
    return Smoother(tuple((_eliminated(across * share), _eliminated(down * share)) for share in shares))


def _link(features: NDArray[np.float32], softness: float) -> Scalar:
    step = np.abs(np.diff(features, axis=0)).sum(axis=2)
    return np.asarray(cv2.exp(-step / softness) + _LEAST_LINK, dtype=np.float32)


def _eliminated(link: Scalar) -> _Chains:
    """Of links (H - 1, W) between the rows."""
    ends = np.zeros((1, link.shape[1]), np.float32)
    above, below = np.concatenate([ends, link]), np.concatenate([link, ends])
    pivot, kept = np.empty_like(above), np.empty_like(above)
    before = ends[0]
    for i in range(len(above)):
        pivot[i] = 1.0 / (1.0 + above[i] * (1.0 - before) + below[i])
        before = kept[i] = below[i] * pivot[i]
    return _Chains(pivot[:, None], (above * pivot)[:, None], kept[:, None])


def _turned(both: Scalar) -> Scalar:
    return np.ascontiguousarray(both.transpose(2, 1, 0))
