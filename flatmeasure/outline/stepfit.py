"""Where along a normal the light steps from cloth to ground, below a pixel.

Optical blur mixes light, so a profile across the edge (linear light, each channel) is modelled as

    inside(x) * (1 - H(x - d)) + outside(x) * shade(x - d) * H(x - d),   H a step blurred by a Gaussian,

inside and outside a level and a slope, shade the ground's shadow: beside the cloth darker by one share in all channels,
full up to a distance (umbra) and fading evenly from there to another (penumbra of a broad lamp). The edge is the offset
d of least squared residual. Levels and slopes are linear, so they are eliminated in closed form (variable projection:
G. H. Golub and V. Pereyra, 1973) for a fixed grid of offsets and shadows at once. How far a shadow reaches follows from
the cloth's thickness: cloth as flat as print has none. It hardly shows on one profile, and how dark it is depends on
which way the edge faces the light: it is judged by all profiles that face about the same way, and the offset is the
mean over the shadows, each weighted by how well it explains them.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, minimum_filter1d
from scipy.special import ndtr

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Shadows = tuple[tuple[float, float, float], ...]

REACH_PX = 5.0
SPACING_PX = 0.5
TAPER_PX = 2.5  # samples farther from the middle count less, by a Gaussian of this standard deviation
SEARCH_PX = 2.0
SEARCH_STEP_PX = 0.2
NOISE = 0.03  # noise and texture, in units of the profile's level
SCATTER_WEIGHT = 0.1  # of the scatter of colours against noise
SLOPE_SD = 4.0  # change of a side's level over the reach, in units of the noise
STEP_LIMIT = 6.0  # evidence of one profile against a step, at most
MISFIT = 0.005  # of the model itself, in units of the step's height: no evidence is finer
MIXED_BLURS = 1.3  # nearer than so many blurs to a step the colours are mixed and do not tell where it is
DIRECTIONS = 24  # in which profiles are pooled by where they face
DIRECTION_SD = 1.2  # of the window over them, in directions
SHADOW_LIMIT = 50.0  # evidence of one profile against a shadow, at most
NO_SHADOW: Shadows = ((0.0, 0.0, 1.0),)
SHADOW_SHARES = (0.25, 0.5, 0.75)
SHADOW_ENDS = ((0.0, 0.7), (0.0, 1.4), (0.7, 1.4))  # of umbra and penumbra, in thicknesses: lamps to 55 deg off zenith
LEAST_RELIEF_PX, MOST_RELIEF_PX = 0.3, 9.0  # a thinner cloth throws none; a broader shadow is seen as ground

BLUR_RATIO = 1.13
BLURS_PX = 0.6 * BLUR_RATIO ** np.arange(13)

OFFSETS_PX = np.arange(-REACH_PX, REACH_PX + 1e-9, SPACING_PX)
SHIFTS_PX = np.arange(-SEARCH_PX, SEARCH_PX + 1e-9, SEARCH_STEP_PX)
TAPER = np.exp(-0.25 * (OFFSETS_PX / TAPER_PX) ** 2)  # root of the samples' weights
FREEDOM = 3.0 * (float(np.sum(TAPER**2)) * SPACING_PX - 3.0)  # of the residual of three channels
PAIRS = np.triu_indices(len(OFFSETS_PX))


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
    shade : (N,) array
        Likely share of the light that the cloth takes from the ground beside it.
    shadow : (N,) array of int
        Index of the likeliest shadow.
    """

    offset_px: Floats
    u_px: Floats
    contrast: Floats
    shade: Floats
    shadow: NDArray[np.intp]


def whiten(profiles: Singles, scatter: Floats) -> Singles:
    """Profiles (N, K, 3) in three mixtures of their channels that carry noise of one unit each.

    Noise grows with the level; the scatter (N, 3, 3) of the colours within cloth and ground counts as noise too, so
    that a mixture in which stripes look alike weighs more (R. A. Fisher's linear discriminant, 1936).
    """
    level = profiles.mean(axis=1) + np.float32(0.005)
    covariance = SCATTER_WEIGHT * scatter + np.eye(3) * np.square(NOISE * level)[:, :, None]
    variance, axes = np.linalg.eigh(covariance)
    return np.asarray(profiles @ (axes / np.sqrt(variance)[:, None, :]).astype(np.float32))


def shadows_of(relief_px: float) -> Shadows:
    """Shadows, (share, end of the umbra, end of the penumbra in px), of cloth ``relief_px`` above the ground."""
    if not LEAST_RELIEF_PX < relief_px < MOST_RELIEF_PX:
        return NO_SHADOW
    reach_px = round(relief_px, 1)
    ends = [(full * reach_px, end * reach_px) for full, end in SHADOW_ENDS]
    return (*NO_SHADOW, *((share, *end) for share in SHADOW_SHARES for end in ends))


