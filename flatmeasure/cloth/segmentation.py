"""Tell cloth from the ground it lies on, coarsely: to a few pixels of a reduced picture.

Cloth is separated from ground on a small picture (module separation); its boundary then moves to the strongest step
nearby on a larger one; what is left is cleaned, outlined and given a confidence (modules regions and things).
"""

import os
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.cloth.evidence import LIKE_GROUND
from flatmeasure.cloth.ground import CAST_SHADE, Mask, Scalar, ground_distance, over_channels
from flatmeasure.cloth.hints import Hints, check_hints, draw_marks
from flatmeasure.cloth.regions import ClothRegion, Sizes, clean_mask, trace_regions
from flatmeasure.cloth.separation import Seen, look, separate
from flatmeasure.cloth.things import doubtful_pieces, reaching_in, things_among
from flatmeasure.errors import ClothNotFound
from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Photo, Pixels, load_photo
from flatmeasure.references.candidates import coded_candidates, grey_of

_MEDIUM_PX, _SMALL_PX = 750_000, 100_000
_WORTH_SHOWING = 0.3  # of the surest piece's confidence
_SMALLEST_PIECE_MM2, _SMALLEST_WIDTH_MM = 400.0, 12.0
_SMALLEST_HOLE_MM2, _SMALLEST_HOLE_WIDTH_MM = 150.0, 10.0
_WIDEST_NOTCH_MM = 25.0  # of a print along the outline
_SMALLEST_PX = 24.0  # of the photo: less has no outline that could be measured
_MIXED = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))  # along the edge cloth and ground mix
_LIGHT_WINDOW = (9, 9)
_WIDEST_SHADOW_MM = 20.0  # with a sharp edge, beside cloth laid flat


def find_cloth(photo: str | os.PathLike[str] | bytes | Pixels | Photo, hints: Hints | None = None) -> list[ClothRegion]:
    """Find the cloth in a photo, without any reference; coded squares that lie in it are recognised as such.

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
    coded = [square.corners_px for square in coded_candidates(grey_of(loaded))]
    return list(segment_cloth(loaded, references_px=coded, hints=hints))


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
    tuple of ClothRegion, largest first

    Raises
    ------
    ClothNotFound
    """
    return resegment_cloth(see_cloth(photo, references_px=references_px, mm_per_px=mm_per_px), hints)


@dataclass(frozen=True, eq=False)
class SeenCloth:
    """A photo as seen before anybody has said what in it is cloth: hints are then answered within a moment.

    Attributes
    ----------
    photo_px : (2,) array
        Width and height of the photo.
    medium, small : (H, W, 3) uint8 arrays
        The photo in two sizes.
    sizes : Sizes
    seen : Seen
    """

    photo_px: Points
    medium: Pixels
    small: Pixels
    sizes: Sizes
    seen: Seen


def see_cloth(photo: Photo, *, references_px: Sequence[Points] = (), mm_per_px: float | None = None) -> SeenCloth:
    """Look at a photo; the parameters are those of `segment_cloth`."""
    medium = _reduced(photo.rgb, _MEDIUM_PX)
    small = _reduced(medium, _SMALL_PX)
    photo_px = np.array([photo.width_px, photo.height_px], dtype=np.float64)
    scale = np.array([small.shape[1], small.shape[0]]) / photo_px
    references = [(np.asarray(quad, np.float64) + 0.5) * scale - 0.5 for quad in references_px]
    sizes = _sizes(medium, photo.width_px / medium.shape[1], mm_per_px)
    seen = look(small, medium, references, sizes.shadow_width * small.shape[1] / medium.shape[1])
    return SeenCloth(photo_px, medium, small, sizes, seen)


def resegment_cloth(seen: SeenCloth, hints: Hints | None = None) -> tuple[ClothRegion, ...]:
    """The pieces of cloth in a photo looked at before, largest first.

    Raises
    ------
    ClothNotFound
        Nothing stands out from the ground.
    OptionInvalid
        A hint lies outside the photo.
    """
    medium, small = seen.medium, seen.small
    given = hints or Hints()
    check_hints(given, seen.photo_px)
    marks = draw_marks(given, small, np.array([small.shape[1], small.shape[0]]) / seen.photo_px)
    found = separate(seen.seen, marks)
    probability, learned = _resized(found.probability, medium), _resized(found.learned, medium)
    kept_open = _resized(marks.ground.astype(np.float32), medium) > 0.5
    view = seen.seen.view
    like_ground = _resized((view.distance < LIKE_GROUND).astype(np.float32), medium) > 0.5
    snapped = _snap(probability, seen)
    cleaned = clean_mask(probability, snapped, seen.sizes, kept_open, like_ground)
    cloth = cleaned.cloth
    doubtful = doubtful_pieces(cloth, learned)
    if seen.seen.on_a_mat:  # all that lies on a mat may be cloth, so a doubt alone is not enough
        allowed = _resized(found.allowed.astype(np.float32), medium) > 0.5
        cloth &= ~things_among(doubtful, allowed, medium)
    else:
        cloth &= ~doubtful
    to_photo = (float(seen.photo_px[0]) / medium.shape[1], float(seen.photo_px[1]) / medium.shape[0])
    doubtful |= cleaned.nibbled | reaching_in(cloth, learned)
    regions = trace_regions(cloth, probability, doubtful, medium, to_photo)
    if not regions:
        raise ClothNotFound(
            "Nothing in the photo looks like cloth: lay it on a plain ground of another colour, or mark it by hand."
        )
    surest = max(region.confidence for region in regions)
    return tuple(region for region in regions if region.confidence >= _WORTH_SHOWING * surest)


