"""Things that lie about and are no cloth: rulers, cards, paper, scissors, a hand.

On a mat everything that is not mat may be cloth. What the network is sure is none, and is small beside the cloth, is
doubtful; it is taken off when it also has the make of a thing: a disc, spindly, a card with something dark printed on
it, or reaching over the edge of the mat. Other rectangles stay, for pockets and waistbands are rectangles.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.cloth.ground import Mask, Scalar
from flatmeasure.photos.photo import Pixels

_SURE_NONE, _RATHER_NONE = -2.5, 0.0  # mean log-odds of the network
_SMALL_BESIDE = 0.35  # of the largest piece's area
_DISC, _SPINDLY, _RECTANGLE = 0.85, 0.55, 0.88  # of the enclosing circle, the hull, the enclosing rectangle
_PRINT_STEP = 90  # codes from a card's white margin to the dark inside


def doubtful_pieces(cloth: Mask, learned: Scalar) -> Mask:
    """The pieces that the network takes for no cloth and that are small beside another."""
    return _small_pieces(cloth, learned, _SURE_NONE)


def reaching_in(cloth: Mask, learned: Scalar) -> Mask:
    """The pieces that may be a hand or an arm: small beside another, rather no cloth, cut off by the picture's edge."""
    if not _rims(cloth).any():
        return np.zeros_like(cloth)
    small = _small_pieces(cloth, learned, _RATHER_NONE)
    labels = cv2.connectedComponents(small.astype(np.uint8), connectivity=4)[1]
    cut_off = np.unique(_rims(labels))
    return np.asarray(np.isin(labels, cut_off[cut_off > 0]), dtype=bool)


def _rims(values: NDArray[np.generic]) -> NDArray[np.generic]:
    """What lies along the picture's edge."""
    return np.concatenate([rim.ravel() for rim in (values[:2], values[-2:], values[:, :2], values[:, -2:])])


def _small_pieces(cloth: Mask, learned: Scalar, most_odds: float) -> Mask:
    count, labels = cv2.connectedComponents(cloth.astype(np.uint8), connectivity=4)
    if count < 3:
        return np.zeros_like(cloth)
    area = np.bincount(labels.ravel())[1:]
    mean = np.bincount(labels.ravel(), learned.ravel())[1:] / area
    doubtful = (mean < most_odds) & (area < _SMALL_BESIDE * area.max())
    return np.asarray(np.concatenate([[False], doubtful])[labels], dtype=bool)


def things_among(doubtful: Mask, allowed: Mask, picture: Pixels) -> Mask:
    """The doubtful pieces that look like things; ``allowed`` is where cloth may lie."""
    if not doubtful.any():
        return doubtful
    beyond = cv2.dilate((~np.pad(allowed, 1)).astype(np.uint8), np.ones((5, 5), np.uint8))[1:-1, 1:-1] > 0
    things = np.zeros_like(doubtful)
    count, labels = cv2.connectedComponents(doubtful.astype(np.uint8), connectivity=4)
    for k in range(1, count):
        piece = labels == k
        if (piece & beyond).any() or _is_thing(piece.astype(np.uint8), picture):
            things |= piece
    return things


def _is_thing(piece: Pixels, picture: Pixels) -> bool:
    outline = max(cv2.findContours(piece, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=len)
    area = float(piece.sum())
    radius = cv2.minEnclosingCircle(outline)[1] + 0.5
    width, height = (side + 1.0 for side in cv2.minAreaRect(outline)[1])
    if area > _DISC * np.pi * radius**2 or area < _SPINDLY * cv2.contourArea(cv2.convexHull(outline)):
        return True
    return area > _RECTANGLE * width * height and _is_printed_card(piece, picture, min(width, height))


def _is_printed_card(piece: Pixels, picture: Pixels, width: float) -> bool:
    """Light along its edge, with something dark inside."""
    depth = cv2.distanceTransform(np.pad(piece, 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
    grey = picture.mean(axis=2)
    margin = grey[(depth > 0.04 * width) & (depth < 0.12 * width)]
    inside = grey[depth > 0.2 * width]
    if margin.size == 0 or inside.size == 0:
        return False
    return bool(np.quantile(margin, 0.3) - np.quantile(inside, 0.2) > _PRINT_STEP)
