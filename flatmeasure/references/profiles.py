"""Profiles across lines of the picture, the blurred step in each, and the smooth curve through them.

All lines of all figures are treated at once, stacked: a picture with four coded squares has about a hundred.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Light

SAMPLES = 25  # along a profile
PROFILES = 8  # averaged into one observation
GROUP_PX = 6.0  # an observation covers at least so much of a line
MAX_OBSERVATIONS = 24  # of one line
SETTLED_PX, MOST_ROUNDS = 1e-3, 10
BLUR_RANGE_PX = (0.2, 30.0)

_ACROSS = np.linspace(-1.0, 1.0, SAMPLES)
_ALONG = (np.arange(PROFILES) + 0.5) / PROFILES - 0.5


@dataclass(frozen=True, eq=False)
class Patch:
    """Linear luminance of a part of the picture; ``origin_px`` is (x, y) of its first pixel."""

    light: Light
    origin_px: tuple[int, int]


@dataclass(frozen=True, eq=False)
class Curves:
    """B lines of the picture: chords, and how they bend about them.

    Attributes
    ----------
    start_px, end_px : (B, 2) arrays
        Ends of the chords.
    bends_px : (B, 3) array
        Offset from the chord toward the dark side, ``b0 + b1 x + b2 (x^2 - 1/3)``; x runs from -1 to 1.
    """

    start_px: Points
    end_px: Points
    bends_px: Points

    @property
    def length_px(self) -> Points:
        """(B,) lengths of the chords."""
        return np.asarray(np.hypot(*(self.end_px - self.start_px).T))

    @property
    def normals(self) -> Points:
        """(B, 2) unit normals of the chords to the dark side: the right hand, with y down."""
        along = (self.end_px - self.start_px) / self.length_px[:, None]
        return np.stack([-along[:, 1], along[:, 0]], axis=1)

    def points(self, line: NDArray[np.intp], x: Points, offset_px: Points) -> Points:
        """(N, 2) points at places x along chords, moved off them."""
        middle, half = (self.start_px + self.end_px) / 2.0, (self.end_px - self.start_px) / 2.0
        return middle[line] + x[:, None] * half[line] + offset_px[:, None] * self.normals[line]

    def tangents(self, line: NDArray[np.intp], x: Points) -> Points:
        """(N, 2) unit tangents of the curves, from start to end."""
        slope = self.bends_px[line, 1] + 2.0 * self.bends_px[line, 2] * x
        way = (self.end_px - self.start_px)[line] / 2.0 + slope[:, None] * self.normals[line]
        return np.asarray(way / np.hypot(*way.T)[:, None])


@dataclass(frozen=True, eq=False)
class Places:
    """Where G observations are taken.

    Attributes
    ----------
    line : (G,) array
        Index of the line, ascending.
    x, span : (G,) arrays
        Middle and extent along the chord, which runs from -1 to 1.
    """

    line: NDArray[np.intp]
    x: Points
    span: Points


@dataclass(frozen=True, eq=False)
class Fits:
    """Blurred steps in G profiles: place from the middle, height in linear light, blur (standard deviation)."""

    offset_px: Points
    height: Points
    blur_px: Points


def spread_places(length_px: Points, trim_px: Points) -> Places:
    """Divide lines into places of observation, staying away from their ends (B,)."""
    usable = np.maximum(length_px - 2.0 * trim_px, 0.0)
    count = np.clip((usable / GROUP_PX).astype(int), 0, MAX_OBSERVATIONS)
    count[(count == 0) & (usable >= GROUP_PX / 2.0)] = 1
    line = np.repeat(np.arange(len(length_px)), count)
    first = np.cumsum(count) - count
    within = np.arange(len(line)) - first[line]
    share = usable / length_px
    x = share[line] * ((2.0 * within + 1.0) / count[line] - 1.0)
    return Places(line, x, 2.0 * share[line] / count[line])


def sample_profiles(
    patches: Sequence[Patch], patch_of_line: NDArray[np.intp], curves: Curves, places: Places, half_px: Points
) -> Points:
    """(G, SAMPLES) profiles across the curves from the light to the dark side, ``half_px`` (B,) to either side."""
    profiles = np.empty((len(places.x), SAMPLES))
    normals = curves.normals
    for index, patch in enumerate(patches):
        here = np.flatnonzero(patch_of_line[places.line] == index)
        if len(here) == 0:
            continue
        line = np.repeat(places.line[here], PROFILES)
        x = (places.x[here, None] + places.span[here, None] * _ALONG).ravel()
        middle = curves.points(line, x, offsets(curves.bends_px, line, x)) - np.asarray(patch.origin_px)
        reach = half_px[line, None] * normals[line]
        # Linear interpolation: cubic and Lanczos kernels move a ramp by up to 0.05 px.
        x_map, y_map = (_line_of_samples(middle[:, axis], reach[:, axis]) for axis in (0, 1))
        light = np.asarray(cv2.remap(patch.light, x_map, y_map, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
        profiles[here] = light.reshape(len(here), PROFILES, SAMPLES).mean(axis=1)
    return profiles


def _line_of_samples(middle: Points, reach: Points) -> NDArray[np.float32]:
    start, way = middle.astype(np.float32), reach.astype(np.float32)
    samples: NDArray[np.float32] = start[:, None] + way[:, None] * _ACROSS.astype(np.float32)
    return samples


def offsets(bends_px: Points, line: NDArray[np.intp], x: Points) -> Points:
    """(N,) offsets of the curves from their chords."""
    bend = bends_px[line]
    return np.asarray(bend[:, 0] + bend[:, 1] * x + bend[:, 2] * (x**2 - 1.0 / 3.0))


def steepest(profiles: Points, half_px: Points) -> tuple[Points, Points]:
    """Place (G,) and slope (G,) of the steepest fall from light to dark in profiles ``half_px`` (G,) to either side."""
    smooth = (profiles[:, :-2] + 2.0 * profiles[:, 1:-1] + profiles[:, 2:]) / 4.0
    fall = smooth[:, :-1] - smooth[:, 1:]
    best = np.argmax(fall, axis=1)
    between = (_ACROSS[1:-2] + _ACROSS[2:-1]) / 2.0
    return between[best] * half_px, fall[np.arange(len(best)), best] / half_px


def fit_blurred_steps(
    profiles: Points, half_px: Points, *, blur_px: Points | None = None, rough: tuple[float, float] = (0.0, 0.0)
) -> Fits:
    """Least-squares fit of ``dark + height * Phi(-(t - offset) / blur)`` to profiles from light to dark.

    Gauss-Newton in four unknowns for each profile. Phi, the normal distribution function, is a step seen through a
    Gaussian blur.

    Parameters
    ----------
    profiles : (G, SAMPLES) array
    half_px : (G,) array
        How far they reach to either side.
    blur_px : (G,) array, optional
        The blur where it is known, and not to be found.
    rough : tuple of float
        How much rougher than the step itself the ground is on its light and on its dark side: texture fades under the
        step as the other side covers it, so the variance of a sample is ``1 + rough^2 * share^2``.
    """
    t = half_px[:, None] * _ACROSS
    low, high = profiles[:, -4:].mean(axis=1), profiles[:, :4].mean(axis=1)
    scale = np.maximum(np.ptp(profiles, axis=1), 1e-9)
    y = (profiles - low[:, None]) / scale[:, None]
    start = steepest(profiles, half_px)[0]
    first_blur_px = np.maximum(half_px / 5.0, 0.5) if blur_px is None else blur_px
    unknowns = np.stack([np.zeros(len(t)), (high - low) / scale, start, first_blur_px], axis=1)
    damping = 1e-6 * np.eye(4)
    for _ in range(MOST_ROUNDS):
        dark, height, offset, blur = (unknowns[:, i, None] for i in range(4))
        z = (t - offset) / blur
        share = ndtr(-z)
        bell = height * np.exp(-0.5 * z**2) / (np.sqrt(2.0 * np.pi) * blur)
        by_blur = bell * z if blur_px is None else np.zeros_like(bell)
        jacobian = np.stack([np.ones_like(share), share, bell, by_blur], axis=2)
        weight = 1.0 / (1.0 + (rough[0] * share) ** 2 + (rough[1] * (1.0 - share)) ** 2)
        weighted = np.swapaxes(jacobian * weight[..., None], 1, 2)
        residual = y - dark - height * share
        change = np.linalg.solve(weighted @ jacobian + damping, weighted @ residual[..., None])[..., 0]
        change[:, 2:] = np.clip(change[:, 2:], -blur, blur)
        unknowns += change
        unknowns[:, 2] = np.clip(unknowns[:, 2], -half_px, half_px)
        unknowns[:, 3] = np.clip(unknowns[:, 3], *BLUR_RANGE_PX)
        if np.abs(change[:, 2]).max(initial=0.0) < SETTLED_PX:
            break
    return Fits(unknowns[:, 2], unknowns[:, 1] * scale, unknowns[:, 3])


def fit_bends(places: Places, offset_px: Points, seen: NDArray[np.bool_], length_px: Points, u_px: float) -> Points:
    """Robust smooth curves (B, 3) through observations, each of about ``u_px``.

    Iteratively reweighted least squares with Cauchy weights. A weak prior (turned by 2 %, bent by 1 % of the length)
    stands in where a short line has too few observations for three unknowns.
    """
    count = len(length_px)
    basis = np.stack([np.ones_like(places.x), places.x, places.x**2 - 1.0 / 3.0], axis=1)
    prior = np.zeros((count, 3, 3))
    prior[:, 0, 0] = 1e-9
    prior[:, 1, 1] = (u_px / (0.02 * length_px)) ** 2
    prior[:, 2, 2] = (u_px / (0.01 * length_px)) ** 2
    residual = offset_px - medians(places.line, offset_px, seen, count)[places.line]
    bends: Points = np.zeros((count, 3))
    for _ in range(6):
        spread = np.maximum(1.4826 * medians(places.line, np.abs(residual), seen, count), u_px)
        weight = seen / (1.0 + (residual / (2.0 * spread[places.line])) ** 2)
        weighted = basis * weight[:, None]
        products = weighted[:, :, None] * basis[:, None, :]
        normal = prior + sum_by_line(places.line, products.reshape(-1, 9), count).reshape(-1, 3, 3)
        right = sum_by_line(places.line, weighted * offset_px[:, None], count)
        bends = np.asarray(np.linalg.solve(normal, right[..., None])[..., 0])
        residual = offset_px - offsets(bends, places.line, places.x)
    return bends


def sum_by_line(line: NDArray[np.intp], values: Points, count: int) -> Points:
    """Sums (B, K) of values (G, K) over the observations of each line."""
    return np.stack([np.bincount(line, column, count) for column in values.T], axis=1)


def medians(line: NDArray[np.intp], values: Points, seen: NDArray[np.bool_], count: int) -> Points:
    """(B,) median over the observations of each line that are seen; 0 for a line without any."""
    chosen = np.flatnonzero(seen)
    order = chosen[np.lexsort((values[chosen], line[chosen]))]
    number = np.bincount(line[order], minlength=count)
    first = np.cumsum(number) - number
    result = np.zeros(count)
    some = number > 0
    low, high = (first + (number - 1) // 2)[some], (first + number // 2)[some]
    result[some] = (values[order[low]] + values[order[high]]) / 2.0
    return result