def fit_steps(profiles: Singles, normals: Floats, blur_px: float, shadows: Shadows, pull: Floats) -> StepFit:
    """Fit the step on every profile.

    Parameters
    ----------
    profiles : (N, K, 3) array
        Whitened, from the cloth outward at ``OFFSETS_PX``.
    normals : (N, 2) array
        Unit vectors along the profiles, from the cloth outward.
    blur_px : float
        Standard deviation of the optical blur.
    shadows : sequence of (share, end of the umbra, end of the penumbra)
        See `shadows_of`.
    pull : (N, D) array
        What else speaks against each of ``SHIFTS_PX``, in units of the noise's variance. It decides between steps, not
        where within a step the edge is.
    """
    residual = _squared_residuals(profiles, blur_px, shadows)
    height = _height(profiles)
    variance = np.maximum(residual.min(axis=(1, 2)) / FREEDOM, np.square(MISFIT * height))
    cost = residual / variance[:, None, None]
    weight = _shadow_weights(cost.min(axis=2), normals)
    shadow = weight.argmax(axis=1)
    likely = cost[np.arange(len(cost)), shadow]
    mixed = 2 * int(np.ceil(MIXED_BLURS * blur_px / SEARCH_STEP_PX)) + 1
    pull = minimum_filter1d(pull, mixed, axis=1, mode="nearest")
    start = (np.minimum(likely - likely.min(axis=1, keepdims=True), STEP_LIMIT) + pull).argmin(axis=1)
    offset, u = _vertices(cost, start)
    u = np.minimum(u * np.sqrt(cost.min(axis=2) / FREEDOM), SEARCH_PX)  # however little a shadow lets it be seen
    shade = weight @ np.array([share for share, _, _ in shadows])
    return StepFit((weight * offset).sum(axis=1), (weight * u).sum(axis=1), height / np.sqrt(variance), shade, shadow)


def estimate_blur(profiles: Singles) -> float:
    """Standard deviation of the optical blur in pixels, from whitened profiles round an outline.

    What shadow the model leaves unexplained widens the step, so the blur is that of the sharper stretches.
    """
    least = np.stack([_squared_residuals(profiles, blur, NO_SHADOW).min(axis=2) for blur in BLURS_PX.tolist()])
    relative = np.minimum(least / least.min(axis=(0, 2))[:, None], 2.0)
    cost = gaussian_filter1d(relative, 2.0, axis=1, mode="wrap").min(axis=2)
    columns = np.arange(cost.shape[1])
    best = np.clip(cost.argmin(axis=0), 1, len(cost) - 2)
    left, middle, right = (cost[best + k, columns] for k in (-1, 0, 1))
    vertex = np.clip(0.5 * (left - right) / np.maximum(left - 2.0 * middle + right, 1e-9), -1.0, 1.0)
    return float(BLURS_PX[0] * BLUR_RATIO ** np.percentile(best + vertex, 15))


def _squared_residuals(profiles: Singles, blur_px: float, shadows: Shadows) -> Floats:
    """(N, S, D) squared residual of every profile at every shadow and offset, summed over channels."""
    return squared_residuals(profiles, _residual_forms(blur_px, shadows), len(shadows))


@lru_cache(maxsize=32)
def _residual_forms(blur_px: float, shadows: Shadows) -> Singles:
    """`residual_forms` of a step beside each shadow."""
    return residual_forms(np.concatenate([step_basis(blur_px, shadow) for shadow in shadows], axis=1))


def squared_residuals(profiles: Singles, forms: Singles, models: int) -> Floats:
    """(N, M, D) squared residual of every profile under M models at every offset, summed over channels."""
    scaled = profiles * TAPER.astype(np.float32)[:, None]
    products = (scaled @ scaled.swapaxes(1, 2))[:, *PAIRS]
    residual = np.maximum(products @ forms, 1e-2) * SPACING_PX
    return residual.astype(np.float64).reshape(len(profiles), models, -1)


