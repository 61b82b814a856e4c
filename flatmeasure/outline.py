"""From a coarse outline to the cloth's true one, below a pixel, on the original pixels in linear light.

1. Search: in a band along the coarse outline every pixel is judged "cloth" or "ground" by colour (appearance), and the
   closed path that parts the two best, without jumping, is found by dynamic programming over offsets along the normals.
2. Fit: on profiles across that path the step itself is located (stepfit).
Each is done twice, the second time along the normals of the first result, so that rounded corners come out sharp.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .appearance import RIM_SAMPLES, Appearance, learn_appearance
from .photo import Photo, linear_light
from .stepfit import (
    OFFSETS_PX,
    SEARCH_PX,
    SEARCH_STEP_PX,
    SHIFTS_PX,
    SPACING_PX,
    StepFit,
    estimate_blur,
    fit_steps,
)

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Bools = NDArray[np.bool_]

SEARCH_SPACING_PX = 6.0
SEARCH_REACHES_PX = (12, 6)
SMOOTHING_PX = 4.0  # half the window that takes the stairs of the coarse mask away
COARSE_TRUST = 0.02  # cost of straying from the coarse outline, per square pixel
BEND_COST = 2.0  # cost of one pixel more or less than the neighbour's offset
OWN_SIDE_PX = 6  # nearer than this the coarse outline does not tell the sides apart
FIT_SPACING_PX = 3.5
WEAK_U_PX = 1.0
LINEAR = linear_light(np.arange(256, dtype=np.uint8))


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
    contrast : float
        Median height of the step over the noise.
    """

    points_px: Floats
    normals_px: Floats
    u_px: Floats
    weak: Bools
    contrast: float


