"""Where along a normal the light steps from cloth to ground, below a pixel.

Optical blur mixes light, so a profile across the edge (linear light, each channel) is modelled as

    inside(x) * (1 - H(x - d)) + outside(x) * shade(x - d) * H(x - d),   H a step blurred by a Gaussian,

inside and outside a level and a small slope, shade the ground's contact shadow: a strip beside the cloth, darker by one
share in all channels. The edge is the offset d of least squared residual. Levels and slopes are linear, so they are
eliminated in closed form (variable projection: G. H. Golub and V. Pereyra, 1973) for a fixed grid of offsets and
shadows at once. The shadow hardly shows on one profile: it is chosen from the summed residuals of the neighbours.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

REACH_PX = 6.0
SPACING_PX = 0.5
SEARCH_PX = 2.0
SEARCH_STEP_PX = 0.125
NOISE = 0.05  # noise and texture, in units of the profile's level
SLOPE_SD = 0.2  # change of a side's level over the reach, in units of the profile's level
NEIGHBOURS = 8.0  # profiles over which the shadow is judged, standard deviation of a Gaussian window
STEP_LIMIT = 12.0  # evidence of one profile against a step, at most
LONE = ((0.0, 1.0),)
SHADOWS = (*LONE, *((share, width) for share in (0.3, 0.6) for width in (0.5, 1.0, 1.5, 2.0, 3.0, 5.0)))

OFFSETS_PX = np.arange(-REACH_PX, REACH_PX + 1e-9, SPACING_PX)
SHIFTS_PX = np.arange(-SEARCH_PX, SEARCH_PX + 1e-9, SEARCH_STEP_PX)


@dataclass(frozen=True, eq=False)
class StepFit:
    """The edge on each of N profiles.

    Attributes
    ----------
    offset_px : (N,) array
        Where the step is along the normal.
    u_px : (N,) array
        Standard uncertainty from the residual and the curvature of the squared residual.
    contrast : (N,) array
        Height of the step over the noise.
    """

    offset_px: Floats
    u_px: Floats
    contrast: Floats


def _side(x: Floats, blur_px: float) -> tuple[Floats, Floats]:
    """Level and slope on x < 0, cut off at 0 and blurred."""
    level = ndtr(-x / blur_px)
    gauss = np.exp(-0.5 * (x / blur_px) ** 2) / np.sqrt(2.0 * np.pi)
    return level, (x * level - blur_px * gauss) / REACH_PX


@lru_cache(maxsize=16)
def _projections(blur_px: float, shadows: tuple[tuple[float, float], ...]) -> Singles:
    """(K, S, D, 4): for each shadow and offset a basis; the squared coordinates in it are what the model explains."""
    x = OFFSETS_PX[:, None] - SHIFTS_PX
    inside, inside_slope = _side(x, blur_px)
    lit, outside_slope = _side(-x, blur_px)
    bases = [
        np.stack([inside, inside_slope, lit - share * (lit - ndtr((x - width) / blur_px)), outside_slope], axis=-1)
        for share, width in shadows
    ]
    basis = np.stack(bases).transpose(0, 2, 1, 3)
    penalty = np.diag(np.array([1e-3, NOISE / SLOPE_SD, 1e-3, NOISE / SLOPE_SD]) ** 2)
    root = np.linalg.cholesky(basis.swapaxes(2, 3) @ basis + penalty)
    bank = np.linalg.solve(root, basis.swapaxes(2, 3))
    return np.ascontiguousarray(bank.transpose(3, 0, 1, 2), dtype=np.float32)


def _squared_residuals(profiles: Singles, blur_px: float, shadows: tuple[tuple[float, float], ...]) -> Floats:
    """(N, S, D) squared residual of every profile (N, K, C), in units of its level, summed over channels."""
    scaled = profiles / (profiles.mean(axis=1, keepdims=True) + np.float32(0.005))
    bank = _projections(blur_px, shadows)
    samples, *grid, terms = bank.shape
    flat = scaled.transpose(0, 2, 1).reshape(-1, samples)
    explained = np.square(flat @ bank.reshape(samples, -1)).reshape(len(profiles), -1, *grid, terms).sum(axis=(1, 4))
    total = np.square(scaled).sum(axis=(1, 2))
    residual: Floats = np.maximum(total[:, None, None] - explained, 1e-7).astype(np.float64)
    return residual


def fit_steps(profiles: Singles, blur_px: float, pull: Floats) -> StepFit:
    """Fit the step on every profile; the profiles follow each other round a closed outline.

    Parameters
    ----------
    profiles : (N, K, C) array
        Linear light, from the cloth outward at ``OFFSETS_PX``.
    blur_px : float
        Standard deviation of the optical blur.
    pull : (N, D) array
        What else speaks against each of ``SHIFTS_PX``, in units of the noise's variance. It decides between steps, not
        where within a step the edge is.
    """
    residual = _squared_residuals(profiles, blur_px, SHADOWS) * SPACING_PX
    free = profiles.shape[2] * (2.0 * REACH_PX - 4.0)
    variance = residual.min(axis=(1, 2)) / free
    cost = residual / variance[:, None, None]
    least = cost.min(axis=2)
    excess = np.minimum(least - least.min(axis=1, keepdims=True), 50.0)
    shadow = gaussian_filter1d(excess, NEIGHBOURS, axis=0, mode="wrap").argmin(axis=1)
    rows = np.arange(len(cost))
    chosen = cost[rows, shadow]
    limited = np.minimum(chosen - chosen.min(axis=1, keepdims=True), STEP_LIMIT)
    best = _nearest_minimum(chosen, (limited + pull).argmin(axis=1))
    left, middle, right = chosen[rows, best - 1], chosen[rows, best], chosen[rows, best + 1]
    bend = np.maximum(left - 2.0 * middle + right, 1e-6)
    vertex = np.clip(0.5 * (left - right) / bend, -1.0, 1.0)
    u = np.sqrt(2.0 / bend * middle / free) * SEARCH_STEP_PX
    return StepFit(SHIFTS_PX[best] + vertex * SEARCH_STEP_PX, u, _contrast(profiles, variance))


def _nearest_minimum(cost: Floats, start: NDArray[np.int64]) -> NDArray[np.int64]:
    """Downhill from the start columns to a column lower than its neighbours, at most half the search away."""
    rows = np.arange(len(cost))
    last = cost.shape[1] - 2
    at = np.clip(start, 1, last)
    for _ in range(last // 4):
        step = (cost[rows, at + 1] < cost[rows, at]).astype(int) - (cost[rows, at - 1] < cost[rows, at])
        at = np.clip(at + step, 1, last)
    return at


def _contrast(profiles: Singles, variance: Floats) -> Floats:
    """Height of the step over the noise, both in units of the level, all channels together."""
    third = profiles.shape[1] // 3
    height = profiles[:, :third].mean(axis=1) - profiles[:, -third:].mean(axis=1)
    height = height / (profiles.mean(axis=1) + np.float32(0.005))
    contrast: Floats = np.sqrt(np.square(height, dtype=np.float64).sum(axis=1) / variance)
    return contrast


def estimate_blur(profiles: Singles) -> float:
    """Standard deviation of the optical blur in pixels, from profiles round an outline.

    Shadow beside the edge widens the step, so the blur is that of the sharper stretches.
    """
    candidates = np.array([0.6, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 1.0, 1.05, 1.1, 1.2, 1.35, 1.5, 1.75, 2.0, 2.5])
    least = np.array([_squared_residuals(profiles, blur, LONE).min(axis=(1, 2)) for blur in candidates])
    relative = np.minimum(least / least.min(axis=0), 2.0)
    smooth = gaussian_filter1d(relative, 2.0, axis=1, mode="wrap")
    return float(np.percentile(candidates[smooth.argmin(axis=0)], 25))
