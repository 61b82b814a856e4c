"""Where an outline's edges end: sharp corners that stand the test of fitted edges, and the ends of rounded corners."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from flatmeasure.edges.corners import find_corners, resample
from flatmeasure.edges.curves import CORRELATED_MM, Smooth, fit_curve
from flatmeasure.edges.joints import Break, Chain, Fits, between, settle
from flatmeasure.edges.rounded import find_rounded
from flatmeasure.photos.camera import Points

BLUNTEST_DEG = 8.0  # a smaller turn between two fitted edges is none
DOUBTFUL_DEG = 60.0  # a turn up to here must earn its place, of one corner
DOUBTFUL_SPAN_MM = 30.0  # or of several this near to each other: outliers turn there and back
LONGEST_RUN = 3
ROUNDED_AWAY_DEG = 40.0  # a corner up to here may be part of a rounded one
ROUNDED_SPAN_MM = 120.0
LEAST_ROUNDED_MM = 7.0  # half the chord of a rounded corner that may stand for a sharp one
OUTLIER = 7.0  # a point farther off, in units of its usual distance, counts no more than that


def find_breaks(fits: Fits) -> list[Break]:
    """Breaks of an outline, in order along the chain; none for a smooth closed one."""
    chain = fits.chain
    found = [Break(place) for place in find_corners(resample(chain.points_mm, chain.u_mm))]
    breaks = settle(fits, settle(fits, found))
    spread = _spread(fits, breaks)
    breaks = settle(fits, _outside_rounded(fits, _prune(fits, breaks, spread), spread))
    breaks = _in_order(fits, breaks)
    return _add_rounded(fits, breaks, spread)


def _prune(fits: Fits, breaks: list[Break], spread: float) -> list[Break]:
    """Breaks without those that the Bayesian information criterion does not grant.

    One smooth edge across a break, or across up to three near each other, has fewer parameters than the edges between;
    if it misses the points by little more, the breaks go. So corners made by outliers and by tight bends are undone.
    """
    while breaks:
        gains = sorted(((_gain(fits, breaks, run, spread), run) for run in _doubtful(fits, breaks)), reverse=True)
        gone: set[int] = set()
        touched: set[int] = set()
        for gain, run in gains:
            around = {(run[0] - 1) % len(breaks), *run, (run[-1] + 1) % len(breaks)}
            if gain > 0.0 and not touched & around:
                gone |= set(run)
                touched |= around
        if not gone:
            break
        breaks = [b for i, b in enumerate(breaks) if i not in gone]
    return breaks


def _doubtful(fits: Fits, breaks: Sequence[Break]) -> list[tuple[int, ...]]:
    """Indices of every break, or run of breaks, that might be none."""
    turns = [np.degrees(joint.turn_rad) for joint in fits.joints(breaks)]
    runs = _runs(fits.chain, breaks, LONGEST_RUN, DOUBTFUL_SPAN_MM)
    return [run for run in runs if abs(sum(turns[i] for i in run)) < DOUBTFUL_DEG]


def _runs(chain: Chain, breaks: Sequence[Break], longest: int, span_mm: float) -> list[tuple[int, ...]]:
    """Indices of every break, and of all runs of them up to a number within a length of the chain."""
    count = len(breaks)
    runs: list[tuple[int, ...]] = [(i,) for i in range(count)]
    for length in range(2, min(longest, count - 1) + 1):
        for i in range(count):
            span = (breaks[(i + length - 1) % count].place - breaks[i].place) % chain.around_mm
            if span < span_mm:
                runs.append(tuple((i + k) % count for k in range(length)))
    return runs


def _around(breaks: Sequence[Break], run: tuple[int, ...]) -> list[Break]:
    """A run with its neighbours."""
    return [breaks[i % len(breaks)] for i in (run[0] - 1, *run, run[-1] + 1)]


def _gain(fits: Fits, breaks: Sequence[Break], run: tuple[int, ...], spread: float) -> float:
    """By how much the information criterion falls when a run of breaks goes."""
    if len(run) == 1 and abs(np.degrees(fits.joints(breaks)[run[0]].turn_rad)) < BLUNTEST_DEG:
        return np.inf
    around = _around(breaks, run)
    apart = [fits.edge(a, b) for a, b in pairwise(around)]
    whole = fits.whole(around, closed=len(run) == len(breaks))
    chain = fits.chain
    independent = min(1.0, chain.step_mm / CORRELATED_MM)
    misfit = _misfit(whole, spread) - sum(_misfit(edge, spread) for edge in apart)
    spared = len(run) + sum(edge.freedom for edge in apart) - whole.freedom
    return float(spared * np.log(chain.around_mm / CORRELATED_MM) - independent * misfit)


def _misfit(smooth: Smooth, spread: float) -> float:
    """Sum of squared distances in units of the spread, outliers capped."""
    scaled = (smooth.residuals_mm / (spread * smooth.u_mm)) ** 2
    return float(np.sum(scaled / (1.0 + scaled / OUTLIER**2)))


def _spread(fits: Fits, breaks: Sequence[Break]) -> float:
    """The points' usual distance from the edges in units of their stated uncertainty."""
    if not breaks:
        return 1.0
    scaled = np.concatenate([edge.residuals_mm / edge.u_mm for edge in fits.edges(breaks)])
    return max(0.6, 1.4826 * float(np.median(np.abs(scaled))))


