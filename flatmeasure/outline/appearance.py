"""What the cloth and the ground beside it look like, and how much a pixel speaks for either.

The ground is known locally, from beyond the outline, and may lie in shade (same chromaticity, darker); the cloth is a
handful of colours, from within. A pixel's evidence is the difference of its squared deviations from both, limited, so
that a grid line or a stain that looks like neither says nothing.
"""

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Bools = NDArray[np.bool_]

RIM_SAMPLES = 8  # outermost and innermost samples of a profile, from which the colours are taken
COLOURS = 8
RARE_SHARE = 0.02
RARITY = np.float32(0.5)  # weight of rarity: less than 2, a likelihood's, for neighbouring pixels repeat each other
SHADING = 0.2  # change of level, in units of the mean, that is put down to shading rather than to another colour
NEIGHBOURS = 12.0  # profiles over which colours are counted, standard deviation of a Gaussian window
LIMIT = np.float32(9.0)
CHROMA_SD = np.float32(0.02)
SENSOR_SD = np.float32(0.006)  # noise in linear light, which blurs the chromaticity of dark pixels
LEVEL_SD = np.float32(0.13)  # of the logarithm of the level
SHADE_COST = np.float32(2.0)
SHADE_SD = np.float32(0.7)


@dataclass(frozen=True, eq=False)
class Palette:
    """The main colours on one side of an outline, linear light.

    Attributes
    ----------
    colours : (C, 3) array
    share : (N, C) array
        How common each is on the stretch of the outline about each of N points.
    """

    colours: Singles
    share: Singles

    def deviation(self, light: Singles, row: NDArray[np.intp]) -> Singles:
        """(M, K) squared deviation of light (M, K, 3) from the nearest colour; what is rare explains less."""
        products = (self.colours @ light.reshape(-1, 3).T).reshape(len(self.colours), *light.shape[:2])
        deviation = _deviation(light, self.colours[:, None, :], products)
        deviation -= RARITY * np.log(self.share[row].T)[:, :, None]
        return np.asarray(np.minimum(deviation.min(axis=0), LIMIT))

    def scatter(self) -> Floats:
        """(N, 3, 3) covariance of the colours about each point, as far as shading does not explain it."""
        mean = self.share @ self.colours
        length = np.linalg.norm(mean, axis=1, keepdims=True) + 1e-6
        away = self.colours - mean[:, None]
        along = np.einsum("nci,ni->nc", away, mean / length)
        shading = np.clip(along, -SHADING * length, SHADING * length)
        away = away - shading[..., None] * (mean / length)[:, None]
        scatter: Floats = ((self.share[..., None] * away).swapaxes(1, 2) @ away).astype(np.float64)
        return scatter


@dataclass(frozen=True, eq=False)
class Appearance:
    """Colours in linear light, learnt along N points of an outline.

    Attributes
    ----------
    ground : (N, 3) array
        Beside each point.
    marks : Palette
        What else lies on the ground: grid lines, grain.
    cloth : Palette
    """

    ground: Singles
    marks: Palette
    cloth: Palette

    def evidence(self, light: Singles) -> Singles:
        """(M, K) evidence for cloth (positive) or ground (negative) of pixels (M, K, 3) along the same outline."""
        row = self._rows(len(light))
        ground = self.ground[row]
        plain = _deviation(light, ground[None], (light @ ground[:, :, None]).reshape(1, *light.shape[:2]))[0]
        difference: Singles = np.minimum(plain, self.marks.deviation(light, row)) - self.cloth.deviation(light, row)
        return difference

    def scatter(self, count: int) -> Floats:
        """(count, 3, 3) covariance of the colours of cloth and ground along the same outline."""
        return (self.cloth.scatter() + self.marks.scatter())[self._rows(count)]

    def _rows(self, count: int) -> NDArray[np.intp]:
        return np.arange(count) * len(self.ground) // count


