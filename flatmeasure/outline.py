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
from scipy.interpolate import PchipInterpolator

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
    whiten,
)

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Bools = NDArray[np.bool_]

SEARCH_SPACING_PX = 6.0
SEARCH_REACHES_PX = (12, *(8,) * 9)  # one search after the other, until the outline moves no farther than SETTLED_PX
SETTLED_PX = 4
SMOOTHING_PX = 4.0  # half the window that takes the stairs of the coarse mask away
COARSE_TRUST = 0.05  # cost of straying from the coarse outline, per square pixel
BEND_COST = 2.0  # cost of one pixel more or less than the neighbour's offset
MOST_BEND = 3
SEAM_ROWS = 30
REGION_SCALE = 4  # of the mask that tells the sides apart
OWN_SIDE_PX = 6  # nearer than this the coarse outline does not tell the sides apart
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
        points, appearance, settled = _searched(photo.rgb, even, away, reach_px, avoid_px)
        if settled:
            break
    blur_px: float | None = None
    for _ in range(2):
        points = _resampled(points, FIT_SPACING_PX)
        normals = _normals(points, away)
        profiles = _profiles(photo.rgb, points, normals)
        white = whiten(profiles, appearance.scatter(len(profiles)))
        if blur_px is None:
            blur_px = estimate_blur(whiten(profiles[::4], np.zeros((3, 3))))
        fit = fit_steps(white, blur_px, _pull(profiles, appearance))
        weak = _untrustworthy(fit)
        points = points + _bridged(fit.offset_px, weak)[:, None] * normals
        points = _spanned(points, fit.contrast < LEAST_CONTRAST)
    u = np.where(weak, np.maximum(fit.u_px, WEAK_U_PX), fit.u_px)
    return Outline(points, normals, u, weak, float(np.median(fit.contrast)))


def _pull(profiles: Singles, appearance: Appearance) -> Floats:
    """(N, D) how much the colours on a profile speak against the edge at each of ``SHIFTS_PX``."""
    cost = _parting_cost(appearance.evidence(profiles)) * SPACING_PX
    columns = np.rint((SHIFTS_PX - OFFSETS_PX[0]) / SPACING_PX - 0.5).astype(int)
    return np.asarray(cost[:, columns])


