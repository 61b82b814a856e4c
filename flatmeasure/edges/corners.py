"""Where an outline turns sharply: the corners between which edges are fitted.

A corner is a step of the outline's direction. At every point two parabolas, one behind and one ahead, are fitted so
that they meet there; the angle between them is the step. A smooth curve, however tightly bent, has parabolas that pass
into each other; noise gives small angles of known size. Short windows find the corners of short edges, long windows
find blunt corners that noise hides from short ones.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatmeasure.photos.camera import Points
from flatmeasure.polygons import cross

Flags = NDArray[np.bool_]

BLUNTEST_DEG = 8.0  # a smaller step is no corner
SUREST = 4.0  # turn over its uncertainty that makes a corner worth a trial by fitted edges
STRONG_DEG = 30.0  # the same of short windows, which see too little to tell blunt corners
STRONG_SUREST = 3.0
SHORT_MM = 20.0  # windows up to here
REACHES_MM = (7.0, 11.0, 17.0, 26.0, 40.0, 60.0)
BEND_SHARE = 0.35  # of its bend, that a parabola takes a straight line passing into an arc for a step
GAP_MM = 2.0  # blur rounds the outline this far on either side of a corner
COARSENESS = 6  # a window moves on by this part of its reach
SHORTEST_MM = 7.0  # between two corners
FEWEST_STEPS = 6  # nor fewer steps of the outline: a coarse picture shows no shorter edge
CORRELATION_MM = 8.0  # integral of the noise's autocorrelation along the outline, both sides


@dataclass(frozen=True, eq=False)
class Chain:
    """A closed outline resampled in even steps.

    Attributes
    ----------
    points_mm : (M, 2) array
    u_mm : (M,) array
    step_mm : float
    """

    points_mm: Points
    u_mm: Points
    step_mm: float


@dataclass(frozen=True, eq=False)
class Steps:
    """Steps of direction at every point of a chain, seen through one window.

    Attributes
    ----------
    turn_deg : (M,) array
        Positive to the left.
    u_deg : (M,) array
        Standard uncertainty of the turn, misfit of the parabolas included.
    bend_deg : (M,) array
        By how much the more bent parabola turns along the window.
    """

    turn_deg: Points
    u_deg: Points
    bend_deg: Points


def resample(points_mm: Points, u_mm: Points) -> Chain:
    """A closed outline (N, 2) with uncertainties (N,) in even steps of about its own."""
    ring = np.vstack([points_mm, points_mm[:1]])
    steps = np.linalg.norm(np.diff(ring, axis=0), axis=1)
    places = np.concatenate([[0.0], np.cumsum(steps)])
    count = max(16, round(places[-1] / float(np.median(steps))))
    even = np.arange(count) * places[-1] / count
    points = np.column_stack([np.interp(even, places, ring[:, 0]), np.interp(even, places, ring[:, 1])])
    return Chain(points, np.interp(even, places, np.append(u_mm, u_mm[0])), float(places[-1] / count))


def find_corners(chain: Chain) -> Points:
    """Lengths in mm along the chain to its corners, ascending; none for a smooth closed outline."""
    known = np.zeros(0, dtype=np.intp)
    # Short windows first: a long one must not reach over the corners of a short edge and see one great turn.
    for reach_mm in REACHES_MM:
        known = _search(chain, known, reach_mm)
    return np.asarray(known * chain.step_mm)


def _search(chain: Chain, known: NDArray[np.intp], reach_mm: float) -> NDArray[np.intp]:
    """Known corners and those found between them with windows of one length."""
    count = len(chain.points_mm)
    shortest_mm = max(SHORTEST_MM, FEWEST_STEPS * chain.step_mm)
    at = np.arange(0, count, max(1, int(reach_mm / COARSENESS / chain.step_mm)))
    at = at[_room(at, known, count) * chain.step_mm >= shortest_mm]
    steps = direction_steps(chain, at, known, reach_mm)
    turn = np.abs(steps.turn_deg)
    least_deg, surest = (STRONG_DEG, STRONG_SUREST) if reach_mm < SHORT_MM else (BLUNTEST_DEG, SUREST)
    score = np.zeros(count)
    score[at] = np.where(turn > least_deg + BEND_SHARE * steps.bend_deg, turn / steps.u_deg, 0.0)
    score[(score < surest) | ~_is_peak(score, chain, 0.5 * reach_mm)] = 0.0
    found = list(known)
    for index in np.argsort(-score, kind="stable")[: np.count_nonzero(score)]:
        if all(_apart(index, other, count) * chain.step_mm >= shortest_mm for other in found):
            found.append(index)
    return np.sort(np.asarray(found, dtype=np.intp))


def _apart(a: int, b: int, count: int) -> int:
    return min((a - b) % count, (b - a) % count)


def _room(at: NDArray[np.intp], known: NDArray[np.intp], count: int) -> Points:
    """Steps from points to the nearest known corner."""
    if not len(known):
        return np.full(len(at), np.inf)
    apart = np.abs(at[:, None] - known[None])
    return np.asarray(np.minimum(apart, count - apart).min(axis=1), dtype=np.float64)


def _is_peak(score: Points, chain: Chain, reach_mm: float) -> Flags:
    reach = max(1, round(reach_mm / chain.step_mm))
    around = np.lib.stride_tricks.sliding_window_view(np.pad(score, reach, mode="wrap"), 2 * reach + 1)
    return np.asarray(score >= around.max(axis=1))


def direction_steps(chain: Chain, at: NDArray[np.intp], known: NDArray[np.intp], reach_mm: float) -> Steps:
    """Steps of direction at points of a chain.

    Parameters
    ----------
    chain : Chain
    at : (M,) array
        Indices of the points.
    known : (K,) array
        Corners over which no window reaches.
    reach_mm : float
        Length of the window on either side.
    """
    count = len(chain.points_mm)
    reach = min(max(4, round(reach_mm / chain.step_mm)), (count - 1) // 2)
    offsets = np.arange(-reach, reach + 1)
    around = (at[:, None] + offsets) % count
    s = offsets * chain.step_mm / reach_mm
    weights = (1.0 / chain.u_mm**2)[around] * (np.abs(offsets) * chain.step_mm > GAP_MM - 0.5)
    weights *= _same_side(at, known, count, offsets)
    near = chain.points_mm.T[:, around] - chain.points_mm.T[:, at, None]
    left, right = np.minimum(s, 0.0), np.maximum(s, 0.0)
    basis = np.column_stack([np.ones_like(s), left, left**2, right, right**2])
    products = (basis[:, :, None] * basis[:, None, :]).reshape(-1, 25)
    normal = (weights @ products).reshape(-1, 5, 5)
    ridge = 1e-6 * np.trace(normal, axis1=1, axis2=2) + 1e-9  # for a side without points
    normal += ridge[:, None, None] * np.eye(5)
    moments = np.stack([(weights * part) @ basis for part in near], axis=2)
    inverse = np.linalg.inv(normal)
    fitted = inverse @ moments
    misfit = np.sum(weights * np.sum(near**2, axis=0), axis=1) - np.sum(fitted * moments, axis=(1, 2))
    freedom = np.maximum(np.sum(weights > 0, axis=1) - 5, 1)
    behind, ahead = fitted[:, 1], fitted[:, 3]
    turn = np.arctan2(cross(behind, ahead), np.sum(behind * ahead, axis=1))
    length = np.maximum(np.linalg.norm(fitted[:, (1, 3)], axis=2), 0.3 * reach_mm)
    each = np.sqrt(inverse[:, (1, 3), (1, 3)]) / length
    variance = np.sum(each**2, axis=1) - 2.0 * inverse[:, 1, 3] / np.prod(length, axis=1)
    scale = np.maximum(misfit / freedom, 1.0) * max(1.0, CORRELATION_MM / chain.step_mm / 2.0)
    bend = 2.0 * np.abs(cross(fitted[:, (1, 3)], fitted[:, (2, 4)])) / length**2
    return Steps(np.degrees(turn), np.degrees(np.sqrt(variance * scale)), np.degrees(np.max(bend, axis=1)))


def _same_side(at: NDArray[np.intp], known: NDArray[np.intp], count: int, offsets: NDArray[np.intp]) -> Points:
    """(M, W) one where no known corner lies between the window's middle and its point, else zero."""
    if not len(known):
        return np.ones((len(at), len(offsets)))
    back = np.min((at[:, None] - known[None]) % count, axis=1)
    forth = np.min((known[None] - at[:, None]) % count, axis=1)
    return np.asarray((offsets >= -back[:, None]) & (offsets <= forth[:, None]), dtype=np.float64)
