"""From a coarse outline to the cloth's true one, below a pixel, on the original pixels in linear light.

First the boundary is found to about a pixel by colour (boundary), then on profiles across it the step itself (stepfit).
Each is done twice, the second time along the normals of the first result, so that rounded corners come out sharp.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from flatmeasure.outline.appearance import Appearance
from flatmeasure.outline.boundary import band, find_boundary, nearest, parting_cost
from flatmeasure.outline.printed_lines import with_lines
from flatmeasure.outline.ring import normals_of, resampled, spanned
from flatmeasure.outline.stepfit import (
    OFFSETS_PX,
    SEARCH_PX,
    SEARCH_STEP_PX,
    SHIFTS_PX,
    SPACING_PX,
    StepFit,
    estimate_blur,
    fit_steps,
    shadows_of,
    whiten,
)
from flatmeasure.photos.photo import Photo, linear_light

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Bools = NDArray[np.bool_]

FIT_SPACING_PX = 3.5
WEAK_U_PX = 1.0
LEAST_CONTRAST = 5.0  # a step lower than this, in units of the noise, is none


@dataclass(frozen=True, eq=False)
class Outline:
    """A refined outline; pixels of the upright photo.

    Attributes
    ----------
    points_px : (N, 2) array
        Closed (the first point is not repeated), turning as the coarse outline did, evenly spaced.
    normals_px : (N, 2) array
        Unit vectors away from the cloth.
    u_px : (N,) array
        Standard uncertainty of each point along its normal, independent from point to point.
    weak : (N,) array of bool
        No clear step here: bridged from the neighbours.
    shade : (N,) array
        Likely share of the light that the cloth takes from the ground beside it.
    contrast : float
        Median height of the step over the noise.
    """

    points_px: Floats
    normals_px: Floats
    u_px: Floats
    weak: Bools
    shade: Floats
    contrast: float


def refine_outline(
    photo: Photo,
    outline_px: Floats,
    *,
    is_hole: bool = False,
    avoid_px: Sequence[Floats] = (),
    blur_px: float | None = None,
    relief_px: float = 0.0,
    lines_px: Callable[[Floats, Floats], Floats] | None = None,
) -> Outline:
    """Move a coarse outline onto the cloth's edge.

    Parameters
    ----------
    photo : Photo
    outline_px : (M, 2) array
        Closed polygon, within some 10 px of the edge.
    is_hole : bool
        The polygon runs round a hole: the cloth is outside it.
    avoid_px : sequence of (K, 2) arrays
        Polygons of other things (other cloth, references) whose pixels say nothing about the ground.
    blur_px : float or None
        Standard deviation of the optical blur as other steps of the photo show it; None to take it from the outline.
    relief_px : float
        The cloth's thickness, as long as it would look lying down: it throws a shadow so long beside it.
    lines_px : callable, optional
        Gives for points (N, 2) and unit vectors (N, 2) how far along these the next printed lines of the mat are that
        run across them, (N, L); infinite where there is none.
    """
    away = -1.0 if is_hole else 1.0
    points, appearance = find_boundary(photo.rgb, np.asarray(outline_px, dtype=np.float64), away, avoid_px)
    shadows = shadows_of(relief_px)
    for last in (False, True):
        points = resampled(points, FIT_SPACING_PX)
        normals = normals_of(points, away)
        profiles = _profiles(photo.rgb, points, normals)
        white = whiten(profiles, appearance.scatter(len(profiles)))
        blur = blur_px or estimate_blur(whiten(profiles[::4], np.zeros((3, 3))))
        fit = fit_steps(white, normals, blur, shadows, _pull(profiles, appearance))
        if lines_px is not None:
            fit = with_lines(fit, white, blur, shadows, lines_px(points, normals))
        weak = _untrustworthy(fit, SEARCH_PX - SEARCH_STEP_PX if last else np.inf)
        points = points + _bridged(fit.offset_px, weak)[:, None] * normals
        points = spanned(points, fit.contrast < LEAST_CONTRAST)
    u = np.where(weak, np.maximum(fit.u_px, WEAK_U_PX), fit.u_px)
    return Outline(points, normals, u, weak, fit.shade, float(np.median(fit.contrast)))


def unsure_beside(outline: Outline, zone_px: Floats) -> Outline:
    """The same outline, weak where it runs through a zone, (K, 2), in which cloth does not look like cloth."""
    near = shapely.distance(shapely.Polygon(zone_px), shapely.points(outline.points_px)) < FIT_SPACING_PX
    u_px = np.where(near, np.maximum(outline.u_px, WEAK_U_PX), outline.u_px)
    return replace(outline, u_px=u_px, weak=outline.weak | near)


def _pull(profiles: Singles, appearance: Appearance) -> Floats:
    """(N, D) how much the colours on a profile speak against the edge at each of ``SHIFTS_PX``."""
    columns = np.rint((SHIFTS_PX - OFFSETS_PX[0]) / SPACING_PX - 0.5).astype(int)
    near = slice(columns[0], columns[-1] + 1)  # what lies farther within speaks against all of them alike
    cost = parting_cost(appearance.evidence(profiles[:, near])) * SPACING_PX
    return np.asarray(cost[:, columns - columns[0]])


def _untrustworthy(fit: StepFit, limit_px: float) -> Bools:
    """Points without a clear step, farther off than a limit, or far from where their neighbours are."""
    around = np.stack([np.roll(fit.offset_px, k) for k in range(-4, 5)])
    middle = np.median(around, axis=0)
    spread = 1.48 * np.median(np.abs(around - middle), axis=0) + 0.1
    return (
        (fit.contrast < LEAST_CONTRAST)
        | (fit.u_px > 0.5)
        | (np.abs(fit.offset_px) > limit_px)
        | (np.abs(fit.offset_px - middle) > 4.0 * spread)
    )


def _linear_samples(rgb: NDArray[np.uint8], x: Singles, y: Singles) -> Singles:
    """(N, K, 3) linear light at (N, K) places: decoded first, then interpolated between the four pixels around."""
    left, top = np.floor(x), np.floor(y)
    right_part, lower_part = (x - left)[..., None], (y - top)[..., None]
    rows = []
    for dy in (0, 1):
        first, second = (linear_light(nearest(rgb, left + np.float32(dx), top + np.float32(dy))) for dx in (0, 1))
        rows.append(first + right_part * (second - first))
    return np.asarray(rows[0] + lower_part * (rows[1] - rows[0]))


def _profiles(rgb: NDArray[np.uint8], points: Floats, normals: Floats) -> Singles:
    """(N, K, 3) linear light across the outline at ``OFFSETS_PX``: means of three lines a third of a step apart."""
    aside = np.column_stack([-normals[:, 1], normals[:, 0]]) * (FIT_SPACING_PX / 3.0)
    total = sum(_linear_samples(rgb, *band(points + shift * aside, normals, OFFSETS_PX)) for shift in (-1.0, 0.0, 1.0))
    return np.asarray(total / np.float32(3.0))


def _bridged(values: Floats, weak: Bools) -> Floats:
    """Values with the weak ones interpolated between their good neighbours."""
    good = np.flatnonzero(~weak)
    if len(good) == 0:
        return np.zeros_like(values)
    filled: Floats = np.interp(np.arange(len(values)), good, values[good], period=len(values))
    return filled
