"""What long straight lines in the picture tell of the lens.

A straight line stays straight under any pinhole, whatever plane it lies in, so what it bends in the picture is the
lens's doing (the plumb-line method of D. C. Brown, "Close-range camera calibration", 1971). Of each line one number
counts, its sagitta, and it is known no better than things are straight.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.polynomial.legendre import legvander

from flatmeasure.photos.camera import Points, undistort
from flatmeasure.photos.photo import Photo
from flatmeasure.view.bundle import CameraPrior
from flatmeasure.view.line_tracing import FEWEST_PLACES, TracedLine, trace_lines
from flatmeasure.view.projection import camera_of
from flatmeasure.view.rectification import Rectification, rectify_references

MASK_PX = 1000  # long side of the mask of what lies on the mat
CLEAR_PX, LEAST_CLEAR = 10, 0.8  # of cloth, in its pixels; of a line's length, beside the cloth

SAGITTA = 1.5  # that of the second Legendre polynomial, which runs from -1/2 to 1
STRAIGHT = 3e-4  # sagitta over length, standard deviation, of boards, mats and tables (assumed; 0.3 mm in 1 m)
DOUBTFUL = 2.0  # standard deviations at which a line loses three quarters of its weight
ALONE = 4.0  # variance of a line that no other confirms: a rug's border may be bent
CHI_SQUARE_MEDIAN = 0.455  # of one degree of freedom
LENS_ROUNDS = 6
AGREES = 3.0  # standard deviations between the lens that lines show and the one that the references show
K1, RADIAL = 3, slice(3, 5)
U_K1_SURE = 0.008  # lines give 0.003 to 0.007


def find_straight_lines(photo: Photo, view: Rectification) -> tuple[TracedLine, ...]:
    """Lines that may tell of the lens; none are looked for where the references tell it as well as lines would."""
    if view.solution.covariance[K1, K1] < U_K1_SURE**2:
        return ()
    return trace_lines(photo)


def with_straight_lines(
    view: Rectification, lines: Sequence[TracedLine], *, covered_px: Sequence[Points] = ()
) -> Rectification:
    """The view solved again with what straight lines tell of the lens; the same view where they tell nothing.

    Parameters
    ----------
    view : Rectification
        From references.
    lines : sequence of TracedLine
    covered_px : sequence of (N, 2) array
        Outlines of cloth, whose own edges prove nothing.
    """
    prior = view.solution.prior
    clear = list(_beside(lines, covered_px))
    told = lens_from_lines(prior, clear)
    if told is prior or not _agree(view, told):
        return view
    solved = rectify_references([placed.reference for placed in view.references], told)
    chords = tuple(line.points_px[[0, -1]] for line in clear)
    return replace(solved, notes=view.notes, straight_px=chords)


def lens_from_lines(prior: CameraPrior, lines: Sequence[TracedLine]) -> CameraPrior:
    """What is known of the lens once lines are taken as straight.

    Gauss-Newton with weights that fall off, so that a line among others that is not straight does no harm (S. Geman and
    D. E. McClure, "Statistical methods for tomographic image reconstruction", 1987). How much a line waves (its third
    and fourth degree) is taken for how much it may bend as well, and all are less sure where most of them are bent more
    than is usual, or where there is only one.
    """
    if not lines:
        return prior
    fits = [_polynomials(line) for line in lines]
    straight_px = np.array([fit.u_px for fit in fits])
    known = np.linalg.inv(prior.covariance)
    step = np.sqrt(np.diag(prior.covariance)) / 100.0
    lens, covariance = prior.mean, prior.covariance
    for _ in range(LENS_ROUNDS):
        bends = _bends(lens, fits)
        slopes = np.stack([(_bends(lens + change, fits) - bends)[:, 0] for change in np.diag(step)], axis=1) / step
        u_px = np.sqrt(straight_px**2 + np.sum(bends[:, 1:] ** 2, axis=1))
        doubt = np.einsum("ij,jk,ik->i", slopes, covariance, slopes)
        off = bends[:, 0] ** 2 / (u_px**2 + doubt)
        usual = _usual(off)
        trust = 1.0 / (1.0 + off / (usual * DOUBTFUL**2)) ** 2
        weighted = (slopes * (trust / (usual * u_px**2))[:, None]).T
        covariance = np.linalg.inv(known + weighted @ slopes)
        lens = lens - covariance @ (weighted @ bends[:, 0] + known @ (lens - prior.mean))
    return replace(prior, mean=lens, covariance=covariance)


def _usual(off: Points) -> float:
    """By how much the variance of bends (L,) is larger than that of straight things, as most lines show it."""
    if len(off) == 1:
        return ALONE
    return max(1.0, float(np.median(off)) / CHI_SQUARE_MEDIAN * len(off) / max(1, len(off) - 2))


@dataclass(frozen=True, eq=False)
class _Fit:
    """How a line's bends follow from its points by least squares."""

    points_px: Points  # (N, 2)
    by_offset: Points  # (3, N) sagitta and the coefficients of the third and fourth degree from offsets
    u_px: float  # of the sagitta where the line is as straight as things are