def learn_appearance(light: Singles, known: Bools) -> Appearance:
    """Colours of cloth and ground from profiles that run from well within the cloth to well outside.

    Parameters
    ----------
    light : (N, K, 3) array, linear light
    known : (N, K) array of bool
        Whether a sample lies on the side that its place on the profile says.
    """
    outer, outer_known = light[:, -RIM_SAMPLES:], known[:, -RIM_SAMPLES:]
    inner, inner_known = light[:, :RIM_SAMPLES], known[:, :RIM_SAMPLES]
    return Appearance(_local_median(outer, outer_known), _palette(outer, outer_known), _palette(inner, inner_known))


def _deviation(light: Singles, colours: Singles, products: Singles) -> Singles:
    """(C, M, K) squared deviation of light (M, K, 3) from colours (C, M or 1, 3), plain or in shade, limited.

    ``products`` (C, M, K) are their scalar products; the arrays are large, so they are changed in place.
    """
    length, colour_length = _length(light), _length(colours)[..., None]
    sharpness = np.float32(2.0) / np.square(CHROMA_SD + SENSOR_SD / length)
    deviation = products / -colour_length
    deviation *= sharpness / length
    deviation += sharpness  # (1 - cosine) of the angle between them, weighted
    np.maximum(deviation, 0.0, out=deviation)
    level = np.log(length + SENSOR_SD) / LEVEL_SD - np.log(colour_length + SENSOR_SD) / LEVEL_SD
    is_darker = level <= 0.0
    np.square(level, out=level)
    shaded = level * np.square(LEVEL_SD / SHADE_SD)
    shaded += SHADE_COST
    np.minimum(level, shaded, out=level, where=is_darker)
    deviation += level
    return np.asarray(np.minimum(deviation, LIMIT, out=deviation))


def _length(light: Singles) -> Singles:
    """Length of light (..., 3), never zero."""
    return np.asarray(np.sqrt(np.einsum("...c,...c->...", light, light)) + np.float32(1e-6))


def _palette(light: Singles, known: Bools) -> Palette:
    """Main colours of pixels (N, K, 3), by k-means on their square roots, and how common each is along the outline."""
    root = np.sqrt(light)
    usable = root[known] if known.sum() >= 4 * COLOURS else root.reshape(-1, 3)
    cv2.setRNGSeed(0)
    stop = (cv2.TERM_CRITERIA_MAX_ITER + cv2.TERM_CRITERIA_EPS, 10, 0.01)
    sample = usable[:: max(1, len(usable) // 1500)]
    _, labels, centres = cv2.kmeans(sample, COLOURS, None, stop, 1, cv2.KMEANS_PP_CENTERS)  # type: ignore[call-overload]
    centres = centres[np.bincount(labels.ravel(), minlength=COLOURS) > RARE_SHARE * len(labels)]
    nearest = np.square(root[:, :, None, :] - centres).sum(axis=-1).argmin(axis=-1)
    count = ((nearest[:, :, None] == np.arange(len(centres))) & known[:, :, None]).sum(axis=1).astype(np.float32)
    local = gaussian_filter1d(count, NEIGHBOURS, axis=0, mode="wrap") + np.float32(RARE_SHARE)
    return Palette(np.square(centres), local / local.sum(axis=1, keepdims=True))


def _local_median(light: Singles, known: Bools, block: int = 12) -> Singles:
    """(N, 3) running colour along the outline: medians of blocks of profiles, interpolated round the ring."""
    count = max(1, len(light) // block)
    edges = np.linspace(0, len(light), count + 1).astype(int)
    spans = [slice(a, b) for a, b in pairwise(edges)]
    median = np.array([np.median(light[s][known[s]], axis=0) if known[s].any() else [np.nan] * 3 for s in spans])
    good = ~np.isnan(median[:, 0])
    if not good.any():
        return np.broadcast_to(np.median(light.reshape(-1, 3), axis=0), (len(light), 3)).astype(np.float32)
    centres = 0.5 * (edges[:-1] + edges[1:])[good]
    rows = np.arange(len(light))
    channels = [np.interp(rows, centres, median[good, c], period=len(light)) for c in range(3)]
    return np.column_stack(channels).astype(np.float32)
