"""Stains, holes and worn patches within a piece, proposed: a person decides, nothing is cut off.

A flaw is a compact area whose colour shows nowhere else in the piece (module rarity); it may reach the outline. What
stands out more than a few times is a print. Light changes softly: beside a fold or a shadow the cloth goes on
changing, beside a flaw it does not. At the outline stand darts, seams, shade and ground seen beside the cloth, so what
touches it must also be as broad as it is long, and more than darker.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.cloth.ground import over_channels
from flatmeasure.cloth.rarity import strangeness
from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Photo, Pixels, linear_light
from flatmeasure.polygons import polygon_area

Values = NDArray[np.float32]
Mask = NDArray[np.bool_]

_WORK_PX = 60_000  # of the piece's bounding box
_CLEAR_PX = 1  # of the reduced picture: up to here its pixels show ground, too
_FIELD = 0.15  # width of the light's slow changes, of the root of the piece's area
_STRANGE = 10.0  # scaled codes
_SURELY_STRANGE = 40.0
_LEAST_STEP = 9.0  # codes
_LEAST_SHADE_STEP, _CHROMA_SHARE = 16.0, 0.25  # of a flaw that differs in lightness alone
_SHADE_SPREAD = 0.12  # of the logarithms by which red, green and blue grow dark in shade, from least to most
_DEEPEST = -1.0  # of the same: no shadow on open cloth is darker
_SOFT = 0.5  # change beyond a zone, of that at its rim
_GOES_ON = 0.15  # of what lies beside a bright zone and is as bright: glare runs on, wear does not
_LEAST_AREA, _MOST_AREA = 0.0002, 0.06  # of the piece
_LEAST_PX = 12
_PRINT_COUNT = 4
_COMPACT, _SLENDER = 0.7, 3.0
_FULL_AT_EDGE, _SLENDER_AT_EDGE = 0.55, 2.5  # of the enclosing rectangle: a dart is a triangle
_OPEN = 0.4  # of the strip between a ground-coloured zone and the outline: that is ground seen beside the cloth
_GROUND_LIKE, _GROUND_SHARE, _CORE = 9.0, 0.1, 0.8
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


@dataclass(frozen=True, eq=False)
class _Cloth:
    """A piece on a reduced picture: codes and linear light (H, W, 3), where it is, and how strange its colours are."""

    lab: Values
    light: Values
    away: Values
    piece: Mask
    inside: Mask
    strange: Values


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
    depth = cv2.distanceTransform(np.pad(piece, 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
    inside = np.asarray(depth > _CLEAR_PX, dtype=bool)
    if inside.sum() < 400:
        return ()
    rgb = _reduced(crop, size)
    lab = cv2.cvtColor(rgb, cv2.COLOR_RGB2LAB).astype(np.float32)
    reach = float(piece.sum()) ** 0.5
    away = _smoothed(lab, inside) - _field(lab, inside, _FIELD * reach)
    cloth = _Cloth(lab, linear_light(rgb), away, piece > 0, inside, strangeness(away, inside, reach))
    zones = [FlawZone((contour + 0.5) * step - 0.5 + low, kind, sure) for contour, kind, sure in _zones(cloth)]
    return tuple(sorted(zones, key=lambda zone: -zone.confidence))


def _reduced(crop: Pixels, size: tuple[int, int]) -> Pixels:
    while min(crop.shape[1] // size[0], crop.shape[0] // size[1]) >= 2:
        even = crop[: crop.shape[0] // 2 * 2, : crop.shape[1] // 2 * 2]
        crop = np.asarray(cv2.resize(even, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    return np.asarray(cv2.resize(crop, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _smoothed(lab: Values, inside: Mask) -> Values:
    """Noise and weave averaged over the piece's own pixels alone."""
    return _mean(cv2.GaussianBlur(_weighted(lab, inside.astype(np.float32)), (0, 0), 1.0))


def _weighted(lab: Values, weight: Values) -> cv2.typing.MatLike:
    """(H, W, 4) weighted colours, and the weights."""
    return cv2.merge([*(channel * weight for channel in cv2.split(lab)), weight])