def _reduced(rgb: Pixels, most_px: int) -> Pixels:
    height, width = rgb.shape[:2]
    scale = (most_px / (height * width)) ** 0.5
    if scale >= 1.0:
        return rgb
    size = (round(width * scale), round(height * scale))
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _resized(values: Scalar, like: Pixels) -> Scalar:
    size = (like.shape[1], like.shape[0])
    return np.asarray(cv2.resize(values, size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def _snap(probability: Scalar, seen: SeenCloth) -> Mask:
    """Move the boundary to the strongest step within a narrow band (F. Meyer's watershed, as OpenCV has it).

    In a print stronger steps than the cloth's own edge lie beside it: what such a step has cut off, and is far from the
    ground's colours, is cloth still.
    """
    medium = seen.medium
    reach = 2 * round(1.5 * medium.shape[1] / seen.small.shape[1]) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    cloth = probability > 0.5
    core = ~_dilated(~cloth, disc)
    thin = cloth & ~_dilated(core, disc)
    labels = np.zeros(cloth.shape, np.int32)
    labels[~_dilated(cloth, disc)] = 2
    labels[core | ~_dilated(~thin, np.ones((3, 3), np.uint8))] = 1
    if not (labels == 1).any() or not (labels == 2).any():
        return cloth
    smooth = np.asarray(cv2.GaussianBlur(medium, (0, 0), 0.8), dtype=np.uint8)
    far, band = labels == 1, labels == 0
    far[band] = _ground_distance_within(band, smooth, seen) > max(LIKE_GROUND, seen.seen.view.usual)
    cv2.watershed(smooth, labels)
    shed = (labels == 1) | ((labels == -1) & (probability > 0.5))  # the watershed's own line is a pixel wide
    shed |= _dilated(~_dilated(~far, _MIXED) & ~shed, _MIXED) & far
    return np.asarray(cv2.medianBlur(shed.astype(np.uint8), 5), dtype=bool)


def _ground_distance_within(band: Mask, smooth: Pixels, seen: SeenCloth) -> Scalar:
    """(N,) distances to the ground's colours of the pixels of a mask, under even light."""
    view = seen.seen.view
    light = (over_channels(seen.small) / 255.0 + 0.01) / (over_channels(view.even) + 0.01)
    field = _resized(np.asarray(cv2.blur(light, _LIGHT_WINDOW), np.float32), smooth)[band]
    colours = smooth[band].astype(np.float32) / (255.0 * field[:, None])
    return np.asarray(ground_distance(view.model, colours[None], CAST_SHADE)[0])


def _dilated(mask: Mask, shape: NDArray[np.integer] | cv2.typing.MatLike) -> Mask:
    return np.asarray(cv2.dilate(mask.astype(np.uint8), shape), dtype=bool)


def _sizes(medium: Pixels, reduction: float, mm_per_photo_px: float | None) -> Sizes:
    """Sizes in pixels of ``medium``, which has ``reduction`` photo pixels in each, in a row."""
    if mm_per_photo_px is None:
        side = float(min(medium.shape[:2]))
        return Sizes((0.03 * side) ** 2, 0.012 * side, (0.035 * side) ** 2, 0.025 * side, 0.03 * side, 0.045 * side)
    mm_per_px, least_px = mm_per_photo_px * reduction, _SMALLEST_PX / reduction
    return Sizes(
        max(_SMALLEST_PIECE_MM2 / mm_per_px**2, least_px**2),
        max(_SMALLEST_WIDTH_MM / mm_per_px, least_px),
        max(_SMALLEST_HOLE_MM2 / mm_per_px**2, least_px**2),
        _SMALLEST_HOLE_WIDTH_MM / mm_per_px,
        _WIDEST_NOTCH_MM / mm_per_px,
        _WIDEST_SHADOW_MM / mm_per_px,
    )
