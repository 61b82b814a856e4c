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
COLOURS = 6
RARE_SHARE = 0.02
NEIGHBOURS = 12.0  # profiles over which colours are counted, standard deviation of a Gaussian window
LIMIT = np.float32(9.0)
CHROMA_SD = np.float32(0.02)
SENSOR_SD = np.float32(0.003)  # noise in linear light, which blurs the chromaticity of dark pixels
LEVEL_SD = np.float32(0.13)  # of the logarithm of the level
SHADE_COST = np.float32(2.0)
SHADE_SD = np.float32(0.7)


@dataclass(frozen=True, eq=False)
class Appearance:
    """Colours in linear light.

    Attributes
    ----------
    ground : (N, 3) array
        Beside each of the N points of the outline they were learnt from.
    cloth : (C, 3) array
    cloth_cost : (N, C) array
        Added to a deviation from each cloth colour: what is rare on a stretch of the outline explains less there.
    """

    ground: Singles
    cloth: Singles
    cloth_cost: Singles

    def evidence(self, light: Singles) -> Singles:
        """(M, K) evidence for cloth (positive) or ground (negative) of pixels (M, K, 3) along the same outline."""
        row = np.arange(len(light)) * len(self.ground) // len(light)
        ground = np.minimum(_deviation(light, self.ground[row, None, :]), LIMIT)
        cloth = np.full(light.shape[:2], LIMIT)
        for colour, cost in zip(self.cloth, self.cloth_cost[row].T, strict=True):
            np.minimum(cloth, _deviation(light, colour) + cost[:, None], out=cloth)
        difference: Singles = ground - cloth
        return difference


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
    cloth = _palette(inner[inner_known] if inner_known.sum() >= 4 * COLOURS else inner.reshape(-1, 3))
    return Appearance(_local_median(outer, outer_known), cloth, _rarity(inner, inner_known, cloth))


def _deviation(light: Singles, colour: Singles) -> Singles:
    """Squared deviation of light (..., 3) from a colour, plain or in shade."""
    length = np.sqrt(np.einsum("...c,...c->...", light, light)) + np.float32(1e-6)
    colour_length = np.sqrt(np.einsum("...c,...c->...", colour, colour)) + np.float32(1e-6)
    cosine = np.einsum("...c,...c->...", light, colour) / (length * colour_length)
    ratio = np.log((length + SENSOR_SD) / (colour_length + SENSOR_SD))
    shaded = np.where(ratio > 0, LIMIT, SHADE_COST + np.square(ratio / SHADE_SD))
    level = np.minimum(np.square(ratio / LEVEL_SD), shaded)
    deviation: Singles = 2.0 * np.maximum(1.0 - cosine, 0.0) / np.square(CHROMA_SD + SENSOR_SD / length) + level
    return deviation


def _palette(light: Singles) -> Singles:
    """(C, 3) main colours of pixels (M, 3), by k-means on their square roots."""
    sample = np.sqrt(light[:: max(1, len(light) // 2000)])
    cv2.setRNGSeed(0)
    stop = (cv2.TERM_CRITERIA_MAX_ITER + cv2.TERM_CRITERIA_EPS, 10, 0.01)
    _, labels, centres = cv2.kmeans(sample, COLOURS, None, stop, 1, cv2.KMEANS_PP_CENTERS)  # type: ignore[call-overload]
    common = np.bincount(labels.ravel(), minlength=COLOURS) > RARE_SHARE * len(labels)
    return np.asarray(np.square(centres[common]), dtype=np.float32)


def _rarity(light: Singles, known: Bools, cloth: Singles) -> Singles:
    """(N, C) -2 log of each colour's share among pixels (N, K, 3) of the neighbouring profiles."""
    nearest = np.square(np.sqrt(light)[:, :, None, :] - np.sqrt(cloth)).sum(axis=-1).argmin(axis=-1)
    count = ((nearest[:, :, None] == np.arange(len(cloth))) & known[:, :, None]).sum(axis=1).astype(np.float64)
    local = gaussian_filter1d(count, NEIGHBOURS, axis=0, mode="wrap") + RARE_SHARE
    rarity: Singles = (-2.0 * np.log(local / local.sum(axis=1, keepdims=True))).astype(np.float32)
    return rarity


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