def residual_forms(basis: Floats) -> Singles:
    """(P, F): for each of F bases, (K, F, C), the quadratic form whose value for a profile is its squared residual.

    A form is I - Q Q', Q an orthonormal basis of the model; of the symmetric matrix only the pairs of one triangle.
    Of a basis' columns the second and fourth are slopes, held back by `SLOPE_SD`; the others are free.
    """
    tapered = basis.swapaxes(0, 1) * TAPER[:, None]
    freedom = np.full(basis.shape[2], 1e3)
    freedom[[1, 3]] = SLOPE_SD
    transposed = tapered.swapaxes(1, 2)
    form = np.eye(len(TAPER)) - tapered @ np.linalg.solve(transposed @ tapered + np.diag(freedom**-2.0), transposed)
    twice = np.where(PAIRS[0] == PAIRS[1], 1.0, 2.0)
    return np.ascontiguousarray((form[:, *PAIRS] * twice).T, dtype=np.float32)


def step_basis(blur_px: float, shadow: tuple[float, float, float]) -> Floats:
    """(K, D, 4) what a profile is made of, for a step at each of ``SHIFTS_PX``: level and slope of either side."""
    x = OFFSETS_PX[:, None] - SHIFTS_PX
    share, full, end = shadow
    inside, inside_slope = _side(x, blur_px)
    lit, outside_slope = _side(-x, blur_px)
    outside = lit - share * (lit - _ramp(x, full, end, blur_px))
    return np.stack([inside, inside_slope, outside, outside_slope], axis=-1)


def line_basis(blur_px: float, start_px: float, end_px: float) -> Floats:
    """(K, D, 1) a line of even light on the ground, from one distance outward of the step to another."""
    x = OFFSETS_PX[:, None] - SHIFTS_PX
    return np.asarray((_side(start_px - x, blur_px)[0] - _side(end_px - x, blur_px)[0])[..., None])


def _side(x: Floats, blur_px: float) -> tuple[Floats, Floats]:
    """Level and slope on x < 0, cut off at 0 and blurred."""
    level = ndtr(-x / blur_px)
    gauss = np.exp(-0.5 * (x / blur_px) ** 2) / np.sqrt(2.0 * np.pi)
    return level, (x * level - blur_px * gauss) / REACH_PX


def _ramp(x: Floats, start_px: float, end_px: float, blur_px: float) -> Floats:
    """From 0 at its start to 1 at its end, blurred."""
    rise = _side(start_px - x, blur_px)[1] - _side(end_px - x, blur_px)[1]
    return np.asarray(-rise * REACH_PX / (end_px - start_px))


def _shadow_weights(cost: Floats, normals: Floats) -> Floats:
    """(N, S) weight of each shadow on each profile, from the mean limited costs of the profiles that face its way.

    Profiles share their texture and what the model lacks, so that many count as little more than one.
    """
    limited = np.minimum(cost - cost.min(axis=1, keepdims=True), SHADOW_LIMIT)
    facing = np.arctan2(normals[:, 1], normals[:, 0]) / (2.0 * np.pi) * DIRECTIONS
    low = np.floor(facing)
    share = np.zeros((len(facing), DIRECTIONS))
    rows = np.arange(len(facing))
    share[rows, low.astype(int) % DIRECTIONS] = 1.0 - (facing - low)
    share[rows, (low.astype(int) + 1) % DIRECTIONS] = facing - low
    share = gaussian_filter1d(share, DIRECTION_SD, axis=1, mode="wrap")
    excess = share @ (share.T @ limited / np.maximum(share.sum(axis=0), 1e-9)[:, None])
    likelihood = np.exp(0.5 * (excess.min(axis=1, keepdims=True) - excess))
    weights: Floats = likelihood / likelihood.sum(axis=1, keepdims=True)
    return weights


def _vertices(cost: Floats, start: NDArray[np.intp]) -> tuple[Floats, Floats]:
    """Offset and its uncertainty at unit variance, both (N, S): vertex of a parabola at the least cost near a start."""
    near = np.clip(start, 3, cost.shape[2] - 4)[:, None] + np.arange(-2, 3)
    rows, shadows = np.arange(len(cost))[:, None], np.arange(cost.shape[1])
    best = near[rows, cost[rows[:, :, None], shadows[:, None], near[:, None, :]].argmin(axis=2)]
    left, middle, right = (cost[rows, shadows, best + k] for k in (-1, 0, 1))
    bend = np.maximum(left - 2.0 * middle + right, 1e-6)
    vertex = np.clip(0.5 * (left - right) / bend, -1.0, 1.0)
    return SHIFTS_PX[best] + vertex * SEARCH_STEP_PX, np.sqrt(2.0 / bend) * SEARCH_STEP_PX


def _height(profiles: Singles) -> Floats:
    """Height of the step, all channels together."""
    third = profiles.shape[1] // 3
    step = profiles[:, :third].mean(axis=1) - profiles[:, -third:].mean(axis=1)
    height: Floats = np.sqrt(np.square(step, dtype=np.float64).sum(axis=1))
    return height