def refine_outline(
    photo: Photo, outline_px: Floats, *, is_hole: bool = False, avoid_px: Sequence[Floats] = ()
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
    """
    away = -1.0 if is_hole else 1.0
    points = np.asarray(outline_px, dtype=np.float64)
    for reach_px in SEARCH_REACHES_PX:
        even = _resampled(_smoothed(points, SMOOTHING_PX), SEARCH_SPACING_PX)
        points, appearance = _searched(photo.rgb, even, away, reach_px, avoid_px)
    blur_px: float | None = None
    for _ in range(2):
        points = _resampled(points, FIT_SPACING_PX)
        normals = _normals(points, away)
        profiles = _profiles(photo.rgb, points, normals)
        blur_px = estimate_blur(profiles[::4]) if blur_px is None else blur_px
        fit = fit_steps(profiles, blur_px, _pull(profiles, appearance))
        weak = _untrustworthy(fit)
        points = points + _bridged(fit.offset_px, weak)[:, None] * normals
    u = np.where(weak, np.maximum(fit.u_px, WEAK_U_PX), fit.u_px)
    return Outline(points, normals, u, weak, float(np.median(fit.contrast)))


def _pull(profiles: Singles, appearance: Appearance) -> Floats:
    """(N, D) how much the colours on a profile speak against the edge at each of ``SHIFTS_PX``."""
    cost = _parting_cost(appearance.evidence(profiles)) * SPACING_PX
    columns = np.searchsorted(OFFSETS_PX, SHIFTS_PX)
    return np.asarray(cost[:, columns])


def _untrustworthy(fit: StepFit) -> Bools:
    """Points without a clear step, or far from where their neighbours are."""
    around = np.stack([np.roll(fit.offset_px, k) for k in range(-4, 5)])
    middle = np.median(around, axis=0)
    spread = 1.48 * np.median(np.abs(around - middle), axis=0) + 0.1
    return (
        (fit.u_px > 0.5)
        | (np.abs(fit.offset_px) > SEARCH_PX - SEARCH_STEP_PX)
        | (np.abs(fit.offset_px - middle) > 4.0 * spread)
    )


def _turning(points: Floats) -> float:
    """Twice the signed area."""
    following = np.roll(points, -1, axis=0)
    return float(np.sum(points[:, 0] * following[:, 1] - following[:, 0] * points[:, 1]))


def _resampled(points: Floats, spacing_px: float) -> Floats:
    """Evenly spaced points along the closed polygon."""
    closed = np.vstack([points, points[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    count = max(12, round(along[-1] / spacing_px))
    at = np.arange(count) * (along[-1] / count)
    return np.column_stack([np.interp(at, along, closed[:, 0]), np.interp(at, along, closed[:, 1])])


def _smoothed(points: Floats, window_px: float) -> Floats:
    """The polygon without the stairs of its mask."""
    fine = _resampled(points, 1.0)
    radius = int(window_px)
    kernel = np.ones(2 * radius + 1) / (2 * radius + 1)
    padded = np.vstack([fine[-radius:], fine, fine[:radius]])
    return np.column_stack([np.convolve(padded[:, axis], kernel, mode="valid") for axis in range(2)])


def _normals(points: Floats, away: float) -> Floats:
    """Unit normals away from the cloth, from the chord over two neighbours each way."""
    chord = sum(np.roll(points, -k, axis=0) - np.roll(points, k, axis=0) for k in (1, 2))
    chord = chord / np.maximum(np.linalg.norm(chord, axis=1, keepdims=True), 1e-9)
    normals: Floats = np.column_stack([chord[:, 1], -chord[:, 0]]) * (away * np.sign(_turning(points)))
    return normals


def _band(points: Floats, normals: Floats, offsets: Floats) -> Singles:
    """(N, K, 2) where the normals are sampled."""
    return (points[:, None, :] + offsets[None, :, None] * normals[:, None, :]).astype(np.float32)


def _nearest(picture: NDArray[np.uint8], at: Singles) -> NDArray[np.uint8]:
    """The pixels nearest to (N, K, 2) places; the border repeats outside."""
    return np.asarray(
        cv2.remap(picture, at[..., 0], at[..., 1], cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE), dtype=np.uint8
    )


def _linear_samples(rgb: NDArray[np.uint8], at: Singles) -> Singles:
    """(N, K, 3) linear light at (N, K, 2) places: decoded first, then interpolated between the four pixels around."""
    corner = np.floor(at)
    part = at - corner
    total = np.zeros((*at.shape[:2], 3), dtype=np.float32)
    for dx in (0, 1):
        for dy in (0, 1):
            weight = np.abs(1 - dx - part[..., 0]) * np.abs(1 - dy - part[..., 1])
            total += weight[..., None] * LINEAR[_nearest(rgb, corner + np.array([dx, dy], dtype=np.float32))]
    return total


def _profiles(rgb: NDArray[np.uint8], points: Floats, normals: Floats) -> Singles:
    """(N, K, 3) linear light across the outline at ``OFFSETS_PX``: means of three lines a third of a step apart."""
    tangents = np.column_stack([-normals[:, 1], normals[:, 0]])
    lines = [
        _linear_samples(rgb, _band(points + shift * FIT_SPACING_PX / 3.0 * tangents, normals, OFFSETS_PX))
        for shift in (-1.0, 0.0, 1.0)
    ]
    mean: Singles = (lines[0] + lines[1] + lines[2]) / np.float32(3.0)
    return mean


def _bridged(values: Floats, weak: Bools) -> Floats:
    """Values with the weak ones interpolated between their good neighbours."""
    good = np.flatnonzero(~weak)
    if len(good) == 0:
        return np.zeros_like(values)
    filled: Floats = np.interp(np.arange(len(values)), good, values[good], period=len(values))
    return filled


def _searched(
    rgb: NDArray[np.uint8], points: Floats, away: float, reach_px: int, avoid_px: Sequence[Floats]
) -> tuple[Floats, Appearance]:
    """The outline moved along its normals to where cloth and ground part best, and what both look like."""
    offsets = np.arange(-reach_px - RIM_SAMPLES, reach_px + RIM_SAMPLES + 1.0)
    normals = _normals(points, away)
    at = _band(points, normals, offsets)
    light = LINEAR[_nearest(rgb, at)]
    known = _own_side(points, at, offsets, away, avoid_px, rgb.shape[:2])
    appearance = learn_appearance(light, known)
    evidence = np.where(known, appearance.evidence(light), 0.0)
    middle = slice(RIM_SAMPLES, RIM_SAMPLES + 2 * reach_px + 1)
    cost = _parting_cost(evidence)[:, middle] + COARSE_TRUST * offsets[middle] ** 2
    path = _closed_path(cost)
    moved = points + (offsets[middle][path] + 0.5)[:, None] * normals
    return _untangled(moved, points), appearance


def _parting_cost(evidence: Floats | Singles) -> Floats:
    """(N, K) evidence against an edge just beyond each sample: all up to it would be cloth, all beyond it ground."""
    cost: Floats = -np.cumsum(evidence, axis=1, dtype=np.float64)
    return cost


def _own_side(
    points: Floats, at: Singles, offsets: Floats, away: float, avoid_px: Sequence[Floats], shape: tuple[int, int]
) -> Bools:
    """(N, K) whether a sample is on the side that its offset says: not beyond a neighbouring stretch of the outline."""
    scale = 4
    low = np.floor(at.reshape(-1, 2).min(axis=0) / scale).astype(int) - 1
    high = np.ceil(at.reshape(-1, 2).max(axis=0) / scale).astype(int) + 2
    region = np.zeros((high[1] - low[1], high[0] - low[0]), dtype=np.uint8)
    for value, polygon in [(1, points), *((2, np.asarray(other)) for other in avoid_px)]:
        cv2.fillPoly(region, [np.round((polygon / scale - low) * 16).astype(np.int32)], value, shift=4)
    side = _nearest(region, at / np.float32(scale) - low.astype(np.float32))
    cloth = side == (1 if away > 0 else 0)
    wrong = np.where(offsets > 0, cloth, ~cloth) & (np.abs(offsets) > OWN_SIDE_PX)
    inside = np.all((at >= 0) & (at <= np.array([shape[1] - 1, shape[0] - 1])), axis=2)
    own: Bools = inside & ~wrong & (side != 2)
    return own


def _closed_path(cost: Floats) -> NDArray[np.int64]:
    """(N,) column of least total cost in each row, neighbours at most two columns apart, first and last joined.

    Viterbi's algorithm over the rows, with a quarter turn more at either end so that the seam has neighbours.
    """
    rows, columns = cost.shape
    lead = rows // 4
    order = np.concatenate([np.arange(rows - lead, rows), np.arange(rows), np.arange(lead)])
    penalty = BEND_COST * np.abs(np.arange(-2, 3))
    padded = np.full(columns + 4, np.inf)
    window = np.lib.stride_tricks.sliding_window_view(padded, 5)
    index = np.arange(columns)
    total = cost[order[0]].copy()
    back = np.zeros((len(order), columns), dtype=np.int64)
    for step, row in enumerate(order[1:], start=1):
        padded[2:-2] = total
        options = window + penalty
        choice = options.argmin(axis=1)
        back[step] = index + choice - 2
        total = options[index, choice] + cost[row]
    path = np.zeros(len(order), dtype=np.int64)
    path[-1] = total.argmin()
    for step in range(len(order) - 1, 0, -1):
        path[step - 1] = back[step, path[step]]
    return path[lead : lead + rows]


def _untangled(moved: Floats, points: Floats) -> Floats:
    """The moved polygon without the points where it would run backward (normals that met inside a bend)."""
    for _ in range(4):
        step = np.roll(moved, -1, axis=0) - moved
        course = np.roll(points, -1, axis=0) - points
        forward = np.sum(step * course, axis=1) > 0.2 * np.sum(course * course, axis=1)
        if forward.all() or forward.sum() < 12:
            break
        moved, points = moved[forward], points[forward]
    return moved
