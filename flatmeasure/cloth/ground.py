"""The ground: what the cloth lies on, learned from where it is sure to show.

Around the references lies the mat; along the picture's edge, the mat or the floor. Colours found there are kept as
a few clusters. A shadow scales all three colour channels alike, so it moves a colour along the ray from black through
the cluster's mean (in display-encoded values too: by a power of the scale); a pixel's distance to the ground is
measured across that ray.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import reduce

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Pixels

Scalar = NDArray[np.float32]  # (H, W), one number a pixel
Mask = NDArray[np.bool_]  # (H, W)

CARD_GROWTH = 1.65  # a reference with its light margin, as a multiple of the reference
RING_GROWTH = 2.4  # outer limit of the ring around it where only ground is expected
BORDER_SHARE = 0.03  # width of the strip along the picture's edge, of the shorter side

_OTHER_CLUSTERS = 10
_SAMPLES = 6000
_SMALLEST_CLUSTER = 0.02  # of the samples
_COLOUR_NOISE = 0.012  # of the full scale: sensor noise and JPEG together, the least scatter of any cluster
_LIGHT_ROUNDS, _LIGHT_SAMPLES = 6, 50  # effective number: neighbouring pixels err alike
_LIGHT_STEP = 0.08  # of the logarithm: scatter about a smooth field
_LIGHT_CHANGE = 0.3  # usual change of the logarithm from the middle of a picture to its edge
_FAR = 4.0  # a distance that scatter hardly explains
_UNLIKE = 2.5  # a distance less than the price of shade: a mat may have the floor's hue
_NO_LIGHT = 1e-9  # of a ground that is black: it has no shade
_MAT_SHARE_OF_RING = 0.25
_MOST_OF_RING = 0.6  # cloth beside a reference leaves more of the ground around it
_SMALLEST_MAT = 0.1  # of the picture
_SELDOM, _CONVEX = 0.06, 0.93  # of the rings, for a colour that they do not show; of the convex hull
_USUAL_SHARE = 0.97
_SQUARE = np.ones((5, 5), np.uint8)
_CLOTH_SHARE_OF_BORDER = 0.35  # cloth cut off by the picture's edge takes less of it
_CLOTH_BORDER_RATIO = 1.1  # and less of it than this times the root of its own area


@dataclass(frozen=True)
class Shade:
    """How else a ground colour may show: darker or lighter, at a price.

    Attributes
    ----------
    least, most : float
        Range of the encoded brightness against full light; 0.5 is about a fifth of the light.
    price : float
        The least distance of a colour so explained.
    """

    least: float
    most: float
    price: float


FULL_LIGHT = Shade(1.0, 1.0, 0.0)
CAST_SHADE = Shade(0.5, 1.0, 3.0)  # the price: as far as a colour that scatter seldom explains
ANY_LIGHT = Shade(0.5, 2.0, 0.0)
NEARBY_LIGHT = Shade(0.7, 1.35, 0.0)


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

    def only(self, which: NDArray[np.bool_]) -> "GroundModel":
        """Some of the clusters."""
        return GroundModel(self.means[which], self.whiteners[which])


@dataclass(frozen=True, eq=False)
class GroundView:
    """How the picture compares with its ground.

    Attributes
    ----------
    model : GroundModel
    even : (H, W, 3) float32 array
        The colours under even light.
    distance : (H, W) float32 array
        To the nearest ground colour, shaded or lit, in standard deviations.
    allowed : (H, W) bool array
        Where cloth may lie: on the mat when one is seen, and not on a reference.
    border : (H, W) bool array
        The strip along the picture's edge.
    usual : float
        The distance that nearly all ground keeps below.
    """

    model: GroundModel
    even: NDArray[np.float32]
    distance: Scalar
    allowed: Mask
    border: Mask
    usual: float


def fit_ground(colours: NDArray[np.float32], clusters: int = 6) -> GroundModel:
    """Clusters of ground colours, (N, 3) RGB 0 to 1, by k-means (seeded: the same samples give the same model)."""
    chosen = np.ascontiguousarray(colours[:: max(1, len(colours) // _SAMPLES)], dtype=np.float32)
    cv2.setRNGSeed(1)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 20, 1e-3)
    count = min(clusters, len(chosen))
    brightness = np.log(np.maximum(chosen.sum(axis=1), 0.05))
    unevenness = 1.48 * float(np.median(np.abs(brightness - np.median(brightness))))  # folds and grain shade the ground
    labels = cv2.kmeans(chosen, count, np.empty(0, np.int32), stop, 1, cv2.KMEANS_PP_CENTERS)[1].ravel()
    means, whiteners = [], []
    for k in range(count):
        members = chosen[labels == k]
        if len(members) < _SMALLEST_CLUSTER * len(chosen):
            continue
        mean = np.median(members, axis=0)
        scatter = (members - mean).T @ (members - mean) / len(members) + np.eye(3) * _COLOUR_NOISE**2
        scatter += unevenness**2 * np.outer(mean, mean)
        means.append(mean)
        whiteners.append(np.linalg.cholesky(np.linalg.inv(scatter)).T)
    return GroundModel(np.array(means, np.float32), np.array(whiteners, np.float32))


def ground_distance(model: GroundModel, colours: NDArray[np.float32], shade: Shade) -> Scalar:
    """Distance of every pixel, (H, W, 3) RGB 0 to 1, to the nearest ground colour in standard deviations."""
    nearest = reduce(np.minimum, _squared_distances(model, colours, shade))
    return np.asarray(np.sqrt(np.maximum(nearest, 0.0)))


def _squared_distances(model: GroundModel, colours: NDArray[np.float32], shade: Shade) -> Iterator[Scalar]:
    """Squares of the distances to each ground colour by itself.

    A squared distance is a quadratic form in the channels; all clusters' forms are taken at once, as one product.
    """
    precision = model.whiteners.swapaxes(1, 2) @ model.whiteners
    lit = np.einsum("kij,kj->ki", precision, model.means)
    lit2 = np.maximum(np.einsum("ki,ki->k", lit, model.means), _NO_LIGHT)
    pixels = np.ascontiguousarray(colours.reshape(-1, 3).T)
    red, green, blue = pixels
    products = np.stack([red * red, green * green, blue * blue, red * green, red * blue, green * blue])
    squares = np.concatenate([precision[:, [0, 1, 2], [0, 1, 2]], 2.0 * precision[:, [0, 0, 1], [1, 2, 2]]], axis=1)
    for length2, along, scale2 in zip(squares @ products, (lit / lit2[:, None]) @ pixels, lit2, strict=True):
        across2 = length2 - scale2 * np.square(along)  # to the ray through the cluster
        off = along - np.clip(along, shade.least, shade.most)
        distance2 = across2 + scale2 * np.square(off) + shade.price**2
        if shade.price:
            np.minimum(distance2, across2 + scale2 * np.square(along - 1.0), out=distance2)
        yield distance2.reshape(colours.shape[:2])


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
    cards = _grown(references_px, CARD_GROWTH, border.shape)
    ring = _rings_clear_of_cloth(cards, colours, references_px)
    floor, floor_even = _learn(colours, border, border)
    to_floor = ground_distance(floor, floor_even, CAST_SHADE)
    sheet = _sheet_under(ring, to_floor)
    if sheet is None and not ring.any():
        return GroundView(floor, floor_even, to_floor, ~cards, border, _usual(to_floor, border))
    samples, edge = (ring | border, border) if sheet is None else (_within(ring, sheet), np.zeros_like(border))
    model, even = _learn(colours, samples, edge)
    distance = ground_distance(model, even, CAST_SHADE)
    allowed = ~cards
    if sheet is not None:
        to_floor = ground_distance(_without_mat(floor, model), floor_even, CAST_SHADE)
        allowed &= _mat_area((distance < np.minimum(to_floor, _FAR)) | cards, cards)
    cut_off = _sheet_cut_off(model, even, ring) if sheet is None else None
    if cut_off is not None:
        on_sheet, model = cut_off
        distance = np.where(on_sheet, ground_distance(model, even, CAST_SHADE), distance)
        allowed &= on_sheet
    return GroundView(model, even, distance, allowed, border, _usual(distance, samples))


def view_other_ground(colours: NDArray[np.float32], not_cloth: Mask) -> GroundView:
    """Compare a small picture with all in it that is known not to be cloth: mats, floors, things."""
    border = _border_strip(not_cloth.shape)
    model = fit_ground(colours[not_cloth], _OTHER_CLUSTERS)
    distance = ground_distance(model, colours, CAST_SHADE)
    return GroundView(model, colours, distance, np.ones_like(border), border, _usual(distance, not_cloth))


def _usual(distance: Scalar, samples: Mask) -> float:
    return float(np.quantile(distance[samples], _USUAL_SHARE))


def _sheet_under(ring: Mask, to_floor: Scalar) -> Mask | None:
    """The area, other than the floor, on which the references lie; None when that is the floor itself."""
    labels = cv2.connectedComponents(cv2.morphologyEx(as_bytes(to_floor > _UNLIKE), cv2.MORPH_OPEN, _SQUARE))[1]
    under = np.bincount(labels[ring & (labels > 0)], minlength=2)
    sheet: Mask = labels == int(under.argmax())
    if under.max() < _MAT_SHARE_OF_RING * ring.sum() or under.max() == 0 or sheet.mean() < _SMALLEST_MAT:
        return None
    return sheet


def _sheet_cut_off(model: GroundModel, even: NDArray[np.float32], ring: Mask) -> tuple[Mask, GroundModel] | None:
    """The sheet under the references, when the picture's edge cuts it off as well as the floor, and its colours.

    The floor then is what the rings do not show; the sheet is convex, with the cloth on it.
    """
    near = [(distance2[ring] < _FAR**2).mean() for distance2 in _squared_distances(model, even, ANY_LIGHT)]
    of_floor = np.array(near) < _SELDOM
    if not of_floor.any() or of_floor.all():
        return None
    sheet = _sheet_under(ring, ground_distance(model.only(of_floor), even, CAST_SHADE))
    if sheet is None:
        return None
    outlines = cv2.findContours(as_bytes(sheet), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)[0]
    if sum(map(cv2.contourArea, outlines)) < _CONVEX * cv2.contourArea(cv2.convexHull(np.vstack(outlines))):
        return None
    return cv2.fillPoly(np.zeros(sheet.shape, np.uint8), outlines, 1) > 0, model.only(~of_floor)


def _learn(colours: NDArray[np.float32], samples: Mask, border: Mask) -> tuple[GroundModel, NDArray[np.float32]]:
    """The ground that the samples show, and the picture freed of light that changes slowly over it."""
    model = _without_cloth(fit_ground(colours[samples]), colours, border)
    field = _light_field(colours, samples, ground_distance(model, colours, ANY_LIGHT))
    even = colours / field[:, :, None]
    return _without_cloth(fit_ground(even[samples]), even, border), even


def _light_field(colours: NDArray[np.float32], samples: Mask, hue_distance: Scalar) -> Scalar:
    """Brightness of the ground as a smooth field, a quadratic of its logarithm.

    The fit starts from the samples and takes in, step by step, what has the ground's hue and follows the field so far:
    cloth of that hue stands off by a step. Where little ground is seen the light is taken as even (a ridge).
    """
    candidate = np.flatnonzero((hue_distance < _FAR) | samples)
    candidate = candidate[:: max(1, len(candidate) // _SAMPLES)]
    y, x = (np.linspace(-1.0, 1.0, side) for side in samples.shape)
    rows, columns = np.unravel_index(candidate, samples.shape)
    up, aside = y[rows], x[columns]
    design = np.stack([np.ones_like(up), aside, up, aside * aside, aside * up, up * up], axis=1)
    target = np.log(np.maximum(colours.reshape(-1, 3)[candidate].sum(axis=1), 0.05))
    weights = samples.ravel()[candidate].astype(np.float64)
    ridge = np.diag([1e-6, 1.0, 1.0, 4.0, 4.0, 4.0]) * _LIGHT_STEP**2 / _LIGHT_CHANGE**2
    for _ in range(_LIGHT_ROUNDS):
        share = weights / max(weights.sum(), 1e-6) * _LIGHT_SAMPLES
        fit = np.linalg.solve(design.T @ (design * share[:, None]) + ridge, design.T @ (share * target))
        weights = np.exp(-0.5 * ((target - design @ fit) / _LIGHT_STEP) ** 2)
    by_row = np.stack([fit[0] + fit[2] * y + fit[5] * y * y, fit[1] + fit[4] * y, np.full_like(y, fit[3])], axis=1)
    field = (by_row @ np.stack([np.ones_like(x), x, x * x])).astype(np.float32)
    return np.asarray(np.exp(np.clip(field - np.median(field[::4, ::4]), -1.0, 1.0)), dtype=np.float32)


def _without_cloth(floor: GroundModel, colours: NDArray[np.float32], border: Mask) -> GroundModel:
    """Drop colours that reach the border as cloth does which the frame cuts off: on a short stretch of a large area.

    The ratio of an area's length along the border to the root of its size tells background from objects
    (W. Zhu et al., "Saliency optimization from robust background detection", 2014, section 3).
    """
    if not border.any():
        return floor
    coarse, strip = np.ascontiguousarray(colours[::2, ::2]), border[::2, ::2]
    strip_width = max(1.5, BORDER_SHARE * min(strip.shape))
    kept = []
    for distance2 in _squared_distances(floor, coarse, CAST_SHADE):
        near = distance2 < _FAR**2
        reached = int((strip & near).sum())
        labels = cv2.connectedComponents(as_bytes(near), connectivity=4)[1]
        area = int(np.bincount(labels.ravel())[np.unique(labels[strip & near])].sum())
        is_short = reached < _CLOTH_SHARE_OF_BORDER * strip.sum()
        kept.append(not (is_short and reached / strip_width < _CLOTH_BORDER_RATIO * area**0.5))
    return floor.only(np.array(kept)) if any(kept) else floor


def _without_mat(floor: GroundModel, mat: GroundModel) -> GroundModel:
    """Drop the mat's own colours from those of the picture's edge, which it reaches when the frame cuts it off."""
    of_mat = ground_distance(mat, floor.means[None], ANY_LIGHT)[0] < _FAR
    return floor if of_mat.all() else floor.only(~of_mat)


def _within(ring: Mask, sheet: Mask) -> Mask:
    """The part of the rings that lies on a sheet, without the sheet's rim, where colours mix."""
    inner = ring & cv2.erode(as_bytes(sheet), _SQUARE).astype(bool)
    return inner if inner.any() else ring & sheet


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


