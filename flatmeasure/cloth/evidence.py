"""Three witnesses of cloth, each as log-odds for every pixel of the small picture.

How far a colour is from the ground's; what the network has learned of cloth; and the colours of what already counts
as cloth. The network is shown the mat alone: references and floor are painted over with the ground around them.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.cloth.ground import FULL_LIGHT, GroundView, Mask, Scalar, as_bytes, ground_distance
from flatmeasure.cloth.network import cloth_probability
from flatmeasure.photos.photo import Pixels

Window = tuple[slice, slice]  # rows and columns

LIKE_GROUND = 4.0  # distance to the ground beyond which nothing is taken for ground
_PER_DISTANCE = 1.2
_GROUND_RANGE = (-3.0, 6.0)
_LEARNED_LIMIT = 4.0
_COLOUR_LIMIT = 3.0
_LEARNED_SURE, _PRINT_SHARE = 2.0, 0.1
_PRINT_PATCHES, _SMALLEST_PATCH, _RIM = 4, 4, 3  # fewer patches are no print; smaller ones, in pixels, are specks
_BINS = (32, 64, 64)  # L*, a*, b*
_BLUR = np.array([0.25, 0.5, 0.25])
_RARE = 1e-5  # share of a colour that says nothing
_CROSS = np.array([[0, 1, 0], [1, 1, 1], [0, 1, 0]], np.uint8)
_ODD, _CLEARLY_ODD, _FARTHEST = 2.0, 1.5, 20.0  # distances to lit ground
_STEP_BLUR, _STEP_SHARE, _STEP_PX = 0.7, 0.15, 3  # a step: this share of an area's height a pixel; half its breadth
_OPEN_SHARE, _STEP_BOUND, _FADING = 0.5, 0.7, 0.3  # of an area's rim
_SLIT = 2
_PAINT_SHRINK, _PAINT_BLUR = 4, 6.0


def ground_evidence(view: GroundView, allowed: Mask, border_is_ground: bool) -> Scalar:
    """Log-odds from the distance to the ground.

    The limit is half the usual distance of what Otsu's threshold, on a logarithmic scale, sets apart: where the cloth
    is plain to see, shade stays below; where it is nearly of the ground's colour, little is enough.
    """
    distance = cv2.GaussianBlur(np.minimum(view.distance, 20.0), (0, 0), 1.0)
    seen = distance[allowed]
    codes = np.clip(40.0 * np.log(np.maximum(seen, 0.5)) + 30.0, 0, 255).astype(np.uint8).reshape(1, -1)
    far = cv2.threshold(codes, 0, 1, cv2.THRESH_BINARY + cv2.THRESH_OTSU)[1].ravel() > 0
    halfway = 0.5 * float(np.median(seen[far])) if far.any() else 0.0
    limit = float(np.clip(halfway, max(2.0, view.usual), LIKE_GROUND))
    odds = np.clip((distance - limit) * _PER_DISTANCE, *_GROUND_RANGE)
    if border_is_ground:
        doubtful = np.where(distance > 2.0 * limit, 3.0, -2.0)
        odds = np.where(view.border, np.minimum(odds, doubtful), odds)
    return np.asarray(odds, dtype=np.float32)


@dataclass(frozen=True, eq=False)
class Relief:
    """How far a picture stands off its lit ground, and where that changes by a step."""

    view: GroundView

    @cached_property
    def height(self) -> Scalar:
        return ground_distance(self.view.model, self.view.even, FULL_LIGHT)

    @cached_property
    def _steepness(self) -> Scalar:
        smooth = cv2.GaussianBlur(np.minimum(self.height, _FARTHEST), (0, 0), _STEP_BLUR)
        return np.asarray(np.hypot(*np.gradient(smooth)), dtype=np.float32)

    def steps(self, area: Mask, ground: Mask) -> Mask | None:
        """Where it is steep beside the height of an area over the ground around; None if that hardly stands out."""
        around = _dilated(area, 9) & ~_dilated(area, 5) & ground
        if not around.any():
            return None
        height = float(np.median(self.height[area])) - float(np.median(self.height[around]))
        return self._steepness > _STEP_SHARE * height if height > _CLEARLY_ODD else None


def sharp_shade(relief: Relief, probability: Scalar, shadow_width: float) -> tuple[Mask, Mask]:
    """Areas that look like ground in other light but are neither shadow nor glare: wide, and parted from it by a step.

    The second mask holds the slits between them and other cloth, too narrow to tell: both colours mix there.

    Cloth laid flat casts a shadow no wider than a few times its thickness; what a hand or a lamp stand casts has a soft
    edge, and so has a lamp's reflection. So grey cloth on a white mat is told from shade. An area is first cut apart
    along its steps: cloth may lie within a glare.
    """
    view = relief.view
    other = view.allowed & (probability < 0.5)
    odd = other & (relief.height > max(_ODD, view.usual))
    found = np.zeros_like(odd)
    for area in _areas(odd, shadow_width):
        step = relief.steps(area, other)
        for part in () if step is None else _areas(area & ~step, shadow_width):
            if not (part & view.border).any() and _share_on(step, part, other) > _STEP_BOUND:
                found |= _dilated(part, _STEP_PX) & area
    found = _dilated(found, _SLIT) & odd  # with what the opening had cut off
    cloth = found | (view.allowed & ~other)
    return found, ~_dilated(~_dilated(cloth, _SLIT), _SLIT) & _dilated(found, 2 * _SLIT) & view.allowed & ~cloth


def soft_glare(relief: Relief, probability: Scalar, learned: Scalar, shadow_width: float) -> Mask:
    """What counts as cloth, but not to the network, and fades into the ground without a step: a lamp's reflection."""
    taken = relief.view.allowed & (probability > 0.5)
    ground = relief.view.allowed & ~taken
    glare = np.zeros_like(taken)
    for area in _areas(taken & (learned < -_LEARNED_SURE), shadow_width):
        if _share_on(relief.steps(area, ground), area, ground) < _FADING:
            glare |= area
    return glare


