"""Edges fitted between given breaks of an outline, and the joints where they meet."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from flatmeasure.curves import Smooth, fit_curve, fit_edge

Points = NDArray[np.float64]

ROUNDED_MM = 2.0  # blur rounds a right angle this far on either side
FARTHEST_MM = 8.0  # from where a corner was found to where its edges meet
FEWEST_POINTS = 4  # of an edge


@dataclass(frozen=True, eq=False)
class Chain:
    """An outline's points.

    Attributes
    ----------
    points_mm : (N, 2) array
    u_mm : (N,) array
    places : (N + 1,) array
        Length along the chain to each point and, last, all round.
    """

    points_mm: Points
    u_mm: Points
    places: Points

    @property
    def around_mm(self) -> float:
        return float(self.places[-1])

    @property
    def step_mm(self) -> float:
        return float(np.median(np.diff(self.places)))


@dataclass(frozen=True, eq=False)
class Break:
    """Where one edge ends and the next begins.

    Attributes
    ----------
    place : float
        Along the chain.
    gap_mm : float
        Left out of the fits on either side, since blur rounds the outline there.
    at_mm : (2,) array or None
        The joint, where two edges pass into each other without a kink and cannot be intersected.
    u_along_mm : float
        Standard uncertainty of such a joint along the outline.
    """

    place: float
    gap_mm: float = ROUNDED_MM
    at_mm: Points | None = None
    u_along_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class Joint:
    """Where edge a ends and edge b starts.

    Attributes
    ----------
    at_mm : (2,) array
    t_a, t_b : float
        Parameters of the two fits.
    turn_rad : float
        Positive to the left.
    u_along_mm : float
        As in `Break`; zero where the edges cross.
    """

    at_mm: Points
    t_a: float
    t_b: float
    turn_rad: float
    u_along_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class Fits:
    """Edges of one chain, each fitted once; faithfully or simply, as in `fit_curve`."""

    chain: Chain
    faithful: bool = False
    _done: dict[tuple[float, ...], Smooth] = field(default_factory=dict)

    def edge(self, start: Break, end: Break) -> Smooth:
        key = (start.place, start.gap_mm, end.place, end.gap_mm)
        if key not in self._done:
            inside = between(self.chain, start, end)
            self._done[key] = fit_edge(self.chain.points_mm[inside], self.chain.u_mm[inside], self.faithful)
        return self._done[key]

    def inside(self, around: Sequence[Break]) -> NDArray[np.intp]:
        """Indices of the points that the edges between some breaks are fitted to."""
        return np.concatenate([between(self.chain, a, b) for a, b in pairwise(around)])

    def whole(self, around: Sequence[Break], closed: bool) -> Smooth:
        """One edge from the first to the last of some breaks, fitted to the same points as the edges between them."""
        key = tuple(x for b in around for x in (b.place, b.gap_mm))
        if key not in self._done:
            inside = self.inside(around)
            points, u = self.chain.points_mm[inside], self.chain.u_mm[inside]
            self._done[key] = fit_curve(points, u, closed=True) if closed else fit_edge(points, u)
        return self._done[key]

    def edges(self, breaks: Sequence[Break]) -> list[Smooth]:
        """Edge i runs from break i to the next."""
        return [self.edge(start, breaks[(i + 1) % len(breaks)]) for i, start in enumerate(breaks)]

    def joints(self, breaks: Sequence[Break]) -> list[Joint]:
        edges = self.edges(breaks)
        return [
            _meet(edges[i - 1], edges[i]) if b.at_mm is None else _touch(edges[i - 1], edges[i], b)
            for i, b in enumerate(breaks)
        ]


def chain_of(points_mm: Points, u_mm: Points) -> Chain:
    steps = np.linalg.norm(np.diff(points_mm, axis=0, append=points_mm[:1]), axis=1)
    return Chain(points_mm, u_mm, np.concatenate([[0.0], np.cumsum(steps)]))


def between(chain: Chain, start: Break, end: Break) -> NDArray[np.intp]:
    """Indices of the points between two breaks, in order, but for those that blur may have moved."""
    around = chain.around_mm
    span = (end.place - start.place) % around or around
    ahead = (chain.places[:-1] - start.place) % around
    skip = np.minimum([start.gap_mm, end.gap_mm], 0.3 * span)
    inside = np.flatnonzero((ahead >= skip[0]) & (ahead <= span - skip[1]))
    return inside[np.argsort(ahead[inside], kind="stable")]


def settle(fits: Fits, breaks: Sequence[Break]) -> list[Break]:
    """Sharp corners moved to where their edges meet; of two that come to lie too near each other, one."""
    moved = [
        Break(_nearest(fits.chain, b.place, joint.at_mm), _rounding(joint.turn_rad))
        for b, joint in zip(breaks, fits.joints(breaks), strict=True)
    ]
    kept: list[Break] = []
    for b in sorted(moved, key=lambda b: b.place):
        if not kept or len(between(fits.chain, kept[-1], b)) >= FEWEST_POINTS:
            kept.append(b)
    if len(kept) > 1 and len(between(fits.chain, kept[-1], kept[0])) < FEWEST_POINTS:
        kept.pop()
    return kept


def _meet(a: Smooth, b: Smooth) -> Joint:
    """Crossing of the end of one fit, carried on, with the start of the next, by Newton's method."""
    t = np.array([a.last, b.first])
    for _ in range(12):
        apart = a.at_one(t[0]) - b.at_one(t[1])
        jacobian = np.column_stack([a.at_one(t[0], 1), -b.at_one(t[1], 1)])
        move = np.clip(np.linalg.lstsq(jacobian, -apart, rcond=1e-6)[0], -FARTHEST_MM, FARTHEST_MM)
        t = t + move
        if np.max(np.abs(move)) < 1e-10:
            break
    return _joint(a, b, float(t[0]), float(t[1]))


def _touch(a: Smooth, b: Smooth, at: Break) -> Joint:
    """Joint of two edges that pass into each other, at a place known beforehand."""
    assert at.at_mm is not None
    return _joint(a, b, a.nearest(at.at_mm, a.last), b.nearest(at.at_mm, b.first), at.u_along_mm)


def _joint(a: Smooth, b: Smooth, t_a: float, t_b: float, u_along_mm: float = 0.0) -> Joint:
    before, after = a.direction(t_a), b.direction(t_b)
    turn = float(np.arctan2(before[0] * after[1] - before[1] * after[0], before @ after))
    return Joint(0.5 * (a.at_one(t_a) + b.at_one(t_b)), t_a, t_b, turn, u_along_mm)


def _nearest(chain: Chain, place: float, at_mm: Points) -> float:
    """Place along the chain nearest to a corner, not far from where it was found."""
    around = chain.around_mm
    apart = np.abs((chain.places[:-1] - place + 0.5 * around) % around - 0.5 * around)
    distance = np.where(apart < FARTHEST_MM, np.linalg.norm(chain.points_mm - at_mm, axis=1), np.inf)
    return float(chain.places[int(np.argmin(distance))])


def _rounding(turn_rad: float) -> float:
    """How far from a corner blur moves the outline: the farther, the narrower the tip."""
    opening = 0.5 * (np.pi - abs(turn_rad))
    return float(np.clip(0.6 * ROUNDED_MM / np.tan(max(opening, 0.02)), ROUNDED_MM, 15.0))
