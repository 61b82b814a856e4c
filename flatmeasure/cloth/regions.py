"""From a mask of cloth to regions: one outline and its holes for each piece, with a confidence."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.cloth.ground import Mask, Scalar, as_bytes
from flatmeasure.masks import distance_px
from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Pixels
from flatmeasure.polygons import polygon_area

_PRINT_OPENINGS = 4
_SHUT = 0.6  # radius of the disc that shuts a print's openings, of their width
_MOUTH, _BRIDGE = 0.9, 3.0  # radius of the disc that finds notches, of the print's width; of the one that fills them
_FILLET = 0.28  # of the square of the disc's radius: a right angle's fillet has 1 - pi / 4
_MOST_OF_A_PRINT = 0.1  # of the piece
_SURE_GROUND = 0.45
_WINDOW = (11, 11)
_CLEAR_STEP = 0.08  # of the full scale, over the three channels together
_DOUBT = 0.45  # greatest confidence of what may be no cloth, or not all of it
_WELL_INSIDE = 0.8  # usual probability inside a piece that leaves no doubt
_MARGIN = 8
_TRACE_SCALE = 4  # a mask is traced on a grid this much finer, so that its outline runs between its pixels


@dataclass(frozen=True, eq=False)
class ClothRegion:
    """One piece of cloth, found coarsely.

    Attributes
    ----------
    outline_px : (N, 2) array
        Pixels of the upright photo, counter-clockwise in the mat frame (negative shoelace sum in y-down pixels); the
        first point is not repeated.
    holes_px : tuple of (M, 2) arrays
        The other way round.
    confidence : float
        0 to 1; below 0.5 it should not be trusted.
    touches_frame : bool
        The cloth is cut off by the picture's edge.
    """

    outline_px: Points
    holes_px: tuple[Points, ...]
    confidence: float
    touches_frame: bool


@dataclass(frozen=True)
class Sizes:
    """Up to where things are something else, in pixels of the mask: dust, folds, prints, shadows."""

    piece_area: float
    piece_width: float
    hole_area: float
    hole_width: float
    notch_width: float
    shadow_width: float


@dataclass(frozen=True, eq=False)
class CleanMask:
    """Cloth without specks and openings of prints; ``nibbled``: pieces into whose outline a print seemed to cut."""

    cloth: Mask
    nibbled: Mask


def clean_mask(probability: Scalar, cloth: Mask, sizes: Sizes, kept_open: Mask, like_ground: Mask) -> CleanMask:
    """Drop specks, close what is no hole.

    An opening inside a piece is a hole when it is large, surely ground, and stands alone; a print whose colour equals
    the ground's makes many, which are closed, and so are the notches of that width along the outline. What is
    ``kept_open`` stays so. Cloth may look ``like_ground`` in a print.
    """
    cleaned, nibbled = np.zeros_like(cloth), np.zeros_like(cloth)
    labels, count = _labelled(cloth)
    for k in range(1, count):
        window = _window(labels == k)
        piece = labels[window] == k
        if np.count_nonzero(piece) >= sizes.piece_area and _inner_width(piece) >= sizes.piece_width:
            filled = _fill_openings(piece, probability[window], sizes, kept_open[window])
            notches = _print_notches(filled, like_ground[window], sizes) & ~kept_open[window]
            cleaned[window] |= filled | notches
            if notches.any():
                nibbled[window] |= filled | notches
    return CleanMask(cleaned, nibbled)


def trace_regions(
    cloth: Mask, probability: Scalar, doubtful: Mask, picture: Pixels, to_photo: tuple[float, float]
) -> tuple[ClothRegion, ...]:
    """Outline every piece of a mask, largest first.

    Parameters
    ----------
    probability : (H, W) float32 array
    doubtful : (H, W) bool array
        Pieces that may be no cloth, or not all of it.
    picture : (H, W, 3) uint8 array
        From the contrast along the outline and the probability inside comes the confidence.
    to_photo : tuple of float
        Photo pixels per mask pixel in x and y.
    """
    labels, count = _labelled(cloth)
    order = np.argsort(-np.bincount(labels.ravel(), minlength=count)[1:], kind="stable") + 1
    regions = []
    for k in order:
        piece = labels == k
        window = _window(piece)
        contrast = _boundary_contrast(piece[window], cloth[window], picture[window])
        certainty = float(np.clip((cv2.mean(probability, as_bytes(piece))[0] - 0.5) / (_WELL_INSIDE - 0.5), 0.0, 1.0))
        most = _DOUBT if (doubtful & piece).any() else 1.0
        regions.append(_trace(piece, window, min(contrast * certainty, most), to_photo))
    return tuple(regions)


def _window(piece: Mask) -> tuple[slice, slice]:
    """Rows and columns of a piece with a margin."""
    spans = []
    for axis in (1, 0):
        used = np.flatnonzero(piece.any(axis=axis))
        spans.append(slice(max(0, int(used[0]) - _MARGIN), int(used[-1]) + 1 + _MARGIN))
    return spans[0], spans[1]


def _labelled(mask: Mask) -> tuple[NDArray[np.int32], int]:
    count, labels = cv2.connectedComponents(as_bytes(mask), connectivity=4)
    return np.asarray(labels, dtype=np.int32), count


def _inner_width(mask: Mask) -> float:
    """Diameter of the largest circle inside."""
    padded = np.pad(mask, 1).astype(np.uint8)
    return 2.0 * float(cv2.distanceTransform(padded, cv2.DIST_L2, 3).max())


def _fill_openings(piece: Mask, probability: Scalar, sizes: Sizes, kept_open: Mask) -> Mask:
    labels, count = _labelled(~piece)
    frame = np.unique(np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]]))
    openings = [labels == k for k in range(1, count) if k not in frame]
    widths = [_inner_width(opening) for opening in openings]
    large = [o for o, w in zip(openings, widths, strict=True) if o.sum() >= sizes.hole_area and w >= sizes.hole_width]
    is_print = len(large) >= _PRINT_OPENINGS
    usual_area = np.median([o.sum() for o in large]) if is_print else 0.0
    holes = [o for o in large if o.sum() >= 4.0 * usual_area and probability[o].mean() < _SURE_GROUND]
    holes += [o for o in openings if (o & kept_open).any()]
    filled = piece | np.any(openings, axis=0) if openings else piece
    if is_print:
        filled = _closed(filled, _SHUT * min(float(np.median(widths)), sizes.notch_width))
    for hole in holes:
        filled = filled & ~hole
    return filled


def _print_notches(piece: Mask, like_ground: Mask, sizes: Sizes) -> Mask:
    """Notches in the outline about as wide as the areas of the ground's colour inside: those of a print, most likely.

    They are larger than the fillet by which closing rounds a right angle.
    """
    alike = piece & like_ground
    if np.count_nonzero(alike) < _PRINT_OPENINGS * sizes.hole_area:
        return np.zeros_like(piece)
    labels, count = _labelled(alike)
    areas = np.bincount(labels.ravel(), minlength=count)
    dots = [labels == k for k in range(1, count) if sizes.hole_area <= areas[k] < _MOST_OF_A_PRINT * piece.sum()]
    widths = [width for width in map(_inner_width, dots) if width >= sizes.hole_width]
    if len(widths) < _PRINT_OPENINGS:
        return np.zeros_like(piece)
    filled = piece
    for width in np.quantile(widths, (0.5, 0.9)):
        radius = _MOUTH * float(width)
        labels, count = _labelled(_closed(filled, radius) & ~filled)
        areas = np.bincount(labels.ravel(), minlength=count)
        notches = np.isin(labels, np.flatnonzero(areas[1:] > _FILLET * radius**2) + 1)
        if notches.any():  # a larger disc bows less into them
            filled = filled | (_closed(filled, _BRIDGE * radius) & _widened(notches, width))
    return filled & ~piece


def _closed(mask: Mask, radius: float) -> Mask:
    """Closed by a disc."""
    margin = int(radius) + 2
    return ~_widened(~_widened(np.pad(mask, margin), radius), radius)[margin:-margin, margin:-margin]


def _widened(mask: Mask, radius: float) -> Mask:
    """Grown by a disc: as far away as that, by the distance transform, which takes no longer for a large one."""
    return np.asarray(distance_px(~mask) <= radius, dtype=bool)


def _trace(piece: Mask, window: tuple[slice, slice], confidence: float, to_photo: tuple[float, float]) -> ClothRegion:
    padded = np.pad(piece[window], 1).astype(np.uint8) * 255
    fine = cv2.resize(padded, None, fx=_TRACE_SCALE, fy=_TRACE_SCALE, interpolation=cv2.INTER_LINEAR)
    loops, levels = cv2.findContours((fine > 127).astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    outer = [k for k in range(len(loops)) if levels[0][k][3] < 0]
    main = max(outer, key=lambda k: cv2.contourArea(loops[k]))
    holes = [k for k in range(len(loops)) if levels[0][k][3] == main]
    origin = np.array([window[1].start - 1.0, window[0].start - 1.0])

    def photo_pixels(k: int) -> Points:
        points = np.asarray(cv2.approxPolyDP(loops[k], 1.0, True)[:, 0], dtype=np.float64)
        points = np.asarray(((points + 0.5) / _TRACE_SCALE + origin) * to_photo - 0.5, dtype=np.float64)
        return points if (polygon_area(points) < 0) == (k == main) else points[::-1].copy()

    frame = np.concatenate([piece[:2].ravel(), piece[-2:].ravel(), piece[:, :2].ravel(), piece[:, -2:].ravel()])
    touches = bool(frame.any())
    return ClothRegion(photo_pixels(main), tuple(photo_pixels(k) for k in holes), confidence, touches)


def _boundary_contrast(piece: Mask, cloth: Mask, picture: Pixels) -> float:
    """Share of the boundary where the colours on its two sides differ by a clear step.

    Compared are means of small windows, over what lies two to five pixels inside and outside.
    """
    inside = ~_grown(~piece, 1) & _grown(~piece, 5)
    outside = ~_grown(piece, 1) & _grown(piece, 5) & ~cloth
    counted = cv2.merge([*cv2.split(picture), np.full(piece.shape, 255, np.uint8)])
    sums = [cv2.boxFilter(cv2.copyTo(counted, as_bytes(side)), cv2.CV_32F, _WINDOW) for side in (inside, outside)]
    edge = piece & _grown(~piece, 1) & (sums[0][:, :, 3] > 5.0) & (sums[1][:, :, 3] > 5.0)
    if not edge.any():
        return 0.0
    first, second = (side[edge][:, :3] / side[edge][:, 3:] for side in sums)
    step = np.linalg.norm(first - second, axis=1)
    return float(np.mean(np.clip(step / _CLEAR_STEP, 0.0, 1.0)))


def _grown(mask: Mask, steps: int) -> Mask:
    cross = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (3, 3))
    return np.asarray(cv2.dilate(mask.astype(np.uint8), cross, iterations=steps), dtype=bool)