def _rings_clear_of_cloth(cards: Mask, colours: NDArray[np.float32], quads_px: Sequence[Points]) -> Mask:
    """The rings around the cards, without what reaches into one as cloth does: thicker than a line, larger than it."""
    clear = np.zeros_like(cards)
    halo = cv2.dilate(as_bytes(cards), _SQUARE, iterations=2).astype(bool)  # a coarse JPEG bleeds colour from a card
    for quad in quads_px:
        own = _grown([quad], RING_GROWTH, cards.shape) & ~cards
        if not own.any():
            continue
        clear |= own
        usual = _usual_colour(colours[own])
        odd = as_bytes((ground_distance(usual, colours, NEARBY_LIGHT) > _FAR) & ~halo)
        labels = cv2.connectedComponents(cv2.morphologyEx(odd, cv2.MORPH_OPEN, _SQUARE))[1]
        large = np.bincount(labels.ravel()) > cv2.contourArea(quad.astype(np.float32))
        large[0] = False
        reaching = large[labels]
        if (reaching & own).sum() < _MOST_OF_RING * own.sum():
            clear &= ~(own & cv2.dilate(as_bytes(reaching), _SQUARE, iterations=3).astype(bool))
    return clear


def _usual_colour(colours: NDArray[np.float32]) -> GroundModel:
    """The colour most of (N, 3) have: their scatter along the ray of its shades, where light varies, and across it."""
    mean = np.median(colours, axis=0)
    ray = mean / max(float(np.linalg.norm(mean)), _NO_LIGHT)
    beside = colours - np.outer(colours @ ray, ray)
    along, across = (1.48 * float(np.median(np.abs(part))) + _COLOUR_NOISE for part in (colours - mean, beside))
    across = min(across, along)
    whitener = np.eye(3) / across + np.outer(ray, ray) * (1.0 / along - 1.0 / across)
    return GroundModel(mean[None], whitener[None].astype(np.float32))


def as_bytes(mask: Mask) -> Pixels:
    return mask.astype(np.uint8)


def over_channels(values: NDArray[np.float32] | Pixels) -> Scalar:
    """Sum over the last, short axis: as a product with ones, many times faster than numpy's sum over it."""
    return np.asarray(values @ np.ones(values.shape[-1], np.float32))


def _mat_area(like_mat: Mask, cards: Mask) -> Mask:
    """The convex sheet on which the references lie: the hull of the mat-coloured areas that they touch."""
    opened = cv2.morphologyEx(as_bytes(like_mat), cv2.MORPH_OPEN, _SQUARE)
    labels = cv2.connectedComponents(opened)[1]
    under = np.unique(labels[cards])
    touched = as_bytes(np.isin(labels, under[under > 0]))
    outlines = cv2.findContours(touched, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)[0]
    area: Pixels = np.zeros(cards.shape, np.uint8)
    if outlines:
        cv2.fillConvexPoly(area, cv2.convexHull(np.vstack(outlines)), 1)
    return cv2.erode(area, _SQUARE).astype(bool)
