"""Tell cloth from the ground it lies on, coarsely: to a few pixels of a reduced picture.

The ground's colours are known from where no cloth can be (module ground). Distance to them is the first evidence; it is
spread within the picture's edges (module spread), the colours of both sides are learned from the answer, and once more.
Last, the boundary moves to the strongest step of brightness or colour nearby.
"""

import os
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.camera import Points
from flatmeasure.errors import ClothNotFound
from flatmeasure.ground import GroundView, Mask, Scalar, view_ground
from flatmeasure.photo import Photo, Pixels, load_photo
from flatmeasure.regions import ClothRegion, Sizes, clean_mask, trace_regions
from flatmeasure.spread import Links, link_neighbours, spread

_MEDIUM_PX, _SMALL_PX = 750_000, 100_000
_SURE = 8.0  # log-odds
_SPREAD_STRENGTH = 60.0
_HIGHEST_LIMIT = 4.0  # distance to the ground beyond which nothing is taken for ground
_ROUNDS = 3
_BINS = (32, 64, 64)  # L*, a*, b*
_SMALLEST_PIECE_MM2, _SMALLEST_WIDTH_MM = 400.0, 12.0
_SMALLEST_HOLE_MM2, _SMALLEST_HOLE_WIDTH_MM = 150.0, 10.0
_WIDEST_NOTCH_MM = 25.0  # of a print along the outline


@dataclass(frozen=True, eq=False)
class Hints:
    """What a person has marked, in pixels of the upright photo.

    Attributes
    ----------
    cloth_px, not_cloth_px : tuple of (N, 2) arrays
        Points (N = 1) and strokes.
    cloth_boxes_px : tuple of (x0, y0, x1, y1)
        All cloth lies within these.
    not_cloth_boxes_px : tuple of (x0, y0, x1, y1)
        No cloth lies within these.
    """

    cloth_px: tuple[Points, ...] = ()
    not_cloth_px: tuple[Points, ...] = ()
    cloth_boxes_px: tuple[tuple[float, float, float, float], ...] = ()
    not_cloth_boxes_px: tuple[tuple[float, float, float, float], ...] = ()


@dataclass(frozen=True, eq=False)
class _Marks:
    """Hints drawn on a small picture: the strokes, and the like-coloured areas around them."""

    cloth: Mask
    ground: Mask
    like_cloth: Mask
    like_ground: Mask
    excluded: Mask


def find_cloth(
    photo: str | os.PathLike[str] | bytes | Pixels | Photo, hints: Hints | None = None
) -> list[ClothRegion]:
    """Find the cloth in a photo, without any reference.

    Parameters
    ----------
    photo : path, bytes of a file, (H, W, 3) uint8 RGB array, or Photo
    hints : Hints, optional
        Where a person says cloth is and is not.

    Returns
    -------
    list of ClothRegion, largest first

    Raises
    ------
    ClothNotFound
        Nothing stands out from the ground.
    PhotoUnreadable
        As ``load_photo``.
    """
    loaded = photo if isinstance(photo, Photo) else load_photo(photo)
    regions = segment_cloth(loaded, hints=hints)
    if not regions:
        raise ClothNotFound(
            f"Nothing in {loaded.name} looks like cloth: "
            "lay the cloth on a plain ground of another colour, or mark it by hand."
        )
    return list(regions)


def segment_cloth(
    photo: Photo,
    *,
    references_px: Sequence[Points] = (),
    mm_per_px: float | None = None,
    hints: Hints | None = None,
) -> tuple[ClothRegion, ...]:
    """Find the pieces of cloth in a photo.

    Parameters
    ----------
    references_px : sequence of (4, 2) arrays
        Corners of the known references: they and their light margins are not cloth, and around them lies ground.
    mm_per_px : float, optional
        Rough scale on the mat, from which follows what is too small to be a piece or a hole.
    hints : Hints, optional

    Returns
    -------
    tuple of ClothRegion, largest first; empty when there is none
    """
    medium = _reduced(photo.rgb, _MEDIUM_PX)
    small = _reduced(medium, _SMALL_PX)
    references = [_scaled(np.asarray(quad, np.float64), photo.rgb, small) for quad in references_px]
    marks = _draw_marks(hints or Hints(), photo.rgb, small)
    probability = _cloth_probability(small, references, marks)
    probability = _resized(probability, medium)
    cloth = _snap(probability, small.shape[1], medium)
    kept_open = _resized(marks.ground.astype(np.float32), medium) > 0.5
    to_photo = (photo.width_px / medium.shape[1], photo.height_px / medium.shape[0])
    sizes = _sizes(medium, None if mm_per_px is None else mm_per_px * to_photo[0])
    return trace_regions(clean_mask(probability, cloth, sizes, kept_open), medium, to_photo)


