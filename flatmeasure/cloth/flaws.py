"""Stains, holes and worn patches within a piece, proposed: a person decides, nothing is cut off.

A flaw is a compact area, clear of the outline, whose colour the rest of the piece hardly shows. Stripes, plaid and
dense prints widen the spread of the piece's own colours, so that nothing stands out; what stands out more than a few
times is a print. Folds and shade change the lightness alone, softly and lengthwise. A flaw on a print is missed rather
than a print taken for flaws.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Photo, Pixels

Values = NDArray[np.float32]
Mask = NDArray[np.bool_]

_WORK_PX = 60_000  # of the piece's bounding box
_CLEAR = 0.035  # kept off the outline, of the root of the piece's area
_FIELD = 0.15  # width of the light's slow changes, of the same
_LEAST_SCATTER = np.array([2.0, 1.2, 1.2], np.float32)  # CIE L*a*b* codes: noise and weave
_FAR = 5.0  # deviations, all channels together
_LEAST_STEP = 9.0  # codes
_LEAST_SHADE_STEP, _CHROMA_SHARE = 16.0, 0.25  # of a flaw that differs in lightness alone
_LEAST_AREA, _MOST_AREA = 0.0002, 0.06  # of the piece
_PRINT_COUNT = 4
_COMPACT, _SLENDER = 0.7, 4.0
_GROUND_LIKE, _CORE = 9.0, 0.8
_LEAST_CONFIDENCE = 0.3


@dataclass(frozen=True, eq=False)
class FlawZone:
    """A proposal.

    Attributes
    ----------
    outline_px : (N, 2) array
        Pixels of the upright photo, turning as a piece's outline does.
    kind : str
        ``"stain"``, ``"hole"``, ``"worn"`` or ``"mark"`` (lighter, of another colour).
    confidence : float
        0 to 1.
    """

    outline_px: Points
    kind: str
    confidence: float


def find_flaws(photo: Photo, outline_px: Points, holes_px: Sequence[Points] = ()) -> tuple[FlawZone, ...]:
    """Propose the flaws of a piece, surest first.

    Parameters
    ----------
    photo : Photo
    outline_px : (N, 2) array
    holes_px : sequence of (M, 2) arrays
        Openings already known.
    """
    low = np.maximum(np.floor(outline_px.min(axis=0)).astype(int) - 8, 0)
    high = np.minimum(np.ceil(outline_px.max(axis=0)).astype(int) + 9, [photo.width_px, photo.height_px])
    crop = photo.rgb[low[1] : high[1], low[0] : high[0]]
    scale = min(1.0, (_WORK_PX / (crop.shape[0] * crop.shape[1])) ** 0.5)
    size = (max(1, round(crop.shape[1] * scale)), max(1, round(crop.shape[0] * scale)))
    step = np.array([crop.shape[1] / size[0], crop.shape[0] / size[1]])
    loops = [np.rint((loop - low + 0.5) / step - 0.5).astype(np.int32) for loop in (outline_px, *holes_px)]
    piece: Pixels = np.zeros(size[::-1], np.uint8)
    cv2.drawContours(piece, loops[:1], -1, 1, -1)
    cv2.drawContours(piece, loops[1:], -1, 0, -1)
    lab = cv2.cvtColor(_reduced(crop, size), cv2.COLOR_RGB2LAB).astype(np.float32)
    reach = float(piece.sum()) ** 0.5
    depth = cv2.distanceTransform(np.pad(piece, 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
    inside = np.asarray(depth > max(4.0, _CLEAR * reach), dtype=bool)
    if inside.sum() < 400:
        return ()
    found = _zones(lab, inside, piece > 0, reach)
    zones = [FlawZone((contour + 0.5) * step - 0.5 + low, kind, sure) for contour, kind, sure in found]
    return tuple(sorted(zones, key=lambda zone: -zone.confidence))


def _reduced(crop: Pixels, size: tuple[int, int]) -> Pixels:
    while min(crop.shape[1] // size[0], crop.shape[0] // size[1]) >= 2:
        even = crop[: crop.shape[0] // 2 * 2, : crop.shape[1] // 2 * 2]
        crop = np.asarray(cv2.resize(even, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    return np.asarray(cv2.resize(crop, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _zones(lab: Values, inside: Mask, piece: Mask, reach: float) -> list[tuple[Points, str, float]]:
    away = cv2.GaussianBlur(lab, (0, 0), 1.2) - _field(lab, inside, _FIELD * reach)
    scatter = np.maximum(
        1.48 * np.median(np.abs(away[inside] - np.median(away[inside], axis=0)), axis=0), _LEAST_SCATTER
    )
    deviation = np.sqrt(np.square(away / scatter).sum(axis=2))
    far = (inside & (deviation > _FAR) & (np.abs(away).max(axis=2) > _LEAST_STEP)).astype(np.uint8)
    far = cv2.morphologyEx(far, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    far = cv2.morphologyEx(far, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(far, connectivity=8)
    area = piece.sum()
    large = [k for k in range(1, count) if stats[k, cv2.CC_STAT_AREA] > _LEAST_AREA * area]
    everything = far.sum()
    if not large or len(large) > _PRINT_COUNT or everything > _MOST_AREA * area:
        return []
    ground = np.median(lab[~piece], axis=0) if (~piece).any() else np.full(3, np.inf)
    rim = inside & ~cv2.erode(inside.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    zones = []
    for k in large:
        zone = labels == k
        if (zone & rim).any() or not _is_compact(zone):
            continue
        change = np.median(away[zone], axis=0)
        chroma = float(np.hypot(change[1], change[2]))
        if chroma < _CHROMA_SHARE * abs(float(change[0])) and abs(change[0]) < _LEAST_SHADE_STEP:
            continue
        core = zone & (deviation >= np.quantile(deviation[zone], _CORE))  # the rim of a small one mixes with the cloth
        kind = _kind(change, float(np.linalg.norm(np.median(lab[core], axis=0) - ground)))
        sure = float(np.clip(np.median(deviation[zone]) / (4.0 * _FAR), 0.0, 1.0)) ** 0.5 * 0.95 / len(large) ** 0.5
        if sure >= _LEAST_CONFIDENCE:
            zones.append((_outline(zone), kind, round(sure, 3)))
    return zones


def _field(lab: Values, inside: Mask, width: float) -> Values:
    """Colours of the piece where nothing stands out: slow changes of the light, twice over without what is far."""
    weight = inside.astype(np.float32)
    field = np.zeros_like(lab)
    for _ in range(2):
        parts = np.dstack([lab * weight[:, :, None], weight])
        shrink = max(1, round(width / 4.0))
        small = cv2.resize(
            parts, (max(1, lab.shape[1] // shrink), max(1, lab.shape[0] // shrink)), interpolation=cv2.INTER_AREA
        )
        sums = cv2.resize(cv2.GaussianBlur(small, (0, 0), width / shrink), (lab.shape[1], lab.shape[0]))
        field = np.asarray(sums[:, :, :3] / np.maximum(sums[:, :, 3:], 1e-6), dtype=np.float32)
        away = np.abs(lab - field).sum(axis=2)
        usual = float(np.median(away[inside]))
        weight = (inside & (away < 3.0 * usual + 6.0)).astype(np.float32)
    return field


def _is_compact(zone: Mask) -> bool:
    outline = max(cv2.findContours(zone.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=len)
    sides = sorted(side + 1.0 for side in cv2.minAreaRect(outline)[1])
    hull = float(cv2.contourArea(cv2.convexHull(outline)))
    return bool(sides[1] < _SLENDER * sides[0] and zone.sum() > _COMPACT * hull)


def _kind(change: Values, from_ground: float) -> str:
    """By colour alone: the ground's own shows through a hole, wear bleaches, most stains darken.

    Cloth bleached to just the ground's colour is taken for a hole.
    """
    if from_ground < _GROUND_LIKE:
        return "hole"
    if change[0] <= 0.0:
        return "stain"
    return "worn" if change[0] > np.hypot(change[1], change[2]) else "mark"


def _outline(zone: Mask) -> Points:
    """Of the zone and a pixel around it, negative shoelace as a piece's outline."""
    grown = cv2.dilate(zone.astype(np.uint8), np.ones((3, 3), np.uint8))
    contour = max(cv2.findContours(grown, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=len)
    points = np.asarray(cv2.approxPolyDP(contour, 0.7, True)[:, 0], dtype=np.float64)
    x, y = points.T
    return points if np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) < 0 else points[::-1].copy()
