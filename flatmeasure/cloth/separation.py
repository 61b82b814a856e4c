"""Weigh the witnesses of cloth against each other, and settle every pixel of the small picture.

The evidence is spread within the picture's edges, the colours of both sides are learned from the answer, and once more.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.cloth.evidence import (
    Relief,
    colour_bins,
    colour_evidence,
    ground_evidence,
    in_a_print,
    learned_evidence,
    paint_over,
    sharp_shade,
    soft_glare,
)
from flatmeasure.cloth.ground import GroundView, Mask, Scalar, view_ground, view_other_ground
from flatmeasure.cloth.hints import Marks
from flatmeasure.cloth.spread import Smoother, smoother, steps_along
from flatmeasure.errors import ClothNotFound
from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Pixels

_SURE, _LIKELY = 8.0, 3.0  # log-odds
_FIRST_WEIGHT, _COLOUR_WEIGHT = 0.5, 1.2
_ROUNDS = 3
_SPREAD_STRENGTH = 30.0
_NOT_CLOTH = -2.5  # log-odds of the network below which a pixel shows what ground looks like
_FEWEST_GROUND = 0.1  # of the picture


@dataclass(frozen=True)
class _Trust:
    """How much the witnesses count: on a known mat all that is not mat may be cloth; elsewhere it may be anything."""

    most_ground: float
    learned_weight: float


_ON_A_MAT, _ANYWHERE = _Trust(6.0, 0.9), _Trust(1.5, 1.4)


@dataclass(frozen=True, eq=False)
class Separation:
    """Cloth and ground in the small picture, (H, W) each.

    Attributes
    ----------
    probability : float32 array
        Of cloth.
    learned : float32 array
        What the network alone says, as log-odds.
    allowed : bool array
        Where cloth may lie.
    """

    probability: Scalar
    learned: Scalar
    allowed: Mask


@dataclass(frozen=True, eq=False)
class Seen:
    """What the small picture shows, whatever a person says of it.

    Attributes
    ----------
    view : GroundView
    learned : (H, W) float32 array
        What the network says, as log-odds.
    bins : (H, W) int32 array
        Number of each pixel's colour.
    within_edges : Smoother
    on_a_mat : bool
        References lie on a mat; cloth may be nowhere else.
    shadow_width : float
        Widest cast shadow with a sharp edge, in pixels.
    """

    view: GroundView
    learned: Scalar
    bins: NDArray[np.int32]
    within_edges: Smoother
    on_a_mat: bool
    shadow_width: float


def look(small: Pixels, medium: Pixels, references_px: Sequence[Points], shadow_width: float) -> Seen:
    """Learn the ground and ask the network: what takes longest, and what no hint changes.

    Parameters
    ----------
    small, medium : (H, W, 3) uint8 arrays
        The photo in two sizes; the network sees the larger.
    references_px : sequence of (4, 2) arrays
        In pixels of the small picture; around them is the mat.
    shadow_width : float
        Widest cast shadow with a sharp edge, in pixels of the small picture.

    Raises
    ------
    ClothNotFound
        The references fill the picture.
    """
    smooth = np.asarray(cv2.GaussianBlur(small, (0, 0), 0.7), dtype=np.uint8)
    colours = smooth.astype(np.float32) / 255.0
    if references_px:
        view = view_ground(colours, references_px)
        if not view.allowed.any():
            raise ClothNotFound("The squares fill the whole photo: step back until the cloth is in it too.")
        learned = learned_evidence(*paint_over(view, small, medium), view.allowed.shape)
    else:
        everywhere = (slice(0, small.shape[0]), slice(0, small.shape[1]))
        learned = learned_evidence(medium, everywhere, (small.shape[0], small.shape[1]))
        not_cloth = learned < _NOT_CLOTH
        is_enough = not_cloth.mean() > _FEWEST_GROUND
        view = view_other_ground(colours, not_cloth) if is_enough else view_ground(colours, ())
    within_edges = _picture_smoother(smooth, view.allowed)
    return Seen(view, learned, colour_bins(view.even), within_edges, bool(references_px), shadow_width)


def separate(seen: Seen, marks: Marks) -> Separation:
    """Tell cloth from ground, minding what a person has marked."""
    trust = _ON_A_MAT if seen.on_a_mat else _ANYWHERE
    view = seen.view
    learned: Scalar = np.where(marks.cloth | marks.like_cloth, np.float32(_LIKELY), seen.learned).astype(np.float32)
    allowed = view.allowed & ~marks.excluded
    ground = np.minimum(ground_evidence(view, allowed, not seen.on_a_mat), trust.most_ground)
    printed = in_a_print(ground, learned, seen.shadow_width) if seen.on_a_mat else np.zeros_like(allowed)
    ground[printed] = np.maximum(ground[printed], learned[printed])
    log_odds = first = ground + trust.learned_weight * learned
    probability = _settle(_with_marks(first, allowed, marks), seen.within_edges)
    for _ in range(_ROUNDS - 1):
        colour = colour_evidence(seen.bins, probability, allowed)
        colour[printed] = np.maximum(colour[printed], learned[printed])
        log_odds = _FIRST_WEIGHT * first + _COLOUR_WEIGHT * colour
        probability = _settle(_with_marks(log_odds, allowed, marks), seen.within_edges)
    relief = Relief(view)
    sharp, slit = sharp_shade(relief, probability, seen.shadow_width)
    glare = soft_glare(relief, probability, learned, seen.shadow_width)
    if sharp.any() or glare.any():
        log_odds = np.where(slit, np.maximum(log_odds, 0.0), np.where(sharp, np.float32(_LIKELY), log_odds))
        log_odds = np.where(glare, np.float32(-_LIKELY), log_odds)
        probability = _settle(_with_marks(log_odds, allowed, marks), seen.within_edges)
    return Separation(probability, learned, allowed)


def _settle(log_odds: Scalar, within_edges: Smoother) -> Scalar:
    """Probabilities from log-odds, the sure ones spread over the doubtful."""
    share = np.asarray(1.0 / (1.0 + np.exp(-log_odds)), dtype=np.float32)
    certainty = np.asarray(np.abs(2.0 * share - 1.0) + 0.02, dtype=np.float32)
    return within_edges.spread(share, certainty)


def _with_marks(log_odds: Scalar, allowed: Mask, marks: Marks) -> Scalar:
    odds = np.where(marks.like_cloth, np.maximum(log_odds, _LIKELY), log_odds)
    odds = np.where(marks.like_ground, np.minimum(odds, -_LIKELY), odds)
    odds[~allowed | marks.ground] = -_SURE
    odds[marks.cloth] = _SURE
    return np.asarray(odds, dtype=np.float32)


def _picture_smoother(smooth: Pixels, allowed: Mask) -> Smoother:
    lab = np.asarray(cv2.cvtColor(smooth, cv2.COLOR_RGB2LAB), dtype=np.uint8)
    features = lab.astype(np.float32) * np.array([1.0, 1.5, 1.5], np.float32)
    steps = steps_along(features, axis=1)[allowed[:, 1:]]
    softness = max(6.0, 1.5 * float(np.median(steps)) if steps.size else 6.0)
    return smoother(features, softness, _SPREAD_STRENGTH)
