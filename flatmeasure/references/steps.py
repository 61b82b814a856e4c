"""Where the straight lines of a figure lie in the picture, to a few hundredths of a pixel, in linear light.

Every line is crossed by profiles. A blurred step is fitted to the mean of a few neighbouring profiles: an observation.
A smooth curve through the observations of a line follows the bend the lens gives it; what does not fit the curve is
thrown out, and the scatter about it is the stated uncertainty. Where the ground on one side is rough, as carpet is
beside paper, the smooth side is trusted more.

The blurred step was chosen by comparison on rendered and simulated steps with blur 0.5 to 2 px, sharpening and noise:
as free of bias as the crossing of half the height with half its scatter, and moved half as far by the halos of
sharpening as the centre of the gradient.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from flatmeasure.photos.camera import Points
from flatmeasure.photos.photo import Photo, linear_light, luminance
from flatmeasure.references.figures import UNIT_CORNERS, Boundary, Step
from flatmeasure.references.profiles import (
    Curves,
    Fits,
    Patch,
    Places,
    fit_bends,
    fit_blurred_steps,
    medians,
    offsets,
    sample_profiles,
    spread_places,
    steepest,
)

FIRST_BLUR_PX = 1.0
U_FLOOR_PX = 0.03  # what JPEG, resampling and the print leave even where the scatter is smaller
POOLED_OBSERVATIONS = 5.0  # weight of the figure's common scatter against a line's own
WEAKEST_SHARE = 0.3  # an observation with less than this share of its line's contrast does not show the step
OUTLIER = 4.0  # robust standard deviations
MIN_HALF_PX = 2.5  # of a profile
LIGHT_ROUGH, DARK_ROUGH = (8.0, 0.0), (0.0, 8.0)  # see fit_blurred_steps; best on simulated paper on carpet
LESS_SCATTER = 0.8  # of that of an even fit: then one side is taken as rough
WORTH_TRYING_PX = (U_FLOOR_PX, 0.3)  # scatter: with less there is nothing to gain, with more it is no straight line
LEAST_FREEDOM = 20  # of a figure's observations: fewer scatter too much to compare by


@dataclass(frozen=True, eq=False)
class Guess:
    """A figure whose place is roughly known.

    Attributes
    ----------
    patch : Patch
        Around the figure.
    corners_px : (4, 2) array
        Corners (0, 0), (1, 0), (1, 1), (0, 1) of the unit figure, good to ``search_px``.
    boundaries : tuple of Boundary
        The lines to locate.
    search_px : float
    skip : float
        Part of a line left out at either end, for figures with round corners.
    """

    patch: Patch
    corners_px: Points
    boundaries: tuple[Boundary, ...]
    search_px: float
    skip: float = 0.0


@dataclass(frozen=True, eq=False)
class Line:
    """A located line.

    Attributes
    ----------
    step : Step
    curve : Curves
        This line alone.
    seen : (N,) array of bool
        Which of the places along the line show the step on the curve; empty when the line is too short to be seen apart
        from its ends.
    contrast : float
        Median height of the step, linear light.
    blur_px : float
        Median standard deviation of the step's blur.
    scatter_px : float
        Standard deviation of the observations about the curve.
    """

    step: Step
    curve: Curves
    seen: NDArray[np.bool_]
    contrast: float
    blur_px: float
    scatter_px: float

    @property
    def coverage(self) -> float:
        """Share of the places that show the step."""
        return float(self.seen.mean()) if len(self.seen) else 0.0

    @property
    def widest_gap(self) -> int:
        """Places that show nothing at a stretch, at most."""
        return int(np.diff(np.flatnonzero(np.concatenate([[True], self.seen, [True]]))).max()) - 1

    @property
    def end_gap(self) -> int:
        """Places that show nothing next to an end, at most."""
        shown = np.flatnonzero(self.seen)
        return int(max(shown[0], len(self.seen) - 1 - shown[-1])) if len(shown) else len(self.seen)

    @property
    def bend(self) -> float:
        """Sagitta over length."""
        return float(abs(self.curve.bends_px[0, 2]) / self.curve.length_px[0])


def patch_of(photo: Photo, corners_px: Points, margin: float = 0.15) -> Patch:
    """Linear luminance around a figure, ``margin`` times its extent and some pixels wider on every side."""
    low, high = corners_px.min(axis=0), corners_px.max(axis=0)
    wider = margin * float(np.max(high - low)) + 16.0
    x0, y0 = (max(int(v), 0) for v in np.floor(low - wider))
    x1, y1 = (max(int(v), 0) + 2 for v in np.ceil(high + wider))
    return Patch(luminance(linear_light(photo.rgb[y0:y1, x0:x1])), (x0, y0))


@dataclass(frozen=True, eq=False)
class _Stack:
    """B lines of all figures together."""

    figure: NDArray[np.intp]  # (B,) index of the guess
    boundaries: tuple[Boundary, ...]
    patches: tuple[Patch, ...]  # one a guess
    chords: Curves
    search_px: Points  # (B,)
    reach_px: Points  # (B,)
    skip_px: Points  # (B,)


@dataclass(frozen=True, eq=False)
class _Observed:
    """G observations of the lines of a stack."""

    places: Places
    fits: Fits
    offset_px: Points  # (G,) from the chord
    seen: NDArray[np.bool_]  # (G,) shows the step


def locate(guesses: Sequence[Guess]) -> list[list[Line]]:
    """Locate the lines of figures.

    Returns
    -------
    list of lists of Line
        For each guess, one for each of its boundaries.
    """
    located = _located(guesses)
    scatter_px = [_scatter_px(lines) for lines in located]
    worth = [
        i
        for i, lines in enumerate(located)
        if WORTH_TRYING_PX[0] < scatter_px[i] < WORTH_TRYING_PX[1] and _freedom(lines) >= LEAST_FREEDOM
    ]
    for rough in (LIGHT_ROUGH, DARK_ROUGH):
        for i, lines in zip(worth, _located([guesses[i] for i in worth], rough), strict=True):
            if _scatter_px(lines) < LESS_SCATTER * scatter_px[i]:
                located[i] = lines
    return located


def _scatter_px(lines: Sequence[Line]) -> float:
    return float(np.sqrt(np.mean([line.scatter_px**2 for line in lines])))


def _freedom(lines: Sequence[Line]) -> int:
    """Observations beyond what the curves through them need."""
    return sum(max(int(np.sum(line.seen)) - 3, 0) for line in lines)


def _located(guesses: Sequence[Guess], rough: tuple[float, float] | None = None) -> list[list[Line]]:
    """The lines of figures, the ground being rough on one side, or on neither."""
    if not guesses:
        return []
    stack = _stacked(guesses)
    curves = _searched(stack)
    blur_px = np.full(len(stack.figure), FIRST_BLUR_PX)
    # The first time shows how blurred the lines are, and so how wide to look.
    curves, observed, blur_px = _observed(stack, curves, blur_px)
    curves, observed, blur_px = _observed(stack, curves, blur_px, rough)
    lines = _lines(stack, curves, observed, [homography(guess.corners_px) for guess in guesses])
    return [[lines[i] for i in np.flatnonzero(stack.figure == index)] for index in range(len(guesses))]


def corners_of(sides: Sequence[Line], near_px: Points) -> Points:
    """(4, 2) where neighbouring sides (top, right, bottom, left), carried on beyond their ends, meet.

    Parameters
    ----------
    near_px : (4, 2) array
        Rough corners.
    """
    start = np.concatenate([s.curve.start_px for s in sides])
    end = np.concatenate([s.curve.end_px for s in sides])
    bends = np.concatenate([s.curve.bends_px for s in sides])
    curves = Curves(start, end, bends)
    middle, half = (start + end) / 2.0, (end - start) / 2.0
    this, other = np.arange(4), np.arange(4) - 1
    corners_px = near_px
    for _ in range(3):  # the curves are all but straight
        base, way = [], []
        for line in (this, other):
            x = np.sum((corners_px - middle[line]) * half[line], axis=1) / np.sum(half[line] ** 2, axis=1)
            base.append(curves.points(line, x, offsets(bends, line, x)))
            way.append(curves.tangents(line, x))
        gap = base[1] - base[0]
        turn = way[0][:, 0] * way[1][:, 1] - way[0][:, 1] * way[1][:, 0]
        ahead = (gap[:, 0] * way[1][:, 1] - gap[:, 1] * way[1][:, 0]) / turn
        corners_px = base[0] + ahead[:, None] * way[0]
    return corners_px


def homography(corners_px: Points) -> Points:
    """(3, 3) from the unit figure to the picture."""
    return np.asarray(cv2.getPerspectiveTransform(UNIT_CORNERS.astype(np.float32), corners_px.astype(np.float32)))


def carry(matrix: Points, points: Points) -> Points:
    """Points (N, 2) through a homography."""
    lifted = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return np.asarray(lifted[:, :2] / lifted[:, 2:])


def _stacked(guesses: Sequence[Guess]) -> _Stack:
    figure = np.repeat(np.arange(len(guesses)), [len(g.boundaries) for g in guesses])
    ends = []
    for guess in guesses:
        uv = np.array([(b.start, b.end) for b in guess.boundaries]).reshape(-1, 2)
        ends.append(carry(homography(guess.corners_px), uv).reshape(-1, 2, 2))
    both = np.concatenate(ends)
    chords = Curves(both[:, 0], both[:, 1], np.zeros((len(both), 3)))
    extent = np.array([np.min(np.hypot(*(np.roll(g.corners_px, -1, axis=0) - g.corners_px).T)) for g in guesses])
    boundaries = tuple(b for g in guesses for b in g.boundaries)
    return _Stack(
        figure,
        boundaries,
        tuple(g.patch for g in guesses),
        chords,
        np.array([g.search_px for g in guesses])[figure],
        np.array([b.reach for b in boundaries]) * extent[figure],
        np.array([g.skip for g in guesses])[figure] * chords.length_px,
    )


def _searched(stack: _Stack) -> Curves:
    """Follow the steepest fall of light near each chord."""
    chords, length_px = stack.chords, stack.chords.length_px
    places = spread_places(length_px, np.maximum(stack.skip_px, 3.0 * FIRST_BLUR_PX + 2.0))
    half_px = np.minimum(stack.search_px, np.maximum(0.8 * stack.reach_px, MIN_HALF_PX))
    profiles = sample_profiles(stack.patches, stack.figure, chords, places, half_px)
    offset_px, steepness = steepest(profiles, half_px[places.line])
    usual = medians(places.line, steepness, steepness > 0, len(length_px))
    seen = steepness > WEAKEST_SHARE * usual[places.line]
    return Curves(chords.start_px, chords.end_px, fit_bends(places, offset_px, seen, length_px, 0.5))


def _observed(
    stack: _Stack, curves: Curves, blur_px: Points, rough: tuple[float, float] | None = None
) -> tuple[Curves, _Observed, Points]:
    """Fit steps across the curves; the curves through them, the observations and the lines' blur (B,).

    On ``rough`` ground the smooth side alone can't tell blur from place: the lines of one way are then blurred alike.
    """
    length_px, count = curves.length_px, len(blur_px)
    places = spread_places(length_px, np.maximum(stack.skip_px, 3.0 * blur_px + 2.0))
    half_px = np.clip(4.0 * blur_px + 1.5, MIN_HALF_PX, np.maximum(stack.reach_px - 1.5 * blur_px, MIN_HALF_PX))
    profiles = sample_profiles(stack.patches, stack.figure, curves, places, half_px)
    if rough is None:
        fits = fit_blurred_steps(profiles, half_px[places.line])
    else:
        held_px = _blur_by_way(stack, blur_px)[places.line]
        fits = fit_blurred_steps(profiles, half_px[places.line], blur_px=held_px, rough=rough)
    falls = (fits.height > 0) & (np.abs(fits.offset_px) < 0.9 * half_px[places.line])
    usual_height = medians(places.line, fits.height, falls, count)
    usual_blur = medians(places.line, fits.blur_px, falls, count)
    seen = falls & (fits.height > WEAKEST_SHARE * usual_height[places.line])
    seen &= fits.blur_px < 3.0 * usual_blur[places.line]
    offset_px = offsets(curves.bends_px, places.line, places.x) + fits.offset_px
    bent = Curves(curves.start_px, curves.end_px, fit_bends(places, offset_px, seen, length_px, 0.08))
    return bent, _Observed(places, fits, offset_px, seen), np.where(usual_blur > 0, usual_blur, blur_px)


def _blur_by_way(stack: _Stack, blur_px: Points) -> Points:
    """(B,) medians over the lines that run alike: a moving camera blurs those of one way more than the others."""
    upright = np.array([abs(b.end[1] - b.start[1]) > abs(b.end[0] - b.start[0]) for b in stack.boundaries])
    way = 2 * stack.figure + upright
    every = np.ones(len(way), dtype=bool)
    return np.asarray(medians(way, blur_px, every, 2 * len(stack.patches))[way])


def _lines(stack: _Stack, curves: Curves, observed: _Observed, to_picture: list[Points]) -> list[Line]:
    """Throw out what does not fit the curves, and state what is left with its scatter."""
    line, x, count = observed.places.line, observed.places.x, len(stack.figure)
    residual = observed.offset_px - offsets(curves.bends_px, line, x)
    spread = 1.4826 * medians(line, np.abs(residual), observed.seen, count)
    seen = observed.seen & (np.abs(residual) < OUTLIER * np.maximum(spread, U_FLOOR_PX)[line])
    number = np.bincount(line, seen, count)
    squares = np.bincount(line, seen * residual**2, count)
    freedom = np.maximum(number - 3.0, 0.0)
    pooled = np.bincount(stack.figure, squares) / np.maximum(np.bincount(stack.figure, freedom), 1.0)
    variance = (squares + POOLED_OBSERVATIONS * pooled[stack.figure]) / (freedom + POOLED_OBSERVATIONS)
    points = curves.points(line, x, observed.offset_px)
    tangents = curves.tangents(line, x)
    contrast = medians(line, observed.fits.height, seen, count)
    blur_px = medians(line, observed.fits.blur_px, seen, count)
    lines = []
    for b, boundary in enumerate(stack.boundaries):
        mine = np.flatnonzero(seen & (line == b))
        scatter_px = float(np.sqrt(variance[b]))
        uv = carry(np.linalg.inv(to_picture[stack.figure[b]]), points[mine])
        normals = np.stack([-tangents[mine, 1], tangents[mine, 0]], axis=1)
        u_px = np.full(len(mine), max(scatter_px, U_FLOOR_PX))
        lines.append(
            Line(
                Step(boundary.start, boundary.end, _fractions(boundary, uv), points[mine], normals, u_px),
                Curves(curves.start_px[b : b + 1], curves.end_px[b : b + 1], curves.bends_px[b : b + 1]),
                seen[line == b],
                float(contrast[b]),
                float(blur_px[b]),
                scatter_px,
            )
        )
    return lines


def _fractions(boundary: Boundary, uv: Points) -> Points:
    start, way = np.array(boundary.start), np.subtract(boundary.end, boundary.start)
    return np.asarray((uv - start) @ way / (way @ way))
