"""Where an outline's edges end: sharp corners that stand the test of fitted edges, and the ends of rounded corners."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from flatmeasure.corners import find_corners, resample
from flatmeasure.curves import CORRELATED_MM, Smooth, fit_curve
from flatmeasure.joints import Break, Fits, between, settle
from flatmeasure.rounded import find_rounded

Points = NDArray[np.float64]

BLUNTEST_DEG = 8.0  # a smaller turn between two fitted edges is none
DOUBTFUL_DEG = 60.0  # a corner up to here must earn its place
DOUBTFUL_SPAN_MM = 30.0  # so must corners of any turn that are this near to each other: outliers look like that
LONGEST_RUN = 3
OUTLIER = 7.0  # a point farther off, in units of its usual distance, counts no more than that


def find_breaks(fits: Fits) -> list[Break]:
    """Breaks of an outline, in order along the chain; none for a smooth closed one."""
    chain = fits.chain
    found = [Break(place) for place in find_corners(resample(chain.points_mm, chain.u_mm))]
    breaks = _prune(fits, settle(fits, settle(fits, found)))
    return _add_rounded(fits, settle(fits, breaks))


def _prune(fits: Fits, breaks: list[Break]) -> list[Break]:
    """Breaks without those that the Bayesian information criterion does not grant.

    One smooth edge across a break, or across up to three near each other, has fewer parameters than the edges between;
    if it misses the points by little more, the breaks go. So corners made by outliers and by tight bends are undone.
    """
    spread = _spread(fits, breaks)
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
    count = len(breaks)
    turns = np.degrees(np.abs([joint.turn_rad for joint in fits.joints(breaks)]))
    runs: list[tuple[int, ...]] = [(i,) for i in range(count) if turns[i] < DOUBTFUL_DEG]
    for length in range(2, min(LONGEST_RUN, count - 1) + 1):
        for i in range(count):
            span = (breaks[(i + length - 1) % count].place - breaks[i].place) % fits.chain.around_mm
            if span < DOUBTFUL_SPAN_MM:
                runs.append(tuple((i + k) % count for k in range(length)))
    return runs


def _gain(fits: Fits, breaks: Sequence[Break], run: tuple[int, ...], spread: float) -> float:
    """By how much the information criterion falls when a run of breaks goes."""
    chain, count = fits.chain, len(breaks)
    if len(run) == 1 and abs(np.degrees(fits.joints(breaks)[run[0]].turn_rad)) < BLUNTEST_DEG:
        return np.inf
    around = [breaks[i] for i in ((run[0] - 1) % count, *run, (run[-1] + 1) % count)]
    apart = [fits.edge(a, b) for a, b in pairwise(around)]
    whole = fits.whole(around, closed=len(run) == count)
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
    return max(0.3, 1.4826 * float(np.median(np.abs(scaled))))


def _add_rounded(fits: Fits, breaks: list[Break]) -> list[Break]:
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
        for rounded in find_rounded(edge, points):
            for at_mm, u_along in zip(rounded.joints_mm, rounded.u_along_mm, strict=True):
                place = chain.places[inside[int(np.argmin(np.linalg.norm(points - at_mm, axis=1)))]]
                added.append(Break(float(place), 0.0, at_mm, float(u_along)))
    return sorted([*breaks, *added], key=lambda b: b.place)