def _mean(sums: cv2.typing.MatLike) -> Values:
    """(H, W, 3) colours from sums of what `_weighted` gives."""
    *channels, weight = cv2.split(sums)
    weight = np.maximum(weight, 1e-6)
    return np.asarray(cv2.merge([np.asarray(channel / weight) for channel in channels]), dtype=np.float32)


def _field(lab: Values, inside: Mask, width: float) -> Values:
    """Colours of the piece where nothing stands out: slow changes of the light, twice over without what is far."""
    weight = inside.astype(np.float32)
    field = np.zeros_like(lab)
    for _ in range(2):
        shrink = max(1, round(width / 4.0))
        size = (max(1, lab.shape[1] // shrink), max(1, lab.shape[0] // shrink))
        small = cv2.resize(_weighted(lab, weight), size, interpolation=cv2.INTER_AREA)
        field = _mean(cv2.resize(cv2.GaussianBlur(small, (0, 0), width / shrink), (lab.shape[1], lab.shape[0])))
        away = over_channels(np.abs(lab - field))
        usual = float(np.median(away[inside]))
        weight = (inside & (away < 3.0 * usual + 6.0)).astype(np.float32)
    return field


def _zones(cloth: _Cloth) -> list[tuple[Points, str, float]]:
    far = _opened_and_closed(cloth.inside & (cloth.strange >= _STRANGE)) & cloth.inside
    count, labels, stats, _ = cv2.connectedComponentsWithStats(far.astype(np.uint8), connectivity=8)
    area = float(cloth.piece.sum())
    least, most = max(_LEAST_AREA * area, _LEAST_PX), _MOST_AREA * area
    large = [k for k in range(1, count) if least <= stats[k, cv2.CC_STAT_AREA] < most]
    zones = []
    for k in large:
        zone = labels == k
        kind = _kind(zone, cloth)
        if kind is not None:
            median = float(np.median(cloth.strange[zone & (cloth.strange >= _STRANGE)]))
            zones.append((_outline(zone, cloth), kind, min(median / _SURELY_STRANGE, 1.0) ** 0.5 * 0.95))
    if len(zones) > _PRINT_COUNT:
        return []
    shared = [(points, kind, round(sure / len(zones) ** 0.5, 3)) for points, kind, sure in zones]
    return [zone for zone in shared if zone[2] >= _LEAST_CONFIDENCE]


def _opened_and_closed(mask: Mask) -> Mask:
    opened = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    return np.asarray(cv2.morphologyEx(opened, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8)), dtype=bool)


def _kind(zone: Mask, cloth: _Cloth) -> str | None:
    """What kind of flaw a zone may be; None when it is none.

    By colour alone: the ground's own shows through a hole, wear bleaches, most stains darken. Cloth bleached to just
    the ground's colour is taken for a hole.
    """
    at_edge = bool((_grown(zone, 3) & ~cloth.inside & cloth.piece).any())
    if not _is_compact(zone, cloth, at_edge):
        return None
    core = zone & (cloth.strange >= np.quantile(cloth.strange[zone], _CORE))  # the rim mixes with the cloth
    beside = _ring(zone, 2, 4) & cloth.inside
    beyond = _ring(zone, 5, 8) & cloth.inside
    if not beside.any() or not beyond.any():
        return None
    within, next_to, further = (np.median(cloth.away[part], axis=0) for part in (core, beside, beyond))
    change = within - next_to
    if np.abs(change).max() < _LEAST_STEP or float((next_to - further) @ change) > _SOFT * float(change @ change):
        return None
    within_lab = np.median(cloth.lab[core], axis=0)
    if _like_ground(within_lab, cloth):
        return None if at_edge and _is_open(zone, within_lab, cloth) else "hole"
    chroma = float(np.hypot(change[1], change[2]))
    if chroma < _CHROMA_SHARE * abs(float(change[0])) and abs(change[0]) < _LEAST_SHADE_STEP:
        return None
    if at_edge and _is_shade(core, beside, cloth):
        return None
    if change[0] <= 0.0:
        return "stain"
    alike = (cloth.away[beside] - next_to) @ change > 0.5 * float(change @ change)
    if alike.mean() > _GOES_ON:
        return None
    return "worn" if change[0] > chroma else "mark"


def _is_compact(zone: Mask, cloth: _Cloth, at_edge: bool) -> bool:
    """Broad and full; what a dart or a notch cuts out of a zone counts as its own."""
    width = 4 * _CLEAR_PX + 1
    padded = np.pad(zone.astype(np.uint8), width)
    closed = cv2.morphologyEx(padded, cv2.MORPH_CLOSE, _disc(width))[width:-width, width:-width]
    whole = (zone | ((closed > 0) & ~cloth.inside)).astype(np.uint8)
    outline = max(cv2.findContours(whole, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=len)
    short, long = sorted(side + 1.0 for side in cv2.minAreaRect(outline)[1])
    hull = float(cv2.contourArea(cv2.convexHull(outline)))
    area = float(whole.sum())
    if at_edge and (area < _FULL_AT_EDGE * short * long or long > _SLENDER_AT_EDGE * short):
        return False
    return long < _SLENDER * short and area > _COMPACT * hull


def _like_ground(colour: Values, cloth: _Cloth) -> bool:
    """Whether the ground beside the outline shows the colour of a zone's core."""
    outside = cv2.distanceTransform((~cloth.piece).astype(np.uint8), cv2.DIST_L2, 3)
    ground = cloth.lab[(outside > 2.0) & (outside < 8.0)]
    if not len(ground):
        return False
    near = np.linalg.norm(ground - colour, axis=1) < _GROUND_LIKE
    return bool(near.mean() > _GROUND_SHARE)


def _is_open(zone: Mask, colour: Values, cloth: _Cloth) -> bool:
    """Whether a ground-coloured zone goes on in that colour as far as the outline."""
    between = _grown(zone, 2 * _CLEAR_PX + 3) & cloth.piece & ~cloth.inside
    beside = np.median(cloth.lab[_ring(zone, 2, 4) & cloth.inside], axis=0)
    colours = cloth.lab[between]
    nearer = np.linalg.norm(colours - colour, axis=1) < np.linalg.norm(colours - beside, axis=1)
    return bool(nearer.mean() > _OPEN) if len(colours) else False


def _is_shade(core: Mask, beside: Mask, cloth: _Cloth) -> bool:
    """Whether a zone is darker than the cloth beside it by about the same share of red, green and blue."""
    shares = np.log((np.median(cloth.light[core], axis=0) + 0.004) / (np.median(cloth.light[beside], axis=0) + 0.004))
    return bool(shares.max() < 0.0 and shares.min() > _DEEPEST and np.ptp(shares) < _SHADE_SPREAD)


def _ring(zone: Mask, nearest: int, farthest: int) -> Mask:
    """Pixels more than ``nearest`` and at most ``farthest`` away from a zone."""
    return _grown(zone, 2 * farthest + 1) & ~_grown(zone, 2 * nearest + 1)


def _grown(zone: Mask, width: int) -> Mask:
    return np.asarray(cv2.dilate(zone.astype(np.uint8), _disc(width)), dtype=bool)


def _disc(width: int) -> cv2.typing.MatLike:
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width))


def _outline(zone: Mask, cloth: _Cloth) -> Points:
    """Of the zone and a pixel around it, to the outline where it is near; negative shoelace as a piece's outline."""
    rim = cloth.piece & ~cloth.inside
    grown = (_grown(zone, 3) | (_grown(zone, 2 * _CLEAR_PX + 3) & rim)).astype(np.uint8)
    contour = max(cv2.findContours(grown, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=len)
    points = np.asarray(cv2.approxPolyDP(contour, 0.7, True)[:, 0], dtype=np.float64)
    return points if polygon_area(points) < 0 else points[::-1].copy()