def _outside_rounded(fits: Fits, breaks: list[Break], spread: float) -> list[Break]:
    """Breaks without blunt ones that lie within what is better seen as one rounded corner."""
    blunt = [abs(np.degrees(joint.turn_rad)) < ROUNDED_AWAY_DEG for joint in fits.joints(breaks)]
    gone: set[int] = set()
    for run in _runs(fits.chain, breaks, 2, ROUNDED_SPAN_MM):
        around = _around(breaks, run)
        if all(blunt[i] for i in run) and not gone & set(run):
            whole = fits.whole(around, closed=len(run) == len(breaks))
            points = fits.chain.points_mm[fits.inside(around)]
            at = [joint.at_mm for i, joint in enumerate(fits.joints(breaks)) if i in run]
            if any(_encloses(rounded.joints_mm, at) for rounded in find_rounded(whole, points, spread)):
                gone |= set(run)
    return [b for i, b in enumerate(breaks) if i not in gone]


def _in_order(fits: Fits, breaks: list[Break]) -> list[Break]:
    """Breaks without those whose joints lie the wrong way round along the edge between them: the blunter one goes."""
    while len(breaks) > 1:
        joints = fits.joints(breaks)
        ends = [*joints[1:], joints[0]]
        wrong = [i for i, end in enumerate(ends) if joints[i].t_b >= end.t_a]
        if not wrong:
            break
        pair = wrong[0], (wrong[0] + 1) % len(breaks)
        gone = min(pair, key=lambda i: abs(joints[i].turn_rad))
        breaks = [b for i, b in enumerate(breaks) if i != gone]
    return breaks


def _encloses(joints_mm: Points, at_mm: Sequence[Points]) -> bool:
    """Whether points lie within the circle over a rounded corner's chord, or little outside; blur makes no chord."""
    middle = joints_mm.mean(axis=0)
    reach = 0.5 * float(np.linalg.norm(joints_mm[1] - joints_mm[0]))
    return reach > LEAST_ROUNDED_MM and all(bool(np.linalg.norm(point - middle) < reach + 5.0) for point in at_mm)


def _add_rounded(fits: Fits, breaks: list[Break], spread: float) -> list[Break]:
    """Breaks with the ends of rounded corners added, in order along the chain."""
    chain = fits.chain
    if breaks:
        ends = [breaks[(i + 1) % len(breaks)] for i in range(len(breaks))]
        sections = [(fits.edge(a, b), between(chain, a, b)) for a, b in zip(breaks, ends, strict=True)]
    else:
        whole = np.arange(len(chain.points_mm))
        sections = [(fit_curve(chain.points_mm, chain.u_mm, closed=True), whole)]
    added = []
    for edge, inside in sections:
        points = chain.points_mm[inside]
        for rounded in find_rounded(edge, points, spread):
            for at_mm, u_along in zip(rounded.joints_mm, rounded.u_along_mm, strict=True):
                place = chain.places[inside[int(np.argmin(np.linalg.norm(points - at_mm, axis=1)))]]
                added.append(Break(float(place), 0.0, at_mm, float(u_along)))
    return sorted([*breaks, *added], key=lambda b: b.place)
