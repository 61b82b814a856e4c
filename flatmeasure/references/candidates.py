"""Where references may be: coded squares read, and dark or light quadrilaterals, roughly, on reduced pictures."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Photo, Pixels
from flatmeasure.polygons import polygon_area
from flatmeasure.references.figures import CODE_FAMILY

CODE_SIDE_PX = 2000  # coded squares are read on a picture about this long: 40 px of 4000 are then 20
QUAD_MEGAPIXELS = 0.75
SMALLEST_SIDE = 0.008  # of the picture's diagonal
LARGEST_SIDE = 0.45

BLOCKS = (31, 101)  # of the adaptive threshold: small squares amid detail, large ones and soft light
LEAST_STEP = 6  # codes from the local mean
SLENDEREST = 0.2  # shortest side over longest
FILLED = 0.9  # area of a contour over that of its quadrilateral
INSIDE = (0.2, 0.5, 0.8)  # shares of the way from the middle to the border where the inside is looked at
RING, RING_PX = 0.08, 2.0  # where the ground is looked at: share of the side, at least px of the reduced picture
NEIGHBOUR = 1.8  # sides between middles: the squares of a board stand 1.4 apart, those on cards of their own farther
EVEN_INSIDE, EVEN_AROUND = 0.97, 0.9  # share on their side of halfway
DARK_RATIO, LIGHT_RATIO = 2.2, 1.15  # display-encoded ground to patch, or patch to ground


@dataclass(frozen=True, eq=False)
class Candidate:
    """A figure that may be a reference.

    Attributes
    ----------
    corners_px : (4, 2) array
        Clockwise as seen, good to ``error_px``; for a coded square from its own first corner.
    error_px : float
    code : int or None
    """

    corners_px: Points
    error_px: float
    code: int | None = None

    @property
    def side_px(self) -> float:
        """Length of the shortest side."""
        return float(_side_lengths(self.corners_px).min())


@dataclass(frozen=True, eq=False)
class Reduced:
    """A grey picture made smaller by a whole number."""

    grey: Pixels
    factor: int

    def to_photo(self, points: Points) -> Points:
        """Points of the reduced picture in the photo (pixel centres at whole numbers in both)."""
        return np.asarray((points + 0.5) * self.factor - 0.5)


def reduce(grey: Pixels, factor: int) -> Reduced:
    """Average blocks of ``factor`` x ``factor`` pixels; a picture narrower than a block stays as it is."""
    if factor <= 1 or min(grey.shape) < factor:
        return Reduced(grey, 1)
    height, width = (n // factor for n in grey.shape)
    whole = grey[: height * factor, : width * factor]
    return Reduced(np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8), factor)


def grey_of(photo: Photo) -> Pixels:
    """Display-encoded grey: good enough to look for things, not to measure."""
    return np.asarray(cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY), dtype=np.uint8)


def sharpness(grey: Pixels) -> float:
    """Share of a strong change of brightness over 16 pixels that 2 of them take, on a picture about 2000 px long.

    Median over the strongest changes.
    """
    codes = reduce(grey, max(1, round(max(grey.shape) / CODE_SIDE_PX))).grey.astype(np.float32)
    return max(_steepness(codes[::3]), _steepness(codes.T[::3]))


def _steepness(codes: NDArray[np.float32]) -> float:
    wide, narrow = 16, 2
    far = np.abs(codes[:, wide:] - codes[:, :-wide])
    near = np.abs(codes[:, narrow:] - codes[:, :-narrow])
    window = wide - narrow + 1
    within = cv2.dilate(near, np.ones((1, window), np.uint8))[:, window // 2 : window // 2 + far.shape[1]]
    strong = far >= max(float(np.percentile(far, 99.9)), 1.0)
    return float(np.median(within[strong] / far[strong])) if strong.any() else 0.0


def coded_candidates(grey: Pixels) -> list[Candidate]:
    """Coded squares of the open ArUco family with 4 x 4 bits, 50 codes.

    Two squares may carry the same code.
    """
    reduced = reduce(grey, max(1, round(max(grey.shape) / CODE_SIDE_PX)))
    settings = cv2.aruco.DetectorParameters()
    # The threshold hollows out a square larger than its window: the inner outline reads as well, half a window inside.
    settings.adaptiveThreshWinSizeMin = settings.adaptiveThreshWinSizeMax = 43
    settings.perspectiveRemovePixelPerCell = (
        8  # cells of few pixels, read in their middles: finds blurred small squares
    )
    settings.perspectiveRemoveIgnoredMarginPerCell = 0.25
    settings.minMarkerDistanceRate = 0.05  # joins both; the outline of a narrow card must not displace the square on it
    settings.minMarkerPerimeterRate = 4.0 * SMALLEST_SIDE
    settings.maxErroneousBitsInBorderRate = 0.2
    settings.errorCorrectionRate = 0.0
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(CODE_FAMILY), settings)
    quads, codes, _ = detector.detectMarkers(reduced.grey)
    if codes is None:
        return []
    found = [
        Candidate(reduced.to_photo(np.asarray(quad, dtype=np.float64).reshape(4, 2)), 2.0 + reduced.factor, int(code))
        for quad, code in zip(quads, np.ravel(codes), strict=True)
    ]
    return sorted(found, key=lambda c: (c.code, *c.corners_px[0]))


def quad_candidates(grey: Pixels, *, dark: bool) -> list[Candidate]:
    """Even dark four-sided patches on lighter ground, or light ones on darker ground, one a place."""
    reduced = reduce(grey, max(1, round(np.sqrt(grey.size / (QUAD_MEGAPIXELS * 1e6)))))
    smooth = np.asarray(cv2.GaussianBlur(reduced.grey, (0, 0), 1.0), dtype=np.uint8)
    kind, offset = (cv2.THRESH_BINARY_INV, LEAST_STEP) if dark else (cv2.THRESH_BINARY, -LEAST_STEP)
    quads: list[Points] = []
    for block in BLOCKS:
        mask = cv2.adaptiveThreshold(smooth, 255, cv2.ADAPTIVE_THRESH_MEAN_C, kind, block, offset)
        # Opening cuts off the thin lines of a mat's grid that run into a light figure.
        quads += _quads(np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)), dtype=np.uint8))
    if not quads:
        return []
    stacked = np.stack(quads)
    sides = _side_lengths(stacked)
    stacked = stacked[(sides.min(axis=1) > SLENDEREST * sides.max(axis=1)) & _stand_out(smooth, stacked, dark=dark)]
    single = _without_patterns(_distinct(stacked))
    return [Candidate(reduced.to_photo(clockwise(quad)), 2.0 * reduced.factor + 2.0) for quad in single]


def _stand_out(grey: Pixels, quads: Points, *, dark: bool) -> NDArray[np.bool_]:
    """(Q,) is the inside of quadrilaterals (Q, 4, 2) of one brightness, the ground around of another?"""
    middle = quads.mean(axis=1, keepdims=True)
    t = (np.arange(12) + 0.5)[:, None, None, None] / 12.0
    sides = quads + t * (np.roll(quads, -1, axis=1) - quads)
    rim = np.moveaxis(sides, 0, 1).reshape(len(quads), -1, 2) - middle
    side = _side_lengths(quads).min(axis=1)[:, None, None]
    inside = _light_at(grey, np.concatenate([middle + share * rim for share in INSIDE], axis=1))
    around = _light_at(grey, middle + (1.0 + 2.0 * np.maximum(RING, RING_PX / side)) * rim)
    light_in, light_out = np.median(inside, axis=1), np.median(around, axis=1)
    halfway = ((light_in + light_out) / 2.0)[:, None]
    if dark:
        even_in, even_out, ratio = inside < halfway, around > halfway, (light_out + 1.0) / (light_in + 1.0)
    else:
        even_in, even_out, ratio = inside > halfway, around < halfway, (light_in + 1.0) / (light_out + 1.0)
    even = (even_in.mean(axis=1) >= EVEN_INSIDE) & (even_out.mean(axis=1) >= EVEN_AROUND)
    return np.asarray(even & (ratio > (DARK_RATIO if dark else LIGHT_RATIO)))


def _side_lengths(quads: Points) -> Points:
    way = np.roll(quads, -1, axis=-2) - quads
    return np.asarray(np.hypot(way[..., 0], way[..., 1]))


def _light_at(grey: Pixels, points: Points) -> Points:
    x, y = np.moveaxis(np.rint(points).astype(int), -1, 0)
    light: Points = grey[np.clip(y, 0, grey.shape[0] - 1), np.clip(x, 0, grey.shape[1] - 1)].astype(np.float64)
    return light


def _quads(mask: Pixels) -> list[Points]:
    """Convex quadrilaterals (4, 2) among the contours of a mask."""
    diagonal = float(np.hypot(*mask.shape))
    smallest, largest = (SMALLEST_SIDE * diagonal) ** 2, (LARGEST_SIDE * diagonal) ** 2
    quads = []
    for contour in cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)[0]:
        area = cv2.contourArea(contour)
        if not smallest < area < largest:
            continue
        corners = cv2.approxPolyDP(contour, 0.03 * cv2.arcLength(contour, True), True)
        if len(corners) == 4 and cv2.isContourConvex(corners) and area > FILLED * cv2.contourArea(corners):
            quads.append(corners.reshape(4, 2).astype(np.float64))
    return quads


def clockwise(corners_px: Points) -> Points:
    """Corners (4, 2) clockwise as seen with y down, from the one nearest the top left of the picture."""
    turned = corners_px if polygon_area(corners_px) > 0 else corners_px[::-1]
    return np.asarray(np.roll(turned, -int(np.argmin(turned.sum(axis=1))), axis=0))


def _distinct(quads: Points) -> list[Points]:
    """One of each group of quadrilaterals of nearly the same place and size."""
    kept: list[Points] = []
    for quad in quads:
        if not any(_gap(quad, other) < 0.3 for other in kept):
            kept.append(quad)
    return kept


def _without_patterns(quads: list[Points]) -> list[Points]:
    """Leave out squares that have two others like them next to them: the cells of a print or a grid."""
    return [q for q in quads if sum(_gap(q, other) < NEIGHBOUR for other in quads) <= 2]  # itself is one


def _gap(quad: Points, other: Points) -> float:
    """Distance between middles in sides of the first; infinite when the sizes differ much."""
    side, other_side = float(_side_lengths(quad).mean()), float(_side_lengths(other).mean())
    if not 0.7 < other_side / side < 1.4:
        return np.inf
    return float(np.hypot(*(other.mean(axis=0) - quad.mean(axis=0)))) / side