def _reduced(rgb: Pixels, most_px: int) -> Pixels:
    height, width = rgb.shape[:2]
    scale = (most_px / (height * width)) ** 0.5
    if scale >= 1.0:
        return rgb
    size = (round(width * scale), round(height * scale))
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _scaled(points_px: Points, source: Pixels, target: Pixels) -> Points:
    scale = np.array([target.shape[1] / source.shape[1], target.shape[0] / source.shape[0]])
    scaled: Points = (points_px + 0.5) * scale - 0.5
    return scaled


def _resized(values: Scalar, like: Pixels) -> Scalar:
    size = (like.shape[1], like.shape[0])
    return np.asarray(cv2.resize(values, size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def _cloth_probability(small: Pixels, references: Sequence[Points], marks: _Marks) -> Scalar:
    smooth = cv2.GaussianBlur(small, (0, 0), 0.7)
    view = view_ground(smooth.astype(np.float32) / 255.0, references)
    allowed = view.allowed & ~marks.excluded
    first = _first_evidence(view, allowed, not references)
    lab = np.asarray(cv2.cvtColor(smooth, cv2.COLOR_RGB2LAB), dtype=np.uint8)
    links = _picture_links(lab, allowed)
    even = np.asarray(np.clip(view.even * 255.0, 0, 255), dtype=np.uint8)
    bins = _colour_bins(np.asarray(cv2.cvtColor(even, cv2.COLOR_RGB2LAB), dtype=np.uint8))
    log_odds = first
    for remaining in reversed(range(_ROUNDS)):
        evidence = _with_marks(log_odds, allowed, marks)
        share = 1.0 / (1.0 + cv2.exp(-evidence))
        probability = spread(share, np.abs(2.0 * share - 1.0) + 0.02, links, _SPREAD_STRENGTH)
        if remaining:
            log_odds = 0.5 * first + 1.2 * _colour_evidence(bins, probability, allowed)
    return probability


def _first_evidence(view: GroundView, allowed: Mask, border_is_ground: bool) -> Scalar:
    """Log-odds of cloth from the distance to the ground.

    The limit is half the usual distance of what Otsu's threshold, on a logarithmic scale, sets apart: where the cloth
    is plain to see, shade stays below; where it is nearly of the ground's colour, little is enough.
    """
    distance = cv2.GaussianBlur(np.minimum(view.distance, 20.0), (0, 0), 1.0)
    seen = distance[allowed]
    codes = np.clip(40.0 * np.log(np.maximum(seen, 0.5)) + 30.0, 0, 255).astype(np.uint8).reshape(1, -1)
    far = cv2.threshold(codes, 0, 1, cv2.THRESH_BINARY + cv2.THRESH_OTSU)[1].ravel() > 0
    halfway = 0.5 * float(np.median(seen[far])) if far.any() else 0.0
    limit = float(np.clip(halfway, max(2.0, view.usual), _HIGHEST_LIMIT))
    odds = np.clip((distance - limit) * 1.2, -3.0, 6.0)
    if border_is_ground:
        doubtful = np.where(distance > 2.0 * limit, 3.0, -2.0)
        odds = np.where(view.border, np.minimum(odds, doubtful), odds)
    return np.asarray(odds, dtype=np.float32)


def _with_marks(log_odds: Scalar, allowed: Mask, marks: _Marks) -> Scalar:
    odds = np.where(marks.like_cloth, np.maximum(log_odds, 3.0), log_odds)
    odds = np.where(marks.like_ground, np.minimum(odds, -3.0), odds)
    odds[~allowed | marks.ground] = -_SURE
    odds[marks.cloth] = _SURE
    return np.asarray(odds, dtype=np.float32)


def _picture_links(lab: Pixels, allowed: Mask) -> Links:
    features = lab.astype(np.float32) * np.array([1.0, 1.5, 1.5], np.float32)
    steps = np.abs(np.diff(features, axis=1)).sum(axis=2)[allowed[:, 1:]]
    return link_neighbours(features, max(6.0, 1.5 * float(np.median(steps)) if steps.size else 6.0))


def _colour_bins(lab: Pixels) -> NDArray[np.int32]:
    shifts = [8 - int(np.log2(count)) for count in _BINS]
    index = [lab[:, :, c].astype(np.int32) >> shifts[c] for c in range(3)]
    return np.asarray((index[0] * _BINS[1] + index[1]) * _BINS[2] + index[2], dtype=np.int32)


def _colour_evidence(bins: NDArray[np.int32], probability: Scalar, allowed: Mask) -> Scalar:
    """Log-odds of each colour, from the histograms of what now counts as cloth and as ground."""
    inside = bins[allowed]
    lean = 2.0 * probability[allowed] - 1.0
    cloth, ground = (_histogram(inside, np.maximum(side, 0.0)) for side in (lean, -lean))
    odds = np.log((cloth + 1e-5) / (ground + 1e-5))
    return np.asarray(np.clip(odds, -3.0, 3.0)[bins], dtype=np.float32)


def _histogram(bins: NDArray[np.int32], weights: Scalar) -> Scalar:
    counts = np.bincount(bins, weights, int(np.prod(_BINS))).reshape(_BINS).astype(np.float32)
    for axis in range(3):
        rolled = np.moveaxis(counts, axis, 0)
        blurred = 0.5 * rolled
        blurred[1:] += 0.25 * rolled[:-1]
        blurred[:-1] += 0.25 * rolled[1:]
        counts = np.moveaxis(blurred, 0, axis)
    return np.asarray(counts.ravel() / max(float(counts.sum()), 1e-6), dtype=np.float32)


def _snap(probability: Scalar, small_width: int, medium: Pixels) -> Mask:
    """Move the boundary to the strongest step within a narrow band (F. Meyer's watershed, as OpenCV has it)."""
    reach = 2 * round(1.5 * medium.shape[1] / small_width) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    cloth = probability > 0.5
    core = ~_dilated(~cloth, disc)
    thin = cloth & ~_dilated(core, disc)
    labels = np.zeros(cloth.shape, np.int32)
    labels[~_dilated(cloth, disc)] = 2
    labels[core | ~_dilated(~thin, np.ones((3, 3), np.uint8))] = 1
    if not (labels == 1).any() or not (labels == 2).any():
        return cloth
    cv2.watershed(cv2.GaussianBlur(medium, (0, 0), 0.8), labels)
    shed = (labels == 1) | ((labels == -1) & (probability > 0.5))  # the watershed's own line is a pixel wide
    return np.asarray(cv2.medianBlur(shed.astype(np.uint8), 5), dtype=bool)


def _dilated(mask: Mask, shape: NDArray[np.integer] | cv2.typing.MatLike) -> Mask:
    return np.asarray(cv2.dilate(mask.astype(np.uint8), shape), dtype=bool)


def _sizes(medium: Pixels, mm_per_px: float | None) -> Sizes:
    if mm_per_px is None:
        side = float(min(medium.shape[:2]))
        return Sizes((0.03 * side) ** 2, 0.012 * side, (0.035 * side) ** 2, 0.025 * side, 0.03 * side)
    return Sizes(
        _SMALLEST_PIECE_MM2 / mm_per_px**2,
        _SMALLEST_WIDTH_MM / mm_per_px,
        _SMALLEST_HOLE_MM2 / mm_per_px**2,
        _SMALLEST_HOLE_WIDTH_MM / mm_per_px,
        _WIDEST_NOTCH_MM / mm_per_px,
    )


def _draw_marks(hints: Hints, photo: Pixels, small: Pixels) -> _Marks:
    blurred = np.asarray(cv2.GaussianBlur(small, (0, 0), 1.0), dtype=np.uint8)
    cloth, like_cloth = _draw_strokes(hints.cloth_px, photo, blurred)
    ground, like_ground = _draw_strokes(hints.not_cloth_px, photo, blurred)
    excluded = _draw_boxes(hints.not_cloth_boxes_px, photo, small)
    if hints.cloth_boxes_px:
        excluded |= ~_draw_boxes(hints.cloth_boxes_px, photo, small)
    return _Marks(cloth, ground, like_cloth & ~ground, like_ground & ~cloth, excluded)


def _draw_strokes(strokes: Sequence[Points], photo: Pixels, small: Pixels) -> tuple[Mask, Mask]:
    """The strokes themselves, and what is connected with them in nearly the same colour."""
    height, width = small.shape[:2]
    drawn = np.zeros((height, width), np.uint8)
    flooded = np.zeros((height + 2, width + 2), np.uint8)
    flags = 4 | (1 << 8) | cv2.FLOODFILL_MASK_ONLY | cv2.FLOODFILL_FIXED_RANGE
    limit = np.array([width - 1, height - 1])
    for stroke in strokes:
        path = np.clip(np.rint(_scaled(np.asarray(stroke, np.float64), photo, small)), 0, limit).astype(np.int32)
        cv2.polylines(drawn, [path], False, 1, thickness=3)
        for x, y in path:
            cv2.circle(drawn, (int(x), int(y)), 1, 1, -1)
            cv2.floodFill(small.copy(), flooded, (int(x), int(y)), 0, (9, 9, 9), (9, 9, 9), flags)
    return drawn.astype(bool), _dilated(flooded[1:-1, 1:-1] > 0, np.ones((3, 3), np.uint8))


def _draw_boxes(boxes: Sequence[tuple[float, float, float, float]], photo: Pixels, small: Pixels) -> Mask:
    area = np.zeros(small.shape[:2], bool)
    for x0, y0, x1, y1 in boxes:
        (left, top), (right, bottom) = np.rint(_scaled(np.array([[x0, y0], [x1, y1]]), photo, small)).astype(int)
        area[max(top, 0) : max(bottom + 1, 0), max(left, 0) : max(right + 1, 0)] = True
    return area