def _share_on(step: Mask | None, area: Mask, ground: Mask) -> float:
    """How much of an area's rim toward the ground lies on steps; not a number when it is hardly open to it."""
    rim = _dilated(area, 1) & ~area & ground
    if step is None or rim.sum() <= _OPEN_SHARE * area.sum() ** 0.5:
        return np.nan
    return float((rim & _dilated(step, 1)).sum() / rim.sum())


def _areas(mask: Mask, width: float) -> Iterator[Mask]:
    """The connected areas of a mask that are as wide as said somewhere."""
    opened = cv2.morphologyEx(as_bytes(mask), cv2.MORPH_OPEN, _CROSS)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=4)
    for k in range(1, count):
        if stats[k, cv2.CC_STAT_AREA] >= width**2:
            area = labels == k
            if 2.0 * cv2.distanceTransform(as_bytes(area), cv2.DIST_L2, 3).max() >= width:
                yield area


def learned_evidence(shown: Pixels, window: Window, shape: tuple[int, ...]) -> Scalar:
    """Log-odds of the network, which is shown a window of the picture; outside it there is no cloth."""
    probability = cloth_probability(shown)
    size = (window[1].stop - window[1].start, window[0].stop - window[0].start)
    likely = np.clip(cv2.resize(probability, size, interpolation=cv2.INTER_AREA), 1e-3, 1.0 - 1e-3)
    odds = np.full(shape, -_LEARNED_LIMIT, np.float32)
    odds[window] = np.clip(np.log(likely / (1.0 - likely)), -_LEARNED_LIMIT, _LEARNED_LIMIT)
    return odds


