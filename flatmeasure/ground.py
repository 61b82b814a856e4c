"""The ground: what the cloth lies on, learned from where it is sure to show.

Around the references lies the mat; along the picture's edge, the mat or the floor. Colours found there are kept as
a few clusters. A shadow scales all three colour channels alike, so it moves a colour along the ray from black through
the cluster's mean (in display-encoded values too: by a power of the scale); a pixel's distance to the ground is
measured across that ray.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.camera import Points
from flatmeasure.photo import Pixels

Scalar = NDArray[np.float32]  # (H, W), one number a pixel
Mask = NDArray[np.bool_]  # (H, W)

CARD_GROWTH = 1.65  # a reference with its light margin, as a multiple of the reference
RING_GROWTH = 2.4  # outer limit of the ring around it where only ground is expected
BORDER_SHARE = 0.03  # width of the strip along the picture's edge, of the shorter side

_SAMPLES = 6000
_SMALLEST_CLUSTER = 0.02  # of the samples
_COLOUR_NOISE = 0.012  # of the full scale: sensor noise and JPEG together, the least scatter of any cluster
_SHADE_RANGE = (0.5, 1.06)  # encoded brightness of shaded ground against lit; 0.5 is about a fifth of the light
_SHADE_SD = 0.2
_FAR = 4.0  # a distance that scatter hardly explains
_MAT_SHARE_OF_RING = 0.25
_CLOTH_SHARE_OF_BORDER = 0.35  # cloth cut off by the picture's edge takes less of it
_CLOTH_BORDER_RATIO = 1.1  # and less of it than this times the root of its own area


@dataclass(frozen=True, eq=False)
class GroundModel:
    """Colour clusters of the ground.

    Attributes
    ----------
    means : (K, 3) float32 array
        RGB, display-encoded, 0 to 1.
    whiteners : (K, 3, 3) float32 array
        W with W' W the inverse covariance.
    """

    means: NDArray[np.float32]
    whiteners: NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class GroundView:
    """How the picture compares with its ground.

    Attributes
    ----------
    distance : (H, W) float32 array
        To the nearest ground colour, shaded or lit, in standard deviations.
    allowed : (H, W) bool array
        Where cloth may lie: on the mat when one is seen, and not on a reference.
    border : (H, W) bool array
        The strip along the picture's edge.
    """

    distance: Scalar
    allowed: Mask
    border: Mask


def fit_ground(colours: NDArray[np.float32], clusters: int = 6) -> GroundModel:
    """Clusters of ground colours, (N, 3) RGB 0 to 1, by k-means (seeded: the same samples give the same model)."""
    chosen = np.ascontiguousarray(colours[:: max(1, len(colours) // _SAMPLES)], dtype=np.float32)
    cv2.setRNGSeed(1)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 20, 1e-3)
    count = min(clusters, len(chosen))
    labels = cv2.kmeans(chosen, count, np.empty(0, np.int32), stop, 1, cv2.KMEANS_PP_CENTERS)[1].ravel()
    means, whiteners = [], []
    for k in range(count):
        members = chosen[labels == k]
        if len(members) < _SMALLEST_CLUSTER * len(chosen):
            continue
        mean = np.median(members, axis=0)
        scatter = (members - mean).T @ (members - mean) / len(members) + np.eye(3) * _COLOUR_NOISE**2
        means.append(mean)
        whiteners.append(np.linalg.cholesky(np.linalg.inv(scatter)).T)
    return GroundModel(np.array(means, np.float32), np.array(whiteners, np.float32))


def ground_distance(model: GroundModel, colours: NDArray[np.float32]) -> Scalar:
    """Distance of every pixel, (H, W, 3) RGB 0 to 1, to the nearest ground colour in standard deviations."""
    pixels = np.ascontiguousarray(colours.reshape(-1, 3))
    nearest = np.full(len(pixels), np.inf, np.float32)
    for mean, whitener in zip(model.means, model.whiteners, strict=True):
        seen, lit = pixels @ whitener.T, whitener @ mean
        along, length2 = seen @ lit, float(lit @ lit)
        shade = np.clip(along / length2, *_SHADE_RANGE)
        residual2 = np.einsum("ij,ij->i", seen, seen) + shade * (shade * length2 - 2.0 * along)
        residual2 += (np.minimum(shade - 1.0, 0.0) / _SHADE_SD) ** 2
        np.minimum(nearest, residual2, out=nearest)
    distance: Scalar = np.sqrt(np.maximum(nearest, 0.0)).reshape(colours.shape[:2])
    return distance


def view_ground(colours: NDArray[np.float32], references_px: Sequence[Points]) -> GroundView:
    """Compare a small picture with its own ground.

    Parameters
    ----------
    colours : (H, W, 3) float32 array
        RGB, display-encoded, 0 to 1.
    references_px : sequence of (4, 2) arrays
        Corners of the references in pixels of this picture.
    """
    border = _border_strip(colours.shape[:2])
    floor = _without_cloth(fit_ground(colours[border]), colours, border)
    distance = ground_distance(floor, colours)
    cards = _grown(references_px, CARD_GROWTH, border.shape)
    ring = _grown(references_px, RING_GROWTH, border.shape) & ~cards
    if not ring.any():
        return GroundView(distance, ~cards, border)
    unlike_floor = ring & (distance > _FAR)
    if unlike_floor.sum() < _MAT_SHARE_OF_RING * ring.sum():
        around = fit_ground(colours[ring])
        return GroundView(np.minimum(distance, ground_distance(around, colours)), ~cards, border)
    to_mat = ground_distance(fit_ground(colours[unlike_floor]), colours)
    on_mat = _mat_area((to_mat < distance) | cards, cards)
    return GroundView(to_mat, on_mat & ~cards, border)


def _without_cloth(floor: GroundModel, colours: NDArray[np.float32], border: Mask) -> GroundModel:
    """Drop colours that reach the border as cloth does which the frame cuts off: on a short stretch of a large area.

    The ratio of an area's length along the border to the root of its size tells background from objects
    (W. Zhu et al., "Saliency optimization from robust background detection", 2014, section 3).
    """
    strip_width = max(3, round(BORDER_SHARE * min(border.shape)))
    kept = []
    for k in range(len(floor.means)):
        near = ground_distance(GroundModel(floor.means[k : k + 1], floor.whiteners[k : k + 1]), colours) < _FAR
        labels = cv2.connectedComponents(near.astype(np.uint8), connectivity=4)[1]
        reaching = np.unique(labels[border & near])
        area = int(np.bincount(labels.ravel())[reaching].sum())
        length = float((border & near).sum()) / strip_width
        is_short = (border & near).sum() < _CLOTH_SHARE_OF_BORDER * border.sum()
        if not (is_short and length < _CLOTH_BORDER_RATIO * area**0.5):
            kept.append(k)
    return GroundModel(floor.means[kept], floor.whiteners[kept]) if kept else floor


def _border_strip(shape: tuple[int, ...]) -> Mask:
    width = max(3, round(BORDER_SHARE * min(shape[:2])))
    border = np.ones(shape[:2], bool)
    border[width:-width, width:-width] = False
    return border


def _grown(quads_px: Sequence[Points], growth: float, shape: tuple[int, ...]) -> Mask:
    area: Pixels = np.zeros(shape[:2], np.uint8)
    for quad in quads_px:
        centre = quad.mean(axis=0)
        cv2.fillConvexPoly(area, np.rint(centre + (quad - centre) * growth).astype(np.int32), 1)
    return area.astype(bool)


def _mat_area(like_mat: Mask, cards: Mask) -> Mask:
    """The convex sheet on which the references lie: the hull of the mat-coloured areas that they touch."""
    square = np.ones((5, 5), np.uint8)
    opened = cv2.morphologyEx(like_mat.astype(np.uint8), cv2.MORPH_OPEN, square)
    labels = cv2.connectedComponents(opened)[1]
    under = np.unique(labels[cards])
    touched = np.isin(labels, under[under > 0]).astype(np.uint8)
    outlines = cv2.findContours(touched, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)[0]
    area: Pixels = np.zeros(cards.shape, np.uint8)
    if outlines:
        cv2.fillConvexPoly(area, cv2.convexHull(np.vstack(outlines)), 1)
    return cv2.erode(area, square).astype(bool)