def _untrustworthy(fit: StepFit) -> Bools:
    """Points without a clear step, or far from where their neighbours are."""
    around = np.stack([np.roll(fit.offset_px, k) for k in range(-4, 5)])
    middle = np.median(around, axis=0)
    spread = 1.48 * np.median(np.abs(around - middle), axis=0) + 0.1
    return (
        (fit.contrast < LEAST_CONTRAST)
        | (fit.u_px > 0.5)
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


def _band(points: Floats, normals: Floats, offsets: Floats) -> tuple[Singles, Singles]:
    """(N, K) x and (N, K) y of places along the normals."""
    x = points[:, :1] + offsets * normals[:, :1]
    y = points[:, 1:] + offsets * normals[:, 1:]
    return x.astype(np.float32), y.astype(np.float32)


def _nearest(picture: NDArray[np.uint8], x: Singles, y: Singles) -> NDArray[np.uint8]:
    """The pixels nearest to places; the border repeats outside."""
    return np.asarray(cv2.remap(picture, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE), dtype=np.uint8)


def _linear_samples(rgb: NDArray[np.uint8], x: Singles, y: Singles) -> Singles:
    """(N, K, 3) linear light at (N, K) places: decoded first, then interpolated between the four pixels around."""
    left, top = np.floor(x), np.floor(y)
    right_part, lower_part = (x - left)[..., None], (y - top)[..., None]
    rows = []
    for dy in (0, 1):
        first, second = (linear_light(_nearest(rgb, left + np.float32(dx), top + np.float32(dy))) for dx in (0, 1))
        rows.append(first + right_part * (second - first))
    return np.asarray(rows[0] + lower_part * (rows[1] - rows[0]))


def _profiles(rgb: NDArray[np.uint8], points: Floats, normals: Floats) -> Singles:
    """(N, K, 3) linear light across the outline at ``OFFSETS_PX``: means of three lines a third of a step apart."""
    aside = np.column_stack([-normals[:, 1], normals[:, 0]]) * (FIT_SPACING_PX / 3.0)
    total = sum(_linear_samples(rgb, *_band(points + shift * aside, normals, OFFSETS_PX)) for shift in (-1.0, 0.0, 1.0))
    return np.asarray(total / np.float32(3.0))


def _bridged(values: Floats, weak: Bools) -> Floats:
    """Values with the weak ones interpolated between their good neighbours."""
    good = np.flatnonzero(~weak)
    if len(good) == 0:
        return np.zeros_like(values)
    filled: Floats = np.interp(np.arange(len(values)), good, values[good], period=len(values))
    return filled


def _spanned(points: Floats, blank: Bools) -> Floats:
    """The outline led smoothly across blank stretches, where nothing is seen of it, as its ends point."""
    seen = np.flatnonzero(~blank)
    if len(seen) < 4 or len(seen) == len(points):
        return points
    turns = np.concatenate([seen - len(points), seen, seen + len(points)])
    spanned: Floats = PchipInterpolator(turns, points[turns % len(points)])(np.arange(len(points)))
    return spanned


def _searched(
    rgb: NDArray[np.uint8], points: Floats, away: float, reach_px: int, avoid_px: Sequence[Floats]
) -> tuple[Floats, Appearance, bool]:
    """The outline moved along its normals to where cloth and ground part best, what both look like, and whether the
    outline has settled: a dart that the coarse outline missed is entered step by step.
    """
    offsets = np.arange(-reach_px - RIM_SAMPLES, reach_px + RIM_SAMPLES + 1.0)
    normals = _normals(points, away)
    x, y = _band(points, normals, offsets)
    light = linear_light(_nearest(rgb, x, y))
    known = _in_frame(rgb, x, y) & _own_side(points, x, y, offsets, away, avoid_px)
    appearance = learn_appearance(light, known)
    evidence = np.where(known, appearance.evidence(light), 0.0)
    middle = slice(RIM_SAMPLES, RIM_SAMPLES + 2 * reach_px + 1)
    cost = _parting_cost(evidence)[:, middle] + COARSE_TRUST * offsets[middle] ** 2
    path = _closed_path(cost)
    moved = points + (offsets[middle][path] + 0.5)[:, None] * normals
    settled = bool(np.abs(offsets[middle][path]).max() <= SETTLED_PX)
    return _untangled(moved, points), appearance, settled


def _parting_cost(evidence: Floats | Singles) -> Floats:
    """(N, K) evidence against an edge just beyond each sample: all up to it would be cloth, all beyond it ground."""
    cost: Floats = -np.cumsum(evidence, axis=1, dtype=np.float64)
    return cost


def _in_frame(rgb: NDArray[np.uint8], x: Singles, y: Singles) -> Bools:
    """Whether places lie in the picture."""
    height, width = rgb.shape[:2]
    return np.asarray((x >= 0) & (y >= 0) & (x <= width - 1) & (y <= height - 1))


def _own_side(
    points: Floats, x: Singles, y: Singles, offsets: Floats, away: float, avoid_px: Sequence[Floats]
) -> Bools:
    """(N, K) whether a sample is on the side that its offset says: not beyond a neighbouring stretch of the outline."""
    low = np.floor(np.array([x.min(), y.min()]) / REGION_SCALE).astype(int) - 1
    high = np.ceil(np.array([x.max(), y.max()]) / REGION_SCALE).astype(int) + 2
    region = np.zeros((high[1] - low[1], high[0] - low[0]), dtype=np.uint8)
    for value, polygon in [(1, points), *((2, np.asarray(other)) for other in avoid_px)]:
        cv2.fillPoly(region, [np.round((polygon / REGION_SCALE - low) * 16).astype(np.int32)], value, shift=4)
    scale = np.float32(1.0 / REGION_SCALE)
    side = _nearest(region, x * scale - np.float32(low[0]), y * scale - np.float32(low[1]))
    cloth = side == (1 if away > 0 else 0)
    wrong = np.where(offsets > 0, cloth, ~cloth) & (np.abs(offsets) > OWN_SIDE_PX)
    own: Bools = ~wrong & (side != 2)
    return own


def _closed_path(cost: Floats) -> NDArray[np.intp]:
    """(N,) column of least total cost in each row, neighbours at most ``MOST_BEND`` apart, first and last joined.

    Viterbi's algorithm over the rows, carried on past the seam at either end so that it has neighbours there.
    """
    rows, columns = cost.shape
    lead = min(rows, SEAM_ROWS)
    order = np.concatenate([np.arange(rows - lead, rows), np.arange(rows), np.arange(lead)])
    bend = np.arange(-MOST_BEND, MOST_BEND + 1)
    penalty = BEND_COST * np.abs(bend)
    padded = np.full(columns + 2 * MOST_BEND, np.inf)
    window = np.lib.stride_tricks.sliding_window_view(padded, len(bend))
    totals = np.empty((len(order), columns))
    totals[0] = cost[order[0]]
    for step, row in enumerate(order[1:], start=1):
        padded[MOST_BEND:-MOST_BEND] = totals[step - 1]
        np.add((window + penalty).min(axis=1), cost[row], out=totals[step])
    padded_totals = np.pad(totals, ((0, 0), (MOST_BEND, MOST_BEND)), constant_values=np.inf)
    at = int(totals[-1].argmin())
    path = [at]
    for before in padded_totals[-2::-1]:
        at += int(bend[(before[at : at + len(bend)] + penalty).argmin()])
        path.append(at)
    return np.array(path[::-1])[lead : lead + rows]


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
