"""Checker crossings of a figure, located below a pixel in linear light.

A crossing looks the same turned by half a turn, and so do its blurred, sharpened or tone-mapped pictures: none of these
moves it, while they do move the border between dark and light. Two blurred steps multiplied,

    light = level + slope . p + height * erf(across(p) / blur) * erf(down(p) / blur),

are fitted to the pixels round it by least squares; as the pixels are not resampled, nothing moves them either.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from flatmeasure.photos.camera import Points
from flatmeasure.references.figures import Saddles
from flatmeasure.references.profiles import Patch
from flatmeasure.references.steps import carry, homography

RADIUS_PX = (2.5, 6.0)  # least and greatest radius of the pixels used
MARGIN_PX = 1.5  # left between them and the ends of the crossing's lines: there the blur reaches in
SLIP_PX = 1.5  # a crossing may lie so far from where the figure's corners say
LEAST_CONTRAST = 0.4  # between its dark and light quadrants, as a share of the border's
ROUGHEST = 0.1  # rms residual, as a share of the contrast
BLUR_RANGE = (0.3, 4.0)  # scale of erf, in pixels
U_FLOOR_PX = 0.03  # 0.006 to 0.022 on renders with JPEG, sharpening and tone curves; the rest is for the print
FIRST_BLUR = 1.2
LIKELY = 0.5  # of the least contrast: less, where the crossing should be, and it is not looked for closely
ROUNDS = 8
SETTLED_PX = 1e-3
LARGEST_CHANGE = np.array([0.7, 0.7, 0.1, 0.1, 0.3, np.inf, np.inf, np.inf, np.inf])  # of the unknowns, in one round
STIFFNESS = np.array([0.0, 0.0, 1e-2, 1e-2, 1e-3, 0.0, 0.0, 0.0, 0.0])  # keeps the angles where few pixels show them


@dataclass(frozen=True, eq=False)
class _Window:
    """Pixels round N crossings: places (N, K, 2) from the guess, light (N, K) and weights (N, K)."""

    offset_px: Points
    light: Points
    weight: Points

    def chosen(self, which: NDArray[np.bool_]) -> "_Window":
        return _Window(self.offset_px[which], self.light[which], self.weight[which])


@dataclass(frozen=True, eq=False)
class _Fit:
    """Place (N, 2) from the guess, contrast (N,), rms residual as a share of it (N,), standard uncertainty (N,)."""

    offset_px: Points
    contrast: Points
    roughness: Points
    u_px: Points


def locate_saddles(patch: Patch, corners_px: Points, uv: Points, reach: Points, contrast: float) -> Saddles | None:
    """Those of a figure's checker crossings that the picture shows.

    Parameters
    ----------
    patch : Patch
        Linear luminance around the figure.
    corners_px : (4, 2) array
        Corners (0, 0), (1, 0), (1, 1), (0, 1) of the unit figure.
    uv : (N, 2) array
        Where crossings may be, in the unit figure; their lines run along u and v.
    reach : (N,) array
        How far these lines extend to either side, in units of the figure.
    contrast : float
        Of the figure's border, linear light.

    Returns
    -------
    Saddles or None
        None when none is seen.
    """
    to_picture = homography(corners_px)
    guess = carry(to_picture, uv)
    ways = np.stack([carry(to_picture, uv + reach[:, None] * axis) - guess for axis in np.eye(2)], axis=1)
    at, u_px, good = refine_crossings(patch, guess, ways, LEAST_CONTRAST * contrast)
    return Saddles(uv[good], at[good], u_px[good]) if good.any() else None


def refine_crossings(
    patch: Patch, guess_px: Points, ways_px: Points, least_contrast: float
) -> tuple[Points, Points, NDArray[np.bool_]]:
    """Locate crossings whose places are roughly known.

    Parameters
    ----------
    patch : Patch
    guess_px : (N, 2) array
        Good to 1.5 px.
    ways_px : (N, 2, 2) array
        For each the ways along its two lines as far as they extend.
    least_contrast : float
        Between dark and light quadrants, linear light.

    Returns
    -------
    (N, 2) array, (N,) array, (N,) array
        Places, standard uncertainties in each direction, and which of them are to be believed.
    """
    origin = np.asarray(patch.origin_px)
    radius_px = np.minimum(np.linalg.norm(ways_px, axis=2).min(axis=1) - MARGIN_PX, RADIUS_PX[1])
    room = np.minimum(guess_px - origin, np.array(patch.light.shape[::-1]) - 1.0 - (guess_px - origin)).min(axis=1)
    at, u_px, good = guess_px.copy(), np.full(len(guess_px), np.inf), np.zeros(len(guess_px), dtype=bool)
    tried = np.flatnonzero((radius_px >= RADIUS_PX[0]) & (room > radius_px + 2.0))
    if len(tried) == 0:
        return at, u_px, good
    window = _window(patch, guess_px[tried] - origin, radius_px[tried])
    start = _start(window, np.arctan2(ways_px[tried, :, 0], -ways_px[tried, :, 1]))  # of the normals to the lines
    likely = 2.0 * np.abs(start[:, 5]) > LIKELY * least_contrast
    if likely.any():
        tried = tried[likely]
        fit = _fit(window.chosen(likely), start[likely])
        at[tried] += fit.offset_px
        u_px[tried] = np.hypot(U_FLOOR_PX, fit.u_px)
        good[tried] = (np.hypot(*fit.offset_px.T) < SLIP_PX) & (fit.roughness < ROUGHEST)
        good[tried] &= fit.contrast > least_contrast
    return at, u_px, good


def _window(patch: Patch, guess: Points, radius_px: Points) -> _Window:
    middle = np.rint(guess).astype(int)
    reach = np.arange(-int(radius_px.max()) - 1, int(radius_px.max()) + 2)
    dy, dx = (a.ravel() for a in np.meshgrid(reach, reach, indexing="ij"))
    height, width = patch.light.shape  # a crossing with a smaller window may lie nearer to the patch's border
    row = np.clip(middle[:, 1, None] + dy, 0, height - 1)
    column = np.clip(middle[:, 0, None] + dx, 0, width - 1)
    offset_px = np.stack([dx, dy], axis=1) + (middle - guess)[:, None]
    weight = np.clip(radius_px[:, None] + 0.5 - np.hypot(*np.moveaxis(offset_px, 2, 0)), 0.0, 1.0)
    return _Window(offset_px, patch.light[row, column].astype(np.float64), weight)


def _start(window: _Window, angles: Points) -> Points:
    """The unknowns (N, 9): place, angles of the two lines' normals, blur, height, level, slopes."""
    unknowns = np.zeros((len(angles), 9))
    unknowns[:, 2:4], unknowns[:, 4] = angles, FIRST_BLUR
    basis = _model(unknowns, window.offset_px)[1][..., 5:]
    unknowns[:, 5:] = _solve(basis, window.light, window.weight, np.zeros(4))[0]
    return unknowns