def paint_over(view: GroundView, small: Pixels, medium: Pixels) -> tuple[Pixels, Window]:
    """The part of the medium picture where cloth may lie, and its window in the small one.

    No-go areas take the colour of the ground nearby.
    """
    rows, columns = np.flatnonzero(view.allowed.any(axis=1)), np.flatnonzero(view.allowed.any(axis=0))
    window = (slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1))
    up = medium.shape[0] / small.shape[0]
    shown_rows, shown_columns = (slice(round(up * s.start), round(up * s.stop)) for s in window)
    shown = np.ascontiguousarray(medium[shown_rows, shown_columns])
    ground = (view.allowed & (view.distance < view.usual)).astype(np.float32)[:, :, None]
    size = (max(1, small.shape[1] // _PAINT_SHRINK), max(1, small.shape[0] // _PAINT_SHRINK))
    weighted = np.concatenate([small * ground, ground], axis=2)
    blurred = cv2.GaussianBlur(cv2.resize(weighted, size, interpolation=cv2.INTER_AREA), (0, 0), _PAINT_BLUR)
    blurred = blurred + np.array(cv2.mean(weighted), np.float32) * 1e-3 + 1e-9  # where no ground is near
    colours = np.asarray(blurred[:, :, :3] / blurred[:, :, 3:], dtype=np.float32)
    paint = cv2.resize(colours, (small.shape[1], small.shape[0]))[window]
    hidden = cv2.dilate(as_bytes(~view.allowed), np.ones((3, 3), np.uint8))[window]
    full = (shown.shape[1], shown.shape[0])
    cover = np.clip(cv2.resize(paint, full), 0, 255).astype(np.uint8)
    cv2.copyTo(cover, cv2.resize(hidden, full, interpolation=cv2.INTER_NEAREST), shown)
    return shown, window


def in_a_print(ground: Scalar, learned: Scalar, width: float) -> Mask:
    """Where a print may show the ground's own colour: cloth to the network, and partly of other colours close by.

    A print shows it, or other colours, in many places; plain cloth shows it in few, where a dart opens.
    """
    window = (2 * round(width) + 1,) * 2
    sure = learned > _LEARNED_SURE
    close_by, other_colours = (cv2.blur(mask.astype(np.float32), window) for mask in (sure, sure & (ground > 0.0)))
    possible = sure & (other_colours > _PRINT_SHARE * close_by)
    pieces = cv2.connectedComponents(as_bytes(sure), connectivity=4)[1]
    patches = np.maximum(*(_patches_in(pieces, possible & alike) for alike in (ground <= 0.0, ground > 0.0)))
    is_print = possible & (patches >= _PRINT_PATCHES)[pieces]
    return _dilated(is_print, _RIM) & (learned > 0.0)


def _patches_in(pieces: cv2.typing.MatLike, mask: Mask) -> NDArray[np.int64]:
    """How many patches of a mask lie in each of some numbered areas."""
    number, patches, stats, _ = cv2.connectedComponentsWithStats(as_bytes(mask), connectivity=4)
    piece_of = np.zeros(number, np.int32)
    piece_of[patches] = pieces  # every patch lies within one area
    counted = (np.arange(number) > 0) & (stats[:, cv2.CC_STAT_AREA] >= _SMALLEST_PATCH)
    return np.bincount(piece_of[counted], minlength=int(pieces.max()) + 1)


def colour_evidence(bins: NDArray[np.int32], probability: Scalar, allowed: Mask) -> Scalar:
    """Log-odds of each colour, from the histograms of what now counts as cloth and as ground."""
    inside = bins[allowed]
    lean = 2.0 * probability[allowed] - 1.0
    cloth, ground = (_histogram(inside, np.maximum(side, 0.0)) for side in (lean, -lean))
    odds = np.log((cloth + _RARE) / (ground + _RARE))
    return np.asarray(np.clip(odds, -_COLOUR_LIMIT, _COLOUR_LIMIT)[bins], dtype=np.float32)


def colour_bins(colours: NDArray[np.float32]) -> NDArray[np.int32]:
    """Number of each pixel's cell in CIE L*a*b*, of (H, W, 3) RGB 0 to 1."""
    codes = np.clip(colours * 255.0, 0, 255).astype(np.uint8)
    lab = np.asarray(cv2.cvtColor(codes, cv2.COLOR_RGB2LAB), dtype=np.int32)
    cell = [lab[:, :, c] * _BINS[c] // 256 for c in range(3)]
    return np.asarray((cell[0] * _BINS[1] + cell[1]) * _BINS[2] + cell[2], dtype=np.int32)


def _dilated(mask: Mask, steps: int) -> Mask:
    return np.asarray(cv2.dilate(as_bytes(mask), _CROSS, iterations=steps), dtype=bool)


def _histogram(bins: NDArray[np.int32], weights: Scalar) -> Scalar:
    counts = np.bincount(bins, weights, int(np.prod(_BINS))).reshape(_BINS).astype(np.float32)
    blurred = cv2.sepFilter2D(counts, -1, _BLUR, _BLUR, borderType=cv2.BORDER_CONSTANT)  # along L* and a*
    blurred = cv2.sepFilter2D(blurred.reshape(-1, _BINS[2]), -1, _BLUR, np.ones(1), borderType=cv2.BORDER_CONSTANT)
    return np.asarray(blurred.ravel() / max(float(blurred.sum()), 1e-6), dtype=np.float32)