def _polynomials(line: TracedLine) -> _Fit:
    points = line.points_px
    way = (points[-1] - points[0]) / line.length_px
    x = 2.0 * ((points - points[0]) @ way) / line.length_px - 1.0
    solve = np.linalg.pinv(legvander(x, 4))[2:]
    solve[0] *= SAGITTA
    located = line.scatter_px * float(np.linalg.norm(solve[0]))
    return _Fit(points, solve, float(np.hypot(located, STRAIGHT * line.length_px)))


def _bends(lens: Points, fits: Sequence[_Fit]) -> Points:
    """(L, 3) sagitta and higher coefficients of lines in the picture of a lens without distortion, px."""
    camera = camera_of(lens)
    flat = undistort(np.concatenate([fit.points_px for fit in fits]), camera) * camera.focal_px
    bends, first = [], 0
    for fit in fits:
        points = flat[first : first + len(fit.points_px)]
        first += len(points)
        way = (points[-1] - points[0]) / np.hypot(*(points[-1] - points[0]))
        bends.append(fit.by_offset @ ((points - points[0]) @ [-way[1], way[0]]))
    return np.array(bends)


def _agree(view: Rectification, told: CameraPrior) -> bool:
    """Do lines and references show the same distortion?"""
    apart = told.mean[RADIAL] - view.solution.unknowns[RADIAL]
    u2 = told.covariance[RADIAL, RADIAL] + view.solution.covariance[RADIAL, RADIAL]
    return bool(apart @ np.linalg.solve(u2, apart) < AGREES**2)


def _beside(lines: Sequence[TracedLine], covered_px: Sequence[Points]) -> Iterator[TracedLine]:
    """Of each line what lies clear of the outlines, where that is enough."""
    every = [*covered_px, *(line.points_px for line in lines)]
    if not every:
        return
    low, high = np.min([p.min(axis=0) for p in every], axis=0), np.max([p.max(axis=0) for p in every], axis=0)
    extent = float(np.max(high - low))
    shrink = MASK_PX / extent
    covered = np.zeros(np.ceil((high - low)[::-1] * shrink).astype(int) + 1, np.uint8)
    for outline in covered_px:
        cv2.fillPoly(covered, [np.rint((outline - low) * shrink).astype(np.int32)], 1)
    near = cv2.dilate(covered, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * CLEAR_PX + 1, 2 * CLEAR_PX + 1)))
    for line in lines:
        x, y = np.rint((line.points_px - low) * shrink).astype(int).T
        clear = replace(line, points_px=line.points_px[near[y, x] == 0])
        if len(clear.points_px) >= FEWEST_PLACES and clear.length_px > LEAST_CLEAR * line.length_px:
            yield clear
