"""Spread uncertain evidence over a picture without crossing its edges.

Weighted least squares: find the x that stays near the evidence where that is sure and is smooth where the picture is,

    sum_p c_p (x_p - e_p)^2 + lambda sum_pq w_pq (x_p - x_q)^2,

the relaxed form of a graph cut (a random walker with priors: L. Grady, "Multilabel random walker image segmentation
using prior models", 2005). It is solved along rows and columns in turn, each exactly by elimination in a three-diagonal
system (D. Min et al., "Fast global image smoothing based on weighted least squares", 2014), once for c e, once for c.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.cloth.ground import Scalar

_ROUNDS = 3
_LEAST_LINK = 1e-4  # nothing is cut off for good


@dataclass(frozen=True, eq=False)
class Links:
    """How strongly neighbours belong together, 0 to 1.

    Attributes
    ----------
    across : (W - 1, H) float32 array
        Between columns; stored with the columns first, as the solver walks.
    down : (H - 1, W) float32 array
        Between rows.
    """

    across: Scalar
    down: Scalar


def link_neighbours(features: NDArray[np.float32], softness: float) -> Links:
    """Links of a picture (H, W, C): exp(-|difference| / softness), differences summed over the channels."""
    down = _link(features, softness)
    across = _link(np.ascontiguousarray(features.transpose(1, 0, 2)), softness)
    return Links(across, down)


def spread(evidence: Scalar, certainty: Scalar, links: Links, strength: float) -> Scalar:
    """Smooth evidence, weighted by its certainty (both (H, W)), along the links."""
    top, bottom = certainty * evidence, certainty
    for k in range(_ROUNDS):
        lam = strength * 1.5 * 4.0 ** (_ROUNDS - 1 - k) / (4.0**_ROUNDS - 1.0)  # Min et al., equation 16
        both = np.concatenate([top.T, bottom.T], axis=1)
        top, bottom = np.split(_solve_chains(both, np.tile(links.across * lam, 2)), 2, axis=1)
        both = np.concatenate([top.T, bottom.T], axis=1)
        top, bottom = np.split(_solve_chains(both, np.tile(links.down * lam, 2)), 2, axis=1)
    return np.asarray(top / np.maximum(bottom, 1e-6), dtype=np.float32)


def _link(features: NDArray[np.float32], softness: float) -> Scalar:
    step = np.abs(np.diff(features, axis=0)).sum(axis=2)
    return np.asarray(cv2.exp(-step / softness) + _LEAST_LINK, dtype=np.float32)


def _solve_chains(b: Scalar, link: Scalar) -> Scalar:
    """Solve (I + L) x = b for every column of b, L the Laplacian of a chain with these links (Thomas's algorithm)."""
    x, kept = np.empty_like(b), np.empty_like(link)
    x[0], kept[0] = b[0] / (1.0 + link[0]), link[0] / (1.0 + link[0])
    for i in range(1, len(link)):
        inverse = 1.0 / (1.0 + link[i - 1] * (1.0 - kept[i - 1]) + link[i])
        kept[i] = link[i] * inverse
        x[i] = (b[i] + link[i - 1] * x[i - 1]) * inverse
    x[-1] = (b[-1] + link[-1] * x[-2]) / (1.0 + link[-1] * (1.0 - kept[-1]))
    for i in range(len(link) - 1, -1, -1):
        x[i] += kept[i] * x[i + 1]
    return x
