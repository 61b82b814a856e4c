"""Things that lie about and are no cloth: rulers, cards, paper, scissors, a hand.

On a mat everything that is not mat may be cloth. What the network is sure is none, and is small beside the cloth, is
doubtful; it is taken off when it also has the make of a thing: a disc, spindly, or reaching over the edge of the mat.
A rectangle stays, for pockets and waistbands are rectangles.
"""

import cv2
import numpy as np

from flatmeasure.ground import Mask, Scalar
from flatmeasure.photo import Pixels

_SURE_NONE = -2.5  # mean log-odds of the network
_SMALL_BESIDE = 0.35  # of the largest piece's area
_DISC, _SPINDLY = 0.85, 0.55  # shares of the enclosing circle and of the hull


def doubtful_pieces(cloth: Mask, learned: Scalar) -> Mask:
    """The pieces that the network takes for no cloth and that are small beside another."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(cloth.astype(np.uint8), connectivity=4)
    if count < 3:
        return np.zeros_like(cloth)
    area = stats[1:, cv2.CC_STAT_AREA].astype(np.float64)
    mean = np.bincount(labels.ravel(), learned.ravel(), count)[1:] / area
    doubtful = (mean < _SURE_NONE) & (area < _SMALL_BESIDE * area.max())
    return np.asarray(np.concatenate([[False], doubtful])[labels], dtype=bool)


def without_things(cloth: Mask, learned: Scalar, allowed: Mask) -> Mask:
    """A mask of cloth without the doubtful pieces that look like things."""
    doubtful = doubtful_pieces(cloth, learned).astype(np.uint8)
    beyond = cv2.dilate((~np.pad(allowed, 1)).astype(np.uint8), np.ones((5, 5), np.uint8))[1:-1, 1:-1]
    kept = cloth.copy()
    count, labels = cv2.connectedComponents(doubtful, connectivity=4)
    for k in range(1, count):
        piece = labels == k
        if _is_thing(piece.astype(np.uint8)) or (piece & (beyond > 0)).any():
            kept &= ~piece
    return kept


def _is_thing(piece: Pixels) -> bool:
    outline = max(cv2.findContours(piece, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=len)
    area = float(piece.sum())
    radius = cv2.minEnclosingCircle(outline)[1] + 0.5
    hull = cv2.contourArea(cv2.convexHull(outline))
    return area > _DISC * np.pi * radius**2 or area < _SPINDLY * hull