def _fit(window: _Window, start: Points) -> _Fit:
    """Gauss-Newton in the nine unknowns of `_start`."""
    unknowns = start.copy()
    for _ in range(ROUNDS):
        model, jacobian = _model(unknowns, window.offset_px)
        change, inverse = _solve(jacobian, window.light - model, window.weight, STIFFNESS)
        unknowns += np.clip(change, -LARGEST_CHANGE, LARGEST_CHANGE)
        unknowns[:, 4] = np.clip(unknowns[:, 4], *BLUR_RANGE)
        if np.abs(change[:, :2]).max() < SETTLED_PX:
            break
    residual = window.light - _model(unknowns, window.offset_px)[0]
    number = window.weight.sum(axis=1)
    scatter = np.sqrt(np.sum(window.weight * residual**2, axis=1) / np.maximum(number - 9.0, 1.0))
    u_px = scatter * np.sqrt((inverse[:, 0, 0] + inverse[:, 1, 1]) / 2.0)
    contrast = 2.0 * np.abs(unknowns[:, 5])
    return _Fit(unknowns[:, :2], contrast, scatter / np.maximum(contrast, 1e-9), u_px)


def _model(unknowns: Points, offset_px: Points) -> tuple[Points, Points]:
    """Light (N, K) of the model and its derivatives (N, K, 9)."""
    x, y, first, second, blur, height, level, east, south = (unknowns[:, i, None] for i in range(9))
    dx, dy = np.moveaxis(offset_px, 2, 0)
    px, py = dx - x, dy - y
    steps, slopes, turned = [], [], []
    for angle in (first, second):
        distance, along = px * np.cos(angle) + py * np.sin(angle), py * np.cos(angle) - px * np.sin(angle)
        steps.append(erf(distance / blur))
        slopes.append(2.0 / np.sqrt(np.pi) * np.exp(-((distance / blur) ** 2)) / blur)
        turned.append((distance, along))
    by_first, by_second = height * slopes[0] * steps[1], height * steps[0] * slopes[1]
    one = np.ones_like(px)
    columns = [
        -by_first * np.cos(first) - by_second * np.cos(second),
        -by_first * np.sin(first) - by_second * np.sin(second),
        by_first * turned[0][1],
        by_second * turned[1][1],
        -(by_first * turned[0][0] + by_second * turned[1][0]) / blur,
        steps[0] * steps[1],
        one,
        dx,
        dy,
    ]
    return level + east * dx + south * dy + height * steps[0] * steps[1], np.stack(columns, axis=2)


def _solve(jacobian: Points, residual: Points, weight: Points, stiffness: Points) -> tuple[Points, Points]:
    """Weighted least squares for each crossing; the solution (N, P) and the inverse normal matrix (N, P, P)."""
    weighted = jacobian * weight[..., None]
    normal = np.swapaxes(weighted, 1, 2) @ jacobian + np.diag(stiffness + 1e-9)
    inverse: Points = np.asarray(np.linalg.inv(normal))
    return (inverse @ np.swapaxes(weighted, 1, 2) @ residual[..., None])[..., 0], inverse
